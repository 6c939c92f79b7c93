"""The report on a visit: how it will look, what it is held against, texts and photos, and the files to hand over."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, dcc, html
from flask import Response, request

from dashboard import parts
from dashboard.intake import add_intake
from dashboard.papers import LIMITS, MOST_PHOTO_BYTES, TEXTS, rendered
from dashboard.registry import Page, Place, link
from dashboard.words import count, name_of_visit
from spectra.errors import SpectraError, UsageError
from spectra.report.words import languages

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk
    from dashboard.papers import Paper
    from spectra.visit import VisitReview

_LANGUAGES = {"en": "English", "de": "Deutsch"}
_FORMS = {"html": "Page (HTML)", "pdf": "PDF", "zip": "Evidence (ZIP)"}
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
_PREVIEW_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'; sandbox"
)


def layout(desk: Desk, place: Place) -> Any:
    """Return the page."""
    visit = desk.visit(place.path["visit"])
    stored = desk.review(visit["key"])
    if stored is None:
        return _too_many(visit)
    paper = desk.papers.get(place.query.get("paper"))
    if paper is None or paper.visit != visit["key"]:
        paper = desk.papers.begin(visit["key"])
    query = _query(place.query, paper)
    return html.Div(
        [
            parts.heading("Report", trail=[("Visits", "/")], about=name_of_visit({**visit, "head": _head(stored)})),
            html.Div(_answer(paper, stored, query), id="report-answer", **{"aria-live": "polite"}),
            html.Div(_takes(visit["key"], query), id="report-takes", className="row report-takes"),
            html.Div(
                [
                    html.Section(_frame(visit["key"], query), id="report-preview", className="sheet preview"),
                    html.Div(
                        [
                            html.Div(_form(stored, paper, query), **{"data-form": "report-form"}),
                            _photos(paper),
                        ]
                    ),
                ],
                className="pair report",
            ),
            dcc.Store(id="report-form"),
            dcc.Store(id="report-later"),
            dcc.Store(id="report-told"),
            dcc.Store(id="report-act"),
            dcc.Store(id="report-paper", data={"paper": paper.key, "visit": visit["key"]}),
            dcc.Store(id="report-state", data=query),
            dcc.Store(id="report-kept"),
        ]
    )


def _head(stored: VisitReview) -> dict[str, Any]:
    return {"title": stored.visit.head.title}


def _too_many(visit: Mapping[str, Any]) -> html.Div:
    words = "This visit holds too many sweeps for one report. Make it on the command line, a part at a time."
    return html.Div([parts.heading("Report", trail=[("Visits", "/")]), parts.answer(None, words, kind="open")])


def _query(said: Mapping[str, Any], paper: Paper) -> dict[str, str]:
    """Return what the address tells of the report: its language, and the limits where they are the user's own."""
    query = {"paper": paper.key, "language": str(said.get("language") or "en")}
    if said.get("own") == "1":
        query |= {"own": "1", **{key: str(said[key])[:40] for key in LIMITS if said.get(key)}}
    return query


def _limits(query: Mapping[str, str]) -> dict[str, str]:
    """Return the user's own limits; empty where the stored ones count."""
    if query.get("own") != "1":
        return {}
    return {"verdict": "confirmed", **{key: query[key] for key in LIMITS if query.get(key)}}


def _answer(paper: Paper, stored: VisitReview, query: Mapping[str, str]) -> Any:
    statement = paper.review(stored, _limits(query)).statement
    more = html.Details(
        [
            html.Summary(f"Why: {count(len(statement.reasons), 'point')}"),
            html.Ul([html.Li(r) for r in statement.reasons]),
        ]
    )
    return parts.answer(statement.answer, statement.sentence, more=more if statement.reasons else None)


def _takes(visit: str, query: Mapping[str, str]) -> list[Any]:
    return [
        html.A(
            words, href=_address(visit, what, query), className="button" + ("" if n == 0 else " second"), download=""
        )
        for n, (what, words) in enumerate(_FORMS.items())
    ]


def _address(visit: str, what: str, query: Mapping[str, str]) -> str:
    return link(f"/paper/{visit}/{what}", **query)


def _frame(visit: str, query: Mapping[str, str]) -> list[Any]:
    return [
        html.H2("How it will look"),
        html.Iframe(
            src=_address(visit, "preview", query), sandbox="", className="paper", title="The report as it will look"
        ),
    ]


def _form(stored: VisitReview, paper: Paper, query: Mapping[str, str]) -> list[Any]:
    limits = stored.visit.limits
    held = {
        "verdict": limits.verdict,
        "lo_error_max_khz": None if limits.lo_error_max_hz is None else f"{limits.lo_error_max_hz / 1e3:g}",
        **{name: getattr(limits, name) for name in ("isolation_min_db", "floor_tilt_max_db", "service_cn_min_db")},
        "faults_max": limits.faults_max or None,
    }
    if query.get("own") == "1":
        held = dict(_limits(query))
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
            about="Your limits of acceptance. They stand in this page's address, and change nothing that is stored.",
        ),
        parts.sheet(
            "Texts",
            html.Div([_words(key, stored, paper) for key in TEXTS], className="fields"),
            about="They go into the report and its evidence; the archive keeps what the visit came with.",
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


def _photos(paper: Paper) -> html.Section:
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
            html.Div(_photo_list(paper), id="report-photos", **{"data-form": "report-form"}),
        ],
        className="sheet zone",
        **{"data-drop": f"/paper-drop/{paper.key}", "data-told": "report-told"},
    )


def _photo_list(paper: Paper) -> Any:
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


def register(app: Dash, desk: Desk) -> None:
    """Let answer, preview and downloads follow the form; hand out the files."""
    _add_routes(app, desk)

    @app.callback(
        Output("report-answer", "children"),
        Output("report-takes", "children"),
        Output("report-preview", "children"),
        Output("report-photos", "children"),
        Output("report-state", "data"),
        Input("report-later", "data"),
        Input("report-told", "data"),
        Input("report-act", "data"),
        State("report-state", "data"),
        State("report-paper", "data"),
        prevent_initial_call=True,
    )
    def _follow(form: Any, _: Any, act: Any, query: dict[str, str], which: dict[str, str]) -> tuple[Any, ...]:
        from dash import ctx, no_update

        paper = desk.papers.take(which["paper"])
        stored = desk.review(paper.visit)
        if stored is None:
            raise UsageError("the visit", None, "too many sweeps", "fewer", "Make the report on the command line.")
        listed: Any = _photo_list(paper)
        if ctx.triggered_id == "report-later" and form:
            paper.write(form)
            query = _query(_said(form, query), paper)
            listed = no_update  # whoever is writing a caption keeps the field
        elif ctx.triggered_id == "report-act" and act:
            paper.remove(int(act.get("n") or 0))
            listed = _photo_list(paper)
        answer = _answer(paper, stored, query)
        # the address of the preview has to change for the browser to ask again
        fresh = {**query, "n": str(int(query.get("n") or 0) + 1)}
        return answer, _takes(paper.visit, query), _frame(paper.visit, fresh), listed, fresh

    app.clientside_callback(
        ClientsideFunction("sweepmuster_table", "later"), Output("report-later", "data"), Input("report-form", "data")
    )
    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("report-kept", "data"), Input("report-state", "data")
    )


def _said(form: Mapping[str, Any], before: Mapping[str, str]) -> dict[str, Any]:
    limits = {key: str(form.get(f"limit.{key}") or "").strip() for key in LIMITS}
    touched = bool(form.get("touched-limits")) or before.get("own") == "1"
    said = {"language": form.get("language") or "en", "n": before.get("n", "")}
    return {**said, "own": "1", **limits} if touched else said


def _add_routes(app: Dash, desk: Desk) -> None:
    def hand_out(visit: str, what: str) -> Response:
        preview = what == "preview"
        try:
            return _file(desk, visit, "html" if preview else what, request.args, preview)
        except SpectraError as problem:
            words = f"Found {problem.found}; expected {problem.expected}. {problem.mend}"
            body = f"<!DOCTYPE html><meta charset=utf-8><title>Report</title><p>{escape(words)}</p>"
            kind, text = ("text/html", body) if preview else ("text/plain", words + "\n")
            return Response(text, status=422, mimetype=kind, headers={"Content-Security-Policy": _PREVIEW_POLICY})

    def take(key: str, name: str, data: bytes) -> dict[str, Any]:
        photo = desk.papers.take(key).add(name, data)
        words = "goes with the report" if photo.shown else "is large: the report names it and its hash"
        return {"name": photo.name, "words": words, "problem": None}

    app.server.add_url_rule("/paper/<visit>/<any(preview,html,pdf,zip):what>", "paper", hand_out)
    add_intake(app.server, "/paper-drop", MOST_PHOTO_BYTES, take)


def _file(desk: Desk, visit: str, what: str, said: Mapping[str, Any], preview: bool) -> Response:
    row = desk.visit(visit)
    stored = desk.review(row["key"])
    if stored is None:
        raise UsageError("the visit", None, "too many sweeps", "fewer", "Make the report on the command line.")
    paper = desk.papers.get(said.get("paper")) or desk.papers.begin(row["key"])
    review = paper.review(stored, _limits(_query(said, paper))) if paper.visit == row["key"] else stored
    name, kind, data = rendered(review, what, str(said.get("language") or "en"))
    headers = {} if preview else {"Content-Disposition": f'attachment; filename="{name}"'}
    if kind == "text/html":
        headers["Content-Security-Policy"] = _PREVIEW_POLICY
    return Response(data, mimetype=kind, headers=headers)


PAGE = Page("report", "/visit/<visit>/report", "Report", layout, register, tab=7)
