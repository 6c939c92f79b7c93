"""Weak sweeps: the table's predicted spectrum held against the trace itself, over all offsets.

Where few carriers stand out singly, each row still lifts the trace a little over its width. For each width the mean of
the trace over such a box, less that of its flanks, is ranked among all places of the span; under "none of these" a
row's place is like any other and its rank is even between 0 and 1, under the true list it leans to the top. Ranks need
no law of the noise and no C/N, and a band full of carriers does not help a wrong list.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spectra.identify import model
from spectra.identify.model import DEFAULT_TOLERANCE_HZ
from spectra.identify.prepared import Prepared
from spectra.measure.measurement import Measurement
from spectra.units import FloatArray

__all__ = ["TraceFit", "fit_trace"]

_ON_AIR = 0.85
_LEAN = 0.35  # ranks of true rows follow a beta law of (lean, 1); common practice, no source
_FLANK, _GUARD = 0.4, 0.1  # of the box: flanks that are compared with it, and the slopes between
_INDEPENDENT = 0.5  # boxes with flanks part at half their width
_TEMPER = 0.7  # rows of one list share their errors: their log evidence is not quite additive


@dataclass(frozen=True, slots=True, eq=False)
class TraceFit:
    """Log evidence of every hypothesis over "none", its offset and the offset's standard deviation."""

    log_evidence: FloatArray
    offset_hz: FloatArray
    offset_std_hz: FloatArray
    rows: FloatArray


def fit_trace(
    prepared: Prepared, measurements: Sequence[Measurement], valid: np.ndarray | None, allowed: np.ndarray
) -> TraceFit:
    """Correlate every hypothesis with the traces of sweeps taken in one setting.

    Returns
    -------
    TraceFit
        Arrays of shape (hypotheses,); the evidence is minus infinity where no row lies in the span.
    """
    tolerance = np.array([DEFAULT_TOLERANCE_HZ if s.tolerance_hz is None else s.tolerance_hz for s in prepared.states])
    window = min(model.search_window_hz(float(tolerance.max())), 4.0 * float(tolerance.max()) + 1e6)
    step = max(0.5 * min(m.sweep.spacing_hz for m in measurements), 0.05e6)
    offsets = np.arange(-window, window + 0.5 * step, step)
    score = np.zeros((prepared.hypotheses, offsets.size))
    rows = np.zeros(prepared.hypotheses)
    for measurement in measurements:
        _add(prepared, measurement, offsets, valid, score, rows)
    prior = np.stack([model.log_offset_prior(offsets, np.full(offsets.size, t)) for t in tolerance]) + np.log(step)
    total = _TEMPER * score + prior[prepared.hyp_state]
    top = total.max(axis=1, initial=-np.inf)
    weight = np.exp(total - top[:, None])
    evidence = np.where(allowed & (rows > 0), top + np.log(weight.sum(axis=1)), -np.inf)
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ offsets
    var = weight @ offsets**2 - mean**2 + step**2 / 12.0
    return TraceFit(evidence, mean, np.sqrt(np.maximum(var, 0.0)), rows)


def _add(
    prepared: Prepared,
    measurement: Measurement,
    offsets: FloatArray,
    valid: np.ndarray | None,
    score: FloatArray,
    rows: FloatArray,
) -> None:
    sweep = measurement.sweep
    reach = float(np.abs(offsets).max())
    width = np.where(np.isfinite(prepared.width_hz), prepared.width_hz, 2.0 * sweep.spacing_hz)
    low, high = sweep.start_hz + 0.5 * width + reach, sweep.stop_hz - 0.5 * width - reach
    use = (prepared.if_hz > low) & (prepared.if_hz < high) & ~prepared.merged
    if valid is not None:
        use &= valid
    index = np.flatnonzero(use)
    index = index[np.concatenate(([True], np.diff(prepared.row_slot[index]) != 0))] if index.size else index
    if not index.size:
        return
    np.add.at(rows, prepared.row_hyp[index], 1.0)
    lift = sweep.level_dbm - measurement.floor.level_dbm
    # box widths in steps of a half octave: a row is as well served by a box a little too wide
    octave = np.round(2.0 * np.log2(np.maximum(0.8 * width[index] / sweep.spacing_hz, 1.0))).astype(int)
    for each in np.unique(octave):
        mine = index[octave == each]
        points = max(1, round(2.0 ** (0.5 * float(each))))
        centre, gain = _rank_gain(sweep.frequency_hz, lift, min(points, sweep.points // 4))
        gains = np.interp(prepared.if_hz[mine][:, None] + offsets[None, :], centre, gain)
        np.add.at(score, prepared.row_hyp[mine], gains)


def _rank_gain(frequency_hz: FloatArray, lift_db: FloatArray, points: int) -> tuple[FloatArray, FloatArray]:
    """Return box centres and the log gain of a row there: its rank under the list over its rank under none.

    What is ranked is the mean over the box less the mean over its flanks: in a band full of carriers half of all boxes
    are raised, but few sit between two edges.
    """
    total = np.concatenate(([0.0], np.cumsum(lift_db)))
    flank = max(1, round(_FLANK * points))
    gap = max(0, round(_GUARD * points))
    reach = points + 2 * (flank + gap)
    if reach >= lift_db.size:
        flank = gap = 0
        reach = points
    first = np.arange(lift_db.size - reach + 1)
    start = first + flank + gap
    mean = (total[start + points] - total[start]) / points
    if flank:
        below = total[first + flank] - total[first]
        above = total[first + reach] - total[first + reach - flank]
        mean = mean - 0.5 * (below + above) / flank
    edge = np.concatenate(([0.0], np.cumsum(frequency_hz)))
    centre = (edge[start + points] - edge[start]) / points
    order = np.argsort(np.argsort(-mean, kind="stable"), kind="stable")
    rank = (order + 0.5) / mean.size
    # a box cannot be ranked finer than there are independent boxes
    rank = np.maximum(rank, 0.5 * points * _INDEPENDENT / mean.size)
    return centre, np.log(1.0 - _ON_AIR + _ON_AIR * _LEAN * rank ** (_LEAN - 1.0))
