"""The uncertainty budget of each number, after JCGM 100 (clauses 4, 5 and 6; from memory).

A component is a standard uncertainty of some input, its distribution and divisor, and the sensitivity coefficient that
turns it into a contribution; contributions are independent and combine as the root of the sum of squares. What the
measurement itself states is the combination of its own components; what the instrument's papers declare comes on top.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from spectra.errors import MeasurementError
from spectra.measure.measurement import Carrier, Measurement
from spectra.units import DB_PER_NEPER, jsonable

__all__ = ["QUANTITIES", "Budget", "Component", "Instrument", "budget"]

QUANTITIES: dict[str, tuple[str, str]] = {
    "centre_hz": ("centre_std_hz", "Hz"),
    "symbol_rate_bd": ("symbol_rate_std_bd", "Bd"),
    "roll_off": ("roll_off_std", "1"),
    "occupied_bandwidth_hz": ("occupied_bandwidth_std_hz", "Hz"),
    "x_db_bandwidth_hz": ("x_db_bandwidth_std_hz", "Hz"),
    "power_dbm": ("power_std_db", "dB"),
    "cn_db": ("cn_std_db", "dB"),
    "cn0_dbhz": ("cn0_std_db", "dB"),
    "es_n0_db": ("es_n0_std_db", "dB"),
}
"""Quantity of a carrier: the name of its standard uncertainty, and its unit."""

COVERAGE = 2.0

_ENBW_PERCENT = 2.0
_DIVISORS = {"normal": 1.0, "rectangular": math.sqrt(3.0)}
_WIDTHS = ("symbol_rate_bd", "occupied_bandwidth_hz", "x_db_bandwidth_hz")
_WORDS = {
    "statistical": "noise of the trace's points (Fisher information)",
    "floor": "level of the floor under the carrier",
    "standing_wave": "standing waves of the line",
    "noise_bandwidth": "noise bandwidth of the RBW filter",
    "roll_off": "shape of the edges (roll-off not known)",
    "misfit": "departure of the carrier from a raised cosine",
    "reference": "frequency reference of the analyser",
    "level_accuracy": "level accuracy of the analyser",
    "frequency_rounding": "frequencies rounded by the analyser or the file",
    "level_rounding": "levels rounded by the file",
}


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the analyser's papers declare; half-widths of rectangular distributions.

    Attributes
    ----------
    reference_ppm : float, optional
        Of the frequency reference, either way.
    level_accuracy_db : float, optional
        Of the absolute level, either way.
    frequency_resolution_hz, level_resolution_db : float, optional
        Last digit of frequencies and levels.
    """

    reference_ppm: float | None = None
    level_accuracy_db: float | None = None
    frequency_resolution_hz: float | None = None
    level_resolution_db: float | None = None

    def __post_init__(self) -> None:
        for name in ("reference_ppm", "level_accuracy_db", "frequency_resolution_hz", "level_resolution_db"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0.0):
                raise MeasurementError(name, None, repr(value), "a number from 0 up", "Give it without a sign.")


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget: `value` over `divisor` is a standard uncertainty, times `sensitivity` its contribution."""

    name: str
    what: str
    kind: Literal["A", "B"]
    distribution: str
    value: float
    unit: str
    divisor: float
    sensitivity: float
    contribution: float
    declared: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the line as plain values."""
        result: dict[str, Any] = jsonable({name: getattr(self, name) for name in type(self).__dataclass_fields__})
        return result


@dataclass(frozen=True, slots=True)
class Budget:
    """The budget of one quantity of one carrier.

    Attributes
    ----------
    carrier : int
        Index in the measurement.
    quantity, unit : str
    value, stated_std : float
        As the measurement has them.
    components : tuple of Component
    combined_std, expanded : float
        The root of the sum of squares, declared terms included, and twice that (k = 2).
    """

    carrier: int
    quantity: str
    unit: str
    value: float
    stated_std: float
    components: tuple[Component, ...]
    combined_std: float
    expanded: float

    def to_dict(self) -> dict[str, Any]:
        """Return the budget as plain values."""
        names = ("carrier", "quantity", "unit", "value", "stated_std", "combined_std", "expanded")
        result: dict[str, Any] = jsonable({name: getattr(self, name) for name in names})
        return {**result, "coverage_factor": COVERAGE, "components": [c.to_dict() for c in self.components]}


def budget(measurement: Measurement, instrument: Instrument | None = None) -> tuple[Budget, ...]:
    """Return the budget of every number of every carrier that has an uncertainty.

    Parameters
    ----------
    measurement : Measurement
    instrument : Instrument, optional
        Declared terms, added to what the measurement states.

    Notes
    -----
    Without declared terms the combined standard uncertainty is the one that the measurement states. A measurement that
    was stored and read back knows no parts: its own uncertainty is then one line.
    """
    declared = instrument or Instrument()
    found = []
    for k, carrier in enumerate(measurement.carriers):
        for quantity, (std_name, unit) in QUANTITIES.items():
            value, std = getattr(carrier, quantity), getattr(carrier, std_name)
            if value is None or std is None:
                continue
            components = (*_own(carrier, quantity, std, unit), *_declared(carrier, quantity, unit, declared))
            combined = math.sqrt(sum(c.contribution**2 for c in components))
            found.append(Budget(k, quantity, unit, value, std, components, combined, COVERAGE * combined))
    return tuple(found)


def _own(carrier: Carrier, quantity: str, std: float, unit: str) -> Iterator[Component]:
    """Return what the stated uncertainty consists of; the statistical part is what the others leave."""
    parts = dict((carrier.parts or {}).get(quantity, {}))
    left = std * std
    lines = []
    if quantity in ("power_dbm", "cn0_dbhz") and carrier.kind != "cw":
        half = _ENBW_PERCENT / 100.0
        filter_std = DB_PER_NEPER * half / _DIVISORS["rectangular"]
        if filter_std < std:
            lines.append(_line("noise_bandwidth", "B", "rectangular", _ENBW_PERCENT, "%", DB_PER_NEPER / 100.0))
            left -= filter_std**2
    for name in ("floor", "standing_wave", "roll_off", "misfit"):
        part = min(parts.get(name, 0.0), math.sqrt(max(left, 0.0)))
        if part > 0.0:
            lines.append(_line(name, "A", "normal", part, unit, 1.0))
            left -= part * part
    yield _line("statistical", "A", "normal", math.sqrt(max(left, 0.0)), unit, 1.0)
    yield from lines


def _declared(carrier: Carrier, quantity: str, unit: str, instrument: Instrument) -> Iterator[Component]:
    """Return the declared terms that act on a quantity."""
    value = getattr(carrier, quantity)
    if instrument.reference_ppm is not None and (quantity == "centre_hz" or quantity in _WIDTHS):
        yield _line("reference", "B", "rectangular", instrument.reference_ppm, "ppm", value * 1e-6, True)
    step = instrument.frequency_resolution_hz
    if step is not None and quantity == "centre_hz":
        yield _line("frequency_rounding", "B", "rectangular", 0.5 * step, "Hz", 1.0, True)
    if step is not None and quantity in _WIDTHS:  # two edges
        yield _line("frequency_rounding", "B", "rectangular", 0.5 * step, "Hz", math.sqrt(2.0), True)
    if instrument.level_accuracy_db is not None and quantity == "power_dbm":
        yield _line("level_accuracy", "B", "rectangular", instrument.level_accuracy_db, "dB", 1.0, True)
    if instrument.level_resolution_db is not None and unit == "dB":
        yield _line("level_rounding", "B", "rectangular", 0.5 * instrument.level_resolution_db, "dB", 1.0, True)


def _line(
    name: str,
    kind: Literal["A", "B"],
    distribution: str,
    value: float,
    unit: str,
    sensitivity: float,
    declared: bool = False,
) -> Component:
    divisor = _DIVISORS[distribution]
    contribution = abs(sensitivity) * value / divisor
    return Component(name, _WORDS[name], kind, distribution, value, unit, divisor, sensitivity, contribution, declared)
