"""Load and save carrier tables: CSV that a spreadsheet opens and saves back.

    satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd,roll_off
    Kittiwake 2,13.5,H,11720,27500,0.2

Accepted as a spreadsheet leaves it: comma, semicolon or tab; decimal point or comma; UTF-8, UTF-16 or Windows-1252,
with or without byte-order mark; any line ends; columns in any order; headers in any case, with spaces or brackets;
unknown columns, which are kept. The units of `rf`, `symbol_rate` and `bandwidth` may be others than the contract's
if the header says so (`rf_ghz`, `symbol_rate_bd`, `bandwidth_mhz`); a table is saved in the contract's. What a
spreadsheet is known to do to cells is undone: code rates and dates rewritten as dates of the country, a leading
apostrophe before what looks like a formula.

A frequency is known to its last printed digit: 11720 to 1 MHz, 11720.500 to 1 kHz. A spreadsheet drops zeros at the
end, so `rf_step_khz`, a column beside the contract's, may state the rounding step of a row.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from spectra.errors import TableError
from spectra.plan.build import STEP_COLUMN, TEXTS, WORD_READERS, assemble
from spectra.plan.csvtext import Records, plain, read_records
from spectra.plan.numbers import QUANTITIES, Quantity, decimal_comma, parse_column, printed_steps, zeros_say_nothing
from spectra.plan.problems import TableProblem, told_once
from spectra.plan.table import CarrierTable
from spectra.plan.words import read_service, tidy
from spectra.units import FloatArray

__all__ = ["GUARDED", "Reading", "known_headers", "load_table", "read_table"]

_INNER = {"rf_mhz": "rf_hz", "symbol_rate_kbd": "symbol_rate_bd", "bandwidth_khz": "bandwidth_hz"}
_SPELLINGS = {"pol": "polarisation", "polarization": "polarisation", "notes": "remark", "remarks": "remark"}
_STEP = Quantity(STEP_COLUMN, "rf_step", {"khz": 1e3}, 1e-3, 1e9, "a rounding step above zero")
GUARDED = ("=", "+", "-", "@", "'")
"""A text cell that begins so is saved with an apostrophe in front, and read without it: a spreadsheet would take it
for a formula."""


def _header_names() -> dict[str, tuple[str, float]]:
    """Return `plain` header -> (column of the contract, value of its unit in the inner unit)."""
    names = {plain(name): (name, 1.0) for name in (*TEXTS, "service")}
    names |= {spelling: (name, 1.0) for spelling, name in _SPELLINGS.items()}
    for quantity in (*QUANTITIES, _STEP):
        for unit, factor in quantity.units.items():
            names[plain(quantity.stem + unit)] = (quantity.name, factor)
    names["orbitallongitude"] = ("orbital_longitude_deg", 1.0)
    names["satellitetilt"] = ("satellite_tilt_deg", 1.0)
    return names


_HEADERS = _header_names()


def known_headers() -> frozenset[str]:
    """Return every header that has a meaning, as `plain` compares them."""
    return frozenset(_HEADERS)


@dataclass(frozen=True, slots=True)
class Reading:
    """What a file gave: the table (cells that cannot be used left empty) and every problem of its cells."""

    file: str
    table: CarrierTable
    headers: dict[str, str]
    problems: tuple[TableProblem, ...]


def load_table(path: str | Path) -> CarrierTable:
    """Load a carrier table.

    Parameters
    ----------
    path : str or Path
        A CSV file; see the module's text for what is accepted.

    Returns
    -------
    CarrierTable
        With `warnings` for what was read in a way that should be known (one for each kind and column).

    Raises
    ------
    TableError
        For the first fault that keeps a cell from being used; `spectra.plan.check_table` gives all of them.
    """
    reading = read_table(path)
    stops = [problem for problem in reading.problems if problem.stops]
    if stops:
        first = stops[0]
        if len(stops) > 1:
            more = f"{first.mend} {len(stops) - 1} more: run the table check to see all."
            raise TableError(reading.file, first.line, first.found, first.expected, more, first.column)
        raise first.error(reading.file)
    return reading.table


def read_table(path: str | Path) -> Reading:
    """Read a table file with all its problems; raises only where the file as a whole cannot be read.

    Raises
    ------
    TableError
        If the file is no CSV text, or lacks a required column.
    """
    records, file = read_records(path, known_headers())
    problems: list[TableProblem] = []
    lines = records.lines
    columns = [_cells(column) for column in records.columns]
    for line, count in records.surplus:
        mend = "Put cells that hold the delimiter in quotation marks, or name the column in the header."
        found, expected = f"{count} cells", f"{len(records.header)} cells"
        problems.append(TableProblem("table.too_many_cells", "fault", line, None, found, expected, mend, True))
    where, headers, unknown = _match_header(records, columns, file, problems)
    if not lines:
        mend = "Add one line for each carrier below the header."
        problems.append(TableProblem("table.no_rows", "fault", None, None, "no rows", "at least one row", mend, True))

    numbers, steps = _numeric_columns(where, columns, lines, headers, problems)
    text, service = _text_columns(where, columns, lines, headers, problems)
    for name, index in unknown.items():
        text[name] = columns[index]
    for name in ("satellite", "rf_mhz"):
        mend = "Fill the cell, or take the row out."
        problems.extend(
            TableProblem("table.empty_cell", "fault", lines[i], headers[name], "an empty cell", name, mend, True)
            for i, cell in enumerate(columns[where[name][0]])
            if not cell
        )
    problems.sort(key=lambda problem: (problem.line or 0, problem.severity, problem.column or ""))
    warnings = [problem.error(file) for problem in told_once(one for one in problems if not one.stops)]
    table = assemble(file, lines, numbers, steps, service, text, warnings)
    return Reading(file, table, headers, tuple(problems))


def _cells(column: list[str]) -> list[str]:
    """Return stripped cells, without the apostrophe that keeps a spreadsheet from taking one for a formula."""
    joined = "".join(column)
    if not joined:
        return column
    cells = list(map(str.strip, column))
    if "\r" in joined:
        cells = [cell.replace("\r\n", "\n").replace("\r", "\n") for cell in cells]
    if "'" in joined:
        cells = [cell[1:] if cell[:1] == "'" and cell[1:2] in GUARDED else cell for cell in cells]
    return cells


def _match_header(
    records: Records, columns: list[list[str]], file: str, problems: list[TableProblem]
) -> tuple[dict[str, tuple[int, float]], dict[str, str], dict[str, int]]:
    """Return contract column -> (index, unit), contract column -> header as written, unknown column -> index."""
    where: dict[str, tuple[int, float]] = {}
    headers: dict[str, str] = {}
    unknown: dict[str, int] = {}
    line = records.header_line
    for index, header in enumerate(records.header):
        header = _cells([header])[0]
        match = _HEADERS.get(plain(header))
        name = match[0] if match else header
        if not header:
            if not any(columns[index]):
                continue  # spreadsheets leave empty columns at the right
            name = f"column {index + 1}"
            mend = "Name the column in the header."
            problems.append(TableProblem("table.no_header", "warning", line, name, "no name", "a name", mend))
        if name in where or name in unknown:
            mend = "Take one of the two columns out, or rename it."
            problems.append(
                TableProblem("table.column_twice", "fault", line, header, f"a second column {name}", "one", mend, True)
            )
        elif match:
            where[name] = index, match[1]
            headers[name] = header
        else:
            unknown[name] = index
    for name in ("satellite", "polarisation", "rf_mhz"):
        if name not in where:
            raise _missing_column(name, records, file, list(unknown))
    return where, headers, unknown


def _missing_column(name: str, records: Records, file: str, unknown: list[str]) -> TableError:
    found = f"no column {name} (columns: {', '.join(records.header)[:200]})"
    near = difflib.get_close_matches(name, unknown, n=1, cutoff=0.5)
    if name == "rf_mhz" and not near:
        near = [other for other in unknown if "freq" in other.lower()]
    hint = f" Perhaps {near[0]!r} is meant: rename it {name}." if near else ""
    mend = f"Add the column {name}.{hint}"
    return TableError(file, records.header_line, found, "satellite, polarisation, rf_mhz", mend, name)


def _numeric_columns(
    where: dict[str, tuple[int, float]],
    columns: list[list[str]],
    lines: Sequence[int],
    headers: dict[str, str],
    problems: list[TableProblem],
) -> tuple[dict[str, FloatArray], FloatArray]:
    present = [quantity for quantity in QUANTITIES if quantity.name in where]
    comma = decimal_comma([columns[where[quantity.name][0]] for quantity in present])
    numbers = {_INNER.get(one.name, one.name): np.full(len(lines), np.nan) for one in QUANTITIES}
    for quantity in present:
        index, factor = where[quantity.name]
        values, told = parse_column(columns[index], lines, quantity, headers[quantity.name], factor, comma)
        problems.extend(told)
        numbers[_INNER.get(quantity.name, quantity.name)] = values
    _turn_longitudes(numbers["orbital_longitude_deg"], lines, headers, problems)
    index, factor = where["rf_mhz"]
    steps = printed_steps(columns[index], numbers["rf_hz"], factor)
    if STEP_COLUMN in where:
        cells = columns[where[STEP_COLUMN][0]]
        stated, told = parse_column(cells, lines, _STEP, headers[STEP_COLUMN], 1e3, decimal_comma([cells]))
        problems.extend(told)
        steps = np.where(np.isfinite(stated), stated, steps)
    elif zeros_say_nothing(columns[index]):
        mend = f"Taken as known to the whole number; where it is known better, say so in a column {STEP_COLUMN}."
        told_as = TableProblem(
            "table.zero_digit", "warning", lines[0], headers["rf_mhz"], "only frequencies in .0", "printed digits", mend
        )
        problems.append(told_as)
    return numbers, steps


def _turn_longitudes(
    longitude_deg: FloatArray, lines: Sequence[int], headers: dict[str, str], problems: list[TableProblem]
) -> None:
    """Bring 180 to 360 degrees east to the west side, and say so."""
    for index in np.flatnonzero(longitude_deg > 180.0).tolist():
        east = float(longitude_deg[index])
        longitude_deg[index] = round(east - 360.0, 9)
        mend = f"Read as {longitude_deg[index]:g}; write it so."
        column = headers["orbital_longitude_deg"]
        problems.append(
            TableProblem("table.longitude_turn", "warning", lines[index], column, f"{east:g}", "-180 to 180", mend)
        )


def _text_columns(
    where: dict[str, tuple[int, float]],
    columns: list[list[str]],
    lines: Sequence[int],
    headers: dict[str, str],
    problems: list[TableProblem],
) -> tuple[dict[str, list[str]], list[bool]]:
    """Return the text columns of the contract in its own words, and the service flags."""
    text = {name: columns[where[name][0]] if name in where else [""] * len(lines) for name in TEXTS}
    for name in ("satellite", "beam"):
        neat = {cell: tidy(cell) for cell in set(text[name])}
        text[name] = [neat[cell] for cell in text[name]]
    for name, read in WORD_READERS:
        if name in where:
            text[name], told = read(text[name], lines, headers[name])
            problems.extend(told)
    service = [False] * len(lines)
    if "service" in where:
        service, told = read_service(columns[where["service"][0]], lines, headers["service"])
        problems.extend(told)
    return text, service
