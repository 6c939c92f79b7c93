"""What a trace point is, as a random variable: detectors and averages, their biases and their information.

A noise-like signal of mean power mu shows ``ln(level) = ln(mu) + z``; detector and averaging decide only the law of z,
so every detector is a scale family in power. The laws are held as log-gamma laws (Prentice 1974, from memory)::

    z = offset + scale * ln(G / shape),   G ~ Gamma(shape),   scale of either sign

which is exact for power averages (scale 1, offset 0, shape M), single readings and negative peaks, and matches mean,
variance and skewness for logarithmic and voltage averages and for positive peaks. Its information about ln(mu) is
shape / scale^2; the tests hold it against the exact information.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy import special

from spectra.units import DB_PER_NEPER, FloatArray

__all__ = [
    "LOG_BIAS_DB",
    "VOLTAGE_BIAS_DB",
    "Average",
    "PointLaw",
    "harmonic",
    "log_law",
    "peak_count_from_variance",
    "peak_law",
    "point_law",
    "power_law",
    "readings_from_variance",
    "voltage_law",
]

Average = Literal["power", "log", "voltage", "peak", "negative_peak"]

LOG_BIAS_DB = -DB_PER_NEPER * np.euler_gamma
"""Mean of noise averaged in dB, over its power: -2.5068 dB (E ln Exp(1) = -gamma; derived)."""

VOLTAGE_BIAS_DB = 10.0 * math.log10(math.pi / 4.0)
"""Power of the mean voltage of noise over its mean power: -1.0491 dB (Rayleigh mean; derived)."""

_LARGEST_SHAPE = 1e7


@dataclass(frozen=True, slots=True)
class PointLaw:
    """Law of z = ln(level / mean power) at one trace point: ``offset + scale * ln(Gamma(shape) / shape)``."""

    average: Average
    readings: float
    offset: float
    scale: float
    shape: float

    @property
    def information(self) -> float:
        """Fisher information about ln(mean power) in one point."""
        return self.shape / self.scale**2

    @property
    def mean(self) -> float:
        """Mean of z in nepers of power."""
        return self.offset + self.scale * float(special.digamma(self.shape) - math.log(self.shape))

    @property
    def variance(self) -> float:
        """Variance of z in nepers squared."""
        return self.scale**2 * float(special.zeta(2.0, self.shape))  # trigamma

    @property
    def skewness(self) -> float:
        """Skewness of z."""
        return math.copysign(float(_log_gamma_skewness(np.array(self.shape))), -self.scale)

    def normal_ratio(self, z: FloatArray) -> FloatArray:
        """Return the standard gamma variate (mean 1) that `z` stands for, ``exp((z - offset) / scale)``."""
        return np.exp(np.clip((z - self.offset) / self.scale, -40.0, 40.0))


def _log_gamma_skewness(shape: FloatArray) -> FloatArray:
    """Size of the skewness of ln Gamma(shape) (it is negative)."""
    return np.asarray(-special.polygamma(2, shape) / special.polygamma(1, shape) ** 1.5)


@lru_cache(maxsize=1)
def _skewness_table() -> tuple[FloatArray, FloatArray]:
    """ln(shape) against ln(skewness), both rising; fine enough for 1e-6 by interpolation."""
    log_shape = np.linspace(math.log(_LARGEST_SHAPE), math.log(1e-2), 4001)
    return np.log(_log_gamma_skewness(np.exp(log_shape))), log_shape


def _shape_of_skewness(skewness: float) -> float:
    """Return the shape at which ln Gamma has this (size of) skewness, within the table."""
    log_skewness, log_shape = _skewness_table()
    return math.exp(float(np.interp(math.log(max(skewness, 1e-9)), log_skewness, log_shape)))


def _law_from_moments(average: Average, readings: float, mean: float, variance: float, skewness: float) -> PointLaw:
    """Return the log-gamma law of these moments."""
    shape = _shape_of_skewness(abs(skewness))
    scale = math.copysign(math.sqrt(variance / float(special.zeta(2.0, shape))), -skewness)
    offset = mean - scale * float(special.digamma(shape) - math.log(shape))
    return PointLaw(average, readings, offset, scale, shape)


def power_law(readings: float) -> PointLaw:
    """Return the law of a mean of `readings` powers (exact: Gamma of shape `readings`)."""
    return PointLaw("power", readings, 0.0, 1.0, readings)


def log_law(readings: float) -> PointLaw:
    """Return the law of a mean of `readings` levels in dB.

    ln Exp(1) has mean -gamma, variance pi^2/6 and third cumulant -2 zeta(3).
    """
    if readings <= 1.0:
        return PointLaw("log", readings, 0.0, 1.0, 1.0)
    variance = math.pi**2 / 6.0
    skewness = -2.0 * float(special.zeta(3.0, 1.0)) / variance**1.5
    return _law_from_moments("log", readings, -np.euler_gamma, variance / readings, skewness / math.sqrt(readings))


def voltage_law(readings: float) -> PointLaw:
    """Return the law of the squared mean of `readings` voltages (Rayleigh); expansions to 1/readings beyond one."""
    if readings <= 1.0:
        return PointLaw("voltage", readings, 0.0, 1.0, 1.0)
    # Rayleigh of unit mean power: mean sqrt(pi)/2, squared coefficient of variation 4/pi - 1, skewness 0.6311.
    spread = (4.0 / math.pi - 1.0) / readings
    variance = 4.0 * (spread + 0.5 * spread**2)
    tail = 2.0 * math.sqrt(math.pi) * (math.pi - 3.0) / (4.0 - math.pi) ** 1.5 / math.sqrt(readings)
    mean = math.log(math.pi / 4.0) - spread + tail * spread**1.5 * 2.0 / 3.0
    return _law_from_moments("voltage", readings, mean, variance, tail - 3.0 * math.sqrt(spread))


def harmonic(count: float) -> float:
    """Return 1 + 1/2 + ... + 1/count, continued to real counts: mean power of the largest of `count` readings."""
    return float(special.digamma(count + 1.0)) + np.euler_gamma


@lru_cache(maxsize=512)
def _peak_moments(count: float) -> tuple[float, float, float]:
    """Mean, variance and third central moment of ln(largest of `count` unit exponentials)."""
    # The quantile function is -ln(1 - q^(1/count)); integrate over the normal score of q for an even grid.
    t = np.linspace(-9.0, 9.0, 1801)
    weight = np.exp(-0.5 * t * t)
    weight /= weight.sum()
    below = special.log_ndtr(t) / count
    exponential = np.where(below > -0.7, -np.log(-np.expm1(below)), -np.log1p(-np.exp(np.minimum(below, -0.5))))
    value = np.log(exponential)
    mean = float(weight @ value)
    return mean, float(weight @ (value - mean) ** 2), float(weight @ (value - mean) ** 3)


@lru_cache(maxsize=1)
def _peak_table() -> tuple[FloatArray, FloatArray]:
    """Variance of ln(peak) against ln(count), the variance rising."""
    log_count = np.linspace(math.log(1e6), 0.0, 111)
    return np.array([_peak_moments(round(math.exp(value), 6))[1] for value in log_count]), log_count


def peak_count_from_variance(variance: float) -> float:
    """Return the readings under a peak whose ln has this variance (1 to a million)."""
    variances, log_count = _peak_table()
    return math.exp(float(np.interp(variance, variances, log_count)))


def peak_law(count: float, averages: float = 1.0, *, average: Average = "peak") -> PointLaw:
    """Return the law of a mean, in dB, of `averages` peaks, each the largest of `count` readings.

    Positive peak, or max hold with `count` times the sweeps held and `averages` 1.
    """
    mean, variance, third = _peak_moments(round(float(count), 6))
    skewness = third / variance**1.5
    if abs(skewness) < 1e-3:
        skewness = math.copysign(1e-3, skewness)
    return _law_from_moments(average, averages, mean, variance / averages, skewness / math.sqrt(averages))


def point_law(average: Average, readings: float, peak_of: float = 1.0) -> PointLaw:
    """Return the law of a point by the way it is averaged.

    Parameters
    ----------
    average : {'power', 'log', 'voltage', 'peak', 'negative_peak'}
        `peak` and `negative_peak` are averaged in dB where `readings` exceeds 1.
    readings : float
        Independent readings averaged, 1 or more (any real number).
    peak_of : float
        Readings under one peak.
    """
    readings = max(float(readings), 1.0)
    if average == "power":
        return power_law(readings)
    if average == "log":
        return log_law(readings)
    if average == "voltage":
        return voltage_law(readings)
    if average == "negative_peak":  # the least of n exponentials is an exponential, n times smaller
        law = log_law(readings)
        return PointLaw("negative_peak", readings, law.offset - math.log(peak_of), law.scale, law.shape)
    return peak_law(peak_of, readings)


def _inverse_trigamma(value: float) -> float:
    """Return the shape at which ln Gamma(shape) has this variance; Newton's method on 1 / trigamma, near linear."""
    shape = 0.5 + 1.0 / value  # right for large shapes, near for small ones
    for _ in range(20):
        now = float(special.zeta(2.0, shape))
        step = now * (1.0 - now / value) / (-2.0 * float(special.zeta(3.0, shape)))
        shape += step
        if abs(step) < 1e-12 * shape:
            break
    return shape


def readings_from_variance(variance: float, average: Average, peak_of: float = 1.0) -> float:
    """Return the readings whose average has this variance of ln(level) (1 at least)."""
    if average == "power":
        return min(max(1.0, _inverse_trigamma(variance)), _LARGEST_SHAPE)
    one = _peak_moments(round(float(peak_of), 6))[1] if average == "peak" else math.pi**2 / 6.0
    if average == "voltage":
        return max(1.0, 4.0 * (4.0 / math.pi - 1.0) / variance)
    return max(1.0, one / variance)
