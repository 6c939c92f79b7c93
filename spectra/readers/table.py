"""Tables: runs of rows of numbers that look alike, found in the text and converted.

Every number is exactly ``float`` of its text. Regular rows are converted in bulk; anything else goes cell by cell.
"""

from __future__ import annotations

import math
import re
from array import array
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.bulk import Pace, bulk_columns
from spectra.readers.cells import (
    BLANK_WORDS,
    FREQUENCY_SCALE,
    LONGEST_CELL,
    bare_number,
    is_time,
    number,
    split_row,
    unit_key,
)
from spectra.readers.dialect import Dialect, Row, row_of
from spectra.sweep import settle
from spectra.units import FloatArray

__all__ = ["Table", "read_table"]

_FEW_ROWS = 32
_PLAIN = (",", ";", "\t", "")


@dataclass(slots=True)
class Table:
    """Rows of numbers.

    Attributes
    ----------
    columns : tuple of ndarray, each of shape (rows,)
        Numbers; NaN where a cell says that there is no value.
    cells : tuple of int
        Which cell of the row each column is.
    units : tuple of str
        Unit standing in the cells of each column (or in the cell after it), "" for none.
    start, end : int
        Bytes of the text that the rows take.
    first_line, last_line : int
        1-based.
    width : int
        Cells in a row, trailing empty ones not counted.
    mixed : frozenset of int
        Columns whose cells came in different units of frequency and were brought to Hz.
    """

    columns: tuple[FloatArray, ...]
    cells: tuple[int, ...]
    units: tuple[str, ...]
    dialect: Dialect
    start: int
    end: int
    first_line: int
    last_line: int
    width: int
    mixed: frozenset[int] = frozenset()

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.columns[0].size)


def column_cells(row: Row) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Return which cells of a row are columns of numbers (or of no value), and their units."""
    cells = tuple(i for i, kind in enumerate(row.kinds) if kind in "NX")
    units = []
    for i in cells:
        unit = row.units[i]
        if not unit and i + 1 < len(row.kinds) and row.kinds[i + 1] == "u":
            unit = row.units[i + 1]
        units.append(unit)
    return cells, tuple(units)


def read_table(
    data: bytes, start: int, line: int, row: Row, dialect: Dialect, name: str, pace: Pace | None = None
) -> Table:
    """Read the table whose first row stands at `start`, to where its rows end.

    Parameters
    ----------
    data : bytes
        The text, UTF-8.
    start : int
        Where the first row begins.
    line : int
        1-based number of that line.
    row : Row
        How the first row looks.
    dialect : Dialect
    name : str
        File name for messages.
    pace : Pace, optional
        What earlier tables of the text say of this one; this one is noted in it.
    """
    pace = pace or Pace()
    table = _few_rows(data, start, line, row, dialect) if pace.small else None
    if table is None and pace.small:
        table = _row_by_row(data, start, line, row, dialect, name, _FEW_ROWS)
    if table is None and "D" not in row.kinds:
        bulk = bulk_columns(data, start, row, dialect, pace)
        if bulk is not None and not _goes_on(data, bulk[1], row, dialect):
            columns, end = bulk
            cells, units = column_cells(row)
            last = line + columns[0].size - 1
            table = Table(columns, cells, units, dialect, start, end, line, last, len(row.kinds))
    if table is None:
        table = _row_by_row(data, start, line, row, dialect, name, len(data))
        assert table is not None
    table = _thinning(data, table, row, name)
    for column in table.columns:
        settle(column)
    pace.after(table.end - table.start, table.rows)
    return table


def _thinning(data: bytes, table: Table, row: Row, name: str) -> Table:
    """Return a table with the rows that go on where pairs of its columns have ended, NaN in these.

    So a spreadsheet saves sweeps of unequal length that stand side by side: every row keeps its delimiters. A row
    with fewer of them is cut, and no part of the table.
    """
    if (
        not 4 <= row.numbers <= _MOST_BESIDE
        or row.numbers % 2
        or table.end >= len(data)
        or table.dialect.delimiter in ("", " ")
    ):
        return table
    text = data[table.end : data.find(b"\n", table.end) + 1 or len(data)].decode("utf-8", "replace").rstrip("\r\n")
    if len(split_row(text, table.dialect.delimiter)) < len(row.kinds):
        return table
    thin = row_of(text, table.dialect)
    pairs = thin.kinds.ljust(len(row.kinds), "E")
    same = all(
        a == b or (a == "N" and b in "EN") or (a in "uE" and b == "E") for a, b in zip(row.kinds, pairs, strict=False)
    )
    places = [i for i, kind in enumerate(row.kinds) if kind == "N"]
    gone = [i for i in places if pairs[i] == "E"]
    whole = all((pairs[a] == "E") == (pairs[b] == "E") for a, b in zip(places[::2], places[1::2], strict=True))
    if len(pairs) != len(row.kinds) or not same or not whole or not 0 < len(gone) < len(places):
        return table
    rest = read_table(data, table.end, table.last_line + 1, thin, table.dialect, name)
    columns = []
    for cell, column in zip(table.cells, table.columns, strict=True):
        more = rest.columns[rest.cells.index(cell)] if cell in rest.cells else np.full(rest.rows, math.nan)
        columns.append(np.concatenate((column, more)))
    return replace(table, columns=tuple(columns), end=rest.end, last_line=rest.last_line)


_FEW_BYTES = 4096
_MOST_BESIDE = 64


@lru_cache(maxsize=64)
def _bare_rows(numbers: int, delimiter: str, decimal: str) -> re.Pattern[bytes]:
    cell = f"[0-9eE+{decimal}-]{{1,{LONGEST_CELL}}}"
    return re.compile((f"(?:{cell}" + f"{delimiter}{cell}" * (numbers - 1) + "\r?\n)+").encode())


def _few_rows(data: bytes, start: int, line: int, row: Row, dialect: Dialect) -> Table | None:
    """Read a short table of bare numbers in one go; None where it is another, or goes on."""
    if set(row.kinds) != {"N"} or any(row.units) or dialect.delimiter not in _PLAIN or row.numbers > _FEW_ROWS:
        return None
    match = _bare_rows(row.numbers, dialect.delimiter, dialect.decimal).match(data, start, start + _FEW_BYTES)
    if match is None or match.end() > start + _FEW_BYTES - 256 or _goes_on(data, match.end(), row, dialect):
        return None
    text = match[0].replace(b"\r", b"")
    rows = text.count(b"\n")
    if dialect.decimal != ".":
        text = text.replace(dialect.decimal.encode(), b".")
    cells = text.replace(b"\n", dialect.delimiter.encode() or b"\n").split(dialect.delimiter.encode() or b"\n")
    try:
        values = np.array([float(cell) for cell in cells[:-1]]).reshape(rows, row.numbers)
    except ValueError:
        return None  # something that only looks like a number
    columns = tuple(np.ascontiguousarray(values[:, i]) for i in range(row.numbers))
    cell_places, units = column_cells(row)
    return Table(columns, cell_places, units, dialect, start, match.end(), line, line + rows - 1, len(row.kinds))


def _goes_on(data: bytes, at: int, row: Row, dialect: Dialect) -> bool:
    """Say whether the line at `at` belongs to the table though its bytes looked irregular."""
    if at >= len(data):
        return False
    line = data[at : data.find(b"\n", at) + 1 or len(data)]
    return _belongs(row_of(line.decode("utf-8", "replace").rstrip("\r\n"), dialect), row)


def _row_by_row(data: bytes, start: int, line: int, row: Row, dialect: Dialect, name: str, most: int) -> Table | None:
    """Read rows cell by cell, as long as they have the same numbers; units may change from row to row.

    None where there are more than `most` rows.
    """
    cells, units = column_cells(row)
    plain = _PlainRow(row, dialect) if not any(units[i] and row.units[c] for i, c in enumerate(cells)) else None
    scale = _Scale(row, units, name)
    out = array("d")
    at, number_of_line = start, line
    while at < len(data):
        end = data.find(b"\n", at) + 1 or len(data)
        text = data[at:end].decode("utf-8", "replace").rstrip("\r\n")
        values = plain.values(text) if plain is not None else None
        this = None
        if values is None:
            this = row_of(text, dialect)
            if at != start and not _belongs(this, row):
                break
            read = (number(this.texts[c], dialect.decimal) if this.kinds[c] == "N" else None for c in cells)
            values = [math.nan if value is None else value for value in read]
        if number_of_line - line >= most:
            return None
        scale.bring(values, this, out, number_of_line)
        out.extend(values)
        number_of_line += 1
        at = end
    matrix = np.frombuffer(out, np.float64).reshape(-1, len(cells))
    columns = tuple(np.ascontiguousarray(matrix[:, i]) for i in range(len(cells)))
    mixed = frozenset(i for i, hz in enumerate(scale.in_hz) if hz)
    last = number_of_line - 1
    return Table(columns, cells, scale.units, dialect, start, at, line, last, len(row.kinds), mixed)


class _Scale:
    """Units of the rows: numbers stay as written until a frequency comes in another unit; then the column is in Hz."""

    def __init__(self, first: Row, units: tuple[str, ...], name: str) -> None:
        self.first, self.usual, self.name = first, units, name
        self.factors = [FREQUENCY_SCALE.get(unit_key(unit)) for unit in units]
        self.in_hz = [False] * len(units)

    @property
    def units(self) -> tuple[str, ...]:
        """Unit of each column as it now stands."""
        return tuple("Hz" if hz else unit for unit, hz in zip(self.usual, self.in_hz, strict=True))

    def bring(self, values: list[float], this: Row | None, out: array[float], line: int) -> None:
        """Bring the values of a row to the unit of their columns; refuse a level in another unit than those before."""
        own = self.usual
        if this is not None and this.units != self.first.units and this.kinds == self.first.kinds:
            own = column_cells(this)[1]
        elif True not in self.in_hz:
            return
        for i, unit in enumerate(own):
            value = values[i]
            if math.isnan(value):
                continue
            factor = self.factors[i]
            if unit != self.usual[i]:
                factor = FREQUENCY_SCALE.get(unit_key(unit))
                if factor is None or self.factors[i] is None:
                    raise SweepFormatError(
                        self.name,
                        line,
                        f"{_in_unit('a number', unit)} after {_in_unit('rows', self.usual[i])}",
                        "one unit in a column",
                        "Export again in one unit.",
                    )
                self._turn_to_hz(i, out)
            if self.in_hz[i] and factor is not None:
                values[i] = value * factor

    def _turn_to_hz(self, column: int, out: array[float]) -> None:
        factor = self.factors[column]
        if not self.in_hz[column] and factor is not None:
            step = len(self.usual)
            for at in range(column, len(out), step):
                out[at] *= factor
        self.in_hz[column] = True


def _in_unit(what: str, unit: str) -> str:
    return f"{what} in {unit}" if unit else f"{what} without a unit"


class _PlainRow:
    """The quick way for rows whose numbers stand bare and whose other cells are those of the first row, or times."""

    def __init__(self, row: Row, dialect: Dialect) -> None:
        self.dialect = dialect
        self.numbers = [i for i, kind in enumerate(row.kinds) if kind in "NX"]
        self.times = [i for i, kind in enumerate(row.kinds) if kind == "D"]
        self.others = [(i, row.texts[i] or row.units[i]) for i, kind in enumerate(row.kinds) if kind in "uE"]
        self.width = len(row.kinds)

    def values(self, text: str) -> list[Any] | None:
        """Return the numbers of a row, None where the row must be looked at cell by cell."""
        if '"' in text and (self.dialect.delimiter == " " or text.count('"') % 2):
            return None
        cells = split_row(text, self.dialect.delimiter)
        if len(cells) != self.width:
            while len(cells) > self.width and not cells[-1].strip(' "'):
                cells.pop()
            if len(cells) != self.width:
                return None
        if any(cells[i].strip(' "') != word for i, word in self.others):
            return None
        if any(not cells[i].strip(' "')[:1].isdigit() or not is_time(cells[i]) for i in self.times):
            return None
        found: list[Any] = []
        for i in self.numbers:
            cell = cells[i].strip(' "')
            value = bare_number(cell, self.dialect.decimal)
            if value is None and cell.lower() not in BLANK_WORDS:
                return None
            found.append(math.nan if value is None else value)
        return None if all(map(math.isnan, found)) else found  # a row without any number is none of the table


def _belongs(row: Row, first: Row) -> bool:
    """Say whether a row continues the table, blanked cells allowed where the first row has numbers and the reverse."""
    if row.kinds == first.kinds:
        return "N" in row.kinds
    if len(row.kinds) != len(first.kinds):
        return False
    return (
        all(a == b or (a in "NXE" and b in "NX") for a, b in zip(row.kinds, first.kinds, strict=True))
        and "N" in row.kinds
    )
