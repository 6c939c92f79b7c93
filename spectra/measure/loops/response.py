"""A transponder's response, compiled: the sums of `spectra.measure.response` number by number."""

from __future__ import annotations

import numpy as np

from spectra.measure.loops.special import Index, compiled
from spectra.measure.scene import BENDS
from spectra.units import FloatArray

__all__ = ["response_at", "response_sums"]

_SMOOTH_REACH = 1.4  # as in `spectra.measure.model`


@compiled
def _bends_at(u: float, out: FloatArray) -> None:
    """Put the polynomials of `spectra.measure.model.bends` at `u` into `out`."""
    beyond = min(max(u, -_SMOOTH_REACH), _SMOOTH_REACH)
    inside = min(max(u, -1.0), 1.0)
    one, two = 1.0, inside
    for j in range(1, BENDS):  # Bonnet's recurrence
        one, two = two, ((2 * j + 1) * inside * two - j * one) / (j + 1)
        out[j] = two
    out[0], out[1] = beyond, 1.5 * beyond * beyond - 0.5


@compiled
def response_at(theta: FloatArray, u: float, room: FloatArray) -> float:
    """Return ln of a carrier's response at `u`; `room` holds BENDS numbers."""
    _bends_at(u, room)
    total = 0.0
    for j in range(BENDS):
        total += theta[4 + j] * room[j]
    return total


@compiled
def response_sums(
    x: FloatArray,
    jacobian: FloatArray,
    weight: FloatArray,
    misfit: FloatArray,
    theta: FloatArray,
    first: Index,
    last: Index,
    start: Index,
    which: Index,
) -> tuple[FloatArray, FloatArray]:
    """Return information (n, q, q) and gradient (n, q) of some carriers' own parameters and terms, without priors."""
    size = 4 + BENDS
    matrix, gradient = np.zeros((which.size, size, size)), np.zeros((which.size, size))
    row, room = np.empty(size), np.empty(BENDS)
    for j in range(which.size):
        k = which[j]
        left, right = theta[k, 0], theta[k, 1]
        for i in range(first[k], last[k]):
            p = start[k] + i - first[k]
            for a in range(4):
                row[a] = jacobian[a, p]
            _bends_at((2.0 * x[i] - left - right) / (right - left), room)
            for a in range(BENDS):
                row[4 + a] = room[a] * row[3]
            for a in range(size):
                value = weight[i] * row[a]
                gradient[j, a] += value * misfit[i]
                for b in range(a + 1):
                    matrix[j, a, b] += value * row[b]
        for a in range(size):
            for b in range(a):
                matrix[j, b, a] = matrix[j, a, b]
    return matrix, gradient
