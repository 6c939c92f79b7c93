"""``sweepmuster table suggest``: edits of a carrier table that confirmed sweeps propose, accepted one by one."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.cli.batch import Batch, gather, run_batch
from spectra.cli.console import print_json, say
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import UsageError
from spectra.units import counted

if TYPE_CHECKING:
    from spectra.capture import Capture, Context
    from spectra.identify.suggest import Edit, Visit
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

SCHEMA = "sweepmuster/table_suggest/1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("table", metavar="T.csv", help="carrier table")
    parser.add_argument("files", nargs="*", metavar="FILE", help="sweep file, or a folder of them")
    parser.add_argument("--chain", required=True, metavar="C.toml", help="receive chain")
    parser.add_argument(
        "--unseen-in", type=int, default=3, metavar="N", help="visits in which a row was not seen (default 3)"
    )
    parser.add_argument(
        "--accept", metavar="NUMBERS", help="edits to make: 1,3 or 2-5 or all (default: asked for on a terminal)"
    )
    parser.add_argument("--out", metavar="T.csv", help="table to write (default: the table itself; old version kept)")
    parser.add_argument("--json", action="store_true", help="print the edits and what became of them as JSON")
    group = parser.add_argument_group("sweeps from an archive")
    group.add_argument("--archive", metavar="PLACE", help="SQLite file or postgresql://..., as for archive add")
    group.add_argument("--vessel", metavar="NAME", help="only of this vessel (a * stands for anything)")
    group.add_argument("--satellite", metavar="NAME", help="only where this satellite was identified")
    group.add_argument("--since", metavar="DATE", help="from this date or time (UTC) on")
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Propose, let the user choose, and write what was accepted; 2 where a file could not be used."""
    from spectra.identify.suggest import diff_text, suggest_edits, usable
    from spectra.plan import load_chain, load_table

    if arguments.unseen_in < 1:
        raise UsageError("--unseen-in", None, str(arguments.unseen_in), "1 or more", "Leave it out for 3.")
    if not arguments.files and arguments.archive is None:
        raise UsageError("FILE", None, "no sweep", "sweep files, a folder, or --archive", "Name what was swept.")
    options = reading_options(arguments)
    table, chain = load_table(arguments.table), load_chain(arguments.chain)
    for warning in table.warnings:
        say(f"noticed: {warning}")
    batch = _visits(arguments, table, chain, options)
    visits = [visit for _, visit in batch.results]
    edits = suggest_edits(table, chain, visits, unseen_in=arguments.unseen_in)
    used = sum(usable(visit, table) for visit in visits)
    if not arguments.json:
        print(diff_text(table, edits), end="")
    say(f"{used} of {counted(len(visits), 'identified sweep')} confirmed and used; the others say nothing of the table")
    accepted = _accepted(arguments, edits)
    written = _write(arguments, table, edits, accepted) if accepted else None
    if arguments.json:
        listed = [{"number": n, "accepted": n in accepted, **edit.to_dict()} for n, edit in enumerate(edits, 1)]
        print_json(
            {
                "schema": SCHEMA,
                "table": {"file": table.file, "sha256": table.sha256, "rows": len(table)},
                "chain": chain.name,
                "identified": len(visits),
                "confirmed": used,
                "edits": listed,
                "written": written,
                "failed": [problem.to_dict() for problem in batch.failed],
            }
        )
    elif written is not None:
        kept = "" if written["kept"] is None else f"; the version before is kept as {written['kept']}"
        print(f"{counted(len(accepted), 'edit')} made: {written['file']}, {written['rows']} rows{kept}")
    elif edits:
        print("Nothing was changed.")
    return 2 if batch.failed else 0


def _visits(
    arguments: argparse.Namespace, table: CarrierTable, chain: ReceiveChain, options: dict[str, Any]
) -> Batch[Visit]:
    """Identify every sweep of the files and of the archive, each for itself."""
    from spectra.readers import load_capture

    files = gather(arguments.files, leave_out=[Path(arguments.table)])

    def work(path: Path) -> Iterator[Visit]:
        yield from _identified(load_capture(path, **options), table, chain, str(path))

    batch = run_batch(files, work, "identifying")
    if arguments.archive is not None:
        stored = _from_archive(arguments, table, chain)
        batch = Batch([*batch.results, *stored.results], [*batch.failed, *stored.failed])
    return batch


def _identified(capture: Capture, table: CarrierTable, chain: ReceiveChain, name: str) -> Iterator[Visit]:
    from spectra.findings import sweep_at_if
    from spectra.identify import identify
    from spectra.identify.suggest import Visit
    from spectra.measure import measure

    for sweep in capture.sweeps:
        measurement = measure(sweep_at_if(sweep, chain, capture.context.lo_state))
        answer = identify(measurement, table, chain, context=capture.context)
        yield Visit(answer, (measurement,), _occasion(capture.context, sweep.origin.captured_at, name))


def _occasion(context: Context, when: Any, name: str) -> str:
    """One terminal on one day is one occasion, however many sweeps were saved; without a date each file is one."""
    moment = context.captured_at or when
    if moment is None:
        return name
    return f"{context.vessel}|{context.terminal}|{moment:%Y-%m-%d}"


def _from_archive(arguments: argparse.Namespace, table: CarrierTable, chain: ReceiveChain) -> Batch[Visit]:
    """Identify stored sweeps anew from their raw bytes: their results may be of another table."""
    from spectra.archive import Search, open_archive, whole_captures
    from spectra.archive.query import moment
    from spectra.readers import load_capture

    search = Search(
        vessel=arguments.vessel,
        satellite=arguments.satellite,
        since=None if arguments.since is None else moment(arguments.since),
    )
    with (
        open_archive(arguments.archive, create=False) as archive,
        tempfile.TemporaryDirectory(prefix="sweepmuster-") as folder,
    ):
        captures = {Path(str(each["key"])): each for each in whole_captures(archive, search)}

        def work(key: Path) -> Iterator[Visit]:
            stored = captures[key]
            said = {name: value for name, value in stored["context"].items() if value is not None}
            said.pop("assumptions", None)
            if said.get("role", "normal") not in ("normal", "baseline"):
                return
            for number, raw in enumerate(archive.raw_files(str(key))):
                place = Path(folder) / str(key) / str(number)
                place.mkdir(parents=True, exist_ok=True)
                path = place / Path(raw.name).name
                path.write_bytes(raw.data)
                reading = stored["reading"][number] if number < len(stored["reading"]) else {}
                capture = load_capture(path, **{**said, **reading})
                # a file of several sweeps is stored as several captures, numbered from 1
                if len(capture.sweeps) > 1:
                    chosen = capture.sweeps[stored["number"] - 1 : stored["number"]]
                    capture = type(capture)(chosen, capture.context, capture.name)
                yield from _identified(capture, table, chain, f"{key}/{number}")

        return run_batch(list(captures), work, "identifying")


def _accepted(arguments: argparse.Namespace, edits: tuple[Edit, ...]) -> list[int]:
    """Return the numbers of the edits to make, from the option or row by row from the terminal."""
    if arguments.accept is not None:
        return accepted_numbers(arguments.accept, len(edits))
    if arguments.json or not edits or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return []
    chosen = []
    for number, edit in enumerate(edits, 1):
        place = "a new row" if edit.line is None else f"line {edit.line}"
        question = f"[{number}] {edit.action} {place}, {edit.satellite}/{edit.polarisation} {edit.rf_mhz:g} MHz"
        answer = _ask(f"{question} - make this edit? (y/n, q ends) ")
        if answer == "q":
            break
        if answer == "y":
            chosen.append(number)
    return chosen


def _ask(question: str) -> str:
    while True:
        try:
            answer = input(question).strip().lower()[:1]
        except EOFError:
            return "q"
        if answer in ("y", "n", "q"):
            return answer


def accepted_numbers(text: str, most: int) -> list[int]:
    """Return the numbers that a text such as ``1,3-5`` or ``all`` names.

    Raises
    ------
    UsageError
        If a part is no number of an edit.
    """
    if text.strip().lower() == "all":
        return list(range(1, most + 1))
    chosen: set[int] = set()
    for part in text.split(","):
        low, dash, high = part.strip().partition("-")
        first, last = low.strip(), high.strip() if dash else low.strip()
        plain = first.isascii() and last.isascii() and first.isdecimal() and last.isdecimal()
        # digits are counted before they are read: a number of thousands of digits is no number of an edit
        if not plain or max(len(first), len(last)) > 6 or not 1 <= int(first) <= int(last) <= most:
            expected = f"numbers from 1 to {most}, such as 1,3, or all" if most else "nothing: no edit is suggested"
            raise UsageError("--accept", None, repr(part), expected, "Take the numbers from the list.")
        chosen |= set(range(int(first), int(last) + 1))
    return sorted(chosen)


def _write(
    arguments: argparse.Namespace, table: CarrierTable, edits: tuple[Edit, ...], accepted: list[int]
) -> dict[str, Any]:
    from spectra.identify.suggest import apply_edits
    from spectra.plan import load_table, save_table

    target = Path(arguments.out or arguments.table)
    if target.resolve() == Path(arguments.table).resolve() and load_table(target).sha256 != table.sha256:
        raise UsageError(str(target), None, "another content than when it was read", "the same", "Run it again.")
    edited = apply_edits(table, edits, accepted)
    kept = save_table(edited, target)
    return {
        "file": str(target),
        "kept": None if kept is None else str(kept),
        "sha256": edited.sha256,
        "rows": len(edited),
    }
