"""Numeric cells of a carrier table: decimal marks, units of the column, printed digits, plausible ranges."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np

from spectra.plan.problems import Severity, TableProblem
from spectra.units import FloatArray

__all__ = [
    "QUANTITIES",
    "Quantity",
    "decimal_comma",
    "parse_column",
    "printed_steps",
    "printed_text",
    "value_step",
    "zeros_say_nothing",
]

_SAFE = frozenset("0123456789.-+")
_DIGITS = frozenset("0123456789.")
_EMPTY = frozenset({"n/a", "na", "nan", "none", "null", "-", "–", "—", "?"})
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[ \u00a0\u2009\u202f'\u2019]\d{3})+(?:[.,]\d+)?")
_WITH_UNIT = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([A-Za-zµ%°/]+)")
_GROUPS = re.compile(r"[ \u00a0\u2009\u202f'\u2019]")
_SLIPS = (1e-3, 1e3, 1e-6, 1e6, 1e-9, 1e9)
_TYPICAL = {"rf_mhz": (1e9, 50e9), "symbol_rate_kbd": (1e4, 5e8), "bandwidth_khz": (1e4, 1e9)}
_PRINTED_UNITS = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz", "bd": "Bd", "kbd": "kBd", "mbd": "MBd"} | {
    "deg": "degrees",
    "db": "dB",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A numeric column: its unit in the contract, the units in which a file may give it, what is possible.

    `units` maps a unit of a header to its value in the table's inner unit (Hz, Bd); `low` and `high` bound, in that
    inner unit, what a cell can mean.
    """

    name: str
    stem: str
    units: dict[str, float]
    low: float
    high: float
    expected: str


_HZ = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_BD = {"bd": 1.0, "kbd": 1e3, "mbd": 1e6}
_ONE = {"": 1.0}
QUANTITIES = (
    Quantity("orbital_longitude_deg", "orbital_longitude", {"deg": 1.0}, -180.0, 360.0, "degrees, east positive"),
    Quantity("satellite_tilt_deg", "satellite_tilt", {"deg": 1.0}, -90.0, 90.0, "-90 to 90 degrees"),
    Quantity("rf_mhz", "rf", _HZ, 1e9, 100e9, "a downlink frequency of 1 to 100 GHz"),
    Quantity("symbol_rate_kbd", "symbol_rate", _BD, 100.0, 2e9, "a symbol rate of 0.1 kBd to 2 GBd"),
    Quantity("bandwidth_khz", "bandwidth", _HZ, 1.0, 5e9, "a bandwidth of 1 Hz to 5 GHz"),
    Quantity("roll_off", "roll_off", _ONE, 0.0, 1.0, "a roll-off of 0 to 1"),
    Quantity("reference_cn_db", "reference_cn", {"db": 1.0}, -30.0, 60.0, "a C/N of -30 to 60 dB"),
)
"""The numeric columns of the contract. RF bounds: satellite downlinks as used at sea (common practice, no source)."""


def decimal_comma(columns: Sequence[Sequence[str]]) -> bool:
    """Say whether the numeric columns of a file, taken together, use the comma as decimal mark."""
    joined = ["".join(cells) for cells in columns]
    if not any("," in text for text in joined):
        return False
    points = sum("." in cell for cells, text in zip(columns, joined, strict=True) if "." in text for cell in cells)
    commas = sum("," in cell for cells, text in zip(columns, joined, strict=True) if "," in text for cell in cells)
    return commas > points


@dataclass(frozen=True, slots=True)
class _Column:
    """A numeric column while it is read: what it is, how it is written, and what is to be told of it."""

    quantity: Quantity
    name: str
    factor: float
    comma: bool
    cells: list[str]
    lines: Sequence[int]
    problems: list[TableProblem]

    @property
    def unit(self) -> str:
        """The unit of its header, as printed."""
        return _PRINTED_UNITS.get(_unit_of(self.quantity, self.factor) or "", "")

    def number(self, value: float) -> str:
        """Return a number as it is to be written in this file."""
        text = printed_text(round(value, 9))
        return text.replace(".", ",") if self.comma else text

    def tell(self, index: int, code: str, found: str, expected: str, mend: str, *, fault: bool) -> None:
        """Note a problem of a cell; a fault keeps the table from being loaded."""
        severity: Severity = "fault" if fault else "warning"
        self.problems.append(
            TableProblem(code, severity, self.lines[index], self.name, found, expected, mend, stops=fault)
        )


def _unit_of(quantity: Quantity, factor: float) -> str | None:
    return next((unit for unit, value in quantity.units.items() if value == factor), None)


def parse_column(
    cells: list[str], lines: Sequence[int], quantity: Quantity, name: str, factor: float, comma: bool
) -> tuple[FloatArray, list[TableProblem]]:
    """Return the values of a column in the inner unit (NaN where empty or unusable) and its problems.

    Parameters
    ----------
    cells, lines : sequences of length n
        Stripped cells and their lines in the file.
    quantity : Quantity
    name : str
        The header as the file writes it.
    factor : float
        The header's unit in the inner unit.
    comma : bool
        Whether the file has decimal commas.
    """
    column = _Column(quantity, name, factor, comma, cells, lines, [])
    pointed = cells
    if comma and not any("." in cell for cell in cells):
        pointed = [cell.replace(",", ".") for cell in cells]
    values = None
    if _SAFE.issuperset("".join(pointed)):
        try:
            values = _floats(pointed)
        except ValueError:
            values = None
    if values is None:
        values = _slowly(column)
    if factor != 1.0:
        values = np.round(values * factor, 3)  # a decimal fraction of MHz becomes the exact mHz again
    values += 0.0  # no negative zero
    _judge_range(values, column)
    return values, column.problems


def _floats(cells: list[str]) -> FloatArray:
    """Return the values of cells that are empty or numbers; by way of the distinct ones where there are few."""
    distinct = set(cells)
    if len(distinct) * 4 > len(cells):
        return np.array([float(cell or "nan") for cell in cells], dtype=np.float64)
    known = {cell: float(cell or "nan") for cell in distinct}
    return np.array(list(map(known.__getitem__, cells)), dtype=np.float64)


def _slowly(column: _Column) -> FloatArray:
    values = np.full(len(column.cells), math.nan)
    for index, cell in enumerate(column.cells):
        if not cell:
            continue
        value, note = _read_cell(cell, column)
        if note is not None:
            column.tell(index, *note, fault=value is None)
        if value is not None:
            values[index] = value
    return values


_Note = tuple[str, str, str, str]


def _read_cell(cell: str, column: _Column) -> tuple[float | None, _Note | None]:
    """Return the value of an awkward cell and what is to be said of it; no value where it cannot be read one way."""
    mark, other = (",", ".") if column.comma else (".", ",")
    quantity, shown = column.quantity, repr(cell)
    text = cell.replace("\u2212", "-").lstrip("'").strip()
    note: _Note | None = None
    if text.lower() in _EMPTY:
        if quantity.name == "rf_mhz":
            return None, ("table.not_a_number", shown, f"a number ({quantity.expected})", "Write the frequency.")
        return math.nan, ("table.empty_word", f"{shown} for an empty cell", "a number or nothing", "Leave it empty.")
    if _GROUPED.fullmatch(text):
        text = _GROUPS.sub("", text)
        note = ("table.grouped_digits", shown, "digits without grouping", f"Read as {text}; write it so.")
    suffixed = _with_suffix(text, column)
    if suffixed is not None:
        return suffixed
    if other in text:
        return None, _wrong_mark(text, mark, other)
    try:
        value = float(Decimal(text.replace(mark, ".")))
    except InvalidOperation:
        return None, _no_number(text, shown, column)
    if not math.isfinite(value) or "_" in text:
        return None, ("table.not_a_number", shown, f"a number ({quantity.expected})", "Write digits only.")
    if "e" in text.lower():
        mend = "Format the column as a plain number in the spreadsheet; digits may have been lost."
        note = ("table.exponent", shown, "a plain number", mend)
    return value, note


def _with_suffix(text: str, column: _Column) -> tuple[float, _Note] | None:
    """Return what a longitude with E or W, or a roll-off in per cent, says; None for any other cell."""
    last = text[-1:].upper()
    if column.quantity.name == "orbital_longitude_deg" and last in {"E", "W"}:
        factor, code, expected = (-1.0 if last == "W" else 1.0), "table.longitude_letter", "degrees, east positive"
    elif column.quantity.name == "roll_off" and last == "%":
        factor, code, expected = 0.01, "table.percent", "a fraction between 0 and 1"
    else:
        return None
    value, _ = _read_cell(text[:-1].strip(" °") or "?", column)
    if value is None or not value >= 0.0:
        return None
    meant = round(factor * value, 9)
    return meant, (code, repr(text), expected, f"Read as {column.number(meant)}; write it so.")


def _wrong_mark(text: str, mark: str, other: str) -> _Note:
    if mark in text:
        mend = f"Write the number without grouping, with {mark!r} as decimal mark."
        return "table.grouped_digits", f"{text!r} with two marks", f"one decimal mark, {mark!r}", mend
    mend = f"Write {text.replace(other, mark)!r}, or without the mark if it groups thousands."
    return "table.mixed_decimal_marks", repr(text), f"{mark!r} as decimal mark, as in the rest of the table", mend


def _no_number(text: str, shown: str, column: _Column) -> _Note:
    if _WITH_UNIT.fullmatch(text):
        mend = f"Write only the number{f', in {column.unit}' if column.unit else ''}; the unit stands in the header."
        return "table.unit_in_cell", shown, "a number without unit", mend
    mend = "Write the number" + (", or leave the cell empty." if column.quantity.name != "rf_mhz" else ".")
    return "table.not_a_number", shown, f"a number ({column.quantity.expected})", mend


def _judge_range(values: FloatArray, column: _Column) -> None:
    """Take values that no such quantity can have out of the column, and say what was probably meant."""
    quantity = column.quantity
    if quantity.name in ("symbol_rate_kbd", "bandwidth_khz"):
        for index in np.flatnonzero(values == 0.0).tolist():
            mend = "Read as empty; leave the cell empty where there is none or it is not known."
            column.tell(index, "table.zero", column.cells[index], quantity.expected, mend, fault=False)
            values[index] = math.nan
    for index in np.flatnonzero((values < quantity.low) | (values > quantity.high)).tolist():
        code, mend = _out_of_range(float(values[index]), column)
        column.tell(index, code, column.cells[index], quantity.expected, mend, fault=True)
        values[index] = math.nan


def _out_of_range(value: float, column: _Column) -> tuple[str, str]:
    """Return code and remedy for a value (inner unit) that cannot be."""
    if column.quantity.name == "roll_off" and 1.0 < value <= 100.0:
        return "table.unit_slip", f"Probably per cent: write {column.number(value / 100.0)}."
    low, high = _TYPICAL.get(column.quantity.name, (math.inf, math.inf))
    for slip in _SLIPS:
        if low <= value * slip <= high:
            right = column.number(value * slip / column.factor)
            meant = _unit_of(column.quantity, column.factor * slip)
            if meant is None:
                return "table.unit_slip", f"Probably a slip of unit: write {right} in {column.unit}."
            looks = f"The value looks like {_PRINTED_UNITS[meant]} in a column of {column.unit}"
            return "table.unit_slip", f"{looks}: write {right}."
    return "table.out_of_range", f"Correct the cell; the column holds {column.quantity.expected}."


def zeros_say_nothing(cells: list[str]) -> bool:
    """Say whether every cell ends in '.0', as programs print whole numbers."""
    return bool(cells) and cells[0].endswith((".0", ",0")) and all(c.endswith((".0", ",0")) for c in cells if c)


def printed_steps(cells: list[str], values_hz: FloatArray, factor: float) -> FloatArray:
    """Return the value of the last printed digit of each cell, in Hz.

    Digits count as printed: '11720' is known to 1 MHz, '11720.5' to 0.1 MHz, '11720.500' to 1 kHz. Where every cell
    of the column ends in '.0' the zero is how programs print whole numbers, and does not count.

    Notes
    -----
    A spreadsheet drops trailing zeros when it saves; who knows a frequency better than its digits show states it in
    the column ``rf_step_khz``.
    """
    marked = [cell.replace(",", ".") for cell in cells]
    if zeros_say_nothing(cells):
        decimals = [0] * len(cells)
    else:
        decimals = [len(cell) - cell.find(".") - 1 if "." in cell else 0 for cell in marked]
    power = round(math.log10(factor))
    exact = {count: float(f"1e{power - count}") for count in set(decimals)}
    steps = np.array([exact[count] for count in decimals], dtype=np.float64)
    if not _DIGITS.issuperset("".join(marked)):
        for index, cell in enumerate(marked):
            if not _DIGITS.issuperset(cell) and np.isfinite(values_hz[index]):
                steps[index] = value_step(float(values_hz[index]))  # grouped or with an exponent: the digits are lost
    steps[~np.isfinite(values_hz)] = math.nan
    return steps


def printed_text(value: float) -> str:
    """Return the shortest decimal text, without exponent, that reads back to `value`."""
    text = repr(float(value))
    if "e" in text:
        text = format(Decimal(text), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def value_step(rf_hz: float) -> float:
    """Return the rounding step that a frequency shows when printed in MHz without trailing zeros, at most 1 MHz."""
    text = printed_text(round(rf_hz / 1e6, 9))
    decimals = len(text) - text.find(".") - 1 if "." in text else 0
    return float(f"1e{6 - decimals}")
