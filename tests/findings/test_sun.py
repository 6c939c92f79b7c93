"""The sun's place against the IAU's own routines (pyerfa 2.0.1, SOFA's epv00 and c2t06a), and the transit rule."""

import math
from datetime import UTC, datetime, timedelta

import erfa
import numpy as np
import pytest

from spectra.capture import Context
from spectra.findings import capture_findings
from spectra.findings.sun import sun_azimuth_elevation_deg, sun_transit, sun_view
from spectra.plan.geometry import look_angles

J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
TT_MINUS_UTC_DAYS = 69.184 / 86400.0


def reference(days: float, latitude: float, longitude: float) -> tuple[float, float]:
    """Return azimuth and elevation from the earth's heliocentric place (epv00) in the terrestrial frame (c2t06a)."""
    tt = 2451545.0 + days + TT_MINUS_UTC_DAYS
    heliocentric, _ = erfa.epv00(tt, 0.0)
    sun = -np.asarray(heliocentric["p"])
    # light of the sun comes from where it was about 8.3 minutes ago: aberration of the earth's motion
    velocity = np.asarray(heliocentric["v"]) * 1.495978707e11 / 86400.0 / 299_792_458.0
    sun = sun / np.linalg.norm(sun) + velocity
    fixed = erfa.c2t06a(tt, 0.0, 2451545.0 + days, 0.0, 0.0, 0.0) @ (sun / np.linalg.norm(sun))
    a, b = math.radians(latitude), math.radians(longitude)
    up = np.array([math.cos(a) * math.cos(b), math.cos(a) * math.sin(b), math.sin(a)])
    north = np.array([-math.sin(a) * math.cos(b), -math.sin(a) * math.sin(b), math.cos(a)])
    east = np.array([-math.sin(b), math.cos(b), 0.0])
    azimuth = math.degrees(math.atan2(east @ fixed, north @ fixed)) % 360.0
    return azimuth, math.degrees(math.asin(up @ fixed))


def test_place_of_the_sun_is_that_of_the_reference() -> None:
    """300 places and times from 2000 to 2049: within 0.02 degrees (the formulas state 0.01, UT1 is taken as UTC)."""
    rng = np.random.default_rng(2026)
    worst = 0.0
    for _ in range(300):
        days, latitude, longitude = rng.uniform(0.0, 18200.0), rng.uniform(-70.0, 70.0), rng.uniform(-180.0, 180.0)
        (azimuth,), (elevation,) = sun_azimuth_elevation_deg(np.array([days]), latitude, longitude)
        wanted_azimuth, wanted_elevation = reference(days, latitude, longitude)
        east = (azimuth - wanted_azimuth + 180.0) % 360.0 - 180.0
        off = math.hypot(east * math.cos(math.radians(wanted_elevation)), elevation - wanted_elevation)
        worst = max(worst, off)
    assert worst < 0.02


def transit(latitude: float, longitude: float, orbital: float, year: int) -> tuple[datetime, float]:
    """Return when, in the first half of a year, the reference puts the sun nearest the satellite, and how near."""
    look = look_angles(latitude, longitude, orbital)
    a, e = math.radians(float(look.azimuth_deg)), math.radians(float(look.elevation_deg))
    wanted = np.array([math.cos(e) * math.sin(a), math.cos(e) * math.cos(a), math.sin(e)])
    start = (datetime(year, 2, 20, tzinfo=UTC) - J2000).total_seconds() / 86400.0
    best = (2.0, 0.0)
    for step in (600.0, 20.0):
        days = (
            start + np.arange(0.0, 40.0, step / 86400.0) if step > 100 else best[1] + np.arange(-40, 41) * step / 86400
        )
        for day in days:
            azimuth, elevation = (math.radians(x) for x in reference(float(day), latitude, longitude))
            cosine = np.array([math.sin(azimuth) * math.cos(elevation), math.cos(azimuth) * math.cos(elevation)])
            off = math.acos(min(1.0, float(cosine @ wanted[:2] + math.sin(elevation) * wanted[2])))
            best = min(best, (off, float(day)))
    return J2000 + timedelta(days=best[1]), math.degrees(best[0])


@pytest.fixture(scope="module")
def spring() -> tuple[datetime, float]:
    return transit(34.2, -150.3, -148.0, 2026)


def test_transit_is_told_in_its_minutes_and_not_on_another_day(spring, make_measurement) -> None:
    """Satellites of the equatorial arc see the sun behind them some weeks about the equinox (common practice)."""
    when, off = spring
    assert off < 0.3 and when.month in (2, 3)
    context = Context(latitude_deg=34.2, longitude_deg=-150.3, antenna="1.0 m stabilised", captured_at=when)
    view = sun_view(context, when, -148.0, 12.3e9)
    assert view is not None and view.in_beam
    assert view.off_deg == pytest.approx(off, abs=0.03)
    assert view.beam_deg == pytest.approx(70.0 * 0.299792458 / 12.3, rel=1e-6)
    # the sky turns by a degree in four minutes
    minutes = (view.leaves - view.enters).total_seconds() / 60.0
    assert minutes == pytest.approx(4.0 * 2.0 * (0.5 * view.beam_deg + 0.27), rel=0.15)
    (found,) = sun_transit(make_measurement(), view)
    assert found.code == "interference.sun_transit" and found.answer == "yes"
    for days in (8.0, -8.0):
        other = sun_view(context, when + timedelta(days=days), -148.0, 12.3e9)
        assert not other.in_beam and not list(sun_transit(make_measurement(), other))


def test_a_wrong_clock_is_put_right_and_an_unknown_antenna_leaves_doubt(spring) -> None:
    when, _ = spring
    context = Context(latitude_deg=34.2, longitude_deg=-150.3, clock_error_s=3600.0)
    view = sun_view(context, when + timedelta(hours=1), -148.0, 12.3e9)
    assert view.in_beam and view.assumed
    assert not sun_view(
        Context(latitude_deg=34.2, longitude_deg=-150.3), when + timedelta(hours=1), -148.0, 12.3e9
    ).in_beam


def test_without_time_place_or_satellite_nothing_is_told() -> None:
    at = datetime(2026, 3, 1, tzinfo=UTC)
    here = Context(latitude_deg=34.2, longitude_deg=-150.3)
    assert sun_view(Context(), at, -148.0, 12.3e9) is None
    assert sun_view(here, None, -148.0, 12.3e9) is None
    assert sun_view(here, at, None, 12.3e9) is None
    assert sun_view(here, at, 30.0, 12.3e9) is None  # below the horizon


def test_the_rule_runs_on_a_capture(spring, make_measurement, chain, tmp_path) -> None:
    from spectra.plan import load_table

    path = tmp_path / "placed.csv"
    path.write_text(
        "satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd\nNimbus Test,-148.0,H,11003,5000\n",
        encoding="utf-8",
    )
    when, _ = spring
    context = Context(
        latitude_deg=34.2,
        longitude_deg=-150.3,
        antenna="1.2 m",
        captured_at=when,
        lo_state="low H",
        expected_satellite="Nimbus Test",
    )
    found = capture_findings(make_measurement(), table=load_table(path), chain=chain, context=context)
    assert "interference.sun_transit" in [f.code for f in found]
