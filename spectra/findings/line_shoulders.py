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
from scipy import special

from spectra.findings.interference_scan import law_of
from spectra.findings.line_ripple import find_ripples
from spectra.units import DB_PER_NEPER, FloatArray

if TYPE_CHECKING:
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.signal.detectors import PointLaw

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
_STEPS, _HALVINGS, _CLOSE = 50, 30, 1e-10
_LEAST_RISE = -0.5  # a dip so deep is none of regrowth
_NOTHING = 1e-12
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
    risen = [
        one
        for _, index in sorted(strong, reverse=True)[:_MOST_CARRIERS]
        if (one := _risen(measurement, index, rbw)) is not None
    ]
    if not any(one.stands_out for one in risen):
        return ()
    tested = [one for one in risen if one.on_both_sides]
    shown = [
        _shoulders(measurement, one, min(1.0, one.chance * len(tested)))
        for one in tested
        if one.chance * len(tested) < FALSE_ALARMS and one.stands_out
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


@dataclass(frozen=True, slots=True, eq=False)
class _Rise:
    """What ln(level) does beside a carrier: by how much it rises at the plateau's edge over the floor farther out.

    `u` (offset in symbol rates) and `y` (ln of the level) are those of the free points, `held` how many neighbours
    share their noise.
    """

    carrier: int
    u: FloatArray
    y: FloatArray
    held: float
    law: PointLaw
    lift: float
    std: float
    floor: float

    @property
    def chance(self) -> float:
        """How likely an even floor shows as much (Student's t; `scipy.special.stdtr`)."""
        freedom = max(1.0, self.u.size / self.held - 3.0)
        return float(special.stdtr(freedom, -self.lift / self.std))

    @property
    def stands_out(self) -> bool:
        """Whether it could be told if it were the only one."""
        return self.chance < FALSE_ALARMS and DB_PER_NEPER * self.lift >= _LEAST_EDGE_DB

    @property
    def on_both_sides(self) -> bool:
        """Whether either side for itself shows it, and both alike, as regrowth of one carrier does."""
        sides = [_fitted(self.u[part], self.y[part], self.law.variance, self.held) for part in (self.u < 0, self.u > 0)]
        if any(lift < _SIDE_SIGMA * std for lift, std, _ in sides):
            return False
        apart = abs(sides[0][0] - sides[1][0])
        return apart <= _ALIKE_SIGMA * math.hypot(sides[0][1], sides[1][1]) + 0.5 * self.lift


def _risen(measurement: Measurement, index: int, rbw: float) -> _Rise | None:
    """Return the rise beside a carrier; None where nothing rises, or too little is free to see it."""
    carrier, f = measurement.carriers[index], measurement.sweep.frequency_hz
    rate = carrier.symbol_rate_bd
    assert rate is not None
    off = np.abs(f - carrier.centre_hz)
    free = (off < _REACH * rate) & (off > _outer_half_hz(carrier, rbw))
    for number, other in enumerate(measurement.carriers):
        if number != index and not _is_regrowth(other, carrier):
            free &= np.abs(f - other.centre_hz) > _outer_half_hz(other, rbw)
    u = (f[free] - carrier.centre_hz) / rate
    held = max(1.0, measurement.correlated_points)
    beside, beyond = np.abs(u) < _NEAR, np.abs(u) >= _ENDS
    for side in (u < 0.0, u > 0.0):
        few = (beside & side).sum() < _LEAST_INSIDE * held or (beyond & side).sum() < _LEAST_BEYOND * held
        if few:
            return None
    law = law_of(measurement)
    y = measurement.sweep.level_dbm[free] / DB_PER_NEPER
    lift, std, floor = _fitted(u, y, law.variance, held)
    if lift <= 0.0 or not math.isfinite(std):
        return None
    return _Rise(index, u, y, held, law, lift, std, floor)


def _shoulders(measurement: Measurement, rise: _Rise, chance: float) -> Shoulders:
    carrier = measurement.carriers[rise.carrier]
    over_floor = math.expm1(rise.lift)  # in ln(level), so of the power
    at_centre = float(np.interp(carrier.centre_hz, measurement.sweep.frequency_hz, measurement.floor.level_dbm))
    plateau_dbm = at_centre + (carrier.cn_db or 0.0)
    level = 10.0 * math.log10(over_floor) + DB_PER_NEPER * (rise.floor - rise.law.mean) - plateau_dbm
    of_lift = DB_PER_NEPER * rise.std * (1.0 + over_floor) / over_floor
    level_std = math.hypot(of_lift, carrier.cn_std_db or 0.0, _SHAPE_STD_DB)
    return Shoulders(rise.carrier, level, level_std, DB_PER_NEPER * rise.lift, chance)


def _fitted(u: FloatArray, y: FloatArray, variance: float, held: float) -> tuple[float, float, float]:
    """Return the rise of ln(level) at the plateau's edge, its uncertainty, and the level under it.

    ``ln(level) = a + b u + ln(1 + s T(u))`` by least squares; the rise is ``ln(1 + s)``, its uncertainty that of the
    fit made linear, from the scatter of the points about it or that of their law, whichever is greater. The line is
    taken out of everything beforehand, which leaves one unknown; Gauss-Newton steps on it, halved where they go too
    far.
    """
    shape = regrowth_shape(u)
    line, bent = np.linalg.qr(np.column_stack([np.ones(u.size), u]))

    def without_line(values: FloatArray) -> FloatArray:
        return np.asarray(values - line @ (line.T @ values))

    rest, own = without_line(y), without_line(shape)
    if abs(bent[1, 1]) <= _NOTHING * abs(bent[0, 0]) or own @ own <= _NOTHING * (shape @ shape):
        return 0.0, math.inf, float(np.median(y))  # of a shape that is a line itself nothing can be told
    s = max(float(own @ rest / (own @ own)), 0.0)
    left = without_line(np.log1p(s * shape)) - rest
    for _ in range(_STEPS):
        slope = without_line(shape / (1.0 + s * shape))
        move = -float(slope @ left / (slope @ slope))
        best = left
        for _ in range(_HALVINGS):
            new = max(s + move, _LEAST_RISE)
            left = without_line(np.log1p(new * shape)) - rest
            if left @ left <= best @ best:
                break
            move *= 0.5
        done, s = abs(new - s) <= _CLOSE * (1.0 + s), new
        if done:
            break
    slope = without_line(shape / (1.0 + s * shape))
    seen = float(left @ left) / max(1.0, u.size - 3.0)
    std = math.sqrt(max(seen, variance) * held / float(slope @ slope)) / (1.0 + s)
    along = np.linalg.solve(bent, line.T @ (y - np.log1p(s * shape)))
    return math.log1p(s), std, float(along[0])
