"""The noise floor: a penalised cubic spline in ln(power), and a first guess that carriers do not lift.

Floors of receive chains are smooth: a tilt of the cable, a ripple of 20 MHz and more from reflections, the shoulders of
the IF filter. The spline's coefficients are at least 5 MHz apart and a penalty on their second differences stands for a
ripple of a decibel; its strength is then estimated from the trace (see METHOD.md). A straight line costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from spectra.signal.detectors import PointLaw
from spectra.units import FloatArray

__all__ = [
    "WIDEST_CARRIER_HZ",
    "FloorBasis",
    "first_floor",
    "fit_floor",
    "fixed_floor",
    "floor_basis",
    "humps",
    "lower_envelope",
]

_KNOT_HZ = 5e6
_MOST_INTERVALS = 240
_RIPPLE_CURVATURE = 0.063  # second difference of coefficients 5 MHz apart: 1 dB of ripple at 60 MHz, in nepers
WIDEST_CARRIER_HZ = 90e6


@dataclass(frozen=True, slots=True)
class FloorBasis:
    """Uniform cubic B-splines over a trace.

    Attributes
    ----------
    interval : ndarray of int, shape (n,)
        Knot interval of each point; its coefficients are ``interval .. interval + 3``.
    values : ndarray, shape (n, 4)
        The four splines that are not zero at each point.
    starts : ndarray of int
        First point of each interval that holds points.
    size : int
        Number of coefficients.
    penalty : ndarray, shape (size, size)
        Second-difference penalty at unit strength.
    prior_strength : float
        Strength that stands for a decibel of ripple.
    level : ndarray, shape (n,), optional
        A floor that is known instead of fitted (then `size` is 0).
    """

    interval: NDArray[np.intp]
    values: FloatArray
    starts: NDArray[np.intp]
    size: int
    penalty: FloatArray
    prior_strength: float
    level: FloatArray | None = None

    def floor(self, beta: FloatArray) -> FloatArray:
        """Return ln(floor) at every point."""
        if self.level is not None:
            return self.level
        v, i = self.values, self.interval
        return v[:, 0] * beta[i] + v[:, 1] * beta[i + 1] + v[:, 2] * beta[i + 2] + v[:, 3] * beta[i + 3]

    def gram(self, weight: FloatArray) -> FloatArray:
        """Return B' diag(weight) B."""
        result = np.zeros((self.size, self.size))
        first = self.interval[self.starts]
        for a in range(4):
            wa = weight * self.values[:, a]
            for b in range(a, 4):
                sums = np.add.reduceat(wa * self.values[:, b], self.starts)
                result[first + a, first + b] += sums
                if a != b:
                    result[first + b, first + a] += sums
        return result

    def project(self, weight: FloatArray) -> FloatArray:
        """Return B' weight."""
        result = np.zeros(self.size)
        first = self.interval[self.starts]
        for a in range(4):
            result[first + a] += np.add.reduceat(weight * self.values[:, a], self.starts)
        return result

    def approximate(self, level: FloatArray) -> FloatArray:
        """Return the coefficients whose spline comes nearest to `level`."""
        matrix = self.gram(np.ones(level.size))
        matrix[np.diag_indices(self.size)] += 1e-9 * level.size
        return np.asarray(np.linalg.solve(matrix + 1e-6 * self.penalty, self.project(level)))

    def variance(self, covariance: FloatArray) -> FloatArray:
        """Return the variance of ln(floor) at every point from the covariance of the coefficients."""
        result = np.zeros(self.interval.size)
        for a in range(4):
            for b in range(4):
                result += self.values[:, a] * self.values[:, b] * covariance[self.interval + a, self.interval + b]
        return np.maximum(result, 0.0)


def fixed_floor(level: FloatArray) -> FloorBasis:
    """Return a floor that is known: ln(power) `level` (n,) under a stretch of trace, with nothing to fit."""
    none = np.empty(0, dtype=np.intp)
    return FloorBasis(none, np.empty((0, 4)), none, 0, np.empty((0, 0)), 0.0, level)


def floor_basis(x: FloatArray, spacing_hz: float) -> FloorBasis:
    """Return the spline basis for points at `x` (in point spacings, rising from 0)."""
    n = x.size
    span_hz = float(x[-1]) * spacing_hz
    intervals = int(np.clip(span_hz / _KNOT_HZ, 3, max(3, min(_MOST_INTERVALS, n // 6))))
    t = x * (intervals / float(x[-1]))
    interval = np.minimum(t.astype(np.intp), intervals - 1)
    u = t - interval
    values = np.column_stack(
        [(1.0 - u) ** 3, 3.0 * u**3 - 6.0 * u**2 + 4.0, -3.0 * u**3 + 3.0 * u**2 + 3.0 * u + 1.0, u**3]
    )
    size = intervals + 3
    difference = np.diff(np.eye(size), 2, axis=0)
    knot_hz = span_hz / intervals
    return FloorBasis(
        interval,
        values / 6.0,
        np.flatnonzero(np.r_[True, np.diff(interval) > 0]),
        size,
        difference.T @ difference,
        _RIPPLE_CURVATURE**-2 * (_KNOT_HZ / knot_hz) ** 4,
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
    penalty = strength * basis.penalty
    for _ in range(rounds):
        misfit = law.scale * (np.minimum(law.normal_ratio(y - basis.floor(beta)), 20.0) - 1.0)
        hessian = basis.gram(weight) + penalty
        hessian[np.diag_indices(basis.size)] += 1e-9 * (1.0 + hessian.max())
        step = np.linalg.solve(hessian, basis.project(weight * misfit) - penalty @ beta)
        beta = beta + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-3:
            break
    return beta


def _lower_hull(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the lower convex hull of the points, at every x."""
    hull: list[int] = []
    for k in range(x.size):
        while len(hull) > 1:
            i, j = hull[-2], hull[-1]
            if (y[j] - y[i]) * (x[k] - x[i]) >= (y[k] - y[i]) * (x[j] - x[i]):
                hull.pop()
            else:
                break
        hull.append(k)
    return np.interp(x, x[hull], y[hull])


def _opening(values: FloatArray, width: int) -> FloatArray:
    """Return the morphological opening: what stays of `values` when bumps narrower than `width` are planed off."""
    if width >= values.size:
        return np.full(values.shape, values.min())
    half = width // 2
    low = sliding_window_view(np.pad(values, (half, half), mode="edge"), 2 * half + 1).min(axis=1)
    return np.asarray(sliding_window_view(np.pad(low, (half, half), mode="edge"), 2 * half + 1).max(axis=1))


def lower_envelope(x: FloatArray, level: FloatArray, width: float) -> FloatArray:
    """Return the greater of the lower convex hull and the opening by `width` points of a smooth curve."""
    step = max(1, x.size // 400)
    coarse = np.arange(0, x.size, step)
    low = np.maximum(_lower_hull(x[coarse], level[coarse]), _opening(level[coarse], int(width / step) + 1))
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


def first_floor(
    basis: FloorBasis, x: FloatArray, y: FloatArray, law: PointLaw, information: float, spacing_hz: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return spline coefficients for a first floor and the points that were taken as floor.

    Block means are held against the greater of two lower envelopes, both of which carriers cannot lift: the lower
    convex hull (exact under a tilt) and the opening by the widest carrier. Blocks near the envelope make a floor,
    blocks near that floor make a better one, and so on outward (a forward search, as in consecutive mean excision).
    """
    n = y.size
    block = int(np.clip(np.ceil(12.0 / information), 1, max(1, n // 40)))
    count = n // block
    level = law.normal_ratio(y - law.offset * 0.0)[: count * block].reshape(count, block)
    mean = (
        law.scale * np.log(level.mean(axis=1))
        if law.scale > 0
        else y[: count * block].reshape(count, block).mean(axis=1) - law.mean
    )
    centre = x[: count * block].reshape(count, block).mean(axis=1)
    spread = 1.0 / np.sqrt(max(information * block, 1e-3))
    width = int(WIDEST_CARRIER_HZ / (spacing_hz * block)) + 1
    envelope = np.maximum(_lower_hull(centre, mean), _opening(mean, width))
    taken = mean < envelope + 3.0 * spread
    weight = np.empty(n)
    beta = np.full(basis.size, float(np.median(envelope[taken])) if taken.any() else float(mean.min()))
    for k in range(7):
        weight[:] = 0.0
        weight[: count * block] = np.repeat(np.where(taken, information, 0.0), block)
        beta = fit_floor(basis, y, law, weight + 1e-9, beta, 30.0 * basis.prior_strength, rounds=3 if k else 6)
        above = mean - basis.floor(beta)[np.minimum((np.arange(count) * block + block // 2), n - 1)]
        again = (above < 2.5 * spread) & (above > -6.0 * spread)
        if np.array_equal(again, taken):
            break
        taken = again if again.sum() >= 4 else taken
    return beta, weight > 0.0
