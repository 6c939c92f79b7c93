"""Profile likelihood of the roll-off, where its curvature misleads: few points on the edges, or a roll-off near zero.

The information about a roll-off vanishes where the roll-off does, and symbol rate and occupied bandwidth lean on it.
For carriers whose roll-off is not well inside its range the likelihood is followed over the whole range, everything
else fitted again at each value, and mean, spread and interval are taken over it (uniform weight from 0 to the bound).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.fit import fit, turned
from spectra.measure.information import information
from spectra.measure.model import Evaluation
from spectra.measure.scene import MOST_ROLL_OFF, RC, Scene, Trace
from spectra.units import FloatArray

__all__ = ["RollOffProfile", "profiles"]

_NODES = (0.0, 0.13, 0.33, MOST_ROLL_OFF)
_GRID = np.linspace(0.0, MOST_ROLL_OFF, 61)
_WELL_KNOWN = 0.06
_ROUNDS = 1


@dataclass(frozen=True, slots=True)
class RollOffProfile:
    """What the likelihood of the roll-off says of one carrier.

    Attributes
    ----------
    roll_off, weight : ndarray, shape (g,)
        Grid and normalised weight.
    width, level : ndarray, shape (g,)
        Width (points) and ln(plateau power) fitted at each roll-off.
    """

    roll_off: FloatArray
    weight: FloatArray
    width: FloatArray
    level: FloatArray

    def spread(self, values: FloatArray) -> tuple[float, float]:
        """Return mean and variance of a quantity given at every roll-off of the grid."""
        mean = float(self.weight @ values)
        return mean, float(self.weight @ (values - mean) ** 2)

    def own_interval(self, share: float = 0.95) -> tuple[float, float]:
        """Return the central interval of the roll-off itself."""
        below = np.cumsum(self.weight) - 0.5 * self.weight
        low, high = np.interp([0.5 * (1.0 - share), 0.5 * (1.0 + share)], below, self.roll_off)
        return float(low), float(high)

    def interval(self, values: FloatArray, std: float, share: float = 0.95) -> tuple[float, float]:
        """Return the central interval of a quantity that is normal with `std` at each roll-off."""
        from scipy.special import ndtr

        mean, variance = self.spread(values)
        std = max(std, 1e-9 * float(np.ptp(values)), 1e-12)
        reach = 4.5 * math.sqrt(variance + std * std)
        low, high = (
            max(mean - reach, float(values.min()) - 4.0 * std),
            min(mean + reach, float(values.max()) + 4.0 * std),
        )
        line = np.linspace(low, high, 45)
        below = ndtr((line[:, None] - values) / std) @ self.weight
        ends = np.interp([0.5 * (1.0 - share), 0.5 * (1.0 + share)], below, line)
        return float(ends[0]), float(ends[1])


def _doubtful(scene: Scene, covariance: FloatArray) -> NDArray[np.intp]:
    """Return the carriers whose roll-off is not well inside its range."""
    index = 4 * np.arange(scene.count) + 2
    std = np.sqrt(np.maximum(np.diag(covariance)[index], 0.0))
    roll_off = scene.theta[:, 2]
    inside = (std > 0.0) & (std < _WELL_KNOWN) & (roll_off - 2.5 * std > 0.02) & (roll_off + 2.5 * std < MOST_ROLL_OFF)
    return np.flatnonzero((scene.kind == RC) & ~inside)


def _own_loss(trace: Trace, at: Evaluation, low: NDArray[np.intp], high: NDArray[np.intp]) -> FloatArray:
    """Return minus ln(likelihood) of each stretch low..high."""
    law = trace.law
    u = np.clip((trace.y - at.eta - law.offset) / law.scale, -30.0, 4.0)
    deviance = at.weight * (np.exp(u) - 1.0 - u) * law.scale**2
    total = np.r_[0.0, np.cumsum(deviance)]
    return np.asarray(total[high] - total[low])


def profiles(trace: Trace, scene: Scene, at: Evaluation, covariance: FloatArray) -> dict[int, RollOffProfile]:
    """Return the profile of every carrier that needs one, by its index in the scene."""
    which = _doubtful(scene, covariance)
    if which.size == 0:
        return {}
    frozen = np.zeros(scene.count, dtype=bool)
    frozen[which] = True
    width = scene.theta[which, 1] - scene.theta[which, 0]
    reach = 0.35 * width + 4.0 * trace.sigma + 2.0
    low = np.searchsorted(trace.x, scene.theta[which, 0] - reach)
    high = np.searchsorted(trace.x, scene.theta[which, 1] + reach)
    nodes = np.array(_NODES)
    loss = np.empty((nodes.size, which.size))
    widths, levels = np.empty_like(loss), np.empty_like(loss)
    here = information(at, frozen)
    for j in range(nodes.size):
        turned_to = turned(scene, here, which, nodes[j])
        found, there = fit(trace, turned_to, rounds=_ROUNDS, tolerance=0.05, frozen=frozen, start=at)
        loss[j] = _own_loss(trace, there, low, high)
        widths[j] = found.theta[which, 1] - found.theta[which, 0]
        levels[j] = found.theta[which, 3]
    own = np.stack((_own_loss(trace, at, low, high), width, scene.theta[which, 3]))
    return _every(which, nodes, np.stack((loss, widths, levels)), scene.theta[which, 2], own)


def _every(
    which: NDArray[np.intp], nodes: FloatArray, found: FloatArray, roll_off: FloatArray, own: FloatArray
) -> dict[int, RollOffProfile]:
    """Return profiles on a fine grid, by carrier.

    Loss, width and level are given at the nodes, (3, nodes, k), and at the fitted roll-offs (k,), (3, k). A fitted one
    takes the place of a node that it falls on.
    """
    place = np.concatenate((np.repeat(nodes[:, None], which.size, axis=1), roll_off[None]))
    values = np.concatenate((found, own[:, None]), axis=1)
    on = np.abs(nodes[:, None] - roll_off) <= 1e-3
    made: dict[int, RollOffProfile] = {}
    for some, kept in ((~on.any(axis=0), nodes.size + 1), (on.any(axis=0), nodes.size)):
        if not some.any():
            continue
        used = np.concatenate((~on[:, some], np.ones((1, np.count_nonzero(some)), dtype=bool)))
        order = np.argsort(np.where(used, place[:, some], np.inf), axis=0)[:kept]
        x = np.take_along_axis(place[:, some], order, axis=0)
        y = np.take_along_axis(values[:, :, some], order[None], axis=1)
        loss, width, level = _through(x, y)
        weight = np.exp(loss.min(axis=1)[:, None] - loss)
        weight /= weight.sum(axis=1)[:, None]
        for i, k in enumerate(np.flatnonzero(some)):
            made[int(which[k])] = RollOffProfile(_GRID, weight[i], width[i], level[i])
    return made


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
