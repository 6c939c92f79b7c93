"""The likelihood of edges on few points, compiled: `spectra.measure.edges` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.special import Index, compiled, edge_at
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
    value, slope = np.empty(nodes), np.empty(nodes)
    loss = np.empty(steps)
    for e in range(side.size):
        width = theta[e, 1] - theta[e, 0]
        half = 0.5 * theta[e, 2] * width
        place = theta[e, side[e]]
        beyond = reach[e] + half + 3.0 * sigma
        first = np.searchsorted(x, place - beyond - 1.0)
        last = min(first + int(2.0 * beyond + 4.0), x.size)
        low = x[first] - place - reach[e]
        step = (x[last - 1] - place + reach[e] - low) / (nodes - 1)
        for j in range(nodes):
            value[j], slope[j], _ = edge_at(low + step * j, half, sigma)
            slope[j] *= step
        loss[:] = 0.0
        same, lost = False, 0.0
        for i in range(first, last):
            level = theta[e, 3]
            if line.size:
                level += line[i] - centre_line[e]
            plateau = math.exp(level) if side[e] == 0 else -math.exp(level)
            from_place, still = x[i] - place, (y[i] - eta[i] - offset) / scale
            before = _from_table(value, slope, (from_place - low) / step)
            for s in range(steps):
                here = _from_table(value, slope, (from_place - reach[e] * grid[s] - low) / step)
                change = plateau * (here - before)
                u = still
                if abs(change) > 1e-12 * total[i]:
                    u -= math.log(max(total[i] + change, 1e-3 * floor[i]) / total[i]) / scale
                elif s > 0 and same:  # as at the place before
                    loss[s] += lost
                    continue
                same = abs(change) <= 1e-12 * total[i]
                u = min(max(u, -30.0), 4.0)
                lost = weight[i] * (math.exp(u) - 1.0 - u)
                loss[s] += lost
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
