"""Pictures as vectors: what a renderer (SVG, PDF) has to draw, in units of its own, without knowing of sweeps.

The origin is at the top left, y grows downwards. Styles are names; each renderer knows what they look like.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from spectra.units import FloatArray

__all__ = ["STYLES", "Anchor", "Label", "Picture", "Polyline", "Rectangle", "Style", "decimate", "nice_ticks"]

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Style:
    """How something is drawn: colours as ``#rrggbb`` or None, widths and dashes in units of the picture."""

    stroke: str | None = None
    width: float = 1.0
    dash: tuple[float, ...] = ()
    fill: str | None = None
    size: float = 11.0
    bold: bool = False


INK, SOFT, PALE, TRACE, MODEL, FLOOR, ODD = (
    *("#1c2430", "#5b6675", "#d9dde3", "#7d8896", "#0b5563", "#8a5a00", "#9b2226"),
)

# colour is never the only sign: the fit is thick, the floor dashed, what the table does not explain is hollow
STYLES: dict[str, Style] = {
    "axis": Style(stroke=SOFT, width=0.8),
    "rule": Style(stroke=PALE, width=0.6),
    "trace": Style(stroke=TRACE, width=0.7),
    "model": Style(stroke=MODEL, width=1.3),
    "floor": Style(stroke=FLOOR, width=1.1, dash=(5.0, 3.0)),
    "listed": Style(stroke=MODEL, width=0.8, fill=MODEL),
    "unlisted": Style(stroke=ODD, width=1.2, fill="#ffffff"),
    "plain": Style(stroke=SOFT, width=1.0, fill="#ffffff"),
    "present": Style(stroke=MODEL, width=1.6),
    "absent": Style(stroke=ODD, width=1.2),
    "hidden": Style(stroke=SOFT, width=1.0, dash=(1.0, 2.0)),
    "tick": Style(fill=SOFT, size=10.5),
    "name": Style(fill=INK, size=10.5),
    "strong": Style(fill=INK, size=10.5, bold=True),
    "odd": Style(fill=ODD, size=10.5, bold=True),
}


@dataclass(frozen=True, slots=True, eq=False)
class Polyline:
    """A line through points (n, 2)."""

    points: FloatArray
    style: str


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A rectangle by its top left corner."""

    x: float
    y: float
    width: float
    height: float
    style: str


@dataclass(frozen=True, slots=True)
class Label:
    """A short text; `y` is its base line."""

    x: float
    y: float
    text: str
    style: str = "tick"
    anchor: Anchor = "start"


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with the words for those who cannot see it."""

    width: float
    height: float
    items: tuple[Polyline | Rectangle | Label, ...]
    words: str


def decimate(x: FloatArray, y: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """Return the line thinned to its smallest and largest value in each of so many columns.

    Nothing that stands out is lost: every extreme of a column stays, at its own place. A line of at most two points a
    column comes back as it is.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        `x` rising.
    columns : int
        At least 1.
    """
    n = x.size
    if n <= 2 * columns:
        return x, y
    edges = np.linspace(0, n, columns + 1).astype(np.intp)
    keep = {0, n - 1}
    for low, high in itertools.pairwise(edges):
        part = y[low:high]
        keep.add(int(low + np.argmin(part)))
        keep.add(int(low + np.argmax(part)))
    index = np.array(sorted(keep))
    return x[index], y[index]


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """Return at most `most` round values within a range, at steps of 1, 2, 2.5 or 5 times a power of ten."""
    if not high > low or most < 1:
        return []
    raw = (high - low) / most
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(float(s * power) for s in (1.0, 2.0, 2.5, 5.0, 10.0) if s * power >= raw * (1 - 1e-9))
    first = float(np.ceil(low / step - 1e-9)) * step
    count = int(np.floor((high - first) / step + 1e-9)) + 1
    return [first + k * step for k in range(max(count, 0))]


def text_width(text: str, size: float) -> float:
    """Return about how wide a text is in a sans-serif face of that size."""
    return 0.56 * size * len(text)


def free_places(places: Sequence[tuple[float, float]], wanted: tuple[float, float], gap: float = 3.0) -> bool:
    """Say whether a span keeps clear of all that are taken."""
    return all(wanted[1] + gap <= low or wanted[0] - gap >= high for low, high in places)
