"""What is no raised cosine: gathered from the pieces the fit made of it, and measured on the trace itself.

The pieces serve as a smooth estimate of the spectrum, freed from the filter; what the trace holds beyond them is summed
without any model. Occupied bandwidth by beta/2 (RR No. 1.153): the limits of the pieces, moved by what the residuals
hold beyond them over the density there (one step of Newton's method; derived), so that noise enters once, as sums.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spectra.measure.engine import Solution
from spectra.measure.model import bends
from spectra.measure.scene import RC
from spectra.measure.shape import ShapeVerdict
from spectra.signal.raised_cosine import raised_cosine
from spectra.units import FloatArray

__all__ = ["Lump", "lump", "lumps"]

_TAIL = 0.005  # beta/2
_PIECE_GAP = 0.15  # of the whole width, within which a smaller piece belongs to it
_PIECE_WIDTH = 0.5
_CROSSED = 0.25  # of a piece, that lies inside the others
_GUEST_WIDTH = 0.25  # of the whole, below which what stands inside on top is a signal of its own
_GRID = 2001
_X_DB = 26.0


def lumps(solution: Solution, verdicts: Sequence[ShapeVerdict]) -> list[NDArray[np.intp]]:
    """Return the carriers of the scene that are one signal, group by group: each holds one at least that is `other`.

    Raised cosines that no carrier has overlap to make up the shape; smaller pieces beside or inside belong to it.
    """
    scene, sigma = solution.scene, solution.trace.sigma
    left, right, roll_off, level = scene.theta[:, :4].T
    half = 0.5 * roll_off * (right - left) + sigma
    low, high = left - half, right + half
    odd = np.array([v.other for v in verdicts], dtype=bool)
    used = np.zeros(scene.count, dtype=bool)
    groups = []
    for k in np.argsort(-np.where(odd, level + np.log(np.maximum(right - left, 1e-9)), -np.inf)):
        if not odd[k] or used[k]:
            continue
        group = np.zeros(scene.count, dtype=bool)
        group[k] = True
        while True:
            first, last = low[group].min(), high[group].max()
            own = right[group].max() - left[group].min()
            gap = _PIECE_GAP * own
            touch = (low < last + gap) & (high > first - gap) & (scene.kind == RC) & ~used
            weaker = (right - left < _PIECE_WIDTH * own) & (level < level[group].max())
            inside = (low < last) & (high > first)
            shared = np.minimum(right, right[group].max()) - np.maximum(left, left[group].min())
            crossed = (shared > _CROSSED * (right - left)) & (right - left > _GUEST_WIDTH * own)
            more = group | (touch & (weaker | crossed | (odd & inside)))
            if np.array_equal(more, group):
                break
            group = more
        used |= group
        groups.append(np.flatnonzero(group))
    return groups


@dataclass(frozen=True, slots=True)
class Lump:
    """One signal measured without a model of its shape; positions and widths in points, power in floor units.

    `power` is the sum of power over the points, in units of the reference; stds are standard uncertainties, relative
    for `power`. `x_width` is None where the dynamic does not reach.
    """

    centroid: float
    centroid_std: float
    power: float
    power_relative_std: float
    occupied: float
    occupied_std: float
    x_db: float | None
    x_width: float | None
    x_width_std: float | None
    low: float
    high: float


def _mean_gain(solution: Solution) -> float:
    """Return the mean of level over mean power, E exp(z), of a point."""
    law = solution.trace.law
    if law.shape + law.scale <= 0.0:
        return math.exp(law.mean + 0.5 * law.variance)
    moved = special.gammaln(law.shape + law.scale) - special.gammaln(law.shape)
    return math.exp(law.offset + float(moved) - law.scale * math.log(law.shape))


def lump(solution: Solution, group: NDArray[np.intp], floor_std: float) -> Lump | None:
    """Return the measurement of a group, or None where the trace does not hold it.

    `floor_std` is the relative standard uncertainty of the floor under it, one error for all its points.
    """
    trace = solution.trace
    theta = solution.at.scene.theta[group]  # the pieces that the residuals belong to, not means over likelihoods
    left, right, roll_off = theta[:, :3].T
    half = 0.5 * roll_off * (right - left)
    low, high = float((left - half).min()), float((right + half).max())
    reach = 3.0 * trace.sigma + 1.0
    first, last = np.searchsorted(trace.x, [low - reach, high + reach])
    x = trace.x[first:last]
    if x.size < 8:
        return None
    residual, variance = _residuals(solution, int(first), int(last))
    grid = np.linspace(low - reach, high + reach, _GRID)
    density = _pieces(theta, grid)
    step = grid[1] - grid[0]
    run = np.cumsum(density) * step
    whole = float(run[-1])
    left_over = np.cumsum(residual)
    total = whole + float(left_over[-1])
    if total <= 0.0:
        return None
    floor = solution.at.floor[first:last] * floor_std
    power_std = math.hypot(math.sqrt(float(variance.sum())), float(floor.sum())) / total
    mean = float((grid @ density) * step + x @ residual) / total
    mean_std = math.sqrt(float(((x - mean) ** 2) @ variance)) / total
    edges, edge_variance = [], 0.0
    for share in (_TAIL, 1.0 - _TAIL):
        place = float(np.interp(share * whole, run, grid))
        here = max(float(np.interp(place, grid, density)), 1e-3 * float(density.max()))
        below = float(np.interp(place, x + 0.5, left_over, left=0.0))
        shift = -(below - share * float(left_over[-1])) / here
        edges.append(place + float(np.clip(shift, -0.25 * (high - low), 0.25 * (high - low))))
        weight = np.where(x < place, 1.0, 0.0) - share
        edge_variance += (float((weight * weight) @ variance) + float(weight @ floor) ** 2) / here**2
    x_db, x_width, x_std = _x_db(solution, x, residual, variance, grid, density)
    occupied = edges[1] - edges[0]
    if occupied <= 0.0:
        return None
    return Lump(mean, mean_std, total, power_std, occupied, math.sqrt(edge_variance), x_db, x_width, x_std, low, high)


def _residuals(solution: Solution, first: int, last: int) -> tuple[FloatArray, FloatArray]:
    """Return power beyond the model and its variance (correlated neighbours counted), point by point."""
    at, trace = solution.at, solution.trace
    part = slice(first, last)
    total = at.total[part]
    residual = total * (np.exp(np.clip(trace.y[part] - at.eta[part], -30.0, 8.0)) / _mean_gain(solution) - 1.0)
    tone = at.total[part] > 1.05 * at.noise[part]
    residual[tone] = 0.0  # under a CW the pieces alone tell
    return residual, total * total / trace.information


def _pieces(theta: FloatArray, x: FloatArray) -> FloatArray:
    """Return the sum of the pieces' densities, freed from the filter."""
    density = np.zeros(x.size)
    for left, right, roll_off, level, *terms in theta:
        place = (x - 0.5 * (left + right)) / (right - left)
        piece = math.exp(level) * raised_cosine(place, float(roll_off))
        density += piece * np.exp(np.array(terms) @ bends(2.0 * place)) if any(terms) else piece
    return density


def _x_db(
    solution: Solution,
    x: FloatArray,
    residual: FloatArray,
    variance: FloatArray,
    grid: FloatArray,
    density: FloatArray,
) -> tuple[float | None, float | None, float | None]:
    """Return x, the width at x dB below the greatest density, and its std; x as large as the noise allows."""
    width = float(np.count_nonzero(density > 0.5 * density.max())) * (grid[1] - grid[0])
    count = max(3, round(0.05 * width), round(2.0 * solution.trace.sigma)) | 1
    if count >= x.size:
        return None, None, None
    box = np.full(count, 1.0 / count)
    smooth = np.maximum(density + np.interp(grid, x, np.convolve(residual, box, mode="same")), 0.0)
    noise = math.sqrt(
        float(np.median(np.minimum(variance[: x.size // 4].mean(), variance[-x.size // 4 :].mean()))) / count
    )
    top = float(smooth.max())
    seen = 10.0 * math.log10(top / max(3.0 * noise, 1e-12))
    x_db = math.floor(min(_X_DB, seen))
    if x_db < 3.0:
        return None, None, None
    limit = top * 10.0 ** (-x_db / 10.0)
    above = np.flatnonzero(smooth > limit)
    ends = above[0], above[-1]
    spread = 0.0
    for end in ends:
        near = slice(max(end - _GRID // 40, 0), end + _GRID // 40)
        rise = float(np.abs(np.polyfit(grid[near], smooth[near], 1)[0]))
        own = math.sqrt(float(np.interp(grid[end], x, variance)) / count)
        spread += (own / max(rise, own / max(0.25 * width, 1.0))) ** 2
    return float(x_db), float(grid[ends[1]] - grid[ends[0]]), math.sqrt(spread)
