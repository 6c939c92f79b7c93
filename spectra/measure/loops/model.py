"""The model of a trace, compiled: see `spectra.measure.model`."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.many import SATURATED, edges_of, exp_of, log_of
from spectra.measure.loops.response import response_at
from spectra.measure.loops.special import Index, compiled, exp1, gamma_slopes
from spectra.measure.scene import BEND_PRECISION, BENDS, CW
from spectra.units import FloatArray

__all__ = ["At", "Points", "evaluated"]

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

_SKIRT_TOLERANCE = 0.03  # as in `spectra.measure.model`


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
def _plateaus(
    points: Points, kind: Index, theta: FloatArray, first: Index, last: Index, start: Index, out: FloatArray
) -> None:
    """Write each pair's power before the edges: level, line and response; of a CW what the filter makes of it."""
    x, line, sigma = points[0], points[2], points[7]
    room = np.empty(BENDS)
    for k in range(kind.size):
        left, right, plain = theta[k, 0], theta[k, 1], theta[k, 3]
        begin = start[k] - first[k]
        if line.size:  # the level is that at the carrier's centre
            plain -= np.interp(0.5 * (left + right), x, line)
        responds = False
        for j in range(4, 4 + BENDS):
            responds = responds or theta[k, j] != 0.0
        if not (line.size or responds or kind[k] == CW):
            out[start[k] : start[k + 1]] = math.exp(plain)
            continue
        for i in range(first[k], last[k]):
            level = plain
            if line.size:
                level += line[i]
            if responds:
                level += response_at(theta[k], (2.0 * x[i] - left - right) / (right - left), room)
            if kind[k] == CW:
                level -= 0.5 * ((x[i] - left) / sigma) ** 2
            out[begin + i] = level
        exp_of(out[start[k] : start[k + 1]], out[start[k] : start[k + 1]])


@compiled
def _edges(
    x: FloatArray, sigma: float, kind: Index, theta: FloatArray, first: Index, last: Index, start: Index
) -> tuple[Index, FloatArray, FloatArray]:
    """Return the pairs that are not on a flat top, and both their edges: value and derivatives, (3, pairs)."""
    shown, count = np.empty(start[-1], np.intp), 0
    for k in range(kind.size):
        if kind[k] == CW:
            continue
        reach = 0.5 * theta[k, 2] * (theta[k, 1] - theta[k, 0]) + SATURATED * sigma
        for i in range(first[k], last[k]):
            if x[i] - theta[k, 0] < reach or theta[k, 1] - x[i] < reach:
                shown[count] = start[k] + i - first[k]
                count += 1
    shown = shown[:count]
    below, above, half = np.empty((3, count)), np.empty((3, count)), np.empty(count)
    from_left, from_right = np.empty(count), np.empty(count)
    k = 0
    for m in range(count):
        while shown[m] >= start[k + 1]:
            k += 1
        i = shown[m] - start[k] + first[k]
        from_left[m], from_right[m] = x[i] - theta[k, 0], x[i] - theta[k, 1]
        half[m] = 0.5 * theta[k, 2] * (theta[k, 1] - theta[k, 0])
    edges_of(from_left, half, sigma, below[0], below[1], below[2])
    edges_of(from_right, half, sigma, above[0], above[1], above[2])
    return shown, below, above


@compiled
def _floor(points: Points, beta: FloatArray) -> FloatArray:
    level, wave, values, interval = points[3], points[4], points[5], points[6]
    if level.size:
        floor = np.empty(level.size)
        exp_of(level, floor)
        return floor
    lifted = np.empty(interval.size)
    for i in range(interval.size):
        j = interval[i]
        lifted[i] = values[0, i] * beta[j] + values[1, i] * beta[j + 1]
        lifted[i] += values[2, i] * beta[j + 2] + values[3, i] * beta[j + 3]
    if wave.size:
        lifted += wave
    exp_of(lifted, lifted)
    return lifted


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
    x, y, sigma, law = points[0], points[1], points[7], points[8]
    offset, scale, known, by_law, average, law_mean, law_shape = law
    n = x.size
    floor, tone, by_sigma, tones = _floor(points, beta), np.zeros(n), np.zeros(n), False
    noise = floor.copy()
    power, jacobian = np.empty(start[-1]), np.zeros((4, start[-1]))
    _plateaus(points, kind, theta, first, last, start, power)
    shown, below, above = _edges(x, sigma, kind, theta, first, last, start)
    m = 0
    for k in range(kind.size):
        left, right, roll_off = theta[k, 0], theta[k, 1], theta[k, 2]
        width = right - left
        half = 0.5 * roll_off * width
        tones = tones or kind[k] == CW
        for i in range(first[k], last[k]):
            p = start[k] + i - first[k]
            plateau = power[p]
            if kind[k] == CW:
                u = (x[i] - left) / sigma
                jacobian[0, p], jacobian[3, p] = plateau * u / sigma, plateau
                tone[i] += plateau
                by_sigma[i] += plateau * u * u
            elif m == shown.size or p < shown[m]:  # on the flat top
                jacobian[3, p] = plateau
                noise[i] += plateau
            else:
                slope_below, slope_above, turn = below[1, m], above[1, m], below[2, m] - above[2, m]
                own = 0.5 * roll_off * turn
                power[p] = (below[0, m] - above[0, m]) * plateau
                jacobian[0, p] = (-slope_below - own) * plateau
                jacobian[1, p] = (slope_above + own) * plateau
                jacobian[2, p] = 0.5 * width * turn * plateau
                jacobian[3, p] = power[p]
                noise[i] += power[p]
                by_sigma[i] += ((x[i] - right) * slope_above - (x[i] - left) * slope_below - half * turn) * plateau
                m += 1
    eta, total, by_noise, by_tone = np.empty(n), noise + tone, np.empty(n), np.empty(0)
    weight, misfit, deviance, doubt = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    log_of(total, eta)
    for i in range(n):
        by_noise[i] = 1.0 / total[i]
        doubt[i] = by_sigma[i] * by_noise[i]
        weight[i] = 1.0 + known * _SKIRT_TOLERANCE**2 * doubt[i] * doubt[i]  # how much wider the law is
    if tones:
        by_tone = by_noise.copy()
        for i in range(n):
            if tone[i] > 0.0:
                ratio = tone[i] / noise[i]
                shift, slope = _tone_bias(average, law_mean, law_shape, scale, ratio)
                eta[i] += shift
                by_tone[i] += slope / noise[i]
                by_noise[i] -= slope * ratio / noise[i]
                weight[i] += (1.0 + 2.0 * ratio) / (1.0 + ratio) ** 2 - 1.0
    sharper, lost = 0.0, 0.0
    for i in range(n):
        if weight[i] != 1.0:
            sharper -= math.log(weight[i])
    for i in range(n):
        weight[i] = known / weight[i]
        deviance[i] = min(max((y[i] - eta[i] - offset) / scale, -30.0), 4.0)
    exp_of(deviance, misfit)
    for i in range(n):
        growth = misfit[i] - 1.0
        misfit[i], deviance[i] = scale * growth, scale * scale * (growth - deviance[i])
    for i in range(n):
        lost += weight[i] * deviance[i]
    for k in range(kind.size):
        by, begin = (by_tone if kind[k] == CW else by_noise), start[k] - first[k]
        for a in range(4):
            for i in range(first[k], last[k]):
                jacobian[a, begin + i] *= by[i]
    by_noise *= floor
    at = (power, jacobian, floor, noise, total, eta, weight, misfit, by_noise, deviance, doubt)
    bent = _penalty(theta, beta, strength)
    return at, lost + bent - 0.5 * sharper * known / by_law, bent
