"""``sweepmuster convert``: sweeps of any layout as our own CSV, or as exchange files."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.capture import Context, sidecar_path, write_context
from spectra.cli.batch import gather, run_batch
from spectra.cli.console import say
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import SpectraError, UsageError
from spectra.units import counted

if TYPE_CHECKING:
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.sweep import Sweep

EPILOG = """\
csv is our own: complete, reads back to the identical sweep. sm1809 is intended to follow Rec. ITU-R SM.1809; its field
names are not checked against the text, as the note in each file says, and its levels are rounded. Raw files are never
written to; the context goes along as a sidecar."""

_SUFFIX = {"csv": ".csv", "sm1809": ".txt"}
_READING = ("trace", "level_unit", "frequency_unit", "impedance_ohm", "rbw_hz", "detector", "averages")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="sweep file, or a folder of them")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder to write to, made if it is not there")
    parser.add_argument("--format", choices=tuple(_SUFFIX), default="csv", help="what to write (default csv)")
    parser.add_argument("--to-if", action="store_true", help="take an axis that shows RF back to IF (needs --chain)")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain")
    parser.add_argument("--lo-state", metavar="NAME", help="LO state whose frequency the analyser added")
    parser.add_argument("--force", action="store_true", help="write over files of an earlier conversion")
    exchange = parser.add_argument_group("for sm1809, where neither file nor context says")
    exchange.add_argument("--location", metavar="NAME", help="where it was measured")
    exchange.add_argument("--latitude", type=float, metavar="DEG", help="north positive")
    exchange.add_argument("--longitude", type=float, metavar="DEG", help="east positive")
    exchange.add_argument("--sweep-time", type=float, metavar="S", help="seconds of one sweep")
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Write every sweep; 2 where one could not be read or written."""
    from spectra.findings import sweep_to_if
    from spectra.findings.axis import rf_states
    from spectra.plan import load_chain
    from spectra.readers import load_capture

    stated = reading_options(arguments)
    if arguments.to_if and arguments.chain is None:
        raise UsageError("--to-if", None, "no receive chain", "--chain C.toml", "State the chain: it holds the LO.")
    chain = None if arguments.chain is None else load_chain(arguments.chain)
    if arguments.sweep_time is not None and not arguments.sweep_time > 0.0:
        raise UsageError("--sweep-time", None, f"{arguments.sweep_time:g} s", "a positive time", "State it again.")
    out = _folder(arguments.out)
    files = gather(arguments.files)
    targets = _Targets(out, files, _SUFFIX[arguments.format], force=arguments.force)

    def work(path: Path) -> Iterator[Path]:
        capture = load_capture(path, **stated)
        lo_state = arguments.lo_state or capture.context.lo_state
        for number, sweep in enumerate(capture.sweeps, 1):
            target = targets.claim(path, number if len(capture.sweeps) > 1 else None)
            if arguments.to_if and chain is not None:
                back = sweep_to_if(sweep, chain, lo_state)
                if back is sweep:
                    say(f"{path}: the axis is at IF already, or fits no LO state; left as it is")
                sweep = back
            elif chain is not None and rf_states(sweep, chain, chain.lo_states):
                say(f"{path}: the axis shows RF and is kept so; --to-if takes it back to IF")
            _write(sweep, capture.context, target, arguments, chain)
            _write_sidecar(capture.context, target)
            yield target

    batch = run_batch(files, work, "converting")
    for _, target in batch.results:
        print(target)
    say(f"{counted(len(batch.results), 'file')} written to {out}")
    return 2 if batch.failed else 0


def _folder(name: str) -> Path:
    out = Path(name)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(
            name, None, f"no folder ({problem.strerror})", "a folder to write to", "Choose another."
        ) from None
    return out


class _Targets:
    """Names to write to: none twice in one run, none that is there (unless forced), never a raw file."""

    def __init__(self, out: Path, raw: list[Path], suffix: str, *, force: bool) -> None:
        self._out, self._suffix, self._force = out, suffix, force
        self._raw = {path.resolve() for path in raw}
        self._claimed: dict[Path, Path] = {}

    def claim(self, path: Path, number: int | None) -> Path:
        """Return the name for a file's sweep (numbered from 1 where it holds several)."""
        stem = path.name
        for ending in (".gz", ".zip"):
            stem = stem[: -len(ending)] if stem.lower().endswith(ending) else stem
        stem = Path(stem).stem
        target = self._out / f"{stem}{'' if number is None else f'_{number}'}{self._suffix}"
        place = target.resolve()
        if place in self._raw:
            raise UsageError(str(target), None, "a raw file", "another folder", "Name another with --out.")
        if place in self._claimed:
            raise UsageError(
                str(path),
                None,
                f"a name that {self._claimed[place]} has taken ({target.name})",
                "one name for each file",
                "Convert them into folders of their own.",
            )
        taken = [one for one in (target, sidecar_path(target)) if one.exists()]
        if taken and not self._force:
            raise UsageError(
                str(taken[0]), None, "a file of that name", "a new name", "Name another folder, or --force."
            )
        self._claimed[place] = path
        return target


def _write(
    sweep: Sweep, context: Context, target: Path, arguments: argparse.Namespace, chain: ReceiveChain | None
) -> None:
    from spectra.readers import write_sm1809, write_sweep

    if arguments.format == "csv":
        write_sweep(sweep, target)
        return
    latitude = arguments.latitude if arguments.latitude is not None else context.latitude_deg
    longitude = arguments.longitude if arguments.longitude is not None else context.longitude_deg
    location = arguments.location or " ".join(part for part in (context.vessel, context.terminal) if part)
    if latitude is None or longitude is None or not location:
        raise UsageError(
            sweep.origin.file,
            None,
            "no place, latitude or longitude",
            "all three, which the format wants",
            "State --location, --latitude and --longitude, or vessel and position in the sidecar.",
        )
    if arguments.sweep_time is not None and sweep.settings.sweep_time_s is None:
        sweep = replace(sweep, settings=replace(sweep.settings, sweep_time_s=arguments.sweep_time))
    if context.captured_at is not None:
        sweep = replace(sweep, origin=replace(sweep.origin, captured_at=context.captured_at))
    try:
        write_sm1809(
            sweep,
            target,
            location_name=location,
            latitude_deg=latitude,
            longitude_deg=longitude,
            antenna_type=context.antenna or "not stated",
            note=_note(context, arguments.lo_state, chain),
        )
    except SpectraError as problem:  # name the sweep, not the writer
        raise type(problem)(sweep.origin.file, problem.line, problem.found, problem.expected, problem.mend) from problem


def _note(context: Context, lo_state: str | None, chain: ReceiveChain | None) -> str:
    """Return what the format has no field for, as ``key=value`` pairs."""
    name = lo_state or context.lo_state
    state: LoState | None = None
    if chain is not None:
        state = next((one for one in chain.lo_states if one.name == name), None)
    pairs: dict[str, Any] = {"LO_state": name}
    if state is not None:
        pairs |= {"LO_kHz": f"{state.lo_hz / 1e3:.12g}", "side": state.injection, "pol": state.polarisation}
    pairs |= {"port": context.port, "supply_V": context.supply_v_measured, "expected": context.expected_satellite}
    return "; ".join(f"{key}={str(value).replace(';', ',')}" for key, value in pairs.items() if value is not None)


def _write_sidecar(context: Context, target: Path) -> None:
    """Write the context beside the new file, without what only told how to read the raw one."""
    kept = replace(context, extra={key: value for key, value in context.extra.items() if key not in _READING})
    if kept != Context(assumptions=kept.assumptions):
        write_context(kept, sidecar_path(target))
