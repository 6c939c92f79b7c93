"""The carrier table: edited in a grid, checked while one types, bettered by what sweeps suggest, every version kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Input, Output, State, ctx, dcc, html, no_update, set_props
from flask import Response

from dashboard import parts
from dashboard.grid import GRID, column_of, grid, mark_list, rows_of
from dashboard.holding import hold
from dashboard.intake import Offered, add_intake, take_table, usable_name
from dashboard.registry import Page, Place
from dashboard.suggesting import accept, propose
from dashboard.tableparts import (
    editor,
    held,
    history,
    intake_zone,
    offer,
    suggest_button,
    suggestions,
    table_answer,
    tools,
    use_zone,
)
from dashboard.tables import MOST_TABLE_BYTES
from dashboard.take import file_name
from dashboard.versions import edition_list, views
from dashboard.words import count
from spectra.archive import list_editions, newest_edition
from spectra.archive.editions import last_number, plan_key
from spectra.errors import UsageError

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk
    from dashboard.tables import Checked, Mark, Sheet, Work

_EVERY_MS = 400


def layout(desk: Desk, place: Place) -> Any:
    """Return the page: the version that the address names, else the newest."""
    work = desk.tables.get(place.query.get("work"))
    if work is None:
        since = last_number(desk.archive)  # first: who saves between this and the next is noticed
        work = desk.tables.begin(desk.archive, _wanted(desk, place), since)
    return html.Div(
        [
            parts.heading(
                "Carrier table",
                about="Your own list of what should be on air. What a result was made with "
                "stays as it was: saving makes a new version.",
            ),
            views("table"),
            html.Div(table_answer(work), id="table-answer", **{"aria-live": "polite"}),
            editor(work),
            parts.sheet(
                "Suggestions from sweeps",
                html.Div(suggest_button()),
                html.Div(suggestions(work), id="table-suggestions", **{"aria-live": "polite"}),
                about="What confirmed sweeps of the archive say of the table as it stands above. Nothing changes "
                "before you accept it, row by row.",
            ),
            html.Div([intake_zone(work), html.Div([history(desk, work), use_zone(desk)])], className="halves"),
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
                table_answer(work),
                tools(work),
                mark_list(work.sheet, work.checked()),
                whole,
                change,
                suggestions(work),
                offer(work),
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
        return suggestions(work), True


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
        return held(job.result), True, edition_list(list_editions(desk.archive, "plan"), base, "/table")


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
