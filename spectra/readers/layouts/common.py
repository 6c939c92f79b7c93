"""What the layouts share: names and roles of columns from the lines above a table."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from spectra.readers.cells import classify, find_unit, split_row, unit_kind
from spectra.readers.outline import TextLine
from spectra.readers.preamble import cells_of, uncommented
from spectra.readers.table import Table
from spectra.readers.words import ideas_of, key_of, trace_mode_of
from spectra.units import FloatArray

__all__ = ["Head", "column_head", "frequency_column", "is_index"]

_INDEX_NAMES = frozenset({"no", "no.", "nr", "nr.", "#", "n", "index", "idx", "point", "pt", "points", "num", "i", "n°"})
_NOT_LEVELS = frozenset({"time", "limit", "index", "marker", "bw", "span", "rbw", "step", "date"})


@dataclass(slots=True)
class Head:
    """Names and units of a table's columns, and the lines that gave them."""

    names: list[str]
    units: list[str | None]
    lines: list[int]

    def role(self, column: int) -> str:
        """Return frequency, level, index, other, or "" where the name does not say."""
        return role_of(self.names[column], self.units[column])


def role_of(name: str, unit: str | None) -> str:
    """Return what a column holds by its name and unit."""
    kind = unit_kind(unit) if unit else None
    if kind == "frequency":
        return "frequency"
    if kind in ("level", "ratio", "other_level"):
        return "level"
    folded = name.strip().lower()
    if folded in _INDEX_NAMES:
        return "index"
    ideas, _, _ = ideas_of(re.sub(r"[\[\](){}]", " ", name))
    if "freq" in ideas or "centrefreq" in ideas or folded in ("x", "x-axis", "x axis"):
        return "frequency"
    if trace_mode_of(name) or "level" in ideas or "trace" in ideas or folded in ("y", "y-axis", "y axis", "data"):
        return "level"
    if ideas & _NOT_LEVELS:
        return "other"
    return "index" if ideas == {"count"} else ""


def column_head(lines: list[TextLine], table: Table) -> Head:
    """Return names and units of the columns of a table, from its cells and from the lines just above it."""
    names = ["" for _ in table.cells]
    units: list[str | None] = [unit or None for unit in table.units]
    head = Head(names, units, [])
    for line in list(reversed(lines))[:3]:
        if line.line < table.first_line - 6 - len(head.lines):
            break
        cells = _header_cells(line.text, table)
        if cells is None:
            break
        head.lines.insert(0, line.line)
        for column, cell in enumerate(table.cells):
            text = cells[cell] if cell < len(cells) else ""
            unit, name = find_unit(text)
            if unit is not None and units[column] is None:
                units[column] = unit
            if text and not names[column] and (name.strip() and name.strip() != unit):
                names[column] = text if unit is None else name
        if any(name for name in names):
            break
    for column, name in enumerate(names):
        names[column] = re.sub(r"\(\s*\)|\[\s*\]", "", name).strip(" \"'")
    return head


def _header_cells(text: str, table: Table) -> list[str] | None:
    """Return the cells of a line if it names the columns of the table, None if it does not."""
    text = uncommented(text)
    delimiter = table.dialect.delimiter
    if delimiter == " ":
        cells = [c.strip(' "') for c in re.split(r"\t|\s{2,}", text.strip())]
        if len(cells) != len(table.cells):
            cells = [c.strip(' "') for c in text.split()]
            if len(cells) != len(table.cells):
                cells = [c for c in re.split(r"(?<=[\])])\s+", text.strip()) if c]
        if len(cells) != len(table.cells):
            return None
        spread = [""] * (max(table.cells) + 1)
        for cell, name in zip(table.cells, cells, strict=True):
            spread[cell] = name
        cells = spread
    else:
        cells = [cell.strip(' "\t') for cell in split_row(text, delimiter)]
        while cells and not cells[-1]:
            cells.pop()
    if not cells or len(cells) > table.width + 2:
        return None
    if any(classify(cell, table.dialect.decimal)[0] in "ND" for cell in cells):
        return None
    roles = [role_of(*reversed(find_unit(cell))) for cell in cells if cell]
    unit_row = all(not cell or unit_kind(cell.strip("[]()")) for cell in cells)
    if unit_row and any(cells):
        return cells
    first = key_of(cells[0]) if cells[0] else None
    if first is not None and first.concept not in ("trace", "points", "start") and len(cells) > 1 and len(table.cells) > 1:
        return None
    if len(table.cells) > 1 and sum(1 for cell in cells if cell) < 2:
        return None
    if len(table.cells) == 1 and (roles.count("level") == 0 or _is_title(cells[0])):
        return None
    return cells if any(roles) else None


def _is_title(text: str) -> bool:
    """Say whether a single cell is a heading such as ``Trace data`` rather than a column's name."""
    ideas, _, _ = ideas_of(text)
    return "data" in ideas and find_unit(text)[0] is None


def is_index(values: FloatArray) -> bool:
    """Say whether a column counts its rows: 0, 1, 2, ... or 1, 2, 3, ..."""
    return bool(
        values.size > 1 and values[0] in (0.0, 1.0) and np.array_equal(values, values[0] + np.arange(values.size))
    )


def frequency_column(head: Head, table: Table) -> int | None:
    """Return which column holds the frequencies: by name, by unit, or the one that rises; None if none does."""
    named = [c for c in range(len(table.cells)) if head.role(c) == "frequency"]
    if named:
        return named[0]
    rising = []
    for column in range(len(table.cells)):
        values = table.values[:, column]
        if head.role(column) in ("", "other") and values.size > 1 and bool((np.diff(values) > 0.0).all()):
            rising.append(column)
    proper = [c for c in rising if not is_index(table.values[:, c])]
    if proper:
        return proper[0]
    return None


__all__ += ["cells_of", "role_of"]
