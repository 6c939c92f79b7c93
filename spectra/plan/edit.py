"""Edits of a carrier table: pure functions that return a new table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from spectra.errors import TableError
from spectra.plan.build import table_from_rows

if TYPE_CHECKING:
    from spectra.plan.table import CarrierRow, CarrierTable

__all__ = ["rebuilt", "replace_row", "with_rows", "without_rows"]


def with_rows(table: CarrierTable, rows: Iterable[CarrierRow | Mapping[str, Any]]) -> CarrierTable:
    """Return the table with rows added at its end, each on a line of its own below the last.

    Parameters
    ----------
    rows : iterable of CarrierRow or mapping
        As in `CarrierTable.from_rows`; a line they carry is not kept.

    Raises
    ------
    TableError
        If a row lacks satellite, polarisation or frequency.
    """
    last = int(table.line.max()) if len(table) else 1
    fresh = []
    for number, row in enumerate(rows, start=last + 1):
        fresh.append({**row, "line": number} if isinstance(row, Mapping) else replace(row, line=number))
    return rebuilt(table, [*table, *fresh])


def replace_row(table: CarrierTable, line: int, **changes: Any) -> CarrierTable:
    """Return the table with some values of the row on `line` changed (names as in `CarrierRow`; None empties a cell).

    A changed `rf_hz` takes the rounding step of its own digits unless `rf_step_hz` is given.

    Raises
    ------
    TableError
        If no row stands on that line, or the change leaves it without satellite, polarisation or frequency.
    """
    index = _index_of(table, line)
    if "rf_hz" in changes or "rf_mhz" in changes:
        changes.setdefault("rf_step_hz", None)
    rows: list[CarrierRow | Mapping[str, Any]] = list(table)
    old = table.row(index)
    given: dict[str, Any] = {name: getattr(old, name) for name in old.__dataclass_fields__}
    if "rf_mhz" in changes:
        given.pop("rf_hz")
    given["extra"] = {name: cell for name, cell in old.extra if name not in changes}
    rows[index] = given | changes | {"line": line}
    return rebuilt(table, rows)


def without_rows(table: CarrierTable, lines: Iterable[int]) -> CarrierTable:
    """Return the table without the rows on these lines; the lines of the others do not change.

    Raises
    ------
    TableError
        If no row stands on one of the lines.
    """
    gone = {_index_of(table, line) for line in lines}
    return rebuilt(table, [row for index, row in enumerate(table) if index not in gone])


def _index_of(table: CarrierTable, line: int) -> int:
    found = (table.line == line).nonzero()[0]
    if found.size != 1:
        mend = "Name a row by its line in the file (header = 1)."
        raise TableError(table.file, line, "no row on this line", "the line of a row", mend)
    return int(found[0])


def rebuilt(table: CarrierTable, rows: Iterable[CarrierRow | Mapping[str, Any]]) -> CarrierTable:
    """Return a table of these rows under the name of `table`, its unknown columns kept even where none fills them."""
    return table_from_rows(rows, table.file, table.unknown_columns)
