"""Solving a band, compiled: `spectra.measure.linear.Band` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.special import Flags, Index, compiled
from spectra.units import FloatArray

__all__ = ["firm", "inverse_within", "solved", "solved_at_each", "stiffened", "times"]

_RIDGE = 1e-9
_RIDGES = (0.0, 1e-7, 1e-5, 1e-3, 1e-1, 10.0)  # as in `spectra.measure.linear`


@compiled
def _take_away(factor: FloatArray, c: int, r: int, reach: int) -> None:
    """Take from column `c` + `r` what column `c` holds of it; indices without a sign, so that several go at once."""
    column, row, first = np.uintp(c), np.uintp(c + r), np.uintp(r)
    own = factor[column, first]
    for s in range(np.uintp(reach - r)):
        factor[row, s] -= own * factor[column, first + s]


@compiled
def _factor(
    lower: FloatArray, place: Index, free: Flags, damping: FloatArray, ridge: float
) -> tuple[FloatArray, FloatArray, bool]:
    """Return what brings the diagonal to 1, Cholesky's factor as a band, and whether the matrix was positive.

    `damping` is by row.
    """
    q, width = lower.shape
    scale, factor = np.empty(q), np.zeros((q, width))
    for c in range(q):
        scale[c] = 1.0 / math.sqrt(max(lower[c, 0], 1e-12))
    for j in range(q):
        if not free[j]:
            scale[place[j]] = 0.0
    for c in range(q):
        factor[c, 0] = 1.0 + scale[c] * scale[c] * damping[c] + ridge
        for r in range(1, min(width, q - c)):
            factor[c, r] = lower[c, r] * scale[c] * scale[c + r]
    for c in range(q):
        if not factor[c, 0] > 0.0:
            return scale, factor, False
        reach = min(width, q - c)
        factor[c, 0] = math.sqrt(factor[c, 0])
        inverse = 1.0 / factor[c, 0]
        for r in range(1, reach):
            factor[c, r] *= inverse
        for r in range(1, reach):
            if factor[c, r] != 0.0:
                _take_away(factor, c, r, reach)
    return scale, factor, True


@compiled
def solved(
    lower: FloatArray, place: Index, right: FloatArray, free: Flags, damping: FloatArray, ridge: float
) -> tuple[FloatArray, float, bool]:
    """Return solution and ln(determinant) of the free part, and whether the matrix was positive."""
    q, width = lower.shape
    scale, factor, positive = _factor(lower, place, free, damping, ridge)
    out = np.zeros(q)
    if not positive:
        return out, 0.0, False
    line = np.empty(q)
    for j in range(q):
        line[place[j]] = right[j] * scale[place[j]]
    determinant = 0.0
    for c in range(q):
        line[c] /= factor[c, 0]
        for r in range(1, min(width, q - c)):
            line[c + r] -= factor[c, r] * line[c]
        determinant += math.log(factor[c, 0])
        if scale[c] > 0.0:
            determinant -= math.log(scale[c])
    for c in range(q - 1, -1, -1):
        value = line[c]
        for r in range(1, min(width, q - c)):
            value -= factor[c, r] * line[c + r]
        line[c] = value / factor[c, 0]
    for j in range(q):
        out[j] = line[place[j]] * scale[place[j]]
    return out, 2.0 * determinant, True


@compiled
def times(lower: FloatArray, place: Index, vector: FloatArray) -> FloatArray:
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
def firm(lower: FloatArray, place: Index, right: FloatArray, free: Flags, damping: FloatArray) -> FloatArray:
    """Return the solution with as little stiffening as it takes."""
    for ridge in _RIDGES:
        step, _, positive = solved(lower, place, right, free, damping, _RIDGE + ridge)
        if positive:
            return step
    raise np.linalg.LinAlgError("information matrix not positive")


@compiled
def stiffened(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Return the solution of a small symmetric system, slightly stiffened, as `spectra.measure.response` does."""
    q = right.size
    scale, factor, out = np.empty(q), np.empty((q, q)), np.empty(q)
    for a in range(q):
        scale[a] = 1.0 / math.sqrt(max(matrix[a, a], 1e-12))
    for a in range(q):  # L and D of L D L', D on the diagonal
        factor[a, a] = 1.0 + 1e-7
        for b in range(a):
            total = matrix[a, b] * scale[a] * scale[b]
            for c in range(b):
                total -= factor[a, c] * factor[c, c] * factor[b, c]
            factor[a, b] = total / factor[b, b]
            factor[a, a] -= factor[a, b] * total
        out[a] = scale[a] * right[a]
        for b in range(a):
            out[a] -= factor[a, b] * out[b]
    for a in range(q - 1, -1, -1):
        out[a] /= factor[a, a]
        for b in range(a + 1, q):
            out[a] -= factor[b, a] * out[b]
    for a in range(q):
        out[a] *= scale[a]
    return out


@compiled
def solved_at_each(
    lower: FloatArray,
    rough: FloatArray,
    place: Index,
    right: FloatArray,
    pull: FloatArray,
    free: Flags,
    more: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return solutions, shape (m, q), and ln(determinants) of a band with `more` times another added, m times.

    The right side loses `more` times `pull`, where that is not nought.
    """
    out, determinants = np.zeros((more.size, right.size)), np.zeros(more.size)
    none = np.zeros(right.size)
    for j in range(more.size):
        for ridge in _RIDGES:
            found, determinant, positive = solved(
                lower + more[j] * rough, place, right - more[j] * pull, free, none, _RIDGE + ridge
            )
            if positive:
                out[j], determinants[j] = found, determinant
                break
        if not positive:
            raise np.linalg.LinAlgError("information matrix not positive")
    return out, determinants


@compiled
def inverse_within(lower: FloatArray, place: Index, free: Flags, ridge: float) -> tuple[FloatArray, bool]:
    """Return the inverse by parameter where the band has entries, 0 elsewhere and where a parameter is not free.

    Whether it is one comes with it: the recurrence loses digits where a matrix is near to singular, which the product
    with the matrix shows. The recurrence over the columns of the factor is that of
    K. Takahashi, J. Fagan and M. S. Chen 1973 (from memory).
    """
    q, width = lower.shape
    out = np.zeros((q, q))
    scale, factor, positive = _factor(lower, place, free, np.zeros(q), ridge)
    if not positive:
        return out, False
    within = np.zeros((q, width))  # [c, r]: entry of column c and row c + r
    for c in range(q - 1, -1, -1):
        reach = min(width, q - c)
        inverse = 1.0 / factor[c, 0]
        for r in range(reach - 1, -1, -1):
            total = inverse if r == 0 else 0.0
            for s in range(1, reach):
                if r >= s:
                    total -= factor[c, s] * within[c + s, r - s]
                else:
                    total -= factor[c, s] * within[c + r, s - r]
            within[c, r] = total * inverse
    for c in range(q):  # the diagonal of the product, of which the band holds every term
        product = (1.0 + ridge) * within[c, 0]
        for r in range(1, min(width, q - c)):
            product += lower[c, r] * scale[c] * scale[c + r] * within[c, r]
        for r in range(1, min(width, c + 1)):
            product += lower[c - r, r] * scale[c - r] * scale[c] * within[c - r, r]
        if not abs(product - 1.0) < 1e-6 or not within[c, 0] > 0.0:
            return out, False
    for j in range(q):
        for i in range(q):
            low, high = min(place[i], place[j]), max(place[i], place[j])
            if high - low < width:
                out[i, j] = within[low, high - low] * scale[low] * scale[high]
    return out, True
