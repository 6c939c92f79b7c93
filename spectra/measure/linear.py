"""Symmetric positive systems whose parameters are laid out along the frequency axis, so that the matrix is a band.

A carrier shares information only with what it overlaps. Ordered by frequency, carriers and floor coefficients give a
narrow band, and the cost of a step grows with the number of parameters instead of its cube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, lapack

from spectra.measure.compiled import loops
from spectra.units import FloatArray

__all__ = ["Band", "places", "solve_narrow"]

_RIDGE = 1e-9
_RIDGES = (0.0, 1e-7, 1e-5, 1e-3, 1e-1, 10.0)  # two parameters may do the same: stiffen


@dataclass(frozen=True, slots=True)
class Band:
    """A symmetric matrix whose rows are in the order of the frequency axis.

    Attributes
    ----------
    lower : ndarray, shape (q, w + 1)
        ``lower[c, r]`` is the entry of column ``c`` and row ``c + r``.
    place : ndarray of int, shape (q,)
        Row of each parameter.
    """

    lower: FloatArray
    place: NDArray[np.intp]

    def plus(self, other: FloatArray) -> Band:
        """Return the sum with another band of the same shape."""
        return Band(self.lower + other, self.place)

    def solve(
        self, right: FloatArray, free: NDArray[np.bool_], damping: FloatArray | float = 0.0
    ) -> tuple[FloatArray, float]:
        """Return the solution, and ln(determinant) of the free part.

        Parameters
        ----------
        right : ndarray, shape (q,)
            By parameter.
        free : ndarray of bool, shape (q,)
            Parameters that are solved for; the others stay 0.
        damping : ndarray, shape (q,)
            By row, what is added to the diagonal.
        """
        compiled = loops()
        if compiled is not None:
            if not isinstance(damping, np.ndarray):
                damping = np.full(len(self.lower), damping)
            for ridge in _RIDGES:
                found, determinant, positive = compiled.solved(
                    self.lower, self.place, right, free, damping, _RIDGE + ridge
                )
                if positive:
                    return found, determinant
            raise np.linalg.LinAlgError("information matrix not positive")
        scale = self._scale(free)
        raised = scale * scale * damping
        known = np.empty_like(scale)
        known[self.place] = right
        known *= scale
        for ridge in _RIDGES:
            scaled = self._scaled(scale, raised + ridge)
            factor, solution, info = lapack.dpbsv(scaled.T, known, lower=1, overwrite_ab=1)
            if info == 0:
                used = scale > 0.0
                determinant = 2.0 * float(np.log(factor[0]).sum() - np.log(scale[used]).sum())
                return (solution * scale)[self.place], determinant
        raise np.linalg.LinAlgError("information matrix not positive")

    def solve_at_each(
        self, right: FloatArray, free: NDArray[np.bool_], rough: FloatArray, pull: FloatArray, more: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return solutions, shape (m, q), and ln(determinants), with `more` (m,) times another band added.

        `rough` is that band, and `right` loses `more` times `pull` (q,).
        """
        compiled = loops()
        if compiled is not None:
            steps, determinants = compiled.solved_at_each(self.lower, rough, self.place, right, pull, free, more)
            return steps, determinants
        solved = [self.plus(each * rough).solve(right - each * pull, free) for each in more]
        return np.array([step for step, _ in solved]), np.array([determinant for _, determinant in solved])

    def times(self, vector: FloatArray) -> FloatArray:
        """Return the product with a vector, both by parameter."""
        line = np.empty_like(vector)
        line[self.place] = vector
        return np.asarray(blas.dsbmv(self.lower.shape[1] - 1, 1.0, self.lower.T, line, lower=1)[self.place])

    def inverse(self, free: NDArray[np.bool_]) -> FloatArray:
        """Return the inverse, shape (q, q) by parameter, zero where a parameter is not free.

        Only what lies within the band is sure to be there: parameters that share points, or one knot interval.
        """
        compiled = loops()
        if compiled is not None:
            found, good = compiled.inverse_within(self.lower, self.place, free, _RIDGE)
            if good:
                return np.asarray(found)
        scale = self._scale(free)
        for ridge in _RIDGES:
            factor, info = lapack.dpbtrf(self._scaled(scale, ridge).T, lower=1, overwrite_ab=1)
            if info == 0:
                break
        part, _ = lapack.dpbtrs(factor, np.diag(scale), lower=1, overwrite_b=1)
        part *= scale[:, None]
        return np.asarray(part[self.place[:, None], self.place])

    def _scale(self, free: NDArray[np.bool_]) -> FloatArray:
        """Return what brings the diagonal to 1, by row, and 0 where a parameter is not free."""
        scale: FloatArray = 1.0 / np.sqrt(np.maximum(self.lower[:, 0], 1e-12))
        scale[self.place[~free]] = 0.0
        return scale

    def _scaled(self, scale: FloatArray, damping: FloatArray | float) -> FloatArray:
        padded = np.zeros(scale.size + self.lower.shape[1])
        padded[: scale.size] = scale
        ahead: FloatArray = np.ndarray(self.lower.shape, np.float64, padded, 0, (8, 8))  # [c, r] is the scale of c + r
        scaled = self.lower * ahead
        scaled *= scale[:, None]
        scaled[:, 0] = 1.0 + damping + _RIDGE
        return np.asarray(scaled)


def places(place: NDArray[np.intp], rows: NDArray[np.intp], columns: NDArray[np.intp]) -> tuple[NDArray[np.intp], int]:
    """Return where in the flat form of a band the entries of these rows and columns go, and the band's diagonals.

    Each pair of different parameters is given once, in either order.
    """
    one, two = place[rows], place[columns]
    low = np.minimum(one, two)
    apart = np.maximum(one, two) - low
    width = int(apart.max(initial=0)) + 1
    return low * width + apart, width


def solve_narrow(band: FloatArray, right: FloatArray) -> tuple[FloatArray, float]:
    """Return the solution, and ln of the determinant, of a positive system given by its lower diagonals (w + 1, q)."""
    factor, solution, info = lapack.dpbsv(band, right, lower=1)
    if info != 0:
        raise np.linalg.LinAlgError("matrix not positive")
    return solution, 2.0 * float(np.log(factor[0]).sum())
