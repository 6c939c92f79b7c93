"""``sweepmuster inspect``: how a file was understood, line by line, and whether the sweep is good enough."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.capture import Context, read_context, sidecar_path
from spectra.cli import console
from spectra.cli.batch import Batch, gather, our_fault, print_batch, run_batch
from spectra.cli.console import print_findings, say, wrap
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import ContextError, MeasurementError, UsageError
from spectra.finding import Finding
from spectra.units import counted

if TYPE_CHECKING:
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable
    from spectra.readers import Inspection
    from spectra.sweep import Sweep

_READING = ("trace", "level_unit", "frequency_unit", "impedance_ohm", "rbw_hz", "detector", "averages")
_SETTINGS = (
    ("rbw_hz", "RBW"),
    ("vbw_hz", "VBW"),
    ("detector", "detector"),
    ("averages", "averages"),
    ("trace_mode", "trace mode"),
    ("sweep_time_s", "sweep time"),
    ("reference_level_dbm", "reference level"),
    ("attenuation_db", "attenuation"),
)
_WIDTH = 100
_TEXT = 56
_INDENT = 14
_BESIDE = 30
_LEAST = 16
_MOST_LINES = 40
_MARKED = 0.6  # certainty above which a layout has marks of its own


@dataclass(frozen=True, slots=True)
class Inspected:
    """How a file was understood, its context, and what is to be said about its quality."""

    path: Path
    inspection: Inspection
    context: Context
    measured: tuple[Measurement | None, ...] = ()
    findings: tuple[Finding, ...] = ()
    stated: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the inspection with its findings."""
        return {**self.inspection.to_dict(), "findings": [finding.to_dict() for finding in self.findings]}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="sweep file, or a folder of them")
    parser.add_argument("--all", action="store_true", help="also show the lines that gave nothing")
    parser.add_argument("--table", metavar="T.csv", help="carrier table to hold the sweep against (needs --chain)")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain to hold the sweep against")
    parser.add_argument("--lo-state", metavar="NAME", help="LO state that the terminal was told to select")
    parser.add_argument("--satellite", metavar="NAME", help="satellite that the antenna should be on")
    parser.add_argument("--json", action="store_true", help="print the inspection as JSON")
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Print how every file was understood; 2 where one could not be read."""
    from spectra.findings import sweep_at_if
    from spectra.plan import load_chain, load_table
    from spectra.readers import inspect_file

    if arguments.table is not None and arguments.chain is None:
        raise UsageError("--chain", None, "a table without a chain", "both", "State --chain too.")
    stated = reading_options(arguments)
    table = None if arguments.table is None else load_table(arguments.table)
    chain = None if arguments.chain is None else load_chain(arguments.chain)
    files = gather(arguments.files, leave_out=[] if arguments.table is None else [Path(arguments.table)])

    def work(path: Path) -> Iterator[Inspected]:
        sidecar = sidecar_path(path)
        context = read_context(sidecar) if sidecar.is_file() else Context()
        told = {key: context.extra[key] for key in _READING if key in context.extra}
        try:
            inspection = inspect_file(path, **{**told, **stated})
        except UsageError as problem:
            key = problem.source.removeprefix("option ")
            if key in told and key not in stated:
                raise ContextError(
                    sidecar.name, None, f"{key} = {problem.found}", problem.expected, "Mend that line."
                ) from problem
            raise
        beside = {key: value for key, value in told.items() if key not in stated}
        said = tuple(
            f"Stated {where}: " + ", ".join(f"{key} = {value}" for key, value in values.items()) + "."
            for where, values in ((f"in {sidecar.name}", beside), ("on the command line", stated))
            if values
        )
        state = arguments.lo_state or context.lo_state
        at_if = [sweep_at_if(sweep, chain, state) for sweep in inspection.sweeps]
        measured = tuple(_measured(path, sweep) for sweep in at_if)
        yield Inspected(path, inspection, context, measured, stated=said)

    batch = run_batch(files, work, "inspecting")
    _judge(batch, table, chain, arguments.lo_state, arguments.satellite)
    refused = [one.inspection.error for _, one in batch.results if one.inspection.error is not None]
    if len(batch.results) > 1:
        batch.failed += refused
    if arguments.json:
        print_batch(batch)
    else:
        for number, (_, one) in enumerate(batch.results):
            if number:
                print()
            _print(one, everything=arguments.all)
    return 2 if batch.failed or refused else 0


def _measured(path: Path, sweep: Sweep) -> Measurement | None:
    from spectra.measure import measure

    try:
        return measure(sweep)
    except MeasurementError as problem:
        say(f"not measured: {problem}")
    except Exception as problem:  # noqa: BLE001 - how the file was understood is still worth telling
        say(f"not measured: {our_fault(path, problem)}")
    return None


def _judge(
    batch: Batch[Inspected],
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    lo_state: str | None,
    satellite: str | None,
) -> None:
    """Put the findings beside every inspection; captures of one folder are told of each other."""
    from spectra.findings import capture_findings, capture_time

    everyone = [one for _, one in batch.results]
    times = {id(one): capture_time(one.inspection.sweeps[0], one.context, one.path) for one in everyone if one.measured}
    own = next((m for one in everyone if one.context.role == "analyser_floor" for m in one.measured if m), None)
    for place, (path, one) in enumerate(batch.results):
        if not one.measured:
            continue
        beside = [other for other in everyone if other is not one and other.path.parent == path.parent]
        clocks = (times[id(one)], *(times[id(other)] for other in beside if id(other) in times))
        findings: list[Finding] = []
        for number, measurement in enumerate(one.measured):
            if measurement is None:
                continue
            findings += measurement.findings
            findings += capture_findings(
                measurement,
                table=table,
                chain=chain,
                context=one.context,
                lo_state=lo_state,
                satellite=satellite,
                analyser_floor=own,
                times=clocks if number == 0 else (),
            )
        batch.results[place] = (path, replace(one, findings=tuple(findings)))


# --- words -----------------------------------------------------------------------------------------------------------


def _print(one: Inspected, *, everything: bool) -> None:
    inspection = one.inspection
    print(wrap(f"{one.path}: {_summary(inspection)}", indent="    ", first=""))
    if inspection.error is not None:
        print(wrap(str(inspection.error), indent="    ", first="  "))
    _print_used(inspection, everything=everything)
    _print_ignored(inspection, everything=everything)
    for text in one.stated:
        print(wrap(text, indent="    ", first="  "))
    for text in inspection.assumed:
        print(wrap(f"Assumed: {text}", indent="    ", first="  "))
    for text in inspection.warnings:
        print(wrap(f"Noticed: {text}", indent="    ", first="  "))
    for number, sweep in enumerate(inspection.sweeps, 1):
        inside = sweep.origin.file.removeprefix(inspection.file).lstrip("/")
        title = f"Sweep {number}" if len(inspection.sweeps) > 1 else "Sweep"
        _print_sweep(sweep, f"{title} ({inside})" if inside and inside != sweep.origin.file else title)
    print_findings(one.findings)
    if inspection.sweeps and not one.findings:
        print("  Nothing to say against this sweep.")


def _summary(inspection: Inspection) -> str:
    sweeps = len(inspection.sweeps)
    what = "no sweep" if not sweeps else "one sweep" if sweeps == 1 else f"{sweeps} sweeps"
    layout = inspection.layout.replace("-", " ") or "no layout known"
    # plain rows of numbers bear no mark of their own: they are taken where no more particular layout fits
    sure = "recognised by its marks" if inspection.certainty > _MARKED else "recognised by its rows of numbers"
    return f"{what}; {layout}, {sure}; text {inspection.encoding}"


def _print_used(inspection: Inspection, *, everything: bool) -> None:
    if not inspection.used:
        return
    print("  Understood:")
    lines = [(line, list(uses)) for line, uses in groupby(inspection.used, key=lambda use: use.line)]
    shown = lines if everything else lines[:_MOST_LINES]
    room = _room()
    for line, several in shown:
        text = next((use.text for use in several if use.text), "")
        settings = ", ".join(
            (use.setting or "").replace("_", " ") + (f" {use.value}" if use.value else "") for use in several
        )
        column = min(_TEXT, max(room - _INDENT - _BESIDE, _LEAST))
        shown_text = _short(text, column)
        beside = f"    line {line:<4} {shown_text:<{column}}  {settings}".rstrip()
        if len(beside) <= room:
            print(beside)
        else:
            print(f"    line {line:<4} {shown_text}")
            print(wrap(settings, indent=" " * _INDENT))
    if len(lines) > len(shown):
        print(f"    and {counted(len(lines) - len(shown), 'more line')}; --all shows them.")


def _print_ignored(inspection: Inspection, *, everything: bool) -> None:
    if not inspection.ignored:
        return
    if not everything:
        text = (
            f"Gave nothing: {counted(len(inspection.ignored), 'line or entry', 'lines or entries')}; --all shows all."
        )
        print(wrap(text, "    ", first="  "))
        return
    print("  Gave nothing:")
    for use in inspection.ignored:
        print(f"    line {use.line:<4} {_short(use.text or use.value, min(_TEXT, _room() - _INDENT))}".rstrip())


def _room() -> int:
    """Return the columns that a line may take."""
    return min(console.terminal_width(), _WIDTH)


def _short(text: str, most: int) -> str:
    plain = "".join(letter if letter.isprintable() else "·" for letter in text)
    return plain if len(plain) <= most else plain[: most - 1] + "…"


def _print_sweep(sweep: Sweep, title: str) -> None:
    settings = sweep.settings
    print(
        wrap(
            f"{title}: {sweep.points} points, {sweep.start_hz / 1e6:.9g} to {sweep.stop_hz / 1e6:.9g} MHz, one every "
            f"{sweep.spacing_hz / 1e3:.6g} kHz" + _told(sweep),
            indent="    ",
            first="  ",
        )
    )
    silent = [words for name, words in _SETTINGS if getattr(settings, name) is None]
    if silent:
        print(wrap("The file does not say: " + ", ".join(silent) + ".", indent="    ", first="  "))
    if sweep.traces:
        print(wrap("Other traces in it: " + ", ".join(sweep.traces) + ".", indent="    ", first="  "))
    from spectra.cli.sketch import sketch_lines

    width = _room() - 4
    for line in sketch_lines(sweep.level_dbm, width, braille=_can_print("\u28ff")):
        print(f"    {line}")
    low, high = int(sweep.level_dbm.argmin()), int(sweep.level_dbm.argmax())
    place = {name: float(sweep.frequency_hz[k]) / 1e6 for name, k in (("high", high), ("low", low))}
    words = (
        f"Highest {sweep.level_dbm[high]:.2f} dBm at {place['high']:.6g} MHz, lowest {sweep.level_dbm[low]:.2f} dBm at "
        f"{place['low']:.6g} MHz; the sketch goes from one to the other."
    )
    print(wrap(words, indent="    ", first="    "))


def _told(sweep: Sweep) -> str:
    settings = sweep.settings
    said = []
    for name, words, unit, scale in (
        ("rbw_hz", "RBW", "kHz", 1e3),
        ("vbw_hz", "VBW", "kHz", 1e3),
        ("sweep_time_s", "sweep time", "s", 1.0),
        ("reference_level_dbm", "reference level", "dBm", 1.0),
        ("attenuation_db", "attenuation", "dB", 1.0),
    ):
        value = getattr(settings, name)
        if value is not None:
            said.append(f"{words} {value / scale:.6g} {unit}")
    if settings.detector is not None:
        said.append(f"detector {settings.detector.replace('_', ' ')}")
    if settings.trace_mode is not None:
        said.append(f"trace {settings.trace_mode.replace('_', ' ')}")
    if settings.averages is not None:
        said.append(f"{counted(settings.averages, 'sweep')} averaged")
    if sweep.origin.captured_at is not None:
        said.append(f"taken {sweep.origin.captured_at.isoformat(sep=' ')}")
    return "".join(f", {part}" for part in said) + "."


def _can_print(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
