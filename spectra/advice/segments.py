"""A window of IF cut into segments that an analyser of so many points can do, cuts laid into gaps where possible."""

from __future__ import annotations

import math

import numpy as np

from spectra.advice.sweeps import Segment
from spectra.units import FloatArray

__all__ = ["cut_into_segments", "segment_of"]

_GRID_HZ = 1e5
"""Starts and stops are set by hand: whole steps of 0.1 MHz."""

_LEAST_SHARE = 0.5
"""A segment is not shortened below this share of what it could be to spare a carrier from being cut."""


def _merged(low: FloatArray, high: FloatArray, join_hz: float) -> list[tuple[float, float]]:
    """Return intervals merged where they touch or lie nearer than `join_hz`, by rising start."""
    merged: list[tuple[float, float]] = []
    for start, stop in sorted(zip(low.tolist(), high.tolist(), strict=True)):
        if merged and start - merged[-1][1] <= join_hz:
            merged[-1] = (merged[-1][0], max(merged[-1][1], stop))
        else:
            merged.append((start, stop))
    return merged


def cut_into_segments(
    window_hz: tuple[float, float],
    low_hz: FloatArray,
    high_hz: FloatArray,
    *,
    most_span_hz: float,
    points: int,
    margin_hz: float,
    only_occupied: bool = False,
) -> tuple[Segment, ...]:
    """Cut a window into segments no longer than `most_span_hz`.

    Parameters
    ----------
    window_hz : tuple of float
        First and last frequency.
    low_hz, high_hz : ndarray, shape (n,)
        Edges of the carriers; a cut that would fall into one is moved below it, unless that would halve the segment.
    margin_hz : float
        Spectrum to keep free beside a carrier, for its skirts and a look at the floor.
    only_occupied : bool
        Leave out what holds no carrier.
    """
    inside = (high_hz > window_hz[0]) & (low_hz < window_hz[1])
    low = np.maximum(low_hz[inside] - margin_hz, window_hz[0])
    high = np.minimum(high_hz[inside] + margin_hz, window_hz[1])
    regions = [window_hz]
    if only_occupied:
        # a gap is skipped only where that saves something: neighbouring regions in one segment need no cut
        regions = _merged(low, high, join_hz=0.25 * most_span_hz) or [window_hz]
    found: list[Segment] = []
    for first, last in regions:
        found += _cut_region(first, last, low, high, most_span_hz, points, margin_hz)
    return tuple(found)


def _cut_region(
    first: float, last: float, low: FloatArray, high: FloatArray, most: float, points: int, margin: float
) -> list[Segment]:
    first, last = math.floor(first / _GRID_HZ) * _GRID_HZ, math.ceil(last / _GRID_HZ) * _GRID_HZ
    grid = _GRID_HZ if most >= 10.0 * _GRID_HZ else most / 10.0
    found: list[Segment] = []
    start = first
    while True:
        left = last - start
        if left <= most * (1.0 + 1e-9):
            found.append(Segment(start, last, points))
            return found
        # segments of equal length need the same settings and end nowhere near an edge
        stop = start + left / math.ceil(left / most)
        stop = _into_gap(start, stop, start + most, low, high)
        stop = start + max(grid, math.floor((stop - start) / grid + 1e-6) * grid)
        found.append(Segment(start, stop, points))
        crossing = (low < stop) & (high > stop)
        back = 0.0 if not crossing.any() else min(float(stop - low[crossing].min()), (1.0 - _LEAST_SHARE) * most)
        # a carrier that must be cut here starts again whole in the next segment, as far as that can be
        start = max(math.ceil((stop - max(back, margin)) / grid) * grid, found[-1].start_hz + 0.1 * most)


def _into_gap(start: float, wanted: float, latest: float, low: FloatArray, high: FloatArray) -> float:
    """Return the place to cut: nearest to `wanted`, in a gap if there is one between half of `latest` and it."""
    earliest = start + _LEAST_SHARE * (latest - start)
    if not ((low < wanted) & (high > wanted)).any():
        return wanted
    edges = np.concatenate((low, high))
    edges = edges[(edges >= earliest) & (edges <= latest)]
    free = [edge for edge in edges.tolist() if not ((low < edge) & (high > edge)).any()]
    return min(free, key=lambda edge: abs(edge - wanted), default=latest)


def segment_of(segments: tuple[Segment, ...], low_hz: float, high_hz: float) -> int | None:
    """Return the index of the first segment that holds an interval whole, None where none does."""
    for index, segment in enumerate(segments):
        if segment.start_hz <= low_hz and high_hz <= segment.stop_hz:
            return index
    return None
