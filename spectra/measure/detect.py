"""Detection: sums over windows of every width against exact thresholds, and edges that cut a trace into carriers.

Under the model each point's normalised level is a Gamma variate of mean 1, so a window's sum is Gamma too; the Wilson-
Hilferty cube root turns it into a normal score. One threshold serves all widths: the false-alarm rate asked for, shared
among the windows that a trace holds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.ndimage import maximum_filter1d

from spectra.measure.compiled import loops
from spectra.measure.statistics import window_inflation
from spectra.measure.sums import running
from spectra.signal.detectors import PointLaw
from spectra.units import FloatArray

__all__ = ["Window", "find_edges", "independent_tests", "ladder", "scan", "threshold"]

_MOST_WINDOWS = 400  # of one width, that are looked at


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of the trace that stands out: first point, number of points, normal score (negative: too low)."""

    first: int
    width: int
    score: float

    @property
    def last(self) -> int:
        """One past the last point."""
        return self.first + self.width


def ladder(narrowest: float, widest: float) -> list[int]:
    """Return window widths in points, about a quarter of an octave to half an octave apart; one at least."""
    widths: list[int] = []
    width = max(1.0, narrowest)
    while width <= widest or not widths:
        if not widths or round(width) > widths[-1]:
            widths.append(round(width))
        width = max(width * 1.35, width + 0.5)
    return widths


def independent_tests(points: int, widths: list[int], correlated: float) -> float:
    """Return how many independent tests a scan amounts to (counted in simulations of noise: see the campaigns)."""
    return sum(2.5 * points / max(width, correlated) for width in widths)


def threshold(false_alarms: float, tests: float) -> float:
    """Return the normal score that `tests` independent windows of noise pass `false_alarms` times."""
    return float(-special.ndtri(min(0.1, false_alarms / tests)))


def _standing_out(
    ratio: FloatArray, share: FloatArray, law: PointLaw, correlation: FloatArray, widths: list[int], least: float
) -> Iterator[tuple[int, NDArray[np.intp], FloatArray]]:
    """Yield, for each width, the windows whose normal score passes `least` in size, and their scores.

    The score is a function of a window's mean, steeper the more information it holds: means that would not pass with
    the most that any window holds need no closer look.
    """
    total, excess = running(share), running(share * (ratio - 1.0))
    inflations = window_inflation(correlation, np.array(widths, dtype=np.float64))
    side = math.copysign(3.0, law.scale)
    for width, inflation in zip(widths, inflations.tolist(), strict=True):
        weight = total[width:] - total[:-width]
        mean = (excess[width:] - excess[:-width]) / weight
        mean += 1.0
        shape = law.shape / inflation
        most = float(weight.max()) * shape
        low, high = (
            (1.0 + (reach / 3.0 - 1.0 / (9.0 * math.sqrt(most))) / math.sqrt(most)) for reach in (-least, least)
        )
        hot = np.flatnonzero((mean > high**3) | (mean < max(low, 0.0) ** 3))
        deviation = np.sqrt(weight[hot] * shape)
        root = np.cbrt(np.maximum(mean[hot], 1e-9))
        score = side * ((root - 1.0) * deviation + (1.0 / 9.0) / deviation)
        passed = np.abs(score) > least
        yield width, hot[passed], score[passed]


def scan(
    ratio: FloatArray, share: FloatArray, law: PointLaw, correlation: FloatArray, widths: list[int], least: float
) -> list[Window]:
    """Return the windows, best first and not overlapping, whose score passes `least` in size.

    Parameters
    ----------
    ratio : ndarray, shape (n,)
        Normalised levels, mean 1 (`PointLaw.normal_ratio`).
    share : ndarray, shape (n,)
        Information of each point over that of a plain one.
    law, correlation
        Of the points.
    widths : list of int
        Of the windows, in points.
    least : float
        Normal score.
    """
    fitting = [width for width in widths if width < ratio.size]
    compiled = loops()
    if compiled is not None:
        inflations = window_inflation(correlation, np.array(fitting, dtype=np.float64))
        which = np.array(fitting, dtype=np.intp), law.shape / inflations
        kept = compiled.windows_found(ratio, share, *which, math.copysign(3.0, law.scale), least, _MOST_WINDOWS)
        return [Window(*window) for window in zip(*(values.tolist() for values in kept), strict=True)]
    found: list[Window] = []
    for width, hot, score in _standing_out(ratio, share, law, correlation, fitting, least):
        if hot.size > _MOST_WINDOWS:
            best = np.argpartition(-np.abs(score), _MOST_WINDOWS)[:_MOST_WINDOWS]
            hot, score = hot[best], score[best]
        found += [Window(first, width, own) for first, own in zip(hot.tolist(), score.tolist(), strict=True)]
    found.sort(key=lambda window: -abs(window.score))
    best_first: list[Window] = []
    taken = np.zeros(ratio.size, dtype=bool)
    for window in found:
        if not taken[window.first : window.last].any():
            taken[window.first : window.last] = True
            best_first.append(window)
    return best_first


def find_edges(y: FloatArray, variance: float, correlation: FloatArray, widths: list[int], least: float) -> list[int]:
    """Return points at which the level steps: moving-sum statistics, fine scales first (MOSUM, bottom-up merging).

    References
    ----------
    .. [1] Moving-sum segmentation with bottom-up merging: Messer et al. 2014 (from memory).
    """
    n, compiled = y.size, loops()
    inflations = window_inflation(correlation, np.array(widths, dtype=np.float64))
    if compiled is not None:
        return [int(at) for at in compiled.edges_found(y, variance, inflations, np.array(widths, dtype=np.intp), least)]
    total = running(y)
    edges: list[int] = []
    for width, inflation in zip(widths, inflations.tolist(), strict=True):
        if 2 * width >= n:
            break
        mean = (total[width:] - total[:-width]) / width
        step = mean[width:] - mean[:-width]  # between [k, k+w) and [k+w, k+2w)
        size = np.abs(step) / math.sqrt(2.0 * variance * inflation / width)
        reach = max(1, width // 2)
        hot = np.flatnonzero((size > least) & (size >= maximum_filter1d(size, 2 * reach + 1)))
        order = hot[np.argsort(-size[hot])]
        blocked = np.zeros(n + 1, dtype=bool)
        margin = max(1, round(0.6 * width))
        for old in edges:
            blocked[max(0, old - margin) : old + margin + 1] = True
        for k in order:
            at = int(k) + width
            if blocked[at]:
                continue
            edges.append(at)
            blocked[max(0, at - margin) : at + margin + 1] = True
    return sorted(edges)
