"""From a fitted scene to carriers and floor in hertz and decibels, each with its standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spectra.measure.engine import Solution
from spectra.measure.floor import WIDEST_CARRIER_HZ
from spectra.measure.measurement import Carrier, Floor
from spectra.measure.modelfree import Lump, lump, lumps
from spectra.measure.parts import modulated_parts, plain_parts
from spectra.measure.response import swing_db
from spectra.measure.scene import CW, RC
from spectra.measure.shape import shape_verdicts
from spectra.measure.standards import STANDARD_ROLL_OFFS
from spectra.measure.standing import wave_variance
from spectra.measure.tone import is_tone
from spectra.measure.widths import Widths, widths_of
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["ENBW_RELATIVE_STD", "carriers_of", "floor_of"]

ENBW_RELATIVE_STD = 0.02 / math.sqrt(3.0)
"""Noise bandwidth of the filter: 2 % either way, rectangular (common practice; 4 or 5 poles, Gaussian)."""

_LARGEST_RATE_STD = 0.3
_LARGEST_ROLL_OFF_STD = 0.3
_GAP_SHARE = 0.25  # carriers add less than this to the floor where the floor is seen
_FLOOR_REACH_HZ = 60e6
_STANDARD_NAMES = tuple(f"{value:.2f}" for value in STANDARD_ROLL_OFFS)


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


@dataclass(frozen=True, slots=True)
class _Figures:
    """What all kinds of carriers share, each an array over some carriers.

    `over` is ln(plateau / floor), `cross` the covariance of each carrier's own parameters with ln(floor) at its middle
    point `at`; covariances are raised by `inflation`.
    """

    which: NDArray[np.intp]
    at: NDArray[np.intp]
    covariance: FloatArray
    inflation: FloatArray
    over: FloatArray
    over_variance: FloatArray
    cross: FloatArray
    probability: FloatArray

    def some(self, rows: NDArray[np.intp]) -> _Figures:
        """Return those of some of these carriers."""
        return _Figures(
            self.which[rows],
            self.at[rows],
            self.covariance[rows],
            self.inflation[rows],
            self.over[rows],
            self.over_variance[rows],
            self.cross[rows],
            self.probability[rows],
        )


def carriers_of(solution: Solution, frame: _Frame) -> tuple[Carrier, ...]:
    """Return the carriers by rising frequency."""
    verdicts = shape_verdicts(solution)
    alone = np.ones(solution.scene.count, dtype=bool)
    made = []
    for group in lumps(solution, verdicts):
        strongest = int(np.argmax(solution.scene.theta[group, 3]))
        k, at = int(group[strongest]), _middles(solution, group)[strongest]
        found = lump(solution, group, math.sqrt(float(frame.floor_variance[at])))
        if found is not None:
            made.append(_other(frame, k, found))
            alone[group] = False
    which = np.flatnonzero(alone)
    inflation = np.array([verdicts[k].inflation for k in which])
    figures = _figures(frame, which, inflation)
    wide = _are_wide(solution, figures)
    made += _modulated(frame, figures.some(np.flatnonzero(wide)), [verdicts[k].misfit for k in which[wide]])
    made += _narrow(frame, figures.some(np.flatnonzero(~wide)))
    return tuple(sorted(made, key=lambda carrier: carrier.centre_hz))


def _middles(solution: Solution, which: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the point at the middle of each of some carriers."""
    left, right = solution.scene.theta[which, :2].T
    place = np.searchsorted(solution.trace.x, 0.5 * (left + right))
    return np.asarray(np.minimum(place, solution.trace.x.size - 1))


def _figures(frame: _Frame, which: NDArray[np.intp], inflation: FloatArray) -> _Figures:
    from scipy.special import ndtr

    solution, basis = frame.solution, frame.solution.trace.basis
    at = _middles(solution, which)
    own = 4 * which[:, None] + np.arange(4)
    raw = solution.covariance[own[:, :, None], own[:, None, :]]
    # The floor's own uncertainty is correlated with the plateau's.
    columns = 4 * solution.scene.count + basis.interval[at][:, None] + np.arange(4)
    shared = solution.covariance[own[:, :, None], columns[:, None, :]]
    cross = (shared * basis.values[:, at].T[:, None, :]).sum(axis=2)
    over_variance = np.maximum(raw[:, 3, 3] + frame.floor_variance[at] - 2.0 * cross[:, 3], 0.0) * inflation
    chance = np.maximum(ndtr(-np.minimum(solution.scores[which], 37.0)), 1e-300)
    return _Figures(
        which,
        at,
        raw * inflation[:, None, None],
        inflation,
        solution.scene.theta[which, 3] - frame.floor[at],
        over_variance,
        cross,
        np.minimum(1.0, solution.tests * chance),
    )


def _are_wide(solution: Solution, figures: _Figures) -> NDArray[np.bool_]:
    """Say which carriers' widths are resolved: wider than the filter and known to 60 % at least, or cut by the span."""
    left, right = solution.scene.theta[figures.which, :2].T
    covariance, width = figures.covariance, right - left
    variance = covariance[:, 0, 0] + covariance[:, 1, 1] - 2.0 * covariance[:, 0, 1]
    known = (width > solution.rbw_hz / solution.spacing_hz) & (np.sqrt(np.maximum(variance, 0.0)) < 0.6 * width)
    cut = (left < solution.trace.x[0] + 0.5) | (right > solution.trace.x[-1] - 0.5)
    return np.asarray((solution.scene.kind[figures.which] == RC) & (known | (cut & (width > 8.0))))


def _flags(frame: _Frame, which: NDArray[np.intp], at: NDArray[np.intp], half_width: FloatArray) -> list[list[str]]:
    """Return what is to be said of each carrier, `half_width` points to either side of its centre."""
    solution = frame.solution
    theta, kind, x = solution.scene.theta, solution.scene.kind, solution.trace.x
    centre = 0.5 * (theta[:, 0] + theta[:, 1])
    own = centre[which]
    reach = 0.5 * (theta[:, 1] - theta[:, 0]) * (1.0 + theta[:, 2]) + solution.trace.sigma
    touch = (np.abs(centre - own[:, None]) < reach + half_width[:, None]) & (kind != CW)
    touch[np.arange(which.size), which] = False
    told = {
        "shares_edge": touch.any(axis=1),
        "cut_by_span": (own - half_width < x[0]) | (own + half_width > x[-1]),
        "floor_not_seen": ~frame.observed[at],
    }
    return [[name for name, said in told.items() if said[j]] for j in range(which.size)]


def _power(
    frame: _Frame, at: NDArray[np.intp], level_neper: FloatArray, width: FloatArray | float | None
) -> FloatArray:
    """Return power in dBm from plateaus of some `width` in points, or from peaks through the filter, at some points."""
    solution = frame.solution
    power = level_neper if solution.gain is None else level_neper + solution.gain[at]
    power = solution.reference_dbm + DB_PER_NEPER * power
    if width is not None:
        power = power + 10.0 * np.log10(width * (solution.spacing_hz / (ENBW_PER_RBW_GAUSSIAN * solution.rbw_hz)))
    return np.asarray(power)


def _power_std_db(figures: _Figures, width: FloatArray, beyond: float) -> FloatArray:
    """Return the standard uncertainty of plateau times width in dB; `beyond` is the variance of what scales it."""
    gradient = np.stack((-1.0 / width, 1.0 / width, 0.0 * width, 0.0 * width + 1.0), axis=1)
    variance = np.einsum("ka,kab,kb->k", gradient, figures.covariance, gradient)
    return np.asarray(DB_PER_NEPER * np.sqrt(np.maximum(variance + beyond, 0.0)))


def _cn0_std_db(figures: _Figures, width: FloatArray, over_variance: FloatArray) -> FloatArray:
    """Return the standard uncertainty of C/N0: plateau over floor and width together."""
    g = np.array([-1.0, 1.0, 0.0, 0.0]) / width[:, None]
    shared = np.einsum("ka,ka->k", g, figures.covariance[:, :, 3] - figures.cross)
    own = np.einsum("ka,kab,kb->k", g, figures.covariance, g)
    variance = np.maximum(over_variance + own + 2.0 * shared, 0.0) + ENBW_RELATIVE_STD**2
    return np.asarray(DB_PER_NEPER * np.sqrt(variance))


def _modulated(frame: _Frame, figures: _Figures, misfit: list[bool]) -> list[Carrier]:
    """Return carriers whose width is told."""
    solution, hz = frame.solution, frame.solution.spacing_hz
    theta = solution.scene.theta[figures.which]
    left, right, roll_off, level = theta[:, :4].T
    told = widths_of(solution, figures.which, figures.over, figures.covariance, figures.inflation)
    cn, cn_std = DB_PER_NEPER * (figures.over + told.level), DB_PER_NEPER * np.sqrt(figures.over_variance)
    cn0 = cn + 10.0 * np.log10(np.maximum(told.rate, 1e-300))
    cn0_std = _cn0_std_db(figures, right - left, figures.over_variance)
    power = _power(frame, figures.at, level + told.level, right - left)
    power_std = _power_std_db(figures, right - left, ENBW_RELATIVE_STD**2)
    centre = solution.origin_hz + 0.5 * (left + right) * hz
    centre_std = _centre_std(solution, theta, told.centre_std)
    flags = _flags(frame, figures.which, figures.at, 0.5 * (right - left) * (1.0 + roll_off))
    made = []
    for j in range(figures.which.size):
        bent = bool(theta[j, 4:].any())
        own = [*flags[j], *(["response"] if bent else []), *(["misfit"] if misfit[j] else [])]
        whole = "cut_by_span" not in own  # what lies outside the span is anybody's guess
        figure = _width_figures(told, j, whole)
        own_std = float(cn_std[j])
        levels = _levels(frame, figures, j, own, float(cn[j]), own_std, "symbol_rate_bd" in figure)
        if whole and "floor_not_seen" not in own:
            levels |= {"cn0_dbhz": float(cn0[j]), "cn0_std_db": float(cn0_std[j])}
        if whole and solution.rbw_known:  # a density becomes a power through the filter's width
            levels |= {"power_dbm": float(power[j]), "power_std_db": float(power_std[j])}
        stds = {
            "centre_hz": float(centre_std[j]),
            "symbol_rate_bd": float(told.rate_std[j]),
            "roll_off": float(told.roll_off_std[j]),
            "occupied_bandwidth_hz": float(told.occupied_std[j]),
            "cn_db": own_std,
            "es_n0_db": own_std,
        }
        given = {
            "symbol_rate_bd": float(told.rate_given[j]),
            "occupied_bandwidth_hz": float(told.occupied_given[j]),
        }
        at = figures.at[j]
        variances = float(frame.floor_variance[at]), float(frame.wave_variance[at])
        made.append(
            Carrier(
                kind="modulated",
                centre_hz=float(centre[j]),
                centre_std_hz=stds["centre_hz"],
                **figure,
                **levels,
                interval95=_intervals(told.interval95[j], figure, whole),
                false_alarm_probability=float(figures.probability[j]),
                response_db=swing_db(theta[j]) if bent else None,
                flags=tuple(own),
                roll_off_weights=dict(zip(_STANDARD_NAMES, told.standard[j].tolist(), strict=True)) if whole else None,
                parts=modulated_parts(stds, given, *variances, float(figures.inflation[j])),
            )
        )
    return made


def _centre_std(solution: Solution, theta: FloatArray, fitted: FloatArray) -> FloatArray:
    """Return standard uncertainties of centres, of which the fit knows nothing where one edge is not in the span.

    Where the level does not fall before the span ends the fit leaves the edge about there. It may be anywhere beyond,
    but makes no carrier wider than any is.
    """
    left, right = theta[:, :2].T
    first, last, reach = solution.trace.x[0], solution.trace.x[-1], 1.0 + solution.trace.sigma
    unseen = (left < first + reach) | (right > last - reach)
    seen = np.maximum(np.minimum(right, last) - np.maximum(left, first), 0.0) * solution.spacing_hz
    most = 0.5 * np.maximum(WIDEST_CARRIER_HZ - seen, 0.1 * WIDEST_CARRIER_HZ) / math.sqrt(12.0)
    return np.where(unseen, most, fitted)


def _width_figures(told: Widths, j: int, whole: bool) -> dict[str, Any]:
    """Return the widths of one carrier that may be told."""
    figures: dict[str, Any] = {}
    if not whole:
        return figures
    rate, rate_std, roll_off_std = float(told.rate[j]), float(told.rate_std[j]), float(told.roll_off_std[j])
    if rate_std < _LARGEST_RATE_STD * rate:
        figures |= {"symbol_rate_bd": rate, "symbol_rate_std_bd": rate_std}
        if roll_off_std < _LARGEST_ROLL_OFF_STD:
            figures |= {"roll_off": float(told.roll_off[j]), "roll_off_std": roll_off_std}
    figures |= {"occupied_bandwidth_hz": float(told.occupied[j])}
    figures |= {"occupied_bandwidth_std_hz": float(told.occupied_std[j])}
    if not math.isnan(told.x_db[j]):
        figures |= {"x_db": float(told.x_db[j]), "x_db_bandwidth_hz": float(told.x_width[j])}
        figures |= {"x_db_bandwidth_std_hz": float(told.x_width_std[j])}
    return figures


def _intervals(
    every: dict[str, tuple[float, float]], figure: dict[str, Any], whole: bool
) -> dict[str, tuple[float, float]]:
    """Return the intervals of what is told."""
    return {name: ends for name, ends in every.items() if whole and name in figure}


def _levels(
    frame: _Frame, figures: _Figures, j: int, flags: list[str], cn: float, cn_std: float, rate_known: bool
) -> dict[str, Any]:
    """Return one carrier's ratios to the floor, or a bound where the floor is not seen."""
    if "floor_not_seen" in flags:
        return {"cn_lower_bound_db": _lower_bound(frame, int(figures.which[j]), int(figures.at[j]))}
    told: dict[str, Any] = {"cn_db": cn, "cn_std_db": cn_std}
    if rate_known:
        told |= {"es_n0_db": cn, "es_n0_std_db": cn_std}
    return told


def _other(frame: _Frame, k: int, found: Lump) -> Carrier:
    """Return a carrier that is no raised cosine; `k` is the strongest of the pieces that the fit made of it."""
    solution, hz = frame.solution, frame.solution.spacing_hz
    at = int(np.clip(np.searchsorted(solution.trace.x, found.centroid), 0, solution.trace.x.size - 1))
    half_width = np.array([0.5 * (found.high - found.low)])
    every = _flags(frame, np.array([k]), np.array([at]), half_width)[0]
    flags = [flag for flag in every if flag != "shares_edge"]
    if found.low < solution.trace.x[0] or found.high > solution.trace.x[-1]:
        flags = sorted({*flags, "cut_by_span"})
    seen, whole = "floor_not_seen" not in flags, "cut_by_span" not in flags
    told = whole and found.occupied_std < _LARGEST_RATE_STD * found.occupied
    over_floor = found.power / math.exp(float(frame.floor[at]))
    floor_std = math.sqrt(float(frame.floor_variance[at]))
    ratio_std = DB_PER_NEPER * math.hypot(found.power_relative_std, floor_std)
    cn_std = DB_PER_NEPER * math.hypot(ratio_std / DB_PER_NEPER, found.occupied_std / found.occupied)
    scaled = whole and solution.rbw_known
    power = _power(frame, np.array(at), np.array(math.log(found.power)), 1.0)
    return Carrier(
        kind="other",
        centre_hz=solution.origin_hz + found.centroid * hz,
        centre_std_hz=found.centroid_std * hz,
        occupied_bandwidth_hz=found.occupied * hz if told else None,
        occupied_bandwidth_std_hz=found.occupied_std * hz if told else None,
        x_db=found.x_db if told else None,
        x_db_bandwidth_hz=found.x_width * hz if told and found.x_width is not None else None,
        x_db_bandwidth_std_hz=found.x_width_std * hz if told and found.x_width_std is not None else None,
        power_dbm=float(power) if scaled else None,
        power_std_db=DB_PER_NEPER * math.hypot(found.power_relative_std, ENBW_RELATIVE_STD) if scaled else None,
        cn_db=DB_PER_NEPER * math.log(over_floor / found.occupied) if seen and told else None,
        cn_std_db=cn_std if seen and told else None,
        cn_lower_bound_db=None if seen else _lower_bound(frame, k, at),
        cn0_dbhz=DB_PER_NEPER * math.log(over_floor * hz) if seen and whole else None,
        cn0_std_db=math.hypot(ratio_std, DB_PER_NEPER * ENBW_RELATIVE_STD) if seen and whole else None,
        false_alarm_probability=float(_figures(frame, np.array([k]), np.ones(1)).probability[0]),
        flags=tuple(flags),
        parts=plain_parts(float(frame.floor_variance[at]), float(frame.wave_variance[at])),
    )


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


def _narrow(frame: _Frame, figures: _Figures) -> list[Carrier]:
    """Return carriers of no width that this sweep can tell."""
    solution, hz = frame.solution, frame.solution.spacing_hz
    left, right, _, level = solution.scene.theta[figures.which, :4].T
    tone, covariance = solution.scene.kind[figures.which] == CW, figures.covariance
    width = np.where(tone, 1.0, right - left)
    between = 0.25 * (covariance[:, 0, 0] + covariance[:, 1, 1] + 2.0 * covariance[:, 0, 1])
    centre_std = hz * np.sqrt(np.maximum(np.where(tone, covariance[:, 0, 0], between), 0.0))
    centre_std = np.where(tone, centre_std, _centre_std(solution, solution.scene.theta[figures.which], centre_std))
    peak_std = DB_PER_NEPER * np.sqrt(np.maximum(covariance[:, 3, 3], 0.0))
    power = np.where(tone, _power(frame, figures.at, level, None), _power(frame, figures.at, level, width))
    power_std = np.where(tone, peak_std, _power_std_db(figures, width, 0.0))
    seen_width = np.where(tone, ENBW_PER_RBW_GAUSSIAN * solution.rbw_hz, width * hz)
    cn0 = DB_PER_NEPER * figures.over + 10.0 * np.log10(seen_width)
    own_std = DB_PER_NEPER * np.sqrt(figures.over_variance)
    cn0_std = np.where(tone, own_std, _cn0_std_db(figures, width, figures.over_variance))
    flags = _flags(frame, figures.which, figures.at, 0.5 * (right - left))
    made = []
    for j, k in enumerate(figures.which):
        sure = bool(tone[j]) and is_tone(solution, int(k))
        own = [*flags[j], *([] if sure else ["below_resolution"])]
        told: dict[str, Any] = {}
        if tone[j] or solution.rbw_known:
            told |= {"power_dbm": float(power[j]), "power_std_db": float(power_std[j])}
        if "floor_not_seen" not in own and solution.rbw_known:
            told |= {"cn0_dbhz": float(cn0[j]), "cn0_std_db": float(cn0_std[j])}
        at = figures.at[j]
        made.append(
            Carrier(
                kind="cw" if sure else "unresolved",
                centre_hz=float(solution.origin_hz + 0.5 * (left[j] + right[j]) * hz),
                centre_std_hz=float(centre_std[j]),
                **told,
                false_alarm_probability=float(figures.probability[j]),
                flags=tuple(own),
                parts=plain_parts(float(frame.floor_variance[at]), float(frame.wave_variance[at])),
            )
        )
    return made
