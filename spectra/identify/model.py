"""The probabilities behind an identification, in one place: priors, densities, and the chance that a row shows.

Every constant here is a prior of ours, chosen from what open carrier plans and marine receive chains show (common
practice, no source); `tests/campaigns` holds the trials that calibrate them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spectra.identify.evidence import Group, View
from spectra.identify.prepared import KIND_CW, KIND_UNKNOWN, Prepared
from spectra.plan.chain import LoState
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = [
    "DEFAULT_TOLERANCE_HZ",
    "KNOWN",
    "ON_AIR_GUESS",
    "carrier_rate_density",
    "log_centre_density",
    "log_kind_gain",
    "log_offset_prior",
    "log_rate_gain",
    "log_roll_off_gain",
    "merging",
    "search_window_hz",
    "tolerance_hz",
    "visibility",
]

DEFAULT_TOLERANCE_HZ = 3e6
"""LO tolerance where the chain states none (common practice, no source)."""
ON_AIR_GUESS = 0.85
"""Share of a list that is on air, for the first look."""

_MOVED = 0.04  # part of the rows whose carrier sits a little off its printed frequency
_MOVED_EXTRA_HZ = 0.1e6
_CHANGED = 0.02  # part of the rows whose symbol rate has changed since the table was written
_RATE_SLACK = 0.004  # of the rate: printed rates are rounded to 1 to 100 kBd
_ALTERNATIVE = 0.45  # for rows across which another stands: only one of the two is on air
_EXPLAINED = 0.7  # part of the carriers merged with neighbours that come out as a run of the list
_OFFSET_FREEDOM = 3.0  # degrees of freedom of the offset prior: its tails allow several tolerances
_ROLL_OFFS = np.array([0.05, 0.10, 0.15, 0.20, 0.25, 0.35])


def _grid(pairs: list[tuple[float, float]]) -> tuple[FloatArray, FloatArray]:
    values, weights = np.array(pairs, dtype=np.float64).T
    return values, np.log(weights / weights.sum())


def _joint(on_air: list[tuple[float, float]], extra: list[tuple[float, float]]) -> tuple[FloatArray, ...]:
    a, log_wa = _grid(on_air)
    u, log_wu = _grid(extra)
    return np.repeat(a, u.size), np.tile(u, a.size), (log_wa[:, None] + log_wu[None, :]).ravel()


KNOWN = _joint(
    [(0.98, 0.12), (0.93, 0.2), (0.87, 0.25), (0.78, 0.2), (0.65, 0.12), (0.48, 0.07), (0.3, 0.03), (0.15, 0.01)],
    [(0.02, 0.14), (0.08, 0.2), (0.18, 0.25), (0.35, 0.18), (0.7, 0.1), (1.4, 0.07), (3.0, 0.04), (8.0, 0.02)],
)
"""Grid over (share of the list on air, unlisted carriers per listed one) with log weights, for a list that is true."""


def search_window_hz(tolerance_hz: float) -> float:
    """Return how far from nominal the common offset is looked for."""
    return float(np.clip(6.0 * tolerance_hz, 6e6, 20e6))


def tolerance_hz(state: LoState) -> float:
    """Return the tolerance that the chain states for an LO state, else the usual one."""
    return DEFAULT_TOLERANCE_HZ if state.tolerance_hz is None else max(state.tolerance_hz, 1e3)


def log_offset_prior(offset_hz: FloatArray, tolerance_hz: FloatArray) -> FloatArray:
    """Return the log density (per Hz) of the IF offset: Student's law whose scale is half the tolerance."""
    scale = 0.5 * tolerance_hz
    nu = _OFFSET_FREEDOM
    peak = 0.36755259694786  # Gamma(2) / (Gamma(1.5) sqrt(3 pi)), for three degrees of freedom
    density: FloatArray = np.log(peak / scale) - 0.5 * (nu + 1.0) * np.log1p((offset_hz / scale) ** 2 / nu)
    return density


def log_centre_density(residual_hz: FloatArray, std_hz: FloatArray) -> FloatArray:
    """Return the log density (per Hz) of a matched centre about its place: normal, with a heavy part for moved ones."""
    wide = 2.0 * std_hz + _MOVED_EXTRA_HZ
    core = np.log((1.0 - _MOVED) / (np.sqrt(2.0 * np.pi) * std_hz)) - 0.5 * (residual_hz / std_hz) ** 2
    tail = np.log(_MOVED / (2.0 * np.sqrt(2.0) * wide)) - 1.5 * np.log1p(0.5 * (residual_hz / wide) ** 2)
    both: FloatArray = np.logaddexp(core, tail)
    return both


def carrier_rate_density(group: Group, prepared: Prepared) -> FloatArray:
    """Return the density over log rate, at each carrier's measured rate, of the table's own population."""
    density = np.ones(group.count)
    known = np.flatnonzero(np.isfinite(group.log_rate))
    rate, std = group.log_rate[known], np.hypot(group.log_rate_std[known], 0.01)
    grid = prepared.rate_grid
    low, high = np.searchsorted(grid, rate - 5.0 * std), np.searchsorted(grid, rate + 5.0 * std)
    # the bins about each carrier end to end
    which = np.repeat(np.arange(known.size), high - low)
    bins = np.arange(which.size) + np.repeat(low - (np.cumsum(high - low) - (high - low)), high - low)
    z = (grid[bins] - rate[which]) / std[which]
    kernel = np.exp(-0.5 * z * z) / (np.sqrt(2.0 * np.pi) * std[which])
    total = np.bincount(which, prepared.rate_density[bins] * kernel, known.size) * (grid[1] - grid[0])
    density[known] = np.maximum(total, 1e-4)
    return density


def log_rate_gain(
    rate_c: FloatArray, std_c: FloatArray, rate_r: FloatArray, std_r: FloatArray, background: FloatArray
) -> FloatArray:
    """Return log of (chance of the measured rate given the row) over (chance of it in the table's population)."""
    std = np.sqrt(std_c**2 + std_r**2 + _RATE_SLACK**2)
    z = (rate_c - rate_r) / std
    same = (1.0 - _CHANGED) * np.exp(-0.5 * z * z) / (np.sqrt(2.0 * np.pi) * std)
    gain: FloatArray = np.log(same / background + _CHANGED)
    return np.where(np.isfinite(gain), gain, 0.0)


def log_kind_gain(group: Group, carrier: IntArray, prepared: Prepared, row: IntArray, rbw_hz: float) -> FloatArray:
    """Return the log gain of the kinds: a beacon answers a beacon; what is too narrow to resolve is no wide carrier."""
    kind_c, kind_r = group.kind[carrier], prepared.kind[row]
    gain = np.zeros(carrier.size)
    gain[(kind_c == KIND_CW) & (kind_r == KIND_CW)] = np.log(8.0)
    differ = (kind_c != kind_r) & (kind_c != KIND_UNKNOWN) & (kind_r != KIND_UNKNOWN)
    gain[differ & ((kind_c == KIND_CW) | (kind_r == KIND_CW))] = np.log(0.02)
    gain[group.unresolved[carrier] & (prepared.width_hz[row] > 3.0 * rbw_hz)] = np.log(0.03)
    return gain


def log_roll_off_gain(alpha_c: FloatArray, std_c: FloatArray, alpha_r: FloatArray) -> FloatArray:
    """Return the log gain of the roll-off against the standard set drawn evenly; 0 where either is unknown."""
    use = np.isfinite(alpha_c) & np.isfinite(alpha_r) & (std_c < 0.1)
    gain = np.zeros(alpha_c.size)
    if use.any():
        std = np.hypot(std_c[use], 0.015)[:, None]
        at_row = np.exp(-0.5 * ((alpha_c[use, None] - alpha_r[use, None]) / std) ** 2)[:, 0]
        anywhere = np.exp(-0.5 * ((alpha_c[use, None] - _ROLL_OFFS) / std) ** 2).mean(axis=1)
        gain[use] = np.log(0.85 * at_row / np.maximum(anywhere, 1e-12) + 0.15)
    return np.minimum(gain, np.log(6.0))


def visibility(
    views: tuple[View, ...], prepared: Prepared, rows: IntArray, if_hz: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the chance that a row, if on air, is found in at least one of the sweeps.

    Parameters
    ----------
    views : tuple of View
    prepared : Prepared
    rows : ndarray of int, shape (n,)
    if_hz : ndarray, shape (n,)
        Where the rows stand on the IF axis, the common offset included.

    Returns
    -------
    alone : ndarray, shape (n,)
        As a carrier of its own (a merged row: as the one carrier of its run).
    somehow : ndarray, shape (n,)
        Alone or merged with neighbours of its list.
    """
    width, cn, kind = prepared.width_hz[rows], prepared.cn_db[rows], prepared.kind[rows]
    below, above, merged = prepared.below_hz[rows], prepared.above_hz[rows], prepared.merged[rows]
    overlaps = np.isneginf(below) | np.isneginf(above)
    hidden, unseen = np.ones(if_hz.size), np.ones(if_hz.size)
    for view in views:
        chance = _visibility_in(view, if_hz, width, cn, kind)
        outer = (1.0 - ON_AIR_GUESS * merging(view, below)) * (1.0 - ON_AIR_GUESS * merging(view, above))
        outer = np.where(overlaps, _ALTERNATIVE, outer)
        own = np.where(merged, outer * merging(view, prepared.inner_hz[rows]), outer)
        hidden *= 1.0 - chance * own
        unseen *= 1.0 - chance * np.where(overlaps, own, own + _EXPLAINED * (1.0 - own))
    return 1.0 - hidden, 1.0 - unseen


def merging(view: View, gap_hz: FloatArray) -> FloatArray:
    """Return the chance that a sweep measures two neighbours as one carrier, by the gap of their half-power edges.

    A dip is found where the filter leaves one and enough readings fall into it: the gap of even chances goes with the
    root of the readings an RBW holds (simulated sweeps, 1001 and 4001 points, ten and twenty averages).
    """
    readings = view.readings * view.rbw_hz / view.spacing_hz
    coarse = float(np.sqrt(1.0 + 0.3 * (view.spacing_hz / view.rbw_hz) ** 2))
    even = min(max(2.05 * float(np.sqrt(6.7 / readings)) * coarse, 1.0), 4.0)
    found: FloatArray = 0.95 / (1.0 + np.exp(np.clip((gap_hz / view.rbw_hz - even) / (0.22 * even), -30.0, 30.0)))
    return found


def _visibility_in(
    view: View, if_hz: FloatArray, width_hz: FloatArray, cn_db: FloatArray, kind: NDArray[np.int8]
) -> FloatArray:
    narrow = np.where(np.isfinite(width_hz), width_hz, 2.0 * view.rbw_hz)
    margin = np.minimum(0.4 * narrow, 0.5 * (view.stop_hz - view.start_hz))
    inside = np.clip((np.minimum(if_hz - view.start_hz, view.stop_hz - if_hz) + margin) / (2.0 * margin), 0.0, 1.0)
    chance = np.zeros(if_hz.size)
    use = np.flatnonzero(inside > 0.0)
    if not use.size:
        return chance
    width = np.maximum(narrow[use], 1.0)
    readings = view.readings * np.maximum(width / view.spacing_hz, 1.0)
    # mean level over the floor that a block of so many readings needs (fit to the gamma law, 1e-6 false, 99 % found)
    needed_db = 10.0 * np.log10(7.0 / np.sqrt(readings) + 45.0 / readings)
    diluted_db = 10.0 * np.log10(np.minimum(width / view.rbw_hz, 1.0))
    expected = np.where(np.isfinite(cn_db[use]), cn_db[use], view.cn_median_db)
    spread = np.where(np.isfinite(cn_db[use]), 2.0, view.cn_spread_db)
    z = (expected + diluted_db - needed_db - 1.0) / np.hypot(spread, 1.0)
    found = 1.0 / (1.0 + np.exp(-1.702 * z))  # logistic in place of the normal law, within 0.01
    # narrower than the filter: close neighbours and noise hide it more often than its level says
    found *= np.where(width < 1.5 * view.rbw_hz, 0.75, 0.985)
    found = np.where(kind[use] == KIND_CW, np.minimum(found, 0.7), found)
    chance[use] = found * inside[use]
    return chance
