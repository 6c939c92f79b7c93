"""Settings and help: the archive in use, colours, words, cautions, how to do the main job."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
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
            html.Div([_archive(desk), _colours(place)], className="halves"),
            html.Div(
                [
                    parts.sheet(
                        "The main job, step by step", html.Ol([html.Li(step) for step in _JOB], className="steps")
                    ),
                    parts.sheet("Mouse and keyboard", parts.facts(_KEYS), html.P(_shared(), className="about")),
                ],
                className="halves",
            ),
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
    units = html.P(
        "Frequencies are in MHz and kHz, levels in dBm, times in UTC, as the trade writes them; tables as CSV hold Hz, "
        "dBm and RFC 3339, as programs read them. Reports speak the language chosen on their page.",
        className="about",
    )
    return parts.sheet("Colours and units", html.Div(buttons, className="scheme-lines"), units)


def _caution(caution: Any) -> html.Details:
    return html.Details([html.Summary(caution.title), html.P(caution.text)], className="fold", open=True)


PAGE = Page("settings", "/settings", "Settings and help", layout, nav=9)
