"""Edges of points read few times: where a carrier begins is then a change point, and a fit may stop short of it."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.model import Evaluation
from spectra.measure.scene import Scene, Trace
from spectra.measure.sums import running
from spectra.units import FloatArray

__all__ = ["box_of", "few_readings"]

_FEW_READINGS = 3.0  # of a point
_REACH_POINTS = 2.5
_REACH_INFORMATION = 12.0  # of points beside an edge that a few dips of noise may hide, in single readings
_SAME_EDGE, _BOX_ROLL_OFF = 1.5, 0.2


def few_readings(trace: Trace) -> bool:
    """Say whether points are read so few times, sharing noise or not, that a carrier's edges are change points."""
    return trace.law.information < _FEW_READINGS


def box_of(trace: Trace, scene: Scene, at: Evaluation, k: int) -> FloatArray | None:
    """Return carrier `k` with the edges that a box of one level would have, None where it has about those.

    All pairs of edges within reach of its own are tried, with the level that suits each: where points are read once,
    a few dips near an edge make a fit stop short of the edge, and no step that lowers the loss leads on.
    """
    left, right = scene.theta[k, :2]
    reach = max(_REACH_POINTS, _REACH_INFORMATION / trace.information)
    within = min(reach, 0.6 * (right - left))
    low, high = np.searchsorted(trace.x, (left - reach, right + reach))
    first, last = np.searchsorted(trace.x, (left + within, right - within))
    begin = np.arange(low, min(first, last))[:, None]
    end = np.arange(max(last, first + 1), high + 1)
    if begin.size < 2 or end.size < 2:
        return None
    rest = at.total[low:high].copy()
    a, b = max(int(at.first[k]), int(low)), min(int(at.last[k]), int(high))
    pair = int(at.start[k]) - int(at.first[k])
    rest[a - low : b - low] -= at.power[pair + a : pair + b]
    rest = np.maximum(rest, 1e-3 * at.floor[low:high])
    law = trace.law
    level = (trace.y[low:high] - law.offset) / law.scale
    shown, below = np.exp(level), np.log(rest) / law.scale
    beside = running(shown * np.exp(-below) + below)
    inside = running(shown)
    count = np.maximum(end - begin, 1)
    mean = (inside[end - low] - inside[begin - low]) / count
    lost = beside[begin - low] + beside[-1] - beside[end - low] + count * (1.0 + np.log(mean))
    one, two = np.unravel_index(int(np.argmin(np.where(end - begin > 2, lost, np.inf))), lost.shape)
    box = float(trace.x[begin[one, 0]]) - 0.5, float(trace.x[end[two] - 1]) + 0.5
    if abs(box[0] - left) < _SAME_EDGE and abs(box[1] - right) < _SAME_EDGE:
        return None
    own = float(mean[one, two]) ** law.scale - float(np.median(rest[begin[one, 0] - low : end[two] - low]))
    if own <= 0.0:
        return None
    row = np.zeros(scene.theta.shape[1])
    row[:4] = *box, _BOX_ROLL_OFF, math.log(own)
    return row
