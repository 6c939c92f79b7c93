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
from dataclasses import dataclass, field
from functools import lru_cache, partial
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from spectra.readers.cells import LONGEST_CELL
from spectra.readers.dialect import Dialect, Row, row_of
from spectra.readers.patterns import Columns, PatternReader
from spectra.units import FloatArray

__all__ = ["Pace", "bulk_columns"]

_LARGE = 4 * 1024 * 1024
_LARGE_IF_LOADED = 256 * 1024
_STEP = 32768
_LEAST_STEP = 2048
_MOST_STEP = 1 << 17
_MOST_WORKERS = 4
_CHUNK = 2 * 1024 * 1024
_LEAST_ROWS = 1024
_FEW_ROWS = 24
_AT_ONCE = 64
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

    step: int = field(default_factory=lambda: _STEP)  # looked up when used: tests read small texts as if large
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
    if dialect.delimiter == dialect.decimal:
        return None
    found = Columns(row.numbers)
    at, size, done = start, pace.step, False
    while at < len(data) and not done:
        first, begun = not found.rows, at
        end = data.find(b"\n", min(at + size, len(data) - 1)) + 1 or len(data)
        at = _end_of_rows(data, at, end, row, dialect)
        done = at < end
        values = _regular(data[begun:at], row, dialect) if at > begun else None
        if values is None:
            at = begun
            break
        found.add(values)
        if first and not done and len(data) - at >= _LEAST_BY_PATTERN:
            at = PatternReader(data, row, dialect).read(at, found)
            left = len(data) - at  # the end of the table, or rows that have no pattern
            rest = _pandas(data, start, row, dialect, pace) if left >= _LEAST_BY_PATTERN else None
            if rest is not None:
                return rest
        size = min(size * 2, _MOST_STEP)
    return (found.done(), at) if found.rows >= 2 else None


def _end_of_rows(data: bytes, at: int, end: int, row: Row, dialect: Dialect) -> int:
    """Return where the rows like `row` end that are beyond doubt, from byte `at` to `end`, the end of a line."""
    bare = all(data.find(mark, at, end) < 0 for mark in (b'"', b" ", b"\t") if mark != dialect.delimiter.encode())
    rows = _rows(row.kinds, row.units, dialect, bare)
    match = rows.match(data, at, end)
    while match is not None:
        at = match.end()
        match = rows.match(data, at, end)
    if at < end == len(data) and data.find(b"\n", at) < 0 and rows.fullmatch(data[at:] + b"\n"):
        return end
    return at


@lru_cache(maxsize=128)
def _rows(kinds: str, units: tuple[str, ...], dialect: Dialect, bare: bool) -> re.Pattern[bytes]:
    """Return what matches up to a few dozen rows of these kinds of cells that are beyond doubt.

    In their cells stand the characters of numbers (with the very unit of the first row), alone or, where the text is
    not `bare`, in one pair of quotes and with blanks round them; there may be delimiters behind the last one. Whatever
    else may still be a row is left to the exact way, cell by cell.
    """
    delimiter = re.escape(dialect.delimiter.encode())
    number = b"[0-9eE+%s-]{1,%d}" % (dialect.decimal.encode(), LONGEST_CELL - 20)
    blank = b"" if bare else rb"[ ]*" if dialect.delimiter == "\t" else rb"[ \t]*"
    inside = b"" if dialect.delimiter == " " else blank
    cells = []
    for kind, unit in zip(kinds, units, strict=True):
        text = re.escape(unit.encode())
        if kind == "N":
            text = number + (b" {0,9}" + text if unit and inside else text)
        if not bare:
            text = inside + b"(?:" + text + b'|"' + inside + text + inside + b'")' + inside
        cells.append(inside if kind == "E" else text)
    line = (rb"[ \t]+" if dialect.delimiter == " " else delimiter).join(cells)
    if dialect.delimiter == " ":
        line = blank + line + blank
    elif delimiter:
        line += delimiter + b"*" if bare else b"(?:" + delimiter + blank + b")*"
    return re.compile(b"(?:" + line + rb"\r?\n){1,%d}" % _AT_ONCE)


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
            upto = list(accumulate(run(partial(_lines, data, first, dialect), parts)))
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


def _lines(data: bytes, first: bytes, dialect: Dialect, part: tuple[int, int]) -> int:
    """Return how many lines stand between two places, the last perhaps without an end.

    Raises
    ------
    ValueError
        If they are not as regular as the `first` row: what pandas would read, leave out or drop without a word and
        the exact way would not.
    """
    mark = dialect.delimiter.encode() or b"\v"  # which is not allowed: rows of one cell have none
    allowed = b"0123456789+-eE \t\r\n" + dialect.delimiter.encode() + dialect.decimal.encode()
    marks, count = first.count(mark), 0
    at, end = part
    while at < end:
        stop = data.find(b"\n", min(at + _MOST_STEP, end), end) + 1 or end
        piece = data[at:stop]
        raw = np.frombuffer(piece, np.uint8)
        ends = np.flatnonzero(raw == 10)
        lines = ends.size + int(raw[-1] != 10)
        regular = not piece.translate(None, allowed) and piece.count(mark) == lines * marks
        if regular and _longest(ends, raw.size) > LONGEST_CELL:
            regular = _longest(np.flatnonzero((raw == 10) | (raw == ord(mark))), raw.size) <= LONGEST_CELL
        if not regular:
            raise ValueError("rows that are not regular")
        count, at = count + lines, stop
    return count


def _longest(ends: npt.NDArray[np.int64], size: int) -> int:
    """Return how long the longest piece between `ends` is; the last one ends with the text, of `size`."""
    return int(np.diff(ends, prepend=-1, append=size).max()) - 1


def _parts(data: bytes, start: int, end: int, count: int) -> list[tuple[int, int]]:
    """Cut a run of lines into about so many parts of equal size."""
    cuts = [start]
    for i in range(1, count):
        cut = data.find(b"\n", start + (end - start) * i // count, end) + 1
        if cuts[-1] < cut < end:
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


def _regular(text: bytes, row: Row, dialect: Dialect) -> FloatArray | None:
    """Return the numbers of rows that are beyond doubt, shape (rows, numbers); None where they are not to be had."""
    rows = text.count(b"\n") + (not text.endswith(b"\n"))
    for unit in _longest_first(row.units):
        text = text.replace(unit, b"")
    points = bytes.maketrans((dialect.delimiter or " ").encode() + dialect.decimal.encode(), b" .")
    try:
        numbers = list(map(float, text.translate(points, b'"').decode("ascii").split()))
    except ValueError:
        return None
    return np.array(numbers).reshape(rows, row.numbers) if len(numbers) == rows * row.numbers else None


def _longest_first(units: tuple[str, ...]) -> list[bytes]:
    """Return different units, those first that hold others (MHz before Hz)."""
    return [unit.encode() for unit in sorted(set(units) - {""}, key=len, reverse=True)]
