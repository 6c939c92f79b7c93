"""What is handed out: tables as CSV that no spreadsheet takes for formulas."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING, Any

from dashboard.registry import Table

if TYPE_CHECKING:
    from flask import Response

__all__ = ["csv_answer", "csv_text", "file_name"]


def csv_text(table: Table) -> str:
    """Return a table as CSV (RFC 4180), with the mark that lets spreadsheets read it as UTF-8."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([_cell(value) for value in table.head])
    writer.writerows([_cell(value) for value in row] for row in table.rows)
    return "\ufeff" + text.getvalue()


def _cell(value: Any) -> Any:
    """Return a cell that no spreadsheet runs: names come from outside (OWASP, CSV injection, from memory)."""
    if value is None:
        return ""
    if isinstance(value, str) and value.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%"):
        return "'" + value
    return value


def file_name(text: str, ending: str) -> str:
    """Return a file name made from a text: letters, digits, dot and dash."""
    return (re.sub(r"[^0-9A-Za-z._-]+", "-", text).strip("-.") or "sweepmuster")[:80] + ending


def csv_answer(table: Table) -> Response:
    """Return a table as a download."""
    from flask import Response

    headers = {"Content-Disposition": f'attachment; filename="{file_name(table.name, ".csv")}"'}
    return Response(csv_text(table), mimetype="text/csv", headers=headers)
