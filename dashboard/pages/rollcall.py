"""The roll call: the table's rows against the carriers found, the other candidates, the sweep that would tell more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.figures.rollcall import rollcall_figure, rollcall_words
from dashboard.registry import Page, Place, Table
from dashboard.scheme import current_look
from dashboard.sweepparts import row_name
from dashboard.words import count, frequency, kilohertz, minute, name_of_visit, told, value
from spectra.errors import SpectraError

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk, Shown
    from spectra.identify.identification import Candidate, Identification, RollCallEntry
    from spectra.measure.measurement import Carrier

_STATUS = {"present": "good", "absent": "bad", "not visible": "plain"}
_MOST_WIDE = 12


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    shown = desk.pick(place.path["visit"], place.path.get("capture"))
    heading = _heading(desk, shown, place)
    found = shown.review.identification
    if found is None:
        return html.Div([heading, _none(shown)])
    number = min(place.whole("hypothesis", 1), max(1, len(found.candidates))) - 1
    row = place.whole("row") or None
    return html.Div(
        [
            heading,
            parts.answer(found.verdict, told(found.sentence), more=_odds_words(found)),
            html.Div(_called(desk, shown, number, row), id="rollcall-called"),
            parts.sheet(
                "Candidates",
                html.Div(_candidates(found, number), id="rollcall-candidates"),
                html.P(parts.csv_link(_address(shown), "candidates")),
                about="Choose one to see above what it would explain, and what not.",
            ),
            html.Div([_next(shown, found), _findings(shown)], className="halves"),
            dcc.Store(id="rollcall-which", data={"key": shown.key}),
            dcc.Store(id="rollcall-view", data={"hypothesis": number + 1, "row": row}),
            dcc.Store(id="rollcall-hypothesis"),
            dcc.Store(id="rollcall-row"),
            dcc.Store(id="rollcall-kept"),
        ]
    )


def _heading(desk: Desk, shown: Shown, place: Place) -> html.Div:
    visit = desk.visit(place.path["visit"])
    address = f"/visit/{visit['key'][:SHORT]}"
    trail = [
        ("Visits", "/"),
        (name_of_visit(visit), address),
        (shown.row["name"], f"{address}/sweep/{shown.key[:SHORT]}"),
    ]
    return parts.heading("Roll call", trail=trail, about=f"{shown.row['name']} · {minute(shown.row['captured_at'])}")


def _none(shown: Shown) -> html.Section:
    context = shown.review.source.context
    if shown.review.failed:
        return parts.sheet(None, *(parts.trouble(problem) for problem in shown.review.failed))
    if not shown.review.source.on_satellite:
        role = (context.role or "").replace("_", " ")
        words = f"This sweep was taken as {role}: there is no satellite to call the roll of."
    else:
        words = "No carrier table or no receive chain came with this sweep, so there is no roll to call."
    return parts.answer(None, words)


def _odds_words(found: Identification) -> Any:
    best, limits = found.best, found.thresholds
    if best.log10_odds_none is None:
        return None
    kin = best.log10_odds_kin
    lines = [
        ("against chance", best.log10_odds_none, limits.confirmed_none),
        ("against the next candidate", best.log10_odds_next, limits.confirmed_next),
        ("against a satellite outside the table", kin, limits.confirmed_kin),
    ]
    said = [
        html.Li(f"{name}: {_odds(odds)}; confirmed takes {_odds(limit)}")
        for name, odds, limit in lines
        if odds is not None
    ]
    return html.Details([html.Summary("How sure"), html.Ul(said)])


_SUPERSCRIPT = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
_PLAIN_DECADES = 3.0


def _odds(decades: float | None) -> str:
    """Return odds as people bet: ten to some power to one, or one to it."""
    if decades is None:
        return "–"
    size = abs(decades)
    number = f"10{str(round(size)).translate(_SUPERSCRIPT)}" if size >= _PLAIN_DECADES else f"{10.0**size:.3g}"
    return f"{number} : 1" if decades >= 0.0 else f"1 : {number}"


def roll_of(desk: Desk, shown: Shown, number: int) -> tuple[Sequence[RollCallEntry], Sequence[tuple[int, Carrier]]]:
    """Return the roll call of a candidate: that of the verdict for the first, else called for it."""
    found = shown.review.identification
    if found is None:
        return (), ()
    if number == 0 and found.roll_call:
        return found.roll_call, found.unlisted
    if shown.table is None or shown.chain is None or not 0 <= number < len(found.candidates):
        return (), ()
    return desk.roll(shown, found.candidates[number])


def _called(desk: Desk, shown: Shown, number: int, chosen: int | None) -> list[Any]:
    found = shown.review.identification
    assert found is not None
    entries, unlisted = roll_of(desk, shown, number)
    drawn = []
    many = len(shown.review.measurements) > 1
    for k, measurement in enumerate(shown.review.measurements):
        mine = [e for e in entries if e.sweep == k or e.status != "present"]
        figure = rollcall_figure(measurement, mine, current_look(), table=shown.table, sweep=k, chosen=chosen)
        words = rollcall_words(mine, len(measurement.carriers), sum(index == k for index, _ in unlisted))
        drawn.append(parts.figure(f"rollcall-figure-{k}", figure, words, name=f"{shown.row['name']} roll call {k + 1}"))
    title = _title(found.candidates[number]) if found.candidates else "No candidate"
    if number:
        title = f"If it were {title}"
    sheets: list[Any] = [
        parts.sheet(title, *drawn, about="Joined lines: a row and the carrier that answers it." if not many else None)
    ]
    csv = parts.csv_link(_address(shown), "roll-call", Place(query={"hypothesis": str(number + 1)}))
    more = parts.csv_link(_address(shown), "in-no-row", Place(query={"hypothesis": str(number + 1)}))
    sheets += [
        parts.sheet("Rows of the table", _rows(shown, entries, chosen), html.P(csv)),
        parts.sheet("Found, but in no row", _unlisted(unlisted), *([html.P(more)] if unlisted else [])),
    ]
    return sheets


def _address(shown: Shown) -> str:
    return f"/visit/{(shown.visit or 'none')[:SHORT]}/rollcall/{shown.key[:SHORT]}"


def _title(candidate: Candidate) -> str:
    parts_ = [candidate.satellite, candidate.beam, candidate.polarisation, candidate.lo_state]
    return ", ".join(str(part) for part in parts_ if part)


def _rows(shown: Shown, entries: Sequence[RollCallEntry], chosen: int | None) -> Any:
    seen = [e for e in entries if e.status != "not visible"]
    hidden = [e for e in entries if e.status == "not visible"]
    shown_rows = _row_table(shown, seen, chosen, "Present and absent; choose a row to bring it out")
    if not hidden:
        return shown_rows
    fold = html.Details(
        [
            html.Summary(f"{len(hidden)} more that this sweep could not show"),
            _row_table(shown, hidden, chosen, "Not visible"),
        ],
        className="fold",
    )
    return html.Div([shown_rows, fold])


def _row_table(shown: Shown, entries: Sequence[RollCallEntry], chosen: int | None, caption: str) -> Any:
    rows = [
        [
            html.Div([html.Span(f"row {e.row}", className="n"), html.Span(row_name(shown, e.row), className="under")]),
            html.Span([parts.sign(_STATUS[e.status]), f" {e.status}"], className=f"verdict {_STATUS[e.status]}"),
            f"{e.rf_mhz:.3f} MHz",
            "–" if e.expected_if_hz is None else f"{e.expected_if_hz / 1e6:.3f} MHz",
            "–" if e.offset_hz is None else f"{e.offset_hz / 1e3:+.1f} kHz",
            "–" if e.cn_db is None else f"{e.cn_db:.1f} dB",
            html.Span(e.why, className="soft"),
        ]
        for e in entries
    ]
    return parts.table(
        ["Row", "Answer", "RF", "IF", "Off", "C/N", "Why"],
        rows,
        caption=caption,
        right=(2, 3, 4, 5),
        classes=["chosen pick" if e.row == chosen else "pick" for e in entries],
        choose=("rollcall-row", [str(e.row) for e in entries]),
        empty="No row of this list is in reach of this sweep.",
    )


def _unlisted(unlisted: Sequence[tuple[int, Carrier]]) -> Any:
    rows = [
        [
            frequency(c.centre_hz, c.centre_std_hz, "MHz"),
            c.kind if c.symbol_rate_bd is None else value(c.symbol_rate_bd, c.symbol_rate_std_bd, "kBd", 1e3),
            value(c.cn_db, c.cn_std_db, "dB"),
        ]
        for _, c in unlisted
    ]
    return parts.table(
        ["Centre", "Symbol rate", "C/N"],
        rows,
        caption="Carriers that no row explains",
        empty="None: the table explains all that was found.",
    )


def _candidates(found: Identification, number: int) -> Any:
    rows = [
        [
            html.Div([_title(c), html.Span(_where(c), className="under")]),
            f"{c.matched or 0}",
            _odds(c.log10_odds_none),
            _odds(c.log10_odds_next),
            _share(c.probability),
            html.Span(c.why_not or "the best", className="soft"),
        ]
        for c in found.candidates[:_MOST_WIDE]
    ]
    return parts.table(
        [
            "Hypothesis",
            ("Explains", "Carriers that answer one of its rows"),
            ("Against chance", "Odds against carriers that are there for no reason the table knows"),
            ("Against the next", "Odds against the best of the others"),
            ("Probability", "Among the hypotheses of this table"),
            "Why not",
        ],
        rows,
        caption="Best first",
        right=(1, 2, 3, 4),
        classes=["chosen pick" if k == number else "pick" for k in range(len(rows))],
        choose=("rollcall-hypothesis", [str(k) for k in range(len(rows))]),
        empty="No hypothesis of this table explains any carrier.",
    )


def _where(c: Candidate) -> str:
    where = ""
    if c.orbital_longitude_deg is not None:
        where = f"{abs(c.orbital_longitude_deg):.1f}° {'E' if c.orbital_longitude_deg >= 0 else 'W'}"
    error = "" if c.lo_error_hz is None else f"LO error {kilohertz(c.lo_error_hz, c.lo_error_std_hz)}"
    return " · ".join(part for part in (where, error) if part)


def _share(probability: float | None) -> str:
    if probability is None:
        return "–"
    if probability > 0.9995:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"


def _next(shown: Shown, found: Identification) -> html.Section:
    """Return the sweep that would tell more, of the satellite that was wanted, else of the best."""
    title = "The next sweep to take"
    if shown.table is None or shown.chain is None:
        return parts.sheet(title, html.P("It takes a carrier table and a receive chain to say.", className="empty"))
    from spectra.advice import next_sweep

    satellite = found.expected.satellite or found.best.satellite
    polarisation = found.expected.polarisation or found.best.polarisation
    state = found.expected.lo_state or found.best.lo_state
    try:
        sweeps = next_sweep(
            shown.table,
            shown.chain,
            satellite=satellite,
            polarisation=polarisation,
            lo_states=[state] if state else None,
        )
    except SpectraError as problem:
        return parts.sheet(title, parts.trouble(problem))
    inside: list[Any] = []
    for planned in sweeps:
        spans = "; ".join(f"{s.start_hz / 1e6:.1f} to {s.stop_hz / 1e6:.1f} MHz" for s in planned.segments[:6])
        more = len(planned.segments) - 6
        inside.append(
            parts.facts(
                [
                    ("LO state", planned.lo_state),
                    (count(len(planned.segments), "trace"), spans + (f" and {more} more" if more > 0 else "")),
                    ("RBW", f"{planned.rbw_hz / 1e3:g} kHz"),
                    ("detector", f"{planned.detector.upper()}, {planned.averages} averages as power"),
                    ("points", str(planned.segments[0].points)),
                    ("shows", f"{count(len(planned.shows), 'row')}, each with {100 * planned.certainty:.0f} % or more"),
                ]
            )
        )
        inside.append(parts.steps([(s.text, s.cautions) for s in planned.next_steps]))
    about = f"It shows the listed carriers of {satellite or 'every satellite'} through {state or 'each LO state'}."
    return parts.sheet(title, *inside, about=about)


def _findings(shown: Shown) -> html.Section:
    found = [
        f for f in shown.review.findings if f.code.partition(".")[0] in ("identification", "oscillator", "service")
    ]
    return parts.sheet("What it tells", parts.findings(found))


def register(app: Dash, desk: Desk) -> None:
    """Let candidates and rows be chosen."""

    @app.callback(
        Output("rollcall-called", "children"),
        Output("rollcall-candidates", "children"),
        Output("rollcall-view", "data"),
        Input("rollcall-hypothesis", "data"),
        Input("rollcall-row", "data"),
        State("rollcall-view", "data"),
        State("rollcall-which", "data"),
        prevent_initial_call=True,
    )
    def _choose(hypothesis: Any, row: Any, view: Mapping[str, Any], which: Mapping[str, Any]) -> tuple[Any, Any, Any]:
        from dash import ctx

        shown = desk.capture(which["key"])
        found = shown.review.identification
        if found is None or not found.candidates:
            raise PreventUpdate
        number, chosen = int(view["hypothesis"]) - 1, view.get("row")
        if ctx.triggered_id == "rollcall-hypothesis" and hypothesis is not None:
            number = int(hypothesis)
        elif ctx.triggered_id == "rollcall-row" and row is not None:
            chosen = None if int(row) == chosen else int(row)
        number = min(max(0, number), len(found.candidates) - 1)
        kept = {"hypothesis": number + 1, "row": chosen}
        return _called(desk, shown, number, chosen), _candidates(found, number), kept

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("rollcall-kept", "data"), Input("rollcall-view", "data")
    )


def table(desk: Desk, place: Place) -> Table:
    """Return the roll call for a spreadsheet."""
    shown = desk.pick(place.path["visit"], place.path.get("capture"))
    entries, _ = roll_of(desk, shown, place.whole("hypothesis", 1) - 1)
    head = ("row", "name", "rf_mhz", "expected_if_hz", "status", "centre_hz", "offset_hz", "cn_db", "why")
    rows = [
        [row_name(shown, e.row) if name == "name" else getattr(e, name) for name in head]
        for e in entries
    ]  # fmt: skip
    return Table(f"{shown.row['name']} roll call", head, rows)


def unlisted_table(desk: Desk, place: Place) -> Table:
    """Return the carriers that no row explains for a spreadsheet."""
    shown = desk.pick(place.path["visit"], place.path.get("capture"))
    _, unlisted = roll_of(desk, shown, place.whole("hypothesis", 1) - 1)
    head = (
        *("kind", "centre_hz", "centre_std_hz", "symbol_rate_bd", "symbol_rate_std_bd", "occupied_bandwidth_hz"),
        *("power_dbm", "power_std_db", "cn_db", "cn_std_db"),
    )
    rows = [[sweep + 1, *(getattr(carrier, name) for name in head)] for sweep, carrier in unlisted]
    return Table(f"{shown.row['name']} in no row", ("sweep", *head), rows)


def candidate_table(desk: Desk, place: Place) -> Table:
    """Return the candidates for a spreadsheet, all of them."""
    shown = desk.pick(place.path["visit"], place.path.get("capture"))
    found = shown.review.identification
    head = (
        *("satellite", "orbital_longitude_deg", "beam", "polarisation", "lo_state", "matched", "log10_odds_none"),
        *("log10_odds_next", "probability", "lo_error_hz", "lo_error_std_hz", "why_not"),
    )
    candidates = () if found is None else found.candidates
    return Table(f"{shown.row['name']} candidates", head, [[getattr(one, name) for name in head] for one in candidates])


PAGE = Page(
    "rollcall",
    "/visit/<visit>/rollcall/<capture>",
    "Roll call",
    layout,
    register,
    tab=3,
    tables={"roll-call": table, "in-no-row": unlisted_table, "candidates": candidate_table},
)
