"""The noise floor: a penalised cubic spline in ln(power), and a first guess that carriers do not lift.

Floors of receive chains are smooth: a tilt of the cable, a ripple of 20 MHz and more from reflections, the shoulders of
the IF filter. The spline's coefficients are at least 5 MHz apart and a penalty on their second differences stands for a
ripple of a decibel; its strength is then estimated from the trace (see METHOD.md). A straight line costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from spectra.measure.compiled import loops
from spectra.measure.linear import solve_narrow
from spectra.measure.sums import running
from spectra.signal.detectors import PointLaw
from spectra.units import FloatArray

__all__ = [
    "KNOT_HZ",
    "WIDEST_CARRIER_HZ",
    "FloorBasis",
    "first_floors",
    "fit_floor",
    "fixed_floor",
    "floor_basis",
    "floor_line",
    "humps",
    "lower_envelope",
    "with_waves",
]

_BLOCK_HZ = 0.5e6  # of points averaged for a first floor, where there are many
_FROM = (0, 4, 7, 9, 10)  # where the products of each spline with itself and later ones begin
_CURVATURE_KNOT_HZ = 5e6
_MOST_INTERVALS = 240
_RIPPLE_CURVATURE = 0.063  # second difference of coefficients 5 MHz apart: 1 dB of ripple at 60 MHz, in nepers
_FIRST_ERROR = 0.15  # nepers by which a first floor may be wrong
_SOFT, _STIFF = 10.0, 1e4  # strengths to begin with, over that of a decibel of ripple
_LINE_TOLERANCE = 0.25  # nepers that ripple may put between a straight line and the floor
WIDEST_CARRIER_HZ = 90e6

KNOT_HZ = 9e6
"""Between the knots of a floor, or more where points are few."""


@dataclass(frozen=True)
class FloorBasis:
    """Uniform cubic B-splines over a trace.

    Attributes
    ----------
    interval : ndarray of int, shape (n,)
        Knot interval of each point; its coefficients are ``interval .. interval + 3``.
    values : ndarray, shape (4, n)
        The four splines that are not zero at each point.
    starts : ndarray of int
        First point of each interval that holds points.
    size : int
        Number of coefficients.
    penalty : ndarray, shape (4, size)
        Lower diagonals of the second-difference penalty at unit strength.
    prior_strength : float
        Strength that stands for a decibel of ripple.
    level : ndarray, shape (n,), optional
        A floor that is known instead of fitted (then `size` is 0).
    waves : ndarray, shape (r, 3)
        Standing waves beside the spline: angular frequency per point, factors of cosine and sine (nepers).
    wave : ndarray, shape (n,), optional
        Their sum.
    """

    interval: NDArray[np.intp]
    values: FloatArray
    starts: NDArray[np.intp]
    size: int
    penalty: FloatArray
    prior_strength: float
    level: FloatArray | None = None
    waves: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    wave: FloatArray | None = None

    @cached_property
    def products(self) -> FloatArray:
        """The products of any two of the splines at each point, shape (10, n)."""
        return np.concatenate([self.values[a] * self.values[a:] for a in range(4)])

    def floor(self, beta: FloatArray) -> FloatArray:
        """Return ln(floor) at every point."""
        if self.level is not None:
            return self.level
        level = self.spline(beta)
        if self.wave is not None:
            level += self.wave
        return level

    def spline(self, beta: FloatArray) -> FloatArray:
        """Return ln(floor) at every point without the waves."""
        compiled = loops()
        if compiled is not None:
            return np.asarray(compiled.spline_at(self.values, self.interval, beta))
        level: FloatArray = self.values[0] * beta[self.interval]
        for a in range(1, 4):
            level += self.values[a] * beta[self.interval + a]
        return level

    def gram(self, weight: FloatArray) -> FloatArray:
        """Return the lower diagonals, shape (4, size), of B' diag(weight) B."""
        compiled = loops()
        if compiled is not None:
            return np.asarray(compiled.gram_of(self.values, self.interval, self.size, weight))
        result = np.zeros((4, self.size))
        first = self.interval[self.starts]
        sums = np.add.reduceat(self.products * weight, self.starts, axis=1)
        for a in range(4):
            result[: 4 - a, first + a] += sums[_FROM[a] : _FROM[a + 1]]
        return result

    def project(self, weight: FloatArray) -> FloatArray:
        """Return B' weight."""
        result = np.zeros(self.size)
        first = self.interval[self.starts]
        sums = np.add.reduceat(weight * self.values, self.starts, axis=1)
        for a in range(4):
            result[first + a] += sums[a]
        return result

    def bend(self, beta: FloatArray) -> FloatArray:
        """Return the penalty's matrix times the coefficients."""
        second = beta[2:] - 2.0 * beta[1:-1] + beta[:-2]
        result = np.zeros(self.size)
        result[:-2] += second
        result[1:-1] -= 2.0 * second
        result[2:] += second
        return result

    def approximate(self, level: FloatArray) -> FloatArray:
        """Return the coefficients whose floor comes nearest to `level`."""
        if self.wave is not None:
            level = level - self.wave
        band = self.gram(np.ones(level.size)) + 1e-6 * self.penalty
        band[0] += 1e-9 * level.size
        return solve_narrow(band, self.project(level))[0]

    def variance(self, covariance: FloatArray) -> FloatArray:
        """Return the variance of ln(floor) at every point from the covariance of the coefficients."""
        compiled = loops()
        if compiled is not None:
            return np.asarray(compiled.variance_at(self.values, self.interval, covariance))
        result = np.zeros(self.interval.size)
        for a in range(4):
            for b in range(4):
                result += self.values[a] * self.values[b] * covariance[self.interval + a, self.interval + b]
        return np.maximum(result, 0.0)


def with_waves(basis: FloorBasis, x: FloatArray, waves: FloatArray) -> FloorBasis:
    """Return the basis with standing waves (r, 3) beside its spline."""
    wave = np.zeros(x.size)
    for omega, cosine, sine in waves:
        wave += cosine * np.cos(omega * x) + sine * np.sin(omega * x)
    return replace(basis, waves=waves, wave=wave)


def fixed_floor(level: FloatArray) -> FloorBasis:
    """Return a floor that is known: ln(power) `level` (n,) under a stretch of trace, with nothing to fit."""
    none = np.empty(0, dtype=np.intp)
    return FloorBasis(none, np.empty((4, 0)), none, 0, np.empty((4, 0)), 0.0, level)


def floor_basis(x: FloatArray, spacing_hz: float) -> FloorBasis:
    """Return the spline basis for points at `x` (in point spacings, rising from 0)."""
    n = x.size
    span_hz = float(x[-1]) * spacing_hz
    intervals = int(np.clip(span_hz / KNOT_HZ, 3, max(3, min(_MOST_INTERVALS, n // 6))))
    t = x * (intervals / float(x[-1]))
    interval = np.minimum(t.astype(np.intp), intervals - 1)
    u = t - interval
    cube, square, rest = u * u * u, u * u, 1.0 - u
    values = np.array([rest * rest * rest, 3.0 * cube - 6.0 * square + 4.0, 3.0 * (square - cube + u) + 1.0, cube])
    size = intervals + 3
    penalty = np.zeros((4, size))
    penalty[0, :-2] += 1.0
    penalty[0, 1:-1] += 4.0
    penalty[0, 2:] += 1.0
    penalty[1, :-2] -= 2.0
    penalty[1, 1:-1] -= 2.0
    penalty[2, :-2] = 1.0
    knot_hz = span_hz / intervals
    return FloorBasis(
        interval,
        values / 6.0,
        np.flatnonzero(np.r_[True, np.diff(interval) > 0]),
        size,
        penalty,
        _RIPPLE_CURVATURE**-2 * (_CURVATURE_KNOT_HZ / knot_hz) ** 4,
    )


def fit_floor(
    basis: FloorBasis,
    y: FloatArray,
    law: PointLaw,
    weight: FloatArray,
    beta: FloatArray,
    strength: float,
    rounds: int = 4,
) -> FloatArray:
    """Return the spline's coefficients fitted to ln(level) `y` with the information `weight` at each point."""
    compiled = loops()
    if compiled is not None:
        shown = (basis.values, basis.interval, basis.penalty, y if basis.wave is None else y - basis.wave)
        return np.asarray(compiled.floor_fitted(*shown, law.offset, law.scale, weight, beta, strength, rounds))
    band = basis.gram(weight) + strength * basis.penalty
    band[0] += 1e-9 * (1.0 + band.max())
    for _ in range(rounds):
        misfit = law.scale * (np.minimum(law.normal_ratio(y - basis.floor(beta)), 20.0) - 1.0)
        step = solve_narrow(band, basis.project(weight * misfit) - strength * basis.bend(beta))[0]
        beta = beta + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-3:
            break
    return beta


def _lower_hull(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the lower convex hull of the points, at every x."""
    compiled = loops()
    if compiled is not None:
        return np.asarray(compiled.hull_under(x, y))
    hull: list[int] = []
    xs, ys = x.tolist(), y.tolist()  # single numbers are slow to take from an array
    for k in range(x.size):
        while len(hull) > 1:
            i, j = hull[-2], hull[-1]
            if (ys[j] - ys[i]) * (xs[k] - xs[i]) >= (ys[k] - ys[i]) * (xs[j] - xs[i]):
                hull.pop()
            else:
                break
        hull.append(k)
    return np.interp(x, x[hull], y[hull])


def floor_line(x: FloatArray, level: FloatArray, spread: float) -> FloatArray:
    """Return the straight line that most points lie on and hardly any below.

    Carriers stand on the floor, so of all lines those are right that have many points near them and none under them; a
    carrier's flat top has the floor under it. Slopes up to 14 dB over the span are tried.
    """
    place = (x - x[0]) / max(float(x[-1] - x[0]), 1.0)
    band = 2.5 * spread + _LINE_TOLERANCE
    slope = np.linspace(-3.2, 3.2, 41)
    rest = np.sort(level - slope[:, None] * place, axis=1)
    compiled = loops()
    if compiled is not None:
        tilt, start = compiled.line_through(rest, slope, band, spread)
        return np.asarray(tilt * place + start)
    # One line of numbers for all slopes, each in a stretch of its own, so that one search serves them.
    stretch = (float(rest.max() - rest.min()) + 4.0 * band + 2.0 * spread) * np.arange(slope.size)[:, None]
    line = (rest + stretch).ravel()
    lower = np.searchsorted(line, (rest + stretch - band).ravel())
    near = np.searchsorted(line, (rest + stretch + band).ravel()) - lower
    first = level.size * np.arange(slope.size)[:, None]
    under = np.searchsorted(line, (rest + stretch - band - spread).ravel()).reshape(rest.shape) - first
    score = near.reshape(rest.shape) - 10.0 * under - 0.02 * level.size * np.abs(slope)[:, None]
    row, at = np.unravel_index(int(np.argmax(score)), score.shape)
    inside = rest[row][np.abs(rest[row] - rest[row, at]) <= band]
    return np.asarray(slope[row] * place + np.median(inside))


def _opening(values: FloatArray, width: int) -> FloatArray:
    """Return the morphological opening: what stays of `values` when bumps narrower than `width` are planed off."""
    if width >= values.size:
        return np.full(values.shape, values.min())
    size = width // 2 * 2 + 1
    return np.asarray(maximum_filter1d(minimum_filter1d(values, size, mode="nearest"), size, mode="nearest"))


def _raised(above: FloatArray, spread: float) -> NDArray[np.bool_]:
    """Say which blocks belong to a stretch, of whatever length, that stands over the floor.

    A first floor is wrong by some tenths of a decibel; without that allowance long stretches of mere noise would be
    taken for carriers, the floor would sink, and more would follow.
    """
    raised = above > 2.5 * spread + 0.5 * _FIRST_ERROR
    total = running(np.clip(above, -4.0 * spread, 4.0 * spread))
    width = 2
    while width <= above.size // 3:
        mean = (total[width:] - total[:-width]) / width
        high = np.flatnonzero(mean > 3.5 * spread / np.sqrt(width) + _FIRST_ERROR)
        edge = np.zeros(above.size + 1)
        np.add.at(edge, high, 1.0)
        np.add.at(edge, high + width, -1.0)
        raised |= np.cumsum(edge[:-1]) > 0.5
        width *= 2
    return raised


def lower_envelope(x: FloatArray, level: FloatArray, width: float) -> FloatArray:
    """Return a smooth curve with every hump narrower than `width` points planed off, under any tilt."""
    step = max(1, x.size // 200)
    coarse = np.arange(0, x.size, step)
    line = floor_line(x[coarse], level[coarse], 0.05)
    low = line + _opening(level[coarse] - line, int(width / step) + 1)
    return np.minimum(np.interp(x, x[coarse], low), level)


def humps(height: FloatArray, least: float) -> list[tuple[int, int]]:
    """Return the stretches (first, end) that stand over half their own peak, where the peak passes `least`."""
    found: list[tuple[int, int]] = []
    left = height.copy()
    for _ in range(12):
        peak = int(np.argmax(left))
        if left[peak] < least:
            break
        low = np.flatnonzero(left[:peak] < 0.5 * left[peak])
        high = np.flatnonzero(left[peak:] < 0.5 * left[peak])
        a = int(low[-1]) + 1 if low.size else 0
        b = peak + int(high[0]) if high.size else height.size
        found.append((a, b))
        left[a:b] = 0.0
        # the flanks belong to the same hump
        while a > 0 and 0.0 < left[a - 1] < 0.5 * height[peak]:
            a -= 1
            left[a] = 0.0
        while b < height.size and 0.0 < left[b] < 0.5 * height[peak]:
            left[b] = 0.0
            b += 1
    return found


def first_floors(
    basis: FloorBasis, x: FloatArray, y: FloatArray, law: PointLaw, information: float, spacing_hz: float
) -> list[tuple[FloatArray, float]]:
    """Return spline coefficients, and the strength to begin with, of one to three first floors.

    Block means are held against lower envelopes. One is the greater of the lower convex hull and the opening by the
    widest carrier: it follows every bend, but a carrier at the end of the span lifts it. The other is a straight line
    that has next to nothing under it: blind to bends, but sure at the ends. From either the floor grows outward: blocks
    near the envelope make a floor, blocks near that floor make a better one (a forward search, as in consecutive mean
    excision). Where these agree there is one first floor; else the evidence will decide, and where they bend the
    straight line itself, held stiff, is a third.
    """
    n = y.size
    most = max(1, n // 250, min(n // 40, np.ceil(12.0 / information)))
    block = int(np.clip(max(np.ceil(60.0 / information), int(_BLOCK_HZ / spacing_hz)), 1, most))
    count = n // block
    used = y[: count * block].reshape(count, block)
    if law.scale > 0:
        mean = law.scale * np.log(law.normal_ratio(used - law.offset).mean(axis=1))
    else:
        mean = used.mean(axis=1) - law.mean
    centre = x[: count * block].reshape(count, block).mean(axis=1)
    spread = 1.0 / np.sqrt(max(information * block, 1e-3))
    width = int(WIDEST_CARRIER_HZ / (spacing_hz * block)) + 1
    line = floor_line(centre, mean, spread)
    envelopes = (
        np.maximum(_lower_hull(centre, mean), _opening(mean, width)),
        line + np.maximum(_opening(mean - line, width), -_LINE_TOLERANCE),
    )
    grown: list[FloatArray] = []
    for envelope, strict in zip(envelopes, (False, True), strict=True):
        beta = _grow(basis, y, law, information, block, mean, envelope, spread, strict)
        if all(_unlike(basis.floor(beta), basis.floor(other)) for other in grown):
            grown.append(beta)
    straight = basis.approximate(np.interp(x, centre, line))
    if all(_unlike(basis.floor(beta), basis.floor(straight)) for beta in grown):
        return [*((beta, _SOFT * basis.prior_strength) for beta in grown), (straight, _STIFF * basis.prior_strength)]
    return [(beta, _SOFT * basis.prior_strength) for beta in grown]


def _unlike(one: FloatArray, other: FloatArray) -> bool:
    """Say whether two floors differ by more than the fit would mend by itself."""
    apart = np.abs(one - other)
    return bool(apart.max() > 2.5 * _FIRST_ERROR or np.sqrt(np.mean(apart**2)) > _FIRST_ERROR)


def _grow(
    basis: FloorBasis,
    y: FloatArray,
    law: PointLaw,
    information: float,
    block: int,
    mean: FloatArray,
    envelope: FloatArray,
    spread: float,
    strict: bool,
) -> FloatArray:
    """Return the floor that grows from the blocks near an envelope; `strict` also judges stretches of blocks."""
    n, count, compiled = y.size, mean.size, loops()
    strength = 30.0 * basis.prior_strength
    taken = mean < envelope + 3.0 * spread
    beta = np.full(basis.size, float(np.median(envelope[taken])) if taken.any() else float(mean.min()))
    if compiled is not None and basis.wave is None:
        shown = (basis.values, basis.interval, basis.penalty, y, law.offset, law.scale, information, block, mean)
        error = _FIRST_ERROR if strict else -1.0
        return np.asarray(compiled.floor_grown(*shown, taken, beta, strength, spread, error))
    middle = np.minimum(np.arange(count) * block + block // 2, n - 1)
    for k in range(7):
        weight = np.zeros(n)
        weight[: count * block] = np.repeat(np.where(taken, information, 0.0), block)
        beta = fit_floor(basis, y, law, weight + 1e-9, beta, strength, rounds=3 if k else 6)
        above = mean - basis.floor(beta)[middle]
        raised = _raised(above, spread) if strict else above > 2.5 * spread
        again = ~raised & (above > -6.0 * spread)
        if np.array_equal(again, taken) or again.sum() < 4:
            break
        taken = again
    return beta
