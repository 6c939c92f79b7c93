"""A series of readings with uncertainties and times: constant, drift, step, or not told apart; a daily swing, outliers.

Every question is one of weighted least squares on a few columns: a constant, what is no news (temperature where it was
noted, else a daily swing where it shows), and what would be: a slope, a step at any place, an exponential. Columns that
are no news are projected out, so that all places of a step are tried in one matrix product.

* A change is told where the slope or the best step is beyond chance at `FALSE_ALARM`.
* Drift against step: both with a prior of `PRIOR_SIZE` single uncertainties, the step's place averaged over; the odds
  must be clear, the clearer the stronger the change is, because a weak change would need a step smaller than steps are.
* Readings that scatter by more than they say are widened by the excess (Paule and Mandel, from memory), single ones far
  off are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spectra.findings.trend_algebra import SIDE, Series, projected, slope_column, solve, step_columns
from spectra.findings.trend_prepare import LEAST_READINGS, known_columns, outliers_and_excess, without_temperature
from spectra.units import FloatArray

__all__ = ["FALSE_ALARM", "LEAST_READINGS", "Answer", "SeriesFit", "Step", "fit_series"]

Answer = Literal["none", "drift", "step", "not_told_apart", "warm_up", "too_few"]

FALSE_ALARM = 0.06
"""Chance, at most, that a constant oscillator is said to have changed.

The slope's 4.8 %, the step's part, and what a scatter estimated from the same readings adds."""

PRIOR_SIZE = 10.0

_SLOPE_LEVEL, _SLOPE_SCORE = 0.0477, 1.98  # two-sided
_STEP_CHI2 = 13.0  # of the best of some tens of places; reached by noise in about one series of 250
_NEXT_STEP_CHI2 = 18.0
_STEP_ODDS, _DRIFT_ODDS_WEAK, _DRIFT_ODDS_STRONG = 1.3, 1.5, -6.2  # ln(odds of step against drift)
_WEAK_CHI2, _PER_CHI2 = 17.0, 0.5  # of the best step: from where on, and how much, drift must be the clearer one
_BESIDE = 0.65  # weight of a step beside the slope where nobody knows
_CLEAR_STEP_CHI2 = 20.0  # a weaker one is not told as a step
_SLOPE_BESIDE_SCORE = 4.0  # of a slope beside a step, and chi-square of a step beside a slope: from where on both are
_STEP_BESIDE_CHI2 = 25.0  # told; noise reaches either in less than one series of a thousand
_WARM_UP_GAIN = 12.0
_LONGEST_WARM_UP_DAYS = 3.0 / 24.0


@dataclass(frozen=True, slots=True)
class Step:
    """A step: the readings it lies between (days), and its size."""

    after_day: float
    before_day: float
    size: float
    size_std: float
    index: int


@dataclass(frozen=True, slots=True, eq=False)
class SeriesFit:
    """What a series tells; values in the unit of its readings, times in days.

    Attributes
    ----------
    answer : {'none', 'drift', 'step', 'not_told_apart', 'warm_up', 'too_few'}
    rate, rate_std : float or None
        Slope a day with everything else fitted beside it; its std already holds the excess.
    rate_interval95 : (low, high) or None
        Where drift and step are not told apart: with and without the step beside it.
    steps : tuple of Step
    level, level_std : float or None
        Fitted value at the last reading, the swing left out.
    covariance : ndarray, shape (2, 2), or None
        Of level and rate.
    per_kelvin, per_kelvin_std : float or None
    swing, swing_std : float or None
        Daily swing, peak to peak.
    time_constant_days, warm_up_size : float or None
    excess : float
        Scatter beyond the readings' own uncertainties.
    used : ndarray of bool, shape (n,)
    fitted : ndarray, shape (n,)
        With steps, slope and swing.
    odds_step : float or None
        ln(odds of a step against a drift).
    drift_beside_step : bool
        Whether, where the answer is `step`, a drift of `rate` goes on besides.
    slope_score : float or None
    """

    answer: Answer
    rate: float | None = None
    rate_std: float | None = None
    rate_interval95: tuple[float, float] | None = None
    steps: tuple[Step, ...] = ()
    level: float | None = None
    level_std: float | None = None
    covariance: FloatArray | None = None
    per_kelvin: float | None = None
    per_kelvin_std: float | None = None
    swing: float | None = None
    swing_std: float | None = None
    time_constant_days: float | None = None
    warm_up_size: float | None = None
    warm_up_std: float | None = None
    excess: float = 0.0
    used: NDArray[np.bool_] | None = None
    fitted: FloatArray | None = None
    odds_step: float | None = None
    slope_score: float | None = None
    drift_beside_step: bool = False


def fit_series(
    day: FloatArray,
    value: FloatArray,
    std: FloatArray,
    *,
    temperature: FloatArray | None = None,
    hour: FloatArray | None = None,
) -> SeriesFit:
    """Tell what a series of readings does over time.

    Parameters
    ----------
    day, value, std : ndarray, shape (n,)
        Times in days (any order), readings, standard uncertainties.
    temperature : ndarray, shape (n,), optional
        Noted at each reading, NaN where not; used where three quarters of them are.
    hour : ndarray, shape (n,), optional
        Hour of the local day; left out, that of `day`.
    """
    order = np.argsort(day, kind="stable")
    day, value, std = day[order], value[order], np.maximum(std[order], 1e-12)
    n = day.size
    if n < LEAST_READINGS or float(np.ptp(day)) <= 0.0:
        return SeriesFit("too_few", used=np.ones(n, dtype=np.bool_))
    hours = ((day % 1.0) * 24.0) if hour is None else hour[order]
    known, names = known_columns(day, value, std, hours, None if temperature is None else temperature[order])
    whole = without_temperature(
        Series(day, value, std, known, names), None if temperature is None else temperature[order]
    )
    if n < known.shape[1] + 5:
        whole = Series(day, value, std, np.ones((n, 1)), ("level",))
    used, excess = outliers_and_excess(whole)
    series = whole.take(used).widened(excess)
    fit = _judged(series, excess, whole)
    back = np.empty(n, dtype=np.intp)
    back[order] = np.arange(n)
    flags = used[back]
    fitted = None if fit.fitted is None else fit.fitted[back]
    return replace(fit, used=flags, fitted=fitted)


# --- judging ---------------------------------------------------------------------------------------------------------


def _judged(series: Series, excess: float, whole: Series) -> SeriesFit:
    n = series.day.size
    slope = slope_column(series.day)[:, None]
    span = float(np.ptp(series.day))
    typical = float(np.median(series.std))
    information, pull, chi2 = projected(series, slope)
    slope_score = float(pull[0] / math.sqrt(max(information[0], 1e-300)))
    steps, first = step_columns(n)
    step_information, step_pull, _ = projected(series, steps)
    gain = step_pull**2 / np.maximum(step_information, 1e-12)
    best = float(gain.max())
    odds = _log_factor(step_information, step_pull, PRIOR_SIZE * typical) - _log_factor(
        information, pull, PRIOR_SIZE * typical / span
    )
    warm = _warm_up(series, chi2, max(slope_score**2, best))
    if warm is not None:
        answer: Answer = "warm_up"
    elif abs(slope_score) <= _critical(n, series.known.shape[1] + 1, excess) and best <= _STEP_CHI2:
        answer = "none"
    else:
        limit = _DRIFT_ODDS_WEAK - _PER_CHI2 * max(0.0, best - _WEAK_CHI2)
        answer = "not_told_apart"
        if odds < max(limit, _DRIFT_ODDS_STRONG):
            answer = "drift"
        elif odds > _STEP_ODDS and best > _CLEAR_STEP_CHI2:
            answer = "step"
    found: tuple[Step, ...] = ()
    beside = False
    if answer in ("drift", "step"):
        answer, found, beside = _both(series, slope, steps, first, answer)
    if answer == "not_told_apart":
        found = _steps(series, steps, first, most=1)
    return replace(_told(series, whole, answer, found, excess, odds, slope_score, warm), drift_beside_step=beside)


def _both(
    series: Series, slope: FloatArray, columns: FloatArray, first: NDArray[np.intp], answer: Answer
) -> tuple[Answer, tuple[Step, ...], bool]:
    """Return the answer, its steps, and whether a drift goes on beside them.

    A step beside a drift is told where it is clear with the slope fitted; a drift beside a step where its slope is, and
    where it explains what the step leaves clearly better than another step would.
    """
    with_slope = Series(series.day, series.value, series.std, np.column_stack((series.known, slope)), series.names)
    if answer == "drift":
        # ageing slows down: what a bend explains nearly as well is no step
        centred = slope - float(slope.mean())
        bend = float(_gain(*projected(with_slope, centred**2)[:2]).max())
        clear = float(_gain(*projected(with_slope, columns)[:2]).max()) > bend + _STEP_BESIDE_CHI2
        return ("step", _steps(with_slope, columns, first), True) if clear else ("drift", (), False)
    alone = _steps(series, columns, first)
    (strongest,) = _steps(series, columns, first, most=1)
    at = int(np.flatnonzero(first == strongest.index)[0])
    known = np.column_stack((series.known, columns[:, at]))
    with_step = Series(series.day, series.value, series.std, known, series.names)
    information, pull, _ = projected(with_step, slope)
    score = float(pull[0] / math.sqrt(max(information[0], 1e-300)))
    if abs(score) <= _SLOPE_BESIDE_SCORE:
        return "step", alone, False
    span, typical = float(np.ptp(series.day)), float(np.median(series.std))
    others = np.abs(first - strongest.index) >= SIDE
    other_information, other_pull, _ = projected(with_step, columns[:, others])
    best = float(_gain(other_information, other_pull).max(initial=0.0))
    odds = _log_factor(other_information, other_pull, PRIOR_SIZE * typical) - _log_factor(
        information, pull, PRIOR_SIZE * typical / span
    )
    limit = _DRIFT_ODDS_WEAK - _PER_CHI2 * max(0.0, best - _WEAK_CHI2)
    if odds >= max(limit, _DRIFT_ODDS_STRONG):
        return "step", alone, False
    return "step", _steps(with_slope, columns, first), True


def _gain(information: FloatArray, pull: FloatArray) -> FloatArray:
    return np.where(information > 1e-6 * information.max(initial=0.0), pull**2 / np.maximum(information, 1e-12), 0.0)


def _critical(n: int, columns: int, excess: float) -> float:
    """Return the slope's score that chance reaches in 3 % of series; Student's where the scatter was estimated."""
    if excess <= 0.0:
        return _SLOPE_SCORE
    from scipy.special import stdtrit

    return float(stdtrit(max(n - columns, 1), 1.0 - 0.5 * _SLOPE_LEVEL))


def _log_factor(information: FloatArray, pull: FloatArray, size: float) -> float:
    """Return ln of the Bayes factor of a column against none, averaged over the columns, for a normal size."""
    variance = size**2
    log = 0.5 * pull**2 / (1.0 / variance + information) - 0.5 * np.log1p(variance * information)
    top = float(log.max())
    return top + math.log(float(np.mean(np.exp(log - top))))


def _steps(series: Series, columns: FloatArray, first: NDArray[np.intp], most: int = 3) -> tuple[Step, ...]:
    """Return the steps, the strongest first added, until the next is no clearer than chance."""
    chosen: list[int] = []
    known = series.known
    for _ in range(most):
        at = Series(series.day, series.value, series.std, known, series.names)
        information, pull, _ = projected(at, columns)
        gain = _gain(information, pull)
        for k in chosen:
            gain[max(0, k - SIDE + 1) : k + SIDE] = 0.0
        k = int(np.argmax(gain))
        if chosen and gain[k] < _NEXT_STEP_CHI2:
            break
        chosen.append(k)
        known = np.column_stack((known, columns[:, k]))
    chosen.sort()
    theta, covariance, _ = solve(series, columns[:, chosen])
    m = series.known.shape[1]
    return tuple(
        Step(
            after_day=float(series.day[first[k] - 1]),
            before_day=float(series.day[first[k]]),
            size=float(theta[m + j]),
            size_std=math.sqrt(float(covariance[m + j, m + j])),
            index=int(first[k]),
        )
        for j, k in enumerate(chosen)
    )


def _warm_up(series: Series, chi2: float, explained: float) -> tuple[float, float, float] | None:
    """Return time constant (days), size and its std, where an exponential explains much more than slope or step."""
    span = float(np.ptp(series.day))
    longest = min(0.5 * span, _LONGEST_WARM_UP_DAYS)
    shortest = max(0.5 * float(np.min(np.diff(series.day), initial=span)), 1.0 / 86400.0)
    if series.day.size < 8 or shortest >= longest:
        return None
    constants = np.geomspace(shortest, longest, 24)
    columns = np.exp(-(series.day[:, None] - series.day[0]) / constants[None, :])
    information, pull, _ = projected(series, columns)
    gain = pull**2 / np.maximum(information, 1e-12)
    k = int(np.argmax(gain))
    if gain[k] < explained + _WARM_UP_GAIN or gain[k] < 25.0:
        return None
    return float(constants[k]), float(pull[k] / information[k]), float(information[k] ** -0.5)


def _told(
    series: Series,
    whole: Series,
    answer: Answer,
    steps: tuple[Step, ...],
    excess: float,
    odds: float,
    slope_score: float,
    warm: tuple[float, float, float] | None,
) -> SeriesFit:
    """Fit the chosen structure with a slope beside it and tell its numbers."""
    from scipy.special import stdtrit

    n = series.day.size

    def extra(day: FloatArray) -> FloatArray:
        columns = [day - series.day[-1]]
        if answer == "step":
            columns += [(day >= step.before_day).astype(np.float64) for step in steps]
        if warm is not None:
            columns.append(np.exp(-(day - series.day[0]) / warm[0]))
        return np.column_stack(columns)

    theta, covariance, _ = solve(series, extra(series.day))
    m = series.known.shape[1]
    rate, rate_std = float(theta[m]), math.sqrt(float(covariance[m, m]))
    freedom = max(n - theta.size, 1)
    factor = float(stdtrit(freedom, 0.975)) if excess > 0.0 else 1.96
    at_end = np.zeros((2, theta.size))
    at_end[0, 0] = 1.0
    if answer == "step":
        at_end[0, m + 1 : m + 1 + len(steps)] = 1.0
    at_end[1, m] = 1.0
    ends = at_end @ covariance @ at_end.T
    shown = theta.copy()
    if answer in ("none", "step") and abs(rate) < _SLOPE_SCORE * rate_std:
        rest = extra(series.day)[:, 1:]
        shown = np.insert(solve(series, rest if rest.shape[1] else None)[0], m, 0.0)
    kelvin = series.names.index("temperature") if "temperature" in series.names else None
    swing, swing_std = _swing(series.names, theta, covariance)
    return SeriesFit(
        answer=answer,
        rate=rate,
        rate_std=rate_std,
        rate_interval95=(
            _either_way(series, (rate, rate_std), steps)
            if answer == "not_told_apart"
            else (rate - factor * rate_std, rate + factor * rate_std)
        ),
        steps=steps,
        level=float(at_end[0] @ theta),
        level_std=math.sqrt(max(float(ends[0, 0]), 0.0)),
        covariance=ends,
        per_kelvin=None if kelvin is None else float(theta[kelvin]),
        per_kelvin_std=None if kelvin is None else math.sqrt(float(covariance[kelvin, kelvin])),
        swing=swing,
        swing_std=swing_std,
        time_constant_days=None if warm is None else warm[0],
        warm_up_size=None if warm is None else warm[1],
        warm_up_std=None if warm is None else warm[2],
        excess=excess,
        fitted=np.column_stack((whole.known, extra(whole.day))) @ shown,
        odds_step=odds,
        slope_score=slope_score,
    )


def _either_way(series: Series, alone: tuple[float, float], steps: tuple[Step, ...]) -> tuple[float, float]:
    """Return the 95 % interval of the rate where nobody knows whether a step stands beside it.

    Two normal laws, one with the step fitted beside the slope; that one has more weight, because a step that is not
    there widens the interval only, while one that is there moves it.
    """
    columns = [slope_column(series.day), *((series.day >= step.before_day).astype(np.float64) for step in steps)]
    theta, covariance, _ = solve(series, np.column_stack(columns))
    m = series.known.shape[1]
    mean = np.array([alone[0], theta[m]])
    std = np.array([alone[1], math.sqrt(float(covariance[m, m]))])
    ends = []
    for share in (0.025, 0.975):
        low, high = float((mean - 6.0 * std).min()), float((mean + 6.0 * std).max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            laws = [0.5 * math.erfc(z) for z in (mean - middle) / (std * math.sqrt(2.0))]
            below = float(np.average(laws, weights=(1.0 - _BESIDE, _BESIDE)))
            low, high = (middle, high) if below < share else (low, middle)
        ends.append(0.5 * (low + high))
    return ends[0], ends[1]


def _swing(names: tuple[str, ...], theta: FloatArray, covariance: FloatArray) -> tuple[float | None, float | None]:
    """Return the daily swing, peak to peak, and its uncertainty."""
    if "sin1" not in names:
        return None, None
    k = names.index("sin1")
    amplitude = math.hypot(float(theta[k]), float(theta[k + 1]))
    direction = np.array([theta[k], theta[k + 1]]) / max(amplitude, 1e-12)
    variance = float(direction @ covariance[k : k + 2, k : k + 2] @ direction)
    return 2.0 * amplitude, 2.0 * math.sqrt(max(variance, 0.0))
