"""Sets of captures: follow interferers through them, and tell which way each comes in, when, and aboard whom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from spectra.findings.axis import sweep_at_if
from spectra.findings.emissions import Emission, Emissions, Look, Sighting, track
from spectra.findings.interference_causes import Unlisted, explain_unlisted
from spectra.findings.interference_guests import Guest, unlisted_guests
from spectra.units import FloatArray, counted, format_value, jsonable

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = [
    "CHANCE",
    "Entry",
    "Occurrence",
    "Way",
    "duration_words",
    "entry_of",
    "follow",
    "has_a_place",
    "hours_words",
    "interference_facts",
    "occurrence",
    "rhythm",
]

CHANCE = 0.01
"""Probability of chance up to which a rhythm, a time of day or a heading is told."""
Way = Literal["cable", "antenna", "cannot_tell"]
_TOLD = ("confirmed", "probable", "no carriers")  # verdicts that tell the own carrier's level, or that it is gone
_UNKNOWN_OFFSET_HZ = 300e3  # standard uncertainty of an IF offset that no identification tells (common practice)


def follow(
    captures: Sequence[Capture],
    *,
    measurements: Sequence[Sequence[Measurement]] | None = None,
    identifications: Sequence[Identification | None] | None = None,
    table: CarrierTable | None = None,
    chain: ReceiveChain | None = None,
) -> Emissions:
    """Follow every interferer through captures, of one visit or many.

    Parameters
    ----------
    captures : sequence of Capture
        Whose sweeps are one setting each (one LO state, one port).
    measurements, identifications : optional
        Of each capture, where they have been made; else they are made here (identified only with table and chain).
    table, chain : optional
        Without them every carrier is followed, and only its IF is known.

    Returns
    -------
    Emissions
        One entry an interferer: unlisted carriers, and what stands under listed ones.
    """
    from spectra.measure import measure

    looks: list[Look] = []
    sightings: list[Sighting] = []
    for number, capture in enumerate(captures):
        measured = (
            measurements[number]
            if measurements is not None
            else [measure(sweep_at_if(sweep, chain, capture.context.lo_state)) for sweep in capture.sweeps]
        )
        told = None if identifications is None else identifications[number]
        found = _identified(capture, measured, table, chain) if identifications is None else told
        for one in measured:
            look, here = sightings_of(len(looks), capture, one, found, table, chain)
            looks.append(look)
            sightings += here
    return track(looks, sightings)


def interference_facts(
    kind: str,
    captures: Sequence[Capture],
    measurements: Sequence[Sequence[Measurement]],
    table: CarrierTable | None,
    chain: ReceiveChain | None,
) -> dict[str, Any]:
    """Return what a comparison adds for rules on many captures: log of interferers, own carrier's levels, baseline.

    Without table and chain there is no log: every listed carrier would be in it.
    """
    facts: dict[str, Any] = {}
    if kind == "before_after" and len(captures) == 2 and all(len(each) == 1 for each in measurements):
        facts |= {"baseline": measurements[0][0], "measurement": measurements[1][0]}
        if table is not None and chain is not None:
            facts["sun"] = _sun_of(captures[1], measurements[1][0], table, chain)
    if kind in ("lo_state", "repeat") and table is not None and chain is not None:
        from spectra.findings.service_levels import service_levels

        found = [_identified(c, each, table, chain) for c, each in zip(captures, measurements, strict=True)]
        facts["emissions"] = follow(
            captures, measurements=measurements, identifications=found, table=table, chain=chain
        )
        told = [one if one is not None and one.verdict in _TOLD else None for one in found]
        facts["service_levels"] = service_levels(captures, told, table) or None
    return facts


def _sun_of(capture: Capture, measurement: Measurement, table: CarrierTable, chain: ReceiveChain) -> Any:
    """Return the sun beside the satellite that the capture's context expects."""
    from spectra.findings.facts import sun_of

    context = capture.context
    return sun_of(measurement.sweep, context, table, chain, context.lo_state, context.expected_satellite)


def _identified(
    capture: Capture, measured: Sequence[Measurement], table: CarrierTable | None, chain: ReceiveChain | None
) -> Identification | None:
    if table is None or chain is None or not measured or capture.context.role not in (None, "normal", "baseline"):
        return None
    from spectra.identify import identify

    if len(measured) == 1:
        return identify(measured[0], table, chain, context=capture.context)
    return identify(list(measured), table, chain, context=[capture.context] * len(measured))


def sightings_of(
    number: int,
    capture: Capture,
    measurement: Measurement,
    identification: Identification | None,
    table: CarrierTable | None,
    chain: ReceiveChain | None,
) -> tuple[Look, list[Sighting]]:
    """Return one sweep as a look, and the interferers seen in it."""
    context, sweep = capture.context, measurement.sweep
    state = _state(context.lo_state, identification, chain)
    look = Look(
        sweep.origin.file,
        sweep.start_hz,
        sweep.stop_hz,
        context.captured_at or sweep.origin.captured_at,
        None if state is None else state.lo_hz,
        1.0 if state is None else state.sign,
        context.vessel,
        context.port,
        context.heading_deg,
        context.role != "off_satellite",
    )
    offset, std = 0.0, _UNKNOWN_OFFSET_HZ
    if identification is not None and identification.best.if_offset_hz is not None:
        offset, std = identification.best.if_offset_hz, identification.best.if_offset_std_hz or 1e3

    def place(if_hz: float, if_std: float) -> tuple[float | None, float | None]:
        if state is None:
            return None, None
        return float(state.rf_from_if(if_hz - offset)), math.hypot(if_std, std)

    guests = unlisted_guests(measurement, identification)
    rows = (
        {} if identification is None else {e.carrier: e.row for e in identification.roll_call if e.carrier is not None}
    )
    alone = identification is not None and len(identification.sweep_files) <= 1  # else indices are of several sweeps
    rbw = sweep.settings.rbw_hz or sweep.spacing_hz
    listed = [
        _of_guest(number, guest, measurement.carriers[guest.carrier], place, rows.get(guest.carrier) if alone else None)
        for guest in guests
    ]
    listed += [
        _of_unlisted(number, one, place)
        for one in explain_unlisted(measurement, identification, table, chain)
        if all(abs(one.carrier.centre_hz - guest.centre_hz) > 1.5 * rbw for guest in guests)
        and has_a_place(one.carrier.centre_std_hz, one.carrier.width_hz, rbw)
    ]
    return look, [replace(one, resolution_hz=rbw) for one in listed]


def has_a_place(centre_std_hz: float | None, width_hz: float, rbw_hz: float) -> bool:
    """Say whether a sweep shows where a carrier stands; one that the end of the span cuts is of no use in a log."""
    return centre_std_hz is not None and centre_std_hz < max(2.0 * rbw_hz, 0.5 * width_hz)


def _state(commanded: str | None, identification: Identification | None, chain: ReceiveChain | None) -> LoState | None:
    name = commanded
    if identification is not None and identification.best.lo_state is not None:
        name = identification.best.lo_state
    if chain is None or name is None:
        return None
    return next((state for state in chain.lo_states if state.name == name), None)


def _of_guest(number: int, guest: Guest, host: Carrier, place: Any, row: int | None) -> Sighting:
    rf, rf_std = place(guest.centre_hz, guest.centre_std_hz)
    kind = "cw" if guest.width_hz is None else "other"
    return Sighting(
        number,
        guest.centre_hz,
        guest.centre_std_hz,
        rf,
        rf_std,
        guest.width_hz or 0.0,
        guest.power_dbm,
        kind,
        None,
        guest.c_over_i_db,
        guest.loss_db,
        row,
        place(host.centre_hz, host.centre_std_hz or 0.0)[0],
        host.power_dbm,
    )


def _of_unlisted(number: int, one: Unlisted, place: Any) -> Sighting:
    carrier = one.carrier
    std = carrier.centre_std_hz or 1e3
    rf, rf_std = place(carrier.centre_hz, std)
    cause = one.cause.name
    return Sighting(number, carrier.centre_hz, std, rf, rf_std, carrier.width_hz, carrier.power_dbm, one.shape, cause)


@dataclass(frozen=True, slots=True)
class Entry:
    """Which way an emission comes in; `log10_odds` of that way against the other."""

    way: Way
    log10_odds: float
    why: str

    def to_dict(self) -> dict[str, Any]:
        """Return the entry as plain values."""
        value: dict[str, Any] = jsonable({"way": self.way, "log10_odds": self.log10_odds, "why": self.why})
        return value


def entry_of(emission: Emission, log: Emissions) -> Entry:
    """Return which way an emission comes in, from the LO states in which it was looked for.

    What keeps its IF when the LO changes came in by the cable; what keeps its RF, through the antenna. Where it was
    seen in one LO state only, its absence at that IF in the other counts, as far as it was steady.
    """
    los = {log.looks[s.look].lo_hz for s in emission.sightings} - {None}
    others = {look.lo_hz for look in log.looks} - {None} - los
    if len(los) > 1 or (emission.frame != "either" and not others):
        odds = 0.5 * abs(_departures(emission, "if") - _departures(emission, "rf")) / math.log(10.0)
        odds = min(odds, 12.0)
        if emission.frame == "if":
            return Entry("cable", odds, f"It kept its IF in {counted(len(los), 'LO state')} while the LO moved.")
        if emission.frame == "rf":
            return Entry("antenna", odds, f"It kept its RF in {counted(len(los), 'LO state')} while the LO moved.")
        return Entry("cannot_tell", odds, "IF and RF fit alike.")
    if len(los) == 1 and others:
        return _by_absence(emission, log, next(iter(los)))
    return Entry("cannot_tell", 0.0, "It was looked for in one LO state only.")


def _departures(emission: Emission, frame: str) -> float:
    """Return the sum of squared departures of the sightings from their mean, in one frame."""
    rows = [
        (s.if_hz, s.if_std_hz) if frame == "if" else (s.rf_hz, s.rf_std_hz or 0.0)
        for s in emission.sightings
        if frame == "if" or s.rf_hz is not None
    ]
    if len(rows) < 2:
        return 0.0
    place = np.array([row[0] for row in rows], dtype=np.float64)
    weight = 1.0 / (np.array([row[1] for row in rows]) ** 2 + (500.0 + 0.003 * emission.width_hz) ** 2)
    return float(weight @ (place - (weight @ place) / weight.sum()) ** 2)


def _by_absence(emission: Emission, log: Emissions, lo_hz: float | None) -> Entry:
    seen_looks = {s.look for s in emission.sightings}
    same = [k for k, look in enumerate(log.looks) if look.lo_hz == lo_hz and _holds(look, emission.if_hz)]
    missed_same = len(set(same) - seen_looks)
    steady = (len(seen_looks & set(same)) + 1.0) / (len(same) + 2.0)  # rule of succession
    rf = next((s.rf_hz for s in emission.sightings if s.rf_hz is not None), None)
    at_if = at_rf = 0
    for look in log.looks:
        if look.lo_hz in (None, lo_hz):
            continue
        at_if += _holds(look, emission.if_hz)
        nominal = None if rf is None else look.if_of(rf)
        at_rf += nominal is not None and _holds(look, nominal)
    missed = -math.log10(max(1.0 - steady, 1e-9))
    if missed_same == 0:
        missed = max(missed, 1.0)
    odds = (at_if - at_rf) * missed
    if at_if and not at_rf and odds >= 1.0 and missed_same == 0:
        why = "It left its IF when the LO state changed; its RF lies outside there. It may also have been off."
        return Entry("antenna", odds, why)
    if at_rf and not at_if and missed_same == 0:
        return Entry(
            "cable", -odds, "Its RF was in view in the other LO state and showed nothing. It may also have been off."
        )
    return Entry("cannot_tell", abs(odds), "It was seen in one LO state only, and may have been off in the other.")


def _holds(look: Look, if_hz: float) -> bool:
    return look.start_hz < if_hz < look.stop_hz


@dataclass(frozen=True, slots=True)
class Occurrence:
    """When an emission is there.

    Attributes
    ----------
    seen, looked : int
    duty, duty_low, duty_high : float
        Share, and its 95 % interval (Clopper and Pearson).
    period_s : float or None
    period_chance : float or None
        Probability that chance makes any period as clear.
    daily_chance, heading_chance : float or None
        The same for the time of day, and for the heading.
    period_std_s : float or None
        Standard uncertainty of the period.
    hours, headings_deg : (float, float) or None
        The least stretch of the day (hours UTC) and the least sector of headings, clockwise, that hold all sightings.
    """

    seen: int
    looked: int
    duty: float
    duty_low: float
    duty_high: float
    period_s: float | None = None
    period_chance: float | None = None
    daily_chance: float | None = None
    heading_chance: float | None = None
    period_std_s: float | None = None
    hours: tuple[float, float] | None = None
    headings_deg: tuple[float, float] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the occurrence as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def occurrence(emission: Emission, log: Emissions) -> Occurrence:
    """Return how often an emission was there, and whether that goes with a period, the time of day or the heading.

    Captures of vessels that never saw it do not count: there it is not off, it is elsewhere.
    """
    from scipy.special import betaincinv

    seen = {s.look for s in emission.sightings}
    mine = {None, *emission.vessels}
    looked = [i for i in emission.looks if i in seen or not emission.vessels or log.looks[i].vessel in mine]
    k, n = len(seen), len(looked)
    low = float(betaincinv(k, n - k + 1, 0.025)) if k else 0.0
    high = float(betaincinv(k + 1, n - k, 0.975)) if k < n else 1.0
    timed = [(t.timestamp(), i in seen) for i in looked if (t := log.looks[i].captured_at) is not None]
    turned = [(h, i in seen) for i in looked if (h := log.looks[i].heading_deg) is not None]
    period = period_chance = period_std = daily = heading = hours = headings = None
    if len(timed) >= 12:
        times = np.array([t for t, _ in timed])
        there = np.array([p for _, p in timed])
        period, period_chance = rhythm(times, there)
        period_std = None if period is None else _period_std_s(period, times, there)
        daily = _turn_chance(2.0 * math.pi * times / 86400.0, there)
        hours = _arc(times[there] / 86400.0, 24.0)
    if len(turned) >= 12:
        angles = np.radians(np.array([h for h, _ in turned]))
        on = np.array([p for _, p in turned])
        heading = _turn_chance(angles, on)
        headings = _arc(angles[on] / (2.0 * math.pi), 360.0)
    duty = k / max(n, 1)
    return Occurrence(k, n, duty, low, high, period, period_chance, daily, heading, period_std, hours, headings)


def _arc(turns: FloatArray, whole: float) -> tuple[float, float] | None:
    """Return the least arc (start, stop; of `whole` a turn) that holds all places, None without any."""
    if not turns.size:
        return None
    place = np.sort(turns % 1.0)
    gap = np.diff(np.r_[place, place[0] + 1.0])
    last = int(np.argmax(gap))
    return whole * float(place[(last + 1) % place.size]), whole * float(place[last])


def _period_std_s(period_s: float, times_s: FloatArray, there: Any) -> float:
    """Return the standard uncertainty of a period: sqrt(24 v / (a^2 (2 pi)^2 n T^2)) of its rate, a the amplitude.

    The bound of a sinusoid's rate (textbook, from memory); that of presence is twice its mean at most.
    """
    mean = float(there.mean())
    amplitude = max(min(2.0 * mean, 2.0 * (1.0 - mean)), 1e-3)
    span = float(np.ptp(times_s))
    rate_std = math.sqrt(24.0 * mean * (1.0 - mean) / (amplitude**2 * times_s.size)) / (2.0 * math.pi * span)
    return float(period_s**2 * rate_std)


def duration_words(seconds: float, std: float | None) -> str:
    """Return a time in minutes, hours or days, whichever reads best."""
    if seconds < 7200.0:
        return format_value(seconds, std, "minutes", 60.0)
    return format_value(seconds, std, *(("hours", 3600.0) if seconds < 172800.0 else ("days", 86400.0)))


def hours_words(hours: tuple[float, float]) -> str:
    """Return a stretch of the day, such as ``22:15 to 01:30 UTC``."""
    minutes = [round(60.0 * hour) % 1440 for hour in hours]
    return " to ".join(f"{minute // 60:02d}:{minute % 60:02d}" for minute in minutes) + " UTC"


def _turn_score(angle: FloatArray, there: Any) -> FloatArray:
    """Return the score (chi-square of 2) of presence against cosine and sine of angles, shape (..., n)."""
    rest = there.astype(np.float64) - there.mean()
    spread = float(there.mean() * (1.0 - there.mean()))
    c, s = np.cos(angle), np.sin(angle)
    c = c - c.mean(axis=-1, keepdims=True)
    s = s - s.mean(axis=-1, keepdims=True)
    cc, ss, cs = (c * c).sum(-1), (s * s).sum(-1), (c * s).sum(-1)
    yc, ys = c @ rest, s @ rest
    det = cc * ss - cs * cs
    good = det > 1e-6 * np.maximum(cc * ss, 1e-12)
    value = np.where(good, (ss * yc**2 - 2.0 * cs * yc * ys + cc * ys**2) / np.where(good, det, 1.0), 0.0)
    return np.asarray(value / max(spread, 1e-9))


def _turn_chance(angle: FloatArray, there: Any) -> float | None:
    if there.all() or not there.any():
        return None
    return math.exp(-0.5 * min(float(_turn_score(angle, there)), 1400.0))


def rhythm(times_s: FloatArray, there: Any) -> tuple[float | None, float | None]:
    """Return the period that presence goes with best, and the chance of one as clear; None where it never changes.

    A score test of presence against cosine and sine of each period from two typical gaps to half the time looked
    (Lomb-Scargle for yes and no; derived); the chance counts the periods tried.
    """
    if there.all() or not there.any():
        return None, None
    span = float(np.ptp(times_s))
    gap = float(np.median(np.diff(np.sort(times_s))))
    if span <= 0.0 or gap <= 0.0 or span / gap < 8.0:
        return None, None
    rates, score = _scores(times_s - times_s.min(), there, span, gap)
    if rates.size == 0:
        return None, None
    best = int(np.argmax(score))
    exact = float(_turn_score(2.0 * math.pi * rates[best] * (times_s - times_s.min()), there))
    tests = max(1.0, 0.4 * rates.size)
    chance = min(1.0, tests * math.exp(-0.5 * min(exact, 1400.0)))
    return (1.0 / float(rates[best]), chance) if chance < 0.01 else (None, chance)


_PARTS = 8
_MOST_PLACES = 500_000


def _scores(times_s: FloatArray, there: Any, span: float, gap: float) -> tuple[FloatArray, FloatArray]:
    """Return rates and the score of each, by Fourier transforms of the times on a grid of an eighth of the gap.

    The sums over cosines and sines of `_turn_score` are then values of two transforms, those over their products
    values of one of them at twice the rate: years of captures cost no more than a few transforms.
    """
    from scipy.fft import next_fast_len, rfft

    grid = max(gap / _PARTS, span / _MOST_PLACES)
    place = np.rint(times_s / grid).astype(np.intp)
    size = int(next_fast_len(5 * (int(place.max()) + 1), real=True))
    rest = there.astype(np.float64) - there.mean()
    ones = rfft(np.bincount(place, minlength=size).astype(np.float64))
    told = rfft(np.bincount(place, weights=rest, minlength=size))
    k = np.arange(math.ceil(2.0 * size * grid / span), min(int(0.5 * size * grid / gap), size // 8))
    n = float(times_s.size)
    once, twice, said = ones[k], ones[2 * k], told[k]
    cc = 0.5 * (n + twice.real) - once.real**2 / n
    ss = 0.5 * (n - twice.real) - once.imag**2 / n
    cs = -0.5 * twice.imag + once.real * once.imag / n
    yc, ys = said.real, -said.imag
    det = cc * ss - cs * cs
    good = det > 1e-6 * np.maximum(cc * ss, 1e-12)
    spread = max(float(there.mean() * (1.0 - there.mean())), 1e-9)
    value = np.where(good, (ss * yc**2 - 2.0 * cs * yc * ys + cc * ys**2) / np.where(good, det, 1.0), 0.0) / spread
    return np.asarray(k / (size * grid)), np.asarray(value)
