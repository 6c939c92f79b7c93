"""Edges on few points: where a carrier begins is then a change point, and curvature misleads.

An edge that is sharp against the spacing of the points, read few times, has a likelihood with steps and shoulders: the
inverse curvature at its peak promises more than the points can tell. Each such edge is moved over its range, all else
held, and the spread of the likelihood over its curvature scales the edge's uncertainty; its mean, which errs less than
the peak, takes the place of the estimate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.model import Evaluation
from spectra.measure.scene import RC, Scene, Trace
from spectra.signal.blurred import edge
from spectra.units import FloatArray

__all__ = ["EdgeLaws", "edge_laws"]

_MOST_POINTS = 24  # independent ones, within reach of an edge; with more the curvature is right
_SURE_POINTS = 0.04  # an edge known so well is on many readings
_REACH_STD, _REACH_POINTS = 6.0, 2.5
_GRID = np.sinh(np.linspace(-1.0, 1.0, 23) * 2.6) / np.sinh(2.6)  # dense in the middle


@dataclass(frozen=True, slots=True)
class EdgeLaws:
    """How the edges of each carrier differ from the normal law of the fit.

    Attributes
    ----------
    shift : ndarray, shape (k, 2)
        Mean of the likelihood less its peak, in points, of lower and upper edge.
    growth : ndarray, shape (k, 2)
        Standard deviation of the likelihood over that of its curvature, 1 where the curvature is right.
    """

    shift: FloatArray
    growth: FloatArray


def edge_laws(trace: Trace, scene: Scene, at: Evaluation, shared: float = 1.0) -> EdgeLaws:
    """Return how the likelihood of each edge, all else held, differs from its curvature.

    `shared` points say what one independent point would.
    """
    shift, growth = np.zeros((scene.count, 2)), np.ones((scene.count, 2))
    which, side, curved = _doubtful(trace, scene, at, shared)
    if which.size == 0:
        return EdgeLaws(shift, growth)
    theta = scene.theta[which]
    width = theta[:, 1] - theta[:, 0]
    half = 0.5 * theta[:, 2] * width
    place = theta[np.arange(which.size), side]
    reach = np.minimum(np.maximum(_REACH_STD * curved, _REACH_POINTS), 0.6 * width)
    first = np.searchsorted(trace.x, place - reach - half - 3.0 * trace.sigma - 1.0)
    points = int(2.0 * float((reach + half).max() + 3.0 * trace.sigma) + 4.0)
    index = np.minimum(first[:, None] + np.arange(points), trace.x.size - 1)
    inside = (first[:, None] + np.arange(points)) < trace.x.size
    level = theta[:, 3][:, None] + np.zeros(index.shape)
    if trace.line is not None:
        centre = np.interp(0.5 * (theta[:, 0] + theta[:, 1]), trace.x, trace.line)
        level = level + trace.line[index] - centre[:, None]
    plateau = np.exp(level) * np.where(side == 0, 1.0, -1.0)[:, None]
    moved = reach[:, None] * _GRID
    offset = trace.x[index][:, None, :] - place[:, None, None] - moved[:, :, None]
    spread = np.broadcast_to(half[:, None, None], offset.shape)
    change = edge(offset, spread, trace.sigma)[0]
    change -= change[:, _GRID.size // 2, None, :]
    total = np.maximum(at.total[index][:, None, :] + plateau[:, None, :] * change, 1e-3 * at.floor[index][:, None, :])
    law = trace.law
    eta = at.eta[index][:, None, :] + np.log(total / at.total[index][:, None, :])
    u = np.clip((trace.y[index][:, None, :] - eta - law.offset) / law.scale, -30.0, 4.0)
    weight = np.where(inside, at.weight[index], 0.0)[:, None, :]
    loss = law.scale**2 * (weight * (np.exp(u) - 1.0 - u)).sum(axis=2)
    chance = np.exp(loss.min(axis=1)[:, None] - loss) * np.gradient(_GRID)
    chance /= chance.sum(axis=1)[:, None]
    mean = (chance * moved).sum(axis=1)
    std = np.sqrt((chance * (moved - mean[:, None]) ** 2).sum(axis=1))
    shift[which, side] = mean
    growth[which, side] = np.maximum(std / curved, 1.0)
    return EdgeLaws(shift, growth)


def _doubtful(
    trace: Trace, scene: Scene, at: Evaluation, shared: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Return carrier and side of each edge on few points, and its standard deviation by curvature, all else held."""
    if scene.count == 0 or at.index.size == 0:
        none = np.empty(0, dtype=np.intp)
        return none, none, np.empty(0)
    owner = np.repeat(np.arange(scene.count), np.diff(at.start))
    squares = at.jacobian[:2] ** 2 * at.weight[at.index]
    known = np.array([np.bincount(owner, row, scene.count) for row in squares])
    width = scene.theta[:, 1] - scene.theta[:, 0]
    few = 0.5 * scene.theta[:, 2] * width + 3.0 * trace.sigma < 0.5 * _MOST_POINTS * max(shared, 1.0)
    inside = (scene.theta[:, 0] > trace.x[0]) & (scene.theta[:, 1] < trace.x[-1])
    use = (scene.kind == RC) & few & inside & (width > 1.0)
    use = use & (known > 0.0)
    side, which = np.nonzero(use)
    curved = 1.0 / np.sqrt(known[side, which])
    doubtful = curved > _SURE_POINTS
    return which[doubtful], side[doubtful], curved[doubtful]
