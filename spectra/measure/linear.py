"""Symmetric positive systems whose parameters can be laid out along the frequency axis, so that the matrix is a band.

A carrier shares information only with what it overlaps. Ordered by frequency, carriers and floor coefficients give a
narrow band, and the cost of a step grows with the number of parameters instead of its cube.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy import linalg

from spectra.units import FloatArray

__all__ = ["evidence", "inverse", "solve_damped"]


def _bandwidth(matrix: FloatArray) -> int:
    """Return the distance of the farthest entry from the diagonal."""
    last = matrix.shape[0] - 1 - np.argmax(matrix[:, ::-1] != 0.0, axis=1)
    return int(np.max(last - np.arange(matrix.shape[0])))


def _band(matrix: FloatArray, width: int) -> FloatArray:
    """Return the lower band form of a symmetric matrix."""
    n = matrix.shape[0]
    wide = np.zeros((n, n + width))
    wide[:, :n] = matrix
    step = wide.itemsize
    return np.ascontiguousarray(as_strided(wide, (n, width + 1), (step * (n + width) + step, step)).T)


def solve_damped(
    matrix: FloatArray, right: FloatArray, damping: float, position: FloatArray | None = None
) -> FloatArray:
    """Return the solution of ``(matrix + damping * diag(matrix)) s = right``.

    Parameters
    ----------
    matrix : ndarray, shape (p, p)
    right : ndarray, shape (p,)
    position : ndarray, shape (p,), optional
        Where each parameter lies; parameters far apart do not meet.
    """
    order: NDArray[np.intp] = np.arange(right.size) if position is None else np.argsort(position, kind="stable")
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-12))[order]
    scaled = matrix[np.ix_(order, order)] * scale[:, None] * scale
    scaled[np.diag_indices(order.size)] = 1.0 + damping + 1e-9
    result = np.empty(right.size)
    width = _bandwidth(scaled)
    if width > 0.4 * order.size:
        solution = linalg.solve(scaled, right[order] * scale, assume_a="pos", check_finite=False)
    else:
        solution = linalg.solveh_banded(_band(scaled, width), right[order] * scale, lower=True, check_finite=False)
    result[order] = solution * scale
    return result


def inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverse of an information matrix, scaled so that units do not matter; weak directions stay uncertain."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-12))
    scaled = matrix * scale[:, None] * scale
    scaled[np.diag_indices(scaled.shape[0])] += 1e-9
    return np.asarray(np.linalg.inv(scaled) * scale[:, None] * scale)


def evidence(known: FloatArray, penalty: FloatArray, right: FloatArray, strengths: FloatArray) -> FloatArray:
    """Return ln(marginal likelihood) of penalty strengths, up to a constant.

    Parameters
    ----------
    known : ndarray, shape (m, m)
        Information about the coefficients, everything else profiled out.
    penalty : ndarray, shape (m, m)
        Of rank m - 2.
    right : ndarray, shape (m,)
        ``known`` times the coefficients that the likelihood alone would choose.
    strengths : ndarray
        Strengths to judge.
    """
    # In the basis where both forms are diagonal every strength costs m operations.
    m = right.size
    ridge = known + (strengths[0] * 1e-2) * penalty
    ridge[np.diag_indices(m)] += 1e-9 * max(1.0, float(np.trace(ridge)) / m)
    values, vectors = linalg.eigh(penalty, ridge, check_finite=False)
    values = np.maximum(values, 0.0)
    squared = (vectors.T @ right) ** 2
    weight = 1.0 + np.maximum(strengths[:, None] - strengths[0] * 1e-2, 0.0) * values
    return np.asarray(
        0.5 * (m - 2) * np.log(strengths) - 0.5 * np.log(weight).sum(axis=1) + 0.5 * (squared / weight).sum(axis=1)
    )
