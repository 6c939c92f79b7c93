"""Floors, edges and steps, compiled: what `floor`, `detect`, `profile` and `questions` do, number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.linear import solved
from spectra.measure.loops.special import Index, compiled
from spectra.units import FloatArray

__all__ = ["best_cut", "edges_found", "floor_fitted", "hull_under", "line_through", "mixture_intervals"]


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
    lower = np.zeros((size, 4))
    for d in range(4):
        for c in range(size - d):
            lower[c, d] = strength * penalty[d, c]
    for i in range(n):
        for a in range(4):
            for d in range(4 - a):
                lower[interval[i] + a, d] += weight[i] * values[a, i] * values[a + d, i]
    ridge = 1e-9 * (1.0 + lower.max())
    for c in range(size):
        lower[c, 0] += ridge
    place, free, none = np.arange(size), np.ones(size, np.bool_), np.zeros(size)
    beta = beta.copy()
    for _ in range(rounds):
        right = np.zeros(size)
        for i in range(n):
            level = 0.0
            for a in range(4):
                level += values[a, i] * beta[interval[i] + a]
            u = min(max((y[i] - level - offset) / scale, -40.0), 40.0)
            pull = weight[i] * scale * (min(math.exp(u), 20.0) - 1.0)
            for a in range(4):
                right[interval[i] + a] += pull * values[a, i]
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
def edges_found(y: FloatArray, variance: float, inflations: FloatArray, widths: Index, least: float) -> Index:
    """Return the points at which the level steps, as `spectra.measure.detect.find_edges`."""
    n = y.size
    total = np.zeros(n + 1)
    for i in range(n):
        total[i + 1] = total[i] + y[i]
    edge, blocked = np.zeros(n + 1, np.bool_), np.empty(n + 1, np.bool_)
    for which in range(widths.size):
        width = widths[which]
        if 2 * width >= n:
            break
        count = n + 1 - 2 * width
        size, hot = np.empty(count), np.empty(count, np.bool_)
        share = 1.0 / (width * math.sqrt(2.0 * variance * inflations[which] / width))
        for k in range(count):
            size[k] = abs(total[k + 2 * width] - 2.0 * total[k + width] + total[k]) * share
        reach, margin = max(1, width // 2), max(1, round(0.6 * width))
        blocked[:] = False
        for old in range(n + 1):
            if edge[old]:
                blocked[max(0, old - margin) : old + margin + 1] = True
        for k in range(count):
            hot[k] = size[k] > least
            step = 1
            while hot[k] and step <= reach:  # most have a greater one close by
                hot[k] = size[k] >= size[max(k - step, 0)] and size[k] >= size[min(k + step, count - 1)]
                step += 1
        found = np.flatnonzero(hot)
        for k in found[np.argsort(-size[found])]:
            at = k + width
            if not blocked[at]:
                edge[at] = True
                blocked[max(0, at - margin) : at + margin + 1] = True
    return np.flatnonzero(edge)


@compiled
def best_cut(total: FloatArray, weight: FloatArray, low: int, high: int) -> tuple[int, float, float]:
    """Return where the two sides of a stretch differ most, the score of that, and the step from left to right."""
    cut, most, best_step = low, -1.0, 0.0
    for k in range(low + 3, high - 3):
        before, after = weight[k] - weight[low], weight[high] - weight[k]
        step = (total[high] - total[k]) / after - (total[k] - total[low]) / before
        score = abs(step) * math.sqrt(before * after / (before + after))
        if score > most:
            cut, most, best_step = k, score, step
    return cut, most, best_step


@compiled
def mixture_intervals(
    values: FloatArray, std: FloatArray, weight: FloatArray, low: FloatArray, high: FloatArray, share: float
) -> FloatArray:
    """Return the central intervals of mixtures of normal laws, a row each, by Newton's steps within brackets."""
    out = np.empty((len(values), 2))
    for k in range(len(values)):
        for end in range(2):
            wanted = 0.5 * (1.0 - share) if end == 0 else 0.5 * (1.0 + share)
            below, above = low[k], high[k]
            place = 0.75 * below + 0.25 * above if end == 0 else 0.25 * below + 0.75 * above
            for _ in range(40):
                reached, density = 0.0, 0.0
                for j in range(values.shape[1]):
                    if weight[k, j] > 0.0:
                        u = (place - values[k, j]) / std[k, j]
                        reached += weight[k, j] * 0.5 * math.erfc(-u * math.sqrt(0.5))
                        density += weight[k, j] * math.exp(-0.5 * u * u) / std[k, j]
                if reached < wanted:
                    below = place
                else:
                    above = place
                step = (wanted - reached) / max(density * 0.3989422804014327, 1e-300)
                middle = 0.5 * (below + above)
                place = place + step if below < place + step < above else middle
                if abs(step) < 1e-6 * (high[k] - low[k]):
                    break
            out[k, end] = place
    return out
