"""What lists show stands ready beside the captures: it must be what the captures themselves tell, whatever happened."""

import dataclasses
import threading
import unicodedata

import pytest
import sqlalchemy as sa

from spectra.archive import (
    Archive,
    Search,
    VisitSearch,
    baselines,
    count_captures,
    keep_notes,
    list_captures,
    list_terminals,
    list_visits,
    open_archive,
)
from spectra.archive.database import open_engine, reading, writing
from spectra.archive.lists import fold, sum_up_all
from spectra.archive.schema import METADATA, VISIT_LIST
from spectra.archive.store import VisitRow

HEAD = '{"head": {"title": "%s", "extra": {"berth": "Kai 7"}}, "limits": {}}'


def _visit(key: str, vessel: str = "Ährenfels", title: str = "Frühjahr") -> VisitRow:
    return VisitRow(key * 64, f"folder {key}", vessel, "Ä", HEAD % title)


def _rows(archive: Archive) -> dict[str, dict]:
    """Return the lists with what has no order in sets."""
    with reading(archive.engine) as connection:
        found = {row["visit"]: dict(row) for row in connection.execute(sa.select(VISIT_LIST)).mappings()}
    for row in found.values():
        row["words"], row["codes"] = set(row["words"].split("\n")), set(row["codes"].split())
    return found


def _baseline(record):
    (capture,) = record.captures
    context = {**capture.context, "context": {**capture.context["context"], "role": "baseline"}}
    return dataclasses.replace(record, captures=(dataclasses.replace(capture, context=context),))


@pytest.fixture
def filled(archive: Archive, make_record) -> Archive:
    """As lists change: captures added, replaced by those of another visit, recomputed, titles kept."""
    findings = (("line.ripple", "warning"), ("line.no_supply", "fault"))
    archive.add(make_record(1, vessel="Ährenfels", findings=findings), visit=_visit("a"))
    archive.add(make_record(2, vessel="Ährenfels", verdict=None, centres=()), visit=_visit("a"))
    archive.add(make_record(3, vessel="ÅLAND", satellite="Stratus Test"), visit=_visit("b", "ÅLAND", "Straße"))
    archive.add(make_record(4, vessel="ÅLAND"), visit=_visit("c", "ÅLAND"))
    archive.add(make_record(4, vessel="ÅLAND", remark="corrected"), visit=_visit("b", "ÅLAND", "Straße"))
    archive.add(_baseline(make_record(5, vessel="Ährenfels")), visit=_visit("a"))
    newer = make_record(3, vessel="ÅLAND", verdict="contradicted", satellite="Cirrus Test", findings=findings[:1])
    result = dataclasses.replace(newer.captures[0].result, software="9", made_at="2027-01-01T00:00:00.000000Z")
    archive.add_result(newer.captures[0].key, result, plan=None, chain=None)
    keep_notes(archive, "a" * 64, texts={"title": "Werft Überholung"})
    return archive


def test_lists_are_what_the_captures_tell(filled: Archive) -> None:
    kept = _rows(filled)
    with writing(filled.engine) as connection:
        connection.execute(sa.delete(VISIT_LIST))
        sum_up_all(connection)
    assert kept == _rows(filled)
    assert set(kept) == {"a" * 64, "b" * 64}  # all of visit c was replaced
    assert (kept["a" * 64]["captures"], kept["a" * 64]["faults"]) == (3, 1)
    assert kept["b" * 64]["verdict"] == "confirmed" and kept["b" * 64]["codes"] == {"line.ripple"}


@pytest.mark.parametrize(
    ("text", "visits"),
    [
        ("ährenfels", "a"),
        ("ÄHRENFELS", "a"),
        (unicodedata.normalize("NFD", "Ährenfels"), "a"),  # as some systems write names
        ("åland", "b"),
        ("STRASSE", "b"),  # the capital of a sharp s: Unicode, full case folding (CaseFolding.txt)
        ("überholung", "a"),  # a title kept since
        ("frühjahr", "a"),
        ("kai 7", "ab"),
        ("cirrus", "b"),
        ("stratus", ""),  # told by a result that is no longer the current one
        ("title", ""),  # a name of ours, not a word of anybody's
        ("a_r", ""),
    ],
)
def test_words_in_every_alphabet(filled: Archive, text: str, visits: str) -> None:
    found = list_visits(filled, VisitSearch(text=text))
    assert [row["key"][0] for row in found.rows] == list(visits)
    assert found.total == len(visits)


def test_captures_and_terminals_by_words(filled: Archive) -> None:
    assert {row["name"] for row in list_captures(filled, Search(text="ÄHREN"))} == {
        "sweep1.csv",
        "sweep2.csv",
        "sweep5.csv",
    }
    assert count_captures(filled, Search(text="åland")) == 2
    assert [row["name"] for row in list_captures(filled, Search(text="cirrus"))] == ["sweep3.csv"]
    assert [row["vessel"] for row in list_terminals(filled, "åLa").rows] == ["ÅLAND"]
    assert [row["name"] for row in baselines(filled)[0]] == ["sweep5.csv"]
    assert fold("ﬁ") == "fi"


def test_a_finding_that_was_ruled_out_is_not_found(archive: Archive, make_record) -> None:
    entry = make_record(1, findings=(("line.ripple", "warning"),))
    (capture,) = entry.captures
    body = {**capture.result.body, "findings": [{"code": "line.ripple", "severity": "warning", "answer": "no"}]}
    capture = dataclasses.replace(capture, result=dataclasses.replace(capture.result, body=body))
    archive.add(dataclasses.replace(entry, captures=(capture,)), visit=_visit("a"))
    assert list_captures(archive, Search(finding="line.*")) == []
    assert list_visits(archive, VisitSearch(finding="line.*")).total == 0


def test_archive_of_the_release_before_is_filled(filled: Archive, place: str, tmp_path) -> None:
    """Every row of the release before, carried over, gives the same lists."""
    where = place + "_old" if "://" in place else str(tmp_path / "old.sqlite")
    if "://" in place:
        import psycopg

        with psycopg.connect(place, autocommit=True) as server:
            server.execute(f'CREATE DATABASE "{where.rpartition("/")[2]}"')
    engine = open_engine(where, head="0003")
    old = sa.MetaData()
    old.reflect(engine)
    assert "words" not in old.tables["capture"].c and "visit_list" not in old.tables
    with reading(filled.engine) as source, writing(engine) as target:
        for table in METADATA.sorted_tables:
            if table.name in old.tables:
                rows = source.execute(sa.select(table)).mappings().all()
                known = old.tables[table.name].c
                values = [{name: row[name] for name in row if name in known} for row in rows]
                if values:
                    target.execute(sa.insert(old.tables[table.name]), values)
    engine.dispose()
    with open_archive(where) as opened:
        assert _rows(opened) == _rows(filled)
        assert list_captures(opened, Search(text="ÄHREN")) == list_captures(filled, Search(text="ÄHREN"))
        assert baselines(opened) == baselines(filled)
        assert list_visits(opened) == list_visits(filled)


def test_two_at_once_at_one_visit_are_both_counted(place: str, make_record) -> None:
    each, failed = 12, []

    def work(first: int) -> None:
        try:
            with open_archive(place) as own:
                for number in range(first, first + each):
                    own.add(make_record(number), visit=_visit("a"))
        except Exception as problem:  # noqa: BLE001 - told below
            failed.append(problem)

    open_archive(place).close()
    threads = [threading.Thread(target=work, args=(k * each,)) for k in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with open_archive(place) as archive:
        assert list_visits(archive).rows[0]["captures"] == 3 * each
