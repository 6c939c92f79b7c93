"""What neighbours that share noise do to an edge: less than to a plateau.

The fit takes points as independent and counts `correlated_points` of them as one, which is right for whatever is smooth
against the filter. An edge is as narrow as the filter itself, and noise that neighbours share moves a place less than a
level: the score's own covariance (the sandwich of Huber 1967 and White 1982, from memory) says by how much.
"""

from __future__ import annotations

import numpy as np

from spectra.measure.model import Evaluation
from spectra.measure.scene import RC, Scene
from spectra.units import FloatArray

__all__ = ["narrowed", "points_lost"]

_MOST = 0.7  # of a variance that the correlation, itself estimated, may take away
_FLOOR_LOST = 2.0  # parameters of a floor that hardly bends
_LAW_VARIANCE = 3.0  # of the points' information, relative, times independent points (theory 2 to 3, simulated 3)
_MOST_DOUBT = 1.5  # times a variance, by which it may grow


def points_lost(scene: Scene, sigma: float, correlation: FloatArray, lags: int = 0) -> FloatArray:
    """Return what a fit took from its residuals, in points: of their squares, and of products at lags 1 .. `lags`.

    With J the weighted Jacobian, H = J (J'J)^-1 J' and R the correlation of the points, residuals lack the diagonals'
    sums of HR, of n: one point for each parameter where points are independent; where neighbours share noise,
    c = 1 + 2 sum(correlation) for what is smooth against the filter, since a fit follows the noise that they share. A
    derivative shaped as a Gaussian of deviation s takes c q, q = s / sqrt(s^2 + sigma^2), the derivatives of one c q^3,
    c q^5, c q^7, and at a lag d by exp(-d^2 / 4 (s^2 + sigma^2)) less (derived: Hermite functions). A carrier's edges
    are such, of 0.36 half-widths and the filter; one too narrow to show them is one.
    """
    if scene.count == 0 or correlation.size == 0:
        return np.full(lags + 1, _FLOOR_LOST * (1.0 + 2.0 * float(correlation.sum())) + 4.0 * scene.count)
    shared, lag = 2.0 * float(correlation.sum()), np.arange(lags + 1)
    lost = np.full(lags + 1, _FLOOR_LOST * (1.0 + shared))
    left, right, roll_off = scene.theta[:, :3].T
    width, filtered = right - left, sigma * sigma
    edge, top = (0.36 * 0.5 * roll_off * width) ** 2 + filtered, width * width / 12.0 + filtered
    by_edge, by_top = np.sqrt(edge / (edge + filtered)), np.sqrt(top / (top + filtered))
    edges = np.minimum(by_edge, by_top**3) + np.minimum(by_edge, by_top**5) + np.minimum(by_edge**3, by_top**7)
    for taken, spread in ((1.0 + shared * by_top, top), (3.0 + shared * edges, edge)):
        lost += taken @ np.exp(-0.25 * lag**2 / (spread + filtered)[:, None])
    return lost


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
    Noise that neighbours share leaves fewer points to tell the law from: it is raised to the variance of Student's law
    of as many degrees (JCGM 101 clause 6.4.9, from memory).
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
    count = 1.0 + 2.0 * float(correlation.sum())
    rest = rows - shared / count
    which = np.flatnonzero((at.scene.kind == RC) & (np.diff(at.start) > 0))
    own = 4 * which[:, None] + np.arange(4)
    each = [slice(int(at.start[k]), int(at.start[k + 1])) for k in which]
    less = np.array([rows[:, pairs] @ rest[:, pairs].T for pairs in each]).reshape(-1, 4, 4)
    less = _borne_out(covariance[own[:, :, None], own[:, None]], 0.5 * (less + less.transpose(0, 2, 1)))
    taken = (covariance[:, own].transpose(1, 0, 2) @ less).transpose(1, 0, 2)
    result = covariance - taken.reshape(len(covariance), -1) @ covariance[own.ravel()]
    # Each carrier's share is bounded, not their sum: where neighbours say nearly the same it may take too much.
    too_little = np.diag(result)[: 4 * carriers] < (1.0 - _MOST) * np.diag(covariance)[: 4 * carriers]
    for k in np.unique(np.flatnonzero(too_little) // 4):
        alone = slice(4 * k, 4 * k + 4)
        result[alone], result[:, alone] = covariance[alone], covariance[:, alone]
    return np.asarray(result * min(1.0 + _LAW_VARIANCE * count / at.eta.size, _MOST_DOUBT))


def _borne_out(covariance: FloatArray, less: FloatArray) -> FloatArray:
    """Return the information, shape (k, 4, 4), that the variances of each carrier may lose."""
    value, vector = np.linalg.eigh(covariance)
    kept = value > 1e-12 * value[:, -1:]  # not those of parameters that were not free
    size = np.sqrt(np.where(kept, value, 1.0))[:, None]
    root = vector * np.where(kept[:, None], size, 0.0)
    share, turn = np.linalg.eigh(root.transpose(0, 2, 1) @ less @ root)
    back = (vector * np.where(kept[:, None], 1.0 / size, 0.0)) @ turn
    return np.asarray((back * np.clip(share, 0.0, _MOST)[:, None]) @ back.transpose(0, 2, 1))
