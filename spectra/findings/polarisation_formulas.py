"""Published formulas on polarisation: isolation of a turned feed, of two ellipses, of rain. No estimation here."""

from __future__ import annotations

import math

__all__ = [
    "axial_ratio_db",
    "ellipse_isolation_db",
    "isolation_db",
    "misalignment_deg",
    "rain_xpd_db",
]


def isolation_db(angle_deg: float) -> float:
    """Return co minus cross of two linear polarisations at an angle, 20 log10 cot (derived); infinite at 0."""
    tangent = abs(math.tan(math.radians(angle_deg)))
    return -20.0 * math.log10(tangent) if tangent > 0.0 else math.inf


def misalignment_deg(isolation: float) -> float:
    """Return the angle, 0 to 90 degrees, of an isolation in dB: the inverse of `isolation_db`."""
    return math.degrees(math.atan(10.0 ** (-isolation / 20.0)))


def axial_ratio_db(isolation: float) -> float:
    """Return the axial ratio that gives this isolation against a perfectly circular wave, XPD = 20 log10((r+1)/(r-1)).

    Raises
    ------
    ValueError
        If the isolation is not positive: no ellipse of that sense gives it.
    """
    if not isolation > 0.0:
        raise ValueError(f"isolation {isolation!r} dB is not positive")
    ratio = math.pow(10.0, isolation / 20.0)
    return 20.0 * math.log10((ratio + 1.0) / (ratio - 1.0))


def ellipse_isolation_db(axial_ratio_1_db: float, axial_ratio_2_db: float, tilt_deg: float) -> float:
    """Return co over cross of two ellipses of the same sense whose major axes lie `tilt_deg` apart.

    References
    ----------
    .. [1] Polarisation match of two ellipses as in antenna textbooks and IEEE Std 149 (from memory).
    """
    r1, r2 = 10.0 ** (axial_ratio_1_db / 20.0), 10.0 ** (axial_ratio_2_db / 20.0)
    sum_ = (1.0 + r1 * r1) * (1.0 + r2 * r2)
    both = 4.0 * r1 * r2 + (1.0 - r1 * r1) * (1.0 - r2 * r2) * math.cos(math.radians(2.0 * tilt_deg))
    co, cross = 0.5 * (sum_ + both) / sum_, 0.5 * (sum_ - both) / sum_
    return 10.0 * math.log10(co / cross) if cross > 1e-15 else math.inf


def rain_xpd_db(
    attenuation_db: float,
    frequency_ghz: float,
    elevation_deg: float,
    tilt_deg: float = 45.0,
    percent: float = 1.0,
    *,
    ice: bool = True,
) -> float:
    """Return the cross-polarisation discrimination that rain of a given attenuation leaves.

    Parameters
    ----------
    attenuation_db : float
        Copolar rain attenuation, exceeded for `percent` of the time; positive.
    frequency_ghz : float
        4 to 55 GHz (scaled from 6 GHz below that).
    elevation_deg : float
        Up to 60 degrees; a higher path is taken at 60.
    tilt_deg : float
        Of the linear polarisation against the horizontal; 45 stands for circular too, and is the worst.
    percent : float
        0.001 to 1; sets the spread of the drops' canting angle and the ice term.
    ice : bool
        Whether the ice crystals' part is taken off.

    Raises
    ------
    ValueError
        If attenuation or frequency is out of range.

    References
    ----------
    .. [1] Recommendation ITU-R P.618-13, section 4.1 (read in transcription); validation values in the tests.
    """
    if not attenuation_db > 0.0 or not 4.0 <= frequency_ghz <= 55.0:
        raise ValueError(f"no P.618 value at {attenuation_db!r} dB and {frequency_ghz!r} GHz")
    f = max(frequency_ghz, 6.0)
    tilt_loss = 1.0 - 0.484 * (1.0 + math.cos(math.radians(4.0 * tilt_deg)))
    if f < 9.0:
        c_f, v = 60.0 * math.log10(f) - 28.3, 30.8 * math.pow(f, -0.21)
    elif f < 36.0:
        c_f, v = 26.0 * math.log10(f) + 4.1, 12.8 * math.pow(f, 0.19) if f < 20.0 else 22.6
    else:
        c_f, v = 35.9 * math.log10(f) - 11.3, 22.6 if f < 40.0 else 13.0 * math.pow(f, 0.15)
    c_a = v * math.log10(attenuation_db)
    c_tilt = -10.0 * math.log10(tilt_loss)
    c_elevation = -40.0 * math.log10(math.cos(math.radians(min(elevation_deg, 60.0))))
    canting = {1.0: 0.0, 0.1: 5.0, 0.01: 10.0, 0.001: 15.0}.get(percent)
    if canting is None:  # between the tabled values, along the logarithm of the percentage
        canting = min(15.0, max(0.0, -5.0 * math.log10(percent)))
    rain = c_f - c_a + c_tilt + c_elevation + 0.0053 * canting**2
    total: float = rain - rain * (0.3 + 0.1 * math.log10(percent)) / 2.0 if ice else rain
    if frequency_ghz < 6.0:  # long-term scaling at the same tilt
        total -= 20.0 * math.log10(frequency_ghz / 6.0)
    return total
