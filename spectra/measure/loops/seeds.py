"""First guesses of carriers, compiled: `spectra.measure.seeds` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.special import Index, compiled
from spectra.measure.scene import BENDS, CW, RC
from spectra.units import FloatArray

__all__ = ["guessed", "medians"]


@compiled
def medians(values: FloatArray, bounds: Index) -> FloatArray:
    """Return the median of the values between each two bounds."""
    out = np.empty(bounds.size - 1)
    for k in range(out.size):
        out[k] = np.median(values[bounds[k] : bounds[k + 1]])
    return out


@compiled
def guessed(
    x: FloatArray, floor: FloatArray, relative: FloatArray, smooth: FloatArray, first: Index, last: Index, rbw: float
) -> tuple[Index, FloatArray]:
    """Return kinds, and parameters (k, 4 + BENDS), of a guess for each stretch of points, as `seeds` does."""
    n = smooth.size
    kind, theta = np.empty(first.size, np.intp), np.zeros((first.size, 4 + BENDS))
    for k in range(first.size):
        a, b = first[k], last[k]
        if b - a <= max(3.0, 2.5 * rbw):
            low = max(0, a - 1)
            peak = low + int(np.argmax(smooth[low : min(n, b + 1)]))
            kind[k] = CW
            theta[k, 0], theta[k, 1], theta[k, 2] = x[peak], x[peak], 0.0
            theta[k, 3] = floor[peak] + math.log(max(smooth[peak] - 1.0, 1e-2))
            continue
        skip = (b - a) // 5
        height = max(np.median(smooth[a + skip : max(b - skip, a + skip + 1)]) - 1.0, 1e-2)
        left, right = _half_power(relative, math.log(1.0 + 0.5 * height), a, b)
        kind[k] = RC
        theta[k, 0], theta[k, 1], theta[k, 2] = x[left] - 0.5, x[right - 1] + 0.5, 0.2
        theta[k, 3] = floor[(a + b - 1) // 2] + math.log(height)
    return kind, theta


@compiled
def _half_power(relative: FloatArray, half: float, a: int, b: int) -> tuple[int, int]:
    n, middle, reach = relative.size, (a + b) // 2, max(3, round(0.35 * (b - a)))
    low, high = max(0, a - reach), min(n, b + reach)
    left, right, total, most = low, middle, 0.0, 0.0
    for i in range(low, middle):
        total += min(max(relative[i] - half, -1.0), 1.0)
        if total < most:
            left, most = i + 1, total
    total, most = 0.0, 0.0
    for i in range(middle, high):
        total += min(max(relative[i] - half, -1.0), 1.0)
        if total > most:
            right, most = i + 1, total
    if left <= low or (a > 3 and relative[max(0, a - 4) : a].min() > half):
        left = a
    if right >= high or (b < n - 3 and relative[b : b + 4].min() > half):
        right = b
    if right - left >= 0.4 * (b - a):
        return left, right
    return a, b
