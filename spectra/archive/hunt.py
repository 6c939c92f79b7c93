"""The hunt: was there anything at this frequency, in all the captures that looked there, back to the first.

A sweep is searched at one place only, so that much weaker signals stand out than in a search of the whole span: the
trace is read again from the stored bytes, and its power within the wanted width is held against what its surroundings
on both sides lead one to expect. Nothing is fitted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from spectra.archive.emissions import StoredLook, stored_looks
from spectra.archive.query import Search
from spectra.archive.store import Archive
from spectra.errors import SpectraError, UsageError
from spectra.finding import Finding, run_rules
from spectra.findings.emissions import Emission, Emissions, Sighting
from spectra.findings.interference_sets import Occurrence, occurrence
from spectra.units import DB_PER_NEPER, jsonable

if TYPE_CHECKING:
    from spectra.sweep import Sweep

__all__ = ["SCHEMA", "Hunt", "HuntLook", "excess_at", "hunt"]

SCHEMA = "sweepmuster/hunt/1"
Status = Literal["seen", "not_seen", "cannot_tell"]

_FALSE_ALARM = 1e-3
"""Chance that noise alone makes one sweep say `seen`."""
_REACH = 4.0
"""Surroundings: up to this many half widths off the middle, on both sides."""
_LEAST_POINTS = 6
_UNEVEN = 2.0
_UNEVEN_DB = 0.5
"""Surroundings that scatter that many times more than readings do, and by so much, hold an edge of a carrier."""
_KNOWN = 30
_ALIKE = 3.0
"""A listed signal is the one looked for if it is at most so many times as wide as the width."""


@dataclass(frozen=True, slots=True)
class HuntLook:
    """One stored sweep that held the frequency.

    Attributes
    ----------
    key, capture : str
    captured_at : datetime or None
    vessel : str or None
    if_hz : float
        Where it was looked for.
    status : {'seen', 'not_seen', 'cannot_tell'}
    excess_db, excess_std_db : float or None
        Mean power in the width over that of the surroundings.
    upper_limit_db : float or None
        95 % limit of that, where nothing was seen.
    found : bool
        Whether the stored result lists it too: an unlisted carrier, or something under a listed one.
    why : str
    """

    key: str
    capture: str
    captured_at: datetime | None
    vessel: str | None
    if_hz: float
    status: Status
    excess_db: float | None
    excess_std_db: float | None
    upper_limit_db: float | None
    found: bool
    why: str

    def to_dict(self) -> dict[str, Any]:
        """Return the look as plain values."""
        value: dict[str, Any] = jsonable(
            {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "captured_at"}
        )
        return {**value, "captured_at": None if self.captured_at is None else self.captured_at.isoformat()}


@dataclass(frozen=True, slots=True)
class Hunt:
    """What a hunt came to: look by look, how often and when, and what that tells."""

    looks: tuple[HuntLook, ...]
    occurrence: Occurrence | None
    findings: tuple[Finding, ...]
    if_hz: float | None
    rf_hz: float | None
    width_hz: float

    @property
    def first_seen(self) -> datetime | None:
        """Time of the first sweep that shows it."""
        return min((one.captured_at for one in self._seen() if one.captured_at is not None), default=None)

    @property
    def last_seen(self) -> datetime | None:
        """Time of the last sweep that shows it."""
        return max((one.captured_at for one in self._seen() if one.captured_at is not None), default=None)

    def _seen(self) -> list[HuntLook]:
        return [one for one in self.looks if one.status == "seen"]

    def to_dict(self) -> dict[str, Any]:
        """Return the hunt as plain values (`sweepmuster/hunt/1`)."""
        return {
            "schema": SCHEMA,
            "if_hz": self.if_hz,
            "rf_hz": self.rf_hz,
            "width_hz": self.width_hz,
            "false_alarm_probability": _FALSE_ALARM,
            "seen": len(self._seen()),
            "looked": len(self.looks),
            "first_seen": None if self.first_seen is None else self.first_seen.isoformat(),
            "last_seen": None if self.last_seen is None else self.last_seen.isoformat(),
            "occurrence": None if self.occurrence is None else self.occurrence.to_dict(),
            "looks": [one.to_dict() for one in self.looks],
            "findings": [finding.to_dict() for finding in self.findings],
        }


def hunt(
    archive: Archive,
    *,
    if_hz: float | None = None,
    rf_hz: float | None = None,
    width_hz: float = 5e5,
    search: Search | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> Hunt:
    """Look for a signal at one frequency in all stored sweeps that held it.

    Parameters
    ----------
    archive : Archive
    if_hz, rf_hz : float or None
        One of the two: a fixed IF (what enters by the cable), or a fixed RF (what comes through the antenna; sweeps
        whose LO state is not known are left out, the IF offset of each is taken into account).
    width_hz : float
        Width to look in; never less than one and a half RBW or two points.
    search : Search or None
        Which captures.
    tell : callable or None
        Called with (done, all) as sweeps are looked at.

    Raises
    ------
    UsageError
        If both or none of the frequencies are given, or the width makes no sense.
    """
    _check(if_hz, rf_hz, width_hz)
    held = []
    for look in stored_looks(archive, search):
        place = if_hz if rf_hz is None else _if_of(look, rf_hz)
        if place is not None and look.look.start_hz < place < look.look.stop_hz:
            held.append((look, place))
    held.sort(key=lambda pair: (pair[0].look.captured_at is None, pair[0].look.captured_at, pair[0].key))
    found = []
    for number, (look, place) in enumerate(held, 1):
        found.append(_looked_at(archive, look, place, width_hz))
        if tell is not None:
            tell(number, len(held))
    log = _as_log([look for look, _ in held], found, rf_hz, width_hz)
    told = occurrence(log.emissions[0], log) if log.emissions else None
    return Hunt(tuple(found), told, _rules(log), if_hz, rf_hz, width_hz)


def _check(if_hz: float | None, rf_hz: float | None, width_hz: float) -> None:
    if (if_hz is None) == (rf_hz is None):
        raise UsageError("hunt", None, "no frequency" if if_hz is None else "an IF and an RF", "one", "State one.")
    if not 0.0 < width_hz < 1e9:
        raise UsageError("width", None, f"{width_hz:g} Hz", "a width above 0", "State 500kHz, for example.")


def _if_of(look: StoredLook, rf_hz: float) -> float | None:
    nominal = look.look.if_of(rf_hz)
    return None if nominal is None else nominal + look.offset_hz


def _looked_at(archive: Archive, look: StoredLook, place: float, width_hz: float) -> HuntLook:
    """Hold the trace of one sweep against its surroundings there."""
    reach = 0.5 * width_hz + (0.0 if look.state is None else 3.0 * min(look.offset_std_hz, 1e5))
    widest = _ALIKE * max(width_hz, 1.5 * (look.rbw_hz or 0.0))
    found = any(abs(s.if_hz - place) <= reach and s.width_hz <= widest for s in look.sightings)
    try:
        excess = excess_at(_sweep(archive, look), place, width_hz, look.readings)
    except SpectraError as problem:
        excess = f"not read: {problem}"
    at, about = look.look.captured_at, (look.key, look.look.name)
    if isinstance(excess, str):
        status: Status = "seen" if found else "cannot_tell"
        return HuntLook(*about, at, look.look.vessel, place, status, None, None, None, found, excess)
    value, std, freedom = excess
    seen = found or value > _quantile(1.0 - _FALSE_ALARM, freedom) * std
    limit = None if seen else max(value, 0.0) + _quantile(0.95, freedom) * std
    why = "listed as a carrier or as standing under one" if found else ""
    status = "seen" if seen else "not_seen"
    return HuntLook(*about, at, look.look.vessel, place, status, value, std, limit, found, why)


def _quantile(share: float, freedom: int) -> float:
    """Return a quantile of Student's law: the scatter is itself known from few points only."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, share))


def _sweep(archive: Archive, look: StoredLook) -> Sweep:
    """Read the look's sweep again from the stored bytes."""
    from spectra.readers.face import read_bytes

    sweeps = []
    for position, (name, digest) in enumerate(look.raw):
        options = dict(look.reading[min(position, len(look.reading) - 1)]) if look.reading else {}
        sweeps += read_bytes(archive.blob(digest), name, **options)
    number = look.sweep if len(sweeps) > look.sweep else 0
    return sweeps[number]


def excess_at(
    sweep: Sweep, place_hz: float, width_hz: float, readings: float | None = None
) -> tuple[float, float, int] | str:
    """Return by how much a trace stands over its surroundings at a place, or in words why that cannot be told.

    Parameters
    ----------
    sweep : Sweep
    place_hz, width_hz : float
    readings : float or None
        Independent readings in a point, as measured; None takes the surroundings' own scatter for everything.

    Returns
    -------
    tuple of (float, float, int) or str
        Excess in dB over a straight line through the surroundings (from one to four half widths off, on both sides),
        its standard uncertainty, and the degrees of freedom that this rests on.
    """
    f, level = sweep.frequency_hz, sweep.level_dbm
    step = sweep.spacing_hz
    rbw = sweep.settings.rbw_hz or step
    half = 0.5 * max(width_hz, 1.5 * rbw, 2.0 * step)
    away = np.abs(f - place_hz)
    inside = away <= half
    guard = half + 0.5 * rbw  # what the filter smears of a signal as wide as the width stays out
    around = (away > guard) & (away <= max(_REACH * half, guard + _LEAST_POINTS * step))
    sides = [int((around & (f < place_hz)).sum()), int((around & (f > place_hz)).sum())]
    if not inside.any() or min(sides) < _LEAST_POINTS - 1:
        return "too few points around it"
    x = (f - place_hz) / half
    line = np.polyfit(x[around], level[around], 1)
    rest = level[around] - np.polyval(line, x[around])
    freedom = int(around.sum()) - 2
    scatter = math.sqrt(float(rest @ rest) / freedom)
    expected = 0.0 if readings is None else DB_PER_NEPER / math.sqrt(readings)
    if expected and scatter > max(_UNEVEN_DB, _UNEVEN * expected):
        return "it stands on the edge of a carrier"
    # neighbours share readings where points lie closer than the filter is wide
    together = max(1.0, rbw / step)
    # what a signal of that width looks like through the filter (half down at half an RBW off): the best weights
    skirt = np.maximum(away[inside] - (0.5 * width_hz if width_hz > rbw else 0.0), 0.0)
    weight = np.exp2(-((2.0 * skirt / rbw) ** 2))
    points = float(weight.sum()) ** 2 / float(weight @ weight) / together
    freedom = max(1, int(freedom / together))
    if expected:  # what the whole trace tells counts as so many points more
        scatter = math.sqrt((freedom * scatter**2 + _KNOWN * expected**2) / (freedom + _KNOWN))
        freedom += _KNOWN
    std = scatter * math.sqrt(1.0 / max(points, 1.0) + together / around.sum())
    peak = float(weight @ (level[inside] - np.polyval(line, x[inside])) / weight.sum())
    return peak, max(std, 1e-3), freedom


def _as_log(held: Sequence[StoredLook], found: Sequence[HuntLook], rf_hz: float | None, width_hz: float) -> Emissions:
    """Return the hunt as the log of one emission, so that the rules on emissions can be run over it."""
    told = [k for k, one in enumerate(found) if one.status != "cannot_tell"]
    looks = tuple(held[k].look for k in told)
    sightings = tuple(
        Sighting(number, found[k].if_hz, 1e3, rf_hz, 1e3 if rf_hz is not None else None, width_hz)
        for number, k in enumerate(told)
        if found[k].status == "seen"
    )
    if not sightings:
        return Emissions(looks)
    times = [t for s in sightings if (t := looks[s.look].captured_at) is not None]
    vessels = tuple(sorted({v for s in sightings if (v := looks[s.look].vessel) is not None}))
    place = rf_hz if rf_hz is not None else sightings[0].if_hz
    frame: Literal["if", "rf"] = "if" if rf_hz is None else "rf"
    one = Emission(
        number=1,
        frame=frame,
        frequency_hz=place,
        frequency_std_hz=0.5 * width_hz,
        if_hz=float(np.mean([s.if_hz for s in sightings])),
        width_hz=width_hz,
        power_dbm=None,
        power_std_db=None,
        sightings=sightings,
        looks=tuple(range(len(looks))),
        first_seen=min(times, default=None),
        last_seen=max(times, default=None),
        cause=None,
        vessels=vessels,
    )
    return Emissions(looks, (one,))


_WANTED = (
    "interference.not_from_the_satellite",
    "interference.comes_and_goes",
    "interference.with_heading",
    "interference.on_both_ports",
    "interference.from_the_satellite",
    "interference.aboard_one_vessel",
)
"""Rules that a hunt can answer; which way a signal comes in it cannot, its frame was given."""


def _rules(log: Emissions) -> tuple[Finding, ...]:
    from spectra.findings.table import SET_RULES

    return run_rules([rule for rule in SET_RULES if rule.code in _WANTED], {"emissions": log})
