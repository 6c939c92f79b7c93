"""Rows of numbers by pattern: rows whose digits stand in the same places, converted as one matrix product.

A pattern is a row's length and the places of its digits; every other byte (points, signs, delimiters, units, quotes,
exponents, line end) must be the very same. Rows that a pattern fits are read by one product of their digits with
powers of ten. A row that fits no pattern yet is read by the exact way, cell by cell, and gives a new one.

Every number is exactly ``float`` of its text: the digits make a whole number below 2**53, whose parts are all doubles
without error in whatever order they are summed; the power of ten is at most 10**22, a double without error too; so
the one division or multiplication gives the double nearest to the decimal number.

References
----------
.. [1] W. D. Clinger, How to read floating point numbers accurately, PLDI 1990 (the fast path; from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
import numpy.typing as npt

from spectra.readers.cells import EDGE, number, split_row
from spectra.readers.dialect import Dialect, Row, row_of
from spectra.units import FloatArray

__all__ = ["Columns", "PatternReader"]

_TILE = 1 << 16
"""Bytes converted at a time: their digits as doubles still lie in a usual second-level cache."""
_RUN = _TILE // 8
_MOST_IDLE = 4
_MOST_ODD = 512
_MOST_MIXED = 1 << 19
_MOST_PATTERNS = 32
_MOST_MIXING = 8
_LONGEST_ROW = 600
_MOST_COLUMNS = 16
_MOST_DIGITS = 19
_EXACT = 2.0**53
_MOST_POWER = 22
_SKELETON = bytes.maketrans(b"123456789", b"000000000")
_NUMBER = re.compile(r"([+\-\u2212\u2013]?)([^eE]*)(?:[eE]([+-]?)([0-9]{1,3}))?")
_KEYS = np.random.default_rng(20260302).integers(1, 1 << 22, _LONGEST_ROW + 1).astype(np.float64)

_Bytes = npt.NDArray[np.uint8]
_Places = npt.NDArray[np.int64]


class Columns:
    """Columns of numbers that grow: room is made by what is still to come, and given back at the end."""

    def __init__(self, count: int) -> None:
        self.rows = 0
        self._columns: list[FloatArray] = [np.empty(0) for _ in range(count)]

    def room(self, rows: int, expected: int) -> list[FloatArray]:
        """Return where the next `rows` rows go; `expected` is how many may come in all after those there are."""
        if self.rows + rows > self._columns[0].size:
            for column in self._columns:
                column.resize(self.rows + max(rows, expected, self.rows // 4), refcheck=False)
        return [column[self.rows : self.rows + rows] for column in self._columns]

    def add(self, values: FloatArray, expected: int = 0) -> None:
        """Add rows, shape (rows, columns)."""
        for i, place in enumerate(self.room(len(values), expected)):
            place[:] = values[:, i]
        self.rows += len(values)

    def put(self, rows: _Places, values: list[FloatArray]) -> None:
        """Write numbers to rows that there are."""
        for column, numbers in zip(self._columns, values, strict=True):
            column[rows] = numbers

    def done(self) -> tuple[FloatArray, ...]:
        """Return the columns."""
        for column in self._columns:
            column.resize(self.rows, refcheck=False)
        return tuple(self._columns)


@dataclass(frozen=True, slots=True)
class _Scale:
    """What turns the whole number of a column into its value.

    A factor (negative for negative numbers) to multiply with or, for decimals, to divide by; in a column with an
    exponent the factors of each exponent, and which product that is (one of the two factors is always 1 or -1).
    """

    factor: float
    divide: bool
    product: int = -1
    times: FloatArray | None = None
    over: FloatArray | None = None


class _Pattern:
    """Rows of one length whose digits stand in the same places.

    `low` and `width` say of each byte of a row that it lies from `low` to ``low + width``; `weights` turn the bytes
    less `low` into the whole numbers of the columns, and after them into the exponents of those that have one.
    """

    def __init__(self, low: bytes, width: bytes, weights: FloatArray, scales: list[_Scale]) -> None:
        self.length, self.weights, self.scales = len(low), weights, scales
        self.key = float(
            np.where(np.frombuffer(width, np.uint8) > 0, 0.0, np.frombuffer(low, np.uint8)) @ _KEYS[: len(low)]
        )
        self.rows = max(1, _TILE // self.length)
        self._low, self._width, self._tiled = low, width, 0
        self._many = bool(9.0 * weights.sum(axis=0).max() >= _EXACT)  # digits enough for a number that is not exact
        self.low = self.width = np.empty(0, np.uint8)

    def digits(self, rows: _Bytes, count: int, room: _Room) -> tuple[_Bytes, npt.NDArray[np.bool_]]:
        """Return the bytes of rows less `low`, and which of them the pattern allows."""
        if self._tiled < count:  # no more of them than are needed: many patterns fit but a few rows
            self._tiled = min(self.rows, max(count, 4 * self._tiled))
            self.low = np.frombuffer(self._low * self._tiled, np.uint8)
            self.width = np.frombuffer(self._width * self._tiled, np.uint8)
        size = count * self.length
        digits = np.subtract(rows, self.low[:size], out=room.digits[:size])
        return digits, np.less_equal(digits, self.width[:size], out=room.allowed[:size])

    def fits(self, rows: _Bytes, count: int, room: _Room) -> bool:
        """Say whether the pattern fits all of some rows; their digits are then in the room."""
        return bool(self.digits(rows, count, room)[1].all())

    def convert(self, digits: _Bytes, count: int, room: _Room, into: list[FloatArray]) -> bool:
        """Write the numbers of rows; False where one cannot be had exactly this way."""
        size = count * self.length
        wide = room.wide[:size]
        np.copyto(wide, digits[:size])
        whole = (wide.reshape(count, self.length) @ self.weights).T
        if self._many and not float(whole.max()) < _EXACT:
            return False
        for scale, column, out in zip(self.scales, whole, into, strict=False):
            if scale.times is not None and scale.over is not None:
                exponents = whole[scale.product].astype(np.intp)
                if int(exponents.max()) >= scale.times.size:
                    return False
                np.multiply(column, scale.times[exponents], out=out)
                out /= scale.over[exponents]
            elif scale.divide:
                np.divide(column, scale.factor, out=out)
            else:
                np.multiply(column, scale.factor, out=out)
        return True


def _keys(text: _Bytes, length: int, room: _Room) -> FloatArray:
    """Return a sum for each row over its bytes but for the digits, by which rows of different patterns differ.

    A whole number below 2**53; that two patterns have the same is possible, and then found out by the pattern.
    """
    others = np.greater(np.subtract(text, 48, out=room.digits[: text.size]), 9, out=room.allowed[: text.size])
    wide = room.wide[: text.size]
    np.copyto(wide, np.multiply(text, others, out=room.digits[: text.size]))
    keys: FloatArray = wide.reshape(-1, length) @ _KEYS[:length]
    return keys


class _Room:
    """Working room, used again for every tile."""

    def __init__(self) -> None:
        self.digits = np.empty(_TILE, np.uint8)
        self.allowed = np.empty(_TILE, np.bool_)
        self.wide = np.empty(_TILE)


class PatternReader:
    """Reads the rows of a table by their patterns.

    Parameters
    ----------
    data : bytes
        The text, UTF-8.
    row : Row
        How the rows of the table look.
    dialect : Dialect
    """

    def __init__(self, data: bytes, row: Row, dialect: Dialect) -> None:
        self._data, self._row, self._dialect = data, row, dialect
        self._raw = np.frombuffer(data, np.uint8)
        self._patterns: dict[bytes, _Pattern] = {}
        self._by_length: dict[int, list[_Pattern]] = {}
        self._room = _Room()

    def read(self, at: int, into: Columns) -> int:
        """Convert the rows from byte `at` on; return where the first stands that has no pattern.

        A last row without a line end is left alone.
        """
        if not 0 < self._row.numbers <= _MOST_COLUMNS:
            return at
        usual, size, whole = float(_TILE), _TILE, True  # bytes in a run of rows of one pattern; bytes of a mixed piece
        while whole and at < len(self._data):
            if usual < _RUN:
                if len(self._patterns) > _MOST_MIXING:
                    break  # so many in turn that other ways are as quick
                at, usual, whole = self._mixed(at, size, into)
                size = min(2 * size, _MOST_MIXED)
            else:
                at, usual, whole = self._runs(at, into)
                size = _TILE
        return at

    def _expected(self, at: int, length: float) -> int:
        """Return how many rows of a length may still come from byte `at` on, a few more rather than less."""
        return int((len(self._data) - at) / length * 1.01) + 64

    def _runs(self, at: int, into: Columns) -> tuple[int, float, bool]:
        """Convert rows of one pattern with single odd rows among them, as long as there are not too many of those.

        Returns where the rows end, how long a run of rows of the one pattern is, and whether all had a pattern.
        """
        end = self._data.find(b"\n", at, at + _LONGEST_ROW)
        pattern = self._pattern(self._data[at : end + 1]) if end >= 0 else None
        if pattern is None:
            return at, 0.0, False
        begun, runs, idle, whole = at, 0, 0, True
        odd: list[tuple[int, int, int]] = []
        while whole:
            before = at
            at = self._run(pattern, at, into)
            runs += 1
            idle = idle + 1 if at == before else 0
            end = self._data.find(b"\n", at, at + _LONGEST_ROW)
            whole = end >= 0 and self._pattern(self._data[at : end + 1]) is not None
            if not whole or idle >= _MOST_IDLE or (runs > _MOST_IDLE and at - begun < runs * _RUN):
                break
            odd.append((at, end, into.rows))
            into.room(1, self._expected(at, pattern.length))
            into.rows += 1
            at = end + 1
            if len(odd) == _MOST_ODD:
                at, whole = self._odd(odd, at, into)
                odd.clear()
        usual = (at - begun) / runs
        if odd:
            at, well = self._odd(odd, at, into)
            whole = whole and well
        return at, usual, whole

    def _odd(self, odd: list[tuple[int, int, int]], at: int, into: Columns) -> tuple[int, bool]:
        """Convert rows for which a place was left; where one is no row, all after it are dropped."""
        starts, ends, rows = (np.array(values) for values in zip(*odd, strict=True))
        values = [np.empty(rows.size) for _ in range(self._row.numbers)]
        good = self._lines(ends, ends - starts + 1, values)
        into.put(rows[:good], [column[:good] for column in values])
        if good == rows.size:
            return at, True
        into.rows = int(rows[good])
        return int(starts[good]), False

    def _run(self, pattern: _Pattern, at: int, into: Columns) -> int:
        """Convert rows from `at` on as long as one and the same pattern fits; return where it does not."""
        length = pattern.length
        while True:
            count = min(pattern.rows, (len(self._data) - at) // length)
            if count == 0:
                return at
            digits, allowed = pattern.digits(self._raw[at : at + count * length], count, self._room)
            first = int(allowed.argmin())
            good = count if allowed[first] else first // length
            if good == 0:
                return at
            if not pattern.convert(digits, good, self._room, into.room(good, self._expected(at, length))):
                return at
            into.rows += good
            at += good * length
            if good < count:
                return at

    def _mixed(self, at: int, size: int, into: Columns) -> tuple[int, float, bool]:
        """Convert about so many bytes of rows of different patterns.

        Returns where they end, how long a run of rows of one length is, and whether all had a pattern.
        """
        end = self._data.rfind(b"\n", at, at + size) + 1
        if end <= at:
            return at, 0.0, False
        ends = at + np.flatnonzero(self._raw[at:end] == 10)
        lengths = np.diff(ends, prepend=at - 1)
        if lengths.max() > _LONGEST_ROW:
            ends = ends[: int(np.argmax(lengths > _LONGEST_ROW))]
            lengths = lengths[: ends.size]
        good = self._lines(ends, lengths, into.room(ends.size, self._expected(at, (end - at) / max(1, ends.size))))
        into.rows += good
        after = int(ends[good - 1]) + 1 if good else at
        runs = 1 + int(np.count_nonzero(lengths[1:] != lengths[:-1]))
        return after, (end - at) / runs, after == end

    def _lines(self, ends: _Places, lengths: _Places, place: list[FloatArray]) -> int:
        """Write the numbers of lines that end at `ends`; return how many leading ones are rows."""
        good = ends.size
        for length in np.flatnonzero(np.bincount(lengths)).tolist() if good else ():
            rows = np.flatnonzero(lengths[:good] == length)
            good = self._of_length(length, rows, ends, place, good)
        return good

    def _of_length(self, length: int, rows: _Places, ends: _Places, place: list[FloatArray], good: int) -> int:
        """Convert the rows of one length among others; return how many leading rows of all are good so far."""
        shifted = np.ndarray((len(self._data) - length + 1,), f"V{length}", self._data, 0, (1,))
        most = max(1, _TILE // length)
        for part in (rows[i : i + most] for i in range(0, rows.size, most)):
            lines = part[part < good]
            if not lines.size:
                break
            good = self._tile(shifted[ends[lines] + (1 - length)], length, lines, place, good)
        return good

    def _tile(self, rows: npt.NDArray[np.void], length: int, lines: _Places, place: list[FloatArray], good: int) -> int:
        """Convert rows of one length, not too many; return how many leading rows of all are good so far."""
        patterns = self._by_length.setdefault(length, [])
        text, room = rows.view(np.uint8), self._room
        if len(patterns) == 1 and patterns[0].fits(text, lines.size, room):
            return good if self._put(patterns[0], lines.size, lines, place) else min(good, int(lines[0]))
        keys = _keys(text, length, room)
        left, known = lines.size, 0
        while left:
            if known == len(patterns):
                strange = ~np.isin(keys, [pattern.key for pattern in patterns])
                first = int(strange.argmax())
                if not strange[first] or self._pattern(rows[first].tobytes()) is None or known == len(patterns):
                    return min(good, int(lines[first]))
            chosen = np.flatnonzero(keys == patterns[known].key)
            if chosen.size:
                fits = patterns[known].fits(rows[chosen].view(np.uint8), chosen.size, room)
                if not (fits and self._put(patterns[known], chosen.size, lines[chosen], place)):
                    good = min(good, int(lines[chosen[0]]))
            left -= chosen.size
            known += 1
        return good

    def _put(self, pattern: _Pattern, count: int, lines: _Places, place: list[FloatArray]) -> bool:
        """Write the numbers of rows just found to fit a pattern; False where one cannot be had exactly."""
        values = [np.empty(count) for _ in place]
        if not pattern.convert(self._room.digits, count, self._room, values):
            return False
        for column, numbers in zip(place, values, strict=True):
            column[lines] = numbers
        return True

    def _pattern(self, line: bytes) -> _Pattern | None:
        """Return the pattern of a line, None if it has none."""
        skeleton = line.translate(_SKELETON)
        if skeleton not in self._patterns:
            new = _pattern_of(line, self._row, self._dialect) if len(self._patterns) < _MOST_PATTERNS else None
            if new is None:
                return None
            self._patterns[skeleton] = new
            self._by_length.setdefault(len(line), []).append(new)
        return self._patterns[skeleton]


def _pattern_of(line: bytes, row: Row, dialect: Dialect) -> _Pattern | None:
    """Return the pattern of a line, None where it does not look like `row` or a number cannot be had exactly."""
    text = line.decode("utf-8", "replace")
    if len(text.encode()) != len(line):
        return None
    this = row_of(text.rstrip("\r\n"), dialect)
    if this.kinds != row.kinds or this.units != row.units:
        return None
    width, low = bytearray(len(line)), bytearray(line)
    weights: list[FloatArray] = []
    exponents: list[FloatArray] = []
    scales: list[_Scale] = []
    offset = [0, *accumulate(len(char.encode()) for char in text)]
    at = 0
    for i, cell in enumerate(split_row(text, dialect.delimiter)[: len(this.kinds)]):
        start = text.index(cell, at)
        at = start + len(cell) + (dialect.delimiter not in ("", " "))
        if this.kinds[i] != "N":
            continue
        found = _parts_of(this.texts[i], dialect.decimal)
        if found is None:
            return None
        digits, powers, scale = found
        start += len(cell) - len(cell.lstrip(EDGE))
        for places, into in ((digits, weights), (powers, exponents)):
            if places or into is weights:
                column = np.zeros(len(line))
                for power, place in enumerate(reversed(places)):
                    byte = offset[start + place]
                    width[byte], low[byte] = 9, 48
                    column[byte] = 10**power
                into.append(column)
        if powers:
            scale = replace(scale, product=row.numbers + len(exponents) - 1)
        scales.append(scale)
    return _Pattern(bytes(low), bytes(width), np.column_stack([*weights, *exponents]), scales)


def _parts_of(text: str, decimal: str) -> tuple[list[int], list[int], _Scale] | None:
    """Return places of the digits of a number and of its exponent, and its scale; None where it is not exact so."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    factor = 1.0 if match[1] in ("", "+") else -1.0
    digits = [i for i in range(match.start(2), match.end(2)) if "0" <= text[i] <= "9"]
    powers = list(range(match.start(4), match.end(4))) if match[4] else []
    decimals = sum("0" <= char <= "9" for char in match[2].partition(decimal)[2])
    whole, exponent = int("".join(text[i] for i in digits) or "0"), int((match[3] or "") + (match[4] or "0"))
    if not 0 < len(digits) <= _MOST_DIGITS or whole >= _EXACT or abs(exponent - decimals) > _MOST_POWER:
        return None
    net = exponent - decimals
    value = factor * (whole * float(10**net) if net >= 0 else whole / float(10**-net))
    if value != number(text, decimal):
        return None  # a mark that means something else
    if not powers:
        return digits, [], _Scale(factor * float(10**decimals), divide=decimals > 0)
    side = -1 if match[3] == "-" else 1
    nets = [side * power - decimals for power in range(_MOST_POWER + decimals + 1)]
    nets = nets[: next((i for i, net in enumerate(nets) if abs(net) > _MOST_POWER), len(nets))]
    times = np.array([factor * float(10 ** max(net, 0)) for net in nets])
    over = np.array([float(10 ** max(-net, 0)) for net in nets])
    return digits, powers, _Scale(factor, divide=False, times=times, over=over)
