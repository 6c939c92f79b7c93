"""How strong carriers of known shape and place are on a trace, also where they lie under the floor.

A trace point over its floor is a random variable of mean ``floor correction + sum of strength x shape``. The strengths
enter linearly, so iterated weighted least squares is maximum quasi-likelihood: unbiased in power, also where a strength
comes out negative, and of known variance from the readings that a point holds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from spectra.measure.statistics import assumed_average
from spectra.signal.blurred import edge
from spectra.signal.detectors import PointLaw, point_law
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN, SIGMA_PER_RBW
from spectra.units import DB_PER_NEPER, FloatArray

if TYPE_CHECKING:
    from spectra.measure.measurement import Measurement

__all__ = ["LEAST_SHARE", "Levels", "Shape", "apart_from", "fit_levels", "floor_ratio", "point_spread"]

LEAST_SHARE = 0.3
"""Share of a carrier's shape that must lie on usable points, else it is hidden."""

_BASELINE_HZ = 120e6  # the floor may depart from its measured shape by a bend of about this length
_ROUNDS = 4
_REACH_SIGMA = 7.0  # of the filter, beyond which a carrier is nought (an error function is 1 to 1e-10 at 6.5)


@dataclass(frozen=True, slots=True)
class Shape:
    """A carrier of known place and shape; `symbol_rate_bd` None: unmodulated. `row` is its line in the table."""

    centre_hz: float
    symbol_rate_bd: float | None
    roll_off: float = 0.2
    row: int | None = None

    @property
    def half_width_hz(self) -> float:
        """Half of the spectrum it takes, the filter left out."""
        return 0.0 if self.symbol_rate_bd is None else 0.5 * self.symbol_rate_bd * (1.0 + self.roll_off)

    def overlaps(self, other: Shape, margin_hz: float = 0.0) -> bool:
        """Say whether the two share spectrum."""
        return abs(self.centre_hz - other.centre_hz) < self.half_width_hz + other.half_width_hz + margin_hz


def apart_from(shapes: Sequence[Shape], others: Sequence[Shape]) -> list[Shape]:
    """Return those shapes that share spectrum with none of some others (as `Shape.overlaps` says; of long lists)."""
    bands = [(other.centre_hz, other.half_width_hz) for other in others]
    found = []
    for shape in shapes:
        centre, half = shape.centre_hz, shape.half_width_hz
        if not any(abs(centre - place) < half + reach for place, reach in bands):
            found.append(shape)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Strengths of shapes on one trace.

    Attributes
    ----------
    cn0 : ndarray, shape (k,)
        Power over noise density (Hz), unbiased, so possibly negative; NaN where hidden.
    std : ndarray, shape (k,)
        Standard uncertainty in the same unit.
    share : ndarray, shape (k,)
        Share of each shape on points that are free of other carriers.
    """

    cn0: FloatArray
    std: FloatArray
    share: FloatArray


def _moments(law: PointLaw) -> tuple[float, float]:
    """Return mean of exp(z) and its squared coefficient of variation."""
    a, s = law.shape, law.scale
    if a + 2.0 * s <= 0.0:
        return math.exp(law.mean), max(law.variance, 1e-6)

    def log_moment(order: float) -> float:
        return float(gammaln(a + order * s) - gammaln(a) - order * s * math.log(a))

    first, second = log_moment(1.0), log_moment(2.0)
    return math.exp(law.offset + first), math.expm1(second - 2.0 * first)


def point_spread(measurement: Measurement) -> tuple[float, float]:
    """Return what a displayed power must be divided by to be unbiased, and the relative variance of one point."""
    average, peak_of, _ = assumed_average(measurement.sweep.settings)
    readings = measurement.readings_per_point or 1.0
    law = point_law(average, readings, peak_of)
    return _moments(law)


def _rbw(measurement: Measurement) -> float:
    return measurement.sweep.settings.rbw_hz or measurement.sweep.spacing_hz


def _design(frequency_hz: FloatArray, shapes: Sequence[Shape], rbw_hz: float) -> FloatArray:
    """Return each shape as a density over the floor's, per unit of power over noise density, (n, k)."""
    sigma = rbw_hz * SIGMA_PER_RBW
    columns = np.zeros((frequency_hz.size, len(shapes)))
    modulated: list[tuple[int, float]] = []
    for k, shape in enumerate(shapes):
        if shape.symbol_rate_bd is None:
            x = (frequency_hz - shape.centre_hz) / sigma
            columns[:, k] = np.exp(-0.5 * np.minimum(x * x, 200.0)) / (ENBW_PER_RBW_GAUSSIAN * rbw_hz)
        else:
            modulated.append((k, shape.symbol_rate_bd))
    if not modulated:
        return columns
    # all at once, each where it is not nought
    rates = np.array([rate for _, rate in modulated])
    centres = np.array([shapes[k].centre_hz for k, _ in modulated])
    reach = np.array([shapes[k].half_width_hz for k, _ in modulated]) + _REACH_SIGMA * sigma
    bounds = np.searchsorted(frequency_hz, [centres - reach, centres + reach]).T.tolist()
    count = [high - low for low, high in bounds]
    rate, centre = np.repeat(rates, count), np.repeat(centres, count)
    slope = np.repeat([0.5 * shapes[k].roll_off * own for k, own in modulated], count)
    x = np.concatenate([frequency_hz[low:high] for low, high in bounds]) - centre
    rising, falling = edge(np.stack((x + 0.5 * rate, x - 0.5 * rate)), slope, sigma)[0]
    seen = (rising - falling) / rate
    begin = 0
    for (k, _), (low, high) in zip(modulated, bounds, strict=True):
        columns[low:high, k] = seen[begin : begin + high - low]
        begin += high - low
    return columns


def _baseline(frequency_hz: FloatArray) -> FloatArray:
    """Return a few slow functions over the span: constant, slope, and hats on wider spans."""
    span = float(frequency_hz[-1] - frequency_hz[0])
    u = (frequency_hz - frequency_hz[0]) / span
    knots = max(2, round(span / _BASELINE_HZ) + 1)
    place = np.linspace(0.0, 1.0, knots)
    return np.asarray(np.maximum(0.0, 1.0 - np.abs(u[:, None] - place) * (knots - 1)), dtype=np.float64)


def fit_levels(
    measurement: Measurement,
    shapes: Sequence[Shape],
    others: Sequence[Shape] = (),
    *,
    floor_dbm: FloatArray | None = None,
    floor_std_db: FloatArray | None = None,
) -> Levels:
    """Fit the strengths of `shapes` on a trace.

    Parameters
    ----------
    measurement : Measurement
        Of the trace; its readings, floor and filter are used, not its carriers.
    shapes : sequence of Shape
        Fitted together, each with a free strength.
    others : sequence of Shape
        Carriers that are none of our business: their spectrum is left out.
    floor_dbm, floor_std_db : ndarray, shape (n,), optional
        Shape of the floor on the trace's axis where another trace tells it better, with its uncertainty; its height
        and slope are fitted.

    Returns
    -------
    Levels
    """
    sweep = measurement.sweep
    f, rbw = sweep.frequency_hz, _rbw(measurement)
    bias, spread = point_spread(measurement)
    base_dbm = measurement.floor.level_dbm if floor_dbm is None else floor_dbm
    q = np.exp((sweep.level_dbm - base_dbm) / DB_PER_NEPER) / bias
    columns = _design(f, shapes, rbw)
    free = _free_points(f, others, rbw)
    total = columns.sum(axis=0)
    share = np.where(total > 0.0, free.astype(np.float64) @ columns / np.maximum(total, 1e-300), 0.0)
    # each column's integral over an endless axis is 1 by construction: what the span cuts off is not shown
    share = share * np.minimum(1.0, total * sweep.spacing_hz)
    usable = share >= LEAST_SHARE
    baseline = _baseline(f)
    design = np.column_stack([baseline, columns[:, usable]])
    mean = np.maximum(_smooth_start(measurement, base_dbm), 0.05)
    theta, covariance = _solve(design, q, mean, free, spread, measurement.correlated_points)
    m = baseline.shape[1]
    cn0, std = np.full(len(shapes), np.nan), np.full(len(shapes), np.nan)
    where = np.flatnonzero(usable)
    if not where.size:
        return Levels(cn0, std, share)
    at = np.minimum(np.searchsorted(f, [shapes[k].centre_hz for k in where.tolist()]), f.size - 1)
    height = np.maximum(baseline[at] @ theta[:m], 0.05)  # the floor as it is here, over the shape it was given
    cn0[where] = theta[m:] / height
    # of a ratio: strength and floor are found from the same points, one too high makes the other too low
    along = np.hstack((-baseline[at] * (cn0[where] / height)[:, None], np.diag(1.0 / height)))
    variance = ((along @ covariance) * along).sum(axis=1)
    if floor_std_db is not None:
        variance += _floor_variance(floor_std_db[at], columns[:, where], free)
    std[where] = np.sqrt(np.maximum(variance, 0.0))
    return Levels(cn0, std, share)


def _floor_variance(floor_std_db: FloatArray, columns: FloatArray, free: NDArray[np.bool_]) -> FloatArray:
    """Return what the uncertainty of the floor's shape under each carrier adds to the variance of its strength."""
    peak = np.max(columns, axis=0, initial=0.0, where=free[:, None])
    known = peak > 0.0
    return np.where(known, (floor_std_db / DB_PER_NEPER / np.where(known, peak, 1.0)) ** 2, 0.0)


def _free_points(frequency_hz: FloatArray, others: Sequence[Shape], rbw_hz: float) -> NDArray[np.bool_]:
    """Return which points lie off all of some carriers: each takes a stretch of the axis out."""
    free = np.ones(frequency_hz.size, dtype=np.bool_)
    centre = np.array([other.centre_hz for other in others])
    reach = np.array([other.half_width_hz + 2.5 * rbw_hz for other in others])
    first = np.searchsorted(frequency_hz, centre - reach, side="left")
    end = np.searchsorted(frequency_hz, centre + reach, side="right")
    for a, b in zip(first.tolist(), end.tolist(), strict=True):
        free[a:b] = False
    return free


def _smooth_start(measurement: Measurement, base_dbm: FloatArray) -> FloatArray:
    """Return the fitted model over the floor: smooth, so that weights do not follow the noise."""
    shift = float(np.min(measurement.model_dbm - measurement.floor.level_dbm))
    return np.asarray(np.exp((measurement.model_dbm - shift - base_dbm) / DB_PER_NEPER), dtype=np.float64)


def _solve(
    design: FloatArray,
    q: FloatArray,
    mean: FloatArray,
    free: NDArray[np.bool_],
    spread: float,
    correlated: float,
) -> tuple[FloatArray, FloatArray]:
    """Return coefficients and their covariance."""
    x, y = design[free], q[free]
    weight = 1.0 / mean[free] ** 2
    scale = np.sqrt((x**2).sum(axis=0))
    scale = np.where(scale > 0.0, scale, 1.0)
    x = x / scale
    theta = np.zeros(x.shape[1])
    information = np.eye(x.shape[1])
    for _ in range(_ROUNDS):
        information = x.T @ (x * weight[:, None]) + 1e-12 * np.eye(x.shape[1])
        theta = np.asarray(np.linalg.solve(information, x.T @ (weight * y)), dtype=np.float64)
        weight = 1.0 / np.maximum(x @ theta, 0.3) ** 2
    covariance = np.linalg.pinv(information, hermitian=True) * spread * max(correlated, 1.0)
    return theta / scale, covariance / np.outer(scale, scale)


def floor_ratio(reference: Measurement, other: Measurement) -> tuple[float, float]:
    """Return the port gain difference in dB, other minus reference, from the floors, and its standard uncertainty.

    Compared where both show their floor, in a noise bandwidth of 1 Hz.
    """
    a, b = reference.floor, other.floor
    f = reference.sweep.frequency_hz
    inside = (f >= other.sweep.start_hz) & (f <= other.sweep.stop_hz)
    there = np.interp(f, other.sweep.frequency_hz, b.level_dbm)
    seen = np.interp(f, other.sweep.frequency_hz, b.observed.astype(float)) > 0.5
    both = inside & a.observed & seen
    if not both.any():
        both = inside if inside.any() else np.ones(f.shape, dtype=np.bool_)
    rbw = 10.0 * math.log10(_rbw(other) / _rbw(reference))
    difference = float(np.median((there - a.level_dbm)[both])) - rbw
    return difference, math.hypot(float(np.median(a.std_db)), float(np.median(b.std_db)))
