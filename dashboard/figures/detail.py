"""As many points as a picture can show: the smallest and the largest in each column, everything where there is room."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from spectra.units import FloatArray

__all__ = ["COLUMNS", "drawn_points", "shown_points", "within"]

COLUMNS = 1100
"""About the columns of pixels that a figure has on a laptop."""


def within(frequency_hz: FloatArray, start_hz: float, stop_hz: float) -> slice:
    """Return the points of a span, with one more on either side so that lines run on to the edge."""
    low = max(0, int(np.searchsorted(frequency_hz, start_hz)) - 1)
    high = min(frequency_hz.size, int(np.searchsorted(frequency_hz, stop_hz, side="right")) + 1)
    return slice(low, high)


def drawn_points(level: FloatArray, part: slice, columns: int = COLUMNS) -> NDArray[np.intp]:
    """Return the indices of the points to draw for a part of a trace, and as much again on either side.

    The sides are there when the picture is pulled along, before anything new is asked for; at half the detail.
    """
    n = part.stop - part.start
    sides = (slice(max(0, part.start - n), part.start), slice(part.stop, min(level.size, part.stop + n)))
    before, after = (side.start + shown_points(level[side], columns // 2) for side in sides)
    return np.concatenate([before, part.start + shown_points(level[part], columns), after])


def shown_points(level: FloatArray, columns: int = COLUMNS) -> NDArray[np.intp]:
    """Return the indices of the points to draw: per column the smallest and the largest, in their order.

    Parameters
    ----------
    level : ndarray, shape (n,)
    columns : int
        At least 1. At most two points a column come back all; NaN count as neither smallest nor largest.
    """
    n = level.size
    if n == 0 or n <= 2 * columns:
        return np.arange(n)
    edges = np.linspace(0, n, columns + 1).astype(np.intp)
    width = int(np.max(np.diff(edges)))
    # one row a column, the last point repeated where a column is shorter
    index = np.minimum(edges[:-1, None] + np.arange(width), (edges[1:] - 1)[:, None])
    values = level[index]
    rows = np.arange(columns)
    low = index[rows, np.argmin(np.where(np.isnan(values), np.inf, values), axis=1)]
    high = index[rows, np.argmax(np.where(np.isnan(values), -np.inf, values), axis=1)]
    return np.unique(np.concatenate([low, high, [0, n - 1]]))
