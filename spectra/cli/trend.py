"""``sweepmuster trend``: the oscillator over many captures: drift, steps, warm-up, and when it leaves its tolerance."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.cautions import DISCLAIMER
from spectra.cli.batch import gather, run_batch
from spectra.cli.compare import plan_of, plot_path
from spectra.cli.console import print_findings, print_json, print_table, wrap
from spectra.cli.options import add_reading_options, reading_options
from spectra.units import format_value

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.findings.trend import Trend
    from spectra.measure.measurement import Measurement

EPILOG = f"""\
Every capture needs a time: from its file, or captured_at in its context. lnb_temperature_c and lnb in the contexts are
used where they are noted.
{DISCLAIMER}"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("files", nargs="+", metavar="CAPTURE", help="sweep files, or folders of them")
    parser.add_argument("--table", required=True, metavar="T.csv", help="carrier table")
    parser.add_argument("--chain", required=True, metavar="C.toml", help="receive chain")
    parser.add_argument("--json", action="store_true", help="print the trend as JSON")
    parser.add_argument(
        "--plot", metavar="FILE.html", help="also write the fit, and the sweeps over time, as a picture"
    )
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Follow the oscillator; exit code 2 where a capture could not be used."""
    from spectra.findings.trend import trend
    from spectra.measure import measure
    from spectra.readers import load_capture

    options = reading_options(arguments)
    table, chain = plan_of(arguments.table, arguments.chain)
    assert table is not None and chain is not None
    files = gather(arguments.files, leave_out=[Path(arguments.table)])
    plot = plot_path(arguments.plot, files)

    def work(path: Path) -> Iterator[tuple[Capture, tuple[Measurement, ...]]]:
        capture = load_capture(path, **options)
        yield capture, tuple(measure(sweep) for sweep in capture.sweeps)

    batch = run_batch(files, work, "measuring")
    if not batch.results:
        return 2
    pairs = [pair for _, pair in batch.results]
    told = trend([c for c, _ in pairs], table, chain, measurements=[m for _, m in pairs])
    if arguments.json:
        print_json(told.to_dict())
    else:
        print_trend(told)
    if plot is not None:
        from spectra.cli.pictures import figures_of_set, write_pictures
        from spectra.findings.figures import trend_figure

        figures = [(told.lo_state or "LO", trend_figure(told)), *figures_of_set([c for c, _ in pairs])]
        write_pictures(figures, plot, "The oscillator over time")
    return 2 if batch.failed else 0


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
