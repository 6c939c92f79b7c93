"""Pairs and the order of parameters, compiled: see `spectra.measure.pairs`."""

from __future__ import annotations

import numpy as np

from spectra.measure.loops.special import Index, compiled
from spectra.units import FloatArray

__all__ = ["ordered", "reached", "within"]

_REACH, _SLACK_POINTS, _SLACK_WIDTH = 6.0, 0.5, 0.02  # as in `spectra.measure.pairs`


@compiled
def reached(x: FloatArray, theta: FloatArray, sigma: float, slack: float) -> tuple[Index, Index, Index]:
    """Return first point, one past the last, and where the pairs start, of each carrier."""
    k = len(theta)
    first, last, start = np.empty(k, np.intp), np.empty(k, np.intp), np.zeros(k + 1, np.intp)
    for j in range(k):
        width = theta[j, 1] - theta[j, 0]
        reach = _REACH * sigma + 0.5 * theta[j, 2] * width + slack * (_SLACK_POINTS + _SLACK_WIDTH * width)
        first[j] = np.searchsorted(x, theta[j, 0] - reach)
        last[j] = max(np.searchsorted(x, theta[j, 1] + reach), first[j])
        start[j + 1] = start[j] + last[j] - first[j]
    return first, last, start


@compiled
def within(x: FloatArray, theta: FloatArray, first: Index, last: Index, sigma: float) -> bool:
    """Say whether all that carriers reach lies within first..last."""
    low, high, _ = reached(x, theta, sigma, 0.0)
    return bool(np.all(low >= first) and np.all(high <= last))


@compiled
def ordered(
    x: FloatArray, centre: FloatArray, first: Index, last: Index, interval: Index, size: int
) -> tuple[Index, int]:
    """Return the row of each parameter along the frequency axis, and the diagonals that a band of them needs."""
    k = centre.size
    position = np.empty(4 * k + size)
    for j in range(4 * k):
        position[j] = centre[j // 4]
    knot = (x[-1] - x[0]) / max(size - 3, 1)
    for j in range(size):
        position[4 * k + j] = x[0] + (j - 1.0) * knot
    order = np.argsort(position, kind="mergesort")
    place = np.empty(position.size, np.intp)
    for row in range(order.size):
        place[order[row]] = row
    apart = 3 if k or size else 0
    for j in range(size):
        for d in range(1, min(4, size - j)):
            apart = max(apart, abs(place[4 * k + j + d] - place[4 * k + j]))
    for j in range(k):
        low, high = place[4 * j], place[4 * j + 3]
        for other in range(j + 1, k):
            if min(last[j], last[other]) > max(first[j], first[other]):
                apart = max(apart, abs(place[4 * other + 3] - low), abs(high - place[4 * other]))
        if size and last[j] > first[j]:
            begin, end = 4 * k + interval[first[j]], 4 * k + interval[last[j] - 1] + 3
            apart = max(apart, abs(place[end] - low), abs(high - place[begin]))
    return place, min(apart + 1, place.size)
