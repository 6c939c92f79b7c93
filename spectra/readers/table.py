"""Tables: runs of rows of numbers that look alike, found in the text and converted in bulk.

Every number is exactly ``float`` of its text. The bulk paths convert bytes (NumPy for small tables, pandas' parser
for large ones) and are only trusted where the rows are provably regular; anything else goes cell by cell.
"""

from __future__ import annotations

import io
import math
import re
import sys
import warnings
from array import array
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from spectra.errors import SweepFormatError
from spectra.readers.cells import BLANK_WORDS, FREQUENCY_SCALE, bare_number, is_time, number, split_row, unit_key
from spectra.readers.convert import any_numbers, decimal_values
from spectra.readers.dialect import Dialect, Row, row_of
from spectra.units import FloatArray

__all__ = ["Table", "read_table"]

_DIGITS = b"0123456789+-eE \t\r\n"
_LARGE = 4 * 1024 * 1024
_LARGE_IF_LOADED = 256 * 1024
_STEP = 32768


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
    data: bytes, start: int, line: int, row: Row, dialect: Dialect, name: str, first_step: int = _STEP
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
    first_step : int
        Bytes looked at first; small where small tables are expected.
    """
    if "D" not in row.kinds:
        bulk = _pandas(data, start, line, row, dialect) or _numpy(data, start, line, row, dialect, first_step)
        if bulk is not None and not _goes_on(data, bulk.end, row, dialect):
            return bulk
    return _row_by_row(data, start, line, row, dialect, name)


def _goes_on(data: bytes, at: int, row: Row, dialect: Dialect) -> bool:
    """Say whether the line at `at` belongs to the table though its bytes looked irregular."""
    if at >= len(data):
        return False
    line = data[at : data.find(b"\n", at) + 1 or len(data)]
    return _belongs(row_of(line.decode("utf-8", "replace").rstrip("\r\n"), dialect), row)


def _allowed(row: Row, dialect: Dialect) -> bytes:
    extra = dialect.delimiter + dialect.decimal + '"' + "".join(row.units)
    return _DIGITS + extra.encode("ascii", "ignore")


def _plain(row: Row, dialect: Dialect) -> bool:
    """Say whether a row is nothing but bare numbers."""
    return set(row.kinds) == {"N"} and not any(row.units) and dialect.delimiter in (",", ";", "\t", "")


def _pandas(data: bytes, start: int, line: int, row: Row, dialect: Dialect) -> Table | None:
    """Convert a large plain table with pandas' parser; None where that does not apply or does not fit."""
    size = len(data) - start
    if size < (_LARGE_IF_LOADED if "pandas" in sys.modules else _LARGE) or not _plain(row, dialect):
        return None
    end = _last_like(data, start, row, dialect)
    if end is None or end - start < size - 65536:
        return None
    import pandas as pd

    # pandas from 3.1 on reads every number exactly and calls the option by which older ones did so deprecated
    options: dict[str, Any] = {} if _version(pd.__version__) >= (3, 1) else {"float_precision": "round_trip"}
    first = data[start : data.find(b"\n", start)].rstrip(b"\r ")
    width = len(row.kinds)
    stream = io.BytesIO(data if end == len(data) else data[:end])
    stream.seek(start)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            frame = pd.read_csv(
                stream,
                header=None,
                names=list(range(width + first.endswith(_mark(dialect)))),
                usecols=list(range(width)),
                sep=dialect.delimiter or "\x1f",
                decimal=dialect.decimal,
                dtype=np.float64,
                quoting=3,
                skip_blank_lines=False,
                keep_default_na=False,
                **options,
            )
    except (ValueError, UnicodeError, Warning, OverflowError):
        return None  # something irregular: the exact path finds out what
    columns = tuple(frame[i].to_numpy() for i in range(width))
    if not all(math.isfinite(float(column.sum())) for column in columns):
        return None
    rows = columns[0].size
    cells, units = column_cells(row)
    return Table(columns, cells, units, dialect, start, end, line, line + rows - 1, width)


def _mark(dialect: Dialect) -> bytes:
    return dialect.delimiter.encode() or b"\x00"


def _version(text: str) -> tuple[int, int]:
    major, minor = text.split(".")[:2]
    return int(major), int("".join(c for c in minor if c.isdigit()) or 0)


def _last_like(data: bytes, start: int, row: Row, dialect: Dialect) -> int | None:
    """Return the end of the last line that looks like `row`, looking back over at most a few dozen lines."""
    end = len(data)
    for _ in range(64):
        if end <= start:
            return None
        begin = data.rfind(b"\n", start, end - 1) + 1 or start
        if row_of(data[begin:end].decode("utf-8", "replace").rstrip("\r\n"), dialect).like(row):
            return end
        end = begin
    return None


def _numpy(data: bytes, start: int, line: int, row: Row, dialect: Dialect, step: int) -> Table | None:
    """Convert regular rows from `start` with NumPy; None where the first rows are not regular."""
    allowed = _allowed(row, dialect)
    pieces: list[FloatArray] = []
    at, size, rows, done = start, step, 0, False
    if "N" not in row.kinds or "X" in row.kinds:
        return None
    while at < len(data) and not done:
        end = data.find(b"\n", min(at + size, len(data) - 1)) + 1 or len(data)
        chunk = data[at:end]
        foreign = chunk.translate(None, allowed)
        if foreign:
            bad = min(chunk.find(byte) for byte in {foreign[i : i + 1] for i in range(len(foreign))})
            chunk = chunk[: chunk.rfind(b"\n", 0, bad) + 1]
            done = True
        values, used, count = _regular(chunk, row, dialect)
        if values is None:
            if not pieces:
                return None
            break
        if count:
            pieces.append(values)
        rows += count
        done = done or used < len(chunk)
        at += used
        size = min(size * 2, 1 << 17)
    if rows < 2:
        return None
    cells, units = column_cells(row)
    columns = tuple(np.concatenate([piece[:, i] for piece in pieces]) for i in range(len(cells)))
    return Table(columns, cells, units, dialect, start, at, line, line + rows - 1, len(row.kinds))


def _regular(chunk: bytes, row: Row, dialect: Dialect) -> tuple[FloatArray | None, int, int]:
    """Return values of the leading rows that are regular, the bytes they take, and their count."""
    columns = row.kinds.count("N")
    empty: FloatArray = np.empty((0, columns))
    if not chunk:
        return empty, 0, 0
    text = chunk if chunk.endswith(b"\n") else chunk + b"\n"
    for unit in sorted({unit for unit in row.units if unit}, key=len, reverse=True):
        text = text.replace(unit.encode(), b"")
    drop = b'\r"'
    if dialect.delimiter and dialect.delimiter != " ":
        if b'"' in text and dialect.delimiter == dialect.decimal:
            return None, 0, 0
        if b" " in text or (b"\t" in text and dialect.delimiter != "\t"):
            if _blank_between_digits(text):
                return None, 0, 0
            drop += b" " if dialect.delimiter == "\t" else b" \t"
    text = text.translate(None, drop)
    raw = np.frombuffer(text, np.uint8)
    good, marks = _regular_lines(raw, row, dialect)
    if good == 0:
        return empty, 0, 0
    used = len(chunk)
    if good < np.count_nonzero(raw == 10):
        length = _nth_newline(text, good)
        text, raw = text[:length], raw[:length]
        used = _nth_newline(chunk, good)
    values = decimal_values(raw, marks, dialect.decimal) if marks is not None else None
    if values is None:
        values = any_numbers(text, dialect.delimiter, dialect.decimal)
    if values is None or values.size != good * columns:
        return None, 0, 0
    return values.reshape(good, columns), used, good


def _nth_newline(text: bytes, n: int) -> int:
    ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
    return int(ends[n - 1]) + 1 if n <= ends.size else len(text)


def _blank_between_digits(text: bytes) -> bool:
    raw = np.frombuffer(text, np.uint8)
    blank = np.flatnonzero((raw == 32) | (raw == 9))
    blank = blank[(blank > 0) & (blank < raw.size - 1)]
    before, after = raw[blank - 1], raw[blank + 1]
    inside = (before >= 48) & (before <= 57) & (((after >= 48) & (after <= 57)) | (after == 43) | (after == 45))
    run = (before >= 48) & (before <= 57) & (after == 32)  # several blanks after a digit: look at each by hand
    if run.any():
        stripped = b" ".join(text.split(b" "))
        return re.search(rb"[0-9][ \t]+[0-9+\-]", stripped) is not None
    return bool(inside.any())


def _regular_lines(raw: npt.NDArray[np.uint8], row: Row, dialect: Dialect) -> tuple[int, npt.NDArray[np.int64] | None]:
    """Return how many leading lines have the same cells, filled and empty, as `row`, and where their cells end."""
    ends = np.flatnonzero(raw == 10)
    if dialect.delimiter == " ":
        blank = (raw == 32) | (raw == 9) | (raw == 10)
        starts = np.flatnonzero(~blank & np.concatenate(([True], blank[:-1])))
        upto = np.searchsorted(starts, ends)
        counts = np.diff(upto, prepend=0)
        wrong = np.flatnonzero(counts != row.kinds.count("N"))
        return int(wrong[0]) if wrong.size else int(ends.size), None
    marks = np.flatnonzero((raw == ord(dialect.delimiter)) | (raw == 10)) if dialect.delimiter else ends
    good = int(ends.size)
    width = int(np.flatnonzero(raw[marks[:256]] == 10)[0]) + 1 if dialect.delimiter else 1
    if width < len(row.kinds):
        return 0, None
    if marks.size != good * width or not np.array_equal(marks[width - 1 :: width], ends):
        per_line = np.diff(np.flatnonzero(raw[marks] == 10), prepend=-1)
        good = int(np.flatnonzero(per_line != width)[0])
        marks = marks[: good * width]
    lengths = np.empty(marks.size, marks.dtype)
    lengths[:1] = marks[:1] + 1
    np.subtract(marks[1:], marks[:-1], out=lengths[1:])
    filled = lengths > 1
    if width == len(row.kinds) == row.numbers:
        good = good if filled.all() else int(np.flatnonzero(~filled)[0]) // width
        return good, marks[: good * width]
    want = np.zeros(width, bool)
    want[[i for i, kind in enumerate(row.kinds) if kind == "N"]] = True
    differs = np.flatnonzero((filled.reshape(good, width) != want).any(axis=1))
    good = int(differs[0]) if differs.size else good
    return good, marks[: good * width]


def _row_by_row(data: bytes, start: int, line: int, row: Row, dialect: Dialect, name: str) -> Table:
    """Read rows cell by cell, as long as they have the same numbers; units may change from row to row."""
    cells, units = column_cells(row)
    scales = [FREQUENCY_SCALE.get(unit_key(unit)) for unit in units]
    plain = _PlainRow(row, dialect) if not any(units[i] and row.units[c] for i, c in enumerate(cells)) else None
    out = array("d")
    at, number_of_line = start, line
    while at < len(data):
        end = data.find(b"\n", at) + 1 or len(data)
        text = data[at:end].decode("utf-8", "replace").rstrip("\r\n")
        values = plain.values(text) if plain is not None else None
        if values is None:
            this = row_of(text, dialect)
            if at != start and not _belongs(this, row):
                break
            values = [number(this.texts[c], dialect.decimal) if this.kinds[c] == "N" else None for c in cells]
            _scale(values, this, row, units, scales, name, number_of_line)
        else:
            for i, scale in enumerate(scales):
                if scale is not None:
                    values[i] *= scale
        out.extend(math.nan if value is None else value for value in values)
        number_of_line += 1
        at = end
    scaled = tuple("Hz" if scale is not None else unit for unit, scale in zip(units, scales, strict=True))
    matrix = np.frombuffer(out, np.float64).reshape(-1, len(cells))
    columns = tuple(np.ascontiguousarray(matrix[:, i]) for i in range(len(cells)))
    return Table(columns, cells, scaled, dialect, start, at, line, number_of_line - 1, len(row.kinds))


def _scale(
    values: list[float | None],
    this: Row,
    first: Row,
    units: tuple[str, ...],
    scales: list[float | None],
    name: str,
    line: int,
) -> None:
    """Bring the frequencies of a row to Hz by its own units; refuse a level in another unit than the rows before."""
    own = column_cells(this)[1] if this.kinds == first.kinds else units
    for i, (unit, usual) in enumerate(zip(own, units, strict=True)):
        scale = FREQUENCY_SCALE.get(unit_key(unit)) if unit != usual else scales[i]
        if unit != usual and scale is None and values[i] is not None:
            raise SweepFormatError(
                name,
                line,
                f"unit {unit!r} after rows in {usual!r}",
                "one unit in a column",
                "Export again in one unit.",
            )
        value = values[i]
        if scale is not None and value is not None:
            values[i] = value * scale


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
        return found


def _belongs(row: Row, first: Row) -> bool:
    """Say whether a row continues the table, blanked cells allowed where the first row has numbers and the reverse."""
    if len(row.kinds) != len(first.kinds):
        return False
    return (
        all(a == b or (a in "NXE" and b in "NX") for a, b in zip(row.kinds, first.kinds, strict=True))
        and "N" in row.kinds
    )
