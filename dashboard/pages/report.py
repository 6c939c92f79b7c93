"""The report on a visit: how it will look, what it is held against, texts and photos, and the files to hand over."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, dcc, html
from flask import Response, request

from dashboard import parts
from dashboard.intake import add_intake
from dashboard.keeping import keep_paper, limits_said, take_version
from dashboard.language import current_language, current_wording
from dashboard.papers import LIMITS, MOST_PHOTO_BYTES, rendered
from dashboard.registry import Page, Place, link
from dashboard.reportparts import form_of, kept, own_limits, photo_list, photos
from dashboard.words import count, name_of_visit
from spectra.archive.notes import list_notes
from spectra.errors import SpectraError, UsageError
from spectra.report.firstpage import answer_of, remark_texts

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk
    from dashboard.papers import Paper
    from spectra.visit import VisitReview

_FORMS = {"html": "Page (HTML)", "pdf": "PDF", "zip": "Evidence (ZIP)"}
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
    paper = desk.paper(visit["key"], place.query.get("paper"))
    query = _query(place.query, paper)
    return html.Div(
        [
            parts.heading("Report", trail=[("Visits", "/")], about=name_of_visit(visit)),
            html.Div(_answer(paper, stored, query), id="report-answer", **{"aria-live": "polite"}),
            html.Div(_takes(visit["key"], query), id="report-takes", className="row report-takes"),
            html.Div(
                [
                    html.Section(_frame(visit["key"], query), id="report-preview", className="sheet preview"),
                    html.Div(
                        [
                            html.Section(
                                _kept(desk, paper, query),
                                id="report-versions",
                                className="sheet",
                                **{"aria-label": "Kept"},
                            ),
                            html.Div(form_of(stored, paper, query), id="report-fields", **{"data-form": "report-form"}),
                            photos(paper),
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


def _too_many(visit: Mapping[str, Any]) -> html.Div:
    words = "This visit holds too many sweeps for one report. Make it on the command line, a part at a time."
    return html.Div([parts.heading("Report", trail=[("Visits", "/")]), parts.answer(None, words, kind="open")])


def _query(said: Mapping[str, Any], paper: Paper) -> dict[str, str]:
    """Return what the address tells of the report: its language, and the limits where they are the user's own."""
    query = {"paper": paper.key, "language": str(said.get("language") or current_language())}
    if said.get("own") == "1":
        query |= {"own": "1", **{key: str(said[key])[:40] for key in LIMITS if said.get(key)}}
    return query


def _kept(desk: Desk, paper: Paper, query: Mapping[str, str]) -> list[Any]:
    return kept(paper, list_notes(desk.archive, paper.visit), query.get("own") == "1")


def _answer(paper: Paper, stored: VisitReview, query: Mapping[str, str]) -> Any:
    review, words = paper.review(stored, own_limits(query)), current_wording()
    said, reasons = answer_of(review, words), remark_texts(review, words)
    more = html.Details(
        [
            html.Summary(f"Why: {count(len(reasons), 'point')}"),
            html.Ul([html.Li(reason) for reason in reasons]),
        ]
    )
    return parts.answer(review.statement.answer, said.sentence, more=more if reasons else None)


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
        html.Div(
            [
                parts.waiting(),  # the page covers it as soon as it is there
                html.Iframe(
                    src=_address(visit, "preview", query),
                    sandbox="",
                    className="paper",
                    title="The report as it will look",
                ),
            ],
            className="paper-place",
        ),
    ]


def register(app: Dash, desk: Desk) -> None:
    """Let answer, preview and downloads follow the form; hand out the files."""
    _add_routes(app, desk)

    @app.callback(
        Output("report-answer", "children"),
        Output("report-takes", "children"),
        Output("report-preview", "children"),
        Output("report-photos", "children"),
        Output("report-state", "data"),
        Output("report-versions", "children"),
        Output("report-fields", "children"),
        Input("report-later", "data"),
        Input("report-told", "data"),
        Input("report-act", "data"),
        State("report-state", "data"),
        State("report-paper", "data"),
        prevent_initial_call=True,
    )
    def _follow(form: Any, _: Any, act: Any, query: dict[str, Any], which: dict[str, str]) -> tuple[Any, ...]:
        from dash import ctx, no_update

        paper = desk.papers.take(which["paper"])
        stored = desk.review(paper.visit)
        if stored is None:
            raise UsageError("the visit", None, "too many sweeps", "fewer", "Make the report on the command line.")
        listed: Any = photo_list(paper)
        fields: Any = no_update  # whoever is writing keeps the field
        if ctx.triggered_id == "report-later" and form:
            paper.write(form)
            query = _query(_said(form, query), paper)
            listed = no_update
        elif ctx.triggered_id == "report-act" and act:
            query = _done(desk, paper, stored, query, act)
            stored = desk.review(paper.visit) or stored
            listed, fields = photo_list(paper), form_of(stored, paper, query)
        answer = _answer(paper, stored, query)
        # the address of the preview has to change for the browser to ask again
        # what the address no longer tells has to go from it
        fresh = {**dict.fromkeys(("own", *LIMITS)), **query, "n": str(int(query.get("n") or 0) + 1)}
        return (
            answer,
            _takes(paper.visit, query),
            _frame(paper.visit, fresh),
            listed,
            fresh,
            _kept(desk, paper, query),
            fields,
        )

    app.clientside_callback(
        ClientsideFunction("sweepmuster_table", "later"), Output("report-later", "data"), Input("report-form", "data")
    )
    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("report-kept", "data"), Input("report-state", "data")
    )


def _done(
    desk: Desk, paper: Paper, stored: VisitReview, query: dict[str, str], act: Mapping[str, Any]
) -> dict[str, str]:
    """Do what a button asks for; return what the address tells then."""
    plain = {"language": query["language"], "n": query.get("n", "")}
    if act.get("what") == "keep":
        keep_paper(desk.archive, paper, stored, own_limits(query))
        return _query(plain, paper) | {"n": plain["n"]}
    if act.get("what") == "version":
        limits = limits_said(take_version(desk.archive, paper, str(act.get("n"))))
        return _query({**plain, **limits, **({"own": "1"} if limits else {})}, paper) | {"n": plain["n"]}
    paper.remove(int(act.get("n") or 0))
    return query


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
    paper = desk.paper(row["key"], said.get("paper"))
    review = paper.review(stored, own_limits(_query(said, paper)))
    language = str(said.get("language") or "en")
    if preview:
        name, kind, data = "", "text/html", desk.preview(review, language)
    else:
        name, kind, data = rendered(review, what, language)
    headers = {} if preview else {"Content-Disposition": f'attachment; filename="{name}"'}
    if kind == "text/html":
        headers["Content-Security-Policy"] = _PREVIEW_POLICY
    return Response(data, mimetype=kind, headers=headers)


PAGE = Page("report", "/visit/<visit>/report", "Report", layout, register, tab=7)
