"""The median, without the care for NaN and axes that takes most of the time on short arrays."""

from __future__ import annotations

import numpy as np

from spectra.units import FloatArray

__all__ = ["median"]


def median(values: FloatArray) -> float:
    """Return the median of numbers, shape (n,), n >= 1, none of them NaN; the mean of the middle two for even n."""
    half = values.size // 2
    ordered = np.array(values)
    if values.size % 2:
        ordered.partition(half)
        return float(ordered[half])
    ordered.partition((half - 1, half))
    return float(0.5 * (ordered[half - 1] + ordered[half]))
