"""Symmetric positive systems whose parameters can be laid out along the frequency axis, so that the matrix is a band.

A carrier shares information only with what it overlaps. Ordered by frequency, carriers and floor coefficients give a
narrow band, and the cost of a step grows with the number of parameters instead of its cube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from spectra.units import FloatArray

__all__ = ["Layout", "evidence", "inverse", "layout", "solve_damped", "solve_narrow"]

_RIDGE = 1e-9


@dataclass(frozen=True, slots=True)
class Layout:
    """Order of parameters along the axis, and where each entry of the lower band lies in the full matrix.

    Attributes
    ----------
    order : ndarray of int, shape (p,)
        Index of each parameter in the full matrix, by position.
    rows, columns : ndarray of int, shape (w + 1, p)
        Indices of the band's entries in the full matrix.
    behind : ndarray of int, shape (w + 1, p)
        Place in `order` of each entry's row, p or more where the band runs out of the matrix.
    clipped : ndarray of int, shape (w + 1, p)
        The same, p - 1 where the band runs out.
    """

    order: NDArray[np.intp]
    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    behind: NDArray[np.intp]
    clipped: NDArray[np.intp]

    def band(self, matrix: FloatArray) -> FloatArray:
        """Return the lower band of a symmetric matrix."""
        band = matrix[self.rows, self.columns]
        band[self.behind >= self.order.size] = 0.0
        return band


def layout(active: NDArray[np.intp], position: FloatArray, low: FloatArray, high: FloatArray) -> Layout:
    """Return the layout of the parameters `active`.

    Parameters
    ----------
    active : ndarray of int, shape (p,)
    position, low, high : ndarray, shape (q,)
        Of all parameters: where each lies, and the positions between which lie all that it shares information with.
    """
    place = np.argsort(position[active], kind="stable")
    order = active[place]
    line = position[order]
    index = np.arange(order.size)
    ahead = np.searchsorted(line, high[order], side="right") - 1 - index
    back = index - np.searchsorted(line, low[order], side="left")
    width = int(min(max(ahead.max(initial=0), back.max(initial=0), 0), order.size - 1))
    behind = index + np.arange(width + 1)[:, None]
    clipped = np.minimum(behind, order.size - 1)
    return Layout(order, order[clipped], np.broadcast_to(order, behind.shape), behind, clipped)


def _factor_and_solve(band: FloatArray, right: FloatArray, damping: float, plan: Layout) -> tuple[FloatArray, float]:
    """Return the solution and ln of the determinant of a band whose diagonal is raised by `damping` of itself."""
    scale = 1.0 / np.sqrt(np.maximum(band[0], 1e-12))
    scaled = band * scale * scale[plan.clipped]
    scaled[0] = 1.0 + damping + _RIDGE
    ridge = 1e-7
    for _ in range(6):
        factor, solution, info = lapack.dpbsv(scaled, right * scale, lower=1)
        if info == 0:
            return solution * scale, 2.0 * float(np.log(factor[0]).sum() - np.log(scale).sum())
        scaled[0] += ridge  # two parameters do the same: stiffen
        ridge *= 100.0
    raise np.linalg.LinAlgError("information matrix not positive")


def solve_damped(band: FloatArray, right: FloatArray, damping: float, plan: Layout) -> FloatArray:
    """Return the solution of ``(matrix + damping * diag(matrix)) s = right``, zero for parameters not in the layout.

    Parameters
    ----------
    band : ndarray, shape (w + 1, p)
        `Layout.band` of the matrix.
    right : ndarray, shape (q,)
        For all parameters.
    """
    result = np.zeros(right.size)
    result[plan.order] = _factor_and_solve(band, right[plan.order], damping, plan)[0]
    return result


def inverse(matrix: FloatArray, plan: Layout) -> FloatArray:
    """Return the inverse of an information matrix, zero for parameters not in the layout.

    By band: no library threads, which on a busy machine cost more than they bring.
    """
    band = plan.band(matrix)
    scale = 1.0 / np.sqrt(np.maximum(band[0], 1e-12))
    scaled = band * scale * scale[plan.clipped]
    scaled[0] = 1.0 + _RIDGE
    ridge = 1e-7
    factor, info = lapack.dpbtrf(scaled, lower=1)
    while info != 0 and ridge < 1.0:
        scaled[0] += ridge
        ridge *= 100.0
        factor, info = lapack.dpbtrf(scaled, lower=1)
    part, _ = lapack.dpbtrs(factor, np.eye(scale.size), lower=1)
    result = np.zeros_like(matrix)
    result[np.ix_(plan.order, plan.order)] = part * scale[:, None] * scale
    return result


def solve_narrow(matrix: FloatArray, right: FloatArray, width: int = 3) -> tuple[FloatArray, float]:
    """Return the solution, and ln of the determinant, of a positive system of so many side diagonals."""
    band = np.zeros((width + 1, right.size))
    for k in range(width + 1):
        band[k, : right.size - k] = np.diagonal(matrix, k)
    factor, solution, info = lapack.dpbsv(band, right, lower=1)
    if info != 0:
        raise np.linalg.LinAlgError("matrix not positive")
    return solution, 2.0 * float(np.log(factor[0]).sum())


def evidence(
    known: FloatArray,
    pull: FloatArray,
    penalty: FloatArray,
    beta: FloatArray,
    strengths: FloatArray,
    plan: Layout,
) -> FloatArray:
    """Return ln(marginal likelihood) of penalty strengths, up to a constant (Laplace's approximation).

    Parameters
    ----------
    known, pull : ndarray, shape (q, q) and (q,)
        Information and gradient of the likelihood alone, at the present parameters; the last ``m`` are the floor's.
    penalty, beta : ndarray, shape (m, m) and (m,)
        Penalty of rank m - 2 and the floor's present coefficients.
    strengths : ndarray
        Strengths to judge.
    plan : Layout
        Of the parameters that are free.
    """
    m = beta.size
    padded = np.zeros_like(known)
    padded[-m:, -m:] = penalty
    base, rough = plan.band(known), plan.band(padded)
    bend = np.zeros(pull.size)
    bend[-m:] = penalty @ beta
    values = np.empty(strengths.size)
    for k, strength in enumerate(strengths):
        right = (pull - strength * bend)[plan.order]
        solution, determinant = _factor_and_solve(base + strength * rough, right, 0.0, plan)
        gain = 0.5 * float(right @ solution) - 0.5 * strength * float(beta @ bend[-m:])
        values[k] = 0.5 * (m - 2) * np.log(strength) - 0.5 * determinant + gain
    return values
