"""What the likelihood itself says of a carrier's four parameters: weighted places, and what is told from them.

Where curvature misleads, mean, spread and interval of every figure are those over the places (`places.py` lays them,
`settled.py` says where). Roll-offs in use are as likely as any other of them beforehand, those beyond less.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spectra.measure.scene import MOST_ROLL_OFF
from spectra.units import FloatArray

__all__ = ["Clouds", "ln_prior", "normalised"]

# Standards have roll-offs of 0.05 to 0.35, older modems 0.40 (common practice): beyond is less likely, by e in so much.
_USUAL, _BELOW, _BEYOND = (0.05, 0.35), 0.01, 0.02
_MOST_SKEW = 1.0


def ln_prior(roll_off: FloatArray) -> FloatArray:
    """Return ln of how likely roll-offs are beforehand, up to a constant; minus infinity beyond the range."""
    inside = np.minimum((roll_off - _USUAL[0]) / _BELOW, 0.0) + np.minimum((_USUAL[1] - roll_off) / _BEYOND, 0.0)
    return np.where((roll_off > 0.0) & (roll_off < MOST_ROLL_OFF), inside, -np.inf)


def normalised(ln_weight: FloatArray) -> FloatArray:
    """Return weights that sum to one, a row each."""
    weight = np.exp(ln_weight - ln_weight.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True)
class Clouds:
    """Weighted places in the parameters of some carriers.

    Attributes
    ----------
    which : ndarray of int, shape (k,)
        The carriers, by their rising index in the scene.
    theta : ndarray, shape (k, s, 4)
        Both edges (points), roll-off and ln(plateau power) at each place.
    weight, even : ndarray, shape (k, s)
        Of each place, normalised; `even` is without what roll-offs were worth beforehand.
    """

    which: NDArray[np.intp]
    theta: FloatArray
    weight: FloatArray
    even: FloatArray

    @classmethod
    def none(cls) -> Clouds:
        """Return clouds of no carrier."""
        return cls(np.empty(0, dtype=np.intp), np.empty((0, 1, 4)), np.empty((0, 1)), np.empty((0, 1)))

    @property
    def mean(self) -> FloatArray:
        """Mean parameters, shape (k, 4)."""
        return np.asarray((self.weight[:, None] @ self.theta)[:, 0])

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the parameters, shape (k, 4, 4)."""
        off = self.theta - self.mean[:, None]
        return np.asarray(np.swapaxes(off * self.weight[:, :, None], 1, 2) @ off)

    def of(self, which: NDArray[np.intp], inflation: FloatArray | None = None) -> Clouds:
        """Return the clouds of those of some carriers (rising) that have one, spread as their variances are raised.

        `inflation` is that of the variances of each of `which`.
        """
        rows = np.flatnonzero(np.isin(self.which, which))
        some = Clouds(self.which[rows], self.theta[rows], self.weight[rows], self.even[rows])
        if inflation is None or not rows.size:
            return some
        wider = np.sqrt(inflation[np.searchsorted(which, some.which)])[:, None, None]
        if np.all(wider == 1.0):
            return some
        mean = some.mean[:, None]
        theta = mean + wider * (some.theta - mean)
        theta[:, :, 2] = np.clip(theta[:, :, 2], 0.0, MOST_ROLL_OFF)
        return replace(some, theta=theta)

    def spread(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation of a quantity given at every place, shape (k,) each."""
        mean = (self.weight * values).sum(axis=1)
        return mean, np.sqrt((self.weight * (values - mean[:, None]) ** 2).sum(axis=1))

    def interval(self, values: FloatArray, share: float = 0.95) -> FloatArray:
        """Return the central interval of a quantity that is about normal, shape (k, 2).

        By mean, deviation and skewness (Cornish and Fisher 1937, from memory).
        """
        mean, std = self.spread(values)
        cube = (self.weight * (values - mean[:, None]) ** 3).sum(axis=1)
        skew = np.clip(cube / np.maximum(std, 1e-300) ** 3, -_MOST_SKEW, _MOST_SKEW)
        z = special.ndtri(np.array([0.5 * (1.0 - share), 0.5 * (1.0 + share)]))
        return np.asarray(mean[:, None] + std[:, None] * (z + skew[:, None] * (z * z - 1.0) / 6.0))

    def ranked(self, values: FloatArray, share: float = 0.95) -> FloatArray:
        """Return the central interval of any quantity by the order of its places, shape (k, 2).

        Places of one value stand for the room halfway to the next ones.
        """
        ends = np.array([0.5 * (1.0 - share), 0.5 * (1.0 + share)])
        found = np.empty((len(values), 2))
        for row, (own, weight) in enumerate(zip(values, self.weight, strict=True)):
            level, mass = _levels(own, weight)
            room = np.repeat(level, 2)
            if level.size > 1:
                middle = 0.5 * (level[1:] + level[:-1])
                room = np.concatenate(([2.0 * level[0] - middle[0]], middle, [2.0 * level[-1] - middle[-1]]))
            found[row] = np.interp(ends, np.concatenate(([0.0], np.cumsum(mass))), room)
        return found

    def ln_density(self, roll_off: FloatArray) -> FloatArray:
        """Return ln of the density of each carrier's roll-off at some roll-offs (r,), shape (k, r), up to a constant.

        Straight between the roll-offs that were asked about, and beyond.
        """
        found = np.empty((len(self.weight), roll_off.size))
        for row, (own, weight) in enumerate(zip(self.theta[:, :, 2], self.weight, strict=True)):
            level, mass = _levels(own, weight)
            worth = np.log(np.maximum(mass, 1e-300))
            found[row] = np.interp(roll_off, level, worth)
            if level.size > 1:
                for out, near, far in ((roll_off < level[0], 0, 1), (roll_off > level[-1], -1, -2)):
                    slope = (worth[near] - worth[far]) / (level[near] - level[far])
                    found[row, out] += slope * (roll_off[out] - level[near])
        return found


def _levels(values: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the values that places have, rising, and the weight of each."""
    level, place = np.unique(values, return_inverse=True)
    return level, np.asarray(np.bincount(place, weight), dtype=np.float64)
