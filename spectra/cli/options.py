"""Options that several commands share, and how their values are written."""

from __future__ import annotations

import argparse
import re
from typing import Any

from spectra.errors import UsageError
from spectra.sweep import DETECTORS
from spectra.units import FREQUENCY_UNITS, LEVEL_UNITS, MORE_LEVEL_UNITS

__all__ = ["add_reading_options", "frequency", "reading_options"]

_QUANTITY = re.compile(r"\s*([-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([kKmMgG]?[hH]?[zZ]?)\s*")
_SHORT = {"": "hz", "k": "khz", "m": "mhz", "g": "ghz"}


def frequency(text: str) -> float:
    """Return the hertz of ``300000``, ``300k``, ``300 kHz``, ``0,3 MHz``; no unit means Hz."""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no frequency; write it like 300kHz")
    unit = match[2].lower()
    factor = FREQUENCY_UNITS.get(_SHORT.get(unit, unit))
    if factor is None:
        raise argparse.ArgumentTypeError(f"{text!r} has no unit of frequency; write it like 300kHz")
    return float(match[1].replace(",", ".")) * factor


def _level_unit(text: str) -> str:
    if text.strip().lower().replace("µ", "u") not in (*LEVEL_UNITS, *MORE_LEVEL_UNITS):
        raise argparse.ArgumentTypeError(
            f"{text!r} is none of dBm, dBmV, dBuV ({', '.join(MORE_LEVEL_UNITS.values())})"
        )
    return text


def add_reading_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that state what a file does not say."""
    group = parser.add_argument_group("where the file does not say (what is stated here wins, and is noted)")
    group.add_argument("--trace", metavar="NAME", help="trace to take, where a file holds several")
    group.add_argument(
        "--level-unit", type=_level_unit, metavar="UNIT", help="dBm, dBmV or dBuV (also W, V and the like)"
    )
    group.add_argument("--frequency-unit", choices=("Hz", "kHz", "MHz", "GHz"), help="unit of the frequency column")
    group.add_argument("--impedance", type=float, metavar="OHM", help="for levels in volts (default 50)")
    group.add_argument("--rbw", type=frequency, metavar="WIDTH", help="resolution bandwidth, such as 300kHz")
    group.add_argument("--detector", choices=DETECTORS, help="detector of the trace")
    group.add_argument("--averages", type=int, metavar="N", help="count of sweeps averaged")


def reading_options(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return the keyword arguments of `read_sweep` that the options state (a sidecar may state the others)."""
    if arguments.impedance is not None and not arguments.impedance > 0.0:
        raise UsageError("--impedance", None, f"{arguments.impedance:g} ohm", "a positive number", "State 50 or 75.")
    if arguments.averages is not None and arguments.averages < 1:
        raise UsageError("--averages", None, str(arguments.averages), "1 or more", "State the sweeps averaged.")
    if arguments.rbw is not None and not arguments.rbw > 0.0:
        raise UsageError("--rbw", None, f"{arguments.rbw:g} Hz", "a positive width", "Write it like 300kHz.")
    stated = {
        "trace": arguments.trace,
        "level_unit": arguments.level_unit,
        "frequency_unit": arguments.frequency_unit,
        "impedance_ohm": arguments.impedance,
        "rbw_hz": arguments.rbw,
        "detector": arguments.detector,
        "averages": arguments.averages,
    }
    return {name: value for name, value in stated.items() if value is not None}
