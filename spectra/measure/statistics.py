"""What the points of a trace are: the law that detector and average make, readings and correlation from the scatter.

The header names the detector, but only the trace's own scatter tells how many independent readings a point holds and
how far neighbours share their noise; the header is the prior, the trace decides, a disagreement becomes a finding.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from spectra.measure.compiled import loops
from spectra.measure.sums import median
from spectra.signal.detectors import (
    Average,
    PointLaw,
    peak_count_from_variance,
    point_law,
    readings_from_variance,
)
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.sweep import Settings
from spectra.units import FloatArray

__all__ = ["TraceLaw", "assumed_average", "filter_lags", "first_law", "refined_law", "window_inflation"]

_BLOCK, _LEAST_BLOCKS = 8, 24  # points, and blocks of them, that tell quiet stretches from others
_LEAST_POINTS = 24  # whose scatter says more than the law before
_MANY_READINGS = 8.0  # with which logarithms share as much as the levels themselves
_MOST_SCORE = 6.0  # standard deviations, as far as correlation goes: single readings pass it once in a thousand
_UNEVEN = 1.5  # times the variance of the quiet stretches, by which all together must exceed it


@dataclass(frozen=True, slots=True)
class TraceLaw:
    """Law of the points of one trace.

    Attributes
    ----------
    law : PointLaw
    readings_std : float or None
        Standard uncertainty of `law.readings`.
    correlation : ndarray, shape (m,)
        Correlation of a point with its 1st, 2nd, ... m-th neighbour.
    assumption : str or None
        What had to be assumed about the averaging, in words.
    """

    law: PointLaw
    readings_std: float | None
    correlation: FloatArray
    assumption: str | None = None

    @property
    def correlated_points(self) -> float:
        """Points that share their noise: 1 + 2 sum of the correlation."""
        return max(1.0, 1.0 + 2.0 * float(self.correlation.sum()))

    @property
    def information(self) -> float:
        """Information about ln(power) that one point adds, correlation counted."""
        return self.law.information / self.correlated_points


def assumed_average(settings: Settings) -> tuple[Average, float, str | None]:
    """Return how a point is averaged, the readings under one peak (1 where no peak), and what was assumed."""
    stated = {key.lower(): str(value).lower() for key, value in settings.extra.items()}.get("average_type", "")
    kind: Average = "power"
    for name, words in (("log", ("log", "video", "db")), ("power", ("power", "rms")), ("voltage", ("volt", "lin"))):
        if any(word in stated for word in words):
            kind = name  # type: ignore[assignment]  # the three names are Averages
    sweeps = float(settings.averages or 1)
    if settings.detector == "peak" or settings.trace_mode == "max_hold":
        held = sweeps if settings.trace_mode == "max_hold" else 1.0
        return "peak", max(2.0, held), None
    if settings.detector == "negative_peak" or settings.trace_mode == "min_hold":
        return "negative_peak", 1.0, None
    if settings.detector == "log_average":
        return "log", 1.0, None
    if settings.detector == "voltage_average":
        return "voltage", 1.0, None
    if settings.detector == "rms":
        return "power", 1.0, None
    if stated:
        return kind, 1.0, None
    if settings.detector in ("sample", "normal") and (sweeps > 1.0 or settings.trace_mode == "average"):
        return "log", 1.0, "The sweeps are taken as averaged in dB; the file names no average type."
    if settings.detector is None:
        return "power", 1.0, "The file names no detector; the levels are taken as averages of power."
    return "power", 1.0, None


def window_inflation(correlation: FloatArray, widths: FloatArray) -> FloatArray:
    """Return by how much the variance of a mean over each width exceeds that of independent points."""
    if correlation.size == 0:
        return np.ones(widths.shape)
    lag = np.arange(1, correlation.size + 1)
    share = np.clip(1.0 - lag / widths[:, None], 0.0, 1.0)
    return np.maximum(1.0, 1.0 + 2.0 * share @ correlation)


def _filter_correlation(spacing_hz: float, rbw_hz: float | None) -> FloatArray:
    """Correlation of neighbours where the sweep is as fast as a Gaussian filter allows (power readings)."""
    if rbw_hz is None:
        return np.empty(0)
    sigma = rbw_hz * SIGMA_PER_RBW / spacing_hz
    lag = np.arange(1, min(int(5.0 * sigma) + 2, 400))
    return np.exp(-(lag**2) / (4.0 * sigma**2))


def _typical_step(y: FloatArray, lag: int) -> float:
    """Return the size that 35 % of the differences at a lag stay below."""
    step = np.abs(y[lag:] - y[:-lag])
    return float(np.quantile(step, 0.35)) or float(step.mean()) or 1e-3


def first_law(y: FloatArray, spacing_hz: float, settings: Settings) -> TraceLaw:
    """Return the law of a trace from differences of its points, before any model is fitted.

    Differences at a lag beyond the filter's correlation lose every slow change; their size is blind to the
    ones that straddle an edge, above all in their lower third. P(|d| < q) = 0.35 at q = 0.4538 standard deviations for
    a normal law and at 0.4029 for single readings (differences of two ln Exp(1) are logistic; derived).
    """
    average, peak_of, assumption = assumed_average(settings)
    correlation = _filter_correlation(spacing_hz, settings.rbw_hz)
    lag = min(max(1, int(np.sum(correlation > 0.05)) + 1), max(1, y.size // 4))
    near = _typical_step(y, 1)
    far = _typical_step(y, lag) if lag > 1 else near
    # Neighbours that share noise differ less than points far apart; edges act the other way.
    shared = (1.0 - (near / far) ** 2) / float(correlation[0]) if lag > 1 else 0.0
    strength = float(np.clip(shared, 0.0, 1.0))
    typical = min(far, near / math.sqrt(max(1.0 - strength * float(correlation[0]), 0.02))) if lag > 1 else near
    correlation = correlation * strength if strength > 0.1 else np.empty(0)
    ratio = 0.4538 - 0.0509 * min(1.0, (typical / (2.0 * math.atanh(0.35))) ** 2)
    variance = max(0.5 * (typical / ratio) ** 2, 1e-6)
    return _law(average, peak_of, variance, settings, None, correlation, assumption)


def _law(
    average: Average,
    peak_of: float,
    variance: float,
    settings: Settings,
    readings_std: float | None,
    correlation: FloatArray,
    assumption: str | None,
) -> TraceLaw:
    """Return the law of this average whose variance is the one seen."""
    if average == "peak":
        # The scatter alone cannot part "few readings under the peak" from "peaks averaged"; the header decides.
        averages = float(settings.averages or 1) if settings.trace_mode != "max_hold" else 1.0
        law = point_law("peak", averages, max(peak_of, peak_count_from_variance(variance * averages)))
    else:
        law = point_law(average, readings_from_variance(variance, average))
    exact = law.variance
    if law.readings > 1.0 and exact > 0.0:  # keep the scatter that was seen, whatever the law's own limits
        factor = math.sqrt(variance / exact)
        if abs(factor - 1.0) > 1e-3 and average != "power":
            law = replace(law, scale=law.scale * factor)
    return TraceLaw(law, readings_std, correlation, assumption)


def refined_law(
    before: TraceLaw,
    residual: FloatArray,
    usable: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    lost: FloatArray,
    spacing_hz: float,
    settings: Settings,
    even: bool = False,
) -> TraceLaw:
    """Return the law from the residuals of a fit.

    Parameters
    ----------
    before : TraceLaw
        The law the fit was made with.
    residual : ndarray, shape (n,)
        ln(level) minus the fitted ln(mean power).
    usable : ndarray of bool, shape (n,)
        Points where the model can be trusted (no steep skirt).
    lost : ndarray, shape (m + 1,)
        What the fit took from the residuals' squares and their products with m neighbours, in points.
    even : bool
        The fit may still lack something: where residuals scatter much more here than there, the law is that of the
        quieter stretches. What is missing would else pass for noise, and hide what else is missing.
    """
    average, peak_of, assumption = assumed_average(settings)
    points = int(np.count_nonzero(usable))
    if points < _LEAST_POINTS:
        return before
    z = _scattered(residual, usable)
    if float(np.ptp(z)) < 1e-9:
        return before
    quiet = _quiet(z, usable, before) if even else None
    if quiet is not None:
        usable, z = quiet, np.where(quiet, z, 0.0)
        lost = lost * (np.count_nonzero(quiet) / points)
        points = int(np.count_nonzero(quiet))
    correlated = before.correlated_points
    lost = np.minimum(lost / points, 0.8)
    variance = float(z @ z) / points / (1.0 - float(lost[0]))
    score = z if before.law.shape > _MANY_READINGS else _scores(before.law, residual, usable)
    correlation = _estimated_correlation(score, usable, spacing_hz, settings.rbw_hz, lost)
    relative = math.sqrt(max(2.0 + _excess(before.law), 0.5) * correlated / points)
    law = _law(average, peak_of, max(variance, 1e-7), settings, None, correlation, assumption)
    return replace(law, readings_std=law.law.readings * relative)


def _scores(law: PointLaw, residual: FloatArray, usable: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> FloatArray:
    """Return what a fit follows, e^u - 1 without its mean and its outliers, 0 where not usable.

    Neighbours of single readings share more of it than of their logarithms: all of the filter's correlation.
    """
    score = np.minimum(law.normal_ratio(residual), 1.0 + _MOST_SCORE / math.sqrt(law.shape))
    return np.where(usable, score - score[usable].mean(), 0.0)


def _scattered(residual: FloatArray, usable: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> FloatArray:
    """Return the residuals without their mean and their outliers, 0 where they are not usable."""
    compiled = loops()
    if compiled is not None:
        return np.asarray(compiled.scattered(residual, usable))
    values = residual[usable]
    centre = median(values)
    spread = 1.4826 * median(np.abs(values - centre)) + 1e-9
    z = np.clip(residual - centre, -6.0 * spread, 5.0 * spread)
    return np.where(usable, z - z[usable].mean(), 0.0)


def _quiet(
    z: FloatArray, usable: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], law: TraceLaw
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]] | None:
    """Return the points of the quieter stretches of residuals; None where all are about as quiet.

    The mean squares of short blocks are gamma variates, of fewer degrees where neighbours share noise: their lower
    quartile tells the variance of the quiet ones.
    """
    from scipy.special import gammaincinv

    index = np.flatnonzero(usable)
    size = round(_BLOCK * max(law.correlated_points, 1.0))
    count = index.size // size
    if count < _LEAST_BLOCKS:
        return None
    blocks = index[: count * size].reshape(count, size)
    square = (z[blocks] ** 2).mean(axis=1)
    shape = size / (2.0 + _excess(law.law)) / (1.0 + 2.0 * float(law.correlation @ law.correlation))
    quarter, most = gammaincinv(shape, (0.25, 0.99)) / shape
    variance = float(np.partition(square, count // 4)[count // 4]) / quarter
    if float(square.mean()) < _UNEVEN * variance:
        return None
    quiet = np.zeros(z.size, dtype=bool)
    quiet[blocks[square < most * variance]] = True
    return quiet


def _excess(law: PointLaw) -> float:
    """Excess kurtosis of ln Gamma(shape): psi'''/psi'^2, by Hurwitz's zeta (Abramowitz and Stegun 6.4.10, memory)."""
    from scipy.special import zeta

    return float(6.0 * zeta(4.0, law.shape) / zeta(2.0, law.shape) ** 2)


def filter_lags(points: int, spacing_hz: float, rbw_hz: float | None) -> FloatArray:
    """Return the correlation of neighbours that a filter can make, at the lags where it is to be told."""
    shape = _filter_correlation(spacing_hz, rbw_hz)
    if shape.size == 0:
        shape = np.power(0.5, np.arange(1.0, 9.0))
    shape = shape[shape > 0.01][: max(1, points // 8)]
    return shape if shape.size else np.array([0.01])


def _estimated_correlation(
    z: FloatArray,
    usable: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    spacing_hz: float,
    rbw_hz: float | None,
    lost: FloatArray,
) -> FloatArray:
    """Return the correlation of neighbours: the filter's shape, as strong as the residuals show it.

    How strong depends on the sweep's speed: a slow sweep makes independent points of the same filter.
    """
    shape = filter_lags(z.size, spacing_hz, rbw_hz)
    lags = shape.size
    compiled = loops()
    if compiled is not None:
        pairs, sums = compiled.products_at_lags(z, usable, lags)
    else:
        good = usable.astype(float)
        pairs = np.array([float(good[k:] @ good[:-k]) for k in range(1, lags + 1)])
        sums = np.array([float(z[k:] @ z[:-k]) for k in range(1, lags + 1)])
    square = float(z @ z) / np.count_nonzero(usable)
    raw = sums / np.maximum(pairs, 1.0) / square * (1.0 - lost[0]) + lost[1:]  # a fit takes of products as of squares
    strength = float(raw @ shape) / float(shape @ shape)
    noise = 1.0 / math.sqrt(max(float(pairs[0]), 1.0) * float(shape @ shape))
    if strength < 2.0 * noise:
        return np.empty(0)
    # Where lags are well measured their own values count; the filter's shape steadies the rest.
    weight = 0.5 if noise < 0.05 else 0.0
    return np.asarray(np.clip((1.0 - weight) * strength * shape + weight * raw, 0.0, 0.98))
