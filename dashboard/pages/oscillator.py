"""The oscillator of a terminal over time: drift, steps, temperature, when it leaves its tolerance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.figures.oscillator import oscillator_figure, oscillator_words
from dashboard.look import look
from dashboard.registry import Page, Place, Table, link
from dashboard.words import count, day, kilohertz, minute, name_of_visit, value

if TYPE_CHECKING:
    from dashboard.desk import Desk, Followed
    from spectra.findings.trend import Trend

_ANSWERS = {
    "none": "neither drifts nor steps",
    "drift": "drifts",
    "step": "stepped",
    "not_told_apart": "moved: by a drift or by a step, the readings cannot part them",
    "warm_up": "was warming up",
    "too_few": "has too few readings to follow",
}


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    vessel, terminal, trail, here = _where(desk, place)
    named = " · ".join(part for part in (vessel, terminal) if part) or "all terminals that are not named"
    heading = parts.heading("Oscillator", trail=trail, about=f"The LNB of {named}, over its saved sweeps.")
    followed = desk.trend(vessel, terminal)
    if followed is None:
        words = "No sweep of this terminal was identified, so nothing tells its LO error."
        return html.Div([heading, parts.answer(None, words)])
    trend = followed.trend
    drawn = oscillator_figure(trend, look(place.scheme))
    return html.Div(
        [
            heading,
            _answer(trend),
            parts.sheet(
                None,
                parts.figure("oscillator-figure", drawn, oscillator_words(trend), name="oscillator"),
                _numbers(trend),
            ),
            parts.sheet("Findings", parts.findings(trend.findings)),
            _readings(followed, here, place),
        ]
    )


def _where(desk: Desk, place: Place) -> tuple[str | None, str | None, list[tuple[str, str]], str]:
    """Return vessel, terminal, the way back and the page's own address."""
    if "visit" in place.path:
        visit = desk.visit(place.path["visit"])
        address = f"/visit/{visit['key'][:SHORT]}"
        trail = [("Visits", "/"), (name_of_visit(visit), address)]
        return visit["vessel"], visit["terminal"], trail, f"{address}/oscillator"
    vessel, terminal = place.query.get("vessel"), place.query.get("terminal")
    return vessel, terminal, [("Terminals", "/terminals")], "/oscillator"


def _answer(trend: Trend) -> html.Section:
    state, fit, crossing = trend.lo_state or "not known", trend.fit, trend.crossing
    said = f"The oscillator of LO state {state} {_ANSWERS.get(fit.answer, fit.answer)}"
    if fit.answer == "drift" and fit.rate is not None:
        said += f" by {value(fit.rate, fit.rate_std, 'kHz', 1e3)} a day"
    word, tail = "accepted", "."
    if fit.answer == "step" and trend.steps:
        last = trend.steps[-1]
        often = "once, by" if len(trend.steps) == 1 else f"{count(len(trend.steps), 'time')}, last by"
        said += f" {often} {kilohertz(last.size_hz, last.size_std_hz)}"
        if fit.drift_beside_step:
            said += f", and drifts besides by {value(fit.rate, fit.rate_std, 'kHz', 1e3)} a day"
    if crossing is not None and crossing.outside:
        word, tail = "not accepted", "; it is outside its tolerance."
    elif crossing is not None and crossing.expected is not None:
        word, tail = "accepted with remarks", f"; it leaves its tolerance about {day(crossing.expected)}."
        if crossing.earliest is not None:
            until = "no end in sight" if crossing.latest is None else day(crossing.latest)
            tail = f"{tail[:-1]} (95 %: {day(crossing.earliest)} to {until})."
    elif fit.answer in ("drift", "step", "not_told_apart"):
        word = "accepted with remarks"
    elif fit.answer == "too_few":
        word = "cannot tell"
    kinds = {
        "accepted": "within its tolerance",
        "not accepted": "out of tolerance",
        "accepted with remarks": "within its tolerance for now",
        "cannot tell": "cannot tell",
    }
    return parts.answer(kinds[word], said + tail, kind=parts.kind_of(word))


def _numbers(trend: Trend) -> html.Div:
    fit = trend.fit
    items = [
        parts.number("LO error now", kilohertz(fit.level, fit.level_std), "fitted, at the last reading"),
        parts.number(
            "Drift", "–" if fit.rate is None else f"{value(fit.rate, fit.rate_std, 'kHz', 1e3)}", "a day", None
        ),
        parts.number("With temperature", value(fit.per_kelvin, fit.per_kelvin_std, "kHz", 1e3), "a kelvin"),
        parts.number("Over the day", value(fit.swing, fit.swing_std, "kHz", 1e3), "peak to peak"),
    ]
    return html.Div(items, className="numbers")


def _readings(followed: Followed, here: str, place: Place) -> html.Section:
    trend = followed.trend
    rows = [
        [
            minute(p.captured_at),
            dcc.Link(p.capture, href=f"/visit/any/sweep/{key[:SHORT]}"),
            kilohertz(p.lo_error_hz, p.lo_error_std_hz),
            "–" if p.temperature_c is None else f"{p.temperature_c:.1f} °C",
            html.Span(p.why, className="soft"),
        ]
        for p, key in zip(trend.points, followed.keys, strict=True)
    ]
    made = parts.table(
        ["Taken", "Sweep", "LO error", "LNB at", "Left out because"],
        rows,
        caption="The newest first",
        right=(2, 3),
        classes=["" if p.used else "quiet" for p in trend.points],
    )
    notes = []
    if followed.left_out:
        notes.append(html.P(f"{count(followed.left_out, 'sweep')} held against another carrier table are left out."))
    query = {key: place.query[key] for key in ("vessel", "terminal") if key in place.query}
    csv = html.A("Table as CSV", href=link(f"/csv{here}", **query, table="readings"), className="take", download="")
    return parts.sheet("Readings", made, *notes, html.P(csv))


def table(desk: Desk, place: Place) -> Table:
    """Return the readings for a spreadsheet."""
    vessel, terminal, _, _ = _where(desk, place)
    followed = desk.trend(vessel, terminal)
    head = (
        "capture",
        "captured_at",
        "lo_error_hz",
        "lo_error_std_hz",
        "fitted_hz",
        "temperature_c",
        "lnb",
        "used",
        "why",
    )
    points = () if followed is None else followed.trend.points
    rows = [[str(v) if name == "captured_at" else v for name in head for v in (getattr(p, name),)] for p in points]
    return Table("oscillator", head, rows)


PAGES = (
    Page("oscillator", "/visit/<visit>/oscillator", "Oscillator", layout, tab=4, tables={"readings": table}),
    Page("terminal-oscillator", "/oscillator", "Oscillator", layout, tables={"readings": table}),
)
