"""Running sums and medians of short arrays, for which numpy's own take longer to start than to count."""

from __future__ import annotations

import numpy as np

from spectra.units import FloatArray

__all__ = ["median", "running"]


def running(values: FloatArray) -> FloatArray:
    """Return the sums of the first 0, 1 .. n values, shape (n + 1,)."""
    total = np.zeros(values.size + 1)
    np.cumsum(values, out=total[1:])
    return total


def median(values: FloatArray) -> float:
    """Return the median of some values, of which there is one at least."""
    line = np.sort(values)
    return 0.5 * float(line[(line.size - 1) // 2] + line[line.size // 2])
