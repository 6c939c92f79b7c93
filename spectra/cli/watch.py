"""``sweepmuster watch``: measure and identify sweeps of a folder as they are saved."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.cli.batch import BATCH_SCHEMA, our_fault
from spectra.cli.console import say
from spectra.cli.options import add_reading_options, reading_options
from spectra.cli.watching import FolderWatch
from spectra.errors import SpectraError, UsageError

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.findings.clock import CaptureTime
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

EPILOG = """\
A file is taken when its size and time stand still for two looks; one that changes later is answered again. What is in
the folder at the start is answered first (--new leaves it out). Ctrl-C ends."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("folder", metavar="FOLDER", help="folder to watch, with all folders in it")
    parser.add_argument("--table", metavar="T.csv", help="carrier table (with --chain: identify, not only measure)")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain")
    parser.add_argument("--lo-state", metavar="NAME", help="LO state that the terminal was told to select")
    parser.add_argument("--expect", metavar="SATELLITE[/POL]", help="what the antenna should be on")
    parser.add_argument(
        "--archive", metavar="PLACE", help="also store each answered file: SQLite file or postgresql://..."
    )
    parser.add_argument("--once", action="store_true", help="answer what is there, wait for what is being saved, end")
    parser.add_argument("--new", action="store_true", help="leave out what is in the folder at the start")
    parser.add_argument("--interval", type=float, default=2.0, metavar="S", help="seconds between looks (default 2)")
    parser.add_argument("--json", action="store_true", help="print a JSON document per line")
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Watch until interrupted, or once; 2 where a file could not be used."""
    folder = Path(arguments.folder)
    if not folder.is_dir():
        raise UsageError(arguments.folder, None, "no folder", "a folder to watch", "Name the folder of the sweeps.")
    if not 0.0 < arguments.interval < 86400.0:
        raise UsageError("--interval", None, f"{arguments.interval:g} s", "a positive time", "Leave it out for 2 s.")
    if arguments.once and arguments.new:
        raise UsageError("--new", None, "--once --new", "one of them", "Leave one out.")
    answer = _answerer(arguments)
    plans = [Path(name) for name in (arguments.table, arguments.chain) if name is not None]
    watch = FolderWatch(folder, leave_out=plans)
    if arguments.new:
        watch.pass_over_present()
    failed = 0
    with ExitStack() as stack:
        keep = None if arguments.archive is None else stack.enter_context(_keeper(arguments))
        say(f"watching {folder}" + ("" if arguments.once else "; Ctrl-C ends"))
        while True:
            for path in watch.look():
                failed += _try(watch, path, answer, keep, as_json=arguments.json)
            if arguments.once and watch.settled:
                return 2 if failed else 0
            time.sleep(arguments.interval)


@contextmanager
def _keeper(arguments: argparse.Namespace) -> Iterator[Callable[[Path], int]]:
    """Open the archive and give what stores an answered file there; it returns how many could not be stored."""
    from spectra.archive import add_paths, open_archive

    stated = reading_options(arguments)
    with open_archive(arguments.archive, create=True) as archive:

        def keep(path: Path) -> int:
            try:
                result = add_paths(
                    archive, [path], table=arguments.table, chain=arguments.chain, processes=1, reading=stated
                )
            except SpectraError as problem:
                say(f"not stored: {problem}")
                return 1
            for refusal in result.failed:
                say(f"not stored: {refusal}")
            if not result.failed:
                say(f"{path.name}: " + ("stored" if result.stored else "in the archive already"))
            return len(result.failed)

        yield keep


def _try(
    watch: FolderWatch,
    path: Path,
    answer: Callable[[Path], list[Any]],
    keep: Callable[[Path], int] | None,
    *,
    as_json: bool,
) -> int:
    """Answer one file, print what came of it, store it if asked to; return how many were given up or not stored."""
    problem: SpectraError | None = None
    answers: list[Any] = []
    try:
        answers = answer(path)
    except SpectraError as refusal:
        problem = refusal
    except Exception as fault:  # noqa: BLE001 - a fault of ours over one file must not end the watch
        problem = our_fault(path, fault)
    if problem is not None:
        if not watch.failed(path):
            return 0
        say(str(problem))
        if as_json:
            _print_line({"schema": BATCH_SCHEMA, "results": [], "failed": [problem.to_dict()]})
        return 1
    watch.done(path)
    for one in answers:
        if as_json:
            _print_line(one.to_dict())
        else:
            _print_words(one)
    return 0 if keep is None else keep(path)


def _print_line(value: dict[str, Any]) -> None:
    print(json.dumps(value, ensure_ascii=False, allow_nan=False), flush=True)


def _print_words(one: Any) -> None:
    from spectra.cli.identify import print_identification
    from spectra.cli.measure import print_measurement
    from spectra.measure.measurement import Measurement

    if isinstance(one, Measurement):
        print_measurement(one)
    else:
        print_identification(one)
    print(flush=True)


def _answerer(arguments: argparse.Namespace) -> Callable[[Path], list[Any]]:
    """Return what is done with a finished file; table and chain are loaded once."""
    stated = reading_options(arguments)
    if arguments.table is None and arguments.chain is None:
        for name in ("lo_state", "expect"):
            if getattr(arguments, name) is not None:
                raise UsageError("--" + name.replace("_", "-"), None, "no table and chain", "both", "State them too.")
        return partial(_measured, stated=stated, clocks={})
    if arguments.table is None or arguments.chain is None:
        lacking = "--table" if arguments.table is None else "--chain"
        raise UsageError(lacking, None, "only one of table and chain", "both, or neither", f"State {lacking} too.")
    from spectra.plan import load_chain, load_table

    table, chain = load_table(arguments.table), load_chain(arguments.chain)
    known = [state.name for state in chain.lo_states]
    if arguments.lo_state is not None and arguments.lo_state not in known:
        raise UsageError(
            "--lo-state", None, repr(arguments.lo_state), "one of " + ", ".join(known), "Name one of these."
        )
    for warning in table.warnings:
        say(f"noticed: {warning}")
    return partial(
        _identified,
        stated=stated,
        clocks={},
        table=table,
        chain=chain,
        lo_state=arguments.lo_state,
        expect=arguments.expect,
    )


def _read(path: Path, stated: dict[str, Any]) -> Capture:
    from spectra.readers import load_capture

    return load_capture(path, **stated)


def _times(path: Path, capture: Capture, clocks: dict[Path, CaptureTime]) -> tuple[CaptureTime, ...]:
    """Return the times of a capture and of those of its folder that were answered before it, and keep its own."""
    from spectra.findings import capture_time

    clocks[path] = own = capture_time(capture.sweeps[0], capture.context, path)
    return (own, *(time for other, time in clocks.items() if other != path and other.parent == path.parent))


def _measured(path: Path, *, stated: dict[str, Any], clocks: dict[Path, CaptureTime]) -> list[Measurement]:
    from spectra.findings import capture_findings
    from spectra.measure import measure

    capture = _read(path, stated)
    times = _times(path, capture, clocks)
    found = []
    for number, sweep in enumerate(capture.sweeps):
        one = measure(sweep)
        more = capture_findings(one, context=capture.context, times=() if number else times)
        found.append(replace(one, findings=(*one.findings, *more)))
    return found


def _identified(
    path: Path,
    *,
    stated: dict[str, Any],
    clocks: dict[Path, CaptureTime],
    table: CarrierTable,
    chain: ReceiveChain,
    lo_state: str | None,
    expect: str | None,
) -> list[Identification]:
    from spectra.findings import capture_findings, sweep_at_if
    from spectra.identify import identify
    from spectra.measure import measure

    capture = _read(path, stated)
    times = _times(path, capture, clocks)
    found = []
    for number, sweep in enumerate(capture.sweeps):
        one = measure(sweep_at_if(sweep, chain, lo_state or capture.context.lo_state))
        answer = identify(one, table, chain, lo_state=lo_state, expect=expect, context=capture.context)
        sure = answer.verdict in ("confirmed", "probable")
        more = capture_findings(
            one,
            table=table,
            chain=chain,
            context=capture.context,
            lo_state=answer.lo_state if sure else lo_state,
            satellite=answer.satellite if sure else None,
            times=() if number else times,
        )
        found.append(replace(answer, findings=(*answer.findings, *one.findings, *more)))
    return found
