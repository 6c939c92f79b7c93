"""Shoulders beside strong carriers: what a third-order non-linearity makes of a modulated carrier.

A cubic term ``x |x|^2`` of Gaussian noise with autocorrelation R has the autocorrelation ``2 R |R|^2 + 4 R(0)^2 R``
(moments of complex Gaussian variates; derived): beside the carrier itself the threefold convolution of its spectrum,
three times as wide. A plateau of width B gives, at an offset of u B, ``3/4 - u^2`` within it and ``(3/2 - |u|)^2 / 2``
from there to ``|u| = 3/2`` (derived). Its power goes with the cube of the carrier's.

The test is a line fitted to ln(level) beside the carrier, from the edge of what it occupies outwards, once with that
shape and once without: the floor farther out is what it is held against.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from spectra.findings.interference_scan import law_of
from spectra.findings.line_ripple import find_ripples
from spectra.units import DB_PER_NEPER, FloatArray

if TYPE_CHECKING:
    from spectra.measure.measurement import Carrier, Measurement

__all__ = ["FALSE_ALARMS", "Shoulders", "beside_shoulders", "find_shoulders", "regrowth_shape"]

_LEAST_CN_DB = 10.0  # regrowth of a weaker carrier is far under any floor unless the stage is far beyond compression
_LEAST_RATE_RBW = 10.0
_MOST_CARRIERS = 8  # the strongest
_REACH = 2.5  # symbol rates from the centre to where the floor is looked at; regrowth ends at 1.5
_ENDS = 1.5  # symbol rates from the centre to where third-order regrowth ends (derived)
_NEAR = 1.2  # symbol rates within which regrowth stands at a seventh of its edge or more (derived)
_LEAST_INSIDE, _LEAST_BEYOND = 6.0, 6.0  # independent points wanted on either side, of the shoulder and of the floor
_GUARD_RBW = 2.0  # a Gaussian filter is 48 dB down there (derived: 3.01 dB x (2 x 2)^2)
_LEAST_EDGE_DB = 0.5  # evenness of real floors (common practice, no source)
_SIDE_SIGMA = 1.0  # each side for itself must show it: a neighbour's foot stands on one
_UNKNOWN_ROLL_OFF = 0.5
_FOOT_RATES, _FOOT_OFF = (
    (1.3, 3.0),
    0.25,
)  # widths and offset of regrowth measured as a carrier (3 dB width 1.9; derived)
_ALIKE_SIGMA = 3.0
_OVER_RIPPLE = 2.0  # times its swing from peak to peak; once would be all that it can lift, known to a part
_SHAPE_STD_DB = 0.5
"""Of the level: a roll-off of 0.35 shifts it by 0.2 dB (numerically), digital modulation is no Gaussian noise."""
FALSE_ALARMS = 1e-3
"""Sweeps of clean carriers on an even floor that may show shoulders: a sign that goes with others must be sure."""


@dataclass(frozen=True, slots=True)
class Shoulders:
    """Shoulders on both sides of a carrier.

    Attributes
    ----------
    carrier : int
        Index (0-based) of the carrier.
    level_db, level_std_db : float
        Density of the shoulders at the edge of the plateau over that of the carrier's plateau.
    over_floor_db : float
        By how much they lift the floor at that edge.
    false_alarm_probability : float
        That an even floor shows as much beside any of the carriers tested.
    """

    carrier: int
    level_db: float
    level_std_db: float
    over_floor_db: float
    false_alarm_probability: float


def regrowth_shape(offset: FloatArray) -> FloatArray:
    """Return third-order regrowth of a plateau of width 1 at `offset` from its centre, over that at the edge (0.5)."""
    u = np.abs(np.asarray(offset, dtype=np.float64))
    inside = 0.75 - u**2
    beside = 0.5 * np.maximum(1.5 - u, 0.0) ** 2
    return np.asarray(2.0 * np.where(u < 0.5, inside, beside))


def find_shoulders(measurement: Measurement) -> tuple[Shoulders, ...]:
    """Return the carriers that show shoulders of third-order regrowth, strongest first.

    One in a thousand sweeps of clean carriers on an even floor may show one (`FALSE_ALARMS`, over all carriers tested).
    Where floor and carriers ripple only what rises by more than a ripple could is told: its top looks alike.
    """
    sweep, readings = measurement.sweep, measurement.readings_per_point
    rbw = sweep.settings.rbw_hz
    if rbw is None or readings is None or sweep.settings.trace_mode in ("max_hold", "min_hold"):
        return ()
    strong = [(cn, index) for index, one in enumerate(measurement.carriers) if (cn := _strength(one, rbw)) is not None]
    tested = [
        (index, found)
        for _, index in sorted(strong, reverse=True)[:_MOST_CARRIERS]
        if (found := _tested(measurement, index, rbw)) is not None
    ]
    shown = [
        Shoulders(index, level, std, over, min(1.0, chance * len(tested)))
        for index, (chance, level, std, over) in tested
        if chance * len(tested) < FALSE_ALARMS and over >= _LEAST_EDGE_DB
    ]
    if not shown:
        return ()
    ripple_db = max((one.peak_to_peak_db for one in find_ripples(measurement, None)), default=0.0)
    return tuple(one for one in shown if one.over_floor_db > _OVER_RIPPLE * ripple_db)


def beside_shoulders(measurement: Measurement, shoulders: Sequence[Shoulders]) -> NDArray[np.bool_]:
    """Return the points of a sweep, shape (n,), on carriers with shoulders and on what they make beside them."""
    f = measurement.sweep.frequency_hz
    on = np.zeros(f.size, dtype=np.bool_)
    for one in shoulders:
        carrier = measurement.carriers[one.carrier]
        on |= np.abs(f - carrier.centre_hz) < _ENDS * (carrier.symbol_rate_bd or carrier.width_hz)
    return on


def _strength(carrier: Carrier, rbw: float) -> float | None:
    """Return C/N of a carrier strong and wide enough to be tested."""
    rate, cn = carrier.symbol_rate_bd, carrier.cn_db
    unfit = {"cut_by_span", "below_resolution", "floor_not_seen"} & set(carrier.flags)
    if carrier.kind != "modulated" or unfit or rate is None or cn is None:
        return None
    return cn if cn >= _LEAST_CN_DB and rate >= _LEAST_RATE_RBW * rbw else None


def _outer_half_hz(carrier: Carrier, rbw: float) -> float:
    """Return how far from its centre a carrier reaches, by what its roll-off may be at most, and the filter's skirt."""
    if carrier.kind == "modulated" and carrier.symbol_rate_bd is not None:
        roll_off = _UNKNOWN_ROLL_OFF if carrier.roll_off is None else carrier.roll_off
        most = min(1.0, roll_off + 2.0 * (carrier.roll_off_std or 0.0))
        half = 0.5 * (1.0 + most) * carrier.symbol_rate_bd + 2.0 * (carrier.centre_std_hz or 0.0)
    else:
        half = 0.75 * carrier.width_hz
    return half + _GUARD_RBW * rbw


def _is_regrowth(other: Carrier, carrier: Carrier) -> bool:
    """Say whether what was measured as a carrier is the foot of another: weak, wider, about the same centre."""
    rate, cn = other.symbol_rate_bd or other.width_hz, other.cn_db
    own_rate, own_cn = carrier.symbol_rate_bd, carrier.cn_db
    if cn is None or own_rate is None or own_cn is None:
        return False
    wider = _FOOT_RATES[0] * own_rate < rate < _FOOT_RATES[1] * own_rate
    return wider and abs(other.centre_hz - carrier.centre_hz) < _FOOT_OFF * own_rate and cn < own_cn - _LEAST_CN_DB


def _tested(measurement: Measurement, index: int, rbw: float) -> tuple[float, float, float, float] | None:
    """Return chance, level over the carrier with uncertainty, and lift of the floor; None where nothing can be seen."""
    carrier, f = measurement.carriers[index], measurement.sweep.frequency_hz
    rate = carrier.symbol_rate_bd
    assert rate is not None
    u = (f - carrier.centre_hz) / rate
    free = (np.abs(u) < _REACH) & (np.abs(f - carrier.centre_hz) > _outer_half_hz(carrier, rbw))
    for number, other in enumerate(measurement.carriers):
        if number != index and not _is_regrowth(other, carrier):
            free &= np.abs(f - other.centre_hz) > _outer_half_hz(other, rbw)
    held = max(1.0, measurement.correlated_points)
    beside, beyond = free & (np.abs(u) < _NEAR), free & (np.abs(u) >= 1.5)
    for side in (u < 0.0, u > 0.0):
        few = (beside & side).sum() < _LEAST_INSIDE * held or (beyond & side).sum() < _LEAST_BEYOND * held
        if few:
            return None
    return _judged(measurement, carrier, u, free, held)


def _judged(
    measurement: Measurement, carrier: Carrier, u: FloatArray, free: NDArray[np.bool_], held: float
) -> tuple[float, float, float, float] | None:
    from scipy.stats import t as student

    law = law_of(measurement)
    y = measurement.sweep.level_dbm / DB_PER_NEPER
    lift, std, floor, freedom = _fitted(u[free], y[free], law.variance, held)
    if lift <= 0.0 or not math.isfinite(std):
        return None
    sides = [_fitted(u[part], y[part], law.variance, held) for part in (free & (u < 0.0), free & (u > 0.0))]
    if any(one[0] < _SIDE_SIGMA * one[1] for one in sides):
        return None
    apart = abs(sides[0][0] - sides[1][0])
    if apart > _ALIKE_SIGMA * math.hypot(sides[0][1], sides[1][1]) + 0.5 * lift:
        return None  # regrowth of one carrier is alike on both sides
    chance = float(student.sf(lift / std, freedom))
    over_floor = math.expm1(lift)  # in ln(level), so of the power
    at_centre = float(np.interp(carrier.centre_hz, measurement.sweep.frequency_hz, measurement.floor.level_dbm))
    plateau_dbm = at_centre + (carrier.cn_db or 0.0)
    level = 10.0 * math.log10(over_floor) + DB_PER_NEPER * (floor - law.mean) - plateau_dbm
    of_lift = DB_PER_NEPER * std * (1.0 + over_floor) / over_floor
    level_std = math.hypot(of_lift, carrier.cn_std_db or 0.0, _SHAPE_STD_DB)
    return chance, level, level_std, DB_PER_NEPER * lift


def _fitted(u: FloatArray, y: FloatArray, variance: float, held: float) -> tuple[float, float, float, float]:
    """Return the rise of ln(level) at the plateau's edge, its uncertainty, the level under it, degrees of freedom.

    ``ln(level) = a + b u + ln(1 + s T(u))`` by least squares; the rise is ``ln(1 + s)``, its uncertainty that of the
    fit made linear, from the scatter of the points about it or that of their law, whichever is greater.
    """
    from scipy.optimize import least_squares

    shape = regrowth_shape(u)
    plain = np.column_stack([np.ones(u.size), u, shape])
    if np.linalg.matrix_rank(plain) < 3:
        return 0.0, math.inf, float(np.median(y)), 1.0
    start, *_ = np.linalg.lstsq(plain, y, rcond=None)

    def residual(p: FloatArray) -> FloatArray:
        return np.asarray(p[0] + p[1] * u + np.log1p(np.maximum(p[2], -0.5) * shape) - y)

    fit = least_squares(residual, [start[0], start[1], max(float(start[2]), 0.0)])
    freedom = max(1.0, u.size / held - 3.0)
    seen = float(np.sum(fit.fun**2)) / max(1.0, u.size - 3.0)
    spread = math.sqrt(max(seen, variance) * held)
    s = max(float(fit.x[2]), -0.5)
    slope = np.column_stack([np.ones(u.size), u, shape / (1.0 + s * shape)])
    std = spread * math.sqrt(float(np.linalg.inv(slope.T @ slope)[2, 2])) / (1.0 + s)
    return math.log1p(s), std, float(fit.x[0]), freedom
