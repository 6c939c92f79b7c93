"""The likelihood of edges on few points, compiled: `spectra.measure.edges` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops_special import compiled, edge_at

__all__ = ["followed"]


@compiled
def followed(
    x, y, total, eta, floor, weight, line, centre_line, sigma, offset, scale, theta, side, reach, grid, ln_room
):
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
        for i in range(first, last):
            level = theta[e, 3]
            if line.size:
                level += line[i] - centre_line[e]
            plateau = math.exp(level) if side[e] == 0 else -math.exp(level)
            from_place = x[i] - place
            before = 0.0
            for s in range(-1, steps):
                moved = reach[e] * grid[middle if s < 0 else s]
                t = (from_place - moved - low) / step
                j = min(int(t), nodes - 2)
                t -= j
                rise = value[j + 1] - value[j]
                two, three = 3.0 * rise - 2.0 * slope[j] - slope[j + 1], slope[j] + slope[j + 1] - 2.0 * rise
                here = value[j] + t * (slope[j] + t * (two + t * three))
                if s < 0:
                    before = here
                    continue
                shown = max(total[i] + plateau * (here - before), 1e-3 * floor[i])
                u = (y[i] - eta[i] - math.log(shown / total[i]) - offset) / scale
                u = min(max(u, -30.0), 4.0)
                loss[s] += weight[i] * (math.exp(u) - 1.0 - u)
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
