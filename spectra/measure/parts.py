"""How much of a carrier's uncertainty is due to what, for the budget."""

from __future__ import annotations

import math

from spectra.units import DB_PER_NEPER

__all__ = ["modulated_parts", "plain_parts"]

_LEVELS = ("cn_db", "cn0_dbhz", "es_n0_db")


def plain_parts(floor_variance: float, wave_variance: float) -> dict[str, dict[str, float]]:
    """Return the parts of the ratios to the floor, from the variances of ln(floor); standing waves apart."""
    smooth = DB_PER_NEPER * math.sqrt(max(floor_variance - wave_variance, 0.0))
    wave = DB_PER_NEPER * math.sqrt(max(wave_variance, 0.0))
    own = {"floor": smooth, "standing_wave": wave}
    return {name: dict(own) for name in _LEVELS}


def modulated_parts(
    stds: dict[str, float], given: dict[str, float], floor_variance: float, wave_variance: float, inflation: float
) -> dict[str, dict[str, float]]:
    """Return the parts of every quantity of a raised cosine.

    Parameters
    ----------
    stds : dict
        Standard uncertainty by quantity, raised by the misfit.
    given : dict
        That of the widths were the roll-off known, raised as well.
    floor_variance, wave_variance : float
        Of ln(floor) at the carrier, not raised.
    inflation : float
        Of all variances by the misfit.
    """
    parts = plain_parts(floor_variance, wave_variance)
    for name, std in given.items():
        beyond = max(stds[name] ** 2 - std**2, 0.0) / inflation
        parts.setdefault(name, {})["roll_off"] = math.sqrt(beyond)
    if inflation > 1.0:
        for name, std in stds.items():
            parts.setdefault(name, {})["misfit"] = std * math.sqrt(1.0 - 1.0 / inflation)
    return parts
