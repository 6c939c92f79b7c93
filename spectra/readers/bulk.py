"""Rows of numbers converted in bulk: by their patterns, and by pandas' parser where those do not do and rows are many.

Both are only trusted where the rows are provably regular; every number is exactly ``float`` of its text. The cost of
a try that fails is bounded by what was looked at, so that many small tables cost no more than their own bytes.
"""

from __future__ import annotations

import math
import os
import re
import sys
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from spectra.readers.cells import LONGEST_CELL
from spectra.readers.convert import any_numbers, decimal_values
from spectra.readers.dialect import Dialect, Row, row_of
from spectra.readers.patterns import Columns, PatternReader
from spectra.units import FloatArray

__all__ = ["Pace", "bulk_columns"]

_DIGITS = b"0123456789+-eE \t\r\n"
_LARGE = 4 * 1024 * 1024
_LARGE_IF_LOADED = 256 * 1024
_STEP = 32768
_LEAST_STEP = 2048
_MOST_STEP = 1 << 17
_MOST_WORKERS = 4
_CHUNK = 2 * 1024 * 1024
_LEAST_ROWS = 1024
_FEW_ROWS = 24
_LEAST_BY_PATTERN = 32 * 1024


@dataclass(slots=True)
class Pace:
    """What the tables of a text so far say of the next one.

    Attributes
    ----------
    step : int
        Bytes looked at first.
    small : bool
        Whether few rows are expected: then they are read one by one, which costs less than setting out in bulk.
    whole : bool
        Whether it is worth trying to parse the whole rest of the text as one table (False after one failure).
    """

    step: int = _STEP
    small: bool = False
    whole: bool = True

    def after(self, size: int, rows: int) -> None:
        """Take note of a table of so many bytes and rows."""
        self.step = min(_STEP, max(_LEAST_STEP, 2 * size))
        self.small = rows <= _FEW_ROWS


def bulk_columns(
    data: bytes, start: int, row: Row, dialect: Dialect, pace: Pace
) -> tuple[tuple[FloatArray, ...], int] | None:
    """Return the columns of the regular rows from `start`, and where they end; None where the rows are not regular.

    Parameters
    ----------
    data : bytes
        The text, UTF-8.
    start : int
        Where the first row begins.
    row : Row
        How the first row looks.
    dialect : Dialect
    pace : Pace
        How far to look ahead.
    """
    if "N" not in row.kinds or "X" in row.kinds:
        return None
    allowed = _allowed(row, dialect)
    found = Columns(row.numbers)
    at, size, done = start, pace.step, False
    while at < len(data) and not done:
        end = data.find(b"\n", min(at + size, len(data) - 1)) + 1 or len(data)
        chunk = data[at:end]
        foreign = chunk.translate(None, allowed)
        if foreign:
            bad = min(chunk.find(bytes((byte,))) for byte in set(foreign))
            chunk = chunk[: chunk.rfind(b"\n", 0, bad) + 1]
            done = True
        values, used, count = _regular(chunk, row, dialect)
        if values is None:
            if not found.rows:
                return None
            break
        done = done or used < len(chunk)
        first = not found.rows
        if count:
            found.add(values)
        at += used
        if first and not done and len(data) - at >= _LEAST_BY_PATTERN:
            at = PatternReader(data, row, dialect).read(at, found)
            left = len(data) - at  # the end of the table, or rows that have no pattern
            rest = _pandas(data, start, row, dialect, pace) if left >= _LEAST_BY_PATTERN else None
            if rest is not None:
                return rest
        size = min(size * 2, _MOST_STEP)
    return (found.done(), at) if found.rows >= 2 else None


def _allowed(row: Row, dialect: Dialect) -> bytes:
    extra = dialect.delimiter + dialect.decimal + '"' + "".join(row.units)
    return _DIGITS + extra.encode("ascii", "ignore")


def _plain(row: Row, dialect: Dialect) -> bool:
    """Say whether a row is nothing but bare numbers."""
    return set(row.kinds) == {"N"} and not any(row.units) and dialect.delimiter in (",", ";", "\t", "")


def _pandas(
    data: bytes, start: int, row: Row, dialect: Dialect, pace: Pace
) -> tuple[tuple[FloatArray, ...], int] | None:
    """Convert all rows to the end of a large text with pandas' parser; None where that does not apply or fit."""
    size = len(data) - start
    large = size >= (_LARGE_IF_LOADED if "pandas" in sys.modules else _LARGE)
    if not (large and pace.whole and _plain(row, dialect)):
        return None
    pace.whole = False  # until it has gone well: many tables must not each try the whole rest
    end = _last_like(data, start, row, dialect)
    if end is None or end - start < size - 65536:
        return None
    import pandas as pd

    exact = _version(pd.__version__) >= (3, 1)
    first = data[start : data.find(b"\n", start)].rstrip(b"\r ")
    width = len(row.kinds)
    options: dict[str, Any] = {
        "header": None,
        "names": list(range(width + first.endswith(_mark(dialect)))),
        "usecols": list(range(width)),
        "sep": dialect.delimiter or "\x1f",
        "decimal": dialect.decimal,
        "dtype": np.float64,
        "quoting": 3,
        "skip_blank_lines": False,
        "na_filter": False,
        "low_memory": False,
        "chunksize": max(_LEAST_ROWS, _CHUNK // (len(first) + 1)),  # quicker than in one piece: memory is used again
    }
    if not exact:  # from 3.1 on every number is read exactly, and the option by which older ones did so is deprecated
        options["float_precision"] = "round_trip"

    parts = _parts(data, start, end, _workers(end - start) if exact else 1)

    def fill(columns: tuple[FloatArray, ...], part: tuple[int, int], at: int, stop: int) -> bool:
        source: Any = _Slices(data, *part)
        finite = True
        with pd.read_csv(source, **options) as chunks:
            for frame in chunks:
                for i, column in enumerate(columns):
                    values = frame[i].to_numpy()
                    finite = finite and math.isfinite(float(values.sum()))  # here, while they are at hand
                    column[at : at + len(frame)] = values
                at += len(frame)
        return finite and at == stop

    with warnings.catch_warnings(), ThreadPoolExecutor(len(parts)) as pool:
        warnings.simplefilter("error")
        run = map if len(parts) == 1 else pool.map  # the newer parser leaves the interpreter free
        try:
            upto = list(accumulate(run(partial(_lines, data), parts)))
            columns = tuple(np.empty(upto[-1]) for _ in range(width))
            whole = all(run(partial(fill, columns), parts, [0, *upto], upto))
        except (ValueError, UnicodeError, Warning, OverflowError):
            return None  # something irregular: the exact path finds out what
    if not whole:
        return None
    pace.whole = True
    return columns, end


class _Slices:
    """Bytes from a place to another as the file that a parser reads, without a copy of the whole."""

    def __init__(self, data: bytes, start: int, end: int) -> None:
        self._view, self._at, self._end = memoryview(data), start, end

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes."""
        at = self._at
        self._at = self._end if size < 0 else min(self._end, at + size)
        return bytes(self._view[at : self._at])

    def __iter__(self) -> Iterator[bytes]:
        """Return the lines (asked for only to tell a file)."""
        return iter(self.read().splitlines(keepends=True))


def _workers(size: int) -> int:
    return max(1, min(os.cpu_count() or 1, _MOST_WORKERS, size // _LARGE))


def _lines(data: bytes, part: tuple[int, int]) -> int:
    """Return how many lines stand between two places, the last perhaps without an end."""
    start, end = part
    raw = np.frombuffer(data, np.uint8, end - start, start)
    ends = sum(int(np.count_nonzero(raw[at : at + _MOST_STEP] == 10)) for at in range(0, raw.size, _MOST_STEP))
    return ends + int(raw[-1] != 10)


def _parts(data: bytes, start: int, end: int, count: int) -> list[tuple[int, int]]:
    """Cut a run of lines into about so many parts of equal size."""
    cuts = [start]
    for i in range(1, count):
        cut = data.find(b"\n", start + (end - start) * i // count, end) + 1
        if cut > cuts[-1]:
            cuts.append(cut)
    return list(pairwise([*cuts, end]))


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


def _regular(chunk: bytes, row: Row, dialect: Dialect) -> tuple[FloatArray | None, int, int]:
    """Return values of the leading rows that are regular, the bytes they take, and their count."""
    columns = row.kinds.count("N")
    empty: FloatArray = np.empty((0, columns))
    if not chunk:
        return empty, 0, 0
    text = chunk if chunk.endswith(b"\n") else chunk + b"\n"
    units = [unit for unit in row.units if unit]
    for unit in _longest_first(units):
        if re.search(re.escape(unit) + rb"[ \t]*[0-9.+-]", text):
            return None, 0, 0  # what follows would be joined to the number
        text = text.replace(unit, b"")
    if b'"' in text and (dialect.delimiter == dialect.decimal or not _quotes_round_cells(text, dialect)):
        return None, 0, 0
    text = text.translate(None, b'\r"')
    drop = b""
    if dialect.delimiter not in ("", " ") and (b" " in text or (b"\t" in text and dialect.delimiter != "\t")):
        if _blank_between_digits(text, dialect.decimal):
            return None, 0, 0
        drop = b" " if dialect.delimiter == "\t" else b" \t"
    text = text.translate(None, drop) if drop else text
    raw = np.frombuffer(text, np.uint8)
    good, marks = _regular_lines(raw, row, dialect)
    if good == 0:
        return empty, 0, 0
    used = len(chunk)
    if good < np.count_nonzero(raw == 10):
        length = _nth_newline(text, good)
        text, raw = text[:length], raw[:length]
        used = _nth_newline(chunk, good)
    if units and not _each_has_its_unit(chunk[:used], units, good):
        return None, 0, 0  # to be told with its line
    values = decimal_values(raw, marks, dialect.decimal) if marks is not None else None
    if values is None and not _LONG_CELL.search(text):
        values = any_numbers(text, dialect.delimiter, dialect.decimal)
    if values is None or values.size != good * columns:
        return None, 0, 0
    return values.reshape(good, columns), used, good


_LONG_CELL = re.compile(rb"[0-9.eE+-]{%d}" % (LONGEST_CELL + 1))


def _longest_first(units: list[str]) -> list[bytes]:
    """Return different units, those first that hold others (MHz before Hz)."""
    return [unit.encode() for unit in sorted(set(units), key=len, reverse=True)]


def _each_has_its_unit(text: bytes, units: list[str], rows: int) -> bool:
    for unit in _longest_first(units):
        if text.count(unit) != units.count(unit.decode()) * rows:
            return False
        text = text.replace(unit, b"")
    return True


def _nth_newline(text: bytes, n: int) -> int:
    ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
    return int(ends[n - 1]) + 1 if n <= ends.size else len(text)


def _quotes_round_cells(text: bytes, dialect: Dialect) -> bool:
    """Say whether every quote stands at the begin or the end of a cell, and none inside a number."""
    raw = np.frombuffer(text, np.uint8)
    edge = np.isin(raw, np.frombuffer(b'\n\r \t"' + dialect.delimiter.encode(), np.uint8))
    quotes = np.flatnonzero(raw == 34)
    after = np.minimum(quotes + 1, raw.size - 1)
    return bool((edge[quotes - 1] | edge[after] | (quotes == 0)).all())


def _blank_between_digits(text: bytes, decimal: str) -> bool:
    """Say whether a blank stands inside a number: such a cell is looked at on its own."""
    mark = ord(decimal)
    raw = np.frombuffer(text, np.uint8)
    blank = np.flatnonzero((raw == 32) | (raw == 9))
    blank = blank[(blank > 0) & (blank < raw.size - 1)]
    before, after = raw[blank - 1], raw[blank + 1]
    inside = ((before >= 48) & (before <= 57)) | (before == mark)
    inside &= ((after >= 48) & (after <= 57)) | (after == 43) | (after == 45) | (after == mark)
    run = (before >= 48) & (before <= 57) & (after == 32)  # several blanks after a digit: look at each by hand
    if run.any():
        stripped = b" ".join(text.split(b" "))
        return re.search(rb"[0-9.,][ \t]+[0-9+\-.,]", stripped) is not None
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
    width = int(np.searchsorted(marks, ends[0])) + 1 if dialect.delimiter else 1
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
