"""A table saved as its user wrote it: cells that nobody touched keep their text, columns their names and order."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

from spectra.errors import SpectraError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from dashboard.tables import Row, Sheet
    from spectra.archive.record import RawFile
    from spectra.plan.csvtext import Records
    from spectra.plan.table import CarrierTable

__all__ = ["as_written"]

_NUMBER = re.compile(r"[-+]?[0-9][0-9 ]*([.,][0-9]+)?([eE][-+]?[0-9]+)?")
_DECIMAL_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")


def as_written(raw: RawFile, first: Sheet, now: Sheet, table: CarrierTable, folder: Path) -> str | None:
    """Return a table being edited as CSV in the spelling of the file it came from.

    Parameters
    ----------
    raw : RawFile
        The file as it was.
    first, now : Sheet
        The sheet that was made of it, and the sheet to save; rows that both have bear one number.
    table : CarrierTable
        What the library makes of the sheet to save.
    folder : Path
        Where files may be written to be read again.

    Returns
    -------
    str or None
        None where the file's own spelling cannot say the table: what is written reads back to the identical table.
    """
    from spectra.plan import load_table
    from spectra.plan.csvtext import read_records
    from spectra.plan.store import known_headers, read_table

    path = folder / "written" / raw.name
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(raw.data)
        records, _ = read_records(path, known_headers())
        if len(records.lines) != len(first.rows) or records.surplus:
            return None
        text = _text(records, read_table(path).headers, first, now)
        path.write_text(text, encoding="utf-8", newline="")
        same = load_table(path).sha256 == table.sha256
    except (SpectraError, OSError):
        return None
    return text if same else None


def _text(records: Records, headers: Mapping[str, str], first: Sheet, now: Sheet) -> str:
    called = {written: name for name, written in headers.items()}
    places = {called.get(name.strip(), name.strip()): k for k, name in enumerate(records.header)}
    before = {row.id: (k, row.cells) for k, row in enumerate(first.rows)}
    more = [
        name
        for k, name in enumerate(now.header)
        if name not in places and any(row.cells[k].strip() and _told(row, k, before) for row in now.rows)
    ]
    comma = records.delimiter != "," and any(
        _DECIMAL_COMMA.fullmatch(cell.strip()) for column in records.columns for cell in column[:200]
    )
    out = io.StringIO()
    writer = csv.writer(out, delimiter=records.delimiter, lineterminator="\n")
    writer.writerow([*(_guarded(name) for name in records.header), *more])
    columns = {name: k for k, name in enumerate(now.header)}
    for row in now.rows:
        at, old = before.get(row.id, (None, None))
        cells = [""] * len(records.header)
        for name, place in places.items():
            column = columns.get(name)
            if at is not None and (column is None or (old is not None and old[column] == row.cells[column])):
                cells[place] = _guarded(records.columns[place][at])
            elif column is not None:
                cells[place] = _spelt(row.cells[column], comma)
        writer.writerow([*cells, *(_spelt(row.cells[columns[name]], comma) for name in more)])
    return out.getvalue()


def _told(row: Row, column: int, before: Mapping[int, tuple[int, tuple[str, ...]]]) -> bool:
    """Say whether a cell says something that the row as it was written did not."""
    return row.id not in before or before[row.id][1][column] != row.cells[column]


def _spelt(cell: str, comma: bool) -> str:
    """Return a cell that was written in the grid, as the file writes numbers."""
    if comma and _NUMBER.fullmatch(cell.strip()):
        return cell.replace(".", ",")
    return _guarded(cell)


def _guarded(cell: str) -> str:
    """Return a cell that no spreadsheet runs."""
    if cell[:1] in ("=", "+", "-", "@") and not _NUMBER.fullmatch(cell.strip()):
        return f"'{cell}"
    return cell
