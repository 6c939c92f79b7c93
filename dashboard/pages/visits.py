"""Visits: what was saved, found again by vessel, verdict or word."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.registry import Page, Place
from spectra.archive import VisitSearch

if TYPE_CHECKING:
    from dashboard.desk import Desk

_ROWS = 25


def layout(desk: Desk, place: Place) -> Any:
    """Return the list."""
    found = desk.visits(VisitSearch(text=place.query.get("text")), offset=0, limit=_ROWS)
    rows = [
        [
            dcc.Link(row["folder"], href=f"/visit/{row['key'][:SHORT]}"),
            parts.verdict((row["last"] or {}).get("verdict")),
        ]
        for row in found.rows
    ]
    return html.Div(
        [parts.heading("Visits"), parts.sheet(None, parts.table(["Visit", "Verdict"], rows, caption="Visits"))]
    )


PAGE = Page("visits", "/", "Visits", layout, nav=1)
