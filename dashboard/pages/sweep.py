"""One sweep: the picture, its carriers in words, its quality, what was assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, ctx, dcc, html
from dash.exceptions import PreventUpdate

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.figures.sweep import View, level_at, sweep_figure, sweep_words
from dashboard.measures import current_measures
from dashboard.registry import Page, Place, Table, link
from dashboard.scheme import current_look
from dashboard.sweepparts import carrier_sheet, carriers_table, entries_of, findings_sheet, settings_sheet, state_of
from dashboard.viewing import MOVES, in_mhz, next_view, view_of
from dashboard.words import minute, name_of_visit, told
from spectra.errors import SpectraError

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk, Shown
    from spectra.measure.measurement import Measurement
    from spectra.sweep import Sweep

_MOST_OVER = 40
_SHOW = "residuals rf"


# what is shown


def _measurement(shown: Shown, number: int) -> tuple[int, Measurement]:
    """Return one sweep of a capture, the first where there is none of that number."""
    found = shown.review.measurements
    if not found:
        problem = shown.review.failed[0] if shown.review.failed else None
        raise problem or SpectraError(shown.row["name"], None, "no measurement", "one", "Add the sweep again.")
    return (number, found[number]) if 0 <= number < len(found) else (0, found[0])


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    shown = desk.pick(place.path["visit"], place.path.get("capture"))
    number, measurement = _measurement(shown, place.whole("n", 1) - 1)
    visit = desk.visit(place.path["visit"])
    rows = desk.visit_list(visit["key"])
    view = view_of(place.query)
    sweep = measurement.sweep
    over = place.query.get("over")
    drawn = _drawn(desk, shown, number, view, place.query.get("show", _SHOW).split(" "), over)
    return html.Div(
        [
            _heading(shown, visit, rows),
            _answer(shown, measurement),
            _segments(shown, number, place),
            parts.sheet(
                None,
                _controls(sweep, place, _laid_over(desk, place.query.get("over"))),
                parts.figure("sweep-figure", drawn, sweep_words(measurement), name=shown.row["name"]),
                _cursors(view, sweep),
            ),
            html.Div(
                [
                    parts.sheet(
                        "Carriers",
                        html.Div(parts.waiting(), id="sweep-carriers"),
                        html.P(parts.csv_link(_address(shown), "carriers", Place(query={"n": str(number + 1)}))),
                    ),
                    html.Div(id="sweep-detail"),
                ],
                className="pair below",
            ),
            html.Div(id="sweep-rest"),
            dcc.Store(id="sweep-which", data={"key": shown.key, "n": number}),
            dcc.Store(id="sweep-view", data=view),
            dcc.Store(id="sweep-chosen"),
            dcc.Store(id="sweep-dragged"),
            dcc.Store(id="sweep-kept"),
        ]
    )


def _address(shown: Shown, page: str = "sweep") -> str:
    return f"/visit/{(shown.visit or 'none')[:SHORT]}/{page}/{shown.key[:SHORT]}"


def _heading(shown: Shown, visit: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]) -> html.Div:
    context = shown.review.source.context
    said = [minute(shown.row["captured_at"]), context.port and f"{context.port} port", context.lo_state, context.role]
    at = next((k for k, row in enumerate(rows) if row["key"] == shown.key), None)
    turns = []
    if at is not None:
        for word, step in (("Earlier sweep", at + 1), ("Later sweep", at - 1)):
            if 0 <= step < len(rows):
                href = f"/visit/{visit['key'][:SHORT]}/sweep/{rows[step]['key'][:SHORT]}"
                turns.append(dcc.Link(word, href=href, className="take"))
    trail = [("Visits", "/"), (name_of_visit(visit), f"/visit/{visit['key'][:SHORT]}")]
    about = [" · ".join(str(x) for x in said if x and x != "normal"), " ", html.Span(turns, className="turns")]
    return parts.heading(shown.row["name"], trail=trail, about=about)


def _answer(shown: Shown, measurement: Measurement) -> html.Section:
    found = shown.review.identification
    if found is None:
        return parts.answer(None, sweep_words(measurement))
    more = html.P(dcc.Link("How the roll call came out", href=_address(shown, "rollcall")))
    return parts.answer(found.verdict, told(found.sentence), more=more)


def _segments(shown: Shown, number: int, place: Place) -> html.Nav | None:
    found = shown.review.measurements
    if len(found) < 2:
        return None
    links = [
        dcc.Link(
            f"{m.sweep.start_hz / 1e6:.5g} to {m.sweep.stop_hz / 1e6:.5g} MHz",
            href=link(_address(shown), n=k + 1),
            className="take here" if k == number else "take",
        )
        for k, m in enumerate(found)
    ]
    return html.Nav(["Swept in parts: ", *links], className="row", **{"aria-label": "Parts of this capture"})


def _controls(sweep: Sweep, place: Place, others: Mapping[str, str]) -> html.Div:
    buttons = [
        html.Button(word, id=f"sweep-{name}", className="take", type="button", title=why)
        for name, word, why in (
            ("in", "Closer", "Show half of the span"),
            ("out", "Wider", "Show twice the span"),
            ("left", "◂ Lower", "Move to lower frequencies"),
            ("right", "Higher ▸", "Move to higher frequencies"),
            ("all", "Whole span", "Show all"),
        )
    ]
    options = {
        "residuals": "what the fit leaves over",
        "rf": "RF axis",
        "pull": "drag moves the picture",
        **{f"t:{n}": f"trace {n}" for n in sweep.traces},
    }
    over = parts.pick("sweep-over", "Lay over", others, place.query.get("over"), nothing="nothing")
    over.className = "entry aside"
    return html.Div(
        [
            html.Div(buttons, className="takes", role="group", **{"aria-label": "Part of the span"}),
            parts.toggles("sweep-show", "What to show", options, place.query.get("show", _SHOW).split(" ")),
            over,
        ],
        className="row between",
    )


def _laid_over(desk: Desk, over: str | None) -> dict[str, str]:
    """Return what lies over the sweep now; what else could comes with the rest of the page."""
    return {over: desk.capture(over).row["name"]} if over else {}


def _others(desk: Desk, shown: Shown, rows: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return what can be laid over: baselines of the same terminal, the other sweeps of the visit."""
    where = (shown.row["vessel"], shown.row["terminal"])
    same = [row for row in desk.baselines() if (row["vessel"], row["terminal"]) == where]
    found = {row["key"][:SHORT]: f"baseline {row['name']}" for row in same}
    found |= {row["key"][:SHORT]: row["name"] for row in rows[:_MOST_OVER]}
    found.pop(shown.key[:SHORT], None)
    return found


def _cursors(view: Mapping[str, Any], sweep: Sweep) -> html.Div:
    fields = [
        parts.entry(
            f"Cursor {name.upper()} / MHz",
            dcc.Input(
                id=f"sweep-{name}",
                type="text",
                inputMode="decimal",
                value=_shown_mhz(view[name]),
                debounce=True,
                className="field short",
            ),
        )
        for name in ("a", "b")
    ]
    return html.Div(
        [
            *fields,
            html.Div(_cursor_words(view, sweep), id="sweep-cursor-words", role="status", className="reading"),
        ],
        className="row",
    )


def _shown_mhz(mhz: float | None) -> str:
    return "" if mhz is None else f"{current_measures().shown(mhz):.10g}"


def _cursor_words(view: Mapping[str, Any], sweep: Sweep) -> list[Any]:
    at = {name: level_at(sweep, view[name] * 1e6) for name in ("a", "b") if view[name] is not None}
    if not at:
        return [
            html.Span(
                "Click into the picture, or write a frequency, to read the trace at two places.", className="soft"
            )
        ]
    words = [html.Span(f"{name.upper()}: {hz / 1e6:.4f} MHz, {dbm:.2f} dBm") for name, (hz, dbm) in at.items()]
    if len(at) == 2:
        (low_hz, low), (high_hz, high) = at["a"], at["b"]
        apart = high_hz - low_hz
        wide = f"{apart / 1e6:.4f} MHz" if abs(apart) >= 1e6 else f"{apart / 1e3:.2f} kHz"
        words.append(html.Strong(f"B − A: {wide}, {high - low:+.2f} dB"))
    return words


# the picture


def _drawn(desk: Desk, shown: Shown, number: int, view: Mapping[str, Any], show: list[str], over: str | None) -> Any:
    _, measurement = _measurement(shown, number)
    overlays: dict[str, Sweep] = {}
    if over:
        other = desk.capture(over)
        if other.review.measurements:
            overlays[other.row["name"]] = other.review.measurements[0].sweep
    hz = {name: None if view[name] is None else view[name] * 1e6 for name in ("from", "to", "a", "b")}
    how = View(
        start_hz=hz["from"],
        stop_hz=hz["to"],
        chosen=view["carrier"],
        cursors=(hz["a"], hz["b"]),
        traces=[name[2:] for name in show if name.startswith("t:")],
        residuals="residuals" in show,
        overlays=overlays,
        pulled="pull" in show,
    )
    return sweep_figure(measurement, current_look(), how, state_of(shown) if "rf" in show else None)


def _triggers(sent: Mapping[str, Any]) -> list[str]:
    """Return what was done since last time: several things at once where the answer before was still on its way."""
    names = {"sweep-dragged.data": "figure", "sweep-figure.clickData": "click"}
    found = []
    for item in ctx.triggered:
        name = names.get(item["prop_id"], item["prop_id"].rpartition(".")[0].removeprefix("sweep-"))
        if name in ("figure", "chosen", "click") and sent[name] is None:
            continue
        found.append(name)
    return found


def register(app: Dash, desk: Desk) -> None:
    """Let the picture, the table and the fields follow each other."""

    @app.callback(
        Output("sweep-carriers", "children", allow_duplicate=True),
        Output("sweep-detail", "children", allow_duplicate=True),
        Output("sweep-rest", "children"),
        Output("sweep-over-field", "children"),
        Input("sweep-which", "data"),
        State("sweep-view", "data"),
        State("sweep-over", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def _below(which: Any, view: Any, over: Any) -> Any:
        # the picture comes first; what stands below it is made while it is drawn
        shown = desk.capture(which["key"])
        number, measurement = _measurement(shown, which["n"])
        chosen = view_of(view)["carrier"]
        rows = [] if shown.visit is None else desk.visit_list(shown.visit)
        others = {"": "nothing", **_others(desk, shown, rows)}
        return (
            carriers_table(shown, number, measurement, chosen),
            carrier_sheet(shown, number, measurement, chosen),
            [findings_sheet(shown), settings_sheet(shown, measurement)],
            [html.Option(words, value=key, selected=key == (over or "")) for key, words in others.items()],
        )

    @app.callback(
        Output("sweep-figure", "figure"),
        Output("sweep-view", "data"),
        Output("sweep-carriers", "children"),
        Output("sweep-detail", "children"),
        Output("sweep-cursor-words", "children"),
        Output("sweep-a", "value"),
        Output("sweep-b", "value"),
        Output("sweep-chosen", "data"),
        Output("sweep-figure", "clickData"),
        Input("sweep-dragged", "data"),
        Input("sweep-figure", "clickData"),
        Input("sweep-chosen", "data"),
        Input("sweep-a", "value"),
        Input("sweep-b", "value"),
        Input("sweep-show", "data"),
        Input("sweep-over", "data"),
        *(Input(f"sweep-{move}", "n_clicks") for move in MOVES),
        State("sweep-view", "data"),
        State("sweep-which", "data"),
        prevent_initial_call=True,
    )
    def _act(dragged: Any, clicked: Any, chosen: Any, a: Any, b: Any, show: Any, over: Any, *rest: Any) -> Any:
        view, which = rest[-2:]
        sent = {"figure": dragged, "click": clicked, "chosen": chosen, "a": a, "b": b}
        sent = in_mhz(sent, current_measures())
        done = _triggers(sent)
        if not done:
            raise PreventUpdate
        shown = desk.capture(which["key"])
        number, measurement = _measurement(shown, which["n"])
        sweep = measurement.sweep
        span = (sweep.start_hz / 1e6, sweep.stop_hz / 1e6)
        found = view_of(view)
        for trigger in done:
            found = next_view(found, span, trigger, sent.get(trigger))
        kept = {**found, "show": " ".join(show or []) or "none", "over": over or ""}
        return (
            _drawn(desk, shown, number, found, show or [], over),
            kept,
            carriers_table(shown, number, measurement, found["carrier"]),
            carrier_sheet(shown, number, measurement, found["carrier"]),
            _cursor_words(found, sweep),
            _shown_mhz(found["a"]),
            _shown_mhz(found["b"]),
            None,
            None,
        )

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "dragged"),
        Output("sweep-dragged", "data"),
        Input("sweep-figure", "relayoutData"),
    )
    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("sweep-kept", "data"), Input("sweep-view", "data")
    )


def table(desk: Desk, place: Place) -> Table:
    """Return the carriers for a spreadsheet, every number with its uncertainty."""
    shown = desk.pick(place.path["visit"], place.path.get("capture"))
    number, measurement = _measurement(shown, place.whole("n", 1) - 1)
    entries = entries_of(shown, number)
    frame = measurement.to_frame()
    frame.insert(0, "number", range(1, len(frame) + 1))
    frame["table_row"] = [entries[k].row if k in entries else None for k in range(len(frame))]
    rows = frame.astype(object).where(frame.notna(), None).to_numpy().tolist()
    return Table(f"{shown.row['name']} carriers", list(frame.columns), rows)


PAGE = Page("sweep", "/visit/<visit>/sweep/<capture>", "Sweep", layout, register, tab=2, tables={"carriers": table})
