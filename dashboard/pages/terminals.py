"""The desk view: every terminal with its last verdict, its open findings, its oldest baseline."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.registry import Page, Place, Table, link
from dashboard.words import count, day, found_words, kilohertz, told

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk

_ROWS = 20
_MOST_CSV = 5000


def layout(desk: Desk, place: Place) -> Any:
    """Return the list of terminals."""
    page, text = max(1, place.whole("page", 1)), place.query.get("text", "")
    search = dcc.Input(
        id="terminals-text",
        type="search",
        value=text,
        debounce=0.1,
        placeholder="vessel, terminal",
        className="field wide",
    )
    return html.Div(
        [
            parts.heading(
                "Terminals", about="Where each of them stands: what its last sweep said, and what is still open."
            ),
            parts.sheet(
                None,
                html.Div(parts.entry("Find", search), className="row filters"),
                html.Div(_shown(desk, text, page), id="terminals-list", className="list"),
            ),
            dcc.Store(id="terminals-state"),
            dcc.Store(id="terminals-kept"),
        ]
    )


def _baselines(desk: Desk) -> dict[tuple[str | None, str | None], dict[str, Any]]:
    """Return the oldest baseline of each terminal."""
    found: dict[tuple[str | None, str | None], dict[str, Any]] = {}
    for row in desk.baselines():
        key = (row["vessel"], row["terminal"])
        if key not in found or (row["captured_at"] or "") < (found[key]["captured_at"] or ""):
            found[key] = row
    return found


def _shown(desk: Desk, text: str, page: int) -> list[Any]:
    found = desk.terminals(text or None, offset=(page - 1) * _ROWS, limit=_ROWS)
    baselines = _baselines(desk)
    rows = [_row(row, baselines.get((row["vessel"], row["terminal"]))) for row in found.rows]
    made = parts.table(
        [
            "Terminal",
            ("Last verdict", "Of its newest sweep that was identified"),
            ("LO error", "Of the same sweep"),
            "Last sweep",
            ("Findings", "Over all its sweeps"),
            ("Oldest baseline", "The sweep marked as baseline that lies farthest back"),
        ],
        rows,
        caption=f"{count(found.total, 'terminal')}, the one swept last first",
        right=(2,),
        empty="No terminal fits.",
    )
    csv = html.A(
        "Terminals as CSV", href=link("/csv/terminals", text=text, table="terminals"), className="take", download=""
    )
    return [made, parts.pager("/terminals", {"text": text}, page, _ROWS, found.total), html.P(csv)]


def _row(row: Mapping[str, Any], baseline: Mapping[str, Any] | None) -> list[Any]:
    last = row["last"]
    name = " · ".join(part for part in (row["vessel"], row["terminal"]) if part) or "not named"
    visits = link("/", vessel=row["vessel"], terminal=row["terminal"])
    verdict: list[Any] = [parts.verdict(last["verdict"] if last else None)]
    if last and last["sentence"]:
        verdict.append(html.Span(told(last["sentence"]), className="under"))
    old: Any = html.Span("none", className="soft")
    if baseline is not None:
        old = html.Div(
            [
                dcc.Link(day(baseline["captured_at"]), href=f"/visit/any/sweep/{baseline['key'][:SHORT]}"),
                html.Span(_age(baseline["captured_at"]), className="under"),
            ]
        )
    links = [dcc.Link("oscillator", href=link("/oscillator", vessel=row["vessel"], terminal=row["terminal"]))]
    return [
        html.Div(
            [
                dcc.Link(name, href=visits),
                html.Span(
                    [f"{count(row['captures'], 'sweep')} in {count(row['visits'], 'visit')} · ", *links],
                    className="under",
                ),
            ]
        ),
        html.Div(verdict),
        kilohertz(last["lo_error_hz"], last["lo_error_std_hz"]) if last else "–",
        day(row["last_at"]),
        found_words(row["faults"], row["warnings"]),
        old,
    ]


def _age(captured_at: str | None) -> str:
    if captured_at is None:
        return ""
    days = (datetime.now(UTC) - datetime.fromisoformat(captured_at.replace("Z", "+00:00"))).days
    return count(max(0, days), "day") + " old"


def table(desk: Desk, place: Place) -> Table:
    """Return the list for a spreadsheet."""
    found = desk.terminals(place.query.get("text") or None, offset=0, limit=_MOST_CSV)
    baselines = _baselines(desk)
    rows = []
    for row in found.rows:
        last = row["last"] or {}
        baseline = baselines.get((row["vessel"], row["terminal"]))
        rows.append(
            [
                row["vessel"],
                row["terminal"],
                last.get("verdict"),
                last.get("sentence"),
                *(row[name] for name in ("last_at", "captures", "visits", "faults", "warnings")),
                None if baseline is None else baseline["captured_at"],
            ]
        )
    head = (
        "vessel",
        "terminal",
        "verdict",
        "why",
        "last sweep",
        "sweeps",
        "visits",
        "faults",
        "warnings",
        "oldest baseline",
    )
    return Table("terminals", head, rows)


def register(app: Dash, desk: Desk) -> None:
    """Let the search work on the list."""

    @app.callback(
        Output("terminals-list", "children"),
        Output("terminals-state", "data"),
        Input("terminals-text", "value"),
        prevent_initial_call=True,
    )
    def _filter(text: str | None) -> tuple[Any, dict[str, Any]]:
        return _shown(desk, (text or "")[:100], 1), {"text": text, "page": None}

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("terminals-kept", "data"), Input("terminals-state", "data")
    )


PAGE = Page("terminals", "/terminals", "Terminals", layout, register, nav=3, tables={"terminals": table})
