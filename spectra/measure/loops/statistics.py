"""The scatter of residuals, compiled: see `spectra.measure.statistics`."""

from __future__ import annotations

import numpy as np

from spectra.measure.loops.special import Flags, Index, compiled
from spectra.units import FloatArray

__all__ = ["products_at_lags", "scattered"]


@compiled
def scattered(residual: FloatArray, usable: Flags) -> FloatArray:
    """Return the residuals without their mean and their outliers, 0 where not usable, as `statistics` has them."""
    values = residual[usable]
    centre = np.median(values)
    spread = 1.4826 * np.median(np.abs(values - centre)) + 1e-9
    out, total = np.zeros(residual.size), 0.0
    for i in range(residual.size):
        if usable[i]:
            out[i] = min(max(residual[i] - centre, -6.0 * spread), 5.0 * spread)
            total += out[i]
    mean = total / values.size
    for i in range(residual.size):
        if usable[i]:
            out[i] -= mean
    return out


@compiled
def products_at_lags(z: FloatArray, usable: Flags, lags: int) -> tuple[Index, FloatArray]:
    """Return how many points are usable with the one so many points on, lags 1 and up, and the sums of their products.

    `z` is 0 where it is not usable.
    """
    pairs, sums = np.zeros(lags, np.intp), np.zeros(lags)
    for k in range(lags):
        for i in range(z.size - k - 1):
            pairs[k] += usable[i] and usable[i + k + 1]
            sums[k] += z[i] * z[i + k + 1]
    return pairs, sums
