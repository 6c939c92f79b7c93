"""Shoulders of the IF filter: where the ends of a sweep of the whole IF fall off, and carriers with them.

The first IF of a receive chain lies from 950 to 2150 MHz, that of a low band often ends at 1950 MHz (common practice,
no source). A sweep that reaches beyond sees the floor fall away there. What falls off is the chain's gain, for floor
and carriers alike, so it is taken out of the trace before anything else is asked of it, and put back into the levels
that are reported. C/N, widths and frequencies know nothing of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from spectra.measure.floor import floor_line
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["shoulders"]

_LEAST_SPAN_HZ = 400e6  # below, a line through the middle is no floor that one may go by
_LOWER_HZ = (945e6, 890e6, 1000e6)
_UPPER_HZ = ((1990e6, 1880e6, 1990e6), (2155e6, 2080e6, 2210e6))
"""A sweep must reach beyond the first for a shoulder that begins between the others."""

_LEAST_FALL = 3.0 / DB_PER_NEPER  # of the outermost points
_OUTERMOST = 0.012  # of the span
_MIDDLE = (0.16, 0.80)  # of the span, where the floor is taken as straight
_LEAST_ON, _MOST_UNDER = 0.25, 0.01  # of the blocks in the middle
_REACH_HZ = 70e6  # inside of where the fall begins, that the fit looks at
_MOST_FALL = 12.0  # nepers, far below any analyser's own noise
_FALLS = 0.03  # nepers of gain from which on the trace itself is followed
_MOST_MISSED = 0.25  # nepers that the fitted shape may miss; more is a carrier
_SMOOTH_HZ = 6e6
_EVEN = 0.15  # nepers by which a fall may be uneven, however many the readings
_MOST_UNEVEN = 1.5  # times the scatter that the law of the points foretells


def shoulders(frequency_hz: FloatArray, y: FloatArray, spread: float) -> FloatArray | None:
    """Return ln(gain) of the chain's shoulders, shape (n,), 0 inside; None where the trace shows none.

    Parameters
    ----------
    frequency_hz, y : ndarray, shape (n,)
        Points and ln(level).
    spread : float
        Standard deviation of one point, in nepers.
    """
    span = float(frequency_hz[-1] - frequency_hz[0])
    if span < _LEAST_SPAN_HZ:
        return None
    n = y.size
    block = max(1, n // 250)
    count = n // block
    mean = y[: count * block].reshape(count, block).mean(axis=1)
    place = frequency_hz[: count * block].reshape(count, block).mean(axis=1)
    inner = slice(int(_MIDDLE[0] * count), int(_MIDDLE[1] * count))
    line = _line(place[inner], mean[inner], spread / math.sqrt(block))
    if line is None:
        return None
    below = y - (line[1] + line[0] * frequency_hz)
    gain = np.zeros(n)
    if frequency_hz[0] < _LOWER_HZ[0]:
        found = _fall(frequency_hz, below, (_LOWER_HZ[1:],), spread)
        gain += 0.0 if found is None else found
    begins = [(-high, -low) for beyond, low, high in _UPPER_HZ if frequency_hz[-1] > beyond]
    if begins:
        found = _fall(-frequency_hz[::-1], below[::-1], tuple(begins), spread)
        gain += 0.0 if found is None else found[::-1]
    return gain if gain.any() else None


def _line(hz: FloatArray, level: FloatArray, spread: float) -> tuple[float, float] | None:
    """Return slope and level of the straight floor through the blocks on it; None where few are, or some lie under."""
    straight = floor_line(hz, level, spread)
    slope = start = 0.0
    for near in (3.0 * spread + 0.15, 3.0 * spread + 0.08, 2.5 * spread + 0.05):
        on = np.abs(level - straight) < near
        if np.count_nonzero(on) < _LEAST_ON * level.size:
            return None
        away, middle = hz[on] - hz[on].mean(), float(level[on].mean())
        slope = float(away @ level[on]) / max(float(away @ away), 1e-300)
        start = middle - slope * float(hz[on].mean())
        straight = start + slope * hz
    under = np.count_nonzero(level < straight - 4.0 * spread - 0.15)
    return None if under > _MOST_UNDER * level.size else (slope, start)


def _fall(
    hz: FloatArray, below: FloatArray, begins: tuple[tuple[float, float], ...], spread: float
) -> FloatArray | None:
    """Return ln(gain) of the shoulder at the lower end, or None; `below` is ln(level) less the straight floor."""
    outer = max(4, int(_OUTERMOST * hz.size))
    if float(np.median(below[:outer])) > -max(_LEAST_FALL, 5.0 * spread / np.sqrt(outer)):
        return None
    width = max(5, int(_SMOOTH_HZ / (hz[1] - hz[0])))
    smooth = _running_mean(below, width)
    back = np.flatnonzero(smooth > -0.1 - 2.0 * spread / np.sqrt(width))
    if back.size == 0 or not any(low <= hz[back[0]] <= high for low, high in begins):
        return None
    part = slice(0, int(np.searchsorted(hz, hz[back[0]] + _REACH_HZ)))
    x, seen = (hz[part] - hz[back[0]]) / 1e6, below[part]

    def step(p: FloatArray) -> FloatArray:
        return np.asarray(-p[2] / (1.0 + np.exp(np.clip((x - p[0]) / np.exp(p[1]), -60.0, 60.0))))

    def slide(p: FloatArray) -> FloatArray:
        return np.asarray(-p[2] * np.logaddexp(0.0, (p[0] - x) / np.exp(p[1])))

    depth = -float(np.median(seen[:outer]))
    half = float(x[int(np.argmax(smooth[part] > -0.5 * depth))])
    best: tuple[float, FloatArray] | None = None
    lower, upper = [float(x[0]) - 60.0, math.log(0.3), 0.0], [float(x[-1]), math.log(60.0), _MOST_FALL]
    for shape, start in ((step, [half, math.log(4.0), depth]), (slide, [-5.0, math.log(6.0), 0.3 * depth])):
        cost, curve = _fitted(shape, seen, spread, np.clip(start, lower, upper), (lower, upper))
        if best is None or cost < best[0]:
            best = cost, curve
    assert best is not None
    uneven = float(np.median(np.abs(seen - best[1]))) / (0.6745 * spread)
    if uneven > _MOST_UNEVEN + _EVEN / spread:
        return None
    gain = np.zeros(hz.size)
    gain[part] = _followed(best[1], seen, width)
    return gain


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Return the mean of the `width` values around each; the ends go on as they are."""
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    return np.convolve(padded, np.full(width, 1.0 / width), "valid")


def _fitted(
    shape: Callable[[FloatArray], FloatArray],
    seen: FloatArray,
    spread: float,
    start: FloatArray,
    bounds: tuple[list[float], list[float]],
) -> tuple[float, FloatArray]:
    """Return cost and curve of a shape fitted so that carriers on top count little."""
    from scipy.optimize import least_squares

    def residual(p: FloatArray) -> FloatArray:
        return np.asarray((shape(p) - seen) / spread)

    found = least_squares(residual, start, loss="soft_l1", bounds=bounds)
    return float(found.cost), shape(found.x)


def _followed(gain: FloatArray, seen: FloatArray, width: int) -> FloatArray:
    """Return a fitted fall with what its shape misses, where it falls; what stands out further is left to be found."""
    missed = _running_mean(seen - gain, width)
    here = (gain < -_FALLS) & (np.abs(missed) < _MOST_MISSED)
    return gain + np.where(here, missed, 0.0)
