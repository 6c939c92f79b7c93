"""Floors and steps, compiled: what `floor` and `questions` do, number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.linear import solved
from spectra.measure.loops.many import exp_of
from spectra.measure.loops.special import Flags, Index, compiled
from spectra.units import FloatArray

__all__ = [
    "best_cuts",
    "floor_fitted",
    "floor_grown",
    "gram_of",
    "hull_under",
    "line_through",
    "raised",
    "spline_at",
    "variance_at",
]


@compiled
def line_through(levels: FloatArray, slopes: FloatArray, band: float, spread: float) -> tuple[float, float]:
    """Return slope and level of the best straight floor, as `spectra.measure.floor.floor_line`.

    `levels`, shape (slopes, n), are those over a line of each slope, rising.
    """
    n = levels.shape[1]
    best, best_row, best_level = -np.inf, 0, 0.0
    for row in range(slopes.size):
        slope, rest = slopes[row], levels[row]
        low, high, under = 0, 0, 0
        price = 0.02 * n * abs(slope)
        for j in range(n):
            while low < n and rest[low] < rest[j] - band:
                low += 1
            while high < n and rest[high] < rest[j] + band:
                high += 1
            while under < n and rest[under] < rest[j] - band - spread:
                under += 1
            score = high - low - 10.0 * under - price
            if score > best:
                best, best_row, best_level = score, row, rest[j]
    rest = levels[best_row]
    return slopes[best_row], np.median(rest[np.abs(rest - best_level) <= band])


@compiled
def hull_under(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the lower convex hull of the points, at every x."""
    hull, size = np.empty(x.size, np.intp), 0
    for k in range(x.size):
        while size > 1:
            i, j = hull[size - 2], hull[size - 1]
            if (y[j] - y[i]) * (x[k] - x[i]) < (y[k] - y[i]) * (x[j] - x[i]):
                break
            size -= 1
        hull[size] = k
        size += 1
    return np.interp(x, x[hull[:size]], y[hull[:size]])


@compiled
def spline_at(values: FloatArray, interval: Index, beta: FloatArray) -> FloatArray:
    """Return the spline at every point, as `spectra.measure.floor.FloorBasis.spline`."""
    level = np.empty(interval.size)
    for i in range(interval.size):
        j = interval[i]
        level[i] = values[0, i] * beta[j] + values[1, i] * beta[j + 1]
        level[i] += values[2, i] * beta[j + 2] + values[3, i] * beta[j + 3]
    return level


@compiled
def gram_of(values: FloatArray, interval: Index, size: int, weight: FloatArray) -> FloatArray:
    """Return the lower diagonals of B' diag(weight) B, as `spectra.measure.floor.FloorBasis.gram`."""
    out = np.zeros((4, size))
    for i in range(weight.size):
        for a in range(4):
            own = weight[i] * values[a, i]
            for d in range(4 - a):
                out[d, interval[i] + a] += own * values[a + d, i]
    return out


@compiled
def variance_at(values: FloatArray, interval: Index, covariance: FloatArray) -> FloatArray:
    """Return the variance at every point, as `spectra.measure.floor.FloorBasis.variance`."""
    out = np.zeros(interval.size)
    for i in range(interval.size):
        j = interval[i]
        for a in range(4):
            for b in range(4):
                out[i] += values[a, i] * values[b, i] * covariance[j + a, j + b]
        out[i] = max(out[i], 0.0)
    return out


@compiled
def floor_fitted(
    values: FloatArray,
    interval: Index,
    penalty: FloatArray,
    y: FloatArray,
    offset: float,
    scale: float,
    weight: FloatArray,
    beta: FloatArray,
    strength: float,
    rounds: int,
) -> FloatArray:
    """Return the spline's coefficients, as `spectra.measure.floor.fit_floor`."""
    size, n = beta.size, y.size
    band = gram_of(values, interval, size, weight) + strength * penalty
    band[0] += 1e-9 * (1.0 + band.max())
    lower = band.T.copy()
    place, free, none = np.arange(size), np.ones(size, np.bool_), np.zeros(size)
    beta = beta.copy()
    for _ in range(rounds):
        pull, right = spline_at(values, interval, beta), np.zeros(size)
        for i in range(n):
            pull[i] = min(max((y[i] - pull[i] - offset) / scale, -40.0), 3.0)
        exp_of(pull, pull)
        for i in range(n):
            force = weight[i] * scale * (min(pull[i], 20.0) - 1.0)
            for a in range(4):
                right[interval[i] + a] += force * values[a, i]
        for j in range(size - 2):
            second = strength * (beta[j + 2] - 2.0 * beta[j + 1] + beta[j])
            right[j] -= second
            right[j + 1] += 2.0 * second
            right[j + 2] -= second
        step, _, positive = solved(lower, place, right, free, none, 0.0)
        if not positive:
            raise np.linalg.LinAlgError("matrix not positive")
        most = 0.0
        for j in range(size):
            beta[j] += min(max(step[j], -2.0), 2.0)
            most = max(most, abs(step[j]))
        if most < 1e-3:
            break
    return beta


@compiled
def raised(above: FloatArray, spread: float, error: float) -> Flags:
    """Say which blocks stand over the floor, as `spectra.measure.floor._raised`."""
    n = above.size
    out, total = np.empty(n, np.bool_), np.zeros(n + 1)
    for i in range(n):
        out[i] = above[i] > 2.5 * spread + 0.5 * error
        total[i + 1] = total[i] + min(max(above[i], -4.0 * spread), 4.0 * spread)
    width = 2
    while width <= n // 3:
        least, end = width * (3.5 * spread / math.sqrt(width) + error), 0
        for i in range(n + 1 - width):
            if total[i + width] - total[i] > least:
                out[max(i, end) : i + width] = True
                end = i + width
        width *= 2
    return out


@compiled
def floor_grown(
    values: FloatArray,
    interval: Index,
    penalty: FloatArray,
    y: FloatArray,
    offset: float,
    scale: float,
    information: float,
    block: int,
    mean: FloatArray,
    taken: Flags,
    beta: FloatArray,
    strength: float,
    spread: float,
    error: float,
) -> FloatArray:
    """Return the floor that grows from the blocks that are taken, as `spectra.measure.floor._grow`.

    `error` is that of a first floor where stretches of blocks are judged as well, negative where they are not.
    """
    count, last = mean.size, y.size - 1
    for k in range(7):
        weight = np.full(y.size, 1e-9)
        for j in range(count):
            if taken[j]:
                weight[j * block : (j + 1) * block] += information
        beta = floor_fitted(values, interval, penalty, y, offset, scale, weight, beta, strength, 3 if k else 6)
        level, above = spline_at(values, interval, beta), np.empty(count)
        for j in range(count):
            above[j] = mean[j] - level[min(j * block + block // 2, last)]
        high = raised(above, spread, error) if error >= 0.0 else above > 2.5 * spread
        again = ~high & (above > -6.0 * spread)
        if np.array_equal(again, taken) or again.sum() < 4:
            break
        taken = again
    return beta


@compiled
def best_cuts(
    total: FloatArray, weight: FloatArray, low: Index, high: Index, asked: Flags, least: float
) -> tuple[Index, FloatArray]:
    """Return where the two sides of each stretch differ most, and by how much, as `spectra.measure.questions` does.

    Not of those that are not `asked`, nor where the score of the step is under `least`: -1 and 0.
    """
    cut, step = np.full(low.size, -1), np.zeros(low.size)
    for j in range(low.size):
        first, last, most = low[j], high[j], 0.0
        for k in range(first + 3, last - 3 if asked[j] else 0):
            before, after = weight[k] - weight[first], weight[last] - weight[k]
            rise = (total[last] - total[k]) / after - (total[k] - total[first]) / before
            score = rise * rise * (before * after / (before + after))
            if score > most:
                most = score
                if score >= least * least:
                    cut[j], step[j] = k, rise
    return cut, step
