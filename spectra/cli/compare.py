"""``sweepmuster compare``: captures held against the first of them."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.cautions import DISCLAIMER
from spectra.cli.batch import gather, run_batch
from spectra.cli.console import print_findings, print_json, print_table, say, wrap
from spectra.cli.options import add_reading_options, reading_options
from spectra.errors import UsageError
from spectra.findings.comparison import COMPARISON_KINDS, Comparison, Pair
from spectra.units import counted, format_value

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

EPILOG = f"""\
The first capture is the reference: the co-polar port, or the earlier one. Context files beside the captures (port,
lo_state, captured_at, antenna_skew_deg) say what is compared; --kind says it where they do not.
{DISCLAIMER}"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "files", nargs="+", metavar="CAPTURE", help="sweep files (or a folder of them), the reference first"
    )
    parser.add_argument("--table", metavar="T.csv", help="carrier table: tells which port a carrier belongs to")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain")
    parser.add_argument("--kind", choices=COMPARISON_KINDS, help="what is compared")
    parser.add_argument("--isolation-limit", type=float, metavar="DB", help="receive isolation to accept")
    parser.add_argument(
        "--purity",
        type=float,
        nargs="+",
        metavar="DB",
        help="cross-polar purity of satellite and feed: a value or a range (default 27 40)",
    )
    parser.add_argument("--json", action="store_true", help="print the comparison as JSON")
    parser.add_argument("--plot", metavar="FILE.html", help="also write traces, isolation or changes as a picture")
    add_reading_options(parser)


def execute(arguments: argparse.Namespace) -> int:
    """Compare; exit code 2 where a capture could not be used."""
    from spectra.findings.compare import compare
    from spectra.findings.polarisation_skew import PURITY_DB
    from spectra.readers import load_capture

    options = reading_options(arguments)
    table, chain = plan_of(arguments.table, arguments.chain)
    files = gather(arguments.files, leave_out=[Path(arguments.table)] if arguments.table else ())
    plot = plot_path(arguments.plot, files)
    purity = _purity(arguments.purity) or PURITY_DB

    def load(path: Path) -> Iterator[Capture]:
        yield load_capture(path, **options)

    batch = run_batch(files, load, "reading")
    if batch.failed:
        say("no comparison: mend or leave out the files above")
        return 2
    captures = [capture for _, capture in batch.results]
    comparison = compare(
        captures,
        table,
        chain,
        kind=arguments.kind,
        isolation_limit_db=arguments.isolation_limit,
        purity_db=purity,
    )
    if arguments.json:
        print_json(comparison.to_dict())
    else:
        print_comparison(comparison)
    if plot is not None:
        _draw(comparison, captures, table, chain, arguments.isolation_limit, plot)
    return 0


def _draw(
    comparison: Comparison,
    captures: list[Capture],
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    isolation_limit_db: float | None,
    path: Path,
) -> None:
    """Write the picture of a comparison; over LO states and repeats also what comes and goes."""
    from spectra.cli.pictures import figures_of_set, write_pictures
    from spectra.findings import follow
    from spectra.findings.figures import comparison_figure

    figure = comparison_figure(comparison, isolation_limit_db=isolation_limit_db)
    figures = [(", ".join(comparison.captures), figure)]
    if comparison.kind in ("lo_state", "repeat"):
        log = None
        if table is not None and chain is not None:
            log = follow(captures, measurements=comparison.measurements, table=table, chain=chain)
        figures += figures_of_set(captures, log)
    write_pictures(figures, path, "Captures compared")


def plan_of(table: str | None, chain: str | None) -> tuple[CarrierTable | None, ReceiveChain | None]:
    """Load carrier table and chain, where they are named."""
    from spectra.plan import load_chain, load_table

    loaded = None if table is None else load_table(table)
    line = None if chain is None else load_chain(chain)
    for warning in (*(() if loaded is None else loaded.warnings), *(() if line is None else line.warnings)):
        say(f"noticed: {warning}")
    return loaded, line


def plot_path(name: str | None, files: list[Path]) -> Path | None:
    """Return where a picture goes; refused where it would not be a page, or would replace a sweep."""
    if name is None:
        return None
    path = Path(name)
    if path.suffix.lower() not in (".html", ".htm"):
        raise UsageError("--plot", None, name, "a file name that ends in .html", "Name the picture like pair.html.")
    if any(path.resolve() == file.resolve() for file in files):
        raise UsageError("--plot", None, f"{name}, which is a sweep file", "a new file", "Choose another name.")
    return path


_KINDS = {
    "polarisation": "Polarisation",
    "lo_state": "LO states",
    "before_after": "Before and after",
    "repeat": "Repeated sweeps",
}


def _purity(values: list[float] | None) -> tuple[float, float] | None:
    if values is None:
        return None
    if len(values) > 2 or not all(0.0 < value < 80.0 for value in values):
        raise UsageError(
            "--purity",
            None,
            " ".join(f"{v:g}" for v in values),
            "one or two values between 0 and 80 dB",
            "Write --purity 30 or --purity 27 40.",
        )
    return min(values), max(values)


def print_comparison(comparison: Comparison) -> None:
    """Print one comparison: what it is, carrier by carrier, findings."""
    print(f"{_KINDS[comparison.kind]}: {comparison.captures[0]} against {', '.join(comparison.captures[1:])}")
    whole, common = comparison.polarisation, comparison.common
    if whole is not None:
        if whole.isolation_db is not None:
            print(
                f"  Isolation     {format_value(whole.isolation_db, whole.isolation_std_db, 'dB')} "
                "over all carriers that count"
            )
        elif whole.isolation_lower_bound_db is not None:
            print(
                f"  Isolation     at least {whole.isolation_lower_bound_db:.1f} dB (95 %) over all carriers that count"
            )
        gain = format_value(whole.gain_difference_db, whole.gain_difference_std_db, "dB")
        print(f"  Port gain     {gain} (second minus first, from the {whole.gain_difference_by}; taken out)")
    elif common.level_change_db is not None or common.if_change_hz is not None:
        print(f"  Common change of level  {format_value(common.level_change_db, common.level_change_std_db, 'dB')}")
        print(f"  Common change of IF     {format_value(common.if_change_hz, common.if_change_std_hz, 'kHz', 1e3)}")
    if comparison.pairs:
        if whole is not None:
            print_table(
                ("IF MHz", "row", "belongs to", "isolation dB", "at least dB", "remark"),
                [_isolation_row(comparison, p) for p in comparison.pairs],
            )
        else:
            _print_changes(comparison)
    else:
        print("  No carrier to compare.")
    print_findings(comparison.findings)
    print(wrap(DISCLAIMER, indent="  ", first="  "))


def _print_changes(comparison: Comparison) -> None:
    """Print the changes, one table a capture; between LO states, what stands at another IF is counted only."""
    for other in sorted({p.captures[1] for p in comparison.pairs}):
        mine = [p for p in comparison.pairs if p.captures[1] == other]
        if len(comparison.captures) > 2:
            print(f"  {comparison.captures[mine[0].captures[0]]} against {comparison.captures[other]}")
        both = [p for p in mine if p.reference_centre_hz is not None and p.other_centre_hz is not None]
        shown = both if comparison.kind == "lo_state" else mine
        if shown:
            print_table(
                ("first MHz", "other MHz", "level change dB", "C/N change dB", "remark"),
                [_change_row(p) for p in shown],
            )
        if len(shown) < len(mine):
            here = sum(p.other_centre_hz is None for p in mine)
            there = len(mine) - len(both) - here
            print(f"  Not at the other's IF: {counted(here, 'carrier')} of the first, {there} of the other")


def _mhz(hz: float | None) -> str:
    return "–" if hz is None else f"{hz / 1e6:.3f}"


def _isolation_row(comparison: Comparison, pair: Pair) -> list[str]:
    home = "–" if pair.home is None else comparison.captures[pair.captures[pair.home == "other"]]
    bound = "–" if pair.isolation_lower_bound_db is None else f"{pair.isolation_lower_bound_db:.1f}"
    return [
        _mhz(pair.reference_centre_hz),
        "–" if pair.row is None else str(pair.row),
        home,
        format_value(pair.isolation_db, pair.isolation_std_db),
        bound,
        pair.why,
    ]


def _change_row(pair: Pair) -> list[str]:
    return [
        _mhz(pair.reference_centre_hz),
        _mhz(pair.other_centre_hz),
        format_value(pair.level_change_db, pair.level_change_std_db),
        format_value(pair.cn_change_db, pair.cn_change_std_db),
        pair.why,
    ]
