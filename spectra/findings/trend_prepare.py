"""What a series is cleared of before it is judged: temperature or a daily swing, readings apart, excess scatter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from spectra.findings.trend_algebra import Series, projected, slope_column, solve, step_columns
from spectra.units import FloatArray

__all__ = ["LEAST_READINGS", "known_columns", "outliers_and_excess", "without_temperature"]

LEAST_READINGS = 6

_SWING_CHI2 = 9.2  # two columns at 1 %
_OUTLIER = 4.5
_MOSTLY_NOTED = 0.75  # share of readings with a temperature from which on it is worth using
_MOST_OUT = 0.15


def known_columns(
    day: FloatArray, value: FloatArray, std: FloatArray, hour: FloatArray, temperature: FloatArray | None
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the constant, and temperature or a daily swing where they show."""
    n = day.size
    constant = np.ones((n, 1))
    columns, names = [constant], ["level"]
    base = Series(day, value, std, constant, ("level",))
    column = None if temperature is None else _temperature_column(temperature)
    # one column at 1 %; readings without a temperature have no say in it
    if column is not None and temperature is not None and _gain(base.take(np.isfinite(temperature)), column) > 6.6:
        whole = np.zeros((n, 1))
        whole[np.isfinite(temperature)] = column
        return np.column_stack((constant, whole)), ("level", "temperature")
    angle = 2.0 * math.pi * hour / 24.0
    spread = 1.0 - math.hypot(float(np.mean(np.cos(angle))), float(np.mean(np.sin(angle))))
    if float(np.ptp(day)) < 1.5 or n < 9 or spread < 0.05:
        return constant, ("level",)
    for harmonic in (1, 2):
        pair = np.column_stack((np.sin(harmonic * angle), np.cos(harmonic * angle)))
        so_far = Series(day, value, std, np.column_stack(columns), tuple(names))
        if (harmonic == 2 and n < 20) or _gain(so_far, pair) < _SWING_CHI2:
            break
        columns.append(pair)
        names += [f"sin{harmonic}", f"cos{harmonic}"]
    return np.column_stack(columns), tuple(names)


def _temperature_column(temperature: FloatArray) -> FloatArray | None:
    """Return the noted temperatures about their mean; None where too few are noted, or they hardly change."""
    noted = np.isfinite(temperature)
    if noted.mean() < _MOSTLY_NOTED or noted.sum() < LEAST_READINGS or float(np.ptp(temperature[noted])) <= 1.0:
        return None
    return np.asarray((temperature[noted] - temperature[noted].mean())[:, None])


def without_temperature(series: Series, temperature: FloatArray | None) -> Series:
    """Return the series with readings of unknown temperature as much less certain as temperature moves them."""
    if temperature is None or "temperature" not in series.names or np.isfinite(temperature).all():
        return series
    noted = np.isfinite(temperature)
    mine = series.take(noted)
    theta, _, _ = solve(mine, _best_structure(mine))
    more = abs(float(theta[series.names.index("temperature")])) * float(np.std(temperature[noted]))
    std = np.where(noted, series.std, np.hypot(series.std, more))
    return Series(series.day, series.value, std, series.known, series.names)


def _gain(series: Series, columns: FloatArray) -> float:
    """Return by how much columns lower chi-square beside the better of slope and step, re-chosen with them.

    In units of what is left, where that is more than the readings' uncertainties explain.
    """
    more = Series(series.day, series.value, series.std, np.column_stack((series.known, columns)), series.names)
    before, after = _least_chi2(series), _least_chi2(more)
    freedom = max(series.day.size - more.known.shape[1] - 2, 1)
    return float((before - after) / max(1.0, after / freedom))


def _least_chi2(series: Series) -> float:
    """Return chi-square with a slope or with the best step, whichever explains more."""
    steps, _ = step_columns(series.day.size)
    information, pull, chi2 = projected(series, np.column_stack((slope_column(series.day), steps)))
    usable = information > 1e-9 * float(information.max())
    return float(chi2) - float(np.max(np.where(usable, pull**2 / np.maximum(information, 1e-300), 0.0)))


def outliers_and_excess(series: Series) -> tuple[NDArray[np.bool_], float]:
    """Return which readings are used, and the scatter of those beyond their uncertainties."""
    n = series.day.size
    used = np.ones(n, dtype=np.bool_)
    for _ in range(max(1, int(_MOST_OUT * n))):
        mine = series.take(used)
        if mine.day.size <= max(LEAST_READINGS, series.known.shape[1] + 4):
            break
        worst, apart = _farthest(mine)
        if apart < _OUTLIER:
            break
        used[np.flatnonzero(used)[worst]] = False
    return used, _excess(series.take(used))


def _structures(series: Series) -> list[tuple[float, FloatArray]]:
    """Return columns that may explain a series (none, slope, step, both), each with what it costs in chi-square."""
    n = series.day.size
    slope = slope_column(series.day)[:, None]
    steps, _ = step_columns(n)
    information, pull, _ = projected(series, steps)
    best = int(np.argmax(pull**2 / np.maximum(information, 1e-12)))
    step = steps[:, best : best + 1]
    cost = math.log(n)
    return [
        (0.0, np.empty((n, 0))),
        (cost, slope),
        (3.0 * cost, step),
        (4.0 * cost, np.column_stack((slope, step))),
    ]


def _best_structure(series: Series) -> FloatArray:
    """Return the columns (slope, step, or none) that fit best for what they cost."""
    return min(_structures(series), key=lambda one: solve(series, one[1])[2] + one[0])[1]


def _farthest(series: Series) -> tuple[int, float]:
    """Return the reading that the rest speaks against most, and by how many of their standard deviations.

    Each reading is tried as one that stands by itself, under every structure; so one at the end does not turn the
    slope towards itself first.
    """
    n = series.day.size
    found = []
    for cost, columns in _structures(series):
        known = np.column_stack((series.known, columns))
        freedom = n - known.shape[1] - 1
        if freedom < 2:
            continue
        beside = Series(series.day, series.value, series.std, known, series.names)
        information, pull, chi2 = projected(beside, np.eye(n))
        gain = np.where(information * series.std**2 > 0.05, pull**2 / np.maximum(information, 1e-300), 0.0)
        k = int(np.argmax(gain))
        theta, _, _ = solve(beside, np.eye(n)[:, k : k + 1])
        rest = (series.value - known @ theta[:-1]) / series.std
        rest = np.delete(rest, k) * math.sqrt((n - 1) / freedom)
        spread = max(1.0, 1.4826 * float(np.median(np.abs(rest - np.median(rest)))))
        found.append((chi2 - float(gain[k]) + cost, k, math.sqrt(float(gain[k])) / spread))
    return min(found)[1:] if found else (0, 0.0)


def _excess(series: Series) -> float:
    """Return the least extra scatter with which chi-square is no more than its freedom; 0 unless it stands out."""
    extra = _best_structure(series)
    freedom = series.day.size - series.known.shape[1] - extra.shape[1]
    if freedom < 3 or solve(series, extra)[2] <= freedom + 2.0 * math.sqrt(2.0 * freedom):
        return 0.0
    low, high = 0.0, float(np.ptp(series.value)) + float(series.std.max())
    for _ in range(50):
        middle = 0.5 * (low + high)
        more = solve(series.widened(middle), extra)[2] > freedom
        low, high = (middle, high) if more else (low, middle)
    return 0.5 * (low + high)
