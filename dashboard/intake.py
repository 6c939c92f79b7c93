"""Files for the table page and the report page: taken in under a name of ours, told apart, never run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Response, jsonify, request

from dashboard.drafts import safe_name
from dashboard.tables import raw_sheet, sheet_of
from dashboard.words import count
from spectra.errors import SpectraError

if TYPE_CHECKING:
    from flask import Flask

    from dashboard.desk import Desk
    from dashboard.tables import Sheet
    from spectra.plan.table import CarrierTable

__all__ = ["Offered", "add_intake", "take_table", "usable_name"]

_MARGIN = 1000


@dataclass(frozen=True, slots=True)
class Offered:
    """A file taken in: the sheet it would be, and the table where it loads; `words` say what it is."""

    name: str
    words: str
    sheet: Sheet
    table: CarrierTable | None


def add_intake(server: Flask, address: str, most: int, take: Callable[[str, str, bytes], dict[str, Any]]) -> None:
    """Add an address ``POST <address>/<key>?name=x`` whose body is a file.

    Parameters
    ----------
    server : Flask
    address : str
    most : int
        Largest file in bytes; the length is checked before a byte is read.
    take : callable
        ``take(key, name, data)`` returns what the browser is told; a `SpectraError` becomes words.
    """

    def post(key: str) -> tuple[Response, int]:
        name = request.args.get("name", "")[:500] or "file"
        if request.content_length is None:
            return jsonify(words="The length of the file was not told."), 411
        if request.content_length > most:
            return jsonify(words=f"Too large: at most {most / 1e6:.0f} MB a file."), 413
        request.max_content_length = most + _MARGIN
        try:
            return jsonify(take(key, name, request.get_data(cache=False))), 200
        except SpectraError as problem:
            return jsonify(words=_said(problem)), 422

    server.add_url_rule(f"{address}/<key>", address.strip("/"), post, methods=["POST"])


def _said(problem: SpectraError) -> str:
    place = f"line {problem.line}: " if problem.line is not None else ""
    return f"{place}found {problem.found}; expected {problem.expected}. {problem.mend}"


def take_table(desk: Desk, key: str, name: str, data: bytes) -> dict[str, Any]:
    """Take in a carrier table or a scan file for a table being edited.

    Raises
    ------
    SpectraError
        If it is neither, or the page has been open too long.
    """
    work = desk.tables.take(key)
    folder = work.folder / "taken"
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / safe_name(name)
    path.write_bytes(data)
    try:
        work.offered = _offered(path)
    finally:
        path.unlink(missing_ok=True)
    return {"name": work.offered.name, "words": work.offered.words, "problem": None}


def _offered(path: Path) -> Offered:
    from spectra.errors import TableError
    from spectra.plan import check_table, import_scan_file, table_text
    from spectra.visit.folder import is_carrier_table

    if not is_carrier_table(path) and not _like_csv(path):
        table = import_scan_file(path)
        words = f"scan text, {count(len(table), 'carrier')} of {table.text['satellite'][0]}"
        if table.warnings:
            words += f"; {count(len(table.warnings), 'entry', 'entries')} left out or read otherwise"
        return Offered(path.name, words, sheet_of(table_text(table), f"{path.name} taken in"), table)
    from spectra.plan import load_table

    try:
        table = load_table(path)
    except TableError:
        sheet = raw_sheet(path, f"{path.name} taken in")
        found = "no required column is there yet"
        try:
            check = check_table(path)
            found = f"{count(len(check.faults), 'fault')} to mend in the grid"
        except TableError as problem:
            found = _said(problem)
        return Offered(path.name, f"carrier table, {count(len(sheet.rows), 'row')}; {found}", sheet, None)
    words = f"carrier table, {count(len(table), 'row')} in {count(len(table.lists), 'list')}"
    return Offered(path.name, words, sheet_of(table_text(table), f"{path.name} taken in"), table)


def _like_csv(path: Path) -> bool:
    """Say whether a file has at least a header in which a carrier table's columns stand."""
    from spectra.plan.csvtext import plain, read_records
    from spectra.plan.store import known_headers

    try:
        records, _ = read_records(path, known_headers())
    except SpectraError:
        return path.suffix.lower() in (".csv", ".tsv")
    return sum(plain(name) in known_headers() for name in records.header) >= 2


def usable_name(name: str) -> str:
    """Return the name under which a table that was taken in is kept: a CSV's."""
    clean = safe_name(name)
    return clean if clean.lower().endswith(".csv") else f"{clean[:90]}.csv"
