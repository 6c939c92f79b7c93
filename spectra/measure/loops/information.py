"""Information and gradient, compiled: see `spectra.measure.information`."""

from __future__ import annotations

import numpy as np

from spectra.measure.loops.model import At, Points
from spectra.measure.loops.special import Index, compiled
from spectra.units import FloatArray

__all__ = ["add_to", "gradient", "information"]


@compiled
def add_to(lower: FloatArray, one: int, two: int, value: float) -> None:
    """Add to the entry of two rows of a band."""
    lower[min(one, two), abs(one - two)] += value


@compiled
def information(
    points: Points, at: At, first: Index, last: Index, start: Index, place: Index, width: int
) -> FloatArray:
    """Return the information of the points as a band, shape (size, width)."""
    values, interval = points[5], points[6]
    jacobian, weight, by_noise = at[1], at[6], at[8]
    lower = np.zeros((place.size, width))
    k, fitted_floor = first.size, place.size > 4 * first.size
    shared = np.empty((4, 4))
    for j in range(k):
        shared[:] = 0.0
        for p in range(start[j], start[j + 1]):
            w = weight[first[j] + p - start[j]]
            for a in range(4):
                wa = w * jacobian[a, p]
                for b in range(a + 1):
                    shared[a, b] += wa * jacobian[b, p]
        for a in range(4):
            for b in range(a + 1):
                add_to(lower, place[4 * j + a], place[4 * j + b], shared[a, b])
        for other in range(j + 1, k):
            low, high = max(first[j], first[other]), min(last[j], last[other])
            if high <= low:
                continue
            shared[:] = 0.0
            own, their = start[j] - first[j], start[other] - first[other]
            for i in range(low, high):
                for a in range(4):
                    wa = weight[i] * jacobian[a, own + i]
                    for b in range(4):
                        shared[a, b] += wa * jacobian[b, their + i]
            for a in range(4):
                for b in range(4):
                    add_to(lower, place[4 * j + a], place[4 * other + b], shared[a, b])
        if not fitted_floor:
            continue
        i = first[j]
        while i < last[j]:
            knot = interval[i]
            shared[:] = 0.0
            while i < last[j] and interval[i] == knot:
                w = weight[i] * by_noise[i]
                for a in range(4):
                    wa = w * jacobian[a, start[j] + i - first[j]]
                    for b in range(4):
                        shared[a, b] += wa * values[b, i]
                i += 1
            for a in range(4):
                for b in range(4):
                    add_to(lower, place[4 * j + a], place[4 * k + knot + b], shared[a, b])
    if fitted_floor:
        i = 0
        while i < weight.size:
            knot = interval[i]
            shared[:] = 0.0
            while i < weight.size and interval[i] == knot:
                w = weight[i] * by_noise[i] * by_noise[i]
                for a in range(4):
                    for b in range(a + 1):
                        shared[a, b] += w * values[a, i] * values[b, i]
                i += 1
            for a in range(4):
                for b in range(a + 1):
                    add_to(lower, place[4 * k + knot + a], place[4 * k + knot + b], shared[a, b])
    return lower


@compiled
def gradient(
    points: Points, at: At, first: Index, last: Index, start: Index, beta: FloatArray, strength: float
) -> FloatArray:
    """Return the gradient of minus the objective, by parameter."""
    values, interval = points[5], points[6]
    jacobian, weight, misfit, by_noise = at[1], at[6], at[7], at[8]
    k = first.size
    out = np.zeros(4 * k + beta.size)
    for j in range(k):
        for i in range(first[j], last[j]):
            w = weight[i] * misfit[i]
            for a in range(4):
                out[4 * j + a] += w * jacobian[a, start[j] + i - first[j]]
    if beta.size:
        for i in range(weight.size):
            w = weight[i] * misfit[i] * by_noise[i]
            for a in range(4):
                out[4 * k + interval[i] + a] += w * values[a, i]
        for j in range(beta.size - 2):
            second = strength * (beta[j + 2] - 2.0 * beta[j + 1] + beta[j])
            out[4 * k + j] -= second
            out[4 * k + j + 1] += 2.0 * second
            out[4 * k + j + 2] -= second
    return out
