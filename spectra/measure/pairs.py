"""Which points show which carrier, and where in the band of information each of their products goes.

Both change only when carriers move by more than a point or so, and are kept for as long as they serve.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.linear import places
from spectra.measure.scene import Scene, Trace
from spectra.units import FloatArray

__all__ = ["COLUMN", "ROW", "Layout", "Order", "Pairs", "pairs_of"]

_REACH = 6.0  # standard deviations of the filter beyond an edge
_SLACK_POINTS, _SLACK_WIDTH = 0.5, 0.02  # by which a carrier may grow before its points are counted anew

ROW, COLUMN = np.tril_indices(4)
_FOUR = np.arange(4)
_Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Order:
    """Where the parameters stand in a band.

    Attributes
    ----------
    place : ndarray of int, shape (q,)
        Row of each parameter.
    width : int
        Diagonals of the band.
    rough : ndarray, shape (q, width)
        The floor's penalty at unit strength as a band.
    """

    place: _Index
    width: int
    rough: FloatArray


@dataclass(frozen=True, slots=True)
class Layout:
    """How sums over pairs become a band of information.

    Attributes
    ----------
    shown, segments : ndarray of int, shape (s,)
        Carriers that have points, and the first pair of each.
    one, two, begin : ndarray of int
        Pairs of two carriers at one point, and where each two carriers' begin.
    cut : ndarray of int
        Where in the pairs a carrier or a knot interval begins.
    flat : ndarray of int
        Where in the flat band each sum goes: carriers' own, between carriers, with the floor, the floor's own.
    width : int
        Diagonals of the band.
    """

    shown: _Index
    segments: _Index
    one: _Index
    two: _Index
    begin: _Index
    cut: _Index
    flat: _Index
    width: int


@dataclass(frozen=True)
class Pairs:
    """Each point within reach of a carrier.

    Attributes
    ----------
    first, last : ndarray of int, shape (k,)
        First point of each carrier, and one past its last.
    start : ndarray of int, shape (k + 1,)
        Where its pairs start.
    centre : ndarray, shape (k,)
        Of the carriers when the points were counted: gives the order of the parameters.
    x : ndarray, shape (n,)
    interval : ndarray of int
        Knot interval of each point, empty for a known floor.
    penalty : ndarray, shape (4, size)
        Of the floor's coefficients.
    """

    first: _Index
    last: _Index
    start: _Index
    centre: FloatArray
    x: FloatArray
    interval: _Index
    penalty: FloatArray

    @property
    def size(self) -> int:
        """Coefficients of the floor."""
        return int(self.penalty.shape[1])

    def serve(self, trace: Trace, scene: Scene) -> bool:
        """Say whether these are still good for the carriers of a scene."""
        if self.x is not trace.x or self.first.size != scene.count or self.size != trace.basis.size:
            return False
        compiled = loops()
        if compiled is not None:
            return bool(compiled.within(self.x, scene.theta, self.first, self.last, trace.sigma))
        first, last = _ends(trace, scene, 0.0)
        return bool(np.all(first >= self.first) and np.all(last <= self.last))

    @cached_property
    def index(self) -> _Index:
        """Point of each pair."""
        length = self.last - self.first
        return np.arange(self.start[-1]) - np.repeat(self.start[:-1] - self.first, length)

    @cached_property
    def owner(self) -> _Index:
        """Carrier of each pair."""
        return np.repeat(np.arange(self.first.size), self.last - self.first)

    @cached_property
    def order(self) -> Order:
        """Where the parameters stand in a band."""
        compiled = loops()
        if compiled is None:
            place, width = self._place, self.layout.width
        else:
            place, width = compiled.ordered(self.x, self.centre, self.first, self.last, self.interval, self.size)
        rough = np.zeros((place.size, width))
        for d in range(min(4, self.size)):
            one, two = place[4 * self.first.size :][: self.size - d], place[4 * self.first.size + d :]
            rough[np.minimum(one, two), np.abs(two - one)] = self.penalty[d, : self.size - d]
        return Order(place, width, rough)

    @cached_property
    def layout(self) -> Layout:
        """Where the sums over these pairs go."""
        k, size = self.first.size, self.size
        shown = np.flatnonzero(np.diff(self.start))
        segments = self.start[:-1][shown]
        one, two, begin, left, right = self._shared()
        rows = [(4 * shown + ROW[:, None]).ravel(), (4 * left + _FOUR[:, None, None] + 0 * _FOUR[:, None]).ravel()]
        columns = [
            (4 * shown + COLUMN[:, None]).ravel(),
            (4 * right + _FOUR[:, None] + 0 * _FOUR[:, None, None]).ravel(),
        ]
        cut = np.empty(0, dtype=np.intp)
        if size:
            cut = self._cut(segments)
            owner, first = self.owner[cut], self.interval[self.index[cut]]
            rows.append((4 * owner + _FOUR[:, None, None] + 0 * _FOUR[:, None]).ravel())
            columns.append((4 * k + first + _FOUR[:, None] + 0 * _FOUR[:, None, None]).ravel())
            for d in range(4):
                rows.append(4 * k + np.arange(size - d))
                columns.append(4 * k + np.arange(d, size))
        flat, width = places(self._place, np.concatenate(rows), np.concatenate(columns))
        return Layout(shown, segments, one, two, begin, cut, flat, width)

    def _shared(self) -> tuple[_Index, _Index, _Index, _Index, _Index]:
        """Return the pairs of two carriers at one point, where those of each two begin, and which two these are."""
        low = np.maximum(self.first[:, None], self.first)
        length = np.minimum(self.last[:, None], self.last) - low
        left, right = np.nonzero(np.triu(length > 0, 1))
        low, length = low[left, right], length[left, right]
        begin = np.cumsum(length) - length
        point = np.arange(int(length.sum())) - np.repeat(begin - low, length)
        one = point + np.repeat(self.start[left] - self.first[left], length)
        two = point + np.repeat(self.start[right] - self.first[right], length)
        return one, two, begin, left, right

    def _cut(self, segments: _Index) -> _Index:
        interval = self.interval[self.index]
        fresh = np.ones(interval.size, dtype=bool)
        np.not_equal(interval[1:], interval[:-1], out=fresh[1:])
        fresh[segments] = True
        return np.flatnonzero(fresh)

    @cached_property
    def _place(self) -> _Index:
        """Return the row of each parameter along the frequency axis."""
        knot = float(self.x[-1] - self.x[0]) / max(self.size - 3, 1)
        position = np.concatenate((np.repeat(self.centre, 4), self.x[0] + (np.arange(self.size) - 1.0) * knot))
        place = np.empty(position.size, dtype=np.intp)
        place[np.argsort(position, kind="stable")] = np.arange(position.size)
        return place


def _ends(trace: Trace, scene: Scene, slack: float) -> tuple[_Index, _Index]:
    left, right, roll_off = scene.theta[:, 0], scene.theta[:, 1], scene.theta[:, 2]
    width = right - left
    reach = _REACH * trace.sigma + 0.5 * roll_off * width + slack * (_SLACK_POINTS + _SLACK_WIDTH * width)
    first = np.searchsorted(trace.x, left - reach)
    return first, np.maximum(np.searchsorted(trace.x, right + reach), first)


def pairs_of(trace: Trace, scene: Scene) -> Pairs:
    """Return the pairs of a scene's carriers and the points of a trace, with a little slack."""
    compiled = loops()
    if compiled is not None:
        first, last, start = compiled.reached(trace.x, scene.theta, trace.sigma, 1.0)
    else:
        first, last = _ends(trace, scene, 1.0)
        start = np.zeros(first.size + 1, dtype=np.intp)
        np.cumsum(last - first, out=start[1:])
    centre = 0.5 * (scene.theta[:, 0] + scene.theta[:, 1])
    return Pairs(first, last, start, centre, trace.x, trace.basis.interval, trace.basis.penalty)
