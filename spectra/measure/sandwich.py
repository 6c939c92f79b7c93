"""What neighbours that share noise do to an edge: less than to a plateau.

The fit takes points as independent and counts `correlated_points` of them as one, which is right for whatever is smooth
against the filter. An edge is as narrow as the filter itself, and noise that neighbours share moves a place less than a
level: the score's own covariance (the sandwich of Huber 1967 and White 1982, from memory) says by how much.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.model import Evaluation
from spectra.measure.profile import RollOffProfiles
from spectra.measure.scene import RC
from spectra.units import FloatArray

__all__ = ["narrowed", "sharpened"]

_MOST = 0.7  # of a variance that the correlation, itself estimated, may take away
_BEYOND = 0.1  # of a variance, by which fits of correlated points scatter more than the linear law says (simulated)


def narrowed(at: Evaluation, covariance: FloatArray, correlation: FloatArray) -> FloatArray:
    """Return the covariance of all parameters with the score's own covariance in place of one count.

    Parameters
    ----------
    at : Evaluation
        The fit, its weights divided by 1 + 2 sum(correlation).
    covariance : ndarray, shape (p, p)
        Inverse of the information: four parameters per carrier, then the floor's coefficients.
    correlation : ndarray, shape (m,)
        Of a point with its 1st, 2nd, ... m-th neighbour.

    Notes
    -----
    With J the Jacobian times the root of the weights, R the correlation and c its count, the score has the covariance
    J'RJ/c where the information has J'J: C - C J'(I - R/c)J C remains, in which what is smooth, the floor, drops out.
    What remains is raised by a tenth, up to C: fits scatter by as much beyond the linear law.
    """
    carriers = at.scene.count
    if correlation.size == 0 or carriers == 0 or at.index.size == 0:
        return covariance
    owner = np.repeat(np.arange(carriers), np.diff(at.start))
    rows = at.jacobian * np.sqrt(at.weight[at.index])
    shared = rows.copy()
    for lag, strength in enumerate(correlation[: owner.size - 1], start=1):
        same = strength * (owner[lag:] == owner[:-lag])
        shared[:, lag:] += rows[:, :-lag] * same
        shared[:, :-lag] += rows[:, lag:] * same
    rest = rows - shared / (1.0 + 2.0 * float(correlation.sum()))
    result = covariance.copy()
    for k in np.flatnonzero((at.scene.kind == RC) & (np.diff(at.start) > 0)):
        pairs, own = slice(int(at.start[k]), int(at.start[k + 1])), slice(4 * k, 4 * k + 4)
        less = rows[:, pairs] @ rest[:, pairs].T
        less = 0.5 * (less + less.T)
        less = _borne_out(covariance[own, own], less)
        result -= covariance[:, own] @ less @ covariance[own]
    # Each carrier's share is bounded, not their sum: where neighbours say nearly the same it may take too much.
    too_little = np.diag(result)[: 4 * carriers] < (1.0 - _MOST) * np.diag(covariance)[: 4 * carriers]
    for k in np.unique(np.flatnonzero(too_little) // 4):
        own = slice(4 * k, 4 * k + 4)
        result[own], result[:, own] = covariance[own], covariance[:, own]
    return result


def _borne_out(covariance: FloatArray, less: FloatArray) -> FloatArray:
    """Return the information that a carrier's variances may lose, with what fits scatter beyond the linear law."""
    free = np.flatnonzero(np.diag(covariance) > 0.0)
    value, vector = np.linalg.eigh(covariance[np.ix_(free, free)])
    kept = value > 1e-12 * value[-1]
    root = vector[:, kept] * np.sqrt(value[kept])
    share, turn = np.linalg.eigh(root.T @ less[np.ix_(free, free)] @ root)
    share = np.clip((1.0 + _BEYOND) * share - _BEYOND, 0.0, _MOST)
    back = (vector[:, kept] / np.sqrt(value[kept])) @ turn
    made = np.zeros_like(less)
    made[np.ix_(free, free)] = (back * share) @ back.T
    return made


def sharpened(found: RollOffProfiles, before: FloatArray, after: FloatArray) -> RollOffProfiles:
    """Return profiles of roll-offs with the edges' deviations scaled as the covariance `after` is to that `before`.

    The likelihood over the roll-off stays: where it is broad, the linear law promises too much.
    """
    old, new = (_given_roll_off(covariance, found.which) for covariance in (before, after))
    sound = (old > 0.0) & (new > 0.0)
    scale = np.sqrt(np.where(sound, np.clip(new / np.where(sound, old, 1.0), 1.0 - _MOST, 1.0), 1.0))[:, :, None]
    return replace(found, lower_std=found.lower_std * scale[:, 0], upper_std=found.upper_std * scale[:, 1])


def _given_roll_off(covariance: FloatArray, which: NDArray[np.intp]) -> FloatArray:
    """Return the variances of the two edges of some carriers at a given roll-off, shape (k, 2)."""
    index = 4 * which[:, None] + np.arange(2)
    own, shared = covariance[4 * which + 2, 4 * which + 2], covariance[index, 4 * which[:, None] + 2]
    free = own > 0.0
    less = np.where(free, 1.0 / np.where(free, own, 1.0), 0.0)[:, None] * shared**2
    return np.asarray(covariance[index, index] - less)
