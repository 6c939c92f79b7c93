"""Profile likelihood of the roll-off, where its curvature misleads: few points on the edges, or a roll-off near zero.

The information about a roll-off vanishes where the roll-off does, and symbol rate and occupied bandwidth lean on it.
For carriers whose roll-off is not well inside its range the likelihood is followed over the whole range, everything
else fitted again at each value, and mean, spread and interval are taken over it. Roll-offs in use are as likely as any
other of them beforehand, those beyond less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.edges import edge_laws
from spectra.measure.fit import fit, turned
from spectra.measure.information import information
from spectra.measure.model import Evaluation
from spectra.measure.scene import MOST_ROLL_OFF, RC, Scene, Trace
from spectra.measure.sums import running
from spectra.units import FloatArray

__all__ = ["RollOffProfiles", "profiles"]

_NODES = np.array([0.0, 0.13, 0.33, MOST_ROLL_OFF])
_AROUND = np.array([-3.2, -1.3, 1.3, 3.2])  # deviations, where these lie inside the range
_GRID = np.linspace(0.0, MOST_ROLL_OFF, 61)
# Standards have roll-offs of 0.05 to 0.35, older modems 0.40 (common practice): beyond is less likely, by e in so much.
_USUAL, _BELOW, _BEYOND = (0.05, 0.35), 0.02, 0.05
_PRIOR = np.exp(np.minimum((_GRID - _USUAL[0]) / _BELOW, 0.0) + np.minimum((_USUAL[1] - _GRID) / _BEYOND, 0.0))
_WELL_KNOWN, _INSIDE = 0.02, 3.0  # a roll-off's deviation, and how many of them it lies inside its range
_HALF_STEP = 0.5 * MOST_ROLL_OFF / (_GRID.size - 1)
_ROUNDS = 1
_UNLIKELY = 1e-6  # weight of a roll-off that no interval needs
_MOST_GROWTH = 3.0  # of an edge's deviation, by level and floor that are free


@dataclass(frozen=True, slots=True)
class RollOffProfiles:
    """What the likelihood of the roll-off says of some carriers.

    Attributes
    ----------
    which : ndarray of int, shape (k,)
        The carriers, by their rising index in the scene.
    roll_off : ndarray, shape (g,)
        The grid.
    weight : ndarray, shape (k, g)
        Of each roll-off, what it was worth beforehand included; normalised.
    lower, upper, level : ndarray, shape (k, g)
        3 dB edges (points) and ln(plateau power) at each roll-off.
    lower_std, upper_std : ndarray, shape (k, g)
        Of the edges at a given roll-off.
    shared : ndarray, shape (k,)
        Correlation of the two edges at a given roll-off.
    """

    which: NDArray[np.intp]
    roll_off: FloatArray
    weight: FloatArray
    lower: FloatArray
    upper: FloatArray
    level: FloatArray
    lower_std: FloatArray
    upper_std: FloatArray
    shared: FloatArray

    @classmethod
    def none(cls) -> RollOffProfiles:
        """Return profiles of no carrier."""
        empty = np.empty((0, _GRID.size))
        return cls(np.empty(0, dtype=np.intp), _GRID, empty, empty, empty, empty, empty, empty, np.empty(0))

    def of(self, which: NDArray[np.intp], inflation: FloatArray) -> RollOffProfiles:
        """Return the profiles of those of some carriers (rising) that have one, as flat as their variances are raised.

        `inflation` is that of the variances of each of `which`.
        """
        rows = np.flatnonzero(np.isin(self.which, which))
        raised = inflation[np.searchsorted(which, self.which[rows])][:, None]
        weight = self.weight[rows]
        if (raised != 1.0).any():
            weight = np.maximum(weight / _PRIOR, 1e-300) ** (1.0 / raised) * _PRIOR
            weight /= weight.sum(axis=1)[:, None]
        lower, upper, level = self.lower[rows], self.upper[rows], self.level[rows]
        stds = self.lower_std[rows], self.upper_std[rows]
        return RollOffProfiles(self.which[rows], self.roll_off, weight, lower, upper, level, *stds, self.shared[rows])

    @property
    def evidence(self) -> FloatArray:
        """What the trace alone says: the weight under a prior that is even over all roll-offs."""
        even = self.weight / _PRIOR
        return np.asarray(even / even.sum(axis=1)[:, None])

    @property
    def width(self) -> FloatArray:
        """Width (points) at each roll-off."""
        return self.upper - self.lower

    @property
    def width_std(self) -> FloatArray:
        """Standard deviation of the width at each roll-off."""
        return np.sqrt(np.maximum(self._summed(-1.0), 0.0))

    def centre_std(self, inflation: FloatArray | float) -> FloatArray:
        """Return the standard deviation of the centre, with the variance at a given roll-off raised, shape (k,)."""
        within = 0.25 * self.mean(np.maximum(self._summed(1.0), 0.0))
        return np.sqrt(within * inflation + self.spread(0.5 * (self.lower + self.upper))[1])

    def _summed(self, sign: float) -> FloatArray:
        both = sign * self.shared[:, None] * self.lower_std * self.upper_std
        return np.asarray(self.lower_std**2 + self.upper_std**2 + 2.0 * both)

    def mean(self, values: FloatArray) -> FloatArray:
        """Return the mean of a quantity given at every roll-off of the grid, shape (k,)."""
        return np.asarray((self.weight * values).sum(axis=1))

    def spread(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean and variance of a quantity given at every roll-off of the grid, shape (k,) each."""
        mean = self.mean(values)
        return mean, self.mean((values - mean[:, None]) ** 2)

    def own_interval(self, share: float = 0.95) -> FloatArray:
        """Return the central interval of the roll-off itself, shape (k, 2)."""
        below = np.cumsum(self.weight, axis=1) - 0.5 * self.weight
        ends = np.array([0.5 * (1.0 - share), 0.5 * (1.0 + share)])
        return np.array([np.interp(ends, row, self.roll_off) for row in below]).reshape(-1, 2)

    def interval(self, values: FloatArray, std: FloatArray | float, share: float = 0.95) -> FloatArray:
        """Return the central interval of a quantity that is normal with `std` at each roll-off, shape (k, 2)."""
        mean, variance = self.spread(values)
        least = np.maximum(1e-9 * np.ptp(values, axis=1), 1e-12)
        stds: FloatArray = np.maximum(std + np.zeros(values.shape), least[:, None])
        reach = 4.5 * np.sqrt(variance + self.mean(stds**2))
        likely = self.weight > _UNLIKELY
        low = np.maximum(mean - reach, np.where(likely, values - 4.0 * stds, np.inf).min(axis=1))
        high = np.minimum(mean + reach, np.where(likely, values + 4.0 * stds, -np.inf).max(axis=1))
        weight = np.where(likely, self.weight, 0.0)
        compiled = loops()
        if compiled is not None:
            return np.asarray(compiled.mixture_intervals(values, stds, weight, low, high, share))
        rows = zip(values, stds, weight, low, high, strict=True)
        return np.array([_mixture_interval(*row, share) for row in rows]).reshape(-1, 2)


def _mixture_interval(
    values: FloatArray, std: FloatArray, weight: FloatArray, low: float, high: float, share: float
) -> FloatArray:
    from scipy.special import ndtr

    line = np.linspace(low, high, 45)
    below = ndtr((line[:, None] - values) / std) @ weight
    wanted = np.array([0.5 * (1.0 - share), 0.5 * (1.0 + share)])
    ends = np.interp(wanted, below, line)
    for _ in range(2):  # what lies between the places of the line, by Newton's steps
        u = (ends[:, None] - values) / std
        density = np.exp(-0.5 * u * u) / std @ weight / math.sqrt(2.0 * math.pi)
        ends += np.clip((wanted - ndtr(u) @ weight) / np.maximum(density, 1e-300), line[0] - line[1], line[1] - line[0])
    return np.asarray(ends)


def _doubtful(scene: Scene, covariance: FloatArray) -> NDArray[np.intp]:
    """Return the carriers whose roll-off is not well inside its range."""
    index = 4 * np.arange(scene.count) + 2
    std = np.sqrt(np.maximum(np.diag(covariance)[index], 0.0))
    roll_off = scene.theta[:, 2]
    reach = _INSIDE * std
    inside = (std > 0.0) & (std < _WELL_KNOWN) & (roll_off - reach > 0.02) & (roll_off + reach < MOST_ROLL_OFF)
    return np.flatnonzero((scene.kind == RC) & ~inside)


def _own_loss(trace: Trace, at: Evaluation, low: NDArray[np.intp], high: NDArray[np.intp]) -> FloatArray:
    """Return minus ln(likelihood) of each stretch low..high."""
    law = trace.law
    u = np.clip((trace.y - at.eta - law.offset) / law.scale, -30.0, 4.0)
    deviance = at.weight * (np.exp(u) - 1.0 - u) * law.scale**2
    total = running(deviance)
    return np.asarray(total[high] - total[low])


def profiles(
    trace: Trace, scene: Scene, at: Evaluation, covariance: FloatArray, shared: float = 1.0
) -> RollOffProfiles:
    """Return the profile of every carrier that needs one.

    At each roll-off the two edges are integrated over, by their own likelihoods where those are not normal (see
    `spectra.measure.edges`); `shared` points say what one independent point would.
    """
    which = _doubtful(scene, covariance)
    if which.size == 0:
        return RollOffProfiles.none()
    frozen = np.zeros(scene.count, dtype=bool)
    frozen[which] = True
    reach = 0.35 * (scene.theta[which, 1] - scene.theta[which, 0]) + 4.0 * trace.sigma + 2.0
    low = np.searchsorted(trace.x, scene.theta[which, 0] - reach)
    high = np.searchsorted(trace.x, scene.theta[which, 1] + reach)

    def told(scene: Scene, at: Evaluation) -> FloatArray:
        """Return loss, edges, level and ln(deviations of the edges), shape (6, k)."""
        laws = edge_laws(trace, scene, at, shared, which)
        loss = _own_loss(trace, at, low, high) - laws.room[which].sum(axis=1)
        edges = scene.theta[which, :2] + laws.shift[which]
        return np.stack((loss, *edges.T, scene.theta[which, 3], *np.log(np.maximum(laws.std[which], 1e-9)).T))

    every = [told(scene, at)]
    here = information(at, frozen)
    nodes = _nodes(scene.theta[which, 2], covariance[4 * which + 2, 4 * which + 2])
    for node in nodes:
        start = turned(scene, here, which, node)
        found, there = fit(trace, start, rounds=_ROUNDS, tolerance=0.05, frozen=frozen, start=at)
        every.append(told(found, there))
    held = _held(scene, at, covariance, which)
    place = np.vstack((scene.theta[which, 2], nodes))
    return _every(which, place, np.stack(every, axis=1), held, covariance[4 * which + 2, 4 * which + 2])


def _nodes(roll_off: FloatArray, variance: FloatArray) -> FloatArray:
    """Return where each carrier's likelihood is followed, shape (4, k): as far as it may reach, or over the whole range."""
    around = roll_off + np.sqrt(variance) * _AROUND[:, None]
    known = (variance > 0.0) & (around[1] > 0.0) & (around[2] < MOST_ROLL_OFF) & (around[3] - around[0] < MOST_ROLL_OFF)
    low, high = np.maximum(around[0], 0.0), np.minimum(around[3], MOST_ROLL_OFF)
    return np.where(known, np.stack((low, around[1], around[2], high)), _NODES[:, None])


def _held(scene: Scene, at: Evaluation, covariance: FloatArray, which: NDArray[np.intp]) -> FloatArray:
    """Return by how much the edges' deviations grow when level and floor are free, and the edges' correlation, (3, k).

    At a given roll-off, so that its part is taken out of the covariance.
    """
    own = 4 * which[:, None] + np.arange(3)
    block = covariance[own[:, :, None], own[:, None, :]]
    by_roll_off = block[:, 2, 2] > 0.0
    gain = block[:, :2, 2] / np.sqrt(np.where(by_roll_off, block[:, 2, 2], 1.0))[:, None]
    known = block[:, :2, :2] - np.where(by_roll_off, 1.0, 0.0)[:, None, None] * gain[:, :, None] * gain[:, None, :]
    std = np.sqrt(np.maximum(np.diagonal(known, axis1=1, axis2=2), 1e-18))
    curved = edge_laws(at.trace, scene, at, some=np.empty(0, dtype=np.intp)).curved[which]
    grown = np.where(curved > 0.0, std / np.where(curved > 0.0, curved, 1.0), 1.0)
    correlation = np.clip(known[:, 0, 1] / (std[:, 0] * std[:, 1]), -0.99, 0.99)
    return np.stack((*np.clip(grown, 1.0, _MOST_GROWTH).T, correlation))


def _every(
    which: NDArray[np.intp], place: FloatArray, values: FloatArray, held: FloatArray, variance: FloatArray
) -> RollOffProfiles:
    """Return profiles on a fine grid.

    Values (6, nodes, k) are given at roll-offs (nodes, k), the fitted one first, which takes the place of a node that
    it falls on.
    """
    on = np.abs(place[1:] - place[0]) <= 1e-3
    curves = np.empty((6, which.size, _GRID.size))
    stiff = np.where(variance > 0.0, 0.5 / np.where(variance > 0.0, variance, 1.0), 0.0)
    values = values.copy()
    values[0] -= stiff * (place - place[0]) ** 2  # of a parabola, only what it is not is followed
    for some, kept in ((~on.any(axis=0), len(place)), (on.any(axis=0), len(place) - 1)):
        if not some.any():
            continue
        used = np.vstack((np.ones((1, np.count_nonzero(some)), dtype=bool), ~on[:, some]))
        order = np.argsort(np.where(used, place[:, some], np.inf), axis=0)[:kept]
        x = np.take_along_axis(place[:, some], order, axis=0)
        y = np.take_along_axis(values[:, :, some], order[None], axis=1)
        curves[:, some] = _through(x, y)
    loss, lower, upper, level = curves[:4]
    loss = loss + (stiff * (_GRID[:, None] - place[0]) ** 2).T
    beyond = (_GRID < place.min(axis=0)[:, None] - _HALF_STEP) | (_GRID > place.max(axis=0)[:, None] + _HALF_STEP)
    loss[beyond] = np.inf
    weight = np.exp(loss.min(axis=1)[:, None] - loss) * _PRIOR
    weight /= weight.sum(axis=1)[:, None]
    lower_std, upper_std = held[:2, :, None] * np.exp(curves[4:])
    return RollOffProfiles(which, _GRID, weight, lower, upper, level, lower_std, upper_std, held[2])


def _through(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return curves through the points (m, k) and (c, m, k) on the grid that do not overshoot, shape (c, k, grid).

    Piecewise cubic Hermite interpolation with the slopes of Fritsch and Butland; the library's class for it costs more
    than the fit (the tests hold this against it).
    """
    h = np.diff(x, axis=0)
    rise = np.diff(y, axis=1) / h
    before, after = rise[:, :-1], rise[:, 1:]
    same = before * after > 0.0
    one, two = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    slope = np.zeros(y.shape)
    safe = np.where(same, before, 1.0), np.where(same, after, 1.0)
    slope[:, 1:-1] = np.where(same, (one + two) / (one / safe[0] + two / safe[1]), 0.0)
    for end, near, far, nearest, next_to in ((0, 0, 1, h[0], h[1]), (-1, -1, -2, h[-1], h[-2])):
        own = ((2.0 * nearest + next_to) * rise[:, near] - nearest * rise[:, far]) / (nearest + next_to)
        own = np.where(own * rise[:, near] > 0.0, own, 0.0)
        much = (rise[:, near] * rise[:, far] < 0.0) & (np.abs(own) > 3.0 * np.abs(rise[:, near]))
        slope[:, end] = np.where(much, 3.0 * rise[:, near], own)
    at = np.clip((x[:, :, None] <= _GRID).sum(axis=0) - 1, 0, len(h) - 1)  # (k, grid)
    curve = np.arange(x.shape[1])[:, None]
    width = h[at, curve]
    t = (_GRID - x[at, curve]) / width
    rest = 1.0 - t
    return np.asarray(
        rest * rest * ((1.0 + 2.0 * t) * y[:, at, curve] + t * width * slope[:, at, curve])
        + t * t * ((3.0 - 2.0 * t) * y[:, at + 1, curve] - rest * width * slope[:, at + 1, curve])
    )
