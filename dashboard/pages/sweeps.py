"""All sweeps of the archive, the newest first, found by word, verdict, finding or frequency."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.language import OWN
from dashboard.pages.visits import verdict_choice
from dashboard.registry import Page, Place, Table, link
from dashboard.words import count, found_words, kilohertz, minute, seen
from spectra.archive import Search
from spectra.errors import UsageError

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk

_ROWS = 25
_MOST_CSV = 20_000
_SUBJECTS = {
    "oscillator.*": "oscillator",
    "polarisation.*": "polarisation",
    "interference.*": "interference",
    "line.*": "cable and gain",
    "service.*": "own carriers",
    "identification.*": "the satellite",
    "quality.*": "the sweep itself",
    "clock.*": "the clock",
}
"""What the findings are about, by the beginning of their codes."""
_FIELDS = ("text", "verdict", "finding", "near", "since", "until")


def search_of(query: Mapping[str, Any], *, offset: int = 0, limit: int = _ROWS) -> Search:
    """Return what an address or the filters look for.

    Raises
    ------
    UsageError
        If a date or a frequency is none.
    """
    from spectra.archive.query import moment
    from spectra.identify.identification import VERDICTS

    near = str(query.get("near") or "").replace(",", ".").strip()
    try:
        carrier = float(near) * 1e6 if near else None
    except ValueError:
        raise UsageError("near", None, repr(near), "a frequency in MHz", "Write it like 1651.2 or 12304.") from None
    verdict, since, until = query.get("verdict"), query.get("since"), query.get("until")
    return Search(
        text=query.get("text") or None,
        verdict=verdict if verdict in VERDICTS else None,
        finding=query.get("finding") or None,
        carrier_hz=carrier,
        since=moment(since) if since else None,
        until=moment(until, end=True) if until else None,
        offset=offset,
        limit=limit,
    )


def layout(desk: Desk, place: Place) -> Any:
    """Return the list with its filters as the address tells them."""
    page = max(1, place.whole("page", 1))
    query = place.query
    texts = (
        ("text", "Find", "vessel, terminal, satellite, file", "search", "field wide"),
        ("near", "Carrier near / MHz", "IF or RF", "text", "field short"),
        ("since", "From", "2026-03-14", "text", "field short"),
        ("until", "Up to", "2026-03-31", "text", "field short"),
    )
    filters = [
        parts.entry(
            label,
            dcc.Input(
                id=f"sweeps-{name}",
                type=kind,
                value=query.get(name, ""),
                placeholder=hint,
                debounce=0.1,
                className=look,
                maxLength=100,
            ),
        )
        for name, label, hint, kind, look in texts
    ]
    return html.Div(
        [
            parts.heading("Sweeps"),
            parts.sheet(
                None,
                html.Div(
                    [
                        *filters,
                        verdict_choice("sweeps-verdict", query.get("verdict", "")),
                        _finding_choice(query.get("finding", "")),
                    ],
                    className="row filters",
                ),
                html.Div(_shown(desk, query, page), id="sweeps-list", className="list"),
            ),
            dcc.Store(id="sweeps-state"),
            dcc.Store(id="sweeps-kept"),
        ]
    )


def _finding_choice(value: str) -> html.Div:
    """Return the choice of what findings are about; an address may name any code, which is then one more."""
    options = {**_SUBJECTS, **({value: value} if value and value not in _SUBJECTS else {})}
    return parts.pick("sweeps-finding", "Findings about", options, value, nothing="anything")


def _shown(desk: Desk, query: Mapping[str, Any], page: int) -> list[Any]:
    rows, total = desk.captures(search_of(query, offset=(page - 1) * _ROWS))
    filtered = {key: query[key] for key in _FIELDS if query.get(key)}
    cells = [
        [
            minute(row["captured_at"]),
            html.Div(
                [
                    dcc.Link(row["name"], href=f"/visit/any/sweep/{row['key'][:SHORT]}", className=OWN),
                    html.Span(" · ".join(x for x in (row["vessel"], row["terminal"]) if x), className="under"),
                ]
            ),
            html.Div([parts.verdict(row["verdict"]), html.Span(seen(row), className="under")]),
            kilohertz(row["lo_error_hz"], row["lo_error_std_hz"]),
            str(row["carriers"]),
            found_words(row["faults"], row["warnings"]),
        ]
        for row in rows
    ]
    made = parts.table(
        ["Taken", "Sweep", "Verdict", "LO error", "Carriers", "Findings"],
        cells,
        caption=f"{count(total, 'sweep')}, the newest first",
        right=(3, 4),
        empty="No sweep fits. Take a filter away.",
    )
    csv = html.A(
        "These sweeps as CSV", href=link("/csv/sweeps", **filtered, table="sweeps"), className="take", download=""
    )
    return [made, parts.pager("/sweeps", filtered, page, _ROWS, total), html.P(csv)]


def table(desk: Desk, place: Place) -> Table:
    """Return the filtered list for a spreadsheet."""
    rows, _ = desk.captures(search_of(place.query, limit=_MOST_CSV))
    head = tuple(rows[0]) if rows else ("key",)
    return Table("sweeps", head, [[row[name] for name in head] for row in rows])


def register(app: Dash, desk: Desk) -> None:
    """Let the filters work on the list, and the address follow them."""

    @app.callback(
        Output("sweeps-list", "children"),
        Output("sweeps-state", "data"),
        *(Input(f"sweeps-{name}", "data" if name in ("verdict", "finding") else "value") for name in _FIELDS),
        prevent_initial_call=True,
    )
    def _filter(*values: str | None) -> tuple[Any, dict[str, Any]]:
        query = {name: (value or "")[:100] for name, value in zip(_FIELDS, values, strict=True)}
        return _shown(desk, query, 1), {**query, "page": None}

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("sweeps-kept", "data"), Input("sweeps-state", "data")
    )


PAGE = Page("sweeps", "/sweeps", "Sweeps", layout, register, nav=2, tables={"sweeps": table})
