"""What a fit says of all parameters: their means and covariance, by the likelihood itself where curvature misleads.

The information about a roll-off vanishes where the roll-off does, edges on few points are change points, and symbol
rate and occupied bandwidth lean on both. Carriers whose roll-off is not known well inside its range get a cloud of
places instead of a curvature.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.cloud import Clouds, ln_prior, normalised
from spectra.measure.edges import few_readings
from spectra.measure.fit import fit, turned
from spectra.measure.information import Information, information
from spectra.measure.likelihood import Asked
from spectra.measure.model import Evaluation
from spectra.measure.places import SLOPE, weighted_places
from spectra.measure.response import grown_by_bends
from spectra.measure.sandwich import narrowed
from spectra.measure.scene import MOST_ROLL_OFF, RC, Scene, Trace
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.units import FloatArray

__all__ = ["Settled", "settled"]

_WELL_KNOWN = 0.02  # a roll-off's deviation, and
_ABOVE, _BELOW = 4.0, 3.0  # how many of them it lies above nought and below the greatest
_KNOWN_WIDTH = 0.6  # of it, its deviation
_LEAST_SEEN, _SEEN = 0.04, (0.12, 0.45)  # below the first, or held at its range's end, a roll-off is asked from there
_LEAST_PLACES = 4.0  # that are worth anything
_ROUNDS = 2  # of a fit from roll-offs that were moved
_STEP = 1.2  # points over information and divergence, by which a change point scatters (simulated)
_SHARP = 0.25  # of the variance of its own slope, beyond which an edge is a step
_FAR = 5.0  # deviations that a first step may go
_LEAST_SHARE = 1e-9  # of a variance: parameters of which two do the same
_LIKELY, _LIKELY_STD = 0.2, 0.12  # roll-offs that places are sought at, where the trace says nothing
_REACH_STD, _REACH_SIGMA, _REACH_POINTS = 3.0, 4.0, 0.5  # of the points about an edge that are asked one by one


@dataclass(frozen=True, slots=True)
class Settled:
    """A fit's scene at the means of its parameters, their covariance, and the clouds of those that have one."""

    scene: Scene
    covariance: FloatArray
    clouds: Clouds


def settled(trace: Trace, scene: Scene, at: Evaluation, correlation: FloatArray) -> Settled:
    """Return what a fit says of all its parameters.

    Parameters
    ----------
    trace, scene, at : Trace, Scene, Evaluation
        The fit.
    correlation : ndarray, shape (m,)
        Of a point with its 1st, 2nd, ... m-th neighbour.
    """
    about = _About.of(trace, scene, at)
    which = about.doubtful
    unseen = which[(about.roll_off_std[which] == 0.0) | (scene.theta[which, 2] < _LEAST_SEEN)]
    about = about.seen_from(unseen).told(correlation)
    if which.size == 0:
        return Settled(scene, about.covariance, Clouds.none())
    clouds = about.clouds(which)
    clouds = clouds.of(which[_sensible(clouds, scene)])
    theta = scene.theta.copy()
    theta[clouds.which, :4] = clouds.mean
    return Settled(replace(scene, theta=theta), about.covariance_with(clouds), clouds)


def _sensible(clouds: Clouds, scene: Scene) -> NDArray[np.bool_]:
    """Say which clouds have places enough, about their carriers.

    Where two carriers do the same, a likelihood may lead anywhere; where it is sharp and far from normal, the places
    may miss it.
    """
    left, right = scene.theta[clouds.which, :2].T
    at_left, at_right = clouds.mean[:, :2].T
    width, found = right - left, at_right - at_left
    moved = np.abs(at_left + at_right - left - right)
    enough = (clouds.weight**2).sum(axis=1) * _LEAST_PLACES < 1.0
    return np.asarray(enough & (moved < width) & (found > 0.4 * width) & (found < 2.5 * width))


@dataclass(frozen=True, slots=True)
class _About:
    """A scene with what the trace says of it: information, its inverse, and the covariance that this stands for.

    The last is the inverse until it is told how points share noise.
    """

    trace: Trace
    scene: Scene
    at: Evaluation
    here: Information
    inverse: FloatArray
    covariance: FloatArray

    @classmethod
    def of(cls, trace: Trace, scene: Scene, at: Evaluation) -> _About:
        here = information(at)
        inverse = here.band.inverse(here.free)
        return cls(trace, scene, at, here, inverse, inverse)

    def told(self, correlation: FloatArray) -> _About:
        """Return the same with the covariance of points that share noise, and of responses that were fitted."""
        covariance = narrowed(self.at, self.inverse, correlation)
        return replace(self, covariance=grown_by_bends(self.trace, self.scene, self.at, covariance))

    @property
    def roll_off_std(self) -> FloatArray:
        """Deviation of each carrier's roll-off by curvature, 0 where it is held."""
        return np.sqrt(np.maximum(np.diag(self.covariance)[2 : 4 * self.scene.count : 4], 0.0))

    @property
    def doubtful(self) -> NDArray[np.intp]:
        """The resolved carriers inside the span whose roll-off is not known to be well inside its range.

        All of them where points are read few times: curvature then says little of edges.
        """
        index, variance, std = 4 * np.arange(self.scene.count), np.diag(self.covariance), self.roll_off_std
        left, right, roll_off = self.scene.theta[:, :3].T
        width = right - left
        of_width = variance[index] + variance[index + 1] - 2.0 * self.covariance[index, index + 1]
        resolved = (width * SIGMA_PER_RBW > self.trace.sigma) & (of_width < (_KNOWN_WIDTH * width) ** 2)
        whole = (self.scene.kind == RC) & (left > self.trace.x[0]) & (right < self.trace.x[-1])
        inside = (roll_off - _ABOVE * std > 0.0) & (roll_off + _BELOW * std < MOST_ROLL_OFF)
        known = inside & (std > 0.0) & (std < _WELL_KNOWN) & (not few_readings(self.trace))
        return np.flatnonzero(whole & resolved & ~known)

    def seen_from(self, which: NDArray[np.intp]) -> _About:
        """Return the same with some roll-offs where the trace says something of them, all else fitted again."""
        if which.size == 0:
            return self
        frozen = np.zeros(self.scene.count, dtype=bool)
        frozen[which] = True
        low, high = _SEEN
        wanted = np.where(self.scene.theta[which, 2] < 0.5 * MOST_ROLL_OFF, low, high)
        start = turned(self.scene, information(self.at, frozen), which, wanted)
        scene, at = fit(self.trace, start, rounds=_ROUNDS, tolerance=0.05, frozen=frozen, start=self.at)
        return _About.of(self.trace, scene, at)

    def clouds(self, which: NDArray[np.intp]) -> Clouds:
        """Return the clouds of some carriers."""
        own, theta = 4 * which[:, None] + np.arange(4), self.scene.theta[which]
        raw, target = (_sound(matrix[own[:, :, None], own[:, None, :]]) for matrix in (self.inverse, self.covariance))
        precision, back = _inverse(raw), _back(raw, target)
        sought = _inverse(target)
        sought[:, 2, 2] += _LIKELY_STD**-2.0
        spread, gradient = _inverse(sought), self.here.gradient[own]
        step = self._step_variance(which)
        spread[:, (0, 1), (0, 1)] += step[:, None]
        pull = (np.swapaxes(back, 1, 2) @ gradient[:, :, None])[:, :, 0]
        pull[:, 2] += _LIKELY_STD**-2.0 * (_LIKELY - theta[:, 2])
        begin = (spread @ pull[:, :, None])[:, :, 0]
        std = np.sqrt(np.diagonal(spread, axis1=1, axis2=2))
        begin *= np.minimum(1.0, _FAR / np.maximum(np.abs(begin / std).max(axis=1), 1e-9))[:, None]
        half = 0.5 * (theta[:, 1] - theta[:, 0]) * np.minimum(MOST_ROLL_OFF, theta[:, 2] + _REACH_STD * std[:, 2])
        reach = half + _REACH_SIGMA * self.trace.sigma + _REACH_STD * std[:, :2].max(axis=1) + _REACH_POINTS
        follow = _follow(self.inverse, own, precision)
        asked = Asked(self.trace, self.scene, self.at, which, follow, precision, gradient, back, reach, step > 0.0)
        places, ln_weight = weighted_places(asked, begin, spread)
        prior = ln_prior(places[:, :, 2])
        even = np.where(np.isfinite(prior), ln_weight - np.where(np.isfinite(prior), prior, 0.0), -np.inf)
        return Clouds(which, places, normalised(ln_weight), normalised(even))

    def _step_variance(self, which: NDArray[np.intp]) -> FloatArray:
        """Return the variance in points that a sharp step keeps, however well curvature knows it; nought for slopes.

        The place of a change point scatters by about the points that tell one law from the other, one over their
        information and the divergence of the two laws (Hinkley 1970, from memory). Edges that slope much farther than
        that are none.
        """
        theta, at = self.scene.theta[which], self.at
        middle = np.clip(np.searchsorted(self.trace.x, 0.5 * (theta[:, 0] + theta[:, 1])), 0, self.trace.x.size - 1)
        ratio = 1.0 + np.exp(theta[:, 3]) / np.maximum(at.total[middle] - np.exp(theta[:, 3]), at.floor[middle])
        told = self.trace.information * (np.log(ratio) - 1.0 + 1.0 / ratio)
        slope = (SLOPE * theta[:, 2] * (theta[:, 1] - theta[:, 0])) ** 2 + self.trace.sigma**2
        step = (_STEP / np.maximum(told, 1e-3)) ** 2
        return np.asarray(np.where(step > _SHARP * slope, step, 0.0))

    def covariance_with(self, clouds: Clouds) -> FloatArray:
        """Return the covariance with that of the clouds for their carriers, which all else follows as it did."""
        result, own = self.covariance.copy(), 4 * clouds.which[:, None] + np.arange(4)
        before, fresh = _sound(self.covariance[own[:, :, None], own[:, None, :]]), clouds.covariance
        shared = _follow(self.covariance, own, _inverse(before)) @ fresh
        for columns, others in zip(own, shared, strict=True):
            result[:, columns], result[columns] = others, others.T
        result[own[:, :, None], own[:, None, :]] = fresh
        return result


def _follow(covariance: FloatArray, own: NDArray[np.intp], precision: FloatArray) -> FloatArray:
    """Return how all parameters follow the own ones (k, 4) of each carrier, shape (k, q, 4); its own do not."""
    follow = covariance[:, own].transpose(1, 0, 2) @ precision
    follow[np.arange(len(own))[:, None], own] = 0.0
    return np.asarray(follow)


def _sound(covariance: FloatArray) -> FloatArray:
    """Return covariances, shape (k, 4, 4), that are positive whatever two carriers in one place have left of them."""
    size = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 1e-18))
    both = size[:, :, None] * size[:, None, :]
    value, vector = np.linalg.eigh(0.5 * (covariance + np.swapaxes(covariance, 1, 2)) / both)
    return np.asarray((vector * np.maximum(value, _LEAST_SHARE)[:, None]) @ np.swapaxes(vector, 1, 2) * both)


def _inverse(matrix: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _back(raw: FloatArray, target: FloatArray) -> FloatArray:
    """Return B, shape (k, 4, 4), with B target B' = raw: what a move stands for under points taken as independent.

    The likelihood there has `raw` for its covariance, the parameters `target`: a composite likelihood adjusted to its
    score's covariance (Chandler and Bate 2007, from memory), with the root that turns the parameters least.
    """
    value, vector = np.linalg.eigh(raw)
    size = np.sqrt(np.maximum(value, 1e-300))[:, None]
    root, inverse = (vector * size) @ np.swapaxes(vector, 1, 2), (vector / size) @ np.swapaxes(vector, 1, 2)
    value, vector = np.linalg.eigh(inverse @ target @ inverse)
    middle = (vector / np.sqrt(np.maximum(value, 1e-12))[:, None]) @ np.swapaxes(vector, 1, 2)
    return np.asarray(root @ middle @ inverse)
