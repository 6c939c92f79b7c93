"""Profile likelihood of the roll-off, where its curvature misleads: few points on the edges, or a roll-off near zero.

The information about a roll-off vanishes where the roll-off does, and symbol rate and occupied bandwidth lean on it.
For carriers whose roll-off is not well inside its range the likelihood is followed over the whole range, everything
else fitted again at each value, and mean, spread and interval are taken over it (uniform weight from 0 to the bound).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.fit import fit, turned
from spectra.measure.information import information
from spectra.measure.model import MOST_ROLL_OFF, RC, Evaluation, Scene, Trace
from spectra.units import FloatArray

__all__ = ["RollOffProfile", "profiles"]

_NODES = (0.0, 0.1, 0.22, 0.38, MOST_ROLL_OFF)
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

    def interval(self, values: FloatArray, std: float, share: float = 0.95) -> tuple[float, float]:
        """Return the central interval of a quantity that is normal with `std` at each roll-off."""
        from scipy.special import ndtr

        low, high = float(values.min()) - 4.0 * std - 1e-12, float(values.max()) + 4.0 * std + 1e-12
        ends = []
        for tail in (0.5 * (1.0 - share), 0.5 * (1.0 + share)):
            a, b = low, high
            for _ in range(3):  # each round looks into a seventeenth
                line = np.linspace(a, b, 18)
                below = ndtr((line[:, None] - values) / max(std, 1e-9 * (high - low))) @ self.weight
                at = min(max(int(np.searchsorted(below, tail)), 1), line.size - 1)
                a, b = float(line[at - 1]), float(line[at])
            ends.append(0.5 * (a + b))
        return ends[0], ends[1]


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
    here = information(trace, scene, at, frozen)
    for j in range(nodes.size):
        start = turned(scene, here, which, nodes[j])
        found, there = fit(trace, start, rounds=_ROUNDS, tolerance=0.05, frozen=frozen)
        loss[j] = _own_loss(trace, there, low, high)
        widths[j] = found.theta[which, 1] - found.theta[which, 0]
        levels[j] = found.theta[which, 3]
    best = _own_loss(trace, at, low, high)
    return {
        int(k): _profile(nodes, np.c_[loss[:, i], widths[:, i], levels[:, i]], scene.theta[k], float(best[i]))
        for i, k in enumerate(which)
    }


def _profile(nodes: FloatArray, values: FloatArray, theta: FloatArray, best: float) -> RollOffProfile:
    """Return the profile on a fine grid, through the nodes and the fitted value itself."""
    from scipy.interpolate import PchipInterpolator

    own = np.array([best, theta[1] - theta[0], theta[3]])
    apart = np.abs(nodes - theta[2]) > 1e-3
    place = np.r_[nodes[apart], theta[2]]
    rows = np.vstack([values[apart], own])
    order = np.argsort(place)
    fine = PchipInterpolator(place[order], rows[order])(_GRID)
    weight = np.exp(-(fine[:, 0] - fine[:, 0].min()))
    return RollOffProfile(_GRID, weight / weight.sum(), fine[:, 1], fine[:, 2])
