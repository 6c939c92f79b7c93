"""``sweepmuster trend``: the oscillator over many captures: drift, steps, warm-up, and when it leaves its tolerance."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.cautions import DISCLAIMER
from spectra.cli.archive import add_search_options, search_of
from spectra.cli.batch import gather, run_batch
from spectra.cli.compare import plan_of, plot_path
from spectra.cli.console import print_findings, print_json, print_table, wrap
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import UsageError
from spectra.units import format_value

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.findings.trend import Trend
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

EPILOG = f"""\
Every capture needs a time: from its file, or captured_at in its context. lnb_temperature_c and lnb in the contexts are
used where they are noted. An archive's captures are followed with the table and chain of the newest one unless others
are named; they must be of one terminal.
{DISCLAIMER}"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="*", metavar="CAPTURE", help="sweep files, folders of them, or one archive")
    parser.add_argument("--table", metavar="T.csv", help="carrier table (an archive has its own)")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain (an archive has its own)")
    parser.add_argument("--archive", metavar="PLACE", help="stored captures instead of files: SQLite file or URL")
    parser.add_argument("--json", action="store_true", help="print the trend as JSON")
    parser.add_argument(
        "--plot", metavar="FILE.html", help="also write the fit, and the sweeps over time, as a picture"
    )
    add_search_options(parser)
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Follow the oscillator; exit code 2 where a capture could not be used."""
    place = _archive_of(arguments)
    plot = plot_path(arguments.plot, [Path(name) for name in arguments.files])
    if place is not None:
        told, captures = _stored(place, arguments)
        failed = False
    else:
        found = _of_files(arguments)
        if found is None:
            return 2
        told, captures, failed = found
    if arguments.json:
        print_json(told.to_dict())
    else:
        print_trend(told)
    if plot is not None:
        from spectra.cli.pictures import figures_of_set, write_pictures
        from spectra.findings.figures import trend_figure

        figures = [(told.lo_state or "LO", trend_figure(told)), *figures_of_set(captures)]
        write_pictures(figures, plot, "The oscillator over time")
    return 2 if failed else 0


def _archive_of(arguments: argparse.Namespace) -> str | None:
    """Return the archive that is meant, None where files are."""
    named = [name for name in arguments.files if "://" in name or _is_database(Path(name))]
    if arguments.archive is not None:
        named.append(arguments.archive)
    if len(named) > 1 or (named and len(arguments.files) > (arguments.archive is None)):
        raise UsageError("trend", None, "an archive and more", "files, or one archive", "Name one of the two.")
    if not named and not arguments.files:
        raise UsageError("trend", None, "neither a file nor an archive", "captures", "Name files, or --archive PLACE.")
    return named[0] if named else None


def _is_database(path: Path) -> bool:
    """Say whether a file begins as SQLite files do ("SQLite format 3" and a zero byte; from memory)."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def _of_files(arguments: argparse.Namespace) -> tuple[Trend, list[Capture], bool] | None:
    from spectra.findings import sweep_at_if
    from spectra.findings.trend import trend
    from spectra.measure import measure
    from spectra.readers import load_capture

    for option in ("table", "chain"):
        if getattr(arguments, option) is None:
            raise UsageError("trend", None, f"no --{option}", f"--{option} FILE", "Only an archive has its own.")
    options = reading_options(arguments)
    table, chain = plan_of(arguments.table, arguments.chain)
    assert table is not None and chain is not None
    files = gather(arguments.files, leave_out=[Path(arguments.table)])
    plot_path(arguments.plot, files)

    def work(path: Path) -> Iterator[tuple[Capture, tuple[Measurement, ...]]]:
        capture = load_capture(path, **options)
        at_if = [sweep_at_if(sweep, chain, capture.context.lo_state) for sweep in capture.sweeps]
        yield capture, tuple(measure(sweep) for sweep in at_if)

    batch = run_batch(files, work, "measuring")
    if not batch.results:
        return None
    captures = [capture for _, (capture, _) in batch.results]
    measured = [measurements for _, (_, measurements) in batch.results]
    return trend(captures, table, chain, measurements=measured), captures, bool(batch.failed)


def _stored(place: str, arguments: argparse.Namespace) -> tuple[Trend, list[Capture]]:
    """Follow stored captures by their stored results; those held against another table are identified anew."""
    from spectra.archive import load_plan, open_archive, restore_capture, whole_captures
    from spectra.findings.trend import trend

    with open_archive(place, create=False) as archive:
        rows = [row for row in whole_captures(archive, search_of(arguments)) if row["results"]]
        rows.sort(key=lambda row: str(row["captured_at"] or ""))
        _of_one_terminal(place, rows)
        plans = [(row["results"][0]["plan"], row["results"][0]["chain"]) for row in rows]
        newest = max(
            (k for k, pair in enumerate(plans) if None not in pair),
            key=lambda k: str(rows[k]["results"][0]["made_at"]),
            default=None,
        )
        held = load_plan(archive, *plans[newest]) if newest is not None else (None, None)
        stated = plan_of(arguments.table, arguments.chain)
        table, chain = stated[0] or held[0], stated[1] or held[1]
        if table is None or chain is None:
            raise UsageError(place, None, "no capture with table and chain", "both", "Name --table and --chain.")
        reviews = [restore_capture(archive, row) for row in rows]
    same = [pair == _hashes(table, chain) for pair in plans]
    captures = [review.source.capture for review in reviews]
    told = trend(
        captures,
        table,
        chain,
        measurements=[review.measurements for review in reviews],
        identifications=[r.identification if mine else None for r, mine in zip(reviews, same, strict=True)],
    )
    return told, captures


def _hashes(table: CarrierTable, chain: ReceiveChain) -> tuple[str, str]:
    return table.sha256, chain.sha256


def _of_one_terminal(place: str, rows: Sequence[dict[str, object]]) -> None:
    if not rows:
        raise UsageError(place, None, "no analysed capture that fits", "some", "Look with `archive list`.")
    owners = sorted({f"{row.get('vessel') or '–'} / {row.get('terminal') or '–'}" for row in rows})
    if len(owners) > 1:
        found = ", ".join(owners[:6]) + (", …" if len(owners) > 6 else "")
        raise UsageError(
            place, None, f"captures of {len(owners)} terminals ({found})", "one", "Name --vessel and --terminal."
        )


def print_trend(told: Trend) -> None:
    """Print one trend: the answer, reading by reading, findings."""
    used = sum(point.used for point in told.points)
    tolerance = "no tolerance stated" if told.tolerance_hz is None else f"tolerance ±{told.tolerance_hz / 1e3:g} kHz"
    print(f"LO state {told.lo_state or '(none identified)'}, {tolerance}: {used} of {len(told.points)} captures used")
    print_table(
        ("time (UTC)", "capture", "LO error kHz", "fit kHz", "°C", "remark"),
        [
            (
                "–" if p.captured_at is None else f"{p.captured_at:%Y-%m-%d %H:%M}",
                p.capture,
                format_value(p.lo_error_hz, p.lo_error_std_hz, scale=1e3),
                "–" if p.fitted_hz is None else f"{p.fitted_hz / 1e3:.0f}",
                "–" if p.temperature_c is None else f"{p.temperature_c:g}",
                p.why,
            )
            for p in told.points
        ],
    )
    print_findings(told.findings)
    print(wrap(DISCLAIMER, indent="  ", first="  "))
