"""Symbol rate, roll-off and bandwidths of fitted raised cosines, all carriers at once, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spectra.measure.engine import Solution
from spectra.measure.response import bent_figures
from spectra.measure.standards import roll_off_weights
from spectra.signal.raised_cosine import occupied_fraction, x_db_fraction
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["Widths", "widths_of"]

_X_DB = 26.0
_LEAST_X_DB = 3.0
_STEP = 2.5e-3  # of a roll-off, over which a width's slope is taken


@dataclass(frozen=True, slots=True)
class Widths:
    """Widths of some carriers, in hertz, each an array over them; NaN where a carrier does not show one.

    Attributes
    ----------
    rate, rate_std, roll_off, roll_off_std : ndarray, shape (k,)
    occupied, occupied_std : ndarray, shape (k,)
        99 % width, as received.
    x_db, x_width, x_width_std : ndarray, shape (k,)
        How far below the plateau (dB) the x-dB width is taken, and that, as received.
    centre_std : ndarray, shape (k,)
    level : ndarray, shape (k,)
        What the response adds to ln(plateau), on average over the 3 dB width.
    rate_given, occupied_given : ndarray, shape (k,)
        Standard uncertainties, were the roll-off known.
    standard : ndarray, shape (k, 6)
        Posterior weight of each standard roll-off.
    interval95 : tuple of dict
        Of what is not symmetric, by name.
    """

    rate: FloatArray
    rate_std: FloatArray
    roll_off: FloatArray
    roll_off_std: FloatArray
    occupied: FloatArray
    occupied_std: FloatArray
    x_db: FloatArray
    x_width: FloatArray
    x_width_std: FloatArray
    centre_std: FloatArray
    level: FloatArray
    rate_given: FloatArray
    occupied_given: FloatArray
    standard: FloatArray
    interval95: tuple[dict[str, tuple[float, float]], ...]


@lru_cache(maxsize=1)
def _occupied_table() -> tuple[FloatArray, FloatArray]:
    """Roll-offs from 0 to 1 and the 99 % widths over the symbol rate (between them linear to 1e-6)."""
    roll_off = np.linspace(0.0, 1.0, 401)
    return roll_off, np.array([occupied_fraction(float(a)) for a in roll_off])


def _occupied(roll_off: FloatArray) -> FloatArray:
    return np.interp(roll_off, *_occupied_table())


def widths_of(
    solution: Solution, which: NDArray[np.intp], over: FloatArray, covariance: FloatArray, inflation: FloatArray
) -> Widths:
    """Return the widths of some carriers.

    By curvature or, where that misleads, by what the likelihood itself says.

    Parameters
    ----------
    solution : Solution
    which : ndarray of int, shape (k,)
        Rising.
    over : ndarray, shape (k,)
        ln(plateau / floor).
    covariance : ndarray, shape (k, 4, 4)
        Of each carrier's own parameters, raised by `inflation`.
    inflation : ndarray, shape (k,)
        Of the variances by the misfit, 1 or more.
    """
    made = _by_curvature(solution, which, over, covariance)
    intervals: list[dict[str, tuple[float, float]]] = [{} for _ in which]
    _by_clouds(solution, which, inflation, made, intervals)
    _as_received(solution, which, made, intervals)
    return Widths(**made, interval95=tuple(intervals))


def _by_curvature(
    solution: Solution, which: NDArray[np.intp], over: FloatArray, covariance: FloatArray
) -> dict[str, FloatArray]:
    left, right, roll_off = solution.scene.theta[which, :3].T
    hz, own = solution.spacing_hz, covariance[:, 2, 2]
    edges = covariance[:, :2, :2]
    gain = np.where(own > 0.0, 1.0 / np.sqrt(np.where(own > 0.0, own, 1.0)), 0.0)[:, None] * covariance[:, :2, 2]
    known = edges - gain[:, :, None] * gain[:, None, :]  # at a given roll-off the edges are known better
    rate, share = (right - left) * hz, _occupied(roll_off)
    x_db = _dynamic(solution, which, over)
    low, high = np.maximum(roll_off - _STEP, 0.0), roll_off + _STEP
    slope = (_occupied(high) - _occupied(low)) / (high - low)
    width_std = hz * _std_of(known, -1.0)
    shown = np.where(np.isnan(x_db), _LEAST_X_DB, x_db)
    share_x = x_db_fraction(roll_off, shown)
    slope_x = (x_db_fraction(high, shown) - x_db_fraction(low, shown)) / (high - low)
    none = np.where(np.isnan(x_db), np.nan, 1.0)
    return {
        "rate": rate,
        "rate_std": hz * _std_of(edges, -1.0),
        "roll_off": roll_off.copy(),
        "roll_off_std": np.sqrt(np.maximum(own, 0.0)),
        "occupied": rate * share,
        "occupied_std": _scaled_std(hz, rate, share, slope, covariance),
        "x_db": x_db,
        "x_width": rate * share_x * none,
        "x_width_std": _scaled_std(hz, rate, share_x, slope_x, covariance) * none,
        "centre_std": 0.5 * hz * _std_of(edges, 1.0),
        "level": np.zeros(which.size),
        "rate_given": width_std,
        "occupied_given": width_std * share,
        "standard": roll_off_weights(roll_off, np.sqrt(np.maximum(own, 0.0))),
    }


def _std_of(edges: FloatArray, sign: float) -> FloatArray:
    """Return the standard deviation of the sum (`sign` 1) or difference (-1) of two edges, shape (k,)."""
    return np.asarray(np.sqrt(np.maximum(edges[:, 0, 0] + edges[:, 1, 1] + 2.0 * sign * edges[:, 0, 1], 0.0)))


def _scaled_std(
    hz: float, rate: FloatArray, share: FloatArray, slope: FloatArray, covariance: FloatArray
) -> FloatArray:
    """Return the standard uncertainty of rate * share(roll-off) by the delta method, shape (k,)."""
    gradient = np.stack((-share * hz, share * hz, rate * slope, 0.0 * rate), axis=1)
    variance = np.einsum("ka,kab,kb->k", gradient, covariance, gradient)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _by_clouds(
    solution: Solution,
    which: NDArray[np.intp],
    inflation: FloatArray,
    made: dict[str, FloatArray],
    intervals: list[dict[str, tuple[float, float]]],
) -> None:
    """Put what the likelihood itself says over what curvature says."""
    clouds, hz = solution.clouds.of(which, inflation), solution.spacing_hz
    rows = np.searchsorted(which, clouds.which)
    if not rows.size:
        return
    left, right, roll_off = np.moveaxis(clouds.theta[:, :, :3], 2, 0)
    rates, x_db = (right - left) * hz, made["x_db"][rows]
    shown = np.where(np.isnan(x_db), _LEAST_X_DB, x_db)[:, None]
    widths = {"rate": rates, "occupied": rates * _occupied(roll_off), "x_width": rates * x_db_fraction(roll_off, shown)}
    roll_off_mean, roll_off_std = clouds.spread(roll_off)
    off = roll_off - roll_off_mean[:, None]
    for name, values in widths.items():
        mean, std = clouds.spread(values)
        made[name][rows], made[f"{name}_std"][rows] = mean, std
        if name != "x_width":
            by_roll_off = (clouds.weight * off * values).sum(axis=1) / np.maximum(roll_off_std, 1e-9)
            made[f"{name}_given"][rows] = np.sqrt(np.maximum(std**2 - by_roll_off**2, 0.0))
    for name in ("x_width", "x_width_std"):
        made[name][rows[np.isnan(x_db)]] = np.nan
    made["roll_off"][rows], made["roll_off_std"][rows] = roll_off_mean, roll_off_std
    made["centre_std"][rows] = hz * clouds.spread(0.5 * (left + right))[1]
    made["standard"][rows] = roll_off_weights(roll_off_mean, roll_off_std, clouds)
    told = {
        "symbol_rate_bd": clouds.interval(rates),
        "roll_off": clouds.ranked(roll_off),
        "occupied_bandwidth_hz": clouds.interval(widths["occupied"]),
    }
    for row, k in enumerate(rows):
        intervals[k] |= {name: (float(ends[row, 0]), float(ends[row, 1])) for name, ends in told.items()}


def _as_received(
    solution: Solution,
    which: NDArray[np.intp],
    made: dict[str, FloatArray],
    intervals: list[dict[str, tuple[float, float]]],
) -> None:
    """Stretch the widths as a response changes them (the symbol rate stays)."""
    name = "occupied_bandwidth_hz"
    for j in np.flatnonzero(solution.scene.theta[which, 4:].any(axis=1)):
        x_db = float(made["x_db"][j])
        bent = bent_figures(solution.scene.theta[which[j]], None if math.isnan(x_db) else x_db)
        made["level"][j] = bent.level
        for width in ("occupied", "occupied_std", "occupied_given"):
            made[width][j] *= bent.occupied
        for width in ("x_width", "x_width_std"):
            made[width][j] *= bent.at_x_db
        if name in intervals[j]:
            intervals[j][name] = (intervals[j][name][0] * bent.occupied, intervals[j][name][1] * bent.occupied)


def _dynamic(solution: Solution, which: NDArray[np.intp], over: FloatArray) -> FloatArray:
    """Return the largest x (26 at most, whole dB) at which each carrier still stands out of the noise at its edges.

    Averaged over the points of one edge the floor is known to 1/sqrt(points x information); the carrier counts as seen
    down to three times that. NaN where that is no 3 dB.
    """
    left, right, roll_off = solution.scene.theta[which, :3].T
    points = np.maximum(1.0, 0.5 * (right - left) * np.maximum(roll_off, 0.05))
    seen = DB_PER_NEPER * over + 10.0 * np.log10(np.sqrt(points * solution.trace.information) / 3.0)
    x_db = np.floor(np.minimum(_X_DB, seen))
    return np.where(x_db >= _LEAST_X_DB, x_db, np.nan)
