"""Ripple of floor and carriers from a pair of mismatches: period, distance, return loss, significance.

Two reflections at a distance L on a line of velocity factor v make the gain ripple with a period v c / (2 L) in
frequency; with reflection coefficients r1 and r2 the ripple is 20 log10((1 + r1 r2) / (1 - r1 r2)) peak to peak
(two-reflection formula; derived, cable loss between them counted in).

The search uses what floor and carriers have in common: the points of floor and plateaus, each plateau with a level of
its own, so that neither the carriers' heights nor their shapes can make a period.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from spectra.findings.interference_scan import law_of
from spectra.findings.line_rates import Grid, columns_of, gains_at
from spectra.findings.middle import median
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.units import DB_PER_NEPER, FloatArray, jsonable

if TYPE_CHECKING:
    from spectra.measure.measurement import Measurement

__all__ = [
    "COMMON_VELOCITY_FACTOR",
    "SPEED_OF_LIGHT",
    "Ripple",
    "distance_m",
    "find_ripples",
    "longest_line_m",
    "mismatch_product",
    "period_hz",
    "return_loss_pair_db",
    "ripple_peak_to_peak_db",
]

SPEED_OF_LIGHT = 299_792_458.0
COMMON_VELOCITY_FACTOR = 0.83
"""Foamed coaxial cable (common practice, no source); used where the chain tells none."""
_VELOCITY_SPREAD = 0.04 / math.sqrt(3.0)
_LEAST_PERIOD_RBW = 3.0
_LEAST_PERIOD_POINTS = 4.0
_LEAST_TURNS = 4.0  # of a ripple inside the span; slower ones cannot be told from tilt and filter edges
_FALSE_ALARM = 0.002  # of a sweep: well within one in 200
_LEAST_AMPLITUDE_DB = 0.05
_LEAST_SPREAD_DB = 0.01  # rounding of levels: a trace that repeats its levels is not free of noise
_MOST_RIPPLES = 3
_FLAT_DB = 0.5  # change of the model over two filter widths and two points: no skirt
_STANDS_DB = 3.0
_LEAST_PLATEAU = 5
_SMOOTH = 7
_TRUSTED_DB = 1.2  # where the model is further off over some points it has missed a carrier
_CLOSER = 4  # peaks that are looked at more closely, by height and by height over the rates around
_LEAST_RATES = 96  # that tell the noise around a rate: two dozen turns, four rates to each


def period_hz(length_m: float, velocity_factor: float) -> float:
    """Return the period of the ripple that two mismatches `length_m` apart make."""
    return velocity_factor * SPEED_OF_LIGHT / (2.0 * length_m)


def distance_m(period: float, velocity_factor: float) -> float:
    """Return the distance between two mismatches from the period (Hz) of their ripple."""
    return velocity_factor * SPEED_OF_LIGHT / (2.0 * period)


def ripple_peak_to_peak_db(product: float) -> float:
    """Return the ripple of two mismatches whose reflection coefficients multiply to `product` (0 to 1)."""
    return 20.0 * math.log10((1.0 + product) / (1.0 - product))


def mismatch_product(peak_to_peak_db: float) -> float:
    """Return the product of two reflection coefficients from the ripple they make."""
    x: float = 10.0 ** (peak_to_peak_db / 20.0)
    return (x - 1.0) / (x + 1.0)


def return_loss_pair_db(peak_to_peak_db: float, loss_between_db: float = 0.0) -> float:
    """Return the sum of two return losses in dB, the line's loss between them (one way) taken out."""
    product = max(mismatch_product(peak_to_peak_db), 1e-9)
    return -20.0 * math.log10(product) - 2.0 * loss_between_db


@dataclass(frozen=True, slots=True)
class Ripple:
    """One periodic ripple.

    Attributes
    ----------
    period_hz, period_std_hz : float
    peak_to_peak_db, peak_to_peak_std_db : float
        Before the RBW filter, which blurs fast ripples.
    length_m, length_std_m : float
        Distance between the mismatches; the velocity factor's uncertainty is in it.
    velocity_factor : float
    pair_return_loss_db : float
        Sum of the two return losses, loss between them not taken out.
    false_alarm_probability : float
    """

    period_hz: float
    period_std_hz: float
    peak_to_peak_db: float
    peak_to_peak_std_db: float
    length_m: float
    length_std_m: float
    velocity_factor: float
    pair_return_loss_db: float
    false_alarm_probability: float

    def to_dict(self) -> dict[str, Any]:
        """Return the ripple as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def longest_line_m(measurement: Measurement, velocity_factor: float = COMMON_VELOCITY_FACTOR) -> float:
    """Return the greatest distance between mismatches that a sweep can show: period of 3 RBW and 4 points."""
    sweep = measurement.sweep
    least = max(_LEAST_PERIOD_RBW * (sweep.settings.rbw_hz or 0.0), _LEAST_PERIOD_POINTS * sweep.spacing_hz)
    return distance_m(least, velocity_factor)


def find_ripples(
    measurement: Measurement,
    velocity_factor: float | None = None,
    *,
    false_alarm: float = _FALSE_ALARM,
    leave_out: NDArray[np.bool_] | None = None,
) -> tuple[Ripple, ...]:
    """Return the periodic ripples that a sweep shows, strongest first.

    Parameters
    ----------
    measurement : Measurement
    velocity_factor : float or None
        Of the cable; None: 0.83, rectangular by 0.04 either way.
    false_alarm : float
        Probability that a straight line shows any.
    leave_out : ndarray of bool, shape (n,), optional
        Points of the sweep that tell nothing of the line.
    """
    sweep = measurement.sweep
    if measurement.readings_per_point is None or sweep.settings.trace_mode in ("max_hold", "min_hold"):
        return ()
    used, plateau = _plateaus(measurement)
    if leave_out is not None:
        used = used & ~leave_out
    if used.sum() < 32:
        return ()
    f = sweep.frequency_hz[used]
    runs = _Runs.of(plateau[used])
    y = _bounded(sweep.level_dbm[used], runs)
    step = np.diff(sweep.level_dbm)
    least_variance = 0.25 * (median(np.abs(step)) / 0.6745) ** 2 * measurement.correlated_points
    least_variance = max(least_variance, _LEAST_SPREAD_DB**2)
    span = sweep.stop_hz - sweep.start_hz
    least = max(_LEAST_PERIOD_RBW * (sweep.settings.rbw_hz or 0.0), _LEAST_PERIOD_POINTS * sweep.spacing_hz)
    # rates of a discrete Fourier transform at least four times as long as the sweep, of a length that is quickly worked
    # out: a quarter of a turn apart at most
    size = next_fast_len(4 * sweep.points, real=True)
    number = np.arange(math.ceil(_LEAST_TURNS / span * size * sweep.spacing_hz), size * sweep.spacing_hz / least)
    cycles: FloatArray = number / (size * sweep.spacing_hz)
    if cycles.size < 2:
        return ()
    even = float(np.ptp(np.diff(sweep.frequency_hz))) < 1e-3 * sweep.spacing_hz
    known = _nuisance(f, runs)
    grid = Grid.of(np.flatnonzero(used), number.astype(np.intp), size, known) if even else None
    found: list[Ripple] = []
    taken: list[float] = []
    for _ in range(_MOST_RIPPLES):
        one = _strongest(f, y, known, cycles, grid, least_variance, taken, false_alarm, velocity_factor)
        if one is None:
            break
        ripple, columns = one
        found.append(_before_filter(ripple, sweep.settings.rbw_hz or 0.0))
        taken.append(1.0 / ripple.period_hz)
        more = _orthonormal(columns - known @ (known.T @ columns))
        known = np.column_stack([known, more])
        grid = None if grid is None else grid.with_more(more)
    return tuple(found)


def _before_filter(ripple: Ripple, rbw_hz: float) -> Ripple:
    """Return a ripple as it was before the RBW blurred it: a Gaussian filter passes exp(-2 (pi sigma / period)^2)."""
    passed = math.exp(-2.0 * (math.pi * SIGMA_PER_RBW * rbw_hz / ripple.period_hz) ** 2)
    peak_to_peak = ripple.peak_to_peak_db / passed
    return replace(
        ripple,
        peak_to_peak_db=peak_to_peak,
        peak_to_peak_std_db=ripple.peak_to_peak_std_db / passed,
        pair_return_loss_db=return_loss_pair_db(peak_to_peak),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """The points plateau by plateau: where in the `order` each begins and how many it has; which are those of floor."""

    order: NDArray[np.intp]
    first: NDArray[np.intp]
    size: NDArray[np.intp]
    floor: NDArray[np.intp]

    @classmethod
    def of(cls, plateau: NDArray[np.intp]) -> _Runs:
        """Return the runs of labels, of which 0 is floor."""
        order = np.argsort(plateau, kind="stable")
        first = np.r_[0, np.flatnonzero(np.diff(plateau[order])) + 1]
        size = np.diff(first, append=order.size)
        return cls(order, first, size, order[: size[0] if plateau[order[0]] == 0 else 0])


def _bounded(level_dbm: FloatArray, runs: _Runs) -> FloatArray:
    """Return levels with lone points pulled in to 4 spreads of their plateau: a tone is no ripple."""
    order, first, size = runs.order, runs.first, runs.size
    which = np.repeat(np.arange(size.size), size)
    level = level_dbm[order]
    place = np.arange(level.size) - (first + 0.5 * (size - 1))[which]
    slope = np.add.reduceat(place * level, first) / np.maximum(np.add.reduceat(place * place, first), 1.0)
    line = (np.add.reduceat(level, first) / size)[which] + np.where(size > 3, slope, 0.0)[which] * place
    rest = level - line
    middle = _medians(rest, first, size)[which]
    reach = 4.0 * (1.4826 * _medians(np.abs(rest - middle), first, size) + 1e-6)[which]
    y = np.empty(level.size)
    y[order] = line + np.clip(rest, middle - reach, middle + reach)
    return y


def _medians(values: FloatArray, first: NDArray[np.intp], size: NDArray[np.intp]) -> FloatArray:
    """Return the median of each run of values, that begins at `first` and has `size` of them."""
    ordered = values.copy()
    for run in np.split(ordered, first[1:]):
        run.sort()
    return np.asarray(0.5 * (ordered[first + (size - 1) // 2] + ordered[first + size // 2]))


def _plateaus(measurement: Measurement) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Return the points on flat parts of the model, and the label of the flat part of each (0: floor)."""
    sweep, model = measurement.sweep, measurement.model_dbm
    n = sweep.points
    reach = max(1, round((sweep.settings.rbw_hz or sweep.spacing_hz) / sweep.spacing_hz))
    over = model - measurement.floor.level_dbm - DB_PER_NEPER * law_of(measurement).mean
    # a floor that follows the ripple is steep twice a turn: left out there, its points would fit three times the rate
    flat = np.minimum(_change(model, reach + 1), _change(over, reach + 1)) < _FLAT_DB
    rest = sweep.level_dbm - model
    smooth = np.convolve(np.clip(rest, -10.0, 10.0), np.full(_SMOOTH, 1.0 / _SMOOTH), mode="same")
    spread = 1.4826 * median(np.abs(rest)) / math.sqrt(_SMOOTH)
    trusted = np.abs(smooth) < _TRUSTED_DB + 2.5 * spread
    gap = flat & (over < _FLAT_DB) & measurement.floor.observed
    top = flat & (over > _STANDS_DB)
    ends = np.flatnonzero(np.diff(top, prepend=False, append=False)).tolist()
    label = np.zeros(n, dtype=np.intp)
    number = 0
    for a, b in zip(ends[::2], ends[1::2], strict=True):
        if b - a >= _LEAST_PLATEAU:
            number += 1
            label[a:b] = number
    return (gap | (label > 0)) & trusted, label


def _change(level: FloatArray, reach: int) -> FloatArray:
    """Return by how much a level differs between `reach` points before and after each point."""
    index = np.arange(level.size)
    before, after = np.maximum(index - reach, 0), np.minimum(index + reach, level.size - 1)
    return np.asarray(np.abs(level[after] - level[before]))


def _nuisance(f: FloatArray, runs: _Runs) -> FloatArray:
    """Return what may vary freely: the level of each plateau, a cubic of floor and of all; orthonormal columns."""
    # no two plateaus, and no plateau and floor, have a point in common
    order, size, floor = runs.order, runs.size, runs.floor
    bent = np.empty((0, 0))
    if floor.size > 1:
        powers = _powers(f[floor])
        bent = _orthonormal(powers - powers.mean(axis=0))
    apart = np.zeros((f.size, size.size + bent.shape[1]))
    apart[order, np.repeat(np.arange(size.size), size)] = np.repeat(1.0 / np.sqrt(size), size)
    if bent.size:
        apart[floor, size.size :] = bent
    common = _powers(f)
    common /= np.linalg.norm(common, axis=0)
    for _ in range(2):  # once more for what rounding left
        common -= apart @ (apart.T @ common)
    left, values, _ = np.linalg.svd(common, full_matrices=False)
    return np.hstack((apart, left[:, values > 1e-6]))


def _powers(f: FloatArray) -> FloatArray:
    """Return first, second and third power of the place about its mean, in units of the range, shape (n, 3)."""
    x = (f - f.mean()) / max(float(np.ptp(f)), 1.0)
    return np.stack((x, x * x, x * x * x), axis=1)


def _orthonormal(matrix: FloatArray) -> FloatArray:
    size = np.linalg.norm(matrix, axis=0)
    left, values, _ = np.linalg.svd(matrix / np.where(size > 0.0, size, 1.0), full_matrices=False)
    return np.asarray(left[:, values > 1e-6 * values[0]])


def _clipped(rest: FloatArray) -> FloatArray:
    """Return residuals pulled in to 4 spreads: what a model of carriers missed is no ripple."""
    spread = 1.4826 * median(np.abs(rest - median(rest))) + 1e-9
    return np.clip(rest, -4.0 * spread, 4.0 * spread)


def _around(gain: FloatArray, cycles: FloatArray) -> FloatArray:
    """Return the median over the rates within a factor of 1.5 (and at least 24 of them): the noise of each rate."""
    low = np.searchsorted(cycles, cycles / 1.5)
    high = np.searchsorted(cycles, cycles * 1.5)
    index = np.arange(cycles.size)
    low = np.maximum(np.minimum(low, index - 12), 0)
    high = np.minimum(np.maximum(high, index + 12), cycles.size)
    place = index[:: max(1, cycles.size // 32)]
    return np.interp(index, place, [median(gain[low[k] : high[k]]) for k in place])


def _candidates(gain: FloatArray, cycles: FloatArray, least_gain: float) -> list[int]:
    """Return the peaks worth a closer look: the highest, and those highest over the rates around them."""
    high = np.flatnonzero(gain > least_gain)
    before, after = gain[np.maximum(high - 1, 0)], gain[np.minimum(high + 1, gain.size - 1)]
    peaks = high[(gain[high] >= before) & (gain[high] >= after)]
    if peaks.size <= _CLOSER:  # all are among the highest
        return [int(k) for k in peaks]
    over = gain[peaks] / np.maximum(_around(gain, cycles)[peaks], 1e-12)
    first = [*peaks[np.argsort(-gain[peaks])[:_CLOSER]], *peaks[np.argsort(-over)[:_CLOSER]]]
    return sorted({int(k) for k in first})


def _noise_around(gain: FloatArray, cycles: FloatArray, place: int, span: float) -> tuple[float, float]:
    """Return the variance that the rates around one show, and how many independent ones tell it.

    `gain` is that of what is left when the ripple in question has been taken out; rates that it may have taken with it
    count as nothing. Half of a chi-square of 2 is exponential: its median is ln 2 of its mean, and as good as the mean
    of 0.48 times as many (derived).
    """
    far = np.flatnonzero((np.abs(cycles - cycles[place]) > 1.0 / span) & (gain > 0.0))
    ratio = np.abs(np.log(cycles[far] / cycles[place]))
    near = np.sort(ratio)[:_LEAST_RATES]
    use = far[ratio <= max(math.log(1.5), float(near[-1]) if near.size else 0.0)]
    if not use.size:
        return math.inf, 1.0
    step = float(cycles[1] - cycles[0]) * span
    return median(gain[use]) / (2.0 * math.log(2.0)), max(0.48 * use.size * min(step, 1.0), 1.0)


def _refined(f: FloatArray, rest: FloatArray, known: FloatArray, rate: float, reach: float) -> float:
    """Return the rate of the largest gain within a reach: the vertex of the parabola through the best of a row."""
    fine: FloatArray = np.linspace(max(rate - reach, 0.01 * rate), rate + reach, 31)
    gain = gains_at(f, rest, known, fine)[0]
    k = int(np.clip(np.argmax(gain), 1, fine.size - 2))
    before, here, after = gain[k - 1 : k + 2]
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return float(fine[k] + np.clip(shift, -1.0, 1.0) * (fine[1] - fine[0]))


def _strongest(
    f: FloatArray,
    y: FloatArray,
    known: FloatArray,
    cycles: FloatArray,
    grid: Grid | None,
    least_variance: float,
    taken: list[float],
    false_alarm: float,
    velocity_factor: float | None,
) -> tuple[Ripple, FloatArray] | None:
    """Return the strongest ripple and its two columns, None where chance could make it."""
    rest = _clipped(y - known @ (known.T @ y))
    span = float(np.ptp(f))
    tests = max(1.0, span * float(cycles[-1] - cycles[0]) * 2.0)

    line = None if grid is None else grid.lines((rest - known @ (known.T @ rest))[:, None])[0]
    gain = gains_at(f, rest, known, cycles)[0] if grid is None or line is None else grid.gains(line)

    for other in taken:
        gain[np.abs(cycles - other) < 1.0 / span] = 0.0
    best, probability, noise = 0, 1.0, least_variance
    worth = _candidates(gain, cycles, 2.0 * least_variance * math.log(tests / false_alarm))
    for k in sorted(worth, key=lambda place: -gain[place]):
        alone = math.exp(-0.5 * min(gain[k] / least_variance, 1400.0))
        if tests * alone >= probability:
            break  # neither this one nor those below it can be likelier than the best, whatever is around them
        # what carriers leave behind lies at low rates: each rate is held against the rates around it as well
        if grid is None or line is None:
            own = columns_of(f, float(cycles[k]))
            left = gains_at(f, rest, np.column_stack([known, _orthonormal(own - known @ (known.T @ own))]), cycles)[0]
        else:
            left = grid.gains_without(line, k)
        around, freedom = _noise_around(left, cycles, k, span)
        chance = max(
            alone,
            (1.0 + 0.5 * gain[k] / max(around * freedom, 1e-30)) ** -freedom,  # F law of 2 and twice as many (derived)
        )
        if tests * chance < probability:
            best, probability, noise = k, tests * chance, max(least_variance, around)
    if probability > false_alarm:
        return None
    rate = _refined(f, rest, known, float(cycles[best]), 0.3 / span)
    _, a, b = gains_at(f, rest, known, np.array([rate]))
    amplitude = math.hypot(a[0], b[0])
    if amplitude < _LEAST_AMPLITUDE_DB:
        return None
    count = float(f.size)
    amplitude_std = math.sqrt(2.0 * noise / count)
    # Cramer-Rao bound of a sinusoid's rate: 24 noise / (amplitude^2 (2 pi)^2 N span^2) (textbook, from memory)
    rate_std = math.sqrt(24.0 * noise / (amplitude**2 * count)) / (2.0 * math.pi * span)
    factor = COMMON_VELOCITY_FACTOR if velocity_factor is None else velocity_factor
    length = 0.5 * factor * SPEED_OF_LIGHT * rate
    relative = math.hypot(rate_std / rate, (_VELOCITY_SPREAD if velocity_factor is None else 0.01) / factor)
    ripple = Ripple(
        1.0 / rate,
        rate_std / rate**2,
        2.0 * amplitude,
        2.0 * amplitude_std,
        length,
        length * relative,
        factor,
        return_loss_pair_db(2.0 * amplitude),
        probability,
    )
    return ripple, columns_of(f, rate)
