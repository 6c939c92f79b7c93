"""The likelihood at places about a fit: one carrier's own parameters moved, floor and neighbours following.

Only the points about the carrier's edges are asked one by one, since only there does the likelihood bend otherwise than
a parabola; all others count by their information. Floor and neighbours follow as the joint information foretells it, so
that what comes out is the likelihood of the carrier's own four parameters, the others at their best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.model import Evaluation, bends, to_loops
from spectra.measure.scene import MOST_ROLL_OFF, Scene, Trace
from spectra.signal.blurred import edge
from spectra.units import FloatArray

__all__ = ["Asked", "losses"]

_FAR = 3.0  # nepers that a level may rise, and that floor and neighbours may follow
_LEAST_WIDTH, _HOPELESS = 0.2, 1e3  # a carrier narrower than the first (points) loses the second


@dataclass(frozen=True, slots=True)
class Asked:
    """Which carriers are asked about, and what the whole trace says of each to second order.

    Attributes
    ----------
    trace, scene, at : Trace, Scene, Evaluation
        Where the carriers are moved from.
    which : ndarray of int, shape (k,)
    follow : ndarray, shape (k, q, 4)
        How all parameters follow a carrier's own, which do not follow themselves.
    precision, gradient : ndarray, shape (k, 4, 4) and (k, 4)
        Information about its own parameters, the others at their best, and gradient of minus the objective.
    back : ndarray, shape (k, 4, 4)
        What turns a move into the one that it stands for where points are taken as independent.
    reach : ndarray, shape (k,)
        How far about each edge points are asked one by one.
    sharp : ndarray of bool, shape (k,)
        Whether its edges are steps rather than slopes.
    """

    trace: Trace
    scene: Scene
    at: Evaluation
    which: NDArray[np.intp]
    follow: FloatArray
    precision: FloatArray
    gradient: FloatArray
    back: FloatArray
    reach: FloatArray
    sharp: NDArray[np.bool_]

    def some(self, rows: NDArray[np.intp]) -> Asked:
        """Return what is asked about some of these carriers."""
        said = (self.follow[rows], self.precision[rows], self.gradient[rows], self.back[rows])
        return Asked(self.trace, self.scene, self.at, self.which[rows], *said, self.reach[rows], self.sharp[rows])

    @property
    def theta(self) -> FloatArray:
        """The four parameters of each carrier, shape (k, 4)."""
        return self.scene.theta[self.which, :4]


def losses(asked: Asked, moved: FloatArray) -> FloatArray:
    """Return minus ln(likelihood) of carriers moved by `moved` (k, s, 4), shape (k, s), up to a constant of each."""
    compiled, at = loops(), asked.at
    if compiled is None:
        return np.array([_Stretch.of(asked, row).loss(moved[row]) for row in range(asked.which.size)])
    said = (asked.follow, asked.precision, asked.gradient, asked.back, asked.reach)
    shown = (to_loops(at), at.first, at.last, at.start, asked.scene.theta)
    return np.asarray(compiled.losses(asked.trace.packed, *shown, asked.which, *said, moved))


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The points about the edges of one carrier, each an array over them, and what all others say of it.

    `rest` is the power of all else, `gain` the line's and the response's, `through` how ln(rest) follows (points, 4),
    `beyond` and `pull` information and gradient of what is not asked point by point.
    """

    asked: Asked
    row: int
    index: NDArray[np.intp]
    rest: FloatArray
    gain: FloatArray
    through: FloatArray
    beyond: FloatArray
    pull: FloatArray

    @classmethod
    def of(cls, asked: Asked, row: int) -> _Stretch:
        trace, at, k = asked.trace, asked.at, int(asked.which[row])
        left, right = asked.theta[row, :2]
        reach, x = float(asked.reach[row]), trace.x
        low, high = np.searchsorted(x, (left - reach, right + reach))
        index = np.arange(low, high)
        index = index[np.minimum(np.abs(x[index] - left), np.abs(x[index] - right)) < reach]
        own, slopes = np.zeros(x.size), np.zeros((x.size, 4))
        points, pairs = slice(int(at.first[k]), int(at.last[k])), slice(int(at.start[k]), int(at.start[k + 1]))
        own[points], slopes[points] = at.power[pairs], at.jacobian[:, pairs].T
        rest = np.maximum(at.total - own, 1e-3 * at.floor)[index]
        through = _through(asked, row, index)
        both = through + slopes[index]
        weighted = both.T * at.weight[index]
        return cls(
            asked,
            row,
            index,
            rest,
            _gain(asked, k, index),
            through * (at.total[index] / rest)[:, None],
            asked.precision[row] - weighted @ both,
            asked.gradient[row] - weighted @ at.misfit[index],
        )

    def loss(self, moved: FloatArray) -> FloatArray:
        """Return minus ln(likelihood) at some moves (s, 4)."""
        trace, at, index = self.asked.trace, self.asked.at, self.index
        law, x = trace.law, trace.x[index]
        step = moved @ self.asked.back[self.row].T
        there = self.asked.theta[self.row] + step
        width = there[:, 1] - there[:, 0]
        half = 0.5 * np.clip(there[:, 2], 0.0, MOST_ROLL_OFF) * np.maximum(width, _LEAST_WIDTH)
        halves = np.broadcast_to(half[:, None], (half.size, x.size))
        lower, upper = (edge(x - there[:, side, None], halves, trace.sigma)[0] for side in (0, 1))
        rest = self.rest * np.exp(np.clip(step @ self.through.T, -_FAR, _FAR))
        level = np.minimum(there[:, 3], self.asked.theta[self.row, 3] + _FAR)
        total = rest + np.exp(level)[:, None] * self.gain * np.maximum(lower - upper, 0.0)
        off = trace.y[index] - at.eta[index] - np.log(total / at.total[index])
        u = np.clip((off - law.offset) / law.scale, -30.0, 4.0)
        loss = law.scale**2 * ((np.exp(u) - 1.0 - u) @ at.weight[index])
        loss += 0.5 * ((step @ self.beyond) * step).sum(axis=1) - step @ self.pull
        return np.where(width > _LEAST_WIDTH, loss, _HOPELESS)


def _gain(asked: Asked, k: int, index: NDArray[np.intp]) -> FloatArray:
    """Return what line and response make of a carrier at some points."""
    trace, theta = asked.trace, asked.scene.theta[k]
    left, right = theta[:2]
    x, level = trace.x[index], np.zeros(index.size)
    if trace.line is not None:
        level += trace.line[index] - np.interp(0.5 * (left + right), trace.x, trace.line)
    if theta[4:].any():
        level += theta[4:] @ bends((2.0 * x - left - right) / (right - left))
    return np.exp(level)


def _through(asked: Asked, row: int, index: NDArray[np.intp]) -> FloatArray:
    """Return how ln(level) at some points follows a carrier's own parameters through all others, shape (points, 4)."""
    at, basis, k = asked.at, asked.trace.basis, int(asked.which[row])
    first, last, follow = int(at.first[k]), int(at.last[k]), asked.follow[row]
    # Floor coefficients that share no point with the carrier are not in the band: it ends as it does at the carrier's.
    within = np.clip(index, first, last - 1)
    spline = np.zeros((index.size, 4))
    for m in range(4):
        spline += basis.values[m, within, None] * follow[4 * asked.scene.count + basis.interval[within] + m]
    result = spline * at.by_noise[index, None]
    for j in range(asked.scene.count):
        a, b = int(at.first[j]), int(at.last[j])
        if j != k and a < last and b > first:
            shown = np.flatnonzero((index >= a) & (index < b))
            pairs = int(at.start[j]) + index[shown] - a
            result[shown] += at.jacobian[:, pairs].T @ follow[4 * j : 4 * j + 4]
    return result
