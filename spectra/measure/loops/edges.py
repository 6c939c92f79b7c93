"""The likelihood of edges on few points, compiled: `spectra.measure.edges` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.many import edges_of, exp_of, log_of
from spectra.measure.loops.special import Index, compiled
from spectra.units import FloatArray

__all__ = ["followed"]


@compiled
def _from_table(value: FloatArray, slope: FloatArray, t: float) -> float:
    """Return cubic Hermite interpolation between nodes one apart."""
    j = min(int(t), value.size - 2)
    t -= j
    rise = value[j + 1] - value[j]
    two, three = 3.0 * rise - 2.0 * slope[j] - slope[j + 1], slope[j] + slope[j + 1] - 2.0 * rise
    return float(value[j] + t * (slope[j] + t * (two + t * three)))


@compiled
def followed(
    x: FloatArray,
    y: FloatArray,
    total: FloatArray,
    eta: FloatArray,
    floor: FloatArray,
    weight: FloatArray,
    line: FloatArray,
    centre_line: FloatArray,
    sigma: float,
    offset: float,
    scale: float,
    theta: FloatArray,
    side: Index,
    reach: FloatArray,
    grid: FloatArray,
    ln_room: FloatArray,
) -> FloatArray:
    """Return mean and deviation from the fitted place, and ln(room), of edges, as `spectra.measure.edges` does.

    Shape (3, edges). A smeared edge is tabulated once an edge, and taken from the table by cubic interpolation.
    """
    nodes, steps, middle = 97, grid.size, grid.size // 2
    out = np.empty((3, side.size))
    node, value, slope, turn = np.empty(nodes), np.empty(nodes), np.empty(nodes), np.empty(nodes)
    loss, half = np.empty(steps), np.empty(nodes)
    for e in range(side.size):
        width = theta[e, 1] - theta[e, 0]
        half[:] = 0.5 * theta[e, 2] * width
        place = theta[e, side[e]]
        beyond = reach[e] + half[0] + 3.0 * sigma
        first = np.searchsorted(x, place - beyond - 1.0)
        last = min(first + int(2.0 * beyond + 4.0), x.size)
        low = x[first] - place - reach[e]
        step = (x[last - 1] - place + reach[e] - low) / (nodes - 1)
        for j in range(nodes):
            node[j] = low + step * j
        edges_of(node, half, sigma, value, slope, turn)
        slope *= step
        ratio, u = np.empty((last - first) * steps), np.empty((last - first) * steps)
        for i in range(first, last):
            level = theta[e, 3]
            if line.size:
                level += line[i] - centre_line[e]
            share = (math.exp(level) if side[e] == 0 else -math.exp(level)) / total[i]
            from_place, least, begin = x[i] - place, 1e-3 * floor[i] / total[i], (i - first) * steps
            before = _from_table(value, slope, (from_place - low) / step)
            for s in range(steps):
                here = _from_table(value, slope, (from_place - reach[e] * grid[s] - low) / step)
                ratio[begin + s] = max(1.0 + share * (here - before), least)
        log_of(ratio, u)
        for i in range(first, last):
            still, begin = (y[i] - eta[i] - offset) / scale, (i - first) * steps
            for s in range(begin, begin + steps):
                u[s] = min(max(still - u[s] / scale, -30.0), 4.0)
        exp_of(u, ratio)
        loss[:] = 0.0
        for i in range(first, last):
            begin = (i - first) * steps
            for s in range(steps):
                loss[s] += weight[i] * (ratio[begin + s] - 1.0 - u[begin + s])
        most, unmoved = -np.inf, loss[middle]
        for s in range(steps):
            loss[s] = scale * scale * (unmoved - loss[s]) + ln_room[s]
            most = max(most, loss[s])
        whole, mean, square = 0.0, 0.0, 0.0
        for s in range(steps):
            chance, moved = math.exp(loss[s] - most), reach[e] * grid[s]
            whole += chance
            mean += chance * moved
            square += chance * moved * moved
        mean /= whole
        out[0, e], out[2, e] = mean, most + math.log(whole * reach[e])
        out[1, e] = math.sqrt(max(square / whole - mean * mean, 0.0))
    return out
