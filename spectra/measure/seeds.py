"""First guesses of carriers: the trace cut at its edges, segments above the floor made into carriers."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.detect import Window, find_edges, ladder
from spectra.measure.scene import CW, RC, Trace, stacked
from spectra.measure.sums import median, running
from spectra.units import FloatArray

__all__ = ["seed_carriers", "seed_stretch", "seed_window"]

_RBW_PER_SIGMA = 2.354820045


def _segments(trace: Trace, edges: list[int]) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the bounds of the segments between edges and their median levels."""
    bounds = np.unique(np.r_[0, edges, trace.x.size]).astype(np.intp)
    compiled = loops()
    if compiled is not None:
        return bounds, np.asarray(compiled.medians(trace.y, bounds))
    return bounds, np.array([median(trace.y[a:b]) for a, b in pairwise(bounds)])


def _real_segments(bounds: NDArray[np.intp], level: FloatArray, rbw: float) -> NDArray[np.bool_]:
    """Say which segments are more than a step on a slope or the gap between two carriers."""
    width = np.diff(bounds)
    real = np.ones(level.size, dtype=bool)
    for j in range(1, level.size - 1):
        before, here, after = level[j - 1], level[j], level[j + 1]
        if before < here < after or before > here > after:
            step = 1 if after > before else -1
            top = j + step  # a slope may be cut into several steps: hold each against the plateau uphill
            while 0 < top < level.size - 1 and level[top + step] > level[top]:
                top += step
            real[j] = width[j] > max(3.0, 3.0 * rbw, 0.4 * width[top])
        elif here < before and here < after:
            real[j] = width[j] > max(4.0, 4.0 * rbw, 0.25 * min(width[j - 1], width[j + 1]))
    return real


def seed_carriers(
    trace: Trace, floor: FloatArray, correlation: FloatArray, least: float, widest: float
) -> tuple[NDArray[np.intp], FloatArray]:
    """Return kinds and parameters of first guesses over a first floor (ln power per point)."""
    rbw = _RBW_PER_SIGMA * trace.sigma
    law = trace.law
    shown = trace.y - law.mean
    edges = find_edges(shown - floor, law.variance, correlation, ladder(max(1.0, 0.7 * rbw), 0.25 * shown.size), least)
    flat = Trace(trace.x, shown - floor, trace.sigma, law, trace.information, trace.basis)
    bounds, level = _segments(flat, edges)
    real = _real_segments(bounds, level, rbw)
    smooth = _smoothed(np.exp(np.minimum(shown - floor, 60.0)), max(1, round(0.5 * rbw)))
    held = np.diff(bounds) / max(1.0, trace.law.information / trace.information)
    which = np.flatnonzero(real & (level >= least * np.sqrt(law.variance / np.maximum(1.0, held))))
    compiled, seen = loops(), (floor, shown - floor, smooth)
    if compiled is not None and which.size:
        kind, theta = compiled.guessed(trace.x, *seen, bounds[which], bounds[which + 1], rbw)
        return kind, theta
    guesses = [_one(trace, *seen, int(bounds[j]), int(bounds[j + 1]), rbw) for j in which]
    return np.array([kind for kind, _ in guesses], dtype=np.intp), stacked([theta for _, theta in guesses])


def seed_stretch(trace: Trace, floor: FloatArray, a: int, b: int) -> tuple[int, FloatArray]:
    """Return kind and parameters of a guess for points a..b-1 over a floor."""
    rbw = _RBW_PER_SIGMA * trace.sigma
    shown = trace.y - trace.law.mean
    smooth = _smoothed(np.exp(np.minimum(shown - floor, 60.0)), max(1, round(0.5 * rbw)))
    kind, theta = _one(trace, floor, shown - floor, smooth, a, b, rbw)
    return kind, np.array(theta)


def _smoothed(values: FloatArray, width: int) -> FloatArray:
    if width < 2:
        return values
    return np.convolve(values, np.full(width, 1.0 / width), mode="same")


def _one(
    trace: Trace, floor: FloatArray, relative: FloatArray, smooth: FloatArray, a: int, b: int, rbw: float
) -> tuple[int, list[float]]:
    """Return one guess from the points a..b-1: half-power crossings and plateau, or a CW where it is narrow."""
    inner = slice(a + (b - a) // 5, max(b - (b - a) // 5, a + (b - a) // 5 + 1))
    middle = (a + b - 1) // 2
    height = median(smooth[inner]) - 1.0
    n = smooth.size
    if b - a <= max(3.0, 2.5 * rbw):
        low, high = max(0, a - 1), min(n, b + 1)
        peak = low + int(np.argmax(smooth[low:high]))
        level = float(floor[peak]) + np.log(max(smooth[peak] - 1.0, 1e-2))
        return CW, [float(trace.x[peak]), float(trace.x[peak]), 0.0, level]
    height = max(height, 1e-2)
    excess = np.clip(relative - np.log(1.0 + 0.5 * height), -1.0, 1.0)
    left, right = _half_power(excess, a, b, max(3, round(0.35 * (b - a))))
    level = float(floor[middle]) + np.log(height)
    return RC, [float(trace.x[left]) - 0.5, float(trace.x[right - 1]) + 0.5, 0.2, level]


def _half_power(excess: FloatArray, a: int, b: int, reach: int) -> tuple[int, int]:
    """Return first point and end of the stretch that lies above half power, as the sums of `excess` best part it.

    `excess` is ln(level) over half power, limited, so that the most likely step is where its running sum turns.
    """
    middle = (a + b) // 2
    low, high = max(0, a - reach), min(excess.size, b + reach)
    rising = running(excess[low:middle])
    falling = running(excess[middle:high])
    left, right = low + int(np.argmin(rising)), middle + int(np.argmax(falling))
    # Where a neighbour of like level follows, the sum does not turn: keep the edge that parted the two.
    if left <= low or (a > 3 and float(excess[max(0, a - 4) : a].min()) > 0.0):
        left = a
    if right >= high or (b < excess.size - 3 and float(excess[b : b + 4].min()) > 0.0):
        right = b
    return (left, right) if right - left >= 0.4 * (b - a) else (a, b)


def seed_window(trace: Trace, eta: FloatArray, window: Window) -> tuple[int, list[float]]:
    """Return a guess for what stands out of the model `eta` in a window."""
    rbw = _RBW_PER_SIGMA * trace.sigma
    here = slice(window.first, window.last)
    shown = np.exp(trace.y[here] - trace.law.mean)
    excess = shown - np.exp(eta[here])
    level = float(np.log(max(excess.mean(), 1e-3 * float(np.exp(eta[here]).mean()))))
    if window.width <= max(2.0, 2.2 * rbw):
        centre = (
            float(trace.x[window.first + int(np.argmax(excess))]) if window.width > 2 else float(trace.x[here].mean())
        )
        return CW, [centre, centre, 0.0, level + 0.2]
    return RC, [float(trace.x[window.first]) - 0.5, float(trace.x[window.last - 1]) + 0.5, 0.2, level]
