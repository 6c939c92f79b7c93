"""The sun behind the satellite: where it stands, and whether it raises the noise while it crosses the beam.

References
----------
.. [1] The Astronomical Almanac, low-precision formulas for the Sun's coordinates (0.01 degree, 1950 to 2050) and for
   Greenwich mean sidereal time (from memory; checked in the tests against the IAU's own routines).
.. [2] Recommendation ITU-R S.1525, interference from the sun into a geostationary satellite system (named from memory;
   nothing of its figures is used here).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.findings.beam import beam_width_deg, diameter_m
from spectra.findings.clock import corrected_time
from spectra.units import FloatArray

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.measure.measurement import Measurement

__all__ = ["SunView", "sun_azimuth_elevation_deg", "sun_equatorial_deg", "sun_transit", "sun_view"]

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
SUN_RADIUS_DEG = 0.27
"""Half the angle that the sun fills (textbook, from memory)."""
_ASSUMED_ANTENNA_M = 1.0
_STEP_S = 15.0
_REACH_S = 3600.0
_SURELY_DEG = 0.01  # beyond rounding


@dataclass(frozen=True, slots=True)
class SunView:
    """The sun as the antenna sees it beside a satellite.

    Attributes
    ----------
    off_deg : float
        Angle between the sun's middle and the satellite.
    beam_deg : float
        Width of the beam between its half-power points.
    antenna_m : float
    assumed : bool
        Whether the antenna's diameter was not known.
    enters, leaves : datetime or None
        When the sun's edge enters and leaves the beam, where it does within an hour.
    nearest : datetime
        When it comes nearest within an hour.
    """

    off_deg: float
    beam_deg: float
    antenna_m: float
    assumed: bool
    enters: datetime | None
    leaves: datetime | None
    nearest: datetime

    @property
    def in_beam(self) -> bool:
        """Whether a part of the sun stands between the half-power points."""
        return self.off_deg < 0.5 * self.beam_deg + SUN_RADIUS_DEG


def sun_equatorial_deg(days: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return right ascension and declination of the sun, for days (UTC will do) since 2000 January 1, 12 h [1]_."""
    mean = np.radians(280.460 + 0.9856474 * days)
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = mean + np.radians(1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    tilt = np.radians(23.439 - 4e-7 * days)
    right = np.degrees(np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))) % 360.0
    return np.asarray(right), np.asarray(np.degrees(np.arcsin(np.sin(tilt) * np.sin(longitude))))


def sun_azimuth_elevation_deg(
    days: FloatArray, latitude_deg: float, longitude_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Return azimuth (clockwise from true north) and elevation of the sun, refraction left out.

    Parameters
    ----------
    days : ndarray, shape (n,)
        Days since 2000 January 1, 12 h.
    latitude_deg, longitude_deg : float
        North and east positive.
    """
    right, declination = sun_equatorial_deg(days)
    sidereal = 15.0 * (18.697374558 + 24.06570982441908 * days)
    hour = np.radians(sidereal + longitude_deg - right)
    d, latitude = np.radians(declination), math.radians(latitude_deg)
    up = np.sin(d) * math.sin(latitude) + np.cos(d) * math.cos(latitude) * np.cos(hour)
    north = np.sin(d) * math.cos(latitude) - np.cos(d) * math.sin(latitude) * np.cos(hour)
    east = -np.cos(d) * np.sin(hour)
    return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0), np.asarray(np.degrees(np.arcsin(up)))


def sun_view(
    context: Context,
    captured_at: datetime | None,
    orbital_longitude_deg: float | None,
    rf_hz: float | None,
    *,
    in_beam: bool = False,
) -> SunView | None:
    """Return the sun beside a satellite at the time of a capture; None where time, place or satellite are not known.

    Parameters
    ----------
    context : Context
        With latitude and longitude, and perhaps the antenna's diameter (else 1 m is assumed: a wide beam) and the
        clock's error.
    captured_at : datetime or None
        What the clock said.
    orbital_longitude_deg, rf_hz : float or None
    in_beam : bool
        Whether None will do as well where the sun is not in the beam: nearly always, and much sooner said.
    """
    latitude, longitude = context.latitude_deg, context.longitude_deg
    if captured_at is None or orbital_longitude_deg is None or rf_hz is None or latitude is None or longitude is None:
        return None
    azimuth_deg, elevation_deg = _looks_at(latitude, longitude, orbital_longitude_deg)
    if elevation_deg <= 0.0:
        return None
    at = corrected_time(captured_at, context.clock_error_s)
    size = diameter_m(context.antenna)
    beam = beam_width_deg(size or _ASSUMED_ANTENNA_M, rf_hz)
    day = (at - _J2000).total_seconds() / 86400.0

    def off_at(seconds: FloatArray) -> FloatArray:
        azimuth, elevation = sun_azimuth_elevation_deg(day + seconds / 86400.0, latitude, longitude)
        return _apart_deg(azimuth, elevation, azimuth_deg, elevation_deg)

    if in_beam and float(off_at(np.zeros(1))[0]) >= 0.5 * beam + SUN_RADIUS_DEG + _SURELY_DEG:
        return None
    seconds = np.arange(-_REACH_S, _REACH_S + _STEP_S, _STEP_S)
    off = off_at(seconds)
    inside = np.flatnonzero(off < 0.5 * beam + SUN_RADIUS_DEG)

    def when(index: int) -> datetime:
        return at + timedelta(seconds=float(seconds[index]))

    return SunView(
        float(off[seconds.size // 2]),
        beam,
        size or _ASSUMED_ANTENNA_M,
        size is None,
        when(int(inside[0])) if inside.size and inside[0] > 0 else None,
        when(int(inside[-1])) if inside.size and inside[-1] < seconds.size - 1 else None,
        when(int(np.argmin(off))),
    )


@lru_cache(maxsize=64)  # the captures of a visit look from one place at a few satellites
def _looks_at(latitude_deg: float, longitude_deg: float, orbital_longitude_deg: float) -> tuple[float, float]:
    """Return azimuth and elevation of a satellite."""
    from spectra.plan.geometry import look_angles

    look = look_angles(latitude_deg, longitude_deg, orbital_longitude_deg)
    return float(look.azimuth_deg), float(look.elevation_deg)


def _apart_deg(azimuth: FloatArray, elevation: FloatArray, other_azimuth: float, other_elevation: float) -> FloatArray:
    a, e = np.radians(azimuth - other_azimuth), np.radians(elevation)
    o = math.radians(other_elevation)
    cosine = np.sin(e) * math.sin(o) + np.cos(e) * math.cos(o) * np.cos(a)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def sun_transit(measurement: Measurement, sun: SunView) -> Iterable[Finding]:
    """Tell a sweep that was taken while the sun stood in the beam: its floor and C/N are the sun's too."""
    if not sun.in_beam:
        return
    size = f"{sun.antenna_m:g} m antenna" + (" (assumed: the context does not tell its diameter)" * sun.assumed)
    times = [f"{name} {when:%H:%M}" for name, when in (("from", sun.enters), ("to", sun.leaves)) if when is not None]
    span = f", {' '.join(times)} UTC" if times else ""
    yield Finding(
        "interference.sun_transit",
        "warning",
        f"The sun stood in the beam, {sun.off_deg:.1f} degrees off the satellite",
        f"The beam of a {size} is {sun.beam_deg:.1f} degrees wide there{span}. The sun raises the floor and lowers "
        "every C/N while it passes; it is a candidate for a raised floor, if clock and position are right.",
        answer="yes" if not sun.assumed else "cannot_tell",
        evidence=(
            Evidence("sun_off_satellite", sun.off_deg, 0.05, "deg", 0.5 * sun.beam_deg + SUN_RADIUS_DEG),
            Evidence("beam_width", sun.beam_deg, 0.2 * sun.beam_deg, "deg"),
        ),
        subjects=Subjects(captures=(measurement.sweep.origin.file,)),
        next_steps=(step("Sweep again an hour earlier or later; levels and C/N of this sweep are no measure."),),
    )
