"""The close look: each shortlisted hypothesis at its offset, rows to carriers one to one, and its evidence.

All entries (a hypothesis, a start offset and a rounding of the table) are worked through together in flat arrays.

Model, for one list at one common offset: each row is on air with probability a and, if on air, found with the
probability that this sweep shows it; a found row's carrier has its place and rate; carriers that no row explains come
as clutter, `unlisted` of them per listed one, with places even over the span and rates as in the table's population.
Everything is in natural logs relative to "each carrier is clutter", so that evidences of one group compare.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from spectra.identify import model
from spectra.identify.company import company_rows, explained_by_company
from spectra.identify.evidence import Group
from spectra.identify.prepared import Prepared
from spectra.identify.search import Pairs
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["Scored", "log_chance", "score_entries"]

_ROUNDS = 6
_CLUTTER_PART = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """Entries with their evidence; arrays of shape (e,) unless said otherwise.

    `log_known` is the log evidence at the best offset, prior of the offset left out. `matched` counts carriers, `shown`
    the slots that they show: neighbours measured as one carrier count each.
    `pair_entry, pair_row, pair_carrier, pair_offset_hz` list the accepted pairs, `pair_core` how far each belongs to
    the core of the centre's law rather than to its heavy part. `left` counts the carriers that neither the list nor
    its company explains. `slot_entry, slot_visible, slot_silent` list the slots of the entries: the chance that
    each shows, and whether it did not.
    """

    hyp: IntArray
    coarse: NDArray[np.bool_]
    offset_hz: FloatArray
    offset_std_hz: FloatArray
    log_known: FloatArray
    matched: IntArray
    shown: IntArray
    pair_entry: IntArray
    pair_row: IntArray
    pair_carrier: IntArray
    pair_offset_hz: FloatArray
    pair_core: FloatArray
    left: IntArray
    slot_entry: IntArray
    slot_visible: FloatArray
    slot_silent: NDArray[np.bool_]


def log_chance(count: int) -> float:
    """Return the log evidence of "each carrier is clutter", its number unknown over three decades."""
    from math import lgamma, log

    return lgamma(max(count, 1)) - log(1000.0) if count else 0.0


@dataclass(slots=True, eq=False)
class _Work:
    """Flat arrays that the rounds share."""

    entry: IntArray
    row: IntArray
    carrier: IntArray
    slot: IntArray
    last: IntArray
    offset_hz: FloatArray
    std_hz: FloatArray
    log_base: FloatArray


def score_entries(
    prepared: Prepared,
    group: Group,
    pairs: Pairs,
    hyp: IntArray,
    offset_hz: FloatArray,
    tolerance_hz: FloatArray,
    valid: NDArray[np.bool_] | None,
) -> Scored:
    """Score entries; where a list's rounding matters each is tried with and without it, and both are returned.

    Printed frequencies may be exact or rounded to their last digit; only the carriers can tell.
    """
    again = _rounding_matters(prepared, group, hyp)
    coarse = np.arange(hyp.size + np.count_nonzero(again)) >= hyp.size
    doubled = np.append(again, coarse[hyp.size :])
    hyp, offset_hz = np.append(hyp, hyp[again]), np.append(offset_hz, offset_hz[again])
    tolerance_hz = np.append(tolerance_hz, tolerance_hz[again])
    row_entry, row = _ragged(prepared.hyp_start[hyp], prepared.hyp_start[hyp + 1])
    if valid is not None:
        row_entry, row = row_entry[valid[row]], row[valid[row]]
    near = _candidates(prepared, group, pairs, hyp, offset_hz, coarse)
    both = np.append(row, near.row)
    place = prepared.if_hz[both] + offset_hz[np.append(row_entry, near.entry)]
    alone, somehow = model.visibility(group.views, prepared, both, place)
    base, slot_entry, slot_visible = _slots(prepared, hyp, row_entry, row, somehow[: row.size])
    work = _work(prepared, group, pairs, hyp, base, near, alone[row.size :])
    offset = _refine(work, offset_hz, tolerance_hz, group.count)
    taken = _assign(work, offset, group.count)
    residual = work.offset_hz - offset[work.entry]
    entries = hyp.size

    def total(values: FloatArray) -> FloatArray:
        return np.bincount(work.entry[taken], values[taken], entries).astype(np.float64)

    core = 1.0 / (1.0 + 0.04 * np.exp(np.minimum(0.5 * (residual / work.std_hz) ** 2, 50.0)))
    weight = total(core / work.std_hz**2)
    silent = np.ones(slot_entry.size, bool)
    silent[_ragged(work.slot[taken], work.last[taken] + 1)[1]] = False
    matched = np.bincount(work.entry[taken], minlength=entries)
    company = _company(prepared, group, hyp, offset, work.entry[taken], work.carrier[taken], valid)
    unmatched, shown = group.count - matched - company, np.bincount(slot_entry[~silent], minlength=entries)
    # what the company explains is neutral: it costs what chance pays for a carrier
    common = company * np.log(max(group.count, 1))
    common = common + np.where(doubled, np.log(0.5), 0.0)
    gain = total(work.log_base + model.log_centre_density(residual, work.std_hz))
    return Scored(
        hyp=hyp,
        coarse=coarse,
        offset_hz=offset,
        offset_std_hz=np.where(weight > 0.0, 1.0 / np.sqrt(np.maximum(weight, 1e-30)), np.nan),
        log_known=common + _evidence(model.KNOWN, unmatched, shown, gain, slot_entry, slot_visible, silent),
        matched=matched,
        shown=shown,
        pair_entry=work.entry[taken],
        pair_row=work.row[taken],
        pair_carrier=work.carrier[taken],
        pair_offset_hz=work.offset_hz[taken],
        pair_core=core[taken],
        left=unmatched,
        slot_entry=slot_entry,
        slot_visible=slot_visible,
        slot_silent=silent,
    )


def _company(
    prepared: Prepared,
    group: Group,
    hyp: IntArray,
    offset: FloatArray,
    pair_entry: IntArray,
    pair_carrier: IntArray,
    valid: NDArray[np.bool_] | None,
) -> IntArray:
    """Count, for each entry, the left-over carriers that other lists of its position explain."""
    count = np.zeros(hyp.size, np.intp)
    crowded = prepared.hyp_company[hyp]
    if not crowded.any():
        return count
    free = np.ones((hyp.size, group.count), bool)
    free[pair_entry, pair_carrier] = False
    rows: dict[int, IntArray] = {}
    for entry in np.flatnonzero(crowded).tolist():
        mine = int(hyp[entry])
        if mine not in rows:
            rows[mine] = company_rows(prepared, mine, valid)
        count[entry] = explained_by_company(
            prepared, group, rows[mine], float(offset[entry]), np.flatnonzero(free[entry])
        )
    return count


def _rounding_matters(prepared: Prepared, group: Group, hyp: IntArray) -> NDArray[np.bool_]:
    """Say of each hypothesis whether its list's rounding makes a difference; such are tried exact and rounded."""
    matters: NDArray[np.bool_] = prepared.coarse_hz[prepared.hyp_start[hyp]] > 0.3 * median(group.std_hz.tolist())
    return matters


def _ragged(start: IntArray, stop: IntArray) -> tuple[IntArray, IntArray]:
    """Return (which range, index) for ranges laid end to end."""
    count = stop - start
    which = np.repeat(np.arange(count.size), count)
    return which, np.arange(which.size) - np.repeat(np.cumsum(count) - count, count) + np.repeat(start, count)


def _slots(
    prepared: Prepared, hyp: IntArray, row_entry: IntArray, row: IntArray, visible: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the first slot of each entry, and over all their slots the entry and the chance that the slot shows."""
    slot_entry, _ = _ragged(prepared.slot_start[hyp], prepared.slot_start[hyp + 1])
    size = prepared.slot_start[hyp + 1] - prepared.slot_start[hyp]
    base = np.cumsum(size) - size
    slot_visible = np.zeros(slot_entry.size)
    np.maximum.at(slot_visible, base[row_entry] + prepared.row_slot[row] - prepared.slot_start[hyp[row_entry]], visible)
    return base, slot_entry, slot_visible


@dataclass(frozen=True, slots=True, eq=False)
class _Near:
    """Pairs near the offset of an entry: `pair` numbers them among all."""

    entry: IntArray
    pair: IntArray
    row: IntArray
    std_hz: FloatArray


def _candidates(
    prepared: Prepared,
    group: Group,
    pairs: Pairs,
    hyp: IntArray,
    offset_hz: FloatArray,
    coarse: NDArray[np.bool_],
) -> _Near:
    """Pick, for each entry, the pairs of its hypothesis near its offset."""
    low = np.searchsorted(pairs.hyp, hyp)
    entry, index = _ragged(low, np.searchsorted(pairs.hyp, hyp, side="right"))
    row, carrier = pairs.row[index], pairs.carrier[index]
    rounded = np.maximum(prepared.coarse_hz[row], prepared.round_hz[row])
    rounding = np.where(coarse[entry], rounded, 0.1 * rounded)
    std = np.sqrt(group.std_hz[carrier] ** 2 + rounding**2 + prepared.shift_hz[row] ** 2)
    near = np.abs(pairs.offset_hz[index] - offset_hz[entry]) < 6.0 * std + 0.7e6
    return _Near(entry[near], index[near], row[near], std[near])


def _work(
    prepared: Prepared, group: Group, pairs: Pairs, hyp: IntArray, base: IntArray, near: _Near, visible: FloatArray
) -> _Work:
    """Lay out what the rounds need of the pairs; `visible` is the chance that the row of each shows."""
    row = near.row
    slot = base[near.entry] + prepared.row_slot[row] - prepared.slot_start[hyp[near.entry]]
    common = prepared.log_share[row] + np.log(np.maximum(visible, 1e-3) * group.span_hz)
    return _Work(
        entry=near.entry,
        row=row,
        carrier=pairs.carrier[near.pair],
        slot=slot,
        last=slot + prepared.last_slot[row] - prepared.row_slot[row],
        offset_hz=pairs.offset_hz[near.pair],
        std_hz=near.std_hz,
        log_base=pairs.gain[near.pair] + common,
    )


def _refine(work: _Work, start_hz: FloatArray, tolerance_hz: FloatArray, carriers: int) -> FloatArray:
    """Find the offset of each entry: expectation of the pairs, then weighted mean, a few times."""
    offset = start_hz.copy()
    clutter = np.log(max(_CLUTTER_PART * carriers, 0.5) / model.ON_AIR_GUESS)
    by_carrier = work.entry * carriers + work.carrier
    pull = 1.0 / (2.0 * tolerance_hz) ** 2
    for number in range(_ROUNDS):
        residual = work.offset_hz - offset[work.entry]
        wide = work.std_hz * (2.0 if number < 2 else 1.0)
        q = np.exp(np.clip(work.log_base + model.log_centre_density(residual, wide) - clutter, -40.0, 40.0))
        others = np.bincount(by_carrier, q)[by_carrier] + np.bincount(work.slot, q)[work.slot] - q
        z2 = (residual / wide) ** 2
        share = q / (1.0 + others) / (1.0 + 0.04 * np.exp(np.minimum(0.5 * z2, 50.0)))
        weight = share / work.std_hz**2
        size = offset.size
        offset = np.bincount(work.entry, weight * work.offset_hz, size) / (np.bincount(work.entry, weight, size) + pull)
    return offset


def _assign(work: _Work, offset: FloatArray, carriers: int) -> IntArray:
    """Take pairs greedily by likelihood so that each slot and each carrier is used once; return their indices."""
    clutter = np.log(max(_CLUTTER_PART * carriers, 0.5) / model.ON_AIR_GUESS) + np.log(1.0 / 0.25)
    q = work.log_base + model.log_centre_density(work.offset_hz - offset[work.entry], work.std_hz) - clutter
    by_carrier = work.entry * carriers + work.carrier
    alive = np.flatnonzero(q > 0.0)
    alive = alive[np.lexsort((work.row[alive], -q[alive]))]
    taken: list[IntArray] = []
    while alive.size:
        rank = np.arange(alive.size)
        best_c = np.full(int(by_carrier[alive].max()) + 1, alive.size)
        np.minimum.at(best_c, by_carrier[alive], rank)
        best_s = np.full(int(work.last[alive].max()) + 1, alive.size)
        which, slot = _ragged(work.slot[alive], work.last[alive] + 1)
        np.minimum.at(best_s, slot, which)
        won = best_c[by_carrier[alive]] == rank
        won[which[best_s[slot] != which]] = False
        taken.append(alive[won])
        full_c, full_s = np.zeros(best_c.size, bool), np.zeros(best_s.size, bool)
        full_c[by_carrier[alive[won]]] = True
        full_s[slot[won[which]]] = True
        used = full_c[by_carrier[alive]]
        used[which[full_s[slot]]] = True
        alive = alive[~used]
    return np.sort(np.concatenate(taken)) if taken else np.empty(0, np.intp)


def _evidence(
    prior: tuple[FloatArray, ...],
    unmatched: IntArray,
    matched: IntArray,
    gain: FloatArray,
    slot_entry: IntArray,
    slot_visible: FloatArray,
    silent: NDArray[np.bool_],
) -> FloatArray:
    """Average the likelihood over the share on air and the rate of clutter.

    `matched` counts slots that show, `unmatched` carriers that no row explains.
    """
    on_air, extra, log_weight = prior
    entries = matched.size
    values, where = np.unique(on_air, return_inverse=True)
    quiet = np.stack(
        [np.bincount(slot_entry[silent], np.log1p(-a * slot_visible[silent]), entries) for a in values], axis=1
    )
    shown = np.bincount(slot_entry, slot_visible, entries)
    clutter = extra[None, :] * on_air[None, :] * np.maximum(shown, 0.3)[:, None]
    log_each = (
        log_weight[None, :]
        + matched[:, None] * np.log(on_air)[None, :]
        + quiet[:, where]
        + unmatched[:, None] * np.log(clutter)
        - clutter
    )
    top = log_each.max(axis=1)
    total: FloatArray = gain + top + np.log(np.exp(log_each - top[:, None]).sum(axis=1))
    return total
