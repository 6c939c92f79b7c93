"""Hypotheses of a table and a chain, laid out in arrays once and kept with the table.

A hypothesis is one list of the table (satellite, beam, polarisation) seen through one LO state. Its rows are put on
the IF axis; rows that cannot both be on air (their centres closer than a quarter of the narrower one) share a slot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from spectra.identify.merged import OVERLAP, merged_rows
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable, PlanList
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["KIND_CW", "KIND_MODULATED", "KIND_UNKNOWN", "Prepared", "prepare"]

KIND_UNKNOWN, KIND_MODULATED, KIND_CW = 0, 1, 2
_CW_WORDS = frozenset({"cw", "beacon", "pilot"})
_DEFAULT_ROLL_OFF = 0.25  # middle of the standard set 0.05 to 0.35 where the table is silent
_LOG_RATE_BIN = 0.005
_LOG_RATE_RANGE = (np.log(1e3), np.log(2e8))
_CACHE: WeakKeyDictionary[CarrierTable, dict[ReceiveChain, Prepared]] = WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class Prepared:
    """All hypotheses of one table and one chain.

    Attributes
    ----------
    states : tuple of LoState
        LO states; those that predict the same IF for the same polarisation are joined (`state_names`).
    hyp_list, hyp_state : ndarray of int, shape (h,)
        Index into `table.lists` and `states`.
    hyp_place : ndarray of int, shape (h,)
        A number that hypotheses of one position (to 0.3 degrees), polarisation and LO state share.
    hyp_company : ndarray of bool, shape (h,)
        Whether another hypothesis shares that number.
    hyp_start : ndarray of int, shape (h + 1,)
        Listed rows of hypothesis j are ``hyp_start[j]:hyp_start[j + 1]``, by rising IF.
    slot_start : ndarray of int, shape (h + 1,)
        The same for slots.
    row : ndarray of int, shape (r,)
        Index of the row in the table. Behind the listed rows come the `merged` ones: runs of neighbours that a sweep
        may measure as one carrier (`spectra.identify.merged`), with the index of their first row.
    row_hyp, row_slot, last_slot : ndarray of int, shape (r,)
        Hypothesis and first and last slot (global number) of each row.
    if_hz, round_hz, log_rate, log_rate_std, width_hz, roll_off, cn_db : ndarray, shape (r,)
        Nominal IF, standard deviation of the printed frequency's rounding, natural log of the symbol rate with its
        spread (NaN where nothing is known), total width (NaN), roll-off (NaN), reference C/N (NaN).
    below_hz, above_hz, inner_hz : ndarray, shape (r,)
        Distance from the row's half-power edges to those of the next slots of its list (-inf where they overlap so that
        only one can be on air); the widest gap inside a merged row (else -inf).
    shift_hz : ndarray, shape (r,)
        Standard deviation of a merged row's centre from unlike levels, else 0.
    coarse_hz : ndarray, shape (r,)
        As `round_hz`, for the rounding that the whole list shows.
    kind : ndarray of int, shape (r,)
    log_share : ndarray, shape (r,)
        Log of one over the number of different carriers that the list gives for the row's slot.
    by_if : ndarray of int, shape (r,)
        Order of the rows by rising IF over all hypotheses, and `sorted_if_hz` the IF in that order.
    rate_density : ndarray
        Density of the table's rows over log rate, in bins of `rate_grid` (integrates to 1).
    """

    table: CarrierTable
    lists: tuple[PlanList, ...]
    states: tuple[LoState, ...]
    state_names: tuple[tuple[str, ...], ...]
    hyp_list: IntArray
    hyp_state: IntArray
    hyp_place: IntArray
    hyp_company: NDArray[np.bool_]
    hyp_start: IntArray
    row: IntArray
    row_hyp: IntArray
    row_slot: IntArray
    last_slot: IntArray
    merged: NDArray[np.bool_]
    log_share: FloatArray
    slot_start: IntArray
    if_hz: FloatArray
    round_hz: FloatArray
    coarse_hz: FloatArray
    shift_hz: FloatArray
    log_rate: FloatArray
    log_rate_std: FloatArray
    width_hz: FloatArray
    below_hz: FloatArray
    above_hz: FloatArray
    inner_hz: FloatArray
    roll_off: FloatArray
    cn_db: FloatArray
    kind: NDArray[np.int8]
    by_if: IntArray
    sorted_if_hz: FloatArray
    rate_grid: FloatArray
    rate_density: FloatArray

    @property
    def hypotheses(self) -> int:
        """Number of hypotheses."""
        return int(self.hyp_list.size)

    def rows_of(self, hypothesis: int) -> slice:
        """Return the rows of one hypothesis."""
        return slice(int(self.hyp_start[hypothesis]), int(self.hyp_start[hypothesis + 1]))


def prepare(table: CarrierTable, chain: ReceiveChain) -> Prepared:
    """Return the hypotheses of a table and a chain, from the cache where they were made before."""
    kept = _CACHE.setdefault(table, {})
    if chain not in kept:
        kept[chain] = _prepare(table, chain)
    return kept[chain]


def _rounding_steps_hz(table: CarrierTable, lists: tuple[PlanList, ...]) -> FloatArray:
    """Return the rounding that each list's frequencies show, which may be coarser than the digits printed.

    A list whose frequencies are all whole megahertz was rounded to the megahertz, however many zeros follow. The
    largest decimal step that divides nine in ten of them is taken; with fewer than four rows the printed step.
    """
    if not lists:
        return np.empty(0)
    member = np.concatenate([each.rows for each in lists])
    count = np.array([each.rows.size for each in lists], dtype=np.intp)
    rf_hz, printed_hz = table.rf_hz[member], table.rf_step_hz[member]
    start = np.cumsum(count) - count
    steps = np.minimum.reduceat(printed_hz, start)
    for step in (0.01e6, 0.1e6, 0.5e6, 1e6):
        divides = np.abs(rf_hz / step - np.round(rf_hz / step)) * step < 1.0
        share = np.add.reduceat(divides, start, dtype=np.float64) / count
        steps = np.where((count >= 4) & (share >= 0.9) & (step > steps), step, steps)
    return steps


def _joined_states(chain: ReceiveChain) -> tuple[tuple[LoState, ...], tuple[tuple[str, ...], ...]]:
    states: list[LoState] = []
    names: list[list[str]] = []
    for state in chain.lo_states:
        for index, other in enumerate(states):
            same = (state.lo_hz, state.injection, state.rf_min_hz, state.rf_max_hz, state.polarisation)
            if same == (other.lo_hz, other.injection, other.rf_min_hz, other.rf_max_hz, other.polarisation):
                names[index].append(state.name)
                break
        else:
            states.append(state)
            names.append([state.name])
    return tuple(states), tuple(tuple(each) for each in names)


def _placed_rows(
    table: CarrierTable, lists: tuple[PlanList, ...], states: tuple[LoState, ...]
) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    """Put every row of every list through every LO state: row, list, state, IF; by list, state, rising IF."""
    member = np.concatenate([each.rows for each in lists]) if lists else np.empty(0, np.intp)
    member_list = np.repeat(np.arange(len(lists)), [each.rows.size for each in lists])
    polarisation = np.array([each.polarisation for each in lists], dtype=object)
    rf_hz = table.rf_hz[member]
    parts: list[tuple[IntArray, IntArray, IntArray, FloatArray]] = []
    for index, state in enumerate(states):
        seen = (rf_hz >= state.rf_min_hz) & (rf_hz <= state.rf_max_hz)
        if state.polarisation is not None:
            seen &= polarisation[member_list] == state.polarisation
        chosen = np.flatnonzero(seen)
        parts.append(
            (member[chosen], member_list[chosen], np.full(chosen.size, index), state.if_from_rf(rf_hz[chosen]))
        )
    row, row_list, row_state, if_hz = (np.concatenate(each) for each in zip(*parts, strict=True))
    order = np.lexsort((row, if_hz, row_state, row_list))
    return row[order], row_list[order], row_state[order], if_hz[order]


def _prepare(table: CarrierTable, chain: ReceiveChain) -> Prepared:
    lists = table.lists
    states, names = _joined_states(chain)
    row, row_list, row_state, if_hz = _placed_rows(table, lists, states)
    coarse = _rounding_steps_hz(table, lists)
    key = row_list * len(states) + row_state
    unique, start, row_hyp = np.unique(key, return_index=True, return_inverse=True)
    log_rate, log_rate_std, width_hz = _rates(table, row)
    kind = _kinds(table, row)
    row_slot = _slots(row_hyp, if_hz, width_hz)
    log_share = _log_share(row_slot, if_hz, log_rate)
    slot_hyp = np.empty(int(row_slot[-1]) + 1 if row.size else 0, np.intp)
    slot_hyp[row_slot] = row_hyp
    slot_start = np.searchsorted(row_slot, np.arange(slot_hyp.size))
    joined = merged_rows(slot_start, slot_hyp, if_hz, log_rate)
    below_hz, above_hz = _gaps(slot_start, slot_hyp, if_hz, log_rate)
    listed, first = row.size, joined.first
    fill = np.full(first.size, np.nan)
    all_if = np.append(if_hz, joined.if_hz)
    by_if = np.argsort(all_if, kind="stable")
    grid, density = _rate_density(log_rate, kind)
    round_hz = table.rf_step_hz[row] / np.sqrt(12.0)
    place = _places(lists, unique // len(states), unique % len(states))
    coarse_hz = (coarse[row_list] if coarse.size else np.empty(0)) / np.sqrt(12.0)
    return Prepared(
        table=table,
        lists=lists,
        states=states,
        state_names=names,
        hyp_list=unique // len(states),
        hyp_state=unique % len(states),
        hyp_place=place,
        hyp_company=np.bincount(place)[place] > 1,
        hyp_start=np.append(start, row.size),
        row=np.append(row, row[first]),
        row_hyp=np.append(row_hyp, row_hyp[first]),
        row_slot=np.append(row_slot, joined.slot),
        last_slot=np.append(row_slot, joined.last),
        merged=np.arange(listed + first.size) >= listed,
        log_share=np.append(log_share, np.zeros(first.size)),
        slot_start=np.append(np.searchsorted(slot_hyp, np.arange(unique.size)), slot_hyp.size),
        if_hz=all_if,
        round_hz=np.append(round_hz, round_hz[first]),
        coarse_hz=np.append(coarse_hz, coarse_hz[first]),
        shift_hz=np.append(np.zeros(listed), joined.shift_hz),
        log_rate=np.append(log_rate, np.log(joined.rate_bd)),
        log_rate_std=np.append(log_rate_std, joined.log_rate_std),
        width_hz=np.append(width_hz, 1.1 * joined.rate_bd),
        below_hz=np.append(below_hz[row_slot], below_hz[joined.slot]),
        above_hz=np.append(above_hz[row_slot], above_hz[joined.last]),
        inner_hz=np.append(np.full(listed, -np.inf), joined.inner_hz),
        roll_off=np.append(table.roll_off[row], fill),
        cn_db=np.append(table.reference_cn_db[row], fill),
        kind=np.append(kind, kind[first]),
        by_if=by_if,
        sorted_if_hz=all_if[by_if],
        rate_grid=grid,
        rate_density=density,
    )


def _places(lists: tuple[PlanList, ...], hyp_list: IntArray, hyp_state: IntArray) -> IntArray:
    longitude = np.array([-999.0 if p.orbital_longitude_deg is None else p.orbital_longitude_deg for p in lists])
    if not longitude.size:
        return np.empty(0, np.intp)
    order = np.argsort(longitude, kind="stable")
    position = np.empty(longitude.size, np.intp)
    position[order] = np.concatenate(([0], np.cumsum(np.diff(longitude[order]) >= 0.3)))
    letter = np.array(["HVLR".find(p.polarisation) for p in lists], dtype=np.intp)
    return np.asarray((position[hyp_list] * 5 + letter[hyp_list]) * 64 + hyp_state, dtype=np.intp)


def _rates(table: CarrierTable, row: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log symbol rate with its spread, and total width, from whichever of rate and bandwidth the table gives."""
    rate, bandwidth, alpha = table.symbol_rate_bd[row], table.bandwidth_hz[row], table.roll_off[row]
    known = np.isfinite(alpha)
    alpha = np.where(known, alpha, _DEFAULT_ROLL_OFF)
    by_width = ~np.isfinite(rate) & np.isfinite(bandwidth)
    rate = np.where(by_width, bandwidth / (1.0 + alpha), rate)
    # a stated bandwidth may be the occupied or the allocated one: 8 % either way (common practice, no source)
    spread = np.where(by_width, np.where(known, 0.06, 0.10), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_rate = np.where(rate > 0.0, np.log(rate), np.nan)
    width = np.where(np.isfinite(bandwidth), bandwidth, rate * (1.0 + alpha))
    return log_rate, np.where(np.isfinite(log_rate), spread, np.nan), width


def _kinds(table: CarrierTable, row: IntArray) -> NDArray[np.int8]:
    words = table.text.get("kind")
    if words is None:
        return np.where(np.isfinite(table.symbol_rate_bd[row]), KIND_MODULATED, KIND_UNKNOWN).astype(np.int8)
    code = np.zeros(len(table), np.int8)
    code[np.isfinite(table.symbol_rate_bd)] = KIND_MODULATED
    for index in np.flatnonzero(words != ""):
        code[index] = KIND_CW if str(words[index]).strip().lower() in _CW_WORDS else KIND_MODULATED
    return code[row]


def _slots(row_hyp: IntArray, if_hz: FloatArray, width_hz: FloatArray) -> IntArray:
    """Return the slot of each row; rows come by hypothesis, then by rising IF."""
    if not if_hz.size:
        return np.empty(0, np.intp)
    width = np.where(np.isfinite(width_hz), width_hz, 0.0)
    near = np.maximum(0.25 * np.minimum(width[1:], width[:-1]), 1e3)
    new = (np.diff(row_hyp) != 0) | (np.diff(if_hz) > near)
    return np.concatenate(([0], np.cumsum(new)))


def _gaps(
    slot_start: IntArray, slot_hyp: IntArray, if_hz: FloatArray, log_rate: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the distances from the half-power edges of each slot to those of the next ones of its list."""
    below, above = np.full(slot_start.size, np.inf), np.full(slot_start.size, np.inf)
    if slot_start.size > 1:
        rate = np.nan_to_num(np.exp(log_rate[slot_start]))
        between = np.diff(if_hz[slot_start]) - 0.5 * (rate[1:] + rate[:-1])
        between[between < -OVERLAP * np.minimum(rate[1:], rate[:-1])] = -np.inf
        between[np.diff(slot_hyp) != 0] = np.inf
        below[1:], above[:-1] = between, between
    return below, above


def _log_share(row_slot: IntArray, if_hz: FloatArray, log_rate: FloatArray) -> FloatArray:
    """Charge a slot that the list fills in several ways: only one of them can be on air.

    Rows that repeat one another (within 10 kHz and 1 % of the rate) count once.
    """
    if not row_slot.size:
        return np.empty(0)
    size = np.bincount(row_slot)
    share = np.zeros(row_slot.size)
    for slot in np.flatnonzero(size > 1):
        rows = np.arange(*np.searchsorted(row_slot, (slot, slot + 1)))
        rate = np.nan_to_num(log_rate[rows], nan=0.0)
        same = (np.abs(if_hz[rows, None] - if_hz[None, rows]) < 1e4) & (np.abs(rate[:, None] - rate[None, :]) < 0.01)
        share[rows] = -np.log(np.sum(1.0 / same.sum(axis=1)))
    return share


def _rate_density(log_rate: FloatArray, kind: NDArray[np.int8]) -> tuple[FloatArray, FloatArray]:
    """Density of the table's own rates: what an unlisted carrier is likely to look like."""
    edges = np.arange(_LOG_RATE_RANGE[0], _LOG_RATE_RANGE[1] + _LOG_RATE_BIN, _LOG_RATE_BIN)
    use = log_rate[np.isfinite(log_rate) & (kind != KIND_CW)]
    count = np.histogram(use, edges)[0].astype(float)
    spread = 1.0 / (edges[-1] - edges[0])
    # one part in ten for rates that no row has: the table does not know every rate in use
    share = 0.9 if use.size >= 20 else 0.9 * use.size / 20.0
    density = share * count / max(count.sum(), 1.0) / _LOG_RATE_BIN + (1.0 - share) * spread
    return 0.5 * (edges[1:] + edges[:-1]), density
