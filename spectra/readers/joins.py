"""Segments of one span that stand one after the other and overlap: joined where they agree, refused where they do not.

Two segments are swept at two times, so their levels over the same frequencies differ by the scatter of noise; they
contradict each other where the middle difference is more than that scatter explains. Up to the middle of the overlap
the first segment counts, from there on the second: the ends of a segment are the most doubtful.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spectra.errors import SweepFormatError
from spectra.units import FloatArray

__all__ = ["Joined", "join", "runs_of"]

LARGEST_STEP_DB = 3.0
"""Middle difference of two segments over the same frequencies that is a contradiction; common practice, no source."""
_UNEVEN = 0.25
"""Share by which steps may differ, for frequencies rounded in the file; rows exchanged differ by a whole step."""
_LEAST_POINTS = 8
_MOST_SEGMENTS = 100
_SIGMAS = 3.0
_MEDIAN_TO_MEAN = math.sqrt(math.pi / 2.0)
"""Standard deviation of a median over that of a mean, for many normal values."""


@dataclass(frozen=True, slots=True)
class Joined:
    """Points of joined segments: which rows of all are kept, shape (m,), and what is to be told of it."""

    rows: np.ndarray
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def runs_of(axis: FloatArray) -> list[tuple[int, int]] | None:
    """Return first row and row beyond the last of each segment in a column of frequencies, None if it is not such.

    Each segment rises evenly by itself, begins above the begin of the one before and ends above its end, and begins
    not beyond its end. So a frequency mistyped, rows exchanged, or a sweep repeated are no segments.
    """
    breaks = (np.flatnonzero(axis[1:] <= axis[:-1]) + 1).tolist()
    if not 1 <= len(breaks) < _MOST_SEGMENTS:
        return None
    runs = list(zip([0, *breaks], [*breaks, axis.size], strict=True))
    if any(stop - start < _LEAST_POINTS for start, stop in runs):
        return None
    for start, stop in runs:
        steps = np.diff(axis[start:stop])
        middle = float(np.median(steps))
        if not bool((np.abs(steps - middle) <= _UNEVEN * middle).all()):
            return None
    for (start, stop), (after, end) in pairwise(runs):
        if not (axis[start] < axis[after] <= axis[stop - 1] < axis[end - 1]):
            return None
    return runs


def join(
    axis: FloatArray, levels: Sequence[FloatArray], runs: Sequence[tuple[int, int]], lines: Sequence[int], name: str
) -> Joined:
    """Return which rows of segments make one sweep.

    Parameters
    ----------
    axis : ndarray, shape (n,)
        Frequencies, in any unit, rising within each segment.
    levels : sequence of ndarray, each of shape (n,)
        The traces, in dB.
    runs : sequence of tuple
        First row and row beyond the last of each segment; each begins above the begin of the one before.
    lines : sequence of int
        The line at which each segment begins.
    name : str
        File name for messages.

    Raises
    ------
    SweepFormatError
        If levels contradict where segments overlap, or one lies within the one before.
    """
    kept: list[np.ndarray] = []
    notes: list[str] = []
    warnings: list[str] = []
    begin = runs[0][0]
    for (start, stop), (after, end), line in zip(runs, runs[1:], lines[1:], strict=False):
        last, first = float(axis[stop - 1]), float(axis[after])
        step = min(float(axis[stop - 1] - axis[stop - 2]), float(axis[after + 1] - axis[after]))
        if first > last + 1e-6 * step:
            kept.append(np.arange(begin, stop))
            begin = after
            continue
        if float(axis[end - 1]) <= last:
            raise SweepFormatError(
                name,
                line,
                "a segment that lies within the one before",
                "segments that go on where others end",
                "Delete that segment, or save each on its own.",
            )
        count = int(np.searchsorted(axis[after:end], last + 1e-6 * step, "right"))
        if count == 1 and abs(first - last) <= 1e-6 * step:
            notes.append("the point that two segments share is taken from the first")
            kept.append(np.arange(begin, stop))
            begin = after + 1
            continue
        difference = _difference(axis, levels, (start, stop), (after, after + count), line, name)
        middle = 0.5 * (first + last)
        cut = start + int(np.searchsorted(axis[start:stop], middle, "right"))
        kept.append(np.arange(begin, cut))
        begin = after + int(np.searchsorted(axis[after:end], axis[cut - 1] + 1e-6 * step, "right"))
        warnings.append(
            f"quality.segments_overlap: the segment at line {line} overlaps the one before by {count} points "
            f"({first:.10g} to {last:.10g}); its levels there are {difference:+.2f} dB against it; joined in the middle"
        )
    kept.append(np.arange(begin, runs[-1][1]))
    return Joined(np.concatenate(kept), tuple(dict.fromkeys(notes)), tuple(warnings))


def _difference(
    axis: FloatArray,
    levels: Sequence[FloatArray],
    before: tuple[int, int],
    overlap: tuple[int, int],
    line: int,
    name: str,
) -> float:
    """Return the middle difference of the levels of two segments where they overlap; refuse a contradiction."""
    largest = 0.0
    for values in levels:
        old = np.interp(axis[slice(*overlap)], axis[slice(*before)], values[slice(*before)])
        difference = values[slice(*overlap)] - old
        middle = float(np.median(difference))
        spread = float(difference.std(ddof=1)) if difference.size > 1 else 0.0
        std = _MEDIAN_TO_MEAN * spread / math.sqrt(difference.size)
        if not abs(middle) <= max(LARGEST_STEP_DB, _SIGMAS * std):
            raise SweepFormatError(
                name,
                line,
                f"a segment whose levels are {middle:+.2f} dB (std {std:.2f} dB) against those of the one before, over "
                f"{difference.size} frequencies that both have",
                f"segments that agree within {LARGEST_STEP_DB:g} dB",
                "Save each segment on its own; sweep both with one reference level and attenuation.",
            )
        largest = max(largest, middle, key=abs)
    return largest
