"""Lists, validity, edits and merge."""

import json
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra.errors import TableError
from spectra.plan import CarrierTable, merge_tables, replace_row, with_rows, without_rows


def row(rf_mhz, polarisation="H", satellite="Kittiwake 2", **more):
    return {"satellite": satellite, "polarisation": polarisation, "rf_mhz": rf_mhz, **more}


def keys(table):
    return [(one.satellite, one.beam, one.polarisation, one.orbital_longitude_deg) for one in table.lists]


def test_one_list_per_satellite_beam_and_polarisation():
    table = CarrierTable.from_rows(
        [row(11740), row(11720), row(11720, "V"), row(11720, satellite="Skua 1", orbital_longitude_deg=-5.0)]
    )
    assert keys(table) == [
        ("Kittiwake 2", None, "H", None),
        ("Kittiwake 2", None, "V", None),
        ("Skua 1", None, "H", -5.0),
    ]
    assert table.lists[0].rows.tolist() == [1, 0]  # by rising frequency


def test_row_without_beam_is_in_every_beam_of_its_polarisation():
    table = CarrierTable.from_rows([row(11700), row(11720, beam="East"), row(11740, beam="West"), row(11760, "V")])
    lists = {(one.beam, one.polarisation): one.rows.tolist() for one in table.lists}
    assert lists == {("East", "H"): [0, 1], ("West", "H"): [0, 2], (None, "V"): [3]}


def test_one_name_at_two_positions_is_two_lists():
    rows = [row(11700, orbital_longitude_deg=-22.0), row(11720, orbital_longitude_deg=-20.0), row(11740)]
    table = CarrierTable.from_rows(rows)
    assert [(one.orbital_longitude_deg, one.rows.tolist()) for one in table.lists] == [(-22.0, [0, 2]), (-20.0, [1, 2])]


def test_positions_join_across_the_date_line():
    rows = [row(11700, orbital_longitude_deg=179.9), row(11720, orbital_longitude_deg=-179.9)]
    (one,) = CarrierTable.from_rows(rows).lists
    assert abs(one.orbital_longitude_deg) == pytest.approx(180.0)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from("AB"), st.sampled_from(["", "x", "y"]), st.sampled_from("HV"), st.integers(11000, 11100)
        ),
        min_size=1,
        max_size=30,
    )
)
def test_lists_hold_every_row_and_only_their_own(rows):
    table = CarrierTable.from_rows([row(rf, pol, sat, beam=beam) for sat, beam, pol, rf in rows])
    seen = set()
    for one in table.lists:
        seen.update(one.rows.tolist())
        assert np.all(np.diff(table.rf_hz[one.rows]) >= 0)
        for index in one.rows.tolist():
            mine = table.row(index)
            assert (mine.satellite, mine.polarisation) == (one.satellite, one.polarisation)
            assert mine.beam in (None, one.beam)
    assert seen == set(range(len(rows)))


@pytest.mark.parametrize(
    ("begin", "end", "when", "holds"),
    [
        ("", "", datetime(2026, 3, 1, tzinfo=UTC), True),
        ("2026-03-01", "", datetime(2026, 3, 1, tzinfo=UTC), True),
        ("2026-03-01", "", datetime(2026, 2, 28, 23, 59, tzinfo=UTC), False),
        ("", "2026-03-01", datetime(2026, 3, 1, 23, 59, tzinfo=UTC), True),
        ("", "2026-03-01", datetime(2026, 3, 2, tzinfo=UTC), False),
        ("", "2026-03-01T12:00Z", datetime(2026, 3, 1, 12, tzinfo=UTC), False),
        ("2026-03-01T12:00Z", "", datetime(2026, 3, 1, 13, tzinfo=timezone(timedelta(hours=2))), False),
        ("2026-03-01", "2026-03-01", date(2026, 3, 1), True),
        ("0001-01-01", "9999-12-31", date(2026, 3, 1), True),
        ("2026-03-01", "2026-03-01", datetime(2026, 3, 1, 12), True),
    ],
)
def test_validity(begin, end, when, holds):
    table = CarrierTable.from_rows([row(11720, valid_from=begin, valid_to=end), row(11740)])
    valid = table.valid_on(when)
    assert len(valid) == 1 + holds
    assert valid.sha256 == table.sha256  # a part of the same table
    assert valid.line.tolist() == ([2, 3] if holds else [3])


def test_edits_return_new_tables_and_leave_the_old():
    table = CarrierTable.from_rows([row(11720, mine="7"), row(11740, symbol_rate_kbd=22000)])
    before = table.sha256
    more = with_rows(table, [row(11760), table.row(0)])
    assert more.line.tolist() == [2, 3, 4, 5]
    assert more.row(3).extra == (("mine", "7"),)
    changed = replace_row(table, 3, rf_mhz=11741.25, symbol_rate_bd=None)
    assert changed.row(1).rf_hz == 11741.25e6
    assert changed.row(1).rf_step_hz == 1e4
    assert changed.row(1).symbol_rate_bd is None
    fewer = without_rows(table, [2])
    assert fewer.line.tolist() == [3]
    assert fewer.unknown_columns == ("mine",)
    assert table.sha256 == before
    assert replace_row(table, 2).sha256 == before
    assert replace_row(table, 2, mine="8").row(0).extra == (("mine", "8"),)


def test_edit_of_a_row_that_is_not_there():
    table = CarrierTable.from_rows([row(11720)])
    for edit in (lambda: replace_row(table, 9, roll_off=0.2), lambda: without_rows(table, [9])):
        with pytest.raises(TableError, match="line of a row"):
            edit()
    with pytest.raises(TableError, match="polarisation"):
        replace_row(table, 2, polarisation="X")


def test_merge_sorts_rows_into_same_filled_added_and_conflicts():
    first = CarrierTable.from_rows(
        [row(11720, symbol_rate_kbd=27500), row(11740, symbol_rate_kbd=22000), row(11760, symbol_rate_kbd=3000)],
        "a.csv",
    )
    second = CarrierTable.from_rows(
        [
            row(11720, symbol_rate_kbd=27500, satellite="kittiwake 2"),
            row(11740.125, symbol_rate_kbd=22000, roll_off=0.2),
            row(11760, symbol_rate_kbd=6000, roll_off=0.35),
            row(11780, symbol_rate_kbd=1000),
            row(11720, "V", symbol_rate_kbd=27500),
        ],
        "b.csv",
    )
    merge = merge_tables(first, second)
    assert merge.same == (2,)
    assert merge.filled == ((3, 3),)
    assert merge.added == (5, 6)
    (conflict,) = merge.conflicts
    assert conflict.differing == ("symbol_rate_bd",)
    assert conflict.second.roll_off == 0.35  # nothing is lost
    assert len(merge.table) == 5
    assert merge.table.row(1).rf_hz == 11740.125e6  # the finer digits
    assert merge.table.row(1).roll_off == 0.2
    assert merge.table.row(2).symbol_rate_bd == 3e6  # a conflict is settled for the first
    told = json.loads(json.dumps(merge.to_dict()))
    assert told["schema"] == "sweepmuster/table_merge/1"
    assert told["conflicts"][0]["differing"] == [{"name": "symbol_rate_bd", "first": 3e6, "second": 6e6}]


def test_merge_knows_a_moved_carrier_from_its_neighbour():
    first = CarrierTable.from_rows([row(11720.0, rf_step_khz=10, symbol_rate_kbd=2000)])
    moved = CarrierTable.from_rows([row(11720.5, symbol_rate_kbd=2000), row(11723, symbol_rate_kbd=2000)])
    merge = merge_tables(first, moved)
    assert [conflict.differing for conflict in merge.conflicts] == [("rf_hz",)]
    assert merge.added == (3,)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from("HV"), st.integers(11000, 11040), st.integers(1, 20)), max_size=12))
def test_merge_loses_nothing(rows):
    table = CarrierTable.from_rows([row(rf, pol, symbol_rate_kbd=rate * 1000) for pol, rf, rate in rows])
    base = CarrierTable.from_rows([row(11010, symbol_rate_kbd=5000), row(11020, "V", symbol_rate_kbd=5000)])
    merge = merge_tables(base, table)
    lines = [*merge.same, *(b for _, b in merge.filled), *merge.added, *(one.second.line for one in merge.conflicts)]
    assert sorted(lines) == table.line.tolist()
    again = merge_tables(table, table)
    assert again.table.sha256 == table.sha256
    assert not again.added and not again.conflicts


def test_rows_in_memory_need_their_three_values():
    for bad in (row(11720, satellite=" "), row(11720, "Z"), row(None), row(float("nan")), row(-1)):
        with pytest.raises(TableError):
            CarrierTable.from_rows([row(11720), bad])
