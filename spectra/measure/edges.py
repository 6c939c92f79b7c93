"""Edges on few points: where a carrier begins is then a change point, and curvature misleads.

An edge that is sharp against the spacing of the points, read few times, has a likelihood with steps and shoulders: the
inverse curvature at its peak promises more than the points can tell. Each such edge is moved over its range, all else
held, and the likelihood there gives its mean, which errs less than the peak, its spread, and how much room it has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.model import Evaluation, to_loops
from spectra.measure.scene import RC, Scene, Trace
from spectra.measure.sums import running
from spectra.signal.blurred import edge
from spectra.units import FloatArray

__all__ = ["EdgeLaws", "box_of", "edge_laws", "few_readings"]

_MOST_POINTS = 24  # independent ones, within reach of an edge; with more the curvature is right
_FEW_READINGS, _MORE_POINTS = 3.0, 3.0  # of a point, below which it takes more points, so many times as many at most
_SURE_POINTS = 0.04  # an edge known so well is on many readings
_REACH_STD, _REACH_POINTS = 6.0, 2.5
_REACH_INFORMATION = 12.0  # of points beside an edge that a few dips of noise may hide, in single readings
_GRID = np.sinh(np.linspace(-1.0, 1.0, 33) * 2.6) / np.sinh(2.6)  # dense in the middle
_ROOM = np.log(np.gradient(_GRID))
_SAME_EDGE, _BOX_ROLL_OFF = 1.5, 0.2
_NONE = np.empty(0)
_PLACES = np.linspace(0.0, 1.0, 97)  # of the range over which an edge is tabulated


@dataclass(frozen=True, slots=True)
class EdgeLaws:
    """What the likelihood says of the edges of each carrier, lower and upper, all else held.

    Attributes
    ----------
    shift : ndarray, shape (k, 2)
        Mean of the likelihood less its peak, in points.
    std, curved : ndarray, shape (k, 2)
        Standard deviation of the likelihood, and that of its curvature, the same where the curvature is right; 0
        where the edge does not show.
    room : ndarray, shape (k, 2)
        ln of the integral of the likelihood over that at the peak, in points.
    """

    shift: FloatArray
    std: FloatArray
    curved: FloatArray
    room: FloatArray

    @property
    def growth(self) -> FloatArray:
        """Standard deviation over that of the curvature, 1 at least."""
        shown = np.where(self.curved > 0.0, self.curved, 1.0)
        return np.where(self.curved > 0.0, np.maximum(self.std / shown, 1.0), 1.0)


def few_readings(trace: Trace) -> bool:
    """Say whether points are read so few times, sharing noise or not, that a carrier's edges are change points."""
    return trace.law.information < _FEW_READINGS


def box_of(trace: Trace, scene: Scene, at: Evaluation, k: int) -> FloatArray | None:
    """Return carrier `k` with the edges that a box of one level would have, None where it has about those.

    All pairs of edges within reach of its own are tried, with the level that suits each: where points are read once,
    a few dips near an edge make a fit stop short of the edge, and no step that lowers the loss leads on.
    """
    left, right = scene.theta[k, :2]
    reach = max(_REACH_POINTS, _REACH_INFORMATION / trace.information)
    within = min(reach, 0.6 * (right - left))
    low, high = np.searchsorted(trace.x, (left - reach, right + reach))
    first, last = np.searchsorted(trace.x, (left + within, right - within))
    begin = np.arange(low, min(first, last))[:, None]
    end = np.arange(max(last, first + 1), high + 1)
    if begin.size < 2 or end.size < 2:
        return None
    rest = at.total[low:high].copy()
    a, b = max(int(at.first[k]), int(low)), min(int(at.last[k]), int(high))
    pair = int(at.start[k]) - int(at.first[k])
    rest[a - low : b - low] -= at.power[pair + a : pair + b]
    rest = np.maximum(rest, 1e-3 * at.floor[low:high])
    law = trace.law
    level = (trace.y[low:high] - law.offset) / law.scale
    shown, below = np.exp(level), np.log(rest) / law.scale
    beside = running(shown * np.exp(-below) + below)
    inside = running(shown)
    count = np.maximum(end - begin, 1)
    mean = (inside[end - low] - inside[begin - low]) / count
    lost = beside[begin - low] + beside[-1] - beside[end - low] + count * (1.0 + np.log(mean))
    one, two = np.unravel_index(int(np.argmin(np.where(end - begin > 2, lost, np.inf))), lost.shape)
    box = float(trace.x[begin[one, 0]]) - 0.5, float(trace.x[end[two] - 1]) + 0.5
    if abs(box[0] - left) < _SAME_EDGE and abs(box[1] - right) < _SAME_EDGE:
        return None
    own = float(mean[one, two]) ** law.scale - float(np.median(rest[begin[one, 0] - low : end[two] - low]))
    if own <= 0.0:
        return None
    row = np.zeros(scene.theta.shape[1])
    row[:4] = *box, _BOX_ROLL_OFF, math.log(own)
    return row


def edge_laws(
    trace: Trace, scene: Scene, at: Evaluation, shared: float = 1.0, some: NDArray[np.intp] | None = None
) -> EdgeLaws:
    """Return the laws of the edges; the likelihood is followed for `some` carriers alone, if given.

    `shared` points say what one independent point would.
    """
    curved = _curved(scene, at)
    shown = np.where(curved > 0.0, curved, 1.0)
    laws = EdgeLaws(np.zeros_like(curved), curved.copy(), curved, np.log(shown * math.sqrt(2.0 * math.pi)))
    which, side = _doubtful(trace, scene, curved, shared, some)
    if which.size:
        mean, std, room = _followed(trace, scene, at, which, side, curved[which, side])
        laws.shift[which, side], laws.std[which, side], laws.room[which, side] = mean, std, room
    return laws


def _curved(scene: Scene, at: Evaluation) -> FloatArray:
    """Return each edge's standard deviation by curvature, all else held."""
    compiled, known = loops(), np.zeros((scene.count, 2))
    shown = np.flatnonzero(np.diff(at.start))
    if compiled is not None:
        known = compiled.edge_information(to_loops(at), at.first, at.last, at.start)
    elif shown.size:
        squares = at.jacobian[:2] ** 2 * at.weight[at.index]
        known[shown] = np.add.reduceat(squares, at.start[:-1][shown], axis=1).T
    return np.where(known > 0.0, 1.0 / np.sqrt(np.where(known > 0.0, known, 1.0)), 0.0)


def _doubtful(
    trace: Trace, scene: Scene, curved: FloatArray, shared: float, some: NDArray[np.intp] | None
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return carrier and side of each edge on few points."""
    width = scene.theta[:, 1] - scene.theta[:, 0]
    most = _MOST_POINTS * min(max(_FEW_READINGS / trace.information, 1.0), _MORE_POINTS) * max(shared, 1.0)
    few = 0.5 * scene.theta[:, 2] * width + 3.0 * trace.sigma < 0.5 * most
    inside = (scene.theta[:, :2] > trace.x[0]) & (scene.theta[:, :2] < trace.x[-1])
    use = ((scene.kind == RC) & few & (width > 1.0))[:, None] & inside.all(axis=1)[:, None] & (curved > _SURE_POINTS)
    if some is not None:
        own = np.zeros(scene.count, dtype=bool)
        own[some] = True
        use &= own[:, None]
    which, side = np.nonzero(use)
    return which, side


def _followed(
    trace: Trace, scene: Scene, at: Evaluation, which: NDArray[np.intp], side: NDArray[np.intp], curved: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean and deviation from the fitted place, and room, of the likelihood of some edges."""
    theta = scene.theta[which]
    width = theta[:, 1] - theta[:, 0]
    half = 0.5 * theta[:, 2] * width
    place = theta[np.arange(which.size), side]
    least = max(_REACH_POINTS, _REACH_INFORMATION / trace.information)
    reach = np.minimum(np.maximum(_REACH_STD * curved, least), 0.6 * width)
    compiled = loops()
    if compiled is not None:
        line, middle = _NONE, _NONE
        if trace.line is not None:
            line, middle = trace.line, np.interp(0.5 * (theta[:, 0] + theta[:, 1]), trace.x, trace.line)
        law, seen = trace.law, (trace.x, trace.y, at.total, at.eta, at.floor, at.weight, line, middle, trace.sigma)
        mean, std, room = compiled.followed(*seen, law.offset, law.scale, theta, side, reach, _GRID, _ROOM)
        return mean, std, room
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
    change = _shapes(trace, index, place, half, moved)
    change -= change[:, _GRID.size // 2, None, :]
    total = np.maximum(at.total[index][:, None, :] + plateau[:, None, :] * change, 1e-3 * at.floor[index][:, None, :])
    law = trace.law
    eta = at.eta[index][:, None, :] + np.log(total / at.total[index][:, None, :])
    u = np.clip((trace.y[index][:, None, :] - eta - law.offset) / law.scale, -30.0, 4.0)
    weight = np.where(inside, at.weight[index], 0.0)[:, None, :]
    loss = law.scale**2 * (weight * (np.exp(u) - 1.0 - u)).sum(axis=2)
    gain = loss[:, _GRID.size // 2, None] - loss + _ROOM
    most = gain.max(axis=1)
    chance = np.exp(gain - most[:, None])
    whole = chance.sum(axis=1)
    room = most + np.log(whole * reach)
    chance /= whole[:, None]
    mean = (chance * moved).sum(axis=1)
    return mean, np.sqrt((chance * (moved - mean[:, None]) ** 2).sum(axis=1)), room


def _shapes(
    trace: Trace, index: NDArray[np.intp], place: FloatArray, half: FloatArray, moved: FloatArray
) -> FloatArray:
    """Return smeared edges, shape (edges, places, points), from a table of each: the function is slow."""
    offset = trace.x[index] - place[:, None]
    low = offset.min(axis=1) - moved[:, -1]
    step = (offset.max(axis=1) - moved[:, 0] - low) / (_PLACES.size - 1)
    nodes = low[:, None] + step[:, None] * np.arange(_PLACES.size)
    value, slope, _ = edge(nodes, np.broadcast_to(half[:, None], nodes.shape), trace.sigma)
    t = (offset[:, None, :] - moved[:, :, None] - low[:, None, None]) / step[:, None, None]
    left = np.minimum(t.astype(np.intp), _PLACES.size - 2)
    t -= left
    row = np.arange(place.size)[:, None, None]
    rise = value[:, 1:] - value[:, :-1]
    begin, end = slope[:, :-1] * step[:, None], slope[:, 1:] * step[:, None]
    # Cubic Hermite interpolation.
    two, three = 3.0 * rise - 2.0 * begin - end, begin + end - 2.0 * rise
    return np.asarray(value[row, left] + t * (begin[row, left] + t * (two[row, left] + t * three[row, left])))
