"""Found again: by everything that a desk ashore asks for."""

import dataclasses
from datetime import UTC, datetime

import pytest

from spectra.archive import Search, count_captures, list_captures
from spectra.archive.query import moment
from spectra.errors import UsageError


@pytest.fixture
def filled(archive, make_record):
    archive.add(make_record(0, vessel="Alder", centres=(1.2e9, 1.3e9), findings=(("line.ripple", "warning"),)))
    archive.add(make_record(1, vessel="Birch", verdict="contradicted", satellite="Stratus Test", centres=(1.6512e9,)))
    archive.add(make_record(2, vessel="Birch_2", verdict=None, centres=(), findings=(("quality.x", "note"),)))
    archive.add(make_record(3, vessel="100%", findings=(("line.no_supply", "fault"),)))
    return archive


@pytest.mark.parametrize(
    ("search", "names"),
    [
        (Search(), [3, 2, 1, 0]),  # newest first
        (Search(limit=2), [3, 2]),
        (Search(vessel="Birch"), [1]),
        (Search(vessel="Birch*"), [2, 1]),
        (Search(vessel="Birch_*"), [2]),
        (Search(vessel="*%"), [3]),
        (Search(vessel="birch"), []),
        (Search(terminal="A", satellite="Stratus Test"), [1]),
        (Search(verdict="contradicted"), [1]),
        (Search(finding="line.*"), [3, 0]),
        (Search(finding="line.ripple"), [0]),
        (Search(carrier_hz=1.651e9), [1]),
        (Search(carrier_hz=1.651e9, tolerance_hz=1e5), []),
        (Search(carrier_hz=9.75e9 + 1.3e9), [0]),  # an RF: LO 9.75 GHz, low side
        (Search(since=moment("2026-03-02")), [3, 2, 1]),
        (Search(until=moment("2026-03-02", end=True)), [1, 0]),
        (Search(since=moment("2026-03-02T12:00Z"), until=moment("2026-03-03T13:00+01:00")), [1]),
    ],
)
def test_search(filled, search: Search, names: list[int]) -> None:
    assert [row["name"] for row in list_captures(filled, search)] == [f"sweep{n}.csv" for n in names]


def test_moments() -> None:
    assert moment("2026-03-14") == datetime(2026, 3, 14, tzinfo=UTC)
    assert moment("2026-03-14", end=True) == datetime(2026, 3, 15, tzinfo=UTC)
    assert moment("2026-03-14T12:00+02:00") == datetime(2026, 3, 14, 10, tzinfo=UTC)
    with pytest.raises(UsageError, match="yesterday"):
        moment("yesterday")


def test_nonsense_is_refused() -> None:
    with pytest.raises(UsageError, match="confirmed"):
        Search(verdict="sure")
    with pytest.raises(UsageError, match="1 or more"):
        Search(limit=0)


def test_list_view_is_served_by_indexes(file_archive) -> None:
    """SQLite's EXPLAIN QUERY PLAN: no search of the list view reads the whole table or sorts it."""
    import sqlalchemy as sa

    from spectra.archive.query import LIST_COLUMNS, _ordered
    from spectra.archive.schema import CAPTURE

    for search in (
        Search(limit=100),
        Search(vessel="x", limit=9),
        Search(satellite="x", limit=9),
        Search(verdict="confirmed"),
    ):
        with file_archive.engine.connect() as connection:
            query = _ordered(connection, search, *(CAPTURE.c[name] for name in LIST_COLUMNS))
            text = str(query.compile(file_archive.engine, compile_kwargs={"literal_binds": True}))
            steps = [row[3] for row in connection.execute(sa.text("EXPLAIN QUERY PLAN " + text))]
        assert any("USING INDEX" in step for step in steps), steps
        assert not any("TEMP B-TREE" in step and "LAST TERM" not in step for step in steps), steps


def test_many_hits_and_few_are_found_alike(archive, make_record, monkeypatch) -> None:
    """From many hits on captures are gone through in order of time: the same rows, whichever way."""
    for number in range(9):
        findings = (
            [("oscillator.drift", "warning")] if number % 2 else [("line.ripple", "note"), ("line.slope", "note")]
        )
        archive.add(make_record(number, centres=(1.2e9 + 1e6 * number, 1.5e9), findings=findings))
    searches = [
        Search(finding="oscillator.drift", limit=3),
        Search(finding="line.*", limit=4),
        Search(finding="line*pe", limit=4),
        Search(carrier_hz=1.5e9, limit=5),
        Search(carrier_hz=1.204e9, tolerance_hz=1.1e6, limit=5),
    ]
    few = [[row["key"] for row in list_captures(archive, search)] for search in searches]
    monkeypatch.setattr("spectra.archive.query._MANY", 1)
    assert [[row["key"] for row in list_captures(archive, search)] for search in searches] == few
    assert [len(rows) for rows in few] == [3, 4, 4, 5, 3]


def test_count_is_that_of_the_list(filled, make_record) -> None:
    """Whatever is looked for, the count is how many the list has; a capture with two findings counts once."""
    filled.add(make_record(5, findings=(("line.ripple", "warning"), ("line.tilt", "note"))))
    filled.add(make_record(5, remark="corrected", findings=(("line.tilt", "note"),)))
    for search in (
        Search(finding="line.*"),
        Search(finding="line.*", replaced=True),
        Search(finding="line.tilt", limit=1),
        Search(finding="line.*", verdict="confirmed"),
        Search(finding="none.*"),
        Search(vessel="Birch*", limit=1),
    ):
        every = list_captures(filled, dataclasses.replace(search, limit=None))
        assert count_captures(filled, search) == len(every)
    assert count_captures(filled, Search(finding="line.*")) == 3
    assert count_captures(filled, Search(finding="line.*", replaced=True)) == 4
