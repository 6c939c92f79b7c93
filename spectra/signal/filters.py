"""Resolution-bandwidth filters: widths, noise bandwidths, power responses."""

from __future__ import annotations

import math

import numpy as np

from spectra.units import FloatArray

__all__ = [
    "ENBW_PER_RBW_GAUSSIAN",
    "SIGMA_PER_RBW",
    "enbw_per_rbw_synchronous",
    "gaussian_power_response",
    "synchronous_power_response",
]

SIGMA_PER_RBW = 1.0 / (2.0 * math.sqrt(2.0 * math.log(2.0)))
"""Standard deviation of a Gaussian power response over its 3 dB width (derived)."""

ENBW_PER_RBW_GAUSSIAN = SIGMA_PER_RBW * math.sqrt(2.0 * math.pi)
"""Equivalent noise bandwidth over 3 dB width of a Gaussian filter, sqrt(pi / (4 ln 2)) = 1.0645 (derived)."""


def gaussian_power_response(offset_hz: FloatArray, rbw_hz: float) -> FloatArray:
    """Return the power response, 1 at the centre, of a Gaussian filter of 3 dB width `rbw_hz`."""
    return np.asarray(np.exp(-0.5 * (offset_hz / (rbw_hz * SIGMA_PER_RBW)) ** 2), dtype=np.float64)


def synchronous_power_response(offset_hz: FloatArray, rbw_hz: float, poles: int) -> FloatArray:
    """Return the power response (1 + w^2)^-n of n synchronously tuned poles of 3 dB width `rbw_hz`."""
    half = 0.5 * rbw_hz / math.sqrt(2.0 ** (1.0 / poles) - 1.0)
    return np.asarray((1.0 + (offset_hz / half) ** 2) ** -float(poles), dtype=np.float64)


def enbw_per_rbw_synchronous(poles: int) -> float:
    """Return noise bandwidth over 3 dB width of n synchronously tuned poles (n = 4: 1.1285, n = 5: 1.1138; derived).

    The integral of (1 + w^2)^-n from 0 to infinity is sqrt(pi)/2 Gamma(n - 1/2) / Gamma(n).
    """
    integral = 0.5 * math.sqrt(math.pi) * math.gamma(poles - 0.5) / math.gamma(poles)
    return integral / math.sqrt(2.0 ** (1.0 / poles) - 1.0)
