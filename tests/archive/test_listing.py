"""Visits and terminals page by page, in both databases."""

import dataclasses

import pytest

from spectra.archive import Search, VisitSearch, baselines, count_captures, list_captures, list_terminals, list_visits
from spectra.archive.query import moment
from spectra.archive.restore import captures_of_file, visit_state
from spectra.archive.store import VisitRow

HEAD = '{"head": {"title": "%s", "vessel": null}, "limits": {}}'


def _visit(key: str, vessel: str, title: str = "") -> VisitRow:
    return VisitRow(key * 64, f"folder {key}", vessel, "A", HEAD % title)


@pytest.fixture
def filled(archive, make_record):
    alder, birch, cedar = _visit("a", "Alder", "Spring"), _visit("b", "Birch"), _visit("c", "100%")
    archive.add(make_record(0, vessel="Alder", findings=(("line.ripple", "warning"),)), visit=alder)
    archive.add(make_record(1, vessel="Alder", verdict="contradicted", satellite="Stratus Test"), visit=alder)
    archive.add(make_record(2, vessel="Birch", verdict=None, centres=()), visit=birch)
    archive.add(make_record(3, vessel="Birch", verdict="probable", satellite="Cirrus Test"), visit=birch)
    archive.add(make_record(4, vessel="100%", findings=(("line.no_supply", "fault"),)), visit=cedar)
    return archive


@pytest.mark.parametrize(
    ("search", "keys"),
    [
        (VisitSearch(), "cba"),  # the one with the newest capture first
        (VisitSearch(text="SPRING"), "a"),
        (VisitSearch(text="stratus"), "a"),
        (VisitSearch(text="100%"), "c"),
        (VisitSearch(text="_"), ""),
        (VisitSearch(vessel="Birch"), "b"),
        (VisitSearch(verdict="contradicted"), "a"),  # of the newest identified, not of any
        (VisitSearch(verdict="confirmed"), "c"),
        (VisitSearch(verdict="probable"), "b"),
        (VisitSearch(finding="line.*"), "ca"),
        (VisitSearch(finding="line.ripple"), "a"),
        (VisitSearch(faults=True), "c"),
        (VisitSearch(since=moment("2026-03-04")), "cb"),
        (VisitSearch(until=moment("2026-03-02", end=True)), "a"),
    ],
)
def test_visits_are_found(filled, search: VisitSearch, keys: str) -> None:
    found = list_visits(filled, search)
    assert [row["key"][0] for row in found.rows] == list(keys) and found.total == len(keys)


def test_a_visit_tells_its_newest_identified_capture(filled) -> None:
    birch = list_visits(filled, VisitSearch(vessel="Birch")).rows[0]
    assert (birch["captures"], birch["last"]["name"], birch["last"]["verdict"]) == (2, "sweep3.csv", "probable")
    assert birch["first_at"] < birch["last_at"] and "total" not in birch
    only_unidentified = dataclasses.replace(VisitSearch(), text="folder b")
    assert list_visits(filled, only_unidentified).total == 1


def test_pages_do_not_overlap_and_count_all(filled) -> None:
    pages = [list_visits(filled, offset=k, limit=1) for k in range(4)]
    assert [page.total for page in pages] == [3] * 4
    assert [row["key"][0] for page in pages for row in page.rows] == ["c", "b", "a"]


def test_terminals_are_gathered(filled) -> None:
    found = list_terminals(filled)
    assert [(row["vessel"], row["captures"], row["visits"]) for row in found.rows] == [
        ("100%", 1, 1),
        ("Birch", 2, 1),
        ("Alder", 2, 1),
    ]
    assert found.rows[2]["last"]["verdict"] == "contradicted"
    assert list_terminals(filled, "bir").total == 1


def test_captures_of_a_visit_page_by_page(filled) -> None:
    key = "a" * 64
    assert [row["name"] for row in list_captures(filled, Search(visit=key))] == ["sweep1.csv", "sweep0.csv"]
    assert [row["name"] for row in list_captures(filled, Search(offset=1, limit=2))] == ["sweep3.csv", "sweep2.csv"]
    assert [row["name"] for row in list_captures(filled, Search(offset=3))] == ["sweep1.csv", "sweep0.csv"]
    assert count_captures(filled, Search(limit=1)) == 5
    assert count_captures(filled, Search(text="SWEEP")) == 5


def test_state_of_a_visit_changes_with_its_results(filled, make_record) -> None:
    count, before = visit_state(filled, "a" * 64)
    assert count == 2
    again = make_record(
        0, vessel="Alder", findings=(("line.ripple", "warning"),), software="9", made_at="2027-01-01T00"
    )
    filled.add(again, visit=_visit("a", "Alder", "Spring"))
    assert visit_state(filled, "a" * 64) != (count, before)


def test_baselines_are_found_once(filled, make_record) -> None:
    found, highest = baselines(filled)
    assert found == [] and highest > 0
    record = make_record(9)
    (capture,) = record.captures
    context = {**capture.context, "context": {**capture.context["context"], "role": "baseline"}}
    filled.add(dataclasses.replace(record, captures=(dataclasses.replace(capture, context=context),)))
    found, higher = baselines(filled, highest)
    assert [row["name"] for row in found] == ["sweep9.csv"] and higher > highest
    assert baselines(filled, higher) == ([], higher)


def test_captures_of_a_raw_file(filled, make_record) -> None:
    digest = make_record(3, vessel="Birch").captures[0].raw[0].sha256
    assert [(row["name"], row["visit"]) for row in captures_of_file(filled, digest)] == [("sweep3.csv", "b" * 64)]
    assert captures_of_file(filled, "0" * 64) == []
