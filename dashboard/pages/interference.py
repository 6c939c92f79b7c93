"""Interference: what is in the band that should not be there, followed through the sweeps of a visit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.figures.interference import emissions_figure, envelope, time_frequency
from dashboard.look import look
from dashboard.registry import Page, Place, Table, link
from dashboard.words import count, frequency, minute, name_of_visit

if TYPE_CHECKING:
    from dashboard.desk import Desk, Watched
    from spectra.finding import Finding
    from spectra.findings.emissions import Emission, Emissions
    from spectra.plan.chain import LoState
    from spectra.sweep import Sweep
    from spectra.visit import VisitReview

_WAYS = {"cable": "by the cable", "antenna": "through the antenna", "cannot_tell": "cannot be told"}


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    visit = desk.visit(place.path["visit"])
    address = f"/visit/{visit['key'][:SHORT]}"
    heading = parts.heading("Interference", trail=[("Visits", "/"), (name_of_visit(visit), address)])
    review = desk.review(visit["key"])
    watched = desk.interference(visit["key"])
    found = _findings(review, watched)
    code = place.query.get("finding", "")
    return html.Div(
        [
            heading,
            _answer(watched, found),
            _emissions(watched, place, address, code),
            html.Div(_pictures(review, place, address)),
            _finding_list(found, code, address),
        ]
    )


def _findings(review: VisitReview | None, watched: Watched) -> list[Finding]:
    own = [] if review is None else [f for f in review.findings if f.code.startswith("interference.")]
    return [*watched.findings, *own]


def _answer(watched: Watched, found: Sequence[Finding]) -> html.Section:
    emissions = watched.log.emissions
    serious = [f for f in found if f.answer == "yes" and f.severity in ("fault", "warning")]
    if not emissions and not serious:
        return parts.answer("nothing found", "Nothing stands in the band that the table does not explain.", kind="good")
    said = f"{count(len(emissions), 'emission')} that the carrier table does not explain"
    said += f" in {count(len(watched.log.looks), 'sweep')}."
    if serious:
        said += f" The first to look at: {serious[0].title}."
    return parts.answer("to look at" if serious else "noted", said, kind="open" if serious else "fair")


def _emissions(watched: Watched, place: Place, address: str, code: str) -> html.Section:
    log = watched.log
    if not log.emissions:
        return parts.sheet("Followed through the visit", html.P("Nothing to follow.", className="empty"))
    rows = [_row(log, e) for e in log.emissions]
    made = parts.table(
        [
            "No.",
            "IF",
            ("Stays at", "The frequency that does not move while the LO does"),
            "Width",
            "Power",
            ("Seen", "Sweeps that show it, of those that could"),
            "First and last",
            ("Comes in", "By the cable or through the antenna"),
            ("Likely cause", "As the sweeps alone tell it"),
        ],
        rows,
        caption="One line an emission",
        right=(0,),
    )
    drawn = emissions_figure(log, look(place.scheme))
    words = f"When each of {count(len(rows), 'emission')} was seen; the shape of a mark tells the way it comes in."
    name = "interference-timeline"
    return parts.sheet(
        "Followed through the visit",
        made,
        html.P(parts.csv_link(f"{address}/interference", "emissions")),
        parts.figure(name, drawn, words, name="emissions", height="low" if len(rows) < 6 else "middle"),
    )


def _row(log: Emissions, e: Emission) -> list[Any]:
    from spectra.findings.interference_sets import entry_of

    entry = entry_of(e, log)
    stays = {"if": "IF", "rf": f"RF {e.frequency_hz / 1e6:.3f} MHz", "either": "cannot be told"}[e.frame]
    seen = len({s.look for s in e.sightings})
    first, last = minute(e.first_seen), minute(e.last_seen)
    return [
        str(e.number),
        html.Span(frequency(e.if_hz, e.frequency_std_hz if e.frame == "if" else None, "MHz"), className="n"),
        stays,
        "a line" if not e.width_hz else width_words(e.width_hz),
        html.Span("–" if e.power_dbm is None else f"{e.power_dbm:.1f} dBm", className="n"),
        html.Span(f"{seen} of {max(len(e.looks), seen)}", className="n"),
        first if first == last else html.Div([first, html.Span(last, className="under")]),
        html.Div([_WAYS[entry.way], html.Span(entry.why, className="under")]),
        (e.cause or "–").replace("interference.", "").replace("_", " "),
    ]


def width_words(hz: float) -> str:
    """Return a width in kHz or MHz, whichever reads well."""
    return f"{hz / 1e6:.2f} MHz" if hz >= 1e6 else f"{hz / 1e3:.1f} kHz"


def _groups(review: VisitReview) -> dict[str, tuple[LoState | None, list[Sweep]]]:
    """Return the sweeps of a visit by LO state, only those that lie over one span."""
    states = {} if review.visit.chain is None else {s.name: s for s in review.visit.chain.lo_states}
    found: dict[str, tuple[LoState | None, list[Sweep]]] = {}
    for capture in review.captures:
        if not capture.source.on_satellite:
            continue
        best = None if capture.identification is None else capture.identification.best.lo_state
        name = best or capture.source.context.lo_state or "not known"
        for sweep in capture.source.capture.sweeps:
            found.setdefault(name, (states.get(name), []))[1].append(sweep)
    return {name: (state, _one_span(sweeps)) for name, (state, sweeps) in found.items()}


def _one_span(sweeps: Sequence[Sweep]) -> list[Sweep]:
    """Return those sweeps that share most of one span: a narrow one would cut the picture of all."""
    widest = max(sweeps, key=lambda s: s.stop_hz - s.start_hz)
    half = 0.5 * (widest.stop_hz - widest.start_hz)
    return [s for s in sweeps if min(s.stop_hz, widest.stop_hz) - max(s.start_hz, widest.start_hz) >= half]


def _pictures(review: VisitReview | None, place: Place, address: str) -> list[Any]:
    if review is None:
        return []
    groups = {name: group for name, group in _groups(review).items() if group[1]}
    if not groups:
        return []
    name = place.query.get("state", "")
    if name not in groups:
        name = max(groups, key=lambda each: len(groups[each][1]))
    state, sweeps = groups[name]
    links = [
        dcc.Link(
            f"{each} ({len(groups[each][1])})",
            href=link(f"{address}/interference", state=each, finding=place.query.get("finding")),
            className="take here" if each == name else "take",
        )
        for each in groups
    ]
    choose = html.Nav(["LO state: ", *links], className="row", **{"aria-label": "LO states of this visit"})
    colours = look(place.scheme)
    low, high = max(s.start_hz for s in sweeps), min(s.stop_hz for s in sweeps)
    words = f"{count(len(sweeps), 'sweep')} through LO state {name}, {low / 1e6:.6g} to {high / 1e6:.6g} MHz"
    return [
        parts.sheet(
            "Over time and frequency",
            choose if len(groups) > 1 else None,
            parts.figure(
                "interference-time",
                time_frequency(sweeps, colours, state),
                f"{words}, one row a sweep: the stronger, the darker against the ground.",
                name="time and frequency",
                height="middle",
            ),
        ),
        parts.sheet(
            "Envelope",
            parts.figure(
                "interference-envelope",
                envelope(sweeps, colours, state),
                f"{words}: greatest, mean and least level at every frequency.",
                name="envelope",
                height="middle",
            ),
        ),
    ]


def _finding_list(found: Sequence[Finding], code: str, address: str) -> html.Section:
    codes = sorted({f.code for f in found if f.answer == "yes"})
    links = [
        dcc.Link(
            words, href=link(f"{address}/interference", finding=each), className="take here" if each == code else "take"
        )
        for words, each in [("all", ""), *((c.partition(".")[2].replace("_", " "), c) for c in codes)]
    ]
    shown = [f for f in found if not code or f.code == code]
    return parts.sheet(
        "Findings",
        html.Nav(links, className="row", **{"aria-label": "Findings by kind"}) if len(codes) > 1 else None,
        parts.findings(shown),
    )


def table(desk: Desk, place: Place) -> Table:
    """Return the emissions for a spreadsheet."""
    log = desk.interference(desk.visit(place.path["visit"])["key"]).log
    frame = log.to_frame()
    for name in ("first_seen", "last_seen"):
        frame[name] = [None if when is None else str(when) for when in frame[name]]
    rows = frame.astype(object).where(frame.notna(), None).to_numpy().tolist()
    return Table("emissions", list(frame.columns), rows)


PAGE = Page("interference", "/visit/<visit>/interference", "Interference", layout, tab=6, tables={"emissions": table})
