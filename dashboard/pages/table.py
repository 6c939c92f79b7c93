"""The carrier table: edited in a grid, checked while one types, bettered by what sweeps suggest, every version kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, ctx, dcc, html, no_update, set_props
from flask import Response

from dashboard import parts
from dashboard.grid import GRID, column_of, grid, mark_list, rows_of
from dashboard.intake import Offered, add_intake, take_table, usable_name
from dashboard.desk import SHORT
from dashboard.holding import hold
from dashboard.registry import Page, Place
from dashboard.suggesting import Proposal, accept, propose
from dashboard.tables import MOST_TABLE_BYTES
from dashboard.take import file_name
from dashboard.versions import edition_list, views
from dashboard.words import count, day, name_of_visit
from spectra.archive import VisitSearch, list_editions, newest_edition
from spectra.archive.editions import plan_key
from spectra.errors import UsageError

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk
    from dashboard.holding import Held
    from dashboard.tables import Checked, Mark, Sheet, Work

_EVERY_MS = 400
_VISITS = 30


def layout(desk: Desk, place: Place) -> Any:
    """Return the page: the version that the address names, else the newest."""
    work = desk.tables.get(place.query.get("work"))
    if work is None:
        work = desk.tables.begin(desk.archive, _wanted(desk, place))
    return html.Div(
        [
            parts.heading(
                "Carrier table",
                about="Your own list of what should be on air. What a result was made with "
                "stays as it was: saving makes a new version.",
            ),
            views("table"),
            html.Div(_answer(work), id="table-answer", **{"aria-live": "polite"}),
            _editor(work),
            parts.sheet(
                "Suggestions from sweeps",
                html.Div(_suggest_button()),
                html.Div(_suggestions(work), id="table-suggestions", **{"aria-live": "polite"}),
                about="What confirmed sweeps of the archive say of the table as it stands above. Nothing changes "
                "before you accept it, row by row.",
            ),
            html.Div([_intake(work), html.Div([_history(desk, work), _use(desk)])], className="halves"),
            *[dcc.Store(id=f"table-{name}") for name in ("act", "typing", "told", "kept", "job", "held-job")],
            dcc.Store(id="table-work", data=work.key),
            dcc.Store(id="table-state", data=_state(work)),
            dcc.Interval(id="table-tick", interval=_EVERY_MS, disabled=True),
            dcc.Interval(id="table-held-tick", interval=_EVERY_MS, disabled=True),
        ],
        className="table",
    )


def _wanted(desk: Desk, place: Place) -> str | None:
    if place.query.get("version"):
        return plan_key(desk.archive, "plan", place.query["version"])
    newest = None if place.query.get("new") == "1" else newest_edition(desk.archive, "plan")
    return None if newest is None else newest.sha256


def _state(work: Work) -> dict[str, Any]:
    return {"work": work.key, "version": None if work.base is None else work.base[:16], "new": None}


def _answer(work: Work) -> html.Section:
    checked = work.checked()
    rows = count(checked.rows or len(work.sheet.rows), "carrier")
    unsaved = f" Not saved yet: {work.changes()}." if work.unsaved else ""
    if not work.sheet.rows:
        return parts.answer(
            "Empty", f"The table has no carrier yet: add a row, or take in a file.{unsaved}", kind="open"
        )
    if checked.trouble is not None or not checked.loads:
        first = next((mark for mark in checked.marks if mark.severity == "fault"), None)
        at = "" if first is None or first.line is None else f", the first on line {first.line}"
        sentence = f"{work.name} cannot be used yet: {count(checked.faults, 'fault')}{at}.{unsaved}"
        return parts.answer("Faults", sentence, kind="bad")
    lists = count(checked.lists, "list")
    if checked.faults or checked.warnings:
        said = [count(n, word) for n, word in ((checked.faults, "fault"), (checked.warnings, "warning")) if n]
        sentence = f"{work.name} can be used: {rows} in {lists}; look at {' and '.join(said)}.{unsaved}"
        return parts.answer("Usable", sentence, kind="fair" if not checked.faults else "open")
    return parts.answer("In order", f"{work.name} is in order: {rows} in {lists}, no fault.{unsaved}", kind="good")


def _editor(work: Work) -> html.Div:
    return html.Div(
        [
            html.Section(
                [
                    html.H2("Rows", className="unseen"),
                    html.Div(_tools(work), id="table-tools", className="tools"),
                    html.Div(grid(work, work.checked()), id="table-grid-place"),
                    html.P(
                        "Arrows move, typing or Enter edits, Enter or Tab keeps, Escape leaves as it was; the space "
                        "bar chooses a row.",
                        className="about",
                    ),
                ],
                className="sheet",
            ),
            html.Section(
                [
                    html.H2("What the check says"),
                    html.P(
                        "Type in a cell: what is wrong with it stands here at once.",
                        id="table-typing-words",
                        className="typing",
                        role="status",
                    ),
                    html.Div(mark_list(work.sheet, work.checked()), id="table-marks"),
                ],
                className="sheet side",
            ),
        ],
        className="editor",
    )


def _tools(work: Work) -> list[Any]:
    back = f"Undo: {work.sheet.words}" if work.at else "Nothing to undo"
    on = work.at < len(work.states) - 1
    forth = f"Redo: {work.states[work.at + 1].words}" if on else "Nothing to redo"
    return [
        _tool("Add row", "add"),
        _tool("Take out chosen rows", "remove", off=not work.sheet.rows),
        _tool("Undo", "undo", title=back, off=not work.at),
        _tool("Redo", "redo", title=forth, off=not on),
        html.Span(className="gap"),
        *(
            [html.A("Export as CSV", href=f"/table.csv?version={work.base[:16]}", className="tool", download="")]
            if work.base
            else []
        ),
        _tool("Save as new version", "save", kind="button", off=not work.unsaved or not work.checked().loads),
    ]


def _tool(words: str, what: str, *, n: str = "", title: str = "", off: bool = False, kind: str = "tool") -> html.Button:
    more = {"data-act": "table-act", "data-what": what, **({"data-n": n} if n else {})}
    return html.Button(words, className=kind, type="button", disabled=off, title=title or None, **more)


def _suggest_button() -> html.Button:
    return _tool("Ask for suggestions", "suggest", kind="button second")


def _suggestions(work: Work) -> Any:
    proposal: Proposal | None = work.proposal
    if proposal is None:
        return None
    looked = f"{proposal.used} of {count(proposal.looked, 'confirmed sweep')} ({proposal.chain}) speak of this table"
    if not proposal.edits:
        return html.P(f"Nothing to suggest: {looked}.")
    items = [_edit(number, edit, work.settled.get(number)) for number, edit in enumerate(proposal.edits, 1)]
    return html.Div([html.P(f"{count(len(items), 'suggestion')}: {looked}."), html.Ul(items, className="diff")])


def _edit(number: int, edit: Any, settled: str | None) -> html.Li:
    place = "a new row" if edit.line is None else f"line {edit.line}"
    words = {"add": "Add", "change": "Change", "remove": "Take out"}[edit.action]
    title = f"{number}. {words} {place}: {edit.satellite}, {edit.polarisation}, {edit.rf_mhz:g} MHz"
    cells: list[Any] = []
    for name, (old, new) in edit.changes.items():
        cells += [html.Del(f"− {name} = {_plain(old)}")] if old is not None else []
        cells.append(html.Ins(f"+ {name} = {_plain(new)}"))
    if edit.action == "remove":
        cells.append(html.Del(f"− the row at {edit.rf_mhz:g} MHz"))
    if settled is None:
        buttons: Any = html.Div(
            [_tool("Accept", "accept", n=str(number)), _tool("Refuse", "refuse", n=str(number))],
            className="buttons",
            role="group",
            **{"aria-label": f"Suggestion {number}"},
        )
    else:
        buttons = html.Span(settled, className="settled")
    said = edit.why[:1].upper() + edit.why[1:] + "."
    return html.Li([html.Strong(title), buttons, html.Div(cells, className="cells"), html.P(said, className="why")])


def _plain(value: float | str | None) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _intake(work: Work) -> html.Section:
    button = html.Button(
        "Choose a file", className="button second", type="button", id="table-pick", **{"data-pick": "files"}
    )
    return html.Section(
        [
            html.H2("Take in a table"),
            html.P(
                "A carrier table (CSV, as your spreadsheet saves it), or open DVB scan text named like "
                "Kittiwake-2-13.5E.",
                className="about",
            ),
            html.Div(button, className="row"),
            html.Div(className="bar", **{"data-bar": ""}),
            html.P(className="said", role="status", **{"data-said": ""}),
            html.Ul(className="lines", **{"data-lines": ""}),
            html.Div(_offer(work), id="table-offer", **{"aria-live": "polite"}),
            html.P(dcc.Link("Begin with an empty table", href="/table?new=1")),
        ],
        className="sheet zone",
        **{"data-drop": f"/table-drop/{work.key}", "data-told": "table-told"},
    )


def _offer(work: Work) -> Any:
    offered: Offered | None = work.offered
    if offered is None:
        return None
    buttons = [_tool("Put it in place of the table above", "replace", kind="button")]
    if offered.table is not None and work.checked().loads and work.sheet.rows:
        buttons.append(_tool("Add what the table above lacks", "merge", kind="button second"))
    return html.Div([html.P([html.Strong(offered.name), f": {offered.words}."]), html.Div(buttons, className="row")])


def _history(desk: Desk, work: Work) -> html.Section:
    return parts.sheet(
        "Versions",
        html.Div(edition_list(list_editions(desk.archive, "plan"), work.base, "/table"), id="table-history"),
        about="The newest first. Opening an older one and saving it brings it back; nothing is lost either way.",
    )


def _use(desk: Desk) -> html.Section:
    found = desk.visits(VisitSearch(), offset=0, limit=_VISITS).rows
    names = {row["key"][:SHORT]: f"{name_of_visit(row)}, {day(row['last_at'])}" for row in found}
    inside: list[Any] = [html.P("No visit is stored yet.", className="empty")]
    if names:
        inside = [
            parts.pick("table-visit", "Visit, the newest first", names, None),
            html.Div(_tool("Hold it against the version above", "hold", kind="button second")),
            html.Div(id="table-held", **{"aria-live": "polite"}),
        ]
    about = (
        "New visits take the newest version by themselves. A stored visit can be held against it too: that adds "
        "results, and the old ones stay."
    )
    return parts.sheet("Use it for a visit", *inside, about=about)


def _held(done: Held) -> html.Div:
    lines = [
        html.Li([html.Strong(each.name), ": ", "; ".join(map(str, each.changes)) or "as it was"])
        for each in done.captures
    ]
    return html.Div([html.Ul(lines), dcc.Link("Open the visit", href=f"/visit/{done.visit[:SHORT]}")])


def _do(desk: Desk, work: Work, act: dict[str, Any]) -> str | None:
    """Take one step that a button asks for; return words for the reader where there is something to say."""
    what, n = act.get("what"), int(act.get("n") or 0)
    if what == "add":
        work.add_row(
            {"satellite": work.sheet.rows[-1].cells[work.sheet.header.index("satellite")]} if _last(work) else {}
        )
    elif what == "remove":
        rows = [int(row) for row in act.get("rows") or ()]
        if not rows:
            return "Choose the rows first, by the box at their left."
        work.remove_rows(rows)
    elif what == "undo":
        work.undo()
        work.settled.clear()
    elif what == "redo":
        work.redo()
    elif what == "save":
        kept = work.save(desk.archive)
        return "Nothing was changed, so nothing had to be saved." if kept is None else f"Saved: {kept.note}."
    elif what in ("replace", "merge"):
        return _take_over(work, merge=what == "merge")
    elif what == "accept":
        accept(work, n)
        work.settled[n] = "Accepted"
    elif what == "refuse":
        work.settled[n] = "Refused"
    return None


def _last(work: Work) -> bool:
    return bool(work.sheet.rows) and "satellite" in work.sheet.header


def _take_over(work: Work, *, merge: bool) -> str:
    from dashboard.tables import sheet_of
    from spectra.plan import merge_tables, table_text

    offered: Offered | None = work.offered
    if offered is None:
        raise UsageError("the file", None, "a file that is no longer there", "a file", "Choose it again.")
    if not merge:
        work.put(offered.sheet)
        work.name, work.offered = usable_name(offered.name), None
        return f"{offered.name} stands in the grid; undo brings back what was there."
    assert offered.table is not None
    made = merge_tables(work.table(), offered.table)
    work.put(sheet_of(table_text(made.table), f"{offered.name} added"))
    work.offered = None
    conflicts = count(len(made.conflicts), "row") if made.conflicts else "no row"
    return (
        f"{count(len(made.added), 'row')} added, {len(made.filled)} completed; {conflicts} in conflict kept as it was."
    )


def register(app: Dash, desk: Desk) -> None:
    """Let the grid, the words beside it and the versions follow every step."""
    _add_routes(app, desk)
    _register_steps(app, desk)
    _register_suggestions(app, desk)
    _register_use(app, desk)

    @app.callback(
        Output("table-typing-words", "children"),
        Output("table-typing-words", "className"),
        Input("table-typing", "data"),
        State("table-work", "data"),
        prevent_initial_call=True,
    )
    def _typing(said: dict[str, Any] | None, key: str) -> tuple[str, str]:
        work = desk.tables.take(key)
        column = column_of(work.sheet, str((said or {}).get("column")))
        if said is None or column is None:
            return "", "typing"
        marks = [m for m in work.tried(int(said["row"]), column, str(said["text"])[:500]) if m.column == column]
        return _tried_words(column, str(said["text"]), marks)

    app.clientside_callback(
        ClientsideFunction("sweepmuster", "keep"), Output("table-kept", "data"), Input("table-state", "data")
    )


def _tried_words(column: str, text: str, marks: list[Mark]) -> tuple[str, str]:
    if not marks:
        return f"{column} = {text[:60] or 'empty'}: nothing to find fault with.", "typing"
    return " ".join(f"{mark.severity.capitalize()} in {column}: {mark.words}" for mark in marks), "typing wrong"


def _register_steps(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("table-answer", "children"),
        Output("table-tools", "children"),
        Output("table-marks", "children"),
        Output("table-grid-place", "children"),
        Output(GRID, "rowTransaction"),
        Output("table-suggestions", "children"),
        Output("table-offer", "children"),
        Output("table-history", "children"),
        Output("table-state", "data"),
        Output("table-typing-words", "children", allow_duplicate=True),
        Input("table-act", "data"),
        Input(GRID, "cellValueChanged"),
        Input("table-told", "data"),
        State("table-work", "data"),
        prevent_initial_call=True,
    )
    def _step(act: dict[str, Any] | None, edits: list[dict[str, Any]] | None, _: Any, key: str) -> tuple[Any, ...]:
        work = desk.tables.take(key)
        asked = ctx.triggered_id
        with work.lock:
            before, base = work.sheet, work.base
            marks = work.checked()
            said: Any = None
            if asked == "table-act" and act and act.get("what") not in ("suggest", "hold"):
                said = _do(desk, work, act)
            elif asked == GRID:
                _write_cells(work, edits or [])
            whole, change = _moved(work, before, marks, own=asked == GRID)
            return (
                _answer(work),
                _tools(work),
                mark_list(work.sheet, work.checked()),
                whole,
                change,
                _suggestions(work),
                _offer(work),
                no_update
                if work.base == base
                else edition_list(list_editions(desk.archive, "plan"), work.base, "/table"),
                _state(work),
                said or no_update,
            )


def _write_cells(work: Work, edits: list[dict[str, Any]]) -> None:
    for edit in edits:
        column = column_of(work.sheet, str(edit.get("colId")))
        if column is not None:
            value = edit.get("value")
            work.set_cells(int(edit["rowId"]), {column: "" if value is None else str(value)})


def _moved(work: Work, before: Sheet, marks: Checked, *, own: bool) -> tuple[Any, Any]:
    """Return the grid anew, or only the rows of which cells, marks or line changed: what was in view stays there."""
    now = work.sheet
    if now.header != before.header:
        return grid(work, work.checked()), no_update
    if now is before and not own:
        return no_update, no_update
    old, new = {row.id: row for row in before.rows}, {row.id: row for row in now.rows}
    gone, fresh = old.keys() - new.keys(), new.keys() - old.keys()
    kept = [row.id for row in before.rows if row.id in new]
    if [row.id for row in now.rows] != kept + [row.id for row in now.rows if row.id in fresh]:
        return grid(work, work.checked()), no_update  # a row comes back in between
    was = dict(zip(old, before.starts(), strict=True))
    line = dict(zip(new, now.starts(), strict=True))
    said = marks.by_row(), work.checked().by_row()
    touched = {
        id_ for id_ in kept if new[id_] != old[id_] or line[id_] != was[id_] or said[0].get(id_) != said[1].get(id_)
    }
    rows = rows_of(work, work.checked(), touched | fresh)
    change = {
        "update": [row for row in rows if int(row["_id"]) in touched],
        "add": [row for row in rows if int(row["_id"]) in fresh],
        "remove": [{"_id": str(id_)} for id_ in gone],
        "async": False,
    }
    return no_update, change


def _register_suggestions(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("table-job", "data"),
        Output("table-tick", "disabled"),
        Output("table-suggestions", "children", allow_duplicate=True),
        Input("table-act", "data"),
        State("table-work", "data"),
        prevent_initial_call=True,
    )
    def _ask(act: dict[str, Any] | None, key: str) -> tuple[Any, Any, Any]:
        if not act or act.get("what") != "suggest":
            return no_update, no_update, no_update
        work = desk.tables.take(key)
        work.table()  # says what is wrong with it before any work is begun
        job = desk.jobs.begin("looking at sweeps", lambda job: propose(desk, work, job.tell))
        return job.key, False, html.P("Looking at the confirmed sweeps …", role="status")

    @app.callback(
        Output("table-suggestions", "children", allow_duplicate=True),
        Output("table-tick", "disabled", allow_duplicate=True),
        Input("table-tick", "n_intervals"),
        State("table-job", "data"),
        State("table-work", "data"),
        prevent_initial_call=True,
    )
    def _look(_: Any, job_key: str | None, key: str) -> tuple[Any, bool]:
        job = desk.jobs.get(job_key or "")
        if job is None:
            return no_update, True
        if not job.finished:
            words = f"{job.done} of {count(job.total, 'confirmed sweep')} looked at …" if job.total else "One moment …"
            return html.P(words, role="status"), False
        if job.problem is not None:
            set_props("table-tick", {"disabled": True})
            raise job.problem
        work = desk.tables.take(key)
        if work.proposal is not job.result:
            work.proposal = job.result
            work.settled.clear()
        return _suggestions(work), True


def _register_use(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("table-held-job", "data"),
        Output("table-held-tick", "disabled"),
        Output("table-held", "children"),
        Input("table-act", "data"),
        State("table-visit", "data"),
        State("table-work", "data"),
        prevent_initial_call=True,
    )
    def _begin(act: dict[str, Any] | None, visit: str | None, key: str) -> tuple[Any, Any, Any]:
        if not act or act.get("what") != "hold" or not visit:
            return no_update, no_update, no_update
        work = desk.tables.take(key)
        plan = work.base
        if work.unsaved or plan is None:
            raise UsageError(work.name, None, "changes that are not saved", "a saved version", "Save it first.")
        job = desk.jobs.begin("holding against a table", lambda job: hold(desk, visit, plan, job.tell))
        return job.key, False, html.P("Measuring and identifying anew …", role="status")

    @app.callback(
        Output("table-held", "children", allow_duplicate=True),
        Output("table-held-tick", "disabled", allow_duplicate=True),
        Output("table-history", "children", allow_duplicate=True),
        Input("table-held-tick", "n_intervals"),
        State("table-held-job", "data"),
        State("table-work", "data"),
        prevent_initial_call=True,
    )
    def _follow(_: Any, job_key: str | None, key: str) -> tuple[Any, bool, Any]:
        job = desk.jobs.get(job_key or "")
        if job is None or not job.finished:
            return no_update, job is None, no_update
        if job.problem is not None:
            set_props("table-held-tick", {"disabled": True})
            raise job.problem
        base = desk.tables.take(key).base
        return _held(job.result), True, edition_list(list_editions(desk.archive, "plan"), base, "/table")


def _add_routes(app: Dash, desk: Desk) -> None:
    def export() -> Response:
        from flask import request

        from spectra.plan import table_text

        sha256 = plan_key(desk.archive, "plan", request.args.get("version", ""))
        table, _ = desk.plan(sha256, None)
        assert table is not None
        name = desk.archive.plan_file(sha256).raw.name.rpartition(".")[0]
        # the library guards texts that a spreadsheet would take for formulas, and leaves numbers alone
        text = "\ufeff" + table_text(table)
        headers = {"Content-Disposition": f'attachment; filename="{file_name(name, ".csv")}"'}
        return Response(text.encode("utf-8"), mimetype="text/csv", headers=headers)

    app.server.add_url_rule("/table.csv", "table-csv", _told(export))
    add_intake(app.server, "/table-drop", MOST_TABLE_BYTES, lambda key, name, data: take_table(desk, key, name, data))


def _told(hand_out: Any) -> Any:
    from functools import wraps

    from spectra.errors import SpectraError

    @wraps(hand_out)
    def answer() -> Response:
        try:
            found: Response = hand_out()
        except SpectraError as problem:
            words = f"Found {problem.found}; expected {problem.expected}. {problem.mend}\n"
            return Response(words, status=404, mimetype="text/plain")
        return found

    return answer


PAGE = Page("table", "/table", "Carrier table", layout, register, nav=4)
