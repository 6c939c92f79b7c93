"""The grid of a carrier table: cells of the work at hand, each with its mark; and the list of what is wrong beside it.

Only what the community edition of the grid library brings is used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import dash_ag_grid as dag
from dash import html

from dashboard.words import count

if TYPE_CHECKING:
    from dashboard.tables import Checked, Mark, Row, Sheet, Work

__all__ = ["GRID", "column_of", "grid", "mark_list", "name_of", "rows_of", "where"]

GRID = "table-grid"
_MOST_LISTED = 60
_CHOICES = {
    "polarisation": ["", "H", "V", "L", "R"],
    "kind": ["", "modulated", "cw", "other"],
    "service": ["", "yes"],
}
_WIDTHS = {"satellite": 150, "rf_mhz": 120, "remark": 260, "polarisation": 125, "symbol_rate_kbd": 160, "beam": 110}
_PLAIN = 140
_UNMARKED: dict[str, str] = {}


def column_of(sheet: Sheet, field: str) -> str | None:
    """Return the column of a field of the grid; names from a file never become code or keys in the browser."""
    number = field[1:]
    if field[:1] != "c" or not number.isascii() or not number.isdigit() or len(number) > 4:
        return None
    return sheet.header[int(number)] if int(number) < len(sheet.header) else None


def name_of(sheet: Sheet, column: str | None) -> str | None:
    """Return the field of a column; None where the sheet has none of that name."""
    return f"c{sheet.header.index(column)}" if column in sheet.header else None


def rows_of(work: Work, checked: Checked, only: set[int] | None = None) -> list[dict[str, Any]]:
    """Return the rows as the grid takes them, all or some."""
    sheet = work.sheet
    by_row: dict[int, list[Mark]] = {}
    for mark in checked.marks:
        if mark.row is not None:
            by_row.setdefault(mark.row, []).append(mark)
    return [
        _row(sheet, row, line, by_row.get(row.id, ()))
        for row, line in zip(sheet.rows, sheet.starts(), strict=True)
        if only is None or row.id in only
    ]


def _row(sheet: Sheet, row: Row, line: int, marks: Sequence[Mark]) -> dict[str, Any]:
    signs: dict[str, str] = {}
    why: dict[str, str] = {}
    for mark in marks:
        field = name_of(sheet, mark.column)
        if field is not None and signs.get(field) != "fault":
            signs[field], why[field] = mark.severity, f"{mark.severity.capitalize()}: {mark.words}"
    faults = sum(mark.severity == "fault" for mark in marks)
    warnings = len(marks) - faults
    words = ", ".join(count(n, word) for n, word in ((faults, "fault"), (warnings, "warning")) if n)
    cells = {f"c{k}": cell for k, cell in enumerate(row.cells)}
    return {"_id": str(row.id), "_line": line, "_said": words, "_marks": signs, "_why": why, **cells}


def grid(work: Work, checked: Checked) -> dag.AgGrid:
    """Return the grid."""
    sheet = work.sheet
    return dag.AgGrid(
        id=GRID,
        columnDefs=_columns(sheet),
        rowData=rows_of(work, checked),
        getRowId="params.data._id",
        defaultColDef={
            "editable": True,
            "resizable": True,
            "sortable": False,
            "suppressMovable": True,
            "width": _PLAIN,
            "cellClassRules": {
                "cell-fault": "markOf(params) === 'fault'",
                "cell-warning": "markOf(params) === 'warning'",
            },
            "tooltipValueGetter": {"function": "whyOf(params)"},
        },
        dashGridOptions={
            "rowSelection": {
                "mode": "multiRow",
                "checkboxes": True,
                "headerCheckbox": True,
                "enableClickSelection": False,
            },
            "selectionColumnDef": {"pinned": "left", "width": 46, "maxWidth": 46},
            "stopEditingWhenCellsLoseFocus": True,
            "enterNavigatesVerticallyAfterEdit": True,
            "tooltipShowDelay": 300,
            "animateRows": False,
            "rowHeight": 34,
            "headerHeight": 38,
            "singleClickEdit": False,
            "suppressNoRowsOverlay": True,
            "ensureDomOrder": True,
            "tabToNextCell": {"function": "tabOn(params)"},
            "tabToNextHeader": {"function": "tabInHead(params)"},
        },
        dangerously_allow_code=False,
        className="sheetgrid",
        style={"height": "min(34rem, 70vh)", "width": "100%"},
    )


def _columns(sheet: Sheet) -> list[dict[str, Any]]:
    fixed: list[dict[str, Any]] = [
        {
            "field": "_line",
            "headerName": "Line",
            "width": 66,
            "pinned": "left",
            "editable": False,
            "cellClass": "row-line",
        },
        {"field": "_said", "headerName": "Check", "width": 120, "editable": False, "wrapText": True},
    ]
    return fixed + [_column(k, name) for k, name in enumerate(sheet.header)]


def _column(number: int, name: str) -> dict[str, Any]:
    found: dict[str, Any] = {"field": f"c{number}", "headerName": name, "width": _WIDTHS.get(name, _PLAIN)}
    if name in _CHOICES:
        return {**found, "cellEditor": "agSelectCellEditor", "cellEditorParams": {"values": _CHOICES[name]}}
    return found


def where(mark: Mark) -> str:
    """Return where a mark stands, in words."""
    line = "The whole table" if mark.line is None else f"Line {mark.line}"
    return line if mark.column is None else f"{line}, {mark.column}"


def mark_list(sheet: Sheet, checked: Checked) -> html.Div:
    """Return what is wrong, each a button that brings its cell into view."""
    if checked.trouble is not None:
        said = checked.trouble
        words = f"Found {said.found}; expected {said.expected}. {said.mend}"
        return html.Div([html.P(html.Strong("Not a table yet")), html.P(words)])
    if not checked.marks:
        return html.Div(html.P("Nothing to find fault with.", className="empty"))
    ordered = sorted(checked.marks, key=lambda mark: (mark.severity != "fault", mark.line or 0))
    items = [html.Li(_mark_button(sheet, mark)) for mark in ordered[:_MOST_LISTED]]
    more = len(ordered) - _MOST_LISTED
    rest = [html.P(f"and {more} more, in the column Check of the grid", className="about")] if more > 0 else []
    return html.Div([html.Ul(items, className="faults"), *rest])


def _mark_button(sheet: Sheet, mark: Mark) -> html.Button:
    aim: Mapping[str, str] = _UNMARKED
    if mark.row is not None:
        aim = {"data-goto-row": str(mark.row), "data-goto-column": name_of(sheet, mark.column) or "_said"}
    said = [html.Strong(f"{mark.severity.capitalize()}: {where(mark)}"), html.Span(mark.words)]
    return html.Button(said, className=mark.severity, type="button", **aim)
