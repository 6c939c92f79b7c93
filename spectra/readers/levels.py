"""Levels in linear units, and in dB units that an analyser rarely shows: brought to dBm before all else.

A power needs no impedance; a voltage does, and is taken as an RMS voltage: what a linear display of an analyser shows.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.cells import LEVEL_UNITS, unit_key, unit_kind
from spectra.readers.draft import Draft
from spectra.readers.options import Options
from spectra.units import dbm_offset

__all__ = ["convertible", "impedance_of", "level_dbm", "to_dbm"]

_MILLIWATT = {"w": 1e3, "watt": 1e3, "watts": 1e3, "mw": 1.0, "milliwatt": 1.0, "milliwatts": 1.0}
_MILLIWATT |= {"uw": 1e-3, "microwatt": 1e-3, "microwatts": 1e-3, "nw": 1e-6, "pw": 1e-9}
_VOLT = {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "millivolt": 1e-3, "millivolts": 1e-3}
_VOLT |= {"uv": 1e-6, "microvolt": 1e-6, "microvolts": 1e-6}
_OVER_DBM = {"dbw": 30.0, "dbpw": -90.0}


def convertible(unit: str | None) -> bool:
    """Say whether a unit is none of dBm, dBmV, dBuV, but a level that can be brought to dBm."""
    key = unit_key(unit) if unit else ""
    return key in _MILLIWATT or key in _VOLT or key in _OVER_DBM or key == "dbv"


def level_dbm(value: float, unit: str, impedance_ohm: float) -> float | None:
    """Return a level in dBm, None where its unit is no level or it has no dB value.

    Parameters
    ----------
    value : float
    unit : str
        One of dBm, dBmV, dBuV, dBV, dBW, dBpW, or watts or volts with or without a prefix.
    impedance_ohm : float
        At which a voltage was read.
    """
    key = unit_key(unit)
    if key in LEVEL_UNITS:
        return value + dbm_offset(key, impedance_ohm)
    if key in _OVER_DBM:
        return value + _OVER_DBM[key]
    if key == "dbv":
        return value + dbm_offset("dbmv", impedance_ohm) + 60.0
    if not value > 0.0:
        return None
    if key in _MILLIWATT:
        return 10.0 * math.log10(value * _MILLIWATT[key])
    return 20.0 * math.log10(value * _VOLT[key]) + 30.0 - 10.0 * math.log10(impedance_ohm) if key in _VOLT else None


def impedance_of(draft: Draft, options: Options) -> float:
    """Return the impedance: as stated, else as the file tells, else 50 ohm; what is told and not used is noted."""
    told = draft.facts.number("impedance")
    if told is None or not math.isfinite(told) or told <= 0.0 or told == options.impedance_ohm:
        return options.impedance_ohm
    if options.impedance_ohm == 50.0:
        draft.assumptions.append(f"impedance {told:g} ohm as the file states")
        return told
    draft.warnings.append(
        f"quality.stated_differently: impedance {options.impedance_ohm:g} ohm stated, the file says {told:g} ohm"
    )
    return options.impedance_ohm


def to_dbm(draft: Draft, options: Options, impedance_ohm: float, name: str) -> Options:
    """Bring columns in watts, volts, dBW, dBpW or dBV to dBm; return the options that are still to be heeded.

    Where another column is in dBm, dBmV or dBuV, that one is the trace, and such a column something else (a supply).

    Raises
    ------
    SweepFormatError
        If a linear level of the only trace is zero or negative, which has no value in dB.
    """
    stated = options.level_unit if convertible(options.level_unit) else None
    if stated is None and (
        options.level_unit is not None or any(unit_kind(column.unit or "") == "level" for column in draft.columns)
    ):
        return options
    for column in draft.columns:
        told = column.unit or draft.facts.text("level_unit")
        unit = stated or told
        if unit is None or not convertible(unit):
            continue
        if stated and told and unit_key(told) != unit_key(stated):
            draft.warnings.append(f"quality.stated_differently: level unit {stated} stated, the file says {told}")
        key = unit_key(unit)
        values = column.values
        if key in _MILLIWATT or key in _VOLT:
            bad = np.flatnonzero(~(values > 0.0) & np.isfinite(values))
            if bad.size and len(draft.columns) == 1:
                raise SweepFormatError(
                    name,
                    draft.line_of(int(bad[0])),
                    f"a level of {values[bad[0]]:.6g} {unit}, which has no value in dB",
                    "powers or voltages above zero",
                    "Set the analyser to dBm and save again.",
                )
            if key in _MILLIWATT:
                values = 10.0 * np.log10(np.where(values > 0.0, values, np.nan) * _MILLIWATT[key])
            else:
                shift = 30.0 - 10.0 * math.log10(impedance_ohm)
                values = 20.0 * np.log10(np.where(values > 0.0, values, np.nan) * _VOLT[key]) + shift
        else:
            shift = level_dbm(0.0, unit, impedance_ohm) or 0.0
            values = values + shift
        column.values, column.unit = values, "dBm"
        at = f" at {impedance_ohm:g} ohm" if key in _VOLT or key == "dbv" else ""
        rms = ", taken as RMS voltages" if key in _VOLT else ""
        draft.assumptions.append(f"levels in {unit} converted to dBm{at}{rms}")
    return replace(options, level_unit=None) if stated else options
