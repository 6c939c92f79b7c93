"""Information and gradient, compiled: see `spectra.measure.information`."""

from __future__ import annotations

import numpy as np

from spectra.measure.loops.model import At, Points
from spectra.measure.loops.special import Index, compiled, summing
from spectra.units import FloatArray

__all__ = ["add_to", "gradient", "information"]


@compiled
def add_to(lower: FloatArray, one: int, two: int, value: float) -> None:
    """Add to the entry of two rows of a band."""
    lower[min(one, two), abs(one - two)] += value


@summing
def _product(
    weight: FloatArray,
    low: int,
    high: int,
    one: FloatArray,
    a: int,
    from_one: int,
    two: FloatArray,
    b: int,
    from_two: int,
) -> float:
    """Return the sum over points of weight times rows `a` and `b` of two matrices, each from where it begins.

    Indices without a sign: the compiler need not ask whether they count from the end, and takes several at once.
    """
    i, j, k, p, q = np.uintp(low), np.uintp(low + from_one), np.uintp(low + from_two), np.uintp(a), np.uintp(b)
    total = 0.0
    for s in range(np.uintp(max(high - low, 0))):
        total += weight[i + s] * one[p, j + s] * two[q, k + s]
    return total


@compiled
def _end_of_interval(interval: Index, i: int, stop: int) -> int:
    """Return one past the last point before `stop` that lies in the same knot interval as point `i`."""
    end = i + 1
    while end < stop and interval[end] == interval[i]:
        end += 1
    return end


@compiled
def information(
    points: Points, at: At, first: Index, last: Index, start: Index, place: Index, width: int
) -> FloatArray:
    """Return the information of the points as a band, shape (size, width)."""
    values, interval = points[5], points[6]
    jacobian, weight, by_noise = at[1], at[6], at[8]
    lower = np.zeros((place.size, width))
    k, n = first.size, weight.size
    fitted_floor = place.size > 4 * k
    shared_weight = weight * by_noise
    floor_weight = shared_weight * by_noise
    for j in range(k):
        own = start[j] - first[j]
        for a in range(4):
            for b in range(a + 1):
                value = _product(weight, first[j], last[j], jacobian, a, own, jacobian, b, own)
                add_to(lower, place[4 * j + a], place[4 * j + b], value)
        for other in range(j + 1, k):
            low, high, their = max(first[j], first[other]), min(last[j], last[other]), start[other] - first[other]
            if high <= low:
                continue
            for a in range(4):
                for b in range(4):
                    value = _product(weight, low, high, jacobian, a, own, jacobian, b, their)
                    add_to(lower, place[4 * j + a], place[4 * other + b], value)
        i = first[j]
        while fitted_floor and i < last[j]:
            knot, end = interval[i], _end_of_interval(interval, i, last[j])
            for a in range(4):
                for b in range(4):
                    value = _product(shared_weight, i, end, jacobian, a, own, values, b, 0)
                    add_to(lower, place[4 * j + a], place[4 * k + knot + b], value)
            i = end
    i = 0
    while fitted_floor and i < n:
        knot, end = interval[i], _end_of_interval(interval, i, n)
        for a in range(4):
            for b in range(a + 1):
                value = _product(floor_weight, i, end, values, a, 0, values, b, 0)
                add_to(lower, place[4 * k + knot + a], place[4 * k + knot + b], value)
        i = end
    return lower


@compiled
def gradient(
    points: Points, at: At, first: Index, last: Index, start: Index, beta: FloatArray, strength: float
) -> FloatArray:
    """Return the gradient of minus the objective, by parameter."""
    values, interval = points[5], points[6]
    jacobian, weight, misfit, by_noise = at[1], at[6].reshape(1, -1), at[7], at[8]
    k, n = first.size, misfit.size
    out = np.zeros(4 * k + beta.size)
    for j in range(k):
        for a in range(4):
            out[4 * j + a] = _product(misfit, first[j], last[j], jacobian, a, start[j] - first[j], weight, 0, 0)
    if beta.size:
        pull, i = misfit * by_noise, 0
        while i < n:
            end = _end_of_interval(interval, i, n)
            for a in range(4):
                out[4 * k + interval[i] + a] += _product(pull, i, end, values, a, 0, weight, 0, 0)
            i = end
        for j in range(beta.size - 2):
            second = strength * (beta[j + 2] - 2.0 * beta[j + 1] + beta[j])
            out[4 * k + j] -= second
            out[4 * k + j + 1] += 2.0 * second
            out[4 * k + j + 2] -= second
    return out
