"""The median, without the care for NaN and axes that takes most of the time on short arrays."""

from __future__ import annotations

import numpy as np

from spectra.units import FloatArray

__all__ = ["median"]


def median(values: FloatArray) -> float:
    """Return the median of numbers, shape (n,), n >= 1, none of them NaN; the mean of the middle two for even n."""
    half = values.size // 2
    if values.size % 2:
        return float(np.partition(values, half)[half])
    ordered = np.partition(values, (half - 1, half))
    return float(0.5 * (ordered[half - 1] + ordered[half]))
