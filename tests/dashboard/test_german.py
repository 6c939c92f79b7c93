"""No sentence of ours goes out in English where German was chosen: every page of an archive, gone through."""

import re

import pytest

from dashboard import language, shell
from dashboard.language import translated
from dashboard.registry import find_pages
from spectra.archive import Search, list_captures, list_visits

ENGLISH = re.compile(r"\b(the|of|and|is|are|to|with|by|from|that|which|was|were|has|have|this|where|over)\b")
"""Words of which hardly a sentence has none, and no German one has one."""
OWNED = ("commissioning", "spring visit", "Commissioning of terminal A", "ready for the operator's line-up on Fairlead")
"""What the user wrote: titles, folders, what was asked."""


@pytest.fixture
def untold(monkeypatch):
    """Gather texts that no catalogue knew, as they were asked for."""
    found: dict[str, bool] = {}
    say = language.say
    say.cache_clear()  # else what was told before is not asked for again

    def heard(text: str, code: str) -> str:
        told = say(text, code)
        if code == "de" and told == text:
            found[text.strip()] = True
        return told

    monkeypatch.setattr(language, "say", heard)
    return found


def _paths(desk):
    yield from (
        "/",
        "/?text=nothing+fits",
        "/sweeps",
        "/terminals",
        "/new",
        "/settings",
        "/table",
        "/table/chain",
        "/x",
    )
    for visit in list_visits(desk.archive).rows:
        key = visit["key"][:16]
        yield from (f"/visit/{key}{page}" for page in ("", "/oscillator", "/polarisation", "/interference", "/report"))
        for row in list_captures(desk.archive, Search(visit=visit["key"])):
            for page in (f"sweep/{row['key'][:16]}?carrier=1&a=1500&b=1600", f"rollcall/{row['key'][:16]}"):
                yield f"/visit/{key}/{page}"


def test_every_page_is_german(desk, app, untold) -> None:
    from dashboard import sweepparts
    from dashboard.pages import sweep

    pages = find_pages()
    for address in _paths(desk):
        path, _, query = address.partition("?")
        with app.server.test_request_context("/", headers={"Cookie": "sweepmuster_language=de"}):
            translated(shell.render(desk, pages, path, f"?{query}" if query else "")[1])
            if "/sweep/" in path:  # what comes after the picture
                shown = desk.capture(path.rpartition("/")[2])
                number, measurement = sweep._measurement(shown, 0)
                translated(
                    [
                        sweepparts.carriers_table(shown, number, measurement, 0),
                        sweepparts.carrier_sheet(shown, number, measurement, 0),
                    ]
                )
                translated([sweepparts.findings_sheet(shown), sweepparts.settings_sheet(shown, measurement)])
    own = (*OWNED, desk.place)
    english = [text for text in untold if ENGLISH.search(text) and not any(part in text for part in own)]
    assert untold and not english, "\n".join(english)


def test_the_check_hears_what_is_not_told(app, untold) -> None:
    from dash import html

    with app.server.test_request_context("/", headers={"Cookie": "sweepmuster_language=de"}):
        translated(html.P("A sentence that no catalogue has."))
    assert any(ENGLISH.search(text) for text in untold)
