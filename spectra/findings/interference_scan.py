"""Search for what stands on a carrier's plateau: points, or short stretches, against their own neighbourhood.

A trace point is a scale family in power (`spectra.signal.detectors`): ``exp(ln(level) / scale)`` follows a gamma law of
known shape, so a stretch over the mean of its neighbourhood follows an F law, whatever the carrier's level. The
neighbourhood is taken from either side, beyond the filter's reach, and the greater side counts where the two differ, so
that the shoulder of a carrier is no candidate. No model of the carrier is needed, so none can hide what is in it.

References
----------
.. [1] Cell averaging and greatest-of detectors of radar practice (constant false-alarm rate; from memory).
.. [2] Sums of gamma variates and the F law of their ratio: Johnson, Kotz, Balakrishnan (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.findings.middle import median
from spectra.measure.measurement import Carrier, Measurement
from spectra.measure.statistics import assumed_average
from spectra.signal.detectors import PointLaw, peak_count_from_variance, point_law
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["Host", "Stretch", "find_hosts", "law_of", "scan_hosts"]

_ALIKE_DB = 2.0  # plateaus nearer than this that touch are searched as one: a signal between may have parted them
_HOST_OVER_FLOOR = 3.0  # dB that a plateau must stand over the floor to be a carrier worth searching
_LEAST_WIDTH_RBW = 10.0  # narrower hosts have no neighbourhood of their own
_REFERENCES_RBW = (16.0, 8.0, 5.0)
_TONES = 0.8  # share of the false alarms allowed that goes to widths of a tone; the rest to wider bumps
_APART = 2.0  # standard deviations from which on the two sides are not one level
_LEAST_REFERENCE_RBW = 2.5  # a shorter side tells less than it may mislead (common practice, no source)
_SHORTEST_PIECE = 8
_ROUNDING = 1e-9
_GUARD_RBW = 1.6  # a Gaussian filter is 31 dB down there (derived: 3.01 dB x (2 x 1.6)^2)
_LEAST_EXCESS_DB = 0.5  # flatness of real plateaus (common practice, no source)
_LEAST_BUMP_DB = 1.0
_WIDEST_SHARE = 0.15  # of a host's width: wider bumps cannot be told from the shape of a transponder
_WIDEST_BUMP_HZ = 2e6  # nor from ripple of the line (mismatches 70 m apart and less; derived, velocity factor 0.84)


@dataclass(frozen=True, slots=True)
class Host:
    """A plateau to be searched: the carriers (0-based) that make it, its 3 dB edges and the edges of its flat part."""

    carriers: tuple[int, ...]
    low_hz: float
    high_hz: float
    flat_low_hz: float
    flat_high_hz: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of trace above its neighbourhood.

    Attributes
    ----------
    first, last : int
        Points, `last` one past the end.
    ratio : float
        Mean of the stretch over that of the neighbourhood, as the detector's own power-like variate.
    reference_dbm : float
        Level of the neighbourhood as displayed.
    false_alarms : float
        How many as strong a sweep of clean carriers would show on average.
    host : Host
    """

    first: int
    last: int
    ratio: float
    reference_dbm: float
    false_alarms: float
    host: Host


def law_of(measurement: Measurement) -> PointLaw:
    """Return the law of the sweep's points as the measurement found it."""
    settings = measurement.sweep.settings
    average, peak_of, _ = assumed_average(settings)
    readings = max(measurement.readings_per_point or 1.0, 1.0)
    if average == "peak":
        residual = (measurement.sweep.level_dbm - measurement.model_dbm) / DB_PER_NEPER
        spread = 1.4826 * float(np.median(np.abs(residual - np.median(residual))))
        return point_law("peak", readings, max(peak_of, peak_count_from_variance(max(spread**2 * readings, 1e-6))))
    return point_law(average, readings)


def find_hosts(measurement: Measurement) -> tuple[Host, ...]:
    """Return the plateaus of the modulated carriers, those that touch at one level taken together."""
    sweep = measurement.sweep
    rbw = sweep.settings.rbw_hz or sweep.spacing_hz
    spans = [
        (index, *span)
        for index, carrier in enumerate(measurement.carriers)
        if (span := _edges(measurement, carrier)) is not None
    ]
    hosts: list[Host] = []
    group: list[tuple[int, float, float, float]] = []
    end = level = -math.inf
    spans.sort(key=lambda s: s[1])
    heights = _plateaus_dbm(measurement, [(low, high) for _, low, high, _ in spans])
    for (index, low, high, roll_off), here in zip(spans, heights, strict=True):
        touches = bool(group) and low - end < 3.0 * rbw
        alike = abs(here - level) < _ALIKE_DB
        if high - low < _LEAST_WIDTH_RBW * rbw:  # no host of its own, but it may bridge what it parted
            if touches:
                end = max(end, high)
                group += [(index, low, high, roll_off)] if alike else []
            continue
        if not (touches and alike):
            hosts += _host(group, rbw)
            group, end = [], high
            level = here
        group.append((index, low, high, roll_off))
        end = max(end, high)
    hosts += _host(group, rbw)
    heights = _plateaus_dbm(measurement, [(host.low_hz, host.high_hz) for host in hosts])
    middles = [0.5 * (host.low_hz + host.high_hz) for host in hosts]
    floor = np.interp(middles, sweep.frequency_hz, measurement.floor.level_dbm).tolist()
    told = zip(hosts, heights, floor, strict=True)
    return tuple(host for host, height, under in told if height > under + _HOST_OVER_FLOOR)


def _edges(measurement: Measurement, carrier: Carrier) -> tuple[float, float, float] | None:
    """Return the 3 dB edges of a modulated carrier and its roll-off (0.2 where not known)."""
    if carrier.kind != "modulated":
        return None
    roll_off = 0.2 if carrier.roll_off is None else carrier.roll_off
    rate = carrier.symbol_rate_bd
    if rate is None:
        if not carrier.occupied_bandwidth_hz:
            return (*_edges_of_model(measurement, carrier.centre_hz), roll_off)
        rate = carrier.occupied_bandwidth_hz / (1.0 + 0.36 * roll_off)
    return carrier.centre_hz - 0.5 * rate, carrier.centre_hz + 0.5 * rate, roll_off


def _edges_of_model(measurement: Measurement, centre_hz: float) -> tuple[float, float]:
    """Return where the model is 3 dB below its level at a place, or the span ends: a carrier so cut has no rate."""
    f, model = measurement.sweep.frequency_hz, measurement.model_dbm
    at = int(np.clip(np.searchsorted(f, centre_hz), 0, f.size - 1))
    low = np.flatnonzero(model[:at] < model[at] - 3.0)
    high = np.flatnonzero(model[at:] < model[at] - 3.0)
    return float(f[low[-1] + 1] if low.size else f[0]), float(f[at + high[0] - 1] if high.size else f[-1])


def _plateaus_dbm(measurement: Measurement, edges: list[tuple[float, float]]) -> list[float]:
    """Return the level that the middle of each plateau shows (median: what stands on it does not lift it)."""
    frequency, level = measurement.sweep.frequency_hz, measurement.sweep.level_dbm
    quarters = [(low + 0.25 * (high - low), high - 0.25 * (high - low)) for low, high in edges]
    found = []
    for a, b in np.searchsorted(frequency, quarters).tolist():
        first = min(a, frequency.size - 1)
        found.append(median(level[first : max(b, first + 1)]))
    return found


def _host(group: list[tuple[int, float, float, float]], rbw: float) -> list[Host]:
    if not group:
        return []
    low, high = min(g[1] for g in group), max(g[2] for g in group)
    if high - low < _LEAST_WIDTH_RBW * rbw:
        return []
    first, last = min(group, key=lambda g: g[1]), max(group, key=lambda g: g[2])
    flat_low = low + max(0.5 * first[3] * (first[2] - first[1]), rbw)
    flat_high = high - max(0.5 * last[3] * (last[2] - last[1]), rbw)
    if flat_high <= flat_low:
        return []
    return [Host(tuple(g[0] for g in group), low, high, flat_low, flat_high)]


def _correlation(measurement: Measurement) -> FloatArray:
    """Return the correlation of neighbours: the filter's shape, as strong as the measurement found it."""
    sweep = measurement.sweep
    rbw = sweep.settings.rbw_hz
    if rbw is None or measurement.correlated_points <= 1.02:
        return np.empty(0)
    sigma = rbw * SIGMA_PER_RBW / sweep.spacing_hz
    lag = np.arange(1, max(2, min(int(5.0 * sigma) + 2, 400)))
    shape = np.exp(-(lag**2) / (4.0 * sigma**2))
    strength = min(1.0, 0.5 * (measurement.correlated_points - 1.0) / max(float(shape.sum()), 1e-9))
    return np.asarray(strength * shape)


def _effective(longest: int, correlation: FloatArray) -> FloatArray:
    """Return the independent points that stretches of 0, 1, ... `longest` points hold."""
    count = np.arange(1, longest + 1, dtype=np.float64)[:, None]
    share = np.clip(1.0 - np.arange(1, correlation.size + 1) / count, 0.0, 1.0)
    points = count[:, 0] / np.maximum(1.0, 1.0 + 2.0 * (share @ correlation))
    return np.concatenate([np.zeros(1), points])


def scan_hosts(measurement: Measurement, false_alarms: float) -> tuple[Stretch, ...]:
    """Return the stretches that stand out of their host, best first, none overlapping another.

    Parameters
    ----------
    measurement : Measurement
    false_alarms : float
        Claims that a sweep full of clean carriers may show, on average.
    """
    hosts = find_hosts(measurement)
    if not hosts or measurement.readings_per_point is None:
        return ()
    law = law_of(measurement)
    sweep = measurement.sweep
    spacing = sweep.spacing_hz
    rbw_points = max(1.0, (sweep.settings.rbw_hz or spacing) / spacing)
    middle_dbm = median(sweep.level_dbm)
    y = (sweep.level_dbm - middle_dbm) / DB_PER_NEPER
    total = np.r_[0.0, np.cumsum(np.exp(np.clip(y / law.scale, -60.0, 60.0)))]
    widths = _widths(rbw_points, max(host.high_hz - host.low_hz for host in hosts) / spacing, spacing)
    longest = max(4, round(_REFERENCES_RBW[0] * rbw_points), *widths)
    readings = law.shape * _effective(longest, _correlation(measurement))
    owner = _owners(hosts, sweep.frequency_hz)
    bounds = _bounds(hosts, owner, sweep.frequency_hz)
    tests = _tests(widths, float((owner >= 0).sum()), rbw_points)
    quietest = _quietest(total, hosts, sweep.frequency_hz, rbw_points)
    found: list[Stretch] = []
    for width in widths:
        middle = np.flatnonzero(owner[width // 2 : sweep.points - width + 1 + width // 2] >= 0) + width // 2
        first = middle - width // 2
        if law.scale > 0.0:  # a look at what stands out by too little, whatever is around it, would be in vain
            mean = (total[first + width] - total[first]) / width
            may = mean > _least_ratio(readings[width], false_alarms / tests[width]) * quietest[owner[middle]]
            first, middle = first[may], middle[may]
        if not middle.size:
            continue
        tail, ratio, reference = _tails(total, first, width, rbw_points, law, readings, bounds[:, middle])
        excess = DB_PER_NEPER * law.scale * np.log(np.maximum(ratio, 1e-12))
        least = _LEAST_EXCESS_DB if _of_a_tone(width, rbw_points) else _LEAST_BUMP_DB
        hot = np.flatnonzero((tail * tests[width] < false_alarms) & (excess > least))
        for k in hot:
            host = hosts[int(owner[middle[k]])]
            if width > 2.0 * rbw_points + 1.0 and width * spacing > _WIDEST_SHARE * (host.high_hz - host.low_hz):
                continue
            shown = DB_PER_NEPER * law.scale * math.log(reference[k]) + middle_dbm
            start = int(first[k])
            found.append(Stretch(start, start + width, float(ratio[k]), shown, float(tail[k] * tests[width]), host))
    return _apart(found, math.ceil(_GUARD_RBW * rbw_points), sweep.points)


def _least_ratio(readings: float, chance: float) -> float:
    """Return a ratio that a stretch must exceed if so great a one is to have less than a chance, whatever is around it.

    The neighbourhood is a gamma variate, which lies under its mean in more than half of all cases, so that the F law's
    tail is more than half of the stretch's own (derived).
    """
    from scipy.special import gammainccinv

    return float(gammainccinv(readings, min(1.0, 2.0 * chance))) / readings


def _quietest(total: FloatArray, hosts: tuple[Host, ...], frequency_hz: FloatArray, rbw_points: float) -> FloatArray:
    """Return for each host a mean that no neighbourhood in its flat part falls short of.

    A neighbourhood can be cut into pieces of a few lengths, and the least mean of all such pieces is less than its own.
    """
    shortest = min(_least_reference(rbw_points), _SHORTEST_PIECE)
    edges = np.array([(host.flat_low_hz, host.flat_high_hz) for host in hosts])
    begin, end = np.searchsorted(frequency_hz, edges).T
    found = np.full(len(hosts), math.inf)
    for length in range(shortest, 2 * shortest):
        means = np.append((total[length:] - total[:-length]) / length, math.inf)
        places = np.stack((begin, np.maximum(end - length + 1, begin + 1)), axis=1).clip(0, means.size - 1)
        found = np.minimum(found, np.minimum.reduceat(means, places.ravel())[::2])
    return np.asarray(found * (1.0 - _ROUNDING))


def _least_reference(rbw_points: float) -> int:
    """Return how many points the shorter side of a neighbourhood must have to be one."""
    return max(4, math.ceil(_LEAST_REFERENCE_RBW * rbw_points))


def _widths(rbw_points: float, widest: float, spacing_hz: float) -> list[int]:
    """Return the lengths of the stretches: a tone's, then wider ones by half octaves."""
    most = min(_WIDEST_SHARE * widest, _WIDEST_BUMP_HZ / spacing_hz)
    widths = sorted({1, max(1, round(0.7 * rbw_points)), max(2, round(1.2 * rbw_points))})
    while widths[-1] * 1.5 < most:
        widths.append(math.ceil(widths[-1] * 1.5))
    return widths


def _of_a_tone(width: int, rbw_points: float) -> bool:
    return width <= 1.3 * rbw_points + 1.0


def _tests(widths: list[int], points: float, rbw_points: float) -> dict[int, float]:
    """Return by how many a tail counts for each width: stretches tried, those of tones and of bumps to their shares."""
    count = {width: points / max(1.0, 0.5 * width) for width in widths}
    tones = sum(n for width, n in count.items() if _of_a_tone(width, rbw_points))
    bumps = sum(count.values()) - tones
    if not bumps:
        return dict.fromkeys(widths, tones)
    return {w: tones / _TONES if _of_a_tone(w, rbw_points) else bumps / (1.0 - _TONES) for w in widths}


def _owners(hosts: tuple[Host, ...], frequency_hz: FloatArray) -> NDArray[np.intp]:
    """Return the host whose flat part holds each point, -1 for none."""
    owner = np.full(frequency_hz.size, -1, dtype=np.intp)
    for index, host in enumerate(hosts):
        owner[(frequency_hz >= host.flat_low_hz) & (frequency_hz <= host.flat_high_hz)] = index
    return owner


def _bounds(hosts: tuple[Host, ...], owner: NDArray[np.intp], frequency_hz: FloatArray) -> NDArray[np.intp]:
    """Return first point and end of the flat part of each point's host, shape (2, n)."""
    edges = np.array([(host.flat_low_hz, host.flat_high_hz) for host in hosts]).T
    return np.asarray(np.searchsorted(frequency_hz, edges), dtype=np.intp)[:, owner]


def _tails(
    total: FloatArray,
    first: NDArray[np.intp],
    width: int,
    rbw_points: float,
    law: PointLaw,
    readings: FloatArray,
    bounds: NDArray[np.intp],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return for the stretches of `width` points from `first` on: tail probability (1 where untested), ratio, base.

    `readings` are those that stretches of 0, 1, 2 ... points hold; `bounds` (2, m) the first point and the end of the
    flat part that holds each stretch.
    """
    from scipy.special import fdtr, fdtrc

    mean = (total[first + width] - total[first]) / width
    tail, ratio, reference = np.ones(first.size), np.ones(first.size), np.ones(first.size)
    guard = math.ceil(_GUARD_RBW * rbw_points)
    own = readings[width]
    room = np.stack([first - guard - bounds[0], bounds[1] - (first + width + guard)])
    left_open = np.flatnonzero(room.max(axis=0) > 0)
    for length_rbw in _REFERENCES_RBW:
        if not left_open.size:
            break
        most = max(4, round(length_rbw * rbw_points), width if length_rbw > 5.0 else 0)
        least = _least_reference(rbw_points)
        free = room[:, left_open]
        lengths = np.minimum(np.where(free >= least, free, 0), most)
        start = first[left_open]
        begin = np.stack((start - guard - lengths[0], start + (width + guard)))
        side, good = _side(total, begin, lengths, law, readings)
        value, freedom = _pooled(side, readings[lengths] * good, law)
        told = freedom > 0.0
        here = left_open[told]
        t = mean[here] / value[told]
        ratio[here], reference[here] = t, value[told]
        # the law's tail is only worth its cost where a stretch stands out at all
        out = (t > 1.0) if law.scale > 0.0 else (t < 1.0)
        chance = fdtrc if law.scale > 0.0 else fdtr
        tail[here[out]] = chance(2.0 * own, 2.0 * freedom[told][out], t[out])
        left_open = left_open[~told]
    return tail, ratio, reference


def _pooled(side: FloatArray, side_readings: FloatArray, law: PointLaw) -> tuple[FloatArray, FloatArray]:
    """Return mean and readings around each stretch: of both sides (2, n), or of the greater where they differ."""
    (left, right), (left_readings, right_readings) = side, side_readings
    about = left_readings + right_readings
    both = (left_readings > 0.0) & (right_readings > 0.0)
    least = np.maximum(np.minimum(left_readings, right_readings), 1e-9)
    spread = np.sqrt(about / (least * np.maximum(left_readings, right_readings).clip(1e-9)))  # of the logarithms' ratio
    apart = both & (np.abs(np.log(left / right)) > _APART * spread)
    upper = (left > right) == (law.scale > 0.0)
    pooled = (left_readings * left + right_readings * right) / np.maximum(about, 1e-9)
    value = np.where(apart, np.where(upper, left, right), pooled)
    return value, np.where(apart, np.where(upper, left_readings, right_readings), about)


def _side(
    total: FloatArray, first: NDArray[np.intp], length: NDArray[np.intp], law: PointLaw, readings: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the mean over windows of `length` from `first` on, and whether there is one and it is level.

    `readings` are those that windows of 0, 1, 2 ... points hold.
    """
    n = total.size - 1
    good = length > 0
    size = np.maximum(length, 2)
    a = np.maximum(np.minimum(first, np.maximum(n - size, 0)), 0)
    half = size // 2
    mean = (total[a + size] - total[a]) / size
    near, far = (total[a + half] - total[a]) / half, (total[a + size] - total[a + half]) / (size - half)
    about = np.maximum(readings[np.minimum(size, readings.size - 1)], 1e-9)
    tolerance = 3.5 * np.sqrt(4.0 / about) + 0.3 / DB_PER_NEPER / abs(law.scale)
    good = good & (np.abs(np.log(near / far)) < tolerance)
    return np.where(good, mean, 1.0), good


def _apart(found: list[Stretch], guard: int, points: int) -> tuple[Stretch, ...]:
    """Return the best of each cluster."""
    taken = np.zeros(points, dtype=bool)
    kept = []
    for one in sorted(found, key=lambda s: (s.false_alarms, s.last - s.first)):
        if not taken[one.first : one.last].any():
            taken[max(0, one.first - guard) : one.last + guard] = True
            kept.append(one)
    return tuple(kept)
