"""``sweepmuster next-sweep``: which sweeps would show a carrier table through a receive chain."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from spectra.cautions import CATALOGUE
from spectra.cli.console import print_json, print_table, say, wrap
from spectra.cli.options import frequency
from spectra.errors import UsageError
from spectra.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from spectra.advice import PlannedSweep, RowOutlook
    from spectra.findings.line_sweep import LineSweep
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

EPILOG = """\
A carrier that is on air with the C/N told is found with the certainty asked for; symbol rate and widths can be measured
down to the narrowest. Times are estimates for a swept analyser; one that works on whole spans at once is faster."""

_MOST_ROWS = 20
_PURPOSE = {"all": "", "narrow": ", a closer look at narrow rows", "wide": ", rows too wide for the traces above"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("--table", required=True, metavar="T.csv", help="carrier table")
    parser.add_argument("--chain", required=True, metavar="C.toml", help="receive chain")
    parser.add_argument("--satellite", metavar="NAME", help="satellite that the antenna is on (default: all)")
    parser.add_argument("--polarisation", choices=("H", "V", "L", "R"), help="polarisation (default: each state's)")
    parser.add_argument("--lo-state", action="append", metavar="NAME", help="LO state to sweep; may be repeated")
    parser.add_argument(
        "--narrowest",
        type=frequency,
        default=300e3,
        metavar="WIDTH",
        help="narrowest carrier to show (default 300kHz; narrower rows of the table get a sweep of their own)",
    )
    parser.add_argument("--points", type=int, default=1001, metavar="N", help="points of a trace (default 1001)")
    parser.add_argument(
        "--rbw-steps", type=frequency, nargs="+", metavar="RBW", help="RBWs that can be set (default 1-3-10 steps)"
    )
    parser.add_argument("--certainty", type=float, default=0.95, metavar="P", help="of finding (default 0.95)")
    parser.add_argument(
        "--false-alarms", type=float, default=0.01, metavar="RATE", help="false carriers per sweep (default 0.01)"
    )
    parser.add_argument("--most-averages", type=int, default=100, metavar="N", help="most averages (default 100)")
    parser.add_argument("--find-only", action="store_true", help="finding is enough: a wider RBW, no symbol rates")
    parser.add_argument("--only-rows", action="store_true", help="leave out spectrum that holds no row of the table")
    parser.add_argument(
        "--after",
        nargs="+",
        metavar="FILE",
        help="sweeps taken already, of one antenna position: plan what best parts the satellites they leave open",
    )
    parser.add_argument("--json", action="store_true", help="print the sweeps as JSON")


def execute(arguments: argparse.Namespace) -> int:
    """Print the sweeps to take."""
    from spectra.advice import next_sweep, rows_nowhere
    from spectra.plan import load_chain, load_table

    table, chain = load_table(arguments.table), load_chain(arguments.chain)
    for warning in table.warnings:
        say(f"noticed: {warning}")
    if arguments.rbw_steps and min(arguments.rbw_steps) <= 0.0:
        raise UsageError("--rbw-steps", None, "a width of 0 Hz", "widths above 0 Hz", "Write them like 10kHz 30kHz.")
    if arguments.after:
        return _after(arguments, table, chain)
    asked: dict[str, Any] = {"satellite": arguments.satellite, "polarisation": arguments.polarisation}
    sweeps = next_sweep(
        table,
        chain,
        **asked,
        lo_states=arguments.lo_state,
        narrowest_hz=arguments.narrowest,
        certainty=arguments.certainty,
        false_alarms_per_sweep=arguments.false_alarms,
        points=arguments.points,
        rbw_steps_hz=sorted(set(arguments.rbw_steps)) if arguments.rbw_steps else None,
        most_averages=arguments.most_averages,
        resolve=not arguments.find_only,
        only_rows=arguments.only_rows,
    )
    nowhere = rows_nowhere(table, sweeps, **asked)
    if arguments.json:
        print_json(_result(arguments, table, chain, sweeps, nowhere))
    else:
        _print(sweeps, nowhere)
        _print_line(arguments, chain)
    return 0


def _of_line(arguments: argparse.Namespace, chain: ReceiveChain) -> LineSweep | None:
    from spectra.findings.line_sweep import line_sweep

    if arguments.rbw_steps:
        return line_sweep(chain, arguments.points, sorted(set(arguments.rbw_steps)))
    return line_sweep(chain, arguments.points)


def _print_line(arguments: argparse.Namespace, chain: ReceiveChain) -> None:
    """Print the sweep that shows mismatches at the two ends of the chain's cable."""
    from spectra.findings.line_sweep import line_sweep_words

    wanted = _of_line(arguments, chain)
    if wanted is not None:
        print()
        print(wrap(f"For the receive line, in any LO state. {line_sweep_words(wanted)}"))


def _after(arguments: argparse.Namespace, table: CarrierTable, chain: ReceiveChain) -> int:
    """Identify the sweeps there are, and plan those that part what they leave open."""
    from spectra.advice import AnalyserModel, parting_sweeps
    from spectra.findings import sweep_at_if
    from spectra.identify import identify
    from spectra.measure import measure
    from spectra.readers import load_capture

    if arguments.satellite is not None or arguments.polarisation is not None:
        raise UsageError(
            "--after", None, "a satellite or polarisation beside it", "only sweeps", "The sweeps say what is open."
        )
    captures = [load_capture(name) for name in arguments.after]
    pairs = [(sweep, capture.context) for capture in captures for sweep in capture.sweeps]
    evidence = [measure(sweep_at_if(sweep, chain, context.lo_state)) for sweep, context in pairs]
    answer = identify(evidence, table, chain, context=[context for _, context in pairs])
    steps = sorted(set(arguments.rbw_steps)) if arguments.rbw_steps else None
    analyser = AnalyserModel(arguments.points) if steps is None else AnalyserModel(arguments.points, tuple(steps))
    sweeps = parting_sweeps(
        answer,
        table,
        chain,
        analyser=analyser,
        certainty=arguments.certainty,
        false_alarms_per_sweep=arguments.false_alarms,
        most_averages=arguments.most_averages,
    )
    if arguments.json:
        value = _result(arguments, table, chain, sweeps, ())
        for planned, wanted in zip(value["sweeps"], answer.next_sweeps, strict=True):
            told = wanted.to_dict()
            planned |= {"expected_gain_log10": told["expected_gain_log10"], "against": told["against"]}
            planned["look_for"] = told["rows"]
        value["after"] = {"sweeps": list(answer.sweep_files), "verdict": answer.verdict, "sentence": answer.sentence}
        print_json(value)
        return 0
    print(wrap(answer.sentence))
    if not sweeps:
        print("No further sweep of this table and chain would tell more.")
        return 0
    for sweep, wish in zip(sweeps, answer.next_sweeps, strict=True):
        against = " and ".join(wish.against) or "a satellite outside the table"
        print()
        print(wrap(f"About {wish.expected_gain_log10:.1f} decades against {against} are to be expected of:"))
        _print_sweep(sweep)
        for row in wish.rows[:_MOST_ROWS]:
            place = f"{row.rf_mhz:g} MHz, IF {row.expected_if_hz / 1e6:.1f} MHz"
            print(f"    look for row {row.row}, {row.satellite}/{row.polarisation}: {place}")
    _print_cautions(sweeps)
    return 0


def _result(
    arguments: argparse.Namespace,
    table: CarrierTable,
    chain: ReceiveChain,
    sweeps: Sequence[PlannedSweep],
    nowhere: Sequence[int],
) -> dict[str, Any]:
    from spectra.advice.sweeps import SCHEMA

    line = _of_line(arguments, chain)
    return {
        "schema": SCHEMA,
        "table": {"file": table.file, "sha256": table.sha256, "rows": len(table)},
        "chain": chain.name,
        "asked": {
            "satellite": arguments.satellite,
            "polarisation": arguments.polarisation,
            "lo_states": arguments.lo_state,
            "narrowest_hz": arguments.narrowest,
            "points": arguments.points,
            "certainty": arguments.certainty,
            "false_alarms_per_sweep": arguments.false_alarms,
        },
        "sweeps": [sweep.to_dict() for sweep in sweeps],
        "rows_in_no_sweep": list(nowhere),
        "line_sweep": None if line is None else line.to_dict(),
    }


def _print(sweeps: Sequence[PlannedSweep], nowhere: Sequence[int]) -> None:
    segments = sum(len(sweep.segments) for sweep in sweeps)
    total = sum(sweep.total_time_s for sweep in sweeps)
    names = list(dict.fromkeys(sweep.lo_state for sweep in sweeps))
    states = f"{len(names)} LO states" if len(names) > 1 else f"LO state {names[0]}"
    print(wrap(f"Take {counted(segments, 'trace')} in {states}, about {_seconds(total)} of sweeping.", first=""))
    for sweep in sweeps:
        print()
        _print_sweep(sweep)
    if nowhere:
        print()
        print(wrap(f"In none of these sweeps: {_rows(nowhere)} (outside RF or IF range, or another polarisation)."))
    _print_cautions(sweeps)


def _print_cautions(sweeps: Sequence[PlannedSweep]) -> None:
    cautions = {id_: None for sweep in sweeps for step in sweep.next_steps for id_ in step.cautions}
    for id_ in cautions:
        print(wrap(f"Caution, {CATALOGUE[id_].title.lower()}: {CATALOGUE[id_].text}", indent="  ", first=""))


def _print_sweep(sweep: PlannedSweep) -> None:
    title = f"LO state {sweep.lo_state}" + (f", polarisation {sweep.polarisation}" if sweep.polarisation else "")
    title += _PURPOSE[sweep.purpose]
    vbw = "as wide as it goes" if sweep.vbw_hz is None else _khz(sweep.vbw_hz)
    print(title)
    print(
        wrap(
            f"RBW {_khz(sweep.rbw_hz)}, VBW {vbw}, detector RMS, {sweep.averages} averages (power), sweep time "
            f"{_seconds(sweep.sweep_time_s)} or more, {sweep.segments[0].points} points.",
            indent="  ",
            first="  ",
        )
    )
    print_table(
        ("trace", "start MHz", "stop MHz", "rows shown"),
        [
            (
                str(number + 1),
                f"{segment.start_hz / 1e6:.1f}",
                f"{segment.stop_hz / 1e6:.1f}",
                str(sum(row.segment == number for row in sweep.shows)),
            )
            for number, segment in enumerate(sweep.segments)
        ],
        indent="    ",
    )
    print(
        wrap(
            f"Shows {counted(len(sweep.shows), 'row')} with probability {sweep.certainty:g} or more each, and any "
            f"carrier of {_khz(sweep.narrowest_hz).replace('Hz', 'Bd')} from C/N "
            f"{sweep.narrowest_limit_cn_db:.1f} dB up.",
            indent="  ",
            first="  ",
        )
    )
    if sweep.cannot_show:
        print("  Cannot promise:")
        for row in sweep.cannot_show[:_MOST_ROWS]:
            print(wrap(_unpromised(row), indent="      ", first="    "))
        if len(sweep.cannot_show) > _MOST_ROWS:
            print(f"    and {len(sweep.cannot_show) - _MOST_ROWS} more (see --json)")
    for assumption in sweep.assumptions:
        print(wrap(f"Assumed: {assumption}", indent="    ", first="  "))
    for step in sweep.next_steps:
        print(wrap(step.text, indent="    ", first="  → "))


def _unpromised(row: RowOutlook) -> str:
    return f"row {row.row}, {row.rf_hz / 1e6:.3f} MHz (IF {row.if_hz / 1e6:.3f} MHz): {row.why}"


def _rows(rows: Sequence[int]) -> str:
    shown = ", ".join(map(str, rows[:_MOST_ROWS]))
    more = f" and {len(rows) - _MOST_ROWS} more" if len(rows) > _MOST_ROWS else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {shown}{more}"


def _khz(hz: float) -> str:
    return f"{hz / 1e6:.4g} MHz" if hz >= 1e6 else f"{hz / 1e3:.4g} kHz"


def _seconds(value: float) -> str:
    if value < 1.0:
        return f"{value * 1e3:.3g} ms"
    return f"{value:.2g} s" if value < 120.0 else f"{value / 60.0:.2g} min"
