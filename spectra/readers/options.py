"""What the user states about a file, checked once."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spectra.errors import UsageError
from spectra.sweep import DETECTORS, Detector
from spectra.units import FREQUENCY_UNITS, LEVEL_UNITS, MORE_LEVEL_UNITS

__all__ = ["Options"]


@dataclass(frozen=True, slots=True)
class Options:
    """Options of `read_sweep`; None where the user states nothing.

    Raises
    ------
    UsageError
        If an option makes no sense.
    """

    trace: str | int | None = None
    level_unit: str | None = None
    frequency_unit: str | None = None
    impedance_ohm: float = 50.0
    rbw_hz: float | None = None
    detector: Detector | None = None
    averages: int | None = None

    def __post_init__(self) -> None:
        if self.level_unit is not None and _key(self.level_unit) not in (*LEVEL_UNITS, *MORE_LEVEL_UNITS):
            raise _refuse(
                "level_unit", self.level_unit, f"one of dBm, dBmV, dBuV ({', '.join(MORE_LEVEL_UNITS.values())})"
            )
        if self.frequency_unit is not None and _key(self.frequency_unit) not in FREQUENCY_UNITS:
            raise _refuse("frequency_unit", self.frequency_unit, "one of Hz, kHz, MHz, GHz")
        if not (math.isfinite(self.impedance_ohm) and self.impedance_ohm > 0.0):
            raise _refuse("impedance_ohm", self.impedance_ohm, "a positive number of ohms")
        if self.rbw_hz is not None and not (math.isfinite(self.rbw_hz) and self.rbw_hz > 0.0):
            raise _refuse("rbw_hz", self.rbw_hz, "a positive number of hertz")
        if self.detector is not None and self.detector not in DETECTORS:
            raise _refuse("detector", self.detector, "one of " + ", ".join(DETECTORS))
        if self.averages is not None and not (1 <= self.averages < 10**9 and self.averages == int(self.averages)):
            raise _refuse("averages", self.averages, "a whole number, 1 or more")


def _key(unit: str) -> str:
    return unit.strip().lower().replace("µ", "u").replace("μ", "u")


def _refuse(name: str, value: object, expected: str) -> UsageError:
    return UsageError(f"option {name}", None, repr(value), expected, f"State --{name.replace('_', '-')} again.")
