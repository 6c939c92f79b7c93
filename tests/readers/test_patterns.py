"""Rows read by their patterns: bit for bit Python's own ``float`` of the text, to the last row (derived).

The patterns are an inner way of the readers; what is held here is what a reader of large files must keep: the same
numbers as cell by cell, and the same place where the rows end, whatever the rows look like.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spectra.readers import patterns, read_bytes
from spectra.readers.dialect import Dialect, row_of
from spectra.readers.patterns import Columns, PatternReader


def read(rows: list[str], delimiter: str, decimal: str = ".") -> tuple[list[list[float]], int]:
    data = "".join(rows).encode()
    dialect = Dialect(delimiter, decimal)
    row = row_of(rows[0].rstrip("\r\n"), dialect)
    into = Columns(row.numbers)
    at = PatternReader(data, row, dialect).read(0, into)
    return [column.tolist() for column in into.done()], at


def bits(values: list[float]) -> list[bytes]:
    return [struct.pack("<d", value) for value in values]


def plain(most: int) -> st.SearchStrategy[str]:
    digits = st.text("0123456789", min_size=1, max_size=most)
    with_point = st.builds(lambda a, b: f"{a}.{b}", digits, st.text("0123456789", max_size=most))
    mantissa = st.one_of(digits, with_point, st.builds(lambda b: f".{b}", digits))
    exponent = st.one_of(st.just(""), st.integers(-14, 14).map(lambda e: f"e{e}"), st.just("E+05"))
    return st.builds(lambda s, m, e: s + m + e, st.sampled_from(["", "-", "+"]), mantissa, exponent)


@settings(max_examples=400, deadline=None)
@given(st.lists(st.tuples(plain(6), plain(7)), min_size=1, max_size=40), st.integers(1, 4), st.sampled_from(",;\t "))
@example([("9007199254740993", "0.1")], 1, ",")
@example([("1e22", "1e-22"), ("1e23", "1e-23")], 1, ",")
@example([("-0.00", "-0"), ("0.00", "+0")], 2, ";")
@example([("1173060060.06006006", "4503599627370497.5")], 2, ",")
@example([("9007199254740991", "900719925474099.3")], 2, ",")
def test_numbers_are_float_of_their_text(cells: list[tuple[str, str]], times: int, delimiter: str) -> None:
    """Whatever is read is right to the bit, and what is left over begins at a row."""
    many = cells * times
    rows = [f"{a}{delimiter}{b}\n" for a, b in many]
    (first, second), at = read(rows, delimiter)
    count = len(first)
    assert bits(first) == bits([float(a) for a, _ in many[:count]])
    assert bits(second) == bits([float(b) for _, b in many[:count]])
    assert at == sum(map(len, rows[:count]))


def fixed(seed: int, count: int, form: str, low: float, high: float) -> list[str]:
    return [form.format(x) for x in np.random.default_rng(seed).uniform(low, high, count)]


FORMS = {
    "one length": ("{:.3f}", "{:.2f}", 1e9, 9e9, -99.0, -11.0, ","),
    "few odd rows": ("{:.3f}", "{:.2f}", 1e9, 9e9, -100.2, -60.0, ","),
    "lengths that mix": ("{:.2f}", "{:.1f}", 9e2, 1.1e3, -101.0, 5.0, ";"),
    "exponents": ("{:.6E}", "{:.4E}", 1e8, 2e9, -120.0, -0.5, ","),
    "digits that vary": ("{:.7g}", "{:.4g}", 1e9, 2e9, -120.0, -80.0, "\t"),
    "sixteen digits": ("{:.6f}", "{:.12f}", 1e9, 2e9, -99.0, -10.0, ","),
    "more than are exact": ("{:.7f}", "{:.15f}", 1e9, 2e9, -99.0, -10.0, ","),
    "white space": ("  {:.1f}  ", " {:.2f}", 1e3, 2e3, -120.0, -80.0, " "),
    "units": ("{:.3f} MHz", '"{:.2f} dBm"', 900.0, 1100.0, -101.0, -60.0, ";"),
}


@pytest.mark.parametrize("name", FORMS)
def test_large_tables_of_every_form(name: str) -> None:
    """Every number read is right to the bit; what is given up (to other ways) is given up at a row."""
    f_form, x_form, f_low, f_high, x_low, x_high, delimiter = FORMS[name]
    first, second = fixed(1, 12_000, f_form, f_low, f_high), fixed(2, 12_000, x_form, x_low, x_high)
    rows = [f"{a}{delimiter}{b}\r\n" for a, b in zip(first, second, strict=True)]
    (f, x), at = read(rows, delimiter)
    if name in ("more than are exact", "digits that vary"):
        assert len(f) < 12_000  # given up: at the first that is not exact this way, or at too many patterns
    else:
        assert at == sum(map(len, rows))
    assert bits(f) == bits([float(a.strip().split()[0]) for a in first[: len(f)]])
    assert bits(x) == bits([float(b.strip('" ').split()[0]) for b in second[: len(x)]])


@pytest.mark.parametrize("name", FORMS)
def test_a_whole_file_is_read_to_the_last_row(name: str) -> None:
    """The same tables through the reader, without a line end at the end: whichever way a row is read, it is there."""
    f_form, x_form, f_low, f_high, x_low, x_high, delimiter = FORMS[name]
    second = fixed(3, 9000, x_form, x_low, x_high)
    first = [f_form.format(f_low + i * (f_high - f_low) / 9000) for i in range(9000)]
    text = "\n".join(f"{a}{delimiter}{b}" for a, b in zip(first, second, strict=True))
    sweep = read_bytes(text.encode(), "x.csv", level_unit="dBm", frequency_unit="Hz" if f_high > 1e5 else "MHz")[0]
    unit = 1.0 if f_high > 1e5 else 1e6
    assert sweep.frequency_hz.tolist() == [float(a.split()[0]) * unit for a in first]
    assert sweep.level_dbm.tolist() == [float(b.strip('" ').split()[0]) for b in second]


@pytest.mark.parametrize("bad", ["1500.5,x\n", "1500.5\n", ",-90.5\n", "1500.5,-90.5,3\n", "1500.5,-90.5 dBm\n", "\n"])
@pytest.mark.parametrize("at", [5, 4000, 7999])
def test_rows_end_where_one_is_not_like_them(bad: str, at: int) -> None:
    rows = [f"{1000 + i}.5,-{80 + i % 25}.25\n" for i in range(8000)]
    broken = [*rows[:at], bad, *rows[at:]]
    (f, x), end = read(broken, ",")
    assert len(f) == len(x) == at
    assert end == sum(map(len, rows[:at]))
    assert f == [1000.5 + i for i in range(at)]


def test_a_minus_sign_of_a_typesetter_and_decimal_commas() -> None:
    rows = [f"{1000 + i},5;\u2212{80 + i % 25},25\n" for i in range(3000)]
    (f, x), at = read(rows, ";", ",")
    assert at == len("".join(rows).encode())
    assert f == [1000.5 + i for i in range(3000)]
    assert x == [-80.25 - i % 25 for i in range(3000)]


def test_more_patterns_than_are_kept_end_the_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patterns, "_MOST_PATTERNS", 3)
    rows = [f"{10**i},-90.5\n" for i in range(8)]
    (f, _), at = read(rows, ",")
    assert f == [1.0, 10.0, 100.0]
    assert at == sum(map(len, rows[:3]))


def test_blanks_alone_are_no_number():
    """NumPy's own reader made -1 of a text of nothing but blanks (numpy 2.4); found by the fuzzer in level rows."""
    level = [f"{-90 - 0.1 * (k % 7):.1f}" for k in range(9000)]
    text = "Start: 1173 MHz\nStop: 1180 MHz\nUnit: dBm\n" + "\n".join(level) + "\n\t\na=b=c\n"
    (sweep,) = read_bytes(text.encode(), "levels.csv")
    assert sweep.level_dbm.tolist() == [float(cell) for cell in level]
