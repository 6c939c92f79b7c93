"""The likelihood at places about a fit, compiled: `spectra.measure.likelihood` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.many import edges_of, exp_of, log_of
from spectra.measure.loops.model import At, Points
from spectra.measure.loops.response import response_at
from spectra.measure.loops.special import Index, compiled
from spectra.measure.scene import BENDS, MOST_ROLL_OFF
from spectra.units import FloatArray

__all__ = ["losses"]

_LEAST_WIDTH, _HOPELESS, _FAR = 0.2, 1e3, 3.0  # as in `spectra.measure.likelihood`
_NODES, _BEYOND = (
    49,
    6.5,
)  # of a tabulated edge, and standard deviations of the filter that it reaches beyond its cosine
_AT_ONCE = 1024  # points times places
_APART = math.log(1.3)  # of tables, in ln(half-width + deviation of the filter)


@compiled
def _tables(low: float, high: float, sigma: float) -> tuple[FloatArray, FloatArray]:
    """Return half-widths from `low` to `high`, and for each an edge, its slope and its change, (3, halves, nodes).

    Places run from -1 to 1 in units of half-width and reach; slopes are by place, changes by half-width.
    """
    count = max(2, math.ceil(math.log((high + sigma) / (low + sigma)) / _APART) + 1)
    halves, tables = np.empty(count), np.empty((3, count, _NODES))
    x, a = np.empty(_NODES), np.empty(_NODES)
    for h in range(count):
        halves[h] = (low + sigma) * ((high + sigma) / (low + sigma)) ** (h / (count - 1)) - sigma
        reach = halves[h] + _BEYOND * sigma
        for j in range(_NODES):
            x[j] = reach * (2.0 * j / (_NODES - 1) - 1.0)
        a[:] = halves[h]
        edges_of(x, a, sigma, tables[0, h], tables[1, h], tables[2, h])
        for j in range(_NODES):
            tables[2, h, j] += tables[1, h, j] * x[j] / reach
            tables[1, h, j] *= reach * 2.0 / (_NODES - 1)
    return halves, tables


@compiled
def _table_at(half: float, halves: FloatArray, tables: FloatArray, value: FloatArray, slope: FloatArray) -> None:
    """Write the table of an edge between those of two half-widths: cubic in its values, straight in its slopes."""
    h = 0
    while h < halves.size - 2 and halves[h + 1] < half:
        h += 1
    step = halves[h + 1] - halves[h]
    t = (half - halves[h]) / step
    one, turn_one, turn_two = t * t * (3.0 - 2.0 * t), step * t * (1.0 - t) ** 2, step * t * t * (t - 1.0)
    for j in range(_NODES):
        value[j] = (1.0 - one) * tables[0, h, j] + one * tables[0, h + 1, j]
        value[j] += turn_one * tables[2, h, j] + turn_two * tables[2, h + 1, j]
        slope[j] = (1.0 - t) * tables[1, h, j] + t * tables[1, h + 1, j]


@compiled
def _edge_at(x: float, reach: float, value: FloatArray, slope: FloatArray) -> float:
    """Return an edge from its table by cubic Hermite interpolation."""
    place = (x / reach + 1.0) * (0.5 * (_NODES - 1))
    if place <= 0.0:
        return 0.0
    if place >= _NODES - 1.0:
        return 1.0
    j = int(place)
    t = place - j
    rise = value[j + 1] - value[j]
    two, three = 3.0 * rise - 2.0 * slope[j] - slope[j + 1], slope[j] + slope[j + 1] - 2.0 * rise
    return float(value[j] + t * (slope[j] + t * (two + t * three)))


@compiled
def _followed(
    points: Points, at: At, first: Index, last: Index, start: Index, k: int, index: Index, follow: FloatArray
) -> FloatArray:
    """Return how ln(level) at some points follows a carrier's own parameters through all others, shape (points, 4)."""
    values, interval = points[5], points[6]
    jacobian, by_noise = at[1], at[8]
    count, out = first.size, np.zeros((index.size, 4))
    for m in range(index.size):
        i = index[m]
        within = min(max(i, first[k]), last[k] - 1)
        base = 4 * count + interval[within]
        for a in range(4):
            total = 0.0
            for c in range(4):
                total += values[c, within] * follow[base + c, a]
            out[m, a] = by_noise[i] * total
    for j in range(count):
        if j == k or first[j] >= last[k] or last[j] <= first[k]:
            continue
        for m in range(index.size):
            i = index[m]
            if first[j] <= i < last[j]:
                p = start[j] + i - first[j]
                for a in range(4):
                    for c in range(4):
                        out[m, a] += jacobian[c, p] * follow[4 * j + c, a]
    return out


@compiled
def _near(x: FloatArray, left: float, right: float, reach: float) -> Index:
    """Return the points within reach of either edge."""
    low, high = np.searchsorted(x, left - reach), np.searchsorted(x, right + reach)
    index, n = np.empty(high - low, np.intp), 0
    for i in range(low, high):
        if min(abs(x[i] - left), abs(x[i] - right)) < reach:
            index[n] = i
            n += 1
    return index[:n]


@compiled
def _gains(points: Points, row: FloatArray, index: Index) -> FloatArray:
    """Return what line and response make of a carrier at some points."""
    x, line = points[0], points[2]
    gain, room, responds = np.ones(index.size), np.empty(BENDS), False
    for j in range(4, 4 + BENDS):
        responds = responds or row[j] != 0.0
    if not (line.size or responds):
        return gain
    left, right = row[0], row[1]
    at_centre = np.interp(0.5 * (left + right), x, line) if line.size else 0.0
    for m in range(index.size):
        i = index[m]
        level = line[i] - at_centre if line.size else 0.0
        if responds:
            level += response_at(row, (2.0 * x[i] - left - right) / (right - left), room)
        gain[m] = math.exp(level)
    return gain


@compiled
def _beside(
    at: At, first: int, last: int, start: int, index: Index, through: FloatArray, beyond: FloatArray, pull: FloatArray
) -> FloatArray:
    """Return the power of all but one carrier at some points, and turn what is said of the whole trace into the rest.

    What the points say is taken out of `beyond` and `pull`; `through` becomes how ln of that power follows.
    """
    power, jacobian, floor, total, weight, misfit = at[0], at[1], at[2], at[4], at[6], at[7]
    rest, own = np.empty(index.size), np.empty(4)
    for m in range(index.size):
        i = index[m]
        own[:] = through[m]
        rest[m] = total[i]
        if first <= i < last:
            p = start + i - first
            rest[m] -= power[p]
            for a in range(4):
                own[a] += jacobian[a, p]
        rest[m] = max(rest[m], 1e-3 * floor[i])
        for a in range(4):
            pull[a] -= own[a] * weight[i] * misfit[i]
            for b in range(4):
                beyond[a, b] -= own[a] * weight[i] * own[b]
            through[m, a] *= total[i] / rest[m]
    return rest


@compiled
def _places(row: FloatArray, back: FloatArray, moved: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what moves stand for, the parameters there, and the half-widths of the edges' cosines."""
    count = len(moved)
    step, there, half = np.empty((count, 4)), np.empty((count, 4)), np.empty(count)
    for s in range(count):
        for a in range(4):
            step[s, a] = 0.0
            for b in range(4):
                step[s, a] += back[a, b] * moved[s, b]
            there[s, a] = row[a] + step[s, a]
        width = max(there[s, 1] - there[s, 0], _LEAST_WIDTH)
        half[s] = 0.5 * min(max(there[s, 2], 0.0), MOST_ROLL_OFF) * width
    return step, there, half


@compiled
def _point_by_point(
    x: FloatArray,
    sigma: float,
    scale: float,
    still: FloatArray,
    weight: FloatArray,
    rest: FloatArray,
    gain: FloatArray,
    through: FloatArray,
    step: FloatArray,
    there: FloatArray,
    half: FloatArray,
    most: float,
    out: FloatArray,
) -> None:
    """Write minus ln(likelihood) of some points at each place; `still` is their level, `most` the greatest plateau."""
    n, places = x.size, len(step)
    halves, tables = _tables(half.min(), half.max() + 1e-6 * sigma, sigma)
    value, slope = np.empty(_NODES), np.empty(_NODES)
    chunk = max(1, _AT_ONCE // max(n, 1))
    sums, ratio = np.empty(chunk * n), np.empty(chunk * n)
    for begin in range(0, places, chunk):
        stop = min(begin + chunk, places)
        size = (stop - begin) * n
        for s in range(begin, stop):
            base = (s - begin) * n
            for m in range(n):
                moves = step[s, 0] * through[m, 0] + step[s, 1] * through[m, 1]
                moves += step[s, 2] * through[m, 2] + step[s, 3] * through[m, 3]
                sums[base + m] = min(max(moves, -_FAR), _FAR)
        exp_of(sums[:size], ratio[:size])
        for s in range(begin, stop):
            base = (s - begin) * n
            _table_at(half[s], halves, tables, value, slope)
            reach, plateau = half[s] + _BEYOND * sigma, math.exp(min(there[s, 3], most))
            for m in range(n):
                shown = _edge_at(x[m] - there[s, 0], reach, value, slope)
                shown -= _edge_at(x[m] - there[s, 1], reach, value, slope)
                ratio[base + m] = rest[m] * ratio[base + m] + plateau * gain[m] * max(shown, 0.0)
        log_of(ratio[:size], sums[:size])
        for s in range(begin, stop):
            base = (s - begin) * n
            for m in range(n):
                sums[base + m] = min(max(still[m] - sums[base + m] / scale, -30.0), 4.0)
        exp_of(sums[:size], ratio[:size])
        for s in range(begin, stop):
            base, lost = (s - begin) * n, 0.0
            for m in range(n):
                lost += weight[m] * (ratio[base + m] - 1.0 - sums[base + m])
            out[s] = scale * scale * lost


@compiled
def losses(
    points: Points,
    at: At,
    first: Index,
    last: Index,
    start: Index,
    theta: FloatArray,
    which: Index,
    follow: FloatArray,
    precision: FloatArray,
    gradient: FloatArray,
    back: FloatArray,
    reach: FloatArray,
    moved: FloatArray,
) -> FloatArray:
    """Return minus ln(likelihood) at places `moved` (k, s, 4), shape (k, s)."""
    x, y, sigma, offset, scale = points[0], points[1], points[7], points[8][0], points[8][1]
    total, eta, weight = at[4], at[5], at[6]
    out = np.empty((which.size, moved.shape[1]))
    for r in range(which.size):
        k = which[r]
        row = theta[k]
        index = _near(x, row[0], row[1], reach[r])
        through = _followed(points, at, first, last, start, k, index, follow[r])
        beyond, pull = precision[r].copy(), gradient[r].copy()
        rest = _beside(at, first[k], last[k], start[k], index, through, beyond, pull)
        still = (y[index] - eta[index] + np.log(total[index]) - offset) / scale
        step, there, half = _places(row, back[r], moved[r])
        gain, most = _gains(points, row, index), row[3] + _FAR
        _point_by_point(
            x[index], sigma, scale, still, weight[index], rest, gain, through, step, there, half, most, out[r]
        )
        for s in range(len(step)):
            for a in range(4):
                out[r, s] -= step[s, a] * pull[a]
                for b in range(4):
                    out[r, s] += 0.5 * step[s, a] * beyond[a, b] * step[s, b]
            if there[s, 1] - there[s, 0] <= _LEAST_WIDTH:
                out[r, s] = _HOPELESS
    return out
