"""Solving a band, compiled: `spectra.measure.linear.Band` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops_special import compiled

__all__ = ["firm", "solved", "times"]

_RIDGE = 1e-9
_RIDGES = (0.0, 1e-7, 1e-5, 1e-3, 1e-1, 10.0)  # as in `spectra.measure.linear`


@compiled
def solved(lower, place, right, free, damping, ridge):
    """Return solution and ln(determinant) of a band, as `spectra.measure.linear.Band.solve`; whether it was positive.

    `damping` is by row; the factorisation is that of Cholesky, column by column.
    """
    q, width = lower.shape
    scale = np.empty(q)
    for c in range(q):
        scale[c] = 1.0 / math.sqrt(max(lower[c, 0], 1e-12))
    for j in range(q):
        if not free[j]:
            scale[place[j]] = 0.0
    factor = np.zeros((q, width))
    line = np.empty(q)
    for j in range(q):
        line[place[j]] = right[j] * scale[place[j]]
    for c in range(q):
        reach = min(width, q - c)
        factor[c, 0] = 1.0 + scale[c] * scale[c] * damping[c] + ridge
        for r in range(1, reach):
            factor[c, r] = lower[c, r] * scale[c] * scale[c + r]
    determinant = 0.0
    for c in range(q):
        pivot = factor[c, 0]
        if not pivot > 0.0:
            return line, 0.0, False
        pivot = math.sqrt(pivot)
        determinant += math.log(pivot)
        reach = min(width, q - c)
        factor[c, 0] = pivot
        inverse = 1.0 / pivot
        for r in range(1, reach):
            factor[c, r] *= inverse
        line[c] *= inverse
        value = line[c]
        for r in range(1, reach):
            own = factor[c, r]
            if own != 0.0:
                line[c + r] -= own * value
                for s in range(r, reach):
                    factor[c + r, s - r] -= own * factor[c, s]
    for c in range(q - 1, -1, -1):
        value = line[c]
        for r in range(1, min(width, q - c)):
            value -= factor[c, r] * line[c + r]
        line[c] = value / factor[c, 0]
    out = np.empty(q)
    for c in range(q):
        if scale[c] > 0.0:
            determinant -= math.log(scale[c])
        line[c] *= scale[c]
    for j in range(q):
        out[j] = line[place[j]]
    return out, 2.0 * determinant, True


@compiled
def times(lower, place, vector):
    """Return the product of a band with a vector, both by parameter."""
    q, width = lower.shape
    line, product, out = np.empty(q), np.zeros(q), np.empty(q)
    for j in range(q):
        line[place[j]] = vector[j]
    for c in range(q):
        product[c] += lower[c, 0] * line[c]
        for r in range(1, min(width, q - c)):
            product[c + r] += lower[c, r] * line[c]
            product[c] += lower[c, r] * line[c + r]
    for j in range(q):
        out[j] = product[place[j]]
    return out


@compiled
def firm(lower, place, right, free, damping):
    """Return the solution with as little stiffening as it takes."""
    for ridge in _RIDGES:
        step, _, positive = solved(lower, place, right, free, damping, _RIDGE + ridge)
        if positive:
            return step
    raise np.linalg.LinAlgError("information matrix not positive")
