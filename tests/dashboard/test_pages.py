"""Pages and their addresses, without a browser."""

from __future__ import annotations

import csv
import io
import json
import re
import time

import pytest

from dashboard import shell
from dashboard.jobs import Jobs
from dashboard.registry import Page, find_pages, link, match
from dashboard.viewing import next_view, view_of
from spectra.archive import Search, list_captures
from spectra.errors import UsageError
from spectra.report import build_report
from spectra.report.model import Answer

SPAN = (950.0, 2150.0)


@pytest.fixture(scope="module")
def keys(desk) -> dict[str, str]:
    rows = list_captures(desk.archive)
    visit = desk.archive.capture(rows[0]["key"])["visit"]
    return {"visit": visit[:16], "capture": rows[0]["key"][:16]}


@pytest.fixture
def shown(desk, app):
    def show(path: str, search: str = "") -> str:
        with app.server.test_request_context("/"):
            _, components = shell.render(desk, find_pages(), path, search)
            return json.dumps(
                components.to_plotly_json(),
                default=lambda c: c.to_plotly_json() if hasattr(c, "to_plotly_json") else str(c),
            )

    return show


def test_names_and_addresses_of_pages_are_their_own() -> None:
    pages = find_pages()
    assert len({page.name for page in pages}) == len(pages) == len({page.path for page in pages})


def test_an_address_without_page_is_told(shown) -> None:
    assert "There is no page at this address" in shown("/nowhere")
    assert "There is no page" in shown("/visit/../../etc")


def test_a_visit_that_is_not_there_is_told_with_the_remedy(shown) -> None:
    words = shown("/visit/0123456789abcdef")
    assert "no visit" in words and "Look in the list." in words


def test_every_page_shows(shown, keys) -> None:
    for page in find_pages():
        words = shown(page.address(**keys) if "<" in page.path else page.path)
        assert "This cannot be shown" not in words, page.name


def test_every_table_can_be_taken(client, keys) -> None:
    taken = 0
    for page in find_pages():
        for name in page.tables:
            path = page.address(**keys) if "<" in page.path else page.path
            answer = client.get(link(f"/csv{path}", table=name))
            assert answer.status_code == 200 and answer.mimetype == "text/csv", (page.name, name)
            rows = list(csv.reader(io.StringIO(answer.data.decode("utf-8-sig"))))
            assert len({len(row) for row in rows}) == 1
            taken += 1
    assert taken > 5


def test_names_from_files_stay_text(desk, app, keys, monkeypatch: pytest.MonkeyPatch) -> None:
    """A component tree holds text as text: nothing in it may set HTML."""
    with app.server.test_request_context("/"):
        for page in find_pages():
            _, components = shell.render(
                desk, find_pages(), page.address(**keys) if "<" in page.path else page.path, ""
            )
            for part in components._traverse():
                assert (
                    type(part).__name__ not in ("Markdown", "DangerouslySetInnerHTML", "Iframe")
                    or page.name == "report"
                )
                assert not getattr(part, "dangerously_allow_html", False)


def test_capture_may_be_left_out_of_an_address() -> None:
    page = Page("p", "/visit/<visit>/p/<capture>", "P", lambda desk, place: None)
    found = match([page], "/visit/abc/p", "?n=2&x=%3Cb%3E")
    assert found is not None and dict(found[1].path) == {"visit": "abc"} and found[1].query["x"] == "<b>"
    assert page.address(visit="abc") == "/visit/abc/p" and page.address(visit="a", capture="b") == "/visit/a/p/b"


@pytest.mark.parametrize("text", ["nan", "inf", "1e99", "x", "", None])
def test_nonsense_in_an_address_is_left_out(text) -> None:
    assert view_of({"from": text, "to": text, "carrier": text, "a": text, "b": text}) == {
        "from": None, "to": None, "carrier": None, "a": None, "b": None,
    }  # fmt: skip


def test_view_follows_what_is_done() -> None:
    view = view_of({})
    closer = next_view(view, SPAN, "in", None)
    assert (closer["from"], closer["to"]) == (1250.0, 1850.0)
    moved = next_view(closer, SPAN, "right", None)
    assert (moved["from"], moved["to"]) == (1550.0, 2150.0)
    assert next_view(moved, SPAN, "all", None)["from"] is None
    dragged = next_view(view, SPAN, "figure", {"xaxis.range[0]": 1700.0, "xaxis.range[1]": 1600.0})
    assert (dragged["from"], dragged["to"]) == (1600.0, 1700.0)
    assert next_view(dragged, SPAN, "figure", {"xaxis.autorange": True})["from"] is None
    first = next_view(view, SPAN, "click", {"points": [{"x": 1600.12345}]})
    both = next_view(first, SPAN, "click", {"points": [{"x": 1650.0}]})
    assert (both["a"], both["b"]) == (1600.1235, 1650.0)
    assert next_view(both, SPAN, "click", {"points": [{"x": 1000.0}]})["b"] is None
    assert next_view(view, SPAN, "click", {"points": [{"x": 1600.0, "customdata": 3}]})["carrier"] == 3
    assert next_view({**view, "carrier": 3}, SPAN, "chosen", "3")["carrier"] is None


def test_filters_that_make_no_sense_are_told(shown) -> None:
    assert "a frequency in MHz" in shown("/sweeps", "?near=abc")
    assert "a date or a time" in shown("/sweeps", "?since=yesterday")


def test_sweeps_are_found(desk) -> None:
    rows, total = desk.captures(Search(text="CO_PORT", limit=10))
    assert total == 1 and rows[0]["name"] == "5_co_port.csv"
    rows, total = desk.captures(Search(limit=1, offset=2))
    assert total == 3 and len(rows) == 1


def test_jobs_tell_progress_and_failure() -> None:
    jobs = Jobs()

    def fails(job):
        job.tell(1, 2)
        raise UsageError("x", None, "a", "b", "c")

    job = jobs.begin("t", fails)
    jobs._pool.shutdown(wait=True)
    assert job.finished and (job.done, job.total) == (1, 2) and isinstance(job.problem, UsageError)
    assert jobs.get(job.key) is job and jobs.get("other") is None


@pytest.mark.parametrize("known", [True, False])
def test_work_that_failed_is_told_and_asked_for_no_more(desk, app, client, known: bool) -> None:
    """Neither an error of ours, nor one of the program, leaves the page asking for progress for ever."""

    def work(_: object) -> None:
        raise UsageError("noon.csv", None, "nothing", "a sweep", "Save it again.") if known else ZeroDivisionError

    job = desk.jobs.begin("a test", work)
    while not job.finished:
        time.sleep(0.01)
    output = next(key for key, entry in app.callback_map.items() if entry["inputs"][0]["id"] == "new-tick")
    outputs = [dict(zip(("id", "property"), part.split("."), strict=True)) for part in output.strip(".").split("...")]
    asked = {
        "output": output,
        "outputs": outputs,
        "inputs": [{"id": "new-tick", "property": "n_intervals", "value": 1}],
        "state": [{"id": "new-job", "property": "data", "value": job.key}],
        "changedPropIds": ["new-tick.n_intervals"],
    }
    answer = client.post("/_dash-update-component", json=asked)
    said = json.dumps(answer.json or {})
    assert '"disabled": true' in said and "ZeroDivisionError" not in said
    assert ("Save it again." if known else "Something in the program itself went wrong") in said


def test_answer_counts_remarks_as_the_report_does(desk, shown, keys) -> None:
    """Expected: the first page of the report on the same visit, as the reports' own room builds it."""
    (answer,) = [b for b in build_report(desk.review(keys["visit"])).sheets[0].blocks if isinstance(b, Answer)]
    assert re.search(r"\b([2-9]|\d\d+) remarks remain|\b1 remark remains", answer.sentence)
    for page in ("", "/report"):
        assert json.dumps(answer.sentence) in shown(f"/visit/{keys['visit']}{page}")


def test_every_table_of_every_page_can_be_taken(client, desk) -> None:
    """What a page calls a table comes as CSV with its head; the roll call's three tables among them."""
    rows = {row["name"]: row["key"] for row in list_captures(desk.archive)}
    capture = rows["5_co_port.csv"][:16]
    visit = desk.archive.capture(rows["5_co_port.csv"])["visit"][:16]
    taken = {}
    for page in find_pages():
        for name in page.tables:
            path = page.address(visit=visit, capture=capture)
            answer = client.get(f"/csv{path}?table={name}")
            assert answer.status_code == 200, (path, name)
            taken[name] = list(csv.reader(io.StringIO(answer.get_data(as_text=True).lstrip("\ufeff"))))
            assert len({len(row) for row in taken[name]}) == 1, name
    assert {"roll-call", "in-no-row", "candidates", "carriers", "sweeps", "visits", "terminals"} <= taken.keys()
    best = dict(zip(*taken["candidates"][:2], strict=True))
    assert best["satellite"] == "Fairlead 2" and float(best["probability"]) > 0.9
