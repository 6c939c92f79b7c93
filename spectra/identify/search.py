"""The first look: every pair of carrier and row votes for an offset, and the best offsets of all hypotheses stay."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from spectra.identify import model
from spectra.identify.evidence import Group
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["Pairs", "find_pairs", "shortlist"]


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Pairs of a row and a carrier that might be one, sorted by hypothesis and offset.

    `gain` is the log of how much better the row explains the carrier's rate, kind and roll-off than the table's
    population does; the centre is left for later.
    """

    hyp: IntArray
    row: IntArray
    carrier: IntArray
    offset_hz: FloatArray
    gain: FloatArray


def find_pairs(prepared: Prepared, group: Group, window_hz: float, valid: NDArray[np.bool_] | None) -> Pairs:
    """Return every pair within the window, a changed symbol rate included."""
    low = np.searchsorted(prepared.sorted_if_hz, group.if_hz - window_hz)
    count = np.searchsorted(prepared.sorted_if_hz, group.if_hz + window_hz) - low
    carrier = np.repeat(np.arange(group.count), count)
    within = np.arange(carrier.size) - np.repeat(np.cumsum(count) - count, count)
    row = prepared.by_if[np.repeat(low, count) + within]
    if valid is not None:
        keep = valid[row]
        row, carrier = row[keep], carrier[keep]
    background = model.carrier_rate_density(group, prepared)
    rate_c, std_c, std_r = group.log_rate[carrier], group.log_rate_std[carrier], prepared.log_rate_std[row]
    gain = model.log_rate_gain(rate_c, std_c, prepared.log_rate[row], std_r, background[carrier])
    rbw_hz = median([view.rbw_hz for view in group.views])
    gain += model.log_kind_gain(group, carrier, prepared, row, rbw_hz)
    gain += model.log_roll_off_gain(group.roll_off[carrier], group.roll_off_std[carrier], prepared.roll_off[row])
    hyp = prepared.row_hyp[row]
    offset = group.if_hz[carrier] - prepared.if_hz[row]
    order = np.lexsort((offset, hyp))
    return Pairs(hyp[order], row[order], carrier[order], offset[order], gain[order])


def shortlist(
    prepared: Prepared, group: Group, pairs: Pairs, window_hz: float, visible: FloatArray, most: int
) -> tuple[IntArray, FloatArray]:
    """Return the most promising (hypothesis, offset), best first.

    A window slides over the sorted offsets of each hypothesis; its score is the sum of the pairs' gains, less what the
    rows that stay silent cost.
    """
    if not pairs.hyp.size:
        return np.empty(0, np.intp), np.empty(0)
    std = np.hypot(group.std_hz[pairs.carrier], prepared.shift_hz[pairs.row])
    std = np.maximum(std, prepared.coarse_hz[pairs.row])
    density = group.span_hz / (np.sqrt(2.0 * np.pi) * std * max(group.count, 1))
    weight = np.maximum(pairs.gain + np.log(np.maximum(visible[pairs.row], 0.02) * model.ON_AIR_GUESS * density), 0.0)
    width = min(max(4.0 * float(np.median(std)), 0.1e6), 4e6)
    reach = 2.0 * window_hz + 2.0 * width
    key = pairs.hyp * reach + (pairs.offset_hz + window_hz)
    total = np.concatenate(([0.0], np.cumsum(weight)))
    end = np.searchsorted(key, key + width, side="right")
    score = total[end] - total[:-1]
    moment = np.concatenate(([0.0], np.cumsum(weight * pairs.offset_hz)))
    centre = (moment[end] - moment[:-1]) / np.maximum(score, 1e-9)
    listed = ~prepared.merged
    expected = np.bincount(prepared.row_hyp[listed], visible[listed], prepared.hypotheses)[pairs.hyp]
    silent = np.maximum(expected - (end - np.arange(end.size)), 0.0)
    score = score - 1.5 * silent - 2.0 * np.log1p((centre / (0.25 * window_hz)) ** 2)
    cell = np.floor(key / width).astype(np.int64)
    first = np.flatnonzero(np.concatenate(([True], np.diff(cell) != 0)))
    best = np.maximum.reduceat(score, first)
    size = np.diff(np.append(first, cell.size))
    is_best = np.flatnonzero(score == np.repeat(best, size))
    take = is_best[np.argsort(-score[is_best], kind="stable")[: 4 * most]]
    hyp, offset = pairs.hyp[take], centre[take]
    # neighbouring cells often hold one and the same heap: keep its best
    order = np.lexsort((np.arange(hyp.size), np.round(offset / (0.5 * width)), hyp))
    same = np.concatenate(
        ([False], (np.diff(hyp[order]) == 0) & (np.diff(np.round(offset[order] / (0.5 * width))) == 0))
    )
    kept = np.sort(order[~same])[:most]
    return hyp[kept], offset[kept]
