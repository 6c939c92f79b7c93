"""The antenna's beam by a rule of thumb: its width from the diameter, a pointing error from a neighbour's level."""

from __future__ import annotations

import re

__all__ = ["beam_width_deg", "diameter_m", "pointing_error_deg"]

_BEAMWIDTH_DEG = 70.0  # times wavelength over diameter (textbook rule, from memory)
_DOWN = 12.0  # dB at a beamwidth off axis of a Gaussian beam, 12 (angle / beamwidth)^2 (derived)
_LIGHT = 299_792_458.0
_MAIN_BEAM = 1.2  # beamwidths off axis up to which a beam is Gaussian, 17 dB down (common practice, no source)


def diameter_m(antenna: str | None) -> float | None:
    """Return the diameter that the context's `antenna` begins with, such as ``1.0 m stabilised``; else None."""
    size = re.match(r"\s*(\d+(?:\.\d+)?)\s*m\b", antenna or "")
    return float(size[1]) if size is not None and float(size[1]) > 0.0 else None


def beam_width_deg(antenna_m: float, rf_hz: float) -> float:
    """Return the width of the beam between its half-power points: 70 wavelengths over the diameter (from memory)."""
    return _BEAMWIDTH_DEG * _LIGHT / rf_hz / antenna_m


def pointing_error_deg(down_db: float, separation_deg: float, antenna_m: float, rf_hz: float) -> float | None:
    """Return the pointing error towards a neighbour whose carriers stand `down_db` below the wanted ones.

    For a Gaussian beam of 70 wavelengths over diameter: (s^2 - down w^2 / 12) / (2 s), at equal powers on the ground
    (derived; beamwidth rule from memory). Negative: away from it. None where the neighbour would then stand beyond
    1.2 beamwidths: there a sidelobe may show it, and the beam tells nothing.
    """
    width = beam_width_deg(antenna_m, rf_hz)
    error = (separation_deg**2 - down_db * width**2 / _DOWN) / (2.0 * separation_deg)
    return error if separation_deg - error <= _MAIN_BEAM * width else None
