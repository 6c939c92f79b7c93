"""A new visit: drop the files, say what they do not tell, get the answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, dcc, html, no_update, set_props
from dash.exceptions import PreventUpdate

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.making import Outcome, make_visit
from dashboard.registry import Page, Place, link
from dashboard.words import count, found_words
from spectra.errors import SpectraError, UsageError
from spectra.visit.hints import suggest

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk
    from dashboard.drafts import Draft, Dropped
    from dashboard.jobs import Job

_PORTS = {"": "not told", "single": "single", "co": "co-polar", "cross": "cross-polar"}
_ROLES = {
    "": "normal",
    "off_satellite": "beside the satellite",
    "baseline": "baseline",
    "terminated": "terminated line",
    "analyser_floor": "analyser alone",
}
_STAGES = {"": "not told", "as_found": "as found", "work": "in between", "as_left": "as left"}
_EVERY_MS = 500


def layout(desk: Desk, place: Place) -> Any:
    """Return the drop zone, and the form where files are there already."""
    draft = desk.drafts.get(place.query.get("draft")) or desk.drafts.begin()
    return html.Div(
        [
            parts.heading(
                "New visit",
                trail=[("Visits", "/")],
                about="Everything that came off the stick: sweeps, their notes, the carrier table, the receive chain. "
                "The files are read here, on this machine, and are never changed.",
            ),
            _zone(draft),
            html.Div(_form(desk, draft), id="new-form-place"),
            html.Div(id="new-outcome", **{"aria-live": "polite"}),
            dcc.Store(id="new-draft", data=draft.key),
            dcc.Store(id="new-told"),
            dcc.Store(id="new-form"),
            dcc.Store(id="new-job"),
            dcc.Store(id="new-state", data={"draft": draft.key}),
            dcc.Store(id="new-kept"),
            dcc.Interval(id="new-tick", interval=_EVERY_MS, disabled=True),
        ]
    )


def _zone(draft: Draft) -> html.Section:
    lines = [_line(file) for file in draft.files]
    buttons = [
        html.Button(words, className="button" + second, type="button", id=f"new-pick-{what}", **{"data-pick": what})
        for words, what, second in (("Choose files", "files", ""), ("Choose a folder", "folder", " second"))
    ]
    return html.Section(
        [
            html.H2("Drop the files or the folder here"),
            html.Div(buttons, className="row"),
            html.Div(className="bar", **{"data-bar": ""}),
            html.P(className="said", role="status", **{"data-said": ""}),
            html.Ul(lines, className="lines", **{"data-lines": ""}),
        ],
        className="sheet zone",
        **{"data-drop": f"/drop/{draft.key}", "data-told": "new-told"},
    )


def _line(file: Dropped) -> html.Li:
    problem = file.problem
    words = file.words
    if problem is not None:
        words = f"found {problem.found}; expected {problem.expected}. {problem.mend}"
    return html.Li([html.Strong(file.name), html.Span(" " + words)], className="right" if problem is None else "wrong")


def _form(desk: Desk, draft: Draft) -> Any:
    sweeps = draft.of("sweep")
    if not sweeps:
        return None
    told = bool(draft.of("visit"))
    return html.Div(
        [
            parts.sheet("What the visit was about", _head(desk, draft), about=_head_words(told)),
            parts.sheet("Carrier table and receive chain", _plans(desk, draft)),
            parts.sheet(
                "What the sweeps do not tell",
                _sweeps(desk, draft),
                about="Which port and which LO state was commanded. What is left open is not guessed: the answer then "
                "rests on fewer facts.",
            ),
            html.Div(
                html.Button("Analyse", id="new-start", className="button large", type="button", n_clicks=0),
                className="row",
            ),
        ],
        **{"data-form": "new-form"},
    )


def _head_words(told: bool) -> str | None:
    return "visit.toml is among the files: what it says counts, and is not asked again." if told else None


def _head(desk: Desk, draft: Draft) -> Any:
    if draft.of("visit"):
        return None
    contexts = [file.context for file in draft.of("context") if file.context is not None]

    def all_say(key: str) -> str:
        values = {getattr(context, key) for context in contexts} - {None}
        return str(values.pop()) if len(values) == 1 else ""

    fields = (
        ("title", "Title", "Commissioning, a fault, a routine check", ""),
        ("vessel", "Vessel", "", all_say("vessel")),
        ("terminal", "Terminal", "", all_say("terminal")),
        ("technician", "Done by", "", all_say("operator")),
        ("expected_satellite", "Wanted satellite", "as the carrier table names it", all_say("expected_satellite")),
        ("expected_polarisation", "Wanted polarisation", "H, V, L or R", all_say("expected_polarisation")),
    )
    return html.Div(
        [parts.entry(label, _text(f"head.{key}", hint, value)) for key, label, hint, value in fields],
        className="fields",
    )


def _text(name: str, hint: str, value: str) -> dcc.Input:
    return dcc.Input(
        id=f"new-{name.replace('.', '-')}",
        name=name,
        type="text",
        placeholder=hint,
        value=value,
        className="field",
        maxLength=200,
    )


def _plans(desk: Desk, draft: Draft) -> Any:
    tables, chains = draft.of("table"), draft.of("chain")
    said = [html.P(f"{file.name}: {file.words}.") for file in (*tables[:1], *chains[:1])]
    if tables and chains:
        if len(tables) > 1 or len(chains) > 1:
            said.append(html.P("Of several, the first one dropped is used.", className="about"))
        return html.Div(said)
    table, chain = desk.last_plan()
    lacking = " and ".join(word for word, have in (("carrier table", tables), ("receive chain", chains)) if not have)
    if table is None or chain is None:
        return html.Div(
            [*said, html.P(f"No {lacking} yet: drop it above, or no satellite can be told.", className="about")]
        )
    names = " and ".join(plan.raw.name for plan, have in ((table, tables), (chain, chains)) if not have)
    options = {
        "last": f"use {names} of the newest visit",
        "none": f"go without a {lacking}: carriers are measured only",
    }
    return html.Div([*said, _radios("plans", options, "last")])


def _radios(name: str, options: Mapping[str, str], chosen: str) -> Any:
    # plain fields have no component of their own; a select serves, and needs no more than one line
    return parts.entry("Where they come from", _select(name, options, chosen))


def _select(name: str, options: Mapping[str, str], chosen: str) -> html.Select:
    return html.Select(
        [html.Option(words, value=key, selected=key == chosen) for key, words in options.items()],
        id=f"new-{name.replace('.', '-')}",
        name=name,
    )


def _states(desk: Desk, draft: Draft) -> list[str]:
    from spectra.plan import load_chain

    chains = draft.of("chain")
    if chains:
        return [state.name for state in load_chain(chains[0].path).lo_states]
    _, last = desk.last_plan()
    if last is None:
        return []
    _, chain = desk.plan(None, last.sha256)
    return [] if chain is None else [state.name for state in chain.lo_states]


def _sweeps(desk: Desk, draft: Draft) -> Any:
    states = _states(desk, draft)
    contexts = {file.path.name.lower(): file.context for file in draft.of("context")}
    rows = [_sweep(file, contexts.get(f"{file.path.name.lower()}.toml"), states) for file in draft.of("sweep")]
    return parts.table(
        ["File", "Port", "LO state", "Taken as", "Stage of the work"],
        rows,
        caption="One line a sweep file; what its notes tell is filled in",
    )


def _sweep(file: Dropped, context: Any, states: list[str]) -> list[Any]:
    from spectra.capture import Context

    context = context or Context()
    key = f"sweep.{file.number}"
    hints = [
        html.Button(
            f"{hint.value.replace('_', ' ')}?",
            className="take",
            type="button",
            title="The file's name hints at it. Take it over if it is true.",
            **{"data-fill": f"{key}.{hint.key}", "data-value": hint.value},
        )
        for hint in suggest(file.name, context, states)
    ]
    chosen = {"": "not told", **{name: name for name in states}}
    if context.lo_state and context.lo_state not in chosen:
        chosen[context.lo_state] = f"{context.lo_state} (not in the chain)"
    selects = (
        ("port", "Port", _PORTS, context.port),
        ("lo_state", "LO state", chosen, context.lo_state),
        ("role", "Taken as", _ROLES, context.role if context.role != "normal" else ""),
        ("stage", "Stage", _STAGES, context.extra.get("stage")),
    )
    cells: list[Any] = []
    for name, label, options, value in selects:
        control = _select(f"{key}.{name}", options, str(value or ""))
        cells.append(html.Div([html.Label(f"{label} of {file.name}", htmlFor=control.id, className="unseen"), control]))
    return [
        html.Div([file.name, html.Span(file.words, className="under"), html.Span(hints, className="hints")]),
        *cells,
    ]


def register(app: Dash, desk: Desk) -> None:
    """Let the form follow the files, and the work its progress."""

    @app.callback(
        Output("new-form-place", "children"),
        Input("new-told", "data"),
        State("new-draft", "data"),
        prevent_initial_call=True,
    )
    def _dropped(_: Any, key: str) -> Any:
        draft = desk.drafts.get(key)
        return None if draft is None else _form(desk, draft)

    @app.callback(
        Output("new-job", "data"),
        Output("new-tick", "disabled"),
        Output("new-outcome", "children"),
        Input("new-start", "n_clicks"),
        State("new-draft", "data"),
        State("new-form", "data"),
        prevent_initial_call=True,
    )
    def _start(clicks: int | None, key: str, form: dict[str, Any] | None) -> tuple[Any, bool, Any]:
        if not clicks:
            return no_update, True, no_update
        draft = desk.drafts.get(key)
        if draft is None:
            raise UsageError("the files", None, "a page open too long", "the files again", "Drop them anew.")
        job = make_visit(desk, draft, form or {})
        return job.key, False, _progress(job)

    @app.callback(
        Output("new-outcome", "children", allow_duplicate=True),
        Output("new-tick", "disabled", allow_duplicate=True),
        Output("place", "href"),
        Input("new-tick", "n_intervals"),
        State("new-job", "data"),
        prevent_initial_call=True,
    )
    def _follow(_: Any, key: str | None) -> tuple[Any, bool, Any]:
        if not key:  # nothing was begun yet
            raise PreventUpdate
        job = desk.jobs.get(key)
        if job is None:
            gone = UsageError("the work", None, "a page open too long", "the files again", "Drop them anew.")
            return _failed(gone), True, no_update
        if not job.finished:
            return _progress(job), False, no_update
        if isinstance(job.problem, SpectraError):
            return _failed(job.problem), True, no_update
        if job.problem is not None:
            set_props("new-tick", {"disabled": True})  # nothing more is asked for
            raise job.problem
        outcome: Outcome = job.result
        if outcome.visit is not None and not outcome.failed:
            return _done(outcome), True, f"/visit/{outcome.visit[:SHORT]}"
        return _done(outcome), True, no_update

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("new-kept", "data"), Input("new-state", "data")
    )


def _progress(job: Job) -> html.Section:
    words = f"{job.done} of {count(job.total, 'sweep')} measured" if job.total else "Reading the files …"
    bar = html.Progress(value=str(job.done), max=str(max(1, job.total)), **{"aria-label": "Sweeps measured"})
    return parts.sheet("Measuring", html.P(words), bar)


def _failed(problem: SpectraError) -> html.Section:
    return parts.sheet("This could not be done; the files are still here", parts.trouble(problem))


def _done(outcome: Outcome) -> html.Section:
    rows = [
        [
            dcc.Link(row["name"], href=link(f"/visit/{row['visit'][:SHORT]}/sweep/{row['key'][:SHORT]}"))
            if row["visit"]
            else row["name"],
            parts.verdict(row["verdict"]),
            found_words(row["faults"], row["warnings"]),
        ]
        for row in outcome.captures
    ]
    inside: list[Any] = [parts.trouble(problem) for problem in outcome.failed]
    if rows:
        inside.append(parts.table(["Sweep", "Verdict", "Findings"], rows, caption="What was measured"))
    if outcome.visit is not None:
        inside.append(html.P(dcc.Link("Open the visit", href=f"/visit/{outcome.visit[:SHORT]}", className="button")))
    title = "Done" if not outcome.failed else f"{count(len(outcome.failed), 'file')} could not be used"
    return parts.sheet(title, *inside)


PAGE = Page("new", "/new", "New visit", layout, register)
