"""``sweepmuster identify``: call the roll of a carrier table over sweeps."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.cautions import DISCLAIMER
from spectra.cli.batch import Batch, gather, print_batch, run_batch
from spectra.cli.console import print_findings, print_table, say, wrap
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import UsageError
from spectra.identify.identification import Identification
from spectra.units import format_frequency, format_value

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.measure.measurement import Measurement

EPILOG = DISCLAIMER

_MARGIN = """Margin: Es/N0 over what an ideal demodulator needs for the row's modulation and code rate. The floor in
the gaps lacks the noise that arrives inside the transponder, so it is an upper limit."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="sweep file, or a folder of them")
    parser.add_argument("--table", required=True, metavar="T.csv", help="carrier table")
    parser.add_argument("--chain", required=True, metavar="C.toml", help="receive chain")
    parser.add_argument("--lo-state", metavar="NAME", help="LO state that the terminal was told to select")
    parser.add_argument("--expect", metavar="SATELLITE[/POL]", help="what the antenna should be on")
    parser.add_argument(
        "--together",
        action="store_true",
        help="explain all files jointly: segments, ports or LO states of one antenna position; answers once",
    )
    parser.add_argument("--check", action="store_true", help="exit code 1 where the expectation is not confirmed")
    parser.add_argument("--json", action="store_true", help="print the identification as JSON")
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Identify every file (or all together); 2 where one could not be used, 1 only with ``--check``."""
    from spectra.findings import sweep_at_if, with_capture_findings
    from spectra.identify import identify
    from spectra.measure import measure
    from spectra.plan import load_chain, load_table
    from spectra.readers import load_capture

    options = reading_options(arguments)
    table, chain = load_table(arguments.table), load_chain(arguments.chain)
    for warning in (*table.warnings, *chain.warnings):
        say(f"noticed: {warning}")
    _check_lo_state(arguments.lo_state, [state.name for state in chain.lo_states])
    files = gather(arguments.files, leave_out=[Path(arguments.table)])

    def measured(path: Path) -> Iterator[tuple[Measurement, Context]]:
        capture = load_capture(path, **options)
        for sweep in capture.sweeps:
            state = arguments.lo_state or capture.context.lo_state
            yield measure(sweep_at_if(sweep, chain, state)), capture.context

    said: dict[str, Any] = {"lo_state": arguments.lo_state, "expect": arguments.expect}
    batch: Batch[Identification]
    if arguments.together:
        evidence = run_batch(files, measured, "measuring")
        batch = Batch(failed=evidence.failed)
        # one unusable file leaves the joint answer standing on less than was asked: do not give it
        if evidence.results and not evidence.failed:
            pairs = [pair for _, pair in evidence.results]
            taken, contexts = [m for m, _ in pairs], [c for _, c in pairs]
            answer = identify(taken, table, chain, context=contexts, **said)
            answer = with_capture_findings(answer, taken, table, chain, contexts, **_wanted(answer))
            batch.results.append((files[0], answer))
        elif evidence.failed:
            say("no joint answer: mend or leave out the files above")
    else:

        def work(path: Path) -> Iterator[Identification]:
            for measurement, context in measured(path):
                answer = identify(measurement, table, chain, context=context, **said)
                yield with_capture_findings(answer, [measurement], table, chain, [context], **_wanted(answer))

        batch = run_batch(files, work, "identifying")
    if arguments.json:
        print_batch(batch)
    else:
        for number, (_, identification) in enumerate(batch.results):
            if number:
                print()
            print_identification(identification)
    if batch.failed:
        return 2
    return _checked(batch) if arguments.check else 0


def _wanted(answer: Identification) -> dict[str, str | None]:
    """Return what was expected, as options and contexts together said it, for the rules."""
    expected = answer.expected
    return {
        "lo_state": expected.lo_state,
        "satellite": expected.satellite,
        "polarisation": expected.polarisation,
    }


def _check_lo_state(name: str | None, known: list[str]) -> None:
    if name is not None and name not in known:
        raise UsageError(
            "--lo-state", None, repr(name), "one of " + ", ".join(known), "Name an LO state of the receive chain."
        )


def _checked(batch: Batch[Identification]) -> int:
    for path, identification in batch.results:
        expected = identification.expected
        if expected.satellite is None and expected.polarisation is None and expected.lo_state is None:
            raise UsageError(
                "--check", None, f"no expectation for {path}", "--expect SATELLITE[/POL]", "State what should be there."
            )
    return 0 if all(identification.verdict == "confirmed" for _, identification in batch.results) else 1


def print_identification(identification: Identification) -> None:
    """Print one identification: the answer, the evidence for it, the roll call, what is left over."""
    best = identification.best
    print(", ".join(identification.sweep_files) or "(memory)")
    print(wrap(identification.sentence, indent="  ", first="  "))
    if best.satellite is not None:
        place = "" if best.orbital_longitude_deg is None else f" at {_longitude(best.orbital_longitude_deg)}"
        beam = "" if best.beam is None else f", beam {best.beam}"
        print(f"  Satellite     {best.satellite}{place}{beam}, polarisation {best.polarisation}")
        print(f"  LO state      {best.lo_state} ({best.injection} side)")
        offset = format_frequency(best.if_offset_hz, best.if_offset_std_hz, "kHz")
        print(f"  IF offset     {offset} at {format_frequency(best.if_reference_hz, 1e6)}")
        print(f"  LO error      {format_frequency(best.lo_error_hz, best.lo_error_std_hz, 'kHz')} (true minus nominal)")
        if best.analyser_ppm is not None:
            print(f"  Analyser      {format_value(best.analyser_ppm, best.analyser_ppm_std, 'ppm')} (displayed - true)")
        print(f"  Odds          {_odds(best.log10_odds_none)} against none of these, {_next(identification)}")
    _print_roll_call(identification)
    if identification.unlisted:
        print("  Carriers that no row explains:")
        for (_, carrier), cause in zip_longest(identification.unlisted, identification.unlisted_causes):
            wide = format_frequency(carrier.width_hz, carrier.occupied_bandwidth_std_hz, "kHz")
            width = f", {wide} wide" if carrier.width_hz else ""
            likely = "" if cause is None else f" – {cause.likely}: {cause.why}"
            print(f"    {carrier.kind} at {format_frequency(carrier.centre_hz, carrier.centre_std_hz)}{width}{likely}")
    print_findings(identification.findings)
    print(f"  {DISCLAIMER}")


def _longitude(value: float) -> str:
    turned = (value + 180.0) % 360.0 - 180.0
    return f"{abs(turned):.1f}° {'E' if turned >= 0.0 else 'W'}"


def _odds(log10: float | None) -> str:
    return "–" if log10 is None else f"10^{log10:.1f}"


def _next(identification: Identification) -> str:
    best = identification.best
    rivals = identification.candidates[1:]
    if best.log10_odds_next is None or not rivals:
        return "no rival"
    rival = rivals[0]
    return f"{_odds(best.log10_odds_next)} against {rival.satellite} {rival.polarisation}, {rival.lo_state}"


def _print_roll_call(identification: Identification) -> None:
    counts = {
        status: sum(entry.status == status for entry in identification.roll_call)
        for status in ("present", "absent", "not visible")
    }
    if not identification.roll_call:
        return
    print("  Roll call: " + ", ".join(f"{count} {status}" for status, count in counts.items()))
    margins = any(entry.margin_db is not None for entry in identification.roll_call)
    print_table(
        (
            *("row", "RF MHz", "expected IF MHz", "status", "seen at MHz", "offset kHz", "C/N dB"),
            *(("margin dB",) if margins else ()),
            "why",
        ),
        [
            (
                str(entry.row),
                f"{entry.rf_mhz:.3f}",
                "–" if entry.expected_if_hz is None else f"{entry.expected_if_hz / 1e6:.3f}",
                entry.status,
                "–" if entry.centre_hz is None else f"{entry.centre_hz / 1e6:.3f}",
                "–" if entry.offset_hz is None else f"{entry.offset_hz / 1e3:+.0f}",
                "–" if entry.cn_db is None else f"{entry.cn_db:.1f}",
                *((format_value(entry.margin_db, entry.margin_std_db),) if margins else ()),
                entry.why,
            )
            for entry in identification.roll_call
        ],
        indent="    ",
    )
    if margins:
        print(wrap(_MARGIN, indent="    "))
