"""Decibels, hertz and dBm: arithmetic, conversion at the boundary, and printing to the digits that count."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DB_PER_NEPER",
    "FREQUENCY_UNITS",
    "LEVEL_UNITS",
    "MORE_LEVEL_UNITS",
    "FloatArray",
    "counted",
    "db",
    "dbm_offset",
    "decimals_for",
    "format_frequency",
    "format_value",
    "from_db",
    "jsonable",
    "significant",
]

FloatArray = NDArray[np.float64]

DB_PER_NEPER = 10.0 / math.log(10.0)
"""dB of power per neper of power, 10 log10(e)."""

FREQUENCY_UNITS: dict[str, float] = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
"""Hz in one unit; keys in lower case."""

LEVEL_UNITS = ("dbm", "dbmv", "dbuv")
"""Absolute level units that can be stated, in lower case; dBuV also stands for dBµV."""

MORE_LEVEL_UNITS = {unit.lower(): unit for unit in ["dBW", "dBpW", "dBV", "W", "mW", "uW", "nW", "pW", "V", "mV", "uV"]}
"""Units that can be stated besides, by their lower case: a reader brings such levels to dBm (there is no MW)."""


def db(ratio: Any) -> Any:
    """Return 10 log10 of a power ratio (scalar or array)."""
    return 10.0 * np.log10(ratio)


def from_db(value_db: Any) -> Any:
    """Return the power ratio of a value in dB (scalar or array)."""
    return 10.0 ** (np.asarray(value_db) / 10.0) if isinstance(value_db, np.ndarray) else 10.0 ** (value_db / 10.0)


def dbm_offset(unit: str, impedance_ohm: float = 50.0) -> float:
    """Return what must be added to a level in `unit` to get dBm.

    Parameters
    ----------
    unit : str
        One of `LEVEL_UNITS`, any case; ``dBµV`` is taken as ``dBuV``.
    impedance_ohm : float
        Impedance at which the voltage was read.

    Raises
    ------
    ValueError
        If the unit is not an absolute level or the impedance is not positive.

    Notes
    -----
    P = U^2 / R, so 0 dBuV is 10 log10(1e-12 / (R 1e-3)) dBm: -106.99 at 50 ohm, -108.75 at 75 ohm.
    """
    if not (impedance_ohm > 0.0 and math.isfinite(impedance_ohm)):
        raise ValueError(f"impedance must be positive, not {impedance_ohm!r} ohm")
    key = unit.strip().lower().replace("µ", "u").replace("μ", "u")
    if key == "dbm":
        return 0.0
    volt = {"dbuv": 1e-6, "dbmv": 1e-3}.get(key)
    if volt is None:
        raise ValueError(f"{unit!r} is no absolute level unit; use dBm, dBmV or dBuV")
    return 10.0 * math.log10(volt * volt / (impedance_ohm * 1e-3))


def decimals_for(std: float | None, most: int = 6) -> int:
    """Return the decimals that an uncertainty supports (two significant digits, JCGM 100 clause 7.2.6, from memory)."""
    if std is None or not math.isfinite(std) or std <= 0.0:
        return min(3, most)
    return max(0, min(most, 1 - math.floor(math.log10(std))))


def significant(value: float, digits: int = 2) -> str:
    """Return `value` with so many significant digits and no exponent."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:.0f}" if value == 0.0 else str(value)
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return ``1 carrier`` or ``3 carriers``; `many` where the plural is not the singular with an s."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def format_value(value: float | None, std: float | None = None, unit: str = "", scale: float = 1.0) -> str:
    """Return ``value ± std unit`` to the digits that the uncertainty supports; an en dash where there is no value."""
    if value is None:
        return "–"
    scaled = value / scale
    tail = f" {unit}" if unit else ""
    if std is None:
        return f"{scaled:.3f}{tail}"
    scaled_std = std / scale
    decimals = decimals_for(scaled_std)
    return f"{scaled:.{decimals}f} ± {scaled_std:.{decimals}f}{tail}"


def format_frequency(value_hz: float | None, std_hz: float | None = None, unit: str | None = None) -> str:
    """Return a frequency in MHz or kHz (whichever reads well, or as told), with its uncertainty."""
    if value_hz is None:
        return "–"
    if unit is None:
        unit = "MHz" if abs(value_hz) >= 1e6 else "kHz"
    return format_value(value_hz, std_hz, unit, FREQUENCY_UNITS[unit.lower()])


_PLAIN = frozenset((str, int, bool, type(None)))


def jsonable(value: Any) -> Any:
    """Return `value` with numpy scalars and arrays as plain numbers and lists, and what is not finite as None.

    JSON has no NaN, and the contract says that what could not be had is null.
    """
    kind = type(value)
    if kind in _PLAIN:  # nearly all there is: results hold thousands of values
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        # plain values are passed over here as well: a call costs more than all else that is done for one
        return {
            str(key): item
            if (kind := type(item)) in _PLAIN or (kind is float and math.isfinite(item))
            else jsonable(item)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [
            item if (kind := type(item)) in _PLAIN or (kind is float and math.isfinite(item)) else jsonable(item)
            for item in value
        ]
    if isinstance(value, np.ndarray):
        return jsonable(value.tolist())
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
