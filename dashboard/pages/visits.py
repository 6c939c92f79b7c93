"""Visits: what was saved, found again by vessel, verdict or word."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.language import OWN
from dashboard.registry import Page, Place, Table, link
from dashboard.words import count, day, found_words, minute, name_of_visit, told
from spectra.archive import VisitSearch

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk
    from spectra.archive import Listed

_ROWS = 20
_MOST_CSV = 20_000
_VERDICTS = ("confirmed", "probable", "ambiguous", "contradicted", "unidentified", "no carriers")


def _search(query: Mapping[str, Any]) -> VisitSearch:
    verdict = query.get("verdict")
    return VisitSearch(
        text=query.get("text") or None,
        vessel=query.get("vessel") or None,
        terminal=query.get("terminal") or None,
        verdict=verdict if verdict in _VERDICTS else None,
        finding=query.get("finding") or None,
        faults=query.get("faults") == "1",
    )


def layout(desk: Desk, place: Place) -> Any:
    """Return the list with its filters as the address tells them."""
    page = max(1, place.whole("page", 1))
    search = _search(place.query)
    found = desk.visits(search, offset=(page - 1) * _ROWS, limit=_ROWS)
    if not found.total and search == VisitSearch():
        return html.Div([parts.heading("Visits"), _empty()])
    return html.Div(
        [
            html.Div(
                [parts.heading("Visits"), dcc.Link("New visit", href="/new", className="button")],
                className="row between",
            ),
            _only(place),
            parts.sheet(
                None,
                _filters(place),
                html.Div(_shown(found, place.query, page), id="visits-list", className="list"),
            ),
            dcc.Store(id="visits-state"),
            dcc.Store(id="visits-only", data={k: v for k, v in place.query.items() if k in ("vessel", "terminal")}),
            dcc.Store(id="visits-kept"),
        ]
    )


def _only(place: Place) -> html.P | None:
    """Return which terminal the list is narrowed down to, and the way out of it."""
    named = " · ".join(place.query[key] for key in ("vessel", "terminal") if place.query.get(key))
    if not named:
        return None
    return html.P([f"Only the visits to {named}. ", dcc.Link("Show all", href="/")], className="about")


def _empty() -> html.Section:
    return parts.sheet(
        "Nothing saved yet",
        html.P(
            "A visit is what you bring back from one piece of work on one terminal: the sweeps that you saved on the "
            "analyser, with the carrier table and the receive chain if you have them."
        ),
        html.P(dcc.Link("Drop the files of a visit", href="/new", className="button")),
    )


def verdict_choice(id: str, value: str) -> html.Div:  # noqa: A002
    """Return the choice of a verdict to look for."""
    return parts.pick(id, "Last verdict", {word: word for word in _VERDICTS}, value, nothing="any")


def _filters(place: Place) -> html.Div:
    query = place.query
    return html.Div(
        [
            parts.entry(
                "Find",
                dcc.Input(
                    id="visits-text",
                    type="search",
                    value=query.get("text", ""),
                    debounce=0.1,
                    placeholder="vessel, terminal, satellite, title",
                    className="field wide",
                    maxLength=200,
                ),
            ),
            verdict_choice("visits-verdict", query.get("verdict", "")),
            parts.pick("visits-faults", "Findings", {"1": "with faults only"}, query.get("faults", ""), nothing="any"),
        ],
        className="row filters",
    )


def _shown(found: Listed, query: Mapping[str, Any], page: int) -> list[Any]:
    rows = [_row(row) for row in found.rows]
    filtered = {key: query[key] for key in query if key not in ("page", "table")}
    head: list[str | tuple[str, str]] = [
        ("Last sweep", "Date of the newest sweep, UTC"),
        "Visit",
        ("Last verdict", "Of the newest sweep that was identified"),
        "Sweeps",
        ("Findings", "Over all its sweeps"),
    ]
    caption = f"{count(found.total, 'visit')}, the newest first"
    table = parts.table(
        head,
        rows,
        caption=caption,
        right=(3,),
        empty="No visit fits. Take a filter away.",
        classes=["visit"] * len(rows),
    )
    return [
        table,
        parts.pager("/", filtered, page, _ROWS, found.total),
        html.P(
            html.A("These visits as CSV", href=link("/csv/", **filtered, table="visits"), className="take", download="")
        ),
    ]


def _row(row: Mapping[str, Any]) -> list[Any]:
    last = row["last"]
    name = name_of_visit(row)
    under = " · ".join(part for part in (row["head"].get("reference"), row["folder"]) if part and part != name)
    verdict: list[Any] = [parts.verdict(last["verdict"] if last else None)]
    if last and last["sentence"]:
        verdict.append(html.Span(told(last["sentence"]), className="under"))
    return [
        day(row["last_at"]),
        html.Div(
            [
                dcc.Link(name, href=f"/visit/{row['key'][:SHORT]}", className=OWN),
                html.Span(under, className=f"under {OWN}"),
            ]
        ),
        html.Div(verdict),
        str(row["captures"]),
        found_words(row["faults"], row["warnings"]),
    ]


def table(desk: Desk, place: Place) -> Table:
    """Return the filtered list for a spreadsheet."""
    found = desk.visits(_search(place.query), offset=0, limit=_MOST_CSV)
    head = ("last sweep", "visit", "vessel", "terminal", "verdict", "why", "sweeps", "faults", "warnings")
    rows = [
        (
            minute(row["last_at"]),
            name_of_visit(row),
            row["vessel"],
            row["terminal"],
            *((row["last"]["verdict"], row["last"]["sentence"]) if row["last"] else (None, None)),
            *(row[name] for name in ("captures", "faults", "warnings")),
        )
        for row in found.rows
    ]
    return Table("visits", head, rows)


def register(app: Dash, desk: Desk) -> None:
    """Let the filters work on the list, and the address follow them."""

    @app.callback(
        Output("visits-list", "children"),
        Output("visits-state", "data"),
        Input("visits-text", "value"),
        Input("visits-verdict", "data"),
        Input("visits-faults", "data"),
        State("visits-only", "data"),
        prevent_initial_call=True,
    )
    def _filter(
        text: str | None, verdict: str | None, faults: str | None, only: dict[str, str]
    ) -> tuple[Any, dict[str, Any]]:
        query = {**only, "text": (text or "")[:200], "verdict": verdict or "", "faults": faults or ""}
        found = desk.visits(_search(query), offset=0, limit=_ROWS)
        return _shown(found, query, 1), {**query, "page": None}

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("visits-kept", "data"), Input("visits-state", "data")
    )


PAGE = Page("visits", "/", "Visits", layout, register, nav=1, tables={"visits": table})
