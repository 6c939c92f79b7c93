"""What the carrier table's page is made of: answer, tools and grid, suggestions as a diff, intake, versions, use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard import parts
from dashboard.desk import SHORT
from dashboard.grid import grid, mark_list
from dashboard.versions import edition_list
from dashboard.words import count, day, name_of_visit
from spectra.archive import VisitSearch, list_editions

if TYPE_CHECKING:
    from dashboard.desk import Desk
    from dashboard.holding import Held
    from dashboard.intake import Offered
    from dashboard.suggesting import Proposal
    from dashboard.tables import Work

__all__ = [
    "editor",
    "held",
    "history",
    "intake_zone",
    "offer",
    "suggest_button",
    "suggestions",
    "table_answer",
    "tools",
    "use_zone",
]

_VISITS = 30


def table_answer(work: Work) -> html.Section:
    """Return the sentence that the page begins with."""
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


def editor(work: Work) -> html.Div:
    """Return tools, grid, and what the check says beside it."""
    return html.Div(
        [
            html.Section(
                [
                    html.H2("Rows", className="unseen"),
                    html.Div(tools(work), id="table-tools", className="tools"),
                    html.Div(grid(work, work.checked()), id="table-grid-place"),
                    html.P(
                        "Arrows move, typing or Enter edits, Enter or Tab keeps, Escape leaves as it was; Tab leaves "
                        "the grid; the space bar chooses a row.",
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


def tools(work: Work) -> list[Any]:
    """Return the buttons above the grid, as far as they can be used now."""
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


def suggest_button() -> html.Button:
    """Return the button that asks for suggestions."""
    return _tool("Ask for suggestions", "suggest", kind="button second")


def suggestions(work: Work) -> Any:
    """Return what sweeps suggest, row by row, with what became of it."""
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


def intake_zone(work: Work) -> html.Section:
    """Return the place where a file is taken in."""
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
            html.Div(offer(work), id="table-offer", **{"aria-live": "polite"}),
            html.P(dcc.Link("Begin with an empty table", href="/table?new=1")),
        ],
        className="sheet zone",
        **{"data-drop": f"/table-drop/{work.key}", "data-told": "table-told"},
    )


def offer(work: Work) -> Any:
    """Return what can be done with the file taken in last."""
    offered: Offered | None = work.offered
    if offered is None:
        return None
    buttons = [_tool("Put it in place of the table above", "replace", kind="button")]
    if offered.table is not None and work.checked().loads and work.sheet.rows:
        buttons.append(_tool("Add what the table above lacks", "merge", kind="button second"))
    return html.Div([html.P([html.Strong(offered.name), f": {offered.words}."]), html.Div(buttons, className="row")])


def history(desk: Desk, work: Work) -> html.Section:
    """Return the versions that are stored."""
    return parts.sheet(
        "Versions",
        html.Div(edition_list(list_editions(desk.archive, "plan"), work.base, "/table"), id="table-history"),
        about="The newest first. Opening an older one and saving it brings it back; nothing is lost either way.",
    )


def use_zone(desk: Desk) -> html.Section:
    """Return the choice of a visit to hold against this version."""
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


def held(done: Held) -> html.Div:
    """Return what became of a visit that was held against it."""
    lines = [
        html.Li([html.Strong(each.name), ": ", "; ".join(map(str, each.changes)) or "as it was"])
        for each in done.captures
    ]
    return html.Div([html.Ul(lines), dcc.Link("Open the visit", href=f"/visit/{done.visit[:SHORT]}")])
