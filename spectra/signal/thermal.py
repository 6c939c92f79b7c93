"""Thermal noise: kT in dBm per hertz."""

from __future__ import annotations

import math

__all__ = ["BOLTZMANN_J_K", "STANDARD_TEMPERATURE_K", "noise_density_dbm_hz", "noise_temperature_k"]

BOLTZMANN_J_K = 1.380649e-23
"""Exact since the SI of 2019 (from memory; the tests hold it against `scipy.constants`, which takes long to load)."""

STANDARD_TEMPERATURE_K = 290.0
"""Reference temperature of noise figures (IEEE, from memory)."""


def noise_density_dbm_hz(temperature_k: float = STANDARD_TEMPERATURE_K) -> float:
    """Return k T in dBm per hertz (-173.98 at 290 K).

    Raises
    ------
    ValueError
        If the temperature is not positive.
    """
    if not temperature_k > 0.0:
        raise ValueError(f"temperature must be positive, not {temperature_k!r} K")
    return 10.0 * math.log10(BOLTZMANN_J_K * temperature_k / 1e-3)


def noise_temperature_k(density_dbm_hz: float) -> float:
    """Return the temperature whose thermal noise has this density."""
    return float(1e-3 * 10.0 ** (density_dbm_hz / 10.0) / BOLTZMANN_J_K)
