"""The model of a trace, compiled: see `spectra.measure.model`."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.response import response_at
from spectra.measure.loops.special import SATURATED, Index, compiled, edge_at, exp1, gamma_slopes
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
