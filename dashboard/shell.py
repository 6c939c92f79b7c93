"""The frame around every page: menu, routing, what is said when something fails, the colour scheme."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, dcc, html, set_props

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.language import current_language, say, translated
from dashboard.registry import Page, Place, link, match
from dashboard.scheme import current_scheme
from spectra import SpectraError
from spectra.cautions import DISCLAIMER

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk

__all__ = ["layout", "register", "tell_error"]

_OWN_FAULT = "Something in the program itself went wrong; the details are where it was started. Nothing was changed."


def layout(pages: Sequence[Page]) -> html.Div:
    """Return the frame; the page goes into ``page``."""
    return html.Div(
        [
            dcc.Location(id="place", refresh="callback-nav"),
            dcc.Store(id="kept"),
            dcc.Store(id="told-title"),
            dcc.Store(id="said-title"),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    dcc.Link(
                        [html.Span(className="mark", **{"aria-hidden": "true"}), "Sweepmuster"],
                        href="/",
                        className="wordmark",
                    ),
                    html.Nav(_menu(pages, None), id="menu", className="menu", **{"aria-label": "Main"}),
                    _schemes(),
                ],
                className="masthead",
            ),
            html.Div(id="notice", className="notice", role="alert"),
            html.Main(parts.waiting(), id="page", tabIndex="-1"),
            html.Footer(html.P(DISCLAIMER), className="foot"),
            # the drawing library is loaded once the first page is there, so that the first picture need not wait for it
            html.Div(id="idle", hidden=True),
            dcc.Interval(id="idle-tick", interval=900, max_intervals=1),
        ],
        className="frame",
    )


def _menu(pages: Sequence[Page], current: str | None) -> list[Any]:
    shown = sorted((page for page in pages if page.nav is not None), key=lambda page: page.nav or 0)
    return [dcc.Link(page.title, href=page.path, className="here" if page.path == current else "") for page in shown]


def _schemes() -> html.Div:
    words = {"light": "Day", "dark": "Dusk", "night": "Night"}
    about = {"light": "light colours", "dark": "dark colours", "night": "dim red for a dark bridge"}
    return html.Div(
        [
            html.Button(word, className="scheme", title=about[name], **{"data-scheme-choice": name, "type": "button"})
            for name, word in words.items()
        ],
        className="schemes",
        role="group",
        **{"aria-label": "Colours"},
    )


def register(app: Dash, desk: Desk, pages: Sequence[Page]) -> None:
    """Add the callbacks of the frame."""

    @app.callback(
        Output("page", "children"),
        Output("menu", "children"),
        Output("told-title", "data"),
        Output("notice", "children"),
        Input("place", "pathname"),
        Input("place", "search"),
    )
    def _show(path: str | None, search: str | None) -> tuple[Any, Any, str, None]:
        page, shown = render(desk, pages, path or "/", search or "")
        title = "Sweepmuster" if page is None else f"{say(page.title, current_language())} – Sweepmuster"
        return shown, _menu(pages, None if page is None else page.path), title, None

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "prepare"), Output("idle", "children"), Input("idle-tick", "n_intervals")
    )
    app.clientside_callback(
        ClientsideFunction("sweepmuster", "arrive"), Output("said-title", "data"), Input("told-title", "data")
    )


def render(desk: Desk, pages: Sequence[Page], path: str, search: str) -> tuple[Page | None, Any]:
    """Return the page of an address and its components; what fails becomes words."""
    found = match(pages, path, search, current_scheme())
    if found is None:
        words = "There is no page at this address. It may have been cut short where it was copied."
        return None, html.Div([parts.heading("Nothing here"), html.P(words), dcc.Link("To the visits", href="/")])
    page, asked = found

    def make() -> Any:
        place = _known_visit(desk, asked)
        shown = page.layout(desk, place)
        return shown if page.tab is None else html.Div([_tabs(pages, page, place), shown])

    return page, safely(make)


def _known_visit(desk: Desk, place: Place) -> Place:
    """Return a place whose visit is known: ``any`` stands for that of the capture."""
    if place.path.get("visit") != "any" or "capture" not in place.path:
        return place
    visit = desk.capture(place.path["capture"]).visit
    return place if visit is None else replace(place, path={**place.path, "visit": visit[:SHORT]})


def _tabs(pages: Sequence[Page], current: Page, place: Place) -> html.Nav:
    """Return the tabs of a visit; the capture at hand goes along, also through pages that show the visit as a whole."""
    visit, capture = place.path.get("visit"), place.path.get("capture") or place.query.get("capture")
    shown = sorted((page for page in pages if page.tab is not None), key=lambda page: page.tab or 0)
    items = []
    for page in shown:
        address = page.address(visit=visit, capture=capture)
        there = address if "<capture>" in page.path else link(address, capture=capture)
        extra = {"aria-current": "page"} if page is current else {}
        items.append(html.Li(dcc.Link(page.title, href=there, className="here" if page is current else ""), **extra))
    return html.Nav(html.Ul(items), className="tabs", **{"aria-label": "This visit"})


def safely(make: Any) -> Any:
    """Return what `make` makes, or the trouble that kept it from it, in words."""
    try:
        return make()
    except SpectraError as problem:
        return html.Div([parts.heading("This cannot be shown"), parts.trouble(problem)])
    except Exception as problem:  # noqa: BLE001 - a page that fails must not leave the reader before an empty one
        traceback.print_exception(problem, file=sys.stderr)
        return html.Div([parts.heading("This cannot be shown"), html.P(_OWN_FAULT)])


def tell_error(problem: Exception) -> None:
    """Show what went wrong in a callback: ours in its own words, anything else without what is inside."""
    if isinstance(problem, SpectraError):
        set_props("notice", {"children": translated(parts.trouble(problem))})
        return
    traceback.print_exception(problem, file=sys.stderr)
    set_props("notice", {"children": translated(html.P(_OWN_FAULT))})
