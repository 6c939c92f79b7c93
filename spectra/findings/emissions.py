"""The log: every interferer followed through captures and visits as one emission.

A sighting has two places: its IF, which stays what it is where the signal enters by the cable, and its RF, which stays
where it comes through the antenna. Captures are gone through in order of time; in each, sightings are assigned to the
emissions known so far so that the sum of squared departures is least (linear assignment), in whichever frame an
emission keeps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from spectra.units import FloatArray, jsonable

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SCHEMA", "Emission", "Emissions", "Frame", "Look", "Sighting", "track"]

SCHEMA = "sweepmuster/emissions/1"

Frame = Literal["if", "rf", "either"]

_GATE = 4.5  # standard deviations within which a sighting may be the emission's next
_NEW_COST = _GATE**2
_WIDTH_FACTOR = 1.5
_SYSTEMATIC_HZ = 500.0  # of a narrow line's centre, beside its own standard uncertainty (common practice, no source)
_RESOLVED = 2.5  # resolution bandwidths from which on a width is known well enough to tell two signals apart
_LOST_HZ = 3e6  # a place less certain than this is none
_DECIDED = 9.0  # difference of chi-square that settles the frame (odds of 90 to 1; derived)


@dataclass(frozen=True, slots=True)
class Sighting:
    """One interferer in one capture.

    Attributes
    ----------
    look : int
        Index of the capture among the looks.
    if_hz, if_std_hz : float
        As measured.
    rf_hz, rf_std_hz : float or None
        Through the LO state, its measured offset taken out; None where the LO state is not known.
    width_hz : float
        0 for a line.
    power_dbm : float or None
    kind : str
    cause : str or None
        The likeliest cause told by that capture alone.
    c_over_i_db, loss_db : float or None
        Under a carrier: carrier to interference, and what it costs the carrier's Es/N0.
    row : int or None
        Line of the table of the carrier that it stands on.
    host_rf_hz, host_power_dbm : float or None
        That carrier's RF as measured, and its level.
    resolution_hz : float
        RBW of the sweep: what is not much wider is a line in one sweep and a carrier in the next.
    """

    look: int
    if_hz: float
    if_std_hz: float
    rf_hz: float | None = None
    rf_std_hz: float | None = None
    width_hz: float = 0.0
    power_dbm: float | None = None
    kind: str = "cw"
    cause: str | None = None
    c_over_i_db: float | None = None
    loss_db: float | None = None
    row: int | None = None
    host_rf_hz: float | None = None
    host_power_dbm: float | None = None
    resolution_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class Look:
    """One capture that could have shown an interferer."""

    name: str
    start_hz: float
    stop_hz: float
    captured_at: datetime | None = None
    lo_hz: float | None = None
    sign: float = 1.0
    vessel: str | None = None
    port: str | None = None
    heading_deg: float | None = None
    on_satellite: bool = True

    def if_of(self, rf_hz: float) -> float | None:
        """Return the nominal IF at which an RF would show."""
        return None if self.lo_hz is None else self.sign * (rf_hz - self.lo_hz)


@dataclass(frozen=True, slots=True)
class Emission:
    """One interferer over time.

    Attributes
    ----------
    number : int
        From 1, by first sighting.
    frame : {'if', 'rf', 'either'}
        What stays fixed; `either` where the sightings cannot part the two.
    frequency_hz, frequency_std_hz : float
        In that frame (IF for `either`).
    if_hz : float
        Mean IF of the sightings.
    width_hz, power_dbm, power_std_db
        Medians and scatter.
    sightings : tuple of Sighting
    looks : tuple of int
        Captures whose span held it, seen or not.
    """

    number: int
    frame: Frame
    frequency_hz: float
    frequency_std_hz: float
    if_hz: float
    width_hz: float
    power_dbm: float | None
    power_std_db: float | None
    sightings: tuple[Sighting, ...]
    looks: tuple[int, ...]
    first_seen: datetime | None
    last_seen: datetime | None
    cause: str | None
    vessels: tuple[str, ...]

    @property
    def duty(self) -> float:
        """Share of the captures that could have shown it and did."""
        return len({s.look for s in self.sightings}) / max(len(self.looks), 1)

    def to_dict(self) -> dict[str, Any]:
        """Return the emission as plain values."""
        value: dict[str, Any] = jsonable(
            {
                name: getattr(self, name)
                for name in self.__dataclass_fields__
                if name not in ("sightings", "first_seen", "last_seen")
            }
        )
        for name in ("first_seen", "last_seen"):
            when = getattr(self, name)
            value[name] = None if when is None else when.isoformat()
        value["duty"] = self.duty
        value["sightings"] = [
            jsonable({name: getattr(s, name) for name in s.__dataclass_fields__}) for s in self.sightings
        ]
        return value


@dataclass(frozen=True, slots=True)
class Emissions:
    """The log of one or more visits: captures looked at, and what was followed through them."""

    looks: tuple[Look, ...]
    emissions: tuple[Emission, ...] = field(default_factory=tuple)

    def to_dict(self) -> dict[str, Any]:
        """Return the log as plain values (`sweepmuster/emissions/1`)."""
        return {
            "schema": SCHEMA,
            "captures": [look.name for look in self.looks],
            "emissions": [emission.to_dict() for emission in self.emissions],
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the emissions as a table, one row each."""
        import pandas as pd

        names = ["number", "frame", "frequency_hz", "frequency_std_hz", "if_hz", "width_hz", "power_dbm", "cause"]
        rows = [{name: getattr(e, name) for name in names} for e in self.emissions]
        frame = pd.DataFrame(rows, columns=names)
        frame["first_seen"] = [e.first_seen for e in self.emissions]
        frame["last_seen"] = [e.last_seen for e in self.emissions]
        frame["seen"] = [len({s.look for s in e.sightings}) for e in self.emissions]
        frame["looked"] = [len(e.looks) for e in self.emissions]
        return frame


class _Track:
    """An emission while it is followed (does not outlive `track`)."""

    def __init__(self, sighting: Sighting) -> None:
        self.sightings = [sighting]
        self.sums: dict[str, list[float]] = {"if": [0.0, 0.0, 0.0], "rf": [0.0, 0.0, 0.0]}
        self._take(sighting)

    def _take(self, s: Sighting) -> None:
        for name, place, std in (("if", s.if_hz, s.if_std_hz), ("rf", s.rf_hz, s.rf_std_hz)):
            if place is None:
                continue
            weight = 1.0 / (_spread(s, std) ** 2)
            total, mean, squares = self.sums[name]
            new = total + weight
            step = place - mean
            self.sums[name] = [new, mean + step * weight / new, squares + step * step * total * weight / new]

    def add(self, s: Sighting) -> None:
        self.sightings.append(s)
        self._take(s)

    def place(self, name: str) -> tuple[float, float] | None:
        total, mean, _ = self.sums[name]
        return None if total == 0.0 else (mean, 1.0 / math.sqrt(total))

    @property
    def frame(self) -> Frame:
        """What stays fixed, as far as the sightings tell."""
        if self.sums["rf"][0] == 0.0:
            return "either"
        difference = self.sums["if"][2] - self.sums["rf"][2]  # sums of squared departures from each mean
        if difference > _DECIDED:
            return "rf"
        return "if" if difference < -_DECIDED else "either"

    def cost(self, s: Sighting) -> float:
        """Return the squared departure of a sighting, in standard deviations, in the frame that this keeps."""
        widths = sorted((max(s.width_hz, 1.0), max(self.sightings[-1].width_hz, 1.0)))
        blurred = _RESOLVED * max(s.resolution_hz, self.sightings[-1].resolution_hz)
        if widths[1] > max(_WIDTH_FACTOR * widths[0], blurred) and widths[1] - widths[0] > 2e5:
            return math.inf
        if max(s.if_std_hz, self.sightings[-1].if_std_hz) > _LOST_HZ:
            return math.inf  # it would agree with everything
        frame = self.frame
        found = []
        for name, value, std in (("if", s.if_hz, s.if_std_hz), ("rf", s.rf_hz, s.rf_std_hz)):
            place = self.place(name)
            if value is None or place is None or frame not in (name, "either"):
                continue
            found.append((value - place[0]) ** 2 / (_spread(s, std) ** 2 + place[1] ** 2))
        return min(found, default=math.inf)


def _spread(s: Sighting, std: float | None) -> float:
    return math.hypot(std or 0.0, _SYSTEMATIC_HZ, 0.003 * s.width_hz)


def track(looks: Sequence[Look], sightings: Iterable[Sighting]) -> Emissions:
    """Return the emissions that sightings belong to.

    Parameters
    ----------
    looks : sequence of Look
        The captures, in any order; those without a time come first.
    sightings : iterable of Sighting
    """
    from scipy.optimize import linear_sum_assignment

    by_look: dict[int, list[Sighting]] = {}
    for one in sightings:
        by_look.setdefault(one.look, []).append(one)
    tracks: list[_Track] = []
    for index in sorted(by_look, key=lambda k: (_stamp(looks[k]), k)):
        here = by_look[index]
        cost = _costs(tracks, here)
        taken: set[int] = set()
        if tracks:
            # a column of its own for each sighting: to begin a new emission
            wide = np.hstack([cost, np.where(np.eye(len(here)) > 0.0, _NEW_COST, 1e9)])
            rows, columns = linear_sum_assignment(np.minimum(wide, 1e9))
            for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
                if column < len(tracks) and cost[row, column] < _NEW_COST:
                    tracks[column].add(here[row])
                    taken.add(row)
        tracks += [_Track(s) for k, s in enumerate(here) if k not in taken]
    made = [_emission(number, one, looks) for number, one in enumerate(tracks, 1)]
    return Emissions(tuple(looks), tuple(made))


def _stamp(look: Look) -> float:
    return -math.inf if look.captured_at is None else look.captured_at.timestamp()


def _costs(tracks: Sequence[_Track], here: Sequence[Sighting]) -> FloatArray:
    """Return the cost of every sighting (rows) against every emission (columns)."""
    cost = np.full((len(here), len(tracks)), 1e9)
    for row, s in enumerate(here):
        for column, one in enumerate(tracks):
            cost[row, column] = min(one.cost(s), 1e9)
    return cost


def _emission(number: int, one: _Track, looks: Sequence[Look]) -> Emission:
    seen = one.sightings
    frame = one.frame
    place, std = one.place("rf" if frame == "rf" else "if") or (seen[0].if_hz, seen[0].if_std_hz)
    powers = np.array([s.power_dbm for s in seen if s.power_dbm is not None], dtype=np.float64)
    times = [t for s in seen if (t := looks[s.look].captured_at) is not None]
    causes = [s.cause for s in seen if s.cause is not None]
    held = []
    for k, look in enumerate(looks):
        at = look.if_of(place) if frame == "rf" else place
        if at is not None and look.start_hz < at < look.stop_hz:
            held.append(k)
    return Emission(
        number,
        frame,
        place,
        std,
        float(np.mean([s.if_hz for s in seen])),
        float(np.median([s.width_hz for s in seen])),
        float(np.median(powers)) if powers.size else None,
        float(np.std(powers, ddof=1)) if powers.size > 1 else None,
        tuple(seen),
        tuple(sorted({*held, *(s.look for s in seen)})),
        min(times, default=None),
        max(times, default=None),
        max(set(causes), key=causes.count) if causes else None,
        tuple(sorted({v for s in seen if (v := looks[s.look].vessel) is not None})),
    )
