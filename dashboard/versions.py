"""The versions of carrier tables and receive chains, as lists; and the way between the two editors."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.registry import link
from dashboard.words import count, minute

if TYPE_CHECKING:
    from spectra.archive import Edition

__all__ = ["edition_list", "views"]

_MOST = 40


def views(here: str) -> html.Nav:
    """Return the links between the carrier table and the receive chain."""
    items = (("table", "Carrier table", "/table"), ("chain", "Receive chain", "/table/chain"))
    links = [
        dcc.Link(words, href=href, className="here" if key == here else "", **_current(key == here))
        for key, words, href in items
    ]
    return html.Nav(links, className="views", **{"aria-label": "Table and chain"})


def _current(here: bool) -> dict[str, Any]:
    return {"title": "shown here"} if here else {}


def edition_list(found: Sequence[Edition], current: str | None, path: str) -> Any:
    """Return the versions, the newest first, each with a link that opens it."""
    rows = [_row(edition, current, path) for edition in found[:_MOST]]
    made = parts.table(
        ["Saved", "What", "Results made with it", ""],
        rows,
        caption="Versions, the newest first" + (f"; the newest {_MOST} of {len(found)}" if len(found) > _MOST else ""),
        empty="No version yet: the first is made when you save.",
    )
    if rows:
        made.className = "grid cards"
    return made


def _row(edition: Edition, current: str | None, path: str) -> list[Any]:
    size = count(edition.rows, "row") if edition.kind == "plan" else edition.name
    what = [edition.file, html.Span(f"{size}; {edition.note or 'came with sweeps'}", className="under")]
    opened = (
        html.Strong("open")
        if edition.sha256 == current
        else dcc.Link("Open", href=link(path, version=edition.sha256[:16]), title=f"Open the version of {edition.at}")
    )
    when = minute(edition.at) if edition.at else "–"
    return [when, html.Div(what), count(edition.results, "result"), opened]
