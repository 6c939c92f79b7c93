"""Parts of the report's page: the form, the photos, what is kept with the visit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.papers import LIMITS, TEXTS
from dashboard.words import count, minute
from spectra.report.words import languages

if TYPE_CHECKING:
    from dashboard.papers import Paper
    from spectra.archive.notes import VisitNotes
    from spectra.visit import VisitReview

__all__ = ["form_of", "kept", "own_limits", "photo_list", "photos"]

_LANGUAGES = {"en": "English", "de": "Deutsch"}
_TEXT_WORDS = {
    "title": ("Title", "Commissioning of terminal A"),
    "asked": ("What was asked", "Is it ready for the operator's line-up?"),
    "customer": ("Customer", ""),
    "technician": ("Done by", ""),
    "place": ("Place", "berth, port"),
    "reference": ("Reference", "order or ticket"),
    "remark": ("Remark", "what the numbers do not tell"),
}
_LIMIT_WORDS = {
    "lo_error_max_khz": ("LO error at most, kHz", "empty: the tolerance of the receive chain"),
    "isolation_min_db": ("Isolation at least, dB", "empty: not asked for"),
    "floor_tilt_max_db": ("Tilt of the floor at most, dB", "empty: not asked for"),
    "service_cn_min_db": ("C/N of own carriers at least, dB", "empty: present is enough"),
    "faults_max": ("Faults at most", "empty: none"),
}


def own_limits(query: Mapping[str, str]) -> dict[str, str]:
    """Return the user's own limits; empty where the stored ones count."""
    if query.get("own") != "1":
        return {}
    return {"verdict": "confirmed", **{key: query[key] for key in LIMITS if query.get(key)}}


def form_of(stored: VisitReview, paper: Paper, query: Mapping[str, str]) -> list[Any]:
    """Return the form: language, limits, texts."""
    limits = stored.visit.limits
    held = {
        "verdict": limits.verdict,
        "lo_error_max_khz": None if limits.lo_error_max_hz is None else f"{limits.lo_error_max_hz / 1e3:g}",
        **{name: getattr(limits, name) for name in ("isolation_min_db", "floor_tilt_max_db", "service_cn_min_db")},
        "faults_max": limits.faults_max or None,
    }
    if query.get("own") == "1":
        held = dict(own_limits(query))
    known = {code: _LANGUAGES.get(code, code) for code in languages()}
    language = _select("language", known, query["language"])
    verdicts = {"confirmed": "confirmed", "probable": "probable or better"}
    return [
        parts.sheet(None, parts.entry("Language of the report", language)),
        parts.sheet(
            "Held against",
            html.Div(
                [
                    parts.entry("Satellite at least", _select("limit.verdict", verdicts, str(held.get("verdict")))),
                    *[
                        parts.entry(words, _text(f"limit.{key}", _shown(held.get(key)), "decimal"), why=why)
                        for key, (words, why) in _LIMIT_WORDS.items()
                    ],
                ],
                className="fields",
            ),
            about="Your limits of acceptance. They count for this page at once, and for everybody once they are kept.",
        ),
        parts.sheet(
            "Texts",
            html.Div([_words(key, stored, paper) for key in TEXTS], className="fields"),
            about="They go into the report and its evidence, in place of what the visit came with.",
        ),
    ]


def _shown(value: Any) -> str:
    return "" if value is None else f"{value:g}" if isinstance(value, int | float) else str(value)


def _words(key: str, stored: VisitReview, paper: Paper) -> html.Div:
    label, hint = _TEXT_WORDS[key]
    value = (paper.texts or {}).get(key, "") if paper.texts is not None else getattr(stored.visit.head, key) or ""
    name = f"text.{key}"
    if key == "remark":
        field: Any = dcc.Textarea(id="report-text-remark", name=name, value=value, placeholder=hint, className="field")
        return parts.entry(label, field)
    return parts.entry(label, _text(name, value, "text", hint))


def _text(name: str, value: str, mode: str, hint: str = "") -> dcc.Input:
    return dcc.Input(
        id=f"report-{name.replace('.', '-')}",
        name=name,
        type="text",
        inputMode=mode,
        value=value,
        placeholder=hint,
        className="field",
        maxLength=300,
        autoComplete="off",
    )


def _select(name: str, options: Mapping[str, str], chosen: str) -> html.Select:
    return html.Select(
        [html.Option(words, value=key, selected=key == chosen) for key, words in options.items()],
        id=f"report-{name.replace('.', '-')}",
        name=name,
        className="field",
    )


def photos(paper: Paper) -> html.Section:
    """Return the zone that photos and texts are dropped on, and those that are there."""
    button = html.Button(
        "Choose photos or texts", className="button second", type="button", id="report-pick", **{"data-pick": "files"}
    )
    return html.Section(
        [
            html.H2("Photos and further texts"),
            html.P(
                "JPEG, PNG or .txt; up to 1.5 MB each is shown, a larger one is named with its hash.", className="about"
            ),
            html.Div(button, className="row"),
            html.Div(className="bar", **{"data-bar": ""}),
            html.P(className="said", role="status", **{"data-said": ""}),
            html.Ul(className="lines", **{"data-lines": ""}),
            html.Div(photo_list(paper), id="report-photos", **{"data-form": "report-form"}),
        ],
        className="sheet zone",
        **{"data-drop": f"/paper-drop/{paper.key}", "data-told": "report-told"},
    )


def photo_list(paper: Paper) -> Any:
    """Return the photos and texts there are, each with its caption; None where there are none."""
    items = [
        html.Li(
            [
                parts.entry(f"Caption of {photo.name}", _text(f"caption.{photo.number}", photo.caption, "text")),
                html.Button(
                    "Leave out",
                    className="take",
                    type="button",
                    **{
                        "data-act": "report-act",
                        "data-what": "leave",
                        "data-n": str(photo.number),
                        "aria-label": f"Leave out {photo.name}",
                    },
                ),
            ]
        )
        for photo in paper.photos
    ]
    return html.Ul(items, className="photos") if items else None


def kept(paper: Paper, versions: Sequence[VisitNotes], own: bool) -> list[Any]:
    """Return what is kept with the visit, what is not yet, and the versions before."""
    if paper.changed or own:
        said = "Not kept yet: the files above have your changes, the archive does not."
    elif versions:
        said = f"Kept with the visit, {minute(versions[0].saved_at)}."
    else:
        said = "Nothing was written to this visit yet."
    button = html.Button(
        "Keep with the visit",
        className="button",
        type="button",
        id="report-keep",
        disabled=not (paper.changed or own),
        **{"data-act": "report-act", "data-what": "keep"},
    )
    older = versions[1:] if not paper.changed and not own else versions
    found: list[Any] = [html.Div([button, html.Span(said, role="status")], className="row")]
    if older:
        items = [html.Li([html.Span(_version(notes)), _take_back(notes)]) for notes in older]
        fold = html.Details(
            [html.Summary(count(len(older), "version before", "versions before")), html.Ul(items, className="photos")]
        )
        found.append(fold)
    return found


def _version(notes: VisitNotes) -> str:
    told = [text for key, text in notes.texts.items() if text and key == "title"]
    told.append(count(len(notes.attachments), "file"))
    told += ["own limits"] if notes.limits is not None else []
    return f"{minute(notes.saved_at)}: {', '.join(told)}"


def _take_back(notes: VisitNotes) -> html.Button:
    return html.Button(
        "Take this one",
        className="take",
        type="button",
        **{
            "data-act": "report-act",
            "data-what": "version",
            "data-n": notes.key,
            "aria-label": f"Take the version of {minute(notes.saved_at)}",
        },
    )
