"""Symmetric positive systems whose parameters can be laid out along the frequency axis, so that the matrix is a band.

A carrier shares information only with what it overlaps. Ordered by frequency, carriers and floor coefficients give a
narrow band, and the cost of a step grows with the number of parameters instead of its cube.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy.linalg import lapack

from spectra.units import FloatArray

__all__ = ["evidence", "inverse", "solve_damped"]

_RIDGE = 1e-9


def _bandwidth(matrix: FloatArray) -> int:
    """Return the distance of the farthest entry from the diagonal."""
    last = matrix.shape[0] - 1 - np.argmax(matrix[:, ::-1] != 0.0, axis=1)
    return int(np.max(last - np.arange(matrix.shape[0])))


def _band(matrix: FloatArray, width: int) -> FloatArray:
    """Return the lower band form of a symmetric matrix, columns contiguous (as LAPACK wants it)."""
    n = matrix.shape[0]
    wide = np.zeros((n, n + width))
    wide[:, :n] = matrix
    step = wide.itemsize
    return np.asfortranarray(as_strided(wide, (n, width + 1), (step * (n + width) + step, step)).T)


def _factor_and_solve(scaled: FloatArray, right: FloatArray) -> tuple[FloatArray, float]:
    """Return the solution and ln of the determinant; raises LinAlgError where the matrix is not positive."""
    band = _band(scaled, _bandwidth(scaled))
    for _ in range(5):
        factor, solution, info = lapack.dpbsv(band, right, lower=1)
        if info == 0:
            return solution, 2.0 * float(np.log(factor[0]).sum())
        band[0] += 100.0 * (band[0] - np.minimum(band[0], 1.0)) + 1e-7  # two parameters do the same: stiffen
    raise np.linalg.LinAlgError("information matrix not positive")


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
    scaled = matrix[order][:, order] * scale[:, None] * scale
    scaled[np.diag_indices(order.size)] = 1.0 + damping + _RIDGE
    result = np.empty(right.size)
    result[order] = _factor_and_solve(scaled, right[order] * scale)[0] * scale
    return result


def inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverse of an information matrix, scaled so that units do not matter."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-12))
    scaled = matrix * scale[:, None] * scale
    scaled[np.diag_indices(scaled.shape[0])] += _RIDGE
    return np.asarray(np.linalg.inv(scaled) * scale[:, None] * scale)


def evidence(
    known: FloatArray,
    pull: FloatArray,
    penalty: FloatArray,
    beta: FloatArray,
    strengths: FloatArray,
    position: FloatArray,
) -> FloatArray:
    """Return ln(marginal likelihood) of penalty strengths, up to a constant (Laplace's approximation).

    Parameters
    ----------
    known, pull : ndarray, shape (p, p) and (p,)
        Information and gradient of the likelihood alone, at the present parameters; the last ``m`` are the floor's.
    penalty, beta : ndarray, shape (m, m) and (m,)
        Penalty of rank m - 2 and the floor's present coefficients.
    strengths : ndarray
        Strengths to judge.
    position : ndarray, shape (p,)
        Where each parameter lies.
    """
    m = beta.size
    order = np.argsort(position, kind="stable")
    padded = np.zeros_like(known)
    padded[-m:, -m:] = penalty
    base, rough = known[order][:, order], padded[order][:, order]
    bend = np.zeros(pull.size)
    bend[-m:] = penalty @ beta
    values = np.empty(strengths.size)
    for k, strength in enumerate(strengths):
        matrix = base + strength * rough
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-12))
        scaled = matrix * scale[:, None] * scale
        scaled[np.diag_indices(scaled.shape[0])] = 1.0 + _RIDGE
        right = (pull - strength * bend)[order] * scale
        solution, determinant = _factor_and_solve(scaled, right)
        determinant -= 2.0 * float(np.log(scale).sum())
        gain = 0.5 * float(right @ solution) - 0.5 * strength * float(beta @ bend[-m:])
        values[k] = 0.5 * (m - 2) * np.log(strength) - 0.5 * determinant + gain
    return values
