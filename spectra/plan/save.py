"""Save carrier tables: in one step, the previous version kept, as the user's spreadsheet writes them."""

from __future__ import annotations

import csv
import io
import math
import re
from pathlib import Path

from spectra.errors import TableError
from spectra.plan.build import STEP_COLUMN
from spectra.plan.csvtext import plain, read_records
from spectra.plan.numbers import decimal_comma, printed_text, value_step
from spectra.plan.store import GUARDED, known_headers
from spectra.plan.table import COLUMNS, CarrierTable
from spectra.plan.versions import replace_whole

__all__ = ["save_table", "table_text"]

_PLAIN_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_NUMBERS = {
    "orbital_longitude_deg": ("orbital_longitude_deg", 1.0),
    "satellite_tilt_deg": ("satellite_tilt_deg", 1.0),
    "symbol_rate_kbd": ("symbol_rate_bd", 1e3),
    "bandwidth_khz": ("bandwidth_hz", 1e3),
    "roll_off": ("roll_off", 1.0),
    "reference_cn_db": ("reference_cn_db", 1.0),
}


def save_table(
    table: CarrierTable, path: str | Path, *, delimiter: str | None = None, decimal: str | None = None
) -> Path | None:
    """Save a table as CSV in one step; what was there is kept as ``<stem>.<n><suffix>`` (``plan.1.csv``).

    What is not said is as in the file that is replaced, so that the user's spreadsheet opens it as before; for a new
    file comma and point. Text that is not ASCII is written as UTF-8 with a byte-order mark, which spreadsheets need.
    The saved file reads back to the identical table, rows on lines 2, 3, ....

    Parameters
    ----------
    delimiter : str, optional
        Comma, semicolon or tab.
    decimal : str, optional
        Point or comma.

    Returns
    -------
    Path or None
        The kept previous version; None if there was none, or the content did not change.

    Raises
    ------
    TableError
        If the file cannot be written, or two columns of the table would have one name.
    """
    where = Path(path)
    try:
        as_before = _dialect(where)
        text = table_text(table, delimiter=delimiter or as_before[0], decimal=decimal or as_before[1])
        content = text.encode("utf-8" if text.isascii() else "utf-8-sig")
        return replace_whole(where, content)
    except OSError as error:
        found = (error.strerror or type(error).__name__).lower()
        mend = "Close the file in other programs; check folder and rights."
        raise TableError(str(path), None, found, "a file that can be written", mend) from None


def _dialect(path: Path) -> tuple[str, str]:
    """Return delimiter and decimal mark of an existing table file; comma and point where there is none."""
    try:
        records, _ = read_records(path, known_headers())
    except TableError:
        return ",", "."
    numeric = [cells for cells in records.columns if all(not cell or cell.strip()[-1:].isdecimal() for cell in cells)]
    return records.delimiter, "," if records.delimiter != "," and decimal_comma(numeric) else "."


def table_text(table: CarrierTable, *, delimiter: str = ",", decimal: str = ".") -> str:
    """Return the CSV text of a table, the contract's columns first, then the unknown ones.

    Frequencies have the fewest digits that say their value, since a spreadsheet would drop zeros at the end; where
    they are known better or worse than that shows, the column `rf_step_khz` says it. A text cell that begins with
    ``= + - @`` or an apostrophe gets an apostrophe in front, unless it is a plain number: a spreadsheet would take it
    for a formula.

    Raises
    ------
    TableError
        If an unknown column has the name of one of the contract.
    """
    for name in table.unknown_columns:
        if plain(name) in known_headers():
            mend = "Rename the column."
            raise TableError(table.file, None, f"a further column {name!r}", "names used once", mend, name)
    columns: list[list[str]] = []
    for name in COLUMNS:
        if name == "rf_mhz":
            columns.append([_number(value, 1e6) for value in table.rf_hz.tolist()])
        elif name == "service":
            columns.append(["yes" if own else "" for own in table.service.tolist()])
        elif name in _NUMBERS:
            attribute, unit = _NUMBERS[name]
            columns.append([_number(value, unit) for value in getattr(table, attribute).tolist()])
        else:
            columns.append([_guarded(cell) for cell in table.text[name].tolist()])
    header = list(COLUMNS)
    steps = _steps(table)
    if any(steps):
        header.append(STEP_COLUMN)
        columns.append(steps)
    if decimal == ",":
        for index, name in enumerate(header):
            if name in _NUMBERS or name in ("rf_mhz", STEP_COLUMN):
                columns[index] = [cell.replace(".", ",") for cell in columns[index]]
    header += [_guarded(name) for name in table.unknown_columns]
    columns += [[_guarded(cell) for cell in table.text[name].tolist()] for name in table.unknown_columns]
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def _number(value: float, unit: float) -> str:
    if math.isnan(value):
        return ""
    return printed_text(value if unit == 1.0 else round(value / unit, 9))


def _steps(table: CarrierTable) -> list[str]:
    """Return the rounding steps in kHz that the shortest digits do not show ('' where they do)."""
    pairs = zip(table.rf_hz.tolist(), table.rf_step_hz.tolist(), strict=True)
    return ["" if step == value_step(rf) else _number(step, 1e3) for rf, step in pairs]


def _guarded(cell: str) -> str:
    if not cell.startswith(GUARDED):
        return cell
    if cell[0] != "'":
        return cell if _PLAIN_NUMBER.fullmatch(cell) else f"'{cell}"
    return f"'{cell}" if cell[1:].startswith(GUARDED) else cell
