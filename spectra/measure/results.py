"""From a fitted scene to carriers and floor in hertz and decibels, each with its standard uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spectra.measure.engine import Solution
from spectra.measure.measurement import Carrier, Floor
from spectra.measure.modelfree import Lump, lump, lumps
from spectra.measure.parts import modulated_parts, plain_parts
from spectra.measure.profile import RollOffProfile
from spectra.measure.response import Bent, bent_figures, swing_db
from spectra.measure.scene import CW, RC
from spectra.measure.shape import ShapeVerdict, shape_verdicts
from spectra.measure.standards import roll_off_weights
from spectra.measure.standing import wave_variance
from spectra.measure.tone import is_tone
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN
from spectra.signal.raised_cosine import occupied_fraction, x_db_fraction
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["ENBW_RELATIVE_STD", "carriers_of", "floor_of"]

ENBW_RELATIVE_STD = 0.02 / math.sqrt(3.0)
"""Noise bandwidth of the filter: 2 % either way, rectangular (common practice; 4 or 5 poles, Gaussian)."""

_LARGEST_RATE_STD = 0.3
_LARGEST_ROLL_OFF_STD = 0.3
_X_DB = 26.0
_LEAST_X_DB = 3.0
_GAP_SHARE = 0.25  # carriers add less than this to the floor where the floor is seen
_FLOOR_REACH_HZ = 60e6


@dataclass(frozen=True, slots=True)
class _Frame:
    """What is common to all carriers of one solution."""

    solution: Solution
    floor: FloatArray
    floor_variance: FloatArray
    observed: NDArray[np.bool_]
    wave_variance: FloatArray


def floor_of(solution: Solution, points: FloatArray) -> tuple[Floor, _Frame]:
    """Return the floor, at the frequencies `points` (Hz), and the frame in which carriers are told."""
    basis, scene = solution.trace.basis, solution.scene
    k4 = 4 * scene.count
    level = basis.floor(scene.beta)
    variance = basis.variance(solution.covariance[k4:, k4:])
    if solution.floor_doubt is not None:
        variance += solution.floor_doubt
    wave_part = wave_variance(solution.at)
    variance += wave_part
    observed = _observed(solution, variance)
    level_dbm = solution.reference_dbm + DB_PER_NEPER * solution.shown(level)
    std_db = DB_PER_NEPER * np.sqrt(variance)
    seen = observed if observed.any() else np.ones(observed.shape, dtype=bool)
    middle = float(np.median(level_dbm[seen]))
    density = density_std = None
    if solution.rbw_known:
        density = middle - 10.0 * math.log10(ENBW_PER_RBW_GAUSSIAN * solution.rbw_hz)
        density_std = math.hypot(float(np.median(std_db[seen])), DB_PER_NEPER * ENBW_RELATIVE_STD)
    tilt = float(level_dbm[-1] - level_dbm[0])
    every = [solution.at_points(values, points) for values in (level_dbm, std_db, observed.astype(float))]
    floor = Floor(middle, density, density_std, tilt, every[0], every[1], every[2] > 0.5)
    return floor, _Frame(solution, level, variance, observed, wave_part)


def _observed(solution: Solution, variance: FloatArray) -> NDArray[np.bool_]:
    """Say where a gap near by shows the floor: a few points of little carrier, and a floor known to a decibel or so."""
    at = solution.at
    gap = (at.noise - at.floor) < _GAP_SHARE * at.floor
    total = np.r_[0, np.cumsum(gap)]
    run = max(3, round(2.0 * solution.law.correlated_points))
    n = gap.size
    low, high = np.maximum(np.arange(n) - run, 0), np.minimum(np.arange(n) + run + 1, n)
    gap &= (total[high] - total[low]) >= run
    if not gap.any():
        return gap
    where = np.flatnonzero(gap)
    after = np.clip(np.searchsorted(where, np.arange(n)), 0, where.size - 1)
    before = np.maximum(after - 1, 0)
    x = solution.trace.x
    distance = np.minimum(np.abs(x - x[where[after]]), np.abs(x - x[where[before]]))
    return (distance * solution.spacing_hz < _FLOOR_REACH_HZ) & (variance < 0.3**2)


def carriers_of(solution: Solution, frame: _Frame) -> tuple[Carrier, ...]:
    """Return the carriers by rising frequency."""
    verdicts = shape_verdicts(solution)
    gathered: set[int] = set()
    made = []
    for group in lumps(solution, verdicts):
        k = int(group[np.argmax(solution.scene.theta[group, 3])])
        found = lump(solution, group, math.sqrt(float(frame.floor_variance[_middle(solution, k)])))
        if found is not None:
            made.append(_other(frame, k, found))
            gathered.update(int(j) for j in group)
    made += [_carrier(frame, k, verdicts[k]) for k in range(solution.scene.count) if k not in gathered]
    return tuple(sorted(made, key=lambda carrier: carrier.centre_hz))


def _middle(solution: Solution, k: int) -> int:
    """Return the point at the middle of a carrier."""
    left, right = solution.scene.theta[k, :2]
    return min(int(solution.trace.x.searchsorted(0.5 * (left + right))), solution.trace.x.size - 1)


def _carrier(frame: _Frame, k: int, verdict: ShapeVerdict) -> Carrier:
    solution = frame.solution
    left, right, _, level = solution.scene.theta[k, :4]
    own = slice(4 * k, 4 * k + 4)
    covariance = solution.covariance[own, own] * verdict.inflation
    at = _middle(solution, k)
    over = float(level - frame.floor[at])
    # ln(plateau / floor): the floor's own uncertainty is correlated with the plateau's.
    basis, m = solution.trace.basis, 4 * solution.scene.count
    columns = m + basis.interval[at] + np.arange(4)
    cross = float(solution.covariance[4 * k + 3, columns] @ basis.values[:, at])
    own_variance = float(solution.covariance[4 * k + 3, 4 * k + 3])
    over_variance = max(own_variance + float(frame.floor_variance[at]) - 2.0 * cross, 0.0) * verdict.inflation
    cut = left < solution.trace.x[0] + 0.5 or right > solution.trace.x[-1] - 0.5
    wide = solution.scene.kind[k] == RC and (_is_wide(solution, k, covariance) or (cut and right - left > 8.0))
    if wide:
        return _modulated(frame, k, at, over, over_variance, covariance, verdict)
    return _narrow(frame, k, at, over, over_variance, covariance)


def _is_wide(solution: Solution, k: int, covariance: FloatArray) -> bool:
    """Say whether a carrier's width is resolved: wider than the filter and known to 60 % at least."""
    left, right = solution.scene.theta[k, :2]
    std = math.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1], 0.0))
    return bool(right - left > solution.rbw_hz / solution.spacing_hz and std < 0.6 * (right - left))


def _flags(frame: _Frame, k: int, at: int, half_width: float) -> list[str]:
    solution = frame.solution
    theta, kind = solution.scene.theta, solution.scene.kind
    centre = 0.5 * (theta[k, 0] + theta[k, 1])
    flags = []
    reach = 0.5 * (theta[:, 1] - theta[:, 0]) * (1.0 + theta[:, 2]) + (half_width + solution.trace.sigma)
    touch = (np.abs(0.5 * (theta[:, 0] + theta[:, 1]) - centre) < reach) & (kind != CW)
    touch[k] = False
    if touch.any():
        flags.append("shares_edge")
    if centre - half_width < solution.trace.x[0] or centre + half_width > solution.trace.x[-1]:
        flags.append("cut_by_span")
    if not frame.observed[at]:
        flags.append("floor_not_seen")
    return flags


def _probability(solution: Solution, k: int) -> float:
    """Return how often noise alone would show as much somewhere in this sweep."""
    from scipy.special import ndtr

    return float(min(1.0, solution.tests * max(float(ndtr(-min(solution.scores[k], 37.0))), 1e-300)))


def _power(frame: _Frame, at: int, level_neper: float, width: float | None) -> float:
    """Return carrier power in dBm from a plateau of `width` points, or from a peak through the filter, at a point."""
    solution = frame.solution
    level_neper += 0.0 if solution.gain is None else float(solution.gain[at])
    power = solution.reference_dbm + DB_PER_NEPER * level_neper
    if width is not None:
        power += 10.0 * math.log10(width * solution.spacing_hz / (ENBW_PER_RBW_GAUSSIAN * solution.rbw_hz))
    return power


@lru_cache(maxsize=1)
def _occupied_table() -> tuple[FloatArray, FloatArray]:
    """Roll-offs from 0 to 1 and the 99 % widths over the symbol rate (between them linear to 1e-6)."""
    roll_off = np.linspace(0.0, 1.0, 401)
    return roll_off, np.array([occupied_fraction(float(a)) for a in roll_off])


def _occupied(roll_off: float) -> float:
    return float(np.interp(roll_off, *_occupied_table()))


@dataclass(frozen=True, slots=True)
class _Shape:
    """Widths of one carrier: value and variance of each, in hertz, and intervals where they are not symmetric."""

    rate: float
    rate_std: float
    roll_off: float
    roll_off_std: float
    occupied: tuple[float, float]
    x_db: float | None
    x_width: tuple[float, float] | None
    interval95: dict[str, tuple[float, float]]
    given: dict[str, float]  # std of the widths, were the roll-off known

    def stretched(self, bent: Bent) -> _Shape:
        """Return the widths as a response changes them (the symbol rate stays)."""
        if bent.occupied == bent.at_x_db == 1.0:
            return self
        intervals, given, name = dict(self.interval95), dict(self.given), "occupied_bandwidth_hz"
        if name in intervals:
            intervals[name] = (intervals[name][0] * bent.occupied, intervals[name][1] * bent.occupied)
        given[name] *= bent.occupied
        wider = None if self.x_width is None else (self.x_width[0] * bent.at_x_db, self.x_width[1] * bent.at_x_db)
        occupied = (self.occupied[0] * bent.occupied, self.occupied[1] * bent.occupied)
        return replace(self, occupied=occupied, x_width=wider, interval95=intervals, given=given)


def _profile(solution: Solution, k: int, inflation: float) -> RollOffProfile | None:
    """Return the profile of a carrier's roll-off, flattened where its shape departs from a raised cosine."""
    profile = solution.profiles.get(k)
    if profile is None or inflation == 1.0:
        return profile
    weight = np.maximum(profile.weight, 1e-300) ** (1.0 / inflation)
    return replace(profile, weight=weight / weight.sum())


def _shape(frame: _Frame, k: int, over: float, covariance: FloatArray, inflation: float) -> _Shape:
    """Return the widths of a carrier, by curvature or, where that misleads, by the profile of its roll-off."""
    solution = frame.solution
    left, right, roll_off = (float(v) for v in solution.scene.theta[k, :3])
    hz = solution.spacing_hz
    x_db = _dynamic(solution, k, over)
    known = covariance[:2, :2]
    if covariance[2, 2] > 0.0:  # at a given roll-off the edges are known better
        known = known - np.outer(covariance[:2, 2], covariance[:2, 2]) / covariance[2, 2]
    width_std = math.sqrt(max(float(known[0, 0] + known[1, 1] - 2.0 * known[0, 1]), 0.0)) * hz
    profile = _profile(solution, k, inflation)
    if profile is None:
        rate = (right - left) * hz
        rate_std = hz * math.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1], 0.0))
        occupied = _width_with_std(_occupied, rate, roll_off, hz, covariance)
        x_width = None
        if x_db is not None:
            limit = x_db
            x_width = _width_with_std(lambda a: float(x_db_fraction(a, limit)), rate, roll_off, hz, covariance)
        own = math.sqrt(covariance[2, 2])
        return _Shape(
            rate, rate_std, roll_off, own, occupied, x_db, x_width, {}, _given(width_std, _occupied(roll_off))
        )
    rates = profile.width * hz
    stds = profile.width_std * (hz * math.sqrt(inflation))
    rate, rate_spread = profile.spread(rates)
    mean, spread = profile.spread(profile.roll_off)
    share = np.interp(profile.roll_off, *_occupied_table())
    occupied, given_occupied = _mixed(profile, rates * share, stds * share)
    x_width = None
    if x_db is not None:
        share_x = x_db_fraction(profile.roll_off, x_db)
        x_width = _mixed(profile, rates * share_x, stds * share_x)[0]
    given_rate = math.sqrt(float(profile.weight @ stds**2))
    intervals = {
        "symbol_rate_bd": profile.interval(rates, stds),
        "roll_off": profile.own_interval(),
        "occupied_bandwidth_hz": profile.interval(rates * share, stds * share),
    }
    rate_std = math.hypot(given_rate, math.sqrt(rate_spread))
    given = {"symbol_rate_bd": given_rate, "occupied_bandwidth_hz": given_occupied}
    return _Shape(rate, rate_std, mean, math.sqrt(spread), occupied, x_db, x_width, intervals, given)


def _mixed(profile: RollOffProfile, values: FloatArray, stds: FloatArray) -> tuple[tuple[float, float], float]:
    """Return mean and standard uncertainty of a quantity over the roll-off, and the latter were the roll-off known."""
    mean, between = profile.spread(values)
    given = math.sqrt(float(profile.weight @ stds**2))
    return (mean, math.hypot(given, math.sqrt(between))), given


def _given(width_std: float, share: float) -> dict[str, float]:
    return {"symbol_rate_bd": width_std, "occupied_bandwidth_hz": width_std * share}


def _modulated(
    frame: _Frame,
    k: int,
    at: int,
    over: float,
    over_variance: float,
    covariance: FloatArray,
    verdict: ShapeVerdict,
) -> Carrier:
    solution = frame.solution
    left, right, roll_off, level = (float(v) for v in solution.scene.theta[k, :4])
    hz = solution.spacing_hz
    shape = _shape(frame, k, over, covariance, verdict.inflation)
    row = solution.scene.theta[k]
    bent = bent_figures(row, shape.x_db)
    shape = shape.stretched(bent)
    over, level = over + bent.level, level + bent.level
    profile = _profile(solution, k, verdict.inflation)
    if profile is None:
        centre_std = 0.5 * hz * math.sqrt(max(covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1], 0.0))
    else:
        centre_std = hz * profile.centre_std(verdict.inflation)
    flags = _flags(frame, k, at, 0.5 * (right - left) * (1.0 + roll_off))
    if row[4:].any():
        flags.append("response")
    if verdict.misfit:
        flags.append("misfit")
    seen = "floor_not_seen" not in flags
    if profile is not None:
        over_variance += profile.spread(profile.level)[1]
    cn, cn_std = DB_PER_NEPER * over, DB_PER_NEPER * math.sqrt(over_variance)
    power_gradient = np.array([-1.0 / (right - left), 1.0 / (right - left), 0.0, 1.0])
    power_variance = float(power_gradient @ covariance @ power_gradient) + ENBW_RELATIVE_STD**2
    whole = "cut_by_span" not in flags  # what lies outside the span is anybody's guess
    scaled = whole and solution.rbw_known  # a density becomes a power through the filter's width
    rate_known = whole and shape.rate_std < _LARGEST_RATE_STD * shape.rate
    roll_off_known = rate_known and shape.roll_off_std < _LARGEST_ROLL_OFF_STD
    weights = roll_off_weights(roll_off, shape.roll_off_std, profile, verdict.inflation) if whole else None
    intervals = dict(shape.interval95)
    if not rate_known:
        intervals.pop("symbol_rate_bd", None)
    if not whole:
        intervals.clear()
    if not roll_off_known:
        intervals.pop("roll_off", None)
    cn0_std = DB_PER_NEPER * math.sqrt(_cn0_variance(solution, k, at, covariance, over_variance))
    power_std = DB_PER_NEPER * math.sqrt(max(power_variance, 0.0))
    stds = {
        "centre_hz": centre_std,
        "symbol_rate_bd": shape.rate_std,
        "roll_off": shape.roll_off_std,
        "occupied_bandwidth_hz": shape.occupied[1],
        "cn_db": cn_std,
        "es_n0_db": cn_std,
    }
    return Carrier(
        kind="modulated",
        centre_hz=solution.origin_hz + 0.5 * (left + right) * hz,
        centre_std_hz=centre_std,
        symbol_rate_bd=shape.rate if rate_known else None,
        symbol_rate_std_bd=shape.rate_std if rate_known else None,
        roll_off=shape.roll_off if roll_off_known else None,
        roll_off_std=shape.roll_off_std if roll_off_known else None,
        occupied_bandwidth_hz=shape.occupied[0] if whole else None,
        occupied_bandwidth_std_hz=shape.occupied[1] if whole else None,
        x_db=shape.x_db if whole else None,
        x_db_bandwidth_hz=shape.x_width[0] if shape.x_width and whole else None,
        x_db_bandwidth_std_hz=shape.x_width[1] if shape.x_width and whole else None,
        power_dbm=_power(frame, at, level, right - left) if scaled else None,
        power_std_db=power_std if scaled else None,
        cn_db=cn if seen else None,
        cn_std_db=cn_std if seen else None,
        cn_lower_bound_db=None if seen else _lower_bound(frame, k, at),
        cn0_dbhz=cn + 10.0 * math.log10(shape.rate) if seen and whole else None,
        cn0_std_db=cn0_std if seen and whole else None,
        es_n0_db=cn if seen and rate_known else None,
        es_n0_std_db=cn_std if seen and rate_known else None,
        interval95=intervals,
        false_alarm_probability=_probability(solution, k),
        response_db=swing_db(row) if row[4:].any() else None,
        flags=tuple(flags),
        roll_off_weights=weights,
        parts=modulated_parts(stds, shape.given, frame.floor_variance[at], frame.wave_variance[at], verdict.inflation),
    )


def _other(frame: _Frame, k: int, found: Lump) -> Carrier:
    """Return a carrier that is no raised cosine; `k` is the strongest of the pieces that the fit made of it."""
    solution, hz = frame.solution, frame.solution.spacing_hz
    at = int(np.clip(np.searchsorted(solution.trace.x, found.centroid), 0, solution.trace.x.size - 1))
    flags = [flag for flag in _flags(frame, k, at, 0.5 * (found.high - found.low)) if flag != "shares_edge"]
    if found.low < solution.trace.x[0] or found.high > solution.trace.x[-1]:
        flags = sorted({*flags, "cut_by_span"})
    seen, whole = "floor_not_seen" not in flags, "cut_by_span" not in flags
    told = whole and found.occupied_std < _LARGEST_RATE_STD * found.occupied
    over_floor = found.power / math.exp(float(frame.floor[at]))
    floor_std = math.sqrt(float(frame.floor_variance[at]))
    ratio_std = DB_PER_NEPER * math.hypot(found.power_relative_std, floor_std)
    cn_std = DB_PER_NEPER * math.hypot(ratio_std / DB_PER_NEPER, found.occupied_std / found.occupied)
    scaled = whole and solution.rbw_known
    return Carrier(
        kind="other",
        centre_hz=solution.origin_hz + found.centroid * hz,
        centre_std_hz=found.centroid_std * hz,
        occupied_bandwidth_hz=found.occupied * hz if told else None,
        occupied_bandwidth_std_hz=found.occupied_std * hz if told else None,
        x_db=found.x_db if told else None,
        x_db_bandwidth_hz=found.x_width * hz if told and found.x_width is not None else None,
        x_db_bandwidth_std_hz=found.x_width_std * hz if told and found.x_width_std is not None else None,
        power_dbm=_power(frame, at, math.log(found.power), 1.0) if scaled else None,
        power_std_db=DB_PER_NEPER * math.hypot(found.power_relative_std, ENBW_RELATIVE_STD) if scaled else None,
        cn_db=DB_PER_NEPER * math.log(over_floor / found.occupied) if seen and told else None,
        cn_std_db=cn_std if seen and told else None,
        cn_lower_bound_db=None if seen else _lower_bound(frame, k, at),
        cn0_dbhz=DB_PER_NEPER * math.log(over_floor * hz) if seen and whole else None,
        cn0_std_db=math.hypot(ratio_std, DB_PER_NEPER * ENBW_RELATIVE_STD) if seen and whole else None,
        false_alarm_probability=_probability(solution, k),
        flags=tuple(flags),
        parts=plain_parts(frame.floor_variance[at], frame.wave_variance[at]),
    )


def _cn0_variance(solution: Solution, k: int, at: int, covariance: FloatArray, over_variance: float) -> float:
    """Return the variance of ln(C/N0): plateau over floor and width together."""
    left, right = solution.scene.theta[k, :2]
    g = np.array([-1.0, 1.0, 0.0, 0.0]) / (right - left)
    basis, m = solution.trace.basis, 4 * solution.scene.count
    columns = m + basis.interval[at] + np.arange(4)
    with_floor = float(g @ solution.covariance[4 * k : 4 * k + 4, columns] @ basis.values[:, at])
    cross = float(g @ covariance[:, 3]) - with_floor
    return max(over_variance + float(g @ covariance @ g) + 2.0 * cross, 0.0) + ENBW_RELATIVE_STD**2


def _width_with_std(
    fraction: Callable[[float], float], rate: float, roll_off: float, hz: float, covariance: FloatArray
) -> tuple[float, float]:
    """Return rate * fraction(roll-off) and its standard uncertainty by the delta method."""
    here = fraction(roll_off)
    h = 2.5e-3
    low, high = max(roll_off - h, 0.0), roll_off + h
    slope = (fraction(high) - fraction(low)) / (high - low)
    gradient = np.array([-here * hz, here * hz, rate * slope, 0.0])
    return rate * here, math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))


def _dynamic(solution: Solution, k: int, over: float) -> float | None:
    """Return the largest x (26 at most, whole dB) at which this carrier still stands out of the noise at its edges.

    Averaged over the points of one edge the floor is known to 1/sqrt(points x information); the carrier counts as seen
    down to three times that.
    """
    left, right, roll_off = solution.scene.theta[k, :3]
    points = max(1.0, 0.5 * (right - left) * max(float(roll_off), 0.05))
    seen = DB_PER_NEPER * over + 10.0 * math.log10(math.sqrt(points * solution.trace.information) / 3.0)
    x_db = math.floor(min(_X_DB, seen))
    return float(x_db) if x_db >= _LEAST_X_DB else None


def _lower_bound(frame: _Frame, k: int, at: int) -> float | None:
    """Return the C/N that is exceeded with 95 %: the floor is no higher than the lowest level near by."""
    solution = frame.solution
    total = float(solution.at.noise[at])
    left, right = solution.scene.theta[k, :2]
    reach = right - left
    x = solution.trace.x
    low, high = np.searchsorted(x, left - reach), np.searchsorted(x, right + reach)
    lowest = float(solution.at.noise[low:high].min()) * math.exp(1.645 / math.sqrt(3.0 * solution.trace.information))
    if lowest >= total:
        return None
    return DB_PER_NEPER * math.log(total / lowest - 1.0)


def _narrow(frame: _Frame, k: int, at: int, over: float, over_variance: float, covariance: FloatArray) -> Carrier:
    """Return a carrier of no width that this sweep can tell."""
    solution = frame.solution
    left, right, _, level = (float(v) for v in solution.scene.theta[k, :4])
    hz = solution.spacing_hz
    tone = solution.scene.kind[k] == CW
    if tone:
        centre_variance, power_variance, power = covariance[0, 0], covariance[3, 3], _power(frame, at, level, None)
        cn0 = DB_PER_NEPER * over + 10.0 * math.log10(ENBW_PER_RBW_GAUSSIAN * solution.rbw_hz)
        cn0_variance = over_variance
    else:
        centre_variance = 0.25 * (covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1])
        gradient = np.array([-1.0 / (right - left), 1.0 / (right - left), 0.0, 1.0])
        power_variance = float(gradient @ covariance @ gradient)
        power = _power(frame, at, level, right - left)
        cn0 = DB_PER_NEPER * over + 10.0 * math.log10((right - left) * hz)
        cn0_variance = _cn0_variance(solution, k, at, covariance, over_variance)
    flags = _flags(frame, k, at, 0.5 * (right - left))
    sure = tone and is_tone(solution, k)
    if not sure:
        flags.append("below_resolution")
    seen = "floor_not_seen" not in flags
    return Carrier(
        kind="cw" if sure else "unresolved",
        centre_hz=solution.origin_hz + 0.5 * (left + right) * hz,
        centre_std_hz=hz * math.sqrt(max(float(centre_variance), 0.0)),
        power_dbm=power if tone or solution.rbw_known else None,
        power_std_db=DB_PER_NEPER * math.sqrt(max(power_variance, 0.0)) if tone or solution.rbw_known else None,
        cn0_dbhz=cn0 if seen and solution.rbw_known else None,
        cn0_std_db=DB_PER_NEPER * math.sqrt(cn0_variance) if seen and solution.rbw_known else None,
        false_alarm_probability=_probability(solution, k),
        flags=tuple(flags),
        parts=plain_parts(frame.floor_variance[at], frame.wave_variance[at]),
    )
