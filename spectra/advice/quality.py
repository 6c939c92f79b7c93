"""Which sweeps would show a carrier table through a receive chain, and everything down to a narrowest carrier."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.advice.analyser import AnalyserModel
from spectra.advice.engine import plan_sweep
from spectra.advice.sweeps import Demand, PlannedSweep, Purpose
from spectra.errors import UsageError
from spectra.finding import NextStep, step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = [
    "ASSUMED_CN_DB",
    "ASSUMED_ROLL_OFF",
    "demand_for",
    "if_window_hz",
    "next_sweep",
    "row_widths",
    "rows_nowhere",
    "select_step",
]

ASSUMED_CN_DB = 3.0
"""C/N of a row without reference C/N: about what QPSK 2/3 needs (3.10 dB; EN 302 307-1 Table 13, transcription)."""

ASSUMED_ROLL_OFF = 0.2
"""Roll-off of a row that tells none (the narrowest of EN 302 307-1 clause 5.6, from memory)."""


def if_window_hz(chain: ReceiveChain, state: LoState) -> tuple[float, float] | None:
    """Return the IF that an LO state can show: its RF range at IF, within that of the chain; None where they miss."""
    edges = sorted((float(state.if_from_rf(state.rf_min_hz)), float(state.if_from_rf(state.rf_max_hz))))
    low, high = max(edges[0], chain.if_min_hz), min(edges[1], chain.if_max_hz)
    return (low, high) if low < high else None


def row_widths(table: CarrierTable) -> tuple[Any, Any]:
    """Return symbol rate (from the bandwidth where only that is told, NaN where neither) and roll-off of each row."""
    roll_off = np.where(np.isfinite(table.roll_off), table.roll_off, ASSUMED_ROLL_OFF)
    rate = np.where(np.isfinite(table.symbol_rate_bd), table.symbol_rate_bd, table.bandwidth_hz / (1.0 + roll_off))
    unmodulated = np.array([str(kind).lower() == "cw" for kind in table.text["kind"]], dtype=bool)
    return np.where(unmodulated, np.nan, rate), roll_off


def next_sweep(
    table: CarrierTable,
    chain: ReceiveChain,
    *,
    satellite: str | None = None,
    polarisation: str | None = None,
    lo_states: Sequence[str] | None = None,
    narrowest_hz: float = 300e3,
    certainty: float = 0.95,
    false_alarms_per_sweep: float = 0.01,
    points: int = 1001,
    rbw_steps_hz: Sequence[float] | None = None,
    analyser: AnalyserModel | None = None,
    assumed_cn_db: float = ASSUMED_CN_DB,
    most_averages: int = 100,
    resolve: bool = True,
    only_rows: bool = False,
) -> tuple[PlannedSweep, ...]:
    """Return the sweeps to take, for each LO state, that show the table's carriers and others as narrow.

    One main sweep for each LO state; another where rows are narrower, another where rows are too wide for its segments.

    Parameters
    ----------
    table, chain
        Carrier table and receive chain.
    satellite, polarisation : str or None
        What the antenna is on; None plans for all rows that an LO state could show.
    lo_states : sequence of str or None
        LO states to sweep, by name; None takes all that fit the polarisation.
    narrowest_hz : float
        Narrowest carrier that must be seen, in the table or not; 300 kHz is the customary narrowest (common practice,
        no source). Narrower rows of the table get a sweep of their own, around them only.
    certainty : float
        Probability with which a carrier that is there is to be found.
    false_alarms_per_sweep : float
    points, rbw_steps_hz
        Of the analyser, where no `analyser` is given.
    assumed_cn_db : float
        C/N of rows without reference C/N, and of the narrowest carrier.
    most_averages : int
    resolve : bool
        Whether symbol rate and widths must be measurable.
    only_rows : bool
        Leave out spectrum that holds no row.

    Raises
    ------
    UsageError
        If a name is not in table or chain, a number makes no sense, or no LO state is left.
    """
    _check_numbers(narrowest_hz, certainty, false_alarms_per_sweep, most_averages)
    if analyser is None:
        analyser = AnalyserModel(points) if rbw_steps_hz is None else AnalyserModel(points, tuple(rbw_steps_hz))
    _check_name("satellite", satellite, [str(name) for name in dict.fromkeys(table.text["satellite"].tolist())])
    found = []
    for state in _states(chain, polarisation, lo_states):
        demand = demand_for(
            table,
            chain,
            state,
            satellite=satellite,
            polarisation=polarisation,
            narrowest_hz=narrowest_hz,
            assumed_cn_db=assumed_cn_db,
        )
        if demand is None:
            continue
        main = replace(demand, resolve=resolve, only_rows=only_rows)
        sweeps = _sweeps(main, analyser, certainty, false_alarms_per_sweep, most_averages, assumed_cn_db)
        found += [replace(sweep, next_steps=(select_step(state), *sweep.next_steps)) for sweep in sweeps]
    if not found:
        raise UsageError(
            chain.file,
            None,
            "no LO state whose RF range meets the IF range",
            "an LO state of the receive chain that can be swept",
            "Check LO frequencies and ranges, or the polarisation asked for.",
        )
    return tuple(found)


def _sweeps(
    main: Demand,
    analyser: AnalyserModel,
    certainty: float,
    false_alarms_per_sweep: float,
    most_averages: int,
    assumed_cn_db: float,
) -> list[PlannedSweep]:
    """Return the main sweep of one LO state, and those for rows that do not go with its RBW and segments."""

    def plan(demand: Demand) -> PlannedSweep:
        return plan_sweep(
            demand,
            analyser,
            certainty=certainty,
            false_alarms_per_sweep=false_alarms_per_sweep,
            most_averages=most_averages,
            least_averages=min(10, most_averages),
            narrowest_cn_db=assumed_cn_db,
        )

    def close_up(rows: NDArray[np.bool_], purpose: Purpose, least_rbw_hz: float = 0.0) -> PlannedSweep:
        some = main.only(rows)
        narrowest = float(some.symbol_rate_bd.min())
        return plan(replace(some, narrowest_hz=narrowest, only_rows=True, purpose=purpose, least_rbw_hz=least_rbw_hz))

    narrow = main.inside & (main.symbol_rate_bd < main.narrowest_hz * (1.0 - 1e-9))  # NaN: no width told, not narrow
    sweep = plan(main.only(~narrow))
    found = [sweep]
    if narrow.any():
        found.append(close_up(narrow, "narrow"))
    cut = [row.row for row in sweep.cannot_show if not row.whole and row.segment is not None]
    wide = np.isin(main.row, cut) & main.inside & np.isfinite(main.symbol_rate_bd)
    if wide.any():
        wider = close_up(wide, "wide")
        for rbw in analyser.rbw_steps_hz:  # rows that overlap leave no gap to cut in: longer segments, fewer cuts
            if all(row.whole for row in (*wider.shows, *wider.cannot_show)):
                break
            if rbw > wider.rbw_hz:
                wider = close_up(wide, "wide", rbw)
        whole = {row.row for row in (*wider.shows, *wider.cannot_show) if row.whole}
        if whole:
            found[0] = replace(sweep, cannot_show=tuple(row for row in sweep.cannot_show if row.row not in whole))
            found.append(replace(wider, cannot_show=tuple(row for row in wider.cannot_show if row.row in whole)))
    return found


def demand_for(
    table: CarrierTable,
    chain: ReceiveChain,
    state: LoState,
    *,
    satellite: str | None = None,
    polarisation: str | None = None,
    narrowest_hz: float = 300e3,
    assumed_cn_db: float = ASSUMED_CN_DB,
) -> Demand | None:
    """Return what the rows of one LO state ask of a sweep; None where the state shows no IF at all."""
    window = if_window_hz(chain, state)
    if window is None:
        return None
    polarisation = polarisation or state.polarisation
    chosen = _chosen(table, satellite, polarisation)
    chosen &= (table.rf_hz >= state.rf_min_hz) & (table.rf_hz <= state.rf_max_hz)
    rate, roll_off = row_widths(table)
    rate, roll_off, rf = rate[chosen], roll_off[chosen], table.rf_hz[chosen]
    if_hz = np.asarray(state.if_from_rf(rf), dtype=np.float64)
    reference = table.reference_cn_db[chosen]
    return Demand(
        window_hz=window,
        narrowest_hz=narrowest_hz,
        row=np.asarray(table.line[chosen], dtype=np.int64),
        rf_hz=rf,
        if_hz=if_hz,
        symbol_rate_bd=rate,
        roll_off=roll_off,
        cn_db=np.where(np.isfinite(reference), reference, assumed_cn_db),
        cn_assumed=~np.isfinite(reference),
        offset_hz=state.tolerance_hz or 0.0,
        lo_state=state.name,
        polarisation=polarisation,
        satellite=satellite,
    )


def rows_nowhere(
    table: CarrierTable,
    sweeps: Sequence[PlannedSweep],
    *,
    satellite: str | None = None,
    polarisation: str | None = None,
) -> tuple[int, ...]:
    """Return the rows asked for (lines in the file) that none of the planned sweeps reaches."""
    reached = {row.row for sweep in sweeps for row in (*sweep.shows, *sweep.cannot_show)}
    asked = table.line[_chosen(table, satellite, polarisation)].tolist()
    return tuple(int(line) for line in asked if line not in reached)


def _chosen(table: CarrierTable, satellite: str | None, polarisation: str | None) -> NDArray[np.bool_]:
    chosen = np.ones(len(table), dtype=bool)
    if satellite is not None:
        chosen &= np.array([str(name).casefold() == satellite.casefold() for name in table.text["satellite"]], bool)
    if polarisation is not None:
        chosen &= np.array([str(name) == polarisation for name in table.text["polarisation"]], bool)
    return chosen


def _states(chain: ReceiveChain, polarisation: str | None, names: Sequence[str] | None) -> list[LoState]:
    for name in names or ():
        _check_name("LO state", name, [state.name for state in chain.lo_states])
    states = [state for state in chain.lo_states if names is None or state.name in names]
    fitting = [state for state in states if polarisation is None or state.polarisation in (None, polarisation)]
    if not fitting:
        raise UsageError(
            "polarisation",
            None,
            repr(polarisation),
            "one that an LO state of the receive chain can select",
            "States: " + ", ".join(f"{state.name} ({state.polarisation or 'any'})" for state in states) + ".",
        )
    return fitting


def _check_name(what: str, name: str | None, known: list[str]) -> None:
    if name is None or name.casefold() in {one.casefold() for one in known}:
        return
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5) or known[:5]
    raise UsageError(what, None, repr(name), "one of those listed", "Did you mean " + ", ".join(near) + "?")


def _check_numbers(narrowest_hz: float, certainty: float, false_alarms: float, most_averages: int) -> None:
    for name, value, good, expected in (
        ("narrowest", narrowest_hz, narrowest_hz > 0.0, "a width above 0 Hz"),
        ("certainty", certainty, 0.0 < certainty < 1.0, "a probability between 0 and 1"),
        ("false alarms", false_alarms, 0.0 < false_alarms < 1.0, "a rate between 0 and 1"),
        ("averages", most_averages, most_averages >= 1, "1 or more"),
    ):
        if not good:
            raise UsageError(name, None, f"{value:g}", expected, "State it again.")


def select_step(state: LoState) -> NextStep:
    """Return the step that selects an LO state."""
    how = []
    if state.supply_v is not None:
        how.append(f"supply {state.supply_v:g} V")
    if state.tone_22khz is not None:
        how.append(f"22 kHz tone {'on' if state.tone_22khz else 'off'}")
    told = f" ({', '.join(how)})" if how else ""
    return step(f"Have the terminal's control select LO state {state.name}{told}; note it in the capture's context.")
