"""Published formulas and worked values; marks as in the source list: read, transcription, derived, from memory."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spectra.findings.polarisation_formulas import (
    axial_ratio_db,
    ellipse_isolation_db,
    isolation_db,
    misalignment_deg,
    rain_xpd_db,
)


@pytest.mark.parametrize(
    ("angle", "expected"),
    [
        (0.5, 41.18),
        (1.0, 35.16),
        (1.5, 31.64),
        (1.81, 30.01),
        (2.0, 29.14),
        (3.0, 25.61),
        (5.0, 21.16),
        (10.0, 15.07),
        (20.0, 8.78),
        (45.0, 0.0),
    ],
)
def test_isolation_against_misalignment_angle(angle: float, expected: float) -> None:
    """Handbook table of 20 log10 cot (derived)."""
    assert isolation_db(angle) == pytest.approx(expected, abs=0.006)
    assert misalignment_deg(isolation_db(angle)) == pytest.approx(angle, rel=1e-12)


@pytest.mark.parametrize(
    ("one", "two", "tilt", "expected"),
    [
        (0.0, 0.5, 0.0, 30.82),
        (0.0, 1.0, 77.0, 24.81),
        (0.0, 3.0, 0.0, 15.34),
        (0.5, 0.5, 90.0, 24.79),
        (1.0, 1.0, 90.0, 18.76),
        (3.0, 1.0, 0.0, 18.99),
        (3.0, 1.0, 90.0, 12.74),
    ],
)
def test_isolation_of_two_ellipses(one: float, two: float, tilt: float, expected: float) -> None:
    """Polarisation match of two ellipses, IEEE Std 149 and antenna textbooks (from memory), evaluated (derived)."""
    assert ellipse_isolation_db(one, two, tilt) == pytest.approx(expected, abs=0.006)


def test_equal_aligned_ellipses_do_not_leak() -> None:
    assert ellipse_isolation_db(1.0, 1.0, 0.0) == math.inf


@pytest.mark.parametrize("axial_ratio", [0.5, 1.0, 3.0])
def test_axial_ratio_is_the_inverse_of_one_ellipse_against_a_circle(axial_ratio: float) -> None:
    """XPD = 20 log10((r+1)/(r-1)) (derived)."""
    assert axial_ratio_db(ellipse_isolation_db(0.0, axial_ratio, 0.0)) == pytest.approx(axial_ratio, rel=1e-9)


@pytest.mark.parametrize(
    ("attenuation", "frequency", "elevation", "percent", "expected"),
    [
        (16.38308757, 14.25, 30.87067768, 0.001, 27.14300798),
        (3.89479806, 14.25, 40.97052773, 0.1, 37.38608600),
        (9.71179484, 14.25, 47.91280491, 0.01, 33.81279558),
        (71.44613350, 29.0, 40.97052773, 0.001, 21.24447056),
        (4.92489694, 14.25, 59.81487174, 0.1, 41.79812785),
        (32.74150676, 14.25, 49.20900369, 0.001, 25.50822732),
        (4.44533923, 14.25, 38.14104832, 0.1, 35.65231576),
    ],
)
def test_rain_depolarisation(
    attenuation: float, frequency: float, elevation: float, percent: float, expected: float
) -> None:
    """ITU-R P.618-13, 4.1: the ITU's validation set, tilt 0 (transcription in an open propagation library)."""
    assert rain_xpd_db(attenuation, frequency, elevation, 0.0, percent) == pytest.approx(expected, abs=1e-7)


def test_circular_loses_the_tilt_term() -> None:
    """P.618-13: the term is 0 dB at 45 degrees and 14.95 dB at 0 (transcription)."""
    rain_only = [rain_xpd_db(5.0, 12.0, 35.0, tilt, 1.0, ice=False) for tilt in (0.0, 45.0)]
    assert rain_only[0] - rain_only[1] == pytest.approx(14.95, abs=0.01)


def test_scaling_below_six_ghz() -> None:
    """P.618-13: XPD2 = XPD1 - 20 log10(f2/f1) at the same tilt (transcription)."""
    assert rain_xpd_db(2.0, 4.0, 35.0) == pytest.approx(rain_xpd_db(2.0, 6.0, 35.0) + 20.0 * math.log10(1.5))


@given(st.floats(0.01, 89.9))
def test_turning_beyond_45_degrees_swaps_the_ports(angle: float) -> None:
    assert isolation_db(angle) == pytest.approx(-isolation_db(90.0 - angle), abs=1e-9)


@pytest.mark.parametrize("bad", [(0.0, 12.0), (1.0, 3.0), (1.0, 60.0)])
def test_rain_refuses_what_the_recommendation_does_not_cover(bad: tuple[float, float]) -> None:
    with pytest.raises(ValueError):
        rain_xpd_db(bad[0], bad[1], 30.0)
