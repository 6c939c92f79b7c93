"""``sweepmuster report interference``: what disturbs, since when, which way it comes in; for the user to complete."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.cli.archive import add_search_options, search_of
from spectra.cli.batch import BATCH_SCHEMA, gather, run_batch
from spectra.cli.compare import plan_of, plot_path
from spectra.cli.console import print_json, print_table, say
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import SpectraError, UsageError
from spectra.units import format_frequency

if TYPE_CHECKING:
    from spectra.capture import Capture, Context
    from spectra.findings.emissions import Emission, Emissions
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="*", metavar="CAPTURE", help="sweep files, or folders of them")
    parser.add_argument("--table", metavar="T.csv", help="carrier table: what it lists does not disturb")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain: tells RF, and what came by the cable")
    parser.add_argument("--emission", type=int, metavar="N", help="only the one of this number in the list")
    parser.add_argument("--list", action="store_true", help="list what was found, instead of the reports")
    parser.add_argument("--json", action="store_true", help="print reports or list as JSON")
    parser.add_argument("--plot", metavar="FILE.html", help="also write when each was seen, and the sweeps over time")
    parser.add_argument("--archive", metavar="PLACE", help="stored captures instead of files: SQLite file or URL")
    add_search_options(parser)
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Print one report an interferer, or the list of them; 2 where a capture could not be used."""
    from spectra.findings import reports_from_log

    if bool(arguments.files) == (arguments.archive is not None):
        raise UsageError(
            "report interference",
            None,
            "files and an archive" if arguments.files else "neither a file nor an archive",
            "sweep files, or --archive PLACE",
            "Name one of the two.",
        )
    table, chain = plan_of(arguments.table, arguments.chain)
    failed: list[SpectraError] = []
    captures: list[Capture] = []
    plot = plot_path(arguments.plot, [Path(name) for name in arguments.files])
    if arguments.archive is not None:
        log, contexts, tables = _stored(arguments)
    else:
        if table is None or chain is None:
            say("without --table and --chain every carrier counts as one that disturbs")
        files = gather(arguments.files, leave_out=[Path(arguments.table)] if arguments.table else ())
        options = reading_options(arguments)
        pairs, failed = _measured(files, options, chain)
        if not pairs:
            return 2
        from spectra.findings import follow

        captures = [c for c, _ in pairs]
        log = follow(captures, measurements=[m for _, m in pairs], table=table, chain=chain)
        contexts = [c.context for c, _ in pairs for _ in c.sweeps]
        tables = [table] * len(contexts)
    if plot is not None:
        from spectra.cli.pictures import figures_of_set, write_pictures

        write_pictures(figures_of_set(captures, log), plot, "What disturbs, and when")
    if arguments.list:
        _print_list(log, as_json=arguments.json)
        return 2 if failed else 0
    reports = reports_from_log(log, contexts, tables=tables, only=arguments.emission)
    if arguments.json:
        _print_json([report.to_dict() for report in reports], failed)
    elif reports:
        print("\n".join(report.text() for report in reports), end="")
    else:
        print("Nothing was found that disturbs.")
    return 2 if failed else 0


def _stored(
    arguments: argparse.Namespace,
) -> tuple[Emissions, Sequence[Context | None], Sequence[CarrierTable | None]]:
    from spectra.archive import open_archive, stored_log

    with open_archive(arguments.archive, create=False) as archive:
        told = stored_log(archive, search_of(arguments))
        return told.emissions, told.contexts, told.tables(archive)


def _measured(
    files: Sequence[Path], options: dict[str, object], chain: ReceiveChain | None
) -> tuple[list[tuple[Capture, tuple[Measurement, ...]]], list[SpectraError]]:
    from spectra.findings import sweep_at_if
    from spectra.measure import measure
    from spectra.readers import load_capture

    def work(path: Path) -> Iterator[tuple[Capture, tuple[Measurement, ...]]]:
        capture = load_capture(path, **options)
        at_if = [sweep_at_if(sweep, chain, capture.context.lo_state) for sweep in capture.sweeps]
        yield capture, tuple(measure(sweep) for sweep in at_if)

    batch = run_batch(list(files), work, "measuring")
    return [pair for _, pair in batch.results], batch.failed


def _print_json(values: list[dict[str, object]], failed: Sequence[SpectraError]) -> None:
    if len(values) == 1 and not failed:
        print_json(values[0])
        return
    print_json({"schema": BATCH_SCHEMA, "results": values, "failed": [problem.to_dict() for problem in failed]})


def _print_list(log: Emissions, *, as_json: bool) -> None:
    from spectra.findings.interference_sets import entry_of

    if as_json:
        print_json(log.to_dict())
        return
    ways = {"cable": "by the cable", "antenna": "through the antenna", "cannot_tell": "not known"}
    print_table(
        ("number", "IF", "width", "level dBm", "seen in", "first (UTC)", "last (UTC)", "way in", "cause so far"),
        [
            (
                str(e.number),
                format_frequency(e.if_hz),
                f"{e.width_hz / 1e3:.4g} kHz" if e.width_hz else "–",
                "–" if e.power_dbm is None else f"{e.power_dbm:.1f}",
                f"{len({s.look for s in e.sightings})} of {len(e.looks)}",
                *_first_and_last(e),
                ways[entry_of(e, log).way],
                (e.cause or "–").replace("_", " "),
            )
            for e in log.emissions
        ],
        indent="",
    )


def _first_and_last(emission: Emission) -> tuple[str, str]:
    times = (emission.first_seen, emission.last_seen)
    first, last = ("–" if t is None else f"{t:%Y-%m-%d %H:%M}" for t in times)
    return first, last
