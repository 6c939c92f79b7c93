"""The inner loops of the fit, compiled: what `model`, `information`, `linear`, `fit` and `edges` do, number by number.

Numpy needs some hundred calls for one step of a fit, each on a few hundred numbers, and spends most of its time
between them. These loops do the same without. The numpy code is their definition, and runs where numba is not
installed; the tests hold the two against each other.

`Points` is what a trace is to the loops, `At` what an evaluation is; both are plain tuples.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, cast

import numpy as np

from spectra.measure.loops_band import firm, inverse_within, solved, times
from spectra.measure.loops_edges import followed
from spectra.measure.loops_floor import edges_found, floor_fitted, hull_under, line_through, mixture_interval
from spectra.measure.loops_response import response_at, response_sums
from spectra.measure.loops_special import SATURATED, Flags, Index, compiled, edge_at, exp1, gamma_slopes
from spectra.measure.scene import BEND_PRECISION, BENDS, CW, LEAST_ROLL_OFF, MOST_ROLL_OFF
from spectra.units import FloatArray

__all__ = [
    "At",
    "Points",
    "edges_found",
    "evaluated",
    "fitted",
    "floor_fitted",
    "followed",
    "gradient",
    "hull_under",
    "information",
    "inverse_within",
    "kept",
    "line_through",
    "mixture_interval",
    "moved",
    "ordered",
    "reached",
    "response_sums",
    "solved",
    "within",
]

Points = tuple[
    FloatArray,
    FloatArray,
    FloatArray,
    FloatArray,
    FloatArray,
    FloatArray,
    Index,
    float,
    tuple[float, float, float, float, int, float, float],
]
"""x, y, ln of the line's response, ln(floor) where it is known, standing waves, splines, knot intervals, the filter's
sigma, and the law: offset, scale, information of a point as shown and by the law, kind of average, mean, shape."""

At = tuple[FloatArray, ...]
"""power and jacobian by pair; floor, noise, total, eta, weight, misfit, by_noise, deviance and doubt by point."""

_REACH, _SLACK_POINTS, _SLACK_WIDTH = 6.0, 0.5, 0.02  # as in `spectra.measure.pairs`
_SKIRT_TOLERANCE = 0.03  # as in `spectra.measure.model`
_LIKE, _KEPT, _NOTHING = 1.0, 4.0, 0.05  # as in `spectra.measure.fit`


@compiled
def _tone_bias(average: int, mean: float, own_shape: float, scale: float, r: float) -> tuple[float, float]:
    """Return shift and slope, as `spectra.measure.model._tone_bias`; `average` 0 power, 1 log, 2 voltage, 3 peak."""
    if average == 0 or r <= 1e-4:
        return 0.0, 0.0
    spread = (1.0 + 2.0 * r) / (1.0 + r) ** 2
    by_r = -2.0 * r / (1.0 + r) ** 3
    if average == 1:
        bias = exp1(r) + math.log(r / (1.0 + r)) + np.euler_gamma
        steep = -math.expm1(-r) / r - 1.0 / (1.0 + r)
    elif average == 2:
        bias, steep = mean * (spread - 1.0), mean * by_r
    else:
        root = math.sqrt(spread)
        bias, steep = mean * (root - 1.0), 0.5 * mean * by_r / root
    shape = own_shape / spread
    here, here_slope = gamma_slopes(shape)
    turn = math.log(shape) - here - (math.log(own_shape) - gamma_slopes(own_shape)[0])
    by_spread = -1.0 / spread + shape / spread * here_slope
    return bias + scale * turn, steep + scale * by_spread * by_r


@compiled
def reached(x: FloatArray, theta: FloatArray, sigma: float, slack: float) -> tuple[Index, Index, Index]:
    """Return first point, one past the last, and where the pairs start, of each carrier."""
    k = len(theta)
    first, last, start = np.empty(k, np.intp), np.empty(k, np.intp), np.zeros(k + 1, np.intp)
    for j in range(k):
        width = theta[j, 1] - theta[j, 0]
        reach = _REACH * sigma + 0.5 * theta[j, 2] * width + slack * (_SLACK_POINTS + _SLACK_WIDTH * width)
        first[j] = np.searchsorted(x, theta[j, 0] - reach)
        last[j] = max(np.searchsorted(x, theta[j, 1] + reach), first[j])
        start[j + 1] = start[j] + last[j] - first[j]
    return first, last, start


@compiled
def within(x: FloatArray, theta: FloatArray, first: Index, last: Index, sigma: float) -> bool:
    """Say whether all that carriers reach lies within first..last."""
    low, high, _ = reached(x, theta, sigma, 0.0)
    return bool(np.all(low >= first) and np.all(high <= last))


@compiled
def ordered(
    x: FloatArray, centre: FloatArray, first: Index, last: Index, interval: Index, size: int
) -> tuple[Index, int]:
    """Return the row of each parameter along the frequency axis, and the diagonals that a band of them needs."""
    k = centre.size
    position = np.empty(4 * k + size)
    for j in range(4 * k):
        position[j] = centre[j // 4]
    knot = (x[-1] - x[0]) / max(size - 3, 1)
    for j in range(size):
        position[4 * k + j] = x[0] + (j - 1.0) * knot
    order = np.argsort(position, kind="mergesort")
    place = np.empty(position.size, np.intp)
    for row in range(order.size):
        place[order[row]] = row
    apart = 3 if k or size else 0
    for j in range(size):
        for d in range(1, min(4, size - j)):
            apart = max(apart, abs(place[4 * k + j + d] - place[4 * k + j]))
    for j in range(k):
        low, high = place[4 * j], place[4 * j + 3]
        for other in range(j + 1, k):
            if min(last[j], last[other]) > max(first[j], first[other]):
                apart = max(apart, abs(place[4 * other + 3] - low), abs(high - place[4 * other]))
        if size and last[j] > first[j]:
            begin, end = 4 * k + interval[first[j]], 4 * k + interval[last[j] - 1] + 3
            apart = max(apart, abs(place[end] - low), abs(high - place[begin]))
    return place, min(apart + 1, place.size)


@compiled
def _penalty(theta: FloatArray, beta: FloatArray, strength: float) -> float:
    """Return the penalty of floor and responses."""
    bent = 0.0
    for k in range(len(theta)):
        for j in range(BENDS):
            bent += 0.5 * BEND_PRECISION[j] * theta[k, 4 + j] ** 2
    for j in range(beta.size - 2):
        bent += 0.5 * strength * (beta[j + 2] - 2.0 * beta[j + 1] + beta[j]) ** 2
    return bent


@compiled
def evaluated(
    points: Points,
    kind: Index,
    theta: FloatArray,
    beta: FloatArray,
    strength: float,
    first: Index,
    last: Index,
    start: Index,
) -> tuple[At, float, float]:
    """Return an `At` at some carriers and floor, minus ln(likelihood) with penalties, and the penalties."""
    x, y, line, level, wave, values, interval, sigma, law = points
    offset, scale, known, by_law, average, law_mean, law_shape = law
    n = x.size
    floor, noise, tone, by_sigma = np.empty(n), np.empty(n), np.zeros(n), np.zeros(n)
    for i in range(n):
        if level.size:
            lifted = level[i]
        else:
            j = interval[i]
            lifted = values[0, i] * beta[j]
            for a in range(1, 4):
                lifted += values[a, i] * beta[j + a]
            if wave.size:
                lifted += wave[i]
        floor[i] = math.exp(lifted)
        noise[i] = floor[i]
    power, jacobian, room = np.empty(start[-1]), np.empty((4, start[-1])), np.empty(BENDS)
    for k in range(kind.size):
        left, right, roll_off = theta[k, 0], theta[k, 1], theta[k, 2]
        width = right - left
        half, beyond = 0.5 * roll_off * width, SATURATED * sigma
        responds = False
        for j in range(4, 4 + BENDS):
            responds = responds or theta[k, j] != 0.0
        plain = theta[k, 3]
        if line.size:  # the level is that at the carrier's centre
            plain -= np.interp(0.5 * (left + right), x, line)
        constant = math.exp(plain)
        for i in range(first[k], last[k]):
            p = start[k] + i - first[k]
            plateau = constant
            if line.size:
                plateau *= math.exp(line[i])
            if responds:
                plateau *= math.exp(response_at(theta[k], (2.0 * x[i] - left - right) / width, room))
            if kind[k] == CW:
                u = (x[i] - left) / sigma
                peak = math.exp(-0.5 * u * u) * plateau
                jacobian[0, p], jacobian[1, p], jacobian[2, p], jacobian[3, p] = peak * u / sigma, 0.0, 0.0, peak
                power[p] = peak
                tone[i] += peak
                by_sigma[i] += peak * u * u
                continue
            if x[i] - left >= half + beyond and right - x[i] >= half + beyond:  # on the flat top
                jacobian[0, p], jacobian[1, p], jacobian[2, p], jacobian[3, p] = 0.0, 0.0, 0.0, plateau
                power[p] = plateau
                noise[i] += plateau
                continue
            below, slope_below, turn_below = edge_at(x[i] - left, half, sigma)
            above, slope_above, turn_above = edge_at(x[i] - right, half, sigma)
            turn = turn_below - turn_above
            own = 0.5 * roll_off * turn
            power[p] = (below - above) * plateau
            jacobian[0, p] = (-slope_below - own) * plateau
            jacobian[1, p] = (slope_above + own) * plateau
            jacobian[2, p] = 0.5 * width * turn * plateau
            jacobian[3, p] = power[p]
            noise[i] += power[p]
            by_sigma[i] += ((x[i] - right) * slope_above - (x[i] - left) * slope_below - half * turn) * plateau
    eta, total, by_noise, by_tone = np.empty(n), np.empty(n), np.empty(n), np.zeros(n)
    weight, misfit, deviance, doubt = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    lost, sharper = 0.0, 0.0
    for i in range(n):
        total[i] = noise[i] + tone[i]
        eta[i], by_noise[i], spread = math.log(total[i]), 1.0 / total[i], 1.0
        if tone[i] > 0.0:
            ratio = tone[i] / noise[i]
            shift, slope = _tone_bias(average, law_mean, law_shape, scale, ratio)
            eta[i] += shift
            by_tone[i] = by_noise[i] + slope / noise[i]
            by_noise[i] -= slope * ratio / noise[i]
            spread = (1.0 + 2.0 * ratio) / (1.0 + ratio) ** 2
        doubt[i] = by_sigma[i] / total[i]
        wider = spread + known * _SKIRT_TOLERANCE**2 * doubt[i] * doubt[i]
        if wider != 1.0:
            sharper -= math.log(wider)
        weight[i] = known / wider
        u = min(max((y[i] - eta[i] - offset) / scale, -30.0), 4.0)
        growth = math.exp(u) - 1.0
        misfit[i], deviance[i] = scale * growth, scale * scale * (growth - u)
        lost += weight[i] * deviance[i]
    for k in range(kind.size):
        for i in range(first[k], last[k]):
            p = start[k] + i - first[k]
            by = by_tone[i] if kind[k] == CW else by_noise[i]
            for a in range(4):
                jacobian[a, p] *= by
    for i in range(n):
        by_noise[i] *= floor[i]
    at = (power, jacobian, floor, noise, total, eta, weight, misfit, by_noise, deviance, doubt)
    bent = _penalty(theta, beta, strength)
    return at, lost + bent - 0.5 * sharper * known / by_law, bent


@compiled
def _into(lower: FloatArray, one: int, two: int, value: float) -> None:
    lower[min(one, two), abs(one - two)] += value


@compiled
def information(
    points: Points, at: At, first: Index, last: Index, start: Index, place: Index, width: int
) -> FloatArray:
    """Return the information of the points as a band, shape (size, width)."""
    values, interval = points[5], points[6]
    jacobian, weight, by_noise = at[1], at[6], at[8]
    lower = np.zeros((place.size, width))
    k, fitted_floor = first.size, place.size > 4 * first.size
    shared = np.empty((4, 4))
    for j in range(k):
        shared[:] = 0.0
        for p in range(start[j], start[j + 1]):
            w = weight[first[j] + p - start[j]]
            for a in range(4):
                wa = w * jacobian[a, p]
                for b in range(a + 1):
                    shared[a, b] += wa * jacobian[b, p]
        for a in range(4):
            for b in range(a + 1):
                _into(lower, place[4 * j + a], place[4 * j + b], shared[a, b])
        for other in range(j + 1, k):
            low, high = max(first[j], first[other]), min(last[j], last[other])
            if high <= low:
                continue
            shared[:] = 0.0
            own, their = start[j] - first[j], start[other] - first[other]
            for i in range(low, high):
                for a in range(4):
                    wa = weight[i] * jacobian[a, own + i]
                    for b in range(4):
                        shared[a, b] += wa * jacobian[b, their + i]
            for a in range(4):
                for b in range(4):
                    _into(lower, place[4 * j + a], place[4 * other + b], shared[a, b])
        if not fitted_floor:
            continue
        i = first[j]
        while i < last[j]:
            knot = interval[i]
            shared[:] = 0.0
            while i < last[j] and interval[i] == knot:
                w = weight[i] * by_noise[i]
                for a in range(4):
                    wa = w * jacobian[a, start[j] + i - first[j]]
                    for b in range(4):
                        shared[a, b] += wa * values[b, i]
                i += 1
            for a in range(4):
                for b in range(4):
                    _into(lower, place[4 * j + a], place[4 * k + knot + b], shared[a, b])
    if fitted_floor:
        i = 0
        while i < weight.size:
            knot = interval[i]
            shared[:] = 0.0
            while i < weight.size and interval[i] == knot:
                w = weight[i] * by_noise[i] * by_noise[i]
                for a in range(4):
                    for b in range(a + 1):
                        shared[a, b] += w * values[a, i] * values[b, i]
                i += 1
            for a in range(4):
                for b in range(a + 1):
                    _into(lower, place[4 * k + knot + a], place[4 * k + knot + b], shared[a, b])
    return lower


@compiled
def gradient(
    points: Points, at: At, first: Index, last: Index, start: Index, beta: FloatArray, strength: float
) -> FloatArray:
    """Return the gradient of minus the objective, by parameter."""
    values, interval = points[5], points[6]
    jacobian, weight, misfit, by_noise = at[1], at[6], at[7], at[8]
    k = first.size
    out = np.zeros(4 * k + beta.size)
    for j in range(k):
        for i in range(first[j], last[j]):
            w = weight[i] * misfit[i]
            for a in range(4):
                out[4 * j + a] += w * jacobian[a, start[j] + i - first[j]]
    if beta.size:
        for i in range(weight.size):
            w = weight[i] * misfit[i] * by_noise[i]
            for a in range(4):
                out[4 * k + interval[i] + a] += w * values[a, i]
        for j in range(beta.size - 2):
            second = strength * (beta[j + 2] - 2.0 * beta[j + 1] + beta[j])
            out[4 * k + j] -= second
            out[4 * k + j + 1] += 2.0 * second
            out[4 * k + j + 2] -= second
    return out


@compiled
def moved(kind: Index, theta: FloatArray, step: FloatArray) -> FloatArray:
    """Return the carriers after a step, as `spectra.measure.fit` shortens it."""
    out = theta.copy()
    for k in range(kind.size):
        reach = 1.2 if kind[k] == CW else max(0.3 * (theta[k, 1] - theta[k, 0]), 0.5)
        most = max(abs(step[4 * k]), abs(step[4 * k + 1])) / reach
        most = max(most, abs(step[4 * k + 2]) / 0.25, abs(step[4 * k + 3]) / 1.5, 1.0)
        for a in range(4):
            out[k, a] += step[4 * k + a] / most
        out[k, 2] = min(max(out[k, 2], LEAST_ROLL_OFF), MOST_ROLL_OFF)
        if kind[k] == CW:
            out[k, 1], out[k, 2] = out[k, 0], 0.0
        elif out[k, 1] - out[k, 0] < 0.05:
            out[k, 1] = out[k, 0] + 0.05
    return out


@compiled
def _free(kind: Index, theta: FloatArray, slope: FloatArray, frozen: Flags) -> Flags:
    """Say which parameters are free, as `spectra.measure.information` does."""
    free = np.ones(slope.size, np.bool_)
    for k in range(kind.size):
        pull, roll_off = slope[4 * k + 2], theta[k, 2]
        outward = (roll_off <= LEAST_ROLL_OFF and pull <= 0.0) or (roll_off >= MOST_ROLL_OFF and pull >= 0.0)
        free[4 * k + 1] = kind[k] != CW
        free[4 * k + 2] = kind[k] != CW and not outward and not frozen[k]
    return free


@compiled
def _step(
    theta: FloatArray, lower: FloatArray, place: Index, slope: FloatArray, free: Flags, damping: FloatArray
) -> FloatArray:
    """Return the step of all parameters, as `spectra.measure.fit` does."""
    step = firm(lower, place, slope, free, damping)
    known, rest, over = np.zeros(step.size), free, False
    for k in range(len(theta)):
        j = 4 * k + 2
        wanted = theta[k, 2] + step[j]
        if wanted < LEAST_ROLL_OFF or wanted > MOST_ROLL_OFF:
            if not over:
                rest, over = free.copy(), True
            known[j], rest[j] = min(max(wanted, LEAST_ROLL_OFF), MOST_ROLL_OFF) - theta[k, 2], False
    if not over:
        return step
    return firm(lower, place, slope - times(lower, place, known), rest, damping) + known


@compiled
def fitted(
    points: Points,
    kind: Index,
    theta: FloatArray,
    beta: FloatArray,
    strength: float,
    frozen: Flags,
    rounds: int,
    tolerance: float,
    least: float,
    at: At,
    lost: float,
    bent: float,
    first: Index,
    last: Index,
    start: Index,
) -> tuple[FloatArray, FloatArray, At, float, float, Index, Index, Index, int, bool]:
    """Return carriers, floor and `At` after damped Fisher scoring, as `spectra.measure.fit.fit` without responses.

    Also minus ln(likelihood), the penalty in it, the pairs (first, last, start), how many steps were taken, and whether
    the pairs are other ones.
    """
    x, interval, sigma = points[0], points[6], points[7]
    size = beta.size
    place, width = np.empty(0, np.intp), 0
    lower, diagonal = np.empty((0, 0)), np.empty(0)
    damping, known, stale, renewed, steps = 1e-3, False, True, False, 0
    for _ in range(rounds):
        fresh = not known
        slope = gradient(points, at, first, last, start, beta, strength)
        free = _free(kind, theta, slope, frozen)
        gain = 0.0
        for _ in range(5):
            if not known:
                if stale:
                    centre = 0.5 * (theta[:, 0] + theta[:, 1])
                    place, width = ordered(x, centre, first, last, interval, size)
                    stale = False
                lower = information(points, at, first, last, start, place, width)
                diagonal = lower[:, 0].copy()
                for j in range(size - 2):  # the floor's penalty
                    row = 4 * kind.size + j
                    for a in range(3):
                        for b in range(a + 1):
                            value = strength * (-2.0 if a == 1 else 1.0) * (-2.0 if b == 1 else 1.0)
                            _into(lower, place[row + a], place[row + b], value)
                known = True
            step = _step(theta, lower, place, slope, free, damping * diagonal)
            promise = 0.0
            for j in range(step.size):
                promise += 0.5 * step[j] * slope[j]
            if promise < _NOTHING * tolerance or lost - _KEPT * promise > least:
                break
            trial, trial_beta = moved(kind, theta, step), beta.copy()
            for j in range(size):
                trial_beta[j] += min(max(step[4 * kind.size + j], -1.0), 1.0)
            other = not within(x, trial, first, last, sigma)
            pairs = reached(x, trial, sigma, 1.0) if other else (first, last, start)
            there, then, then_bent = evaluated(points, kind, trial, trial_beta, strength, pairs[0], pairs[1], pairs[2])
            gain = bent - then_bent
            for i in range(x.size):  # the weights belong to the scene that the step starts from
                gain += at[6][i] * (at[9][i] - there[9][i])
            if gain >= -1e-3 * tolerance:
                theta, beta, at, lost, bent = trial, trial_beta, there, then, then_bent
                if other:
                    first, last, start = pairs
                    stale, renewed = True, True
                damping, steps = max(damping * 0.1, 1e-6), steps + 1
                break
            if fresh:
                damping = max(damping * 10.0, 1e-2)
            else:
                known, fresh = False, True
        if gain > _LIKE:
            known = False
        if gain < tolerance:
            break
    return theta, beta, at, lost, bent, first, last, start, steps, renewed


def kept() -> bool:
    """Say whether the loops were compiled before and kept on disk."""
    folder = Path(cast(Any, fitted).stats.cache_path or "")
    return any(folder.glob("loops.fitted-*.nbi"))
