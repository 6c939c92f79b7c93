"""Parts that stand still: the same elements as before, text as text, and nothing that runs.

Expected: the component library's own output for the same tree (tags, attributes), and the HTML standard's rule that a
text node is never markup (from memory).
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from dash import dcc, html

from dashboard.still import settled

HOSTILE = '<script>document.title = "taken"</script><img src=x onerror="document.title=1">'


def _forms(piece: Any) -> list[Any]:
    return json.loads(getattr(piece, "data-still"))


def _tree() -> html.Section:
    link = dcc.Link("on", href="/visit/1", className="button")
    return html.Section(
        [html.H2(HOSTILE), html.P(["a ", html.Strong("b"), None, 3, link])], className="sheet", id="free"
    )


def test_piece_keeps_tags_attributes_and_text() -> None:
    piece = settled(_tree(), frozenset())
    assert (piece._type, piece.className, piece.id) == ("Section", "sheet", "free") and piece.children is None
    heading, paragraph = _forms(piece)
    assert heading == ["h2", {}, HOSTILE]
    link = ["a", {"data-go": "", "href": "/visit/1", "class": "button"}, "on"]
    assert paragraph == ["p", {}, "a ", ["strong", {}, "b"], "3", link]


def test_what_callbacks_touch_stays_and_its_neighbours_settle() -> None:
    page = html.Div(
        [_tree(), html.Div([html.Button("press", id="page-press"), html.P("x")], id="free-too"), dcc.Store(id="s")]
    )
    made = settled(page, frozenset({"page-press", "s"}))
    first, second, third = made.children
    assert _forms(first)[0][0] == "h2"
    assert second.children[0].id == "page-press" and third._type == "Store" and not hasattr(made, "data-still")
    # an id by which the whole is watched
    assert settled(_tree(), frozenset({"free"})).children is not None


@pytest.mark.parametrize("address", ["javascript:alert(1)", " javascript:alert(1)", "data:text/html,x", "vbscript:x"])
def test_addresses_that_run_something_are_none(address: str) -> None:
    tree = html.Div([html.P("a"), html.P("b"), html.P("c"), html.A("d", href=address)])
    assert _forms(settled(tree, frozenset()))[3][1]["href"] == "about:blank"


@pytest.mark.slow
def test_browser_makes_elements_and_nothing_that_runs(browse: Any, archive_file: Any) -> None:
    browser = browse(archive_file)
    browser.open("/settings")
    browser.idle()
    script = """
        const box = document.createElement('div');
        box.id = 'trial';
        document.body.append(box);
        window.showForms = (forms) => box.setAttribute('data-still', JSON.stringify(forms));
        showForms(arguments[0]);"""
    forms: list[Any] = [
        ["p", {"class": "k", "onclick": "document.title = 'run'", "style": "color: red"}, HOSTILE],
        ["script", {}, "document.title = 'run'"],
        ["a", {"href": "javascript:document.title = 'run'", "data-go": ""}, "x"],
        ["iframe", {"srcdoc": "<script>parent.document.title = 1</script>"}],
        ["input", {"value": "7", "aria-label": "n"}],
        ["details", {}, ["summary", {}, "more"], ["p", {}, "inside"]],
    ]
    browser.driver.execute_script(script, forms)
    box = browser.wait(lambda: browser.all("#trial p.k"), "the elements")
    assert box[0].get_attribute("textContent") == HOSTILE and not browser.all("#trial script, #trial img")
    assert box[0].get_attribute("onclick") is None and not box[0].get_attribute("style")
    assert browser.one("#trial a").get_dom_attribute("href") is None
    assert browser.one("#trial iframe").get_dom_attribute("srcdoc") is None
    # a change elsewhere leaves focus and folds alone
    browser.one("#trial input").click()
    browser.driver.execute_script("document.querySelector('#trial details').open = true")
    browser.driver.execute_script("showForms(arguments[0])", [["p", {"class": "k"}, "other"], *forms[1:]])
    browser.wait(lambda: browser.text("#trial p.k") == "other", "the change")
    state = "return [document.activeElement.matches('#trial input'), document.querySelector('#trial details').open]"
    assert browser.driver.execute_script(state) == [True, True]
    # and what goes away is away
    browser.driver.execute_script("document.querySelector('#trial').removeAttribute('data-still')")
    browser.wait(lambda: browser.text("#trial") == "", "nothing")
    assert "run" not in browser.driver.title and browser.complaints() == []
