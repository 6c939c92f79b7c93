"""Numeric cells of a carrier table: decimal marks, units of the column, printed digits, plausible ranges."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np

from spectra.plan.problems import TableProblem
from spectra.units import FloatArray

__all__ = [
    "QUANTITIES",
    "Quantity",
    "decimal_comma",
    "parse_column",
    "printed_steps",
    "printed_text",
    "value_step",
]

_SAFE = frozenset("0123456789.-+")
_DIGITS = frozenset("0123456789.")
_EMPTY = frozenset({"n/a", "na", "nan", "none", "null", "-", "–", "—", "?"})
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[ \u00a0\u2009\u202f'\u2019]\d{3})+(?:[.,]\d+)?")
_WITH_UNIT = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([A-Za-zµ%°/]+)")
_SLIPS = (1e-3, 1e3, 1e-6, 1e6, 1e-9, 1e9)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A numeric column: its unit in the contract, the units in which a file may give it, what is possible.

    `units` maps a unit of a header to its value in the table's inner unit (Hz, Bd); `low` and `high` bound, in that
    inner unit, what a cell can mean.
    """

    name: str
    stem: str
    unit: str
    units: dict[str, float]
    low: float
    high: float
    expected: str


_HZ = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_BD = {"bd": 1.0, "kbd": 1e3, "mbd": 1e6}
_ONE = {"": 1.0}
QUANTITIES = (
    Quantity(
        "orbital_longitude_deg", "orbital_longitude", "deg", {"deg": 1.0}, -180.0, 360.0, "degrees, east positive"
    ),
    Quantity("satellite_tilt_deg", "satellite_tilt", "deg", {"deg": 1.0}, -90.0, 90.0, "-90 to 90 degrees"),
    Quantity("rf_mhz", "rf", "mhz", _HZ, 1e9, 100e9, "a downlink frequency of 1 to 100 GHz"),
    Quantity("symbol_rate_kbd", "symbol_rate", "kbd", _BD, 100.0, 2e9, "a symbol rate of 0.1 kBd to 2 GBd"),
    Quantity("bandwidth_khz", "bandwidth", "khz", _HZ, 1.0, 5e9, "a bandwidth of 1 Hz to 5 GHz"),
    Quantity("roll_off", "roll_off", "", _ONE, 0.0, 1.0, "a roll-off of 0 to 1"),
    Quantity("reference_cn_db", "reference_cn", "db", {"db": 1.0}, -30.0, 60.0, "a C/N of -30 to 60 dB"),
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


def parse_column(
    cells: list[str], lines: Sequence[int], quantity: Quantity, column: str, factor: float, comma: bool
) -> tuple[FloatArray, list[TableProblem]]:
    """Return the values of a column in the inner unit (NaN where empty or unusable) and its problems."""
    problems: list[TableProblem] = []
    plain_cells = (
        [cell.replace(",", ".") for cell in cells] if comma and not any("." in cell for cell in cells) else cells
    )
    if _SAFE.issuperset("".join(plain_cells)):
        try:
            values = _floats(plain_cells)
        except ValueError:
            values = _slowly(cells, lines, quantity, column, comma, problems)
    else:
        values = _slowly(cells, lines, quantity, column, comma, problems)
    if factor != 1.0:
        values = np.round(values * factor, 3)  # a decimal fraction of MHz becomes the exact mHz again
    values += 0.0  # no negative zero
    _judge_range(values, cells, lines, quantity, column, factor, problems)
    return values, problems


def _floats(cells: list[str]) -> FloatArray:
    """Return the values of cells that are empty or numbers; by way of the distinct ones where there are few."""
    distinct = set(cells)
    if len(distinct) * 4 > len(cells):
        return np.array([float(cell or "nan") for cell in cells], dtype=np.float64)
    known = {cell: float(cell or "nan") for cell in distinct}
    return np.array(list(map(known.__getitem__, cells)), dtype=np.float64)


def _slowly(
    cells: list[str], lines: Sequence[int], quantity: Quantity, column: str, comma: bool, problems: list[TableProblem]
) -> FloatArray:
    values = np.full(len(cells), math.nan)
    for index, cell in enumerate(cells):
        if not cell:
            continue
        value, note = _read_cell(cell, quantity, comma)
        if note is not None:
            code, found, expected, mend = note
            severity = "warning" if value is not None else "fault"
            problems.append(
                TableProblem(code, severity, lines[index], column, found, expected, mend, stops=value is None)  # type: ignore[arg-type]  # literal by construction
            )
        if value is not None:
            values[index] = value
    return values


_Note = tuple[str, str, str, str]


def _read_cell(cell: str, quantity: Quantity, comma: bool) -> tuple[float | None, _Note | None]:
    """Return the value of an awkward cell and what is to be said of it; no value where it cannot be read one way."""
    mark, other = (",", ".") if comma else (".", ",")
    shown = repr(cell)
    text = cell.replace("\u2212", "-").lstrip("'").strip()
    note: _Note | None = None
    if text.lower() in _EMPTY:
        found, mend = f"{shown} for an empty cell", "Leave the cell empty."
        if quantity.name == "rf_mhz":
            return None, ("table.not_a_number", shown, f"a number ({quantity.expected})", "Write the frequency.")
        return math.nan, ("table.empty_word", found, "a number or nothing", mend)
    if _GROUPED.fullmatch(text):
        text = re.sub(r"[ \u00a0\u2009\u202f'\u2019]", "", text)
        note = ("table.grouped_digits", shown, "digits without grouping", f"Read as {text}; write it so.")
    if quantity.name == "orbital_longitude_deg" and text[-1:].upper() in {"E", "W"}:
        sign = -1.0 if text[-1].upper() == "W" else 1.0
        value, _ = _read_cell(text[:-1].strip(" °") or "?", quantity, comma)
        if value is not None and math.isfinite(value) and value >= 0.0:
            told = f"Read as {sign * value:g}; write it so."
            return sign * value, ("table.longitude_letter", shown, "a number of degrees, east positive", told)
    if quantity.name == "roll_off" and text.endswith("%"):
        value, _ = _read_cell(text[:-1].strip() or "?", quantity, comma)
        if value is not None and math.isfinite(value):
            told = f"Read as {value / 100.0:g}; write it so."
            return value / 100.0, ("table.percent", shown, "a fraction between 0 and 1", told)
    if other in text:
        return None, _wrong_mark(text, mark, other)
    try:
        decimal = Decimal(text.replace(mark, "."))
    except InvalidOperation:
        return None, _no_number(text, shown, quantity)
    value = float(decimal)
    if not math.isfinite(value) or "_" in text:
        return None, ("table.not_a_number", shown, f"a number ({quantity.expected})", "Write digits only.")
    if "e" in text.lower():
        mend = "Format the column as a plain number in the spreadsheet; digits may have been lost."
        note = ("table.exponent", shown, "a plain number", mend)
    return value, note


def _wrong_mark(text: str, mark: str, other: str) -> _Note:
    if mark in text:
        mend = f"Write the number without grouping, with {mark!r} as decimal mark."
        return "table.grouped_digits", f"{text!r} with two marks", f"one decimal mark, {mark!r}", mend
    mend = f"Write {text.replace(other, mark)!r}, or without the mark if it groups thousands."
    return "table.mixed_decimal_marks", repr(text), f"{mark!r} as decimal mark, as in the rest of the table", mend


def _no_number(text: str, shown: str, quantity: Quantity) -> _Note:
    match = _WITH_UNIT.fullmatch(text)
    if match:
        unit = quantity.unit.replace("hz", "Hz").replace("bd", "Bd") or "the plain fraction"
        mend = f"Write only the number, in {unit.replace('mHz', 'MHz')}; the unit stands in the header."
        return "table.unit_in_cell", shown, "a number without unit", mend
    mend = "Write the number" + (", or leave the cell empty." if quantity.name != "rf_mhz" else ".")
    return "table.not_a_number", shown, f"a number ({quantity.expected})", mend


def _judge_range(
    values: FloatArray,
    cells: list[str],
    lines: Sequence[int],
    quantity: Quantity,
    column: str,
    factor: float,
    problems: list[TableProblem],
) -> None:
    """Take values that no such quantity can have out of the column, and say what was probably meant."""
    if quantity.name in ("symbol_rate_kbd", "bandwidth_khz"):
        for index in np.flatnonzero(values == 0.0).tolist():
            mend = "Read as empty; leave the cell empty where there is none or it is not known."
            problems.append(
                TableProblem("table.zero", "warning", lines[index], column, cells[index], quantity.expected, mend)
            )
            values[index] = math.nan
    outside = np.flatnonzero((values < quantity.low) | (values > quantity.high))
    for index in outside.tolist():
        value = float(values[index])
        code, mend = "table.out_of_range", f"Correct the cell; the column holds {quantity.expected}."
        if quantity.units in (_HZ, _BD):
            slip = _probable_slip(value, quantity)
            if slip is not None:
                code, mend = "table.unit_slip", _slip_mend(value, slip, quantity, factor)
        elif quantity.name == "roll_off" and 1.0 < value <= 100.0:
            code, mend = "table.unit_slip", f"Probably per cent: write {value / 100.0:g}."
        problems.append(
            TableProblem(code, "fault", lines[index], column, cells[index], quantity.expected, mend, stops=True)
        )
    values[outside] = math.nan


def _probable_slip(value: float, quantity: Quantity) -> float | None:
    """Return the power of 1000 that makes a value typical of its column, the smallest first."""
    typical = {"rf_mhz": (1e9, 50e9), "symbol_rate_kbd": (1e4, 5e8), "bandwidth_khz": (1e4, 1e9)}[quantity.name]
    for slip in _SLIPS:
        if typical[0] <= abs(value) * slip <= typical[1]:
            return slip
    return None


def _slip_mend(value: float, slip: float, quantity: Quantity, factor: float) -> str:
    meant = {hz: unit for unit, hz in quantity.units.items()}.get(factor * slip)
    name = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz", "bd": "Bd", "kbd": "kBd", "mbd": "MBd"}
    here = next(unit for unit, hz in quantity.units.items() if hz == factor)
    right = f"{value * slip / factor:.10g}"
    if meant is None:
        return f"Probably a slip of unit: write {right} in {name[here]}."
    return f"The value looks like {name[meant]} in a column of {name[here]}: write {right}."


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
    if all(cell.endswith(".0") for cell in marked if cell):
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
