"""One text, one outcome: rows read cell by cell, in bulk, by patterns or by pandas give the same numbers or a refusal.

The reference is the way cell by cell, which knows what a row is; its numbers are Python's ``float`` of the text. What
quotes mean is RFC 4180, section 2, rules 5 to 7: they stand round whole cells, and a delimiter between them is part of
the cell. That rows with an open quote are refused and not guessed at is the project's own choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra.errors import SpectraError, SweepFormatError
from spectra.readers import bulk, patterns, read_bytes, table

assert pd  # loaded, so that large texts go to it
EARLY = {"_STEP": 24, "_LEAST_STEP": 24, "_LEAST_BY_PATTERN": 1, "_FEW_ROWS": 0}
PANDAS = EARLY | {"_LARGE": 1, "_LARGE_IF_LOADED": 1}
IN_PARTS = PANDAS | {"_workers": lambda _size: 2, "_CHUNK": 1, "_LEAST_ROWS": 3}


def none(*_arguments: object) -> None:
    return None


def no_pattern(_reader: object, at: int, _into: object) -> int:
    return at


WAYS: dict[str, list[tuple[Any, str, object]]] = {
    "cell by cell": [(table, "bulk_columns", none), (table, "_few_rows", none)],
    "as it is": [],
    "by patterns": [(bulk, name, value) for name, value in EARLY.items()],
    "patterns, then pandas": [(bulk, name, value) for name, value in PANDAS.items()],
    "pandas in parts": [(bulk, name, value) for name, value in IN_PARTS.items()],
    "pandas alone": [
        *((bulk, name, value) for name, value in PANDAS.items()),
        (patterns.PatternReader, "read", no_pattern),
    ],
}


@contextmanager
def way(name: str) -> Iterator[None]:
    kept = [(owner, key, getattr(owner, key)) for owner, key, _ in WAYS[name]]
    try:
        for owner, key, value in WAYS[name]:
            setattr(owner, key, value)
        yield
    finally:
        for owner, key, value in kept:
            setattr(owner, key, value)


def outcome(data: bytes, name: str) -> list[list[list[float]]] | None:
    with way(name):
        try:
            sweeps = read_bytes(data, "x.csv", level_unit="dBm", frequency_unit="MHz")
        except SpectraError:
            return None
    return [
        [s.frequency_hz.tolist(), s.level_dbm.tolist(), *(values.tolist() for values in s.traces.values())]
        for s in sweeps
    ]


# fmt: off
SPOILT = [
    '"', '""', '"1', '1"', '1"2', '1""2', '1" "2', '"1" "2"', ' "1" ', '" 1"', '""1""', "'1", '"1;2"', '"1,2"', '1";"2',
    "1 2", "1\t2", "1\t\t2", "1 \t 2", "- 5", "+ 5", "1e 5", "1 e5", "1e5", "1e", "e", ".", "+-1", "1-2", "1.2.3",
    "", " ", "-", "---", "nan", "-inf", "1e400", "0" * 101 + "1", "1." + "0" * 120, "9" * 20, "1_0", "0x10", "1d5",
    "\x00", "\x0b1", "1\x0b", "\x1c1", "1\x1f", "\x0c1", "1\x1a", "\x851", "\u00a01", "1\u00a02", "\u22121", "\xb61",
    "1MHz", "1 kHz", "1 dBm", "1MHze5", "1MHz5", "1MHz,5", "MHz", "MHz 1", '"1 MHz"', '1 "MHz"', '1 MHz"3', "=1",
    "1,2,3", "1 250", "1'250", "1.250,5", "1,250.5", "#", "# 1", "1 # x", "x", "12:00:00", "1\r2", "\ufeff1",
]
LINES = [
    "", " ", ";", ",", '"', '""', "# comment", "comment", "1", '"1', '"1;2"', '"1,2"', "1;2;3", "1,2,3", "1;;2", "---",
    "--;--", "\x1a", "\x0c", "\x00", '"1" "2"', '1;"2', '"1;2', '1";2', '1;2"', '1;"2;3"', '1,"2,3"', "1;2 MHz", "\r",
]
# fmt: on
DIALECTS = [(";", "."), (";", ","), (",", "."), ("\t", "."), ("\t", ","), ("|", "."), (" ", "."), ("", "."), ("", ",")]


@st.composite
def texts(draw: st.DrawFn) -> bytes:
    """Return a regular table in which a few cells, ends of cells or lines are spoilt."""
    delimiter, decimal = draw(st.sampled_from(DIALECTS))
    columns = draw(st.integers(1, 3)) if delimiter else 1
    unit = draw(st.sampled_from(["", "", "", " MHz", "MHz"]))
    quote = draw(st.sampled_from(["", "", '"']))
    digits = draw(st.sampled_from(["{:.1f}", "{:.3f}", "{:g}", "{:.2e}"]))
    rows = [
        [
            quote
            + digits.format(1000 + i / 2 if column == 0 < columns - 1 else -90 - i * 7 % 13 / 10).replace(".", decimal)
            + (unit if column == 0 < columns - 1 else "")
            + quote
            for column in range(columns)
        ]
        for i in range(draw(st.integers(6, 16)))
    ]
    for _ in range(draw(st.integers(0, 3))):
        row = draw(st.integers(0, len(rows) - 1))
        kind = draw(st.sampled_from(["cell", "cell", "cell", "line", "more"]))
        if kind == "line":
            rows[row] = [draw(st.sampled_from(LINES))]
            continue
        junk = draw(st.one_of(st.sampled_from(SPOILT), st.text('"1.;, \t-e', max_size=4)))
        cell = draw(st.integers(0, len(rows[row]) - 1))
        if kind == "more":
            rows[row].insert(cell, junk)
        else:
            old = rows[row][cell]
            at = draw(st.integers(0, len(old)))
            rows[row][cell] = draw(st.sampled_from([junk, old[:at] + junk + old[at:]]))
    end = draw(st.sampled_from(["\n", "\n", "\r\n"]))
    tail = draw(st.sampled_from(["", "", delimiter, delimiter * 3, " "])) if delimiter else ""
    head = draw(st.sampled_from(["", "Start: 1000 MHz\nStop: 1010 MHz\n"]))
    body = end.join(delimiter.join(row) + tail for row in rows) + draw(st.sampled_from([end, ""]))
    return (head + body).encode(draw(st.sampled_from(["utf-8", "utf-8", "latin-1"])), "replace")


@settings(max_examples=250, deadline=None)
@given(data=texts())
def test_every_way_gives_the_same(data: bytes) -> None:
    expected = outcome(data, "cell by cell")
    for name in WAYS:
        assert outcome(data, name) == expected, name


ROWS = [f"{1000 + i};-{80 + i % 7}.5" for i in range(40)]


def spoilt(row: str, at: int = 20) -> bytes:
    return "\n".join(["MHz;dBm", *ROWS[:at], row, *ROWS[at + 1 :]]).encode() + b"\n"


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize(
    "row",
    [
        '"1020;-86.5',
        '1020";-86.5',
        '1020;"-86.5',
        '1020;-86.5"',
        '"1020;-86.5"',
        '1020;-8"6.5',
        '1020;-8""6.5',
        '1020;-8" "6.5',
        "1020;-8\t\t6.5",
        "1020;- 86.5",
        "1020;-86.5;7",
        "1020;1;-86.5",
        "1020;-86.5\x0b",
        "1020;-86.5\x1f",
        "1020;-86." + "0" * 120,
    ],
)
def test_a_row_that_is_none_is_refused_with_its_line(row: str, name: str) -> None:
    with way(name), pytest.raises(SweepFormatError) as told:
        read_bytes(spoilt(row), "x.csv")
    assert told.value.line == 22


@pytest.mark.parametrize("name", WAYS)
def test_quotes_round_whole_cells_are_no_part_of_them(name: str) -> None:
    with way(name):
        sweep = read_bytes(spoilt(' "1020" ; "-86.5"'), "x.csv")[0]
    assert sweep.frequency_hz.tolist() == [(1000.0 + i) * 1e6 for i in range(40)]
    assert sweep.level_dbm[20] == -86.5


@pytest.mark.parametrize("name", WAYS)
def test_a_first_row_with_an_open_quote_is_not_lost(name: str) -> None:
    with way(name), pytest.raises(SweepFormatError) as told:
        read_bytes(spoilt('"1000;-80.5', at=0), "x.csv")
    assert told.value.line == 2


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize("row", ['1""2', '"-90', "-90\x0b"])
def test_levels_alone_are_not_parted_by_a_spoilt_one(row: str, name: str) -> None:
    """Each part would have been laid over the whole span."""
    levels = [f"-{80 + i % 7}.5" for i in range(20)]
    text = "\n".join(["Start: 1 GHz", "Stop: 2 GHz", "Unit: dBm", *levels[:9], row, *levels[9:]])
    with way(name), pytest.raises(SweepFormatError) as told:
        read_bytes(text.encode(), "x.csv")
    assert told.value.line == 13


def test_the_mark_by_which_old_systems_end_a_text_is_no_part_of_the_last_row() -> None:
    for end in (b"\x1a", b"\n\x1a", b"\r\n\x1a\x1a"):
        assert read_bytes("\n".join(["MHz;dBm", *ROWS]).encode() + end, "x.csv")[0].points == 40


def test_lines_of_numbers_in_quotes_parted_by_blanks() -> None:
    text = "MHz dBm\n" + "".join(f'"{1000 + i} -8{i % 7}.5"\n' for i in range(12))
    sweep = read_bytes(text.encode(), "x.csv")[0]
    assert sweep.frequency_hz.tolist() == [(1000.0 + i) * 1e6 for i in range(12)]
    assert sweep.level_dbm[3] == -83.5


ACROSS = [f"-{80 + i % 17}.5" for i in range(1001)]


@pytest.mark.parametrize("cell", ["-81.5-82.5", "-81 82", "- 81.5", "1e", "-81.5\x0b2"])
def test_a_long_row_of_levels_is_read_cell_by_cell_where_it_is_spoilt(cell: str) -> None:
    """A gap in the row would make up for a cell taken for two: all levels between them would be moved by one."""
    head = "Start: 1 GHz\nStop: 2 GHz\nUnit: dBm\n"
    cells = [*ACROSS[:300], cell, *ACROSS[301:700], "", *ACROSS[701:]]
    text = head + "10:00:00," + ",".join(ACROSS) + "\n10:01:00," + ",".join(cells) + "\n"
    with pytest.raises(SweepFormatError) as told:
        read_bytes(text.encode(), "x.csv")
    assert told.value.line == 5


@pytest.mark.parametrize("padding", ["", " "])
def test_a_long_row_of_levels_is_float_of_its_text(padding: str) -> None:
    head = "Start;1;GHz\nStop;2;GHz\nUnit;dBm\n"
    text = head + "10:00:00;" + ";".join(padding + cell.replace(".", ",") for cell in ACROSS) + ";;\n"
    assert read_bytes(text.encode(), "x.csv")[0].level_dbm.tolist() == [float(cell) for cell in ACROSS]
