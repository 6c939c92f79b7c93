"""Settings and help: the archive in use, colours, words, cautions, how to do the main job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.language import LANGUAGE_COOKIE, LANGUAGES, OWN, current_language
from dashboard.measures import UNITS_COOKIE, current_measures
from dashboard.registry import Page, Place
from dashboard.words import count
from spectra import __version__
from spectra.archive import Search, VisitSearch
from spectra.cautions import CATALOGUE, DISCLAIMER

if TYPE_CHECKING:
    from dashboard.desk import Desk

_GLOSSARY = (
    ("sweep", "One trace that an analyser saved, with its settings."),
    ("capture", "A sweep, or segments swept as one, with when, where, which port and which LO state was commanded."),
    ("visit", "The captures of one piece of work on one terminal, with carrier table and receive chain."),
    ("floor", "The noise under the carriers, as it varies over the span."),
    ("carrier", "A signal found in a sweep: modulated, cw, other (measured without a model), or unresolved."),
    ("carrier table", "Your own list of what should be on air."),
    ("receive chain", "What lies between sky and analyser: LO states of the LNB, IF range, injection side, line gain."),
    (
        "LO state",
        "One setting of the LNB: LO frequency, RF range, polarisation, and the voltage and tone that select it.",
    ),
    ("roll call", "The table's rows held against the carriers: present, absent, not visible; and carriers in no row."),
    ("verdict", "Confirmed, probable, ambiguous, contradicted, unidentified, or no carriers."),
    ("LO error", "True LO minus nominal: what the LNB's oscillator is off by."),
    ("isolation", "Level of a carrier on its own port over that on the other one."),
    ("C/N", "Carrier over noise in a bandwidth equal to the symbol rate; an upper limit of what a modem shows."),
    ("C/N0", "Carrier over the noise in one hertz."),
    ("RBW", "Resolution bandwidth of the analyser."),
    ("finding", "One thing worth telling: a fault, a warning or a note, with the numbers behind it and what to do."),
    ("95 %", "The interval holds the true value nineteen times in twenty; ± is one standard uncertainty (JCGM 100)."),
)
_JOB = (
    "Save the sweeps on the analyser as text (CSV) and bring them over on a stick.",
    "Choose New visit, and drop the files or the folder: sweeps, notes, carrier table, receive chain.",
    "Say which port and which LO state each sweep was taken on, where the files do not.",
    "Press Analyse. The visit's page tells the answer, what is still missing, and what to do next.",
    "Open a sweep for its picture, the roll call for why, polarisation and interference for the rest.",
)
_KEYS = (
    ("Tab", "goes from one control to the next"),
    ("Enter", "follows a link, presses a button, chooses a row of a table"),
    ("Drag in a picture", "shows that part of the span; a double click shows all again"),
    ("Click in a picture", "sets the cursors A and B in turn; on a mark it chooses the carrier"),
)


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    return html.Div(
        [
            parts.heading("Settings and help"),
            html.Div([_language_and_units(), _colours(place)], className="halves"),
            html.Div(
                [
                    parts.sheet(
                        "The main job, step by step", html.Ol([html.Li(step) for step in _JOB], className="steps")
                    ),
                    parts.sheet("Mouse and keyboard", parts.facts(_KEYS), html.P(_shared(), className="about")),
                ],
                className="halves",
            ),
            _archive(desk),
            parts.sheet("Cautions", *[_caution(caution) for caution in CATALOGUE.values()], about=DISCLAIMER),
            parts.sheet(
                "Words",
                html.Dl(
                    [html.Div([html.Dt(word), html.Dd(meaning)]) for word, meaning in _GLOSSARY], className="glossary"
                ),
            ),
        ]
    )


def _shared() -> str:
    return "The address of every view can be kept and passed on: it holds what is shown, filters, cursors and all."


def _archive(desk: Desk) -> html.Section:
    _, sweeps = desk.captures(Search(limit=1))
    visits = desk.visits(VisitSearch(), offset=0, limit=1).total
    pairs = [
        ("kept in", html.Span(desk.place, className="code")),
        ("holds", f"{count(visits, 'visit')}, {count(sweeps, 'sweep')}"),
        ("version", __version__),
    ]
    links = [
        dcc.Link(word, href=href)
        for word, href in (("Visits", "/"), ("Sweeps", "/sweeps"), ("Terminals", "/terminals"))
    ]
    return parts.sheet("The archive in use", parts.facts(pairs), html.P(["Look into it: ", *_between(links)]))


def _between(links: list[Any]) -> list[Any]:
    return [item for link in links for item in (link, " · ")][:-1]


def _colours(place: Place) -> html.Section:
    about = {
        "light": ("Day", "for a deck in the sun"),
        "dark": ("Dusk", "for a dim cabin"),
        "night": ("Night", "dim red, for eyes used to the dark on a bridge"),
    }
    buttons = [
        html.Button(
            [html.Strong(word), f" – {why}"],
            className="scheme-line",
            type="button",
            **{"data-scheme-choice": name},
        )
        for name, (word, why) in about.items()
    ]
    return parts.sheet("Colours", html.Div(buttons, className="scheme-lines"))


def _wish(cookie: str, label: str, choices: Mapping[str, str], now: str) -> html.Div:
    """Return a choice that the browser keeps: values to words."""
    buttons = [
        html.Button(
            html.Span(words, className=OWN),
            className="take toggle",
            type="button",
            lang=value if cookie == LANGUAGE_COOKIE else None,
            **{"data-cookie": cookie, "data-value": value, "aria-pressed": "true" if value == now else "false"},
        )
        for value, words in choices.items()
    ]
    group = html.Div(buttons, className="toggles", role="group", **{"aria-label": label})
    return html.Div([html.Dt(label), html.Dd(group)])


def _language_and_units() -> html.Section:
    now = current_measures()

    def units(label: str, part: str, choices: Mapping[Any, str]) -> html.Div:
        made = {replace(now, **{part: value}).text: words for value, words in choices.items()}
        return _wish(UNITS_COOKIE, label, made, now.text)

    wishes = [
        _wish(LANGUAGE_COOKIE, "Language", LANGUAGES, current_language()),
        units("Frequencies", "frequency", {unit: unit for unit in ("MHz", "GHz", "kHz")}),
        units("Levels", "level", {unit: unit for unit in ("dBm", "dBµV")}),
    ]
    if now.level != "dBm":
        wishes.append(units("dBµV over", "impedance", {50: "50 Ω", 75: "75 Ω"}))
    wishes.append(units("Symbol rates", "rate", {unit: unit for unit in ("kBd", "MBd")}))
    about = (
        "This browser keeps them. Offsets, widths and RBW stay in kHz, densities in dBm/Hz, times in UTC; the carrier "
        "table and the receive chain stay in MHz, as their files are. Tables as CSV hold Hz, dBm and RFC 3339, as "
        "programs read them. Reports speak the language chosen on their page."
    )
    return parts.sheet("Language and units", html.Dl(wishes, className="facts"), html.P(about, className="about"))


def _caution(caution: Any) -> html.Details:
    return html.Details([html.Summary(caution.title), html.P(caution.text)], className="fold", open=True)


PAGE = Page("settings", "/settings", "Settings and help", layout, nav=9)
