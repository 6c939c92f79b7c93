"""What the layouts share: names and roles of columns from the lines above a table."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spectra.readers.cells import classify, find_unit, split_row, unit_kind
from spectra.readers.dialect import Dialect
from spectra.readers.facts import Facts
from spectra.readers.outline import TextLine
from spectra.readers.preamble import LONGEST_LINE, entries_of, uncommented
from spectra.readers.table import Table
from spectra.readers.words import ideas_of, key_of, trace_mode_of
from spectra.units import FloatArray

__all__ = ["Head", "column_head", "frequency_columns", "is_index", "role_of", "tells_axis"]

_STATED = re.compile(r"=\s*[-+.0-9]|[^\W\d]\s*:\s*[-+]?[0-9]")
"""A value beside its key: no name of a column."""
_INDEX_NAMES = frozenset(
    {"no", "no.", "nr", "nr.", "#", "n", "index", "idx", "point", "pt", "points", "num", "i", "n°"}
)
_MANY = 16
_NOT_LEVELS = frozenset({"time", "limit", "index", "bw", "span", "rbw", "step", "date"})


@dataclass(slots=True)
class Head:
    """Names and units of a table's columns, and the lines that gave them."""

    names: list[str]
    units: list[str | None]
    lines: list[int]

    def role(self, column: int) -> str:
        """Return frequency, level, index, other, or "" where the name does not say."""
        return role_of(self.names[column], self.units[column])


@lru_cache(maxsize=1024)  # the same titles stand over table after table
def role_of(name: str, unit: str | None) -> str:
    """Return what a column holds by its name and unit."""
    kind = unit_kind(unit) if unit else None
    folded = name.strip(" .:\"'").lower()
    if folded in _INDEX_NAMES:
        return "index"
    ideas, _, _ = ideas_of(re.sub(r"[\[\](){}]", " ", name)) if name else (frozenset[str](), None, None)
    if ideas & {"limit", "bw", "rbw", "span"} and not (kind == "level" and "level" in ideas and "limit" not in ideas):
        return "other"
    if kind == "frequency":
        return "frequency"
    if kind in ("level", "ratio", "other_level"):
        return "level"
    if "freq" in ideas or "centrefreq" in ideas:
        return "frequency"
    if folded in ("x", "x-axis", "x axis", "x value", "x values"):
        return "x"
    if trace_mode_of(name) or ideas & {"level", "trace"} or folded in ("y", "y-axis", "y axis", "y value", "y values"):
        return "level"
    if ideas & _NOT_LEVELS:
        return "other"
    if kind == "time":
        return "other"
    return "index" if ideas and ideas <= {"count", "points"} else ""


def column_head(lines: list[TextLine], table: Table) -> Head:
    """Return names and units of the columns of a table, from its cells and from the lines just above it."""
    names = ["" for _ in table.cells]
    units: list[str | None] = [unit or None for unit in table.units]
    head = Head(names, units, [])
    nearest = table.first_line
    skipped = False
    above = [line for line in lines if line.line < table.first_line]  # what stood beside the rows is no heading
    for line in list(reversed(above))[:8]:
        if line.line < nearest - 3:
            break
        nearest = line.line
        cells = _header_cells(line.text, table)
        if cells is not None and skipped and not _names_both(cells):
            cells = None  # with settings between it and the rows, only plain names count
        if cells is None:
            skipped = skipped or not _separator(line.text)
            if _separator(line.text) or (not any(names) and any(e.meaning for e in entries_of([line]))):
                continue
            break
        if any(names):
            if _add_units(head, cells, table):
                head.lines.insert(0, line.line)
                continue
            if _add_modes(head, cells, table):
                head.lines.insert(0, line.line)
            break
        head.lines.insert(0, line.line)
        if len(cells) == len(table.cells) - 1 == table.width - 1 and is_index(table.columns[0]):
            cells = ("", *cells)  # the count of rows has no name
        for column, cell in enumerate(table.cells):
            text = cells[cell] if cell < len(cells) else ""
            unit, name = find_unit(text.strip())
            if unit is None and unit_kind(text.strip("[]() ")):
                unit, name = text.strip("[]() "), ""
            if unit is not None and units[column] is None:
                units[column] = unit
            if name.strip(" ()[]"):
                names[column] = re.sub(r"\(\s*\)|\[\s*\]", "", name).strip(" \"'")
    _name_pairs(head)
    return head


def _name_pairs(head: Head) -> None:
    """Give a column of levels the name of its trace where that stands over the frequencies beside it."""
    for column in range(1, len(head.names)):
        name = head.names[column - 1]
        over = unit_kind(head.units[column - 1] or "") == "frequency" and unit_kind(head.units[column] or "") == "level"
        if over and not head.names[column] and (trace_mode_of(name) or "trace" in ideas_of(name)[0]):
            head.names[column], head.names[column - 1] = name, ""


def _names_both(cells: tuple[str, ...]) -> bool:
    """Say whether cells name a frequency and a level."""
    roles = {role_of(name, unit) for unit, name in map(find_unit, cells)}
    return "frequency" in roles and bool(roles & {"level", ""})


def _add_units(head: Head, cells: tuple[str, ...], table: Table) -> bool:
    """Add the units that stand alone in a line above the names, where there are none yet."""
    own = [cells[cell].strip("[]() ") if cell < len(cells) else "" for cell in table.cells]
    if any(head.units) or not any(own) or not all(unit_kind(cell.strip("[]() ")) for cell in cells if cell):
        return False
    head.units[:] = [unit or None for unit in own]
    return True


def _add_modes(head: Head, cells: tuple[str, ...], table: Table) -> bool:
    """Add the trace modes that a second line of names tells (``Trace 1`` below ``Max Hold``)."""
    added = False
    for column, cell in enumerate(table.cells):
        text = cells[cell].strip() if cell < len(cells) else ""
        if not text and column and head.role(column) == "level" and head.role(column - 1) == "frequency":
            before = table.cells[column - 1]  # a name over both columns of a pair
            text = cells[before].strip() if before < len(cells) else ""
        if trace_mode_of(text) and not trace_mode_of(head.names[column]) and head.role(column) != "frequency":
            head.names[column] = f"{head.names[column]} {text}".strip()
            added = True
    return added


def _separator(text: str) -> bool:
    """Say whether a line only parts the rows from what is above: dashes, or a word such as BEGIN or [Data]."""
    text = uncommented(text).strip(" ;,\t")
    return not any(c.isalnum() for c in text) or re.fullmatch(r"[\[<(]?\w+( \w+)?[\])>]?:?", text) is not None


def _header_cells(text: str, table: Table) -> tuple[str, ...] | None:
    """Return the cells of a line if it names the columns of the table, None if it does not."""
    if len(text) > LONGEST_LINE and len(table.cells) < _MANY:
        return None
    return _cells_of_header(text, table.dialect, table.cells, table.width)


@lru_cache(maxsize=256)
def _cells_of_header(text: str, dialect: Dialect, columns: tuple[int, ...], width: int) -> tuple[str, ...] | None:
    text = text.strip(" ") if text.lstrip().startswith(f"#{dialect.delimiter.strip() or chr(9)}") else uncommented(text)
    cells = _spread(text, columns) if dialect.delimiter == " " else _cut(text, dialect.delimiter)
    if not cells or (len(cells) > width + 2 and (len(cells) > width + 8 or role_of(*find_unit(cells[0])[::-1]) == "")):
        return None  # blanked columns at the end have names too
    if any(_STATED.search(cell) for cell in cells):
        return None
    kinds = [classify(cell, dialect.decimal)[0] for cell in cells]
    if "N" in kinds or (kinds.count("D") and role_of(*find_unit(cells[0])[::-1]) != "frequency"):
        return None  # times are names where each column is a sweep
    if all(not cell or unit_kind(cell.strip("[]() ")) for cell in cells):
        return tuple(cells)
    several = len(columns) > 1
    named = [cell for cell in cells if cell]
    if several and len(named) > 1 and all(trace_mode_of(cell) or "trace" in ideas_of(cell)[0] for cell in named):
        return tuple(cells)
    first = key_of(cells[0]) if cells[0] else None
    kind = unit_kind(find_unit(cells[0])[0] or "")
    setting = first is not None and first.concept not in ("trace", "points", "start", "when") and kind != "level"
    if several and (setting or sum(1 for cell in cells if cell) < 2):
        return None
    roles = [role_of(name, unit) for unit, name in map(find_unit, cells)]
    if not several and ("level" not in roles or setting or _is_title(cells[0])):
        return None
    return tuple(cells) if any(roles) else None


def _cut(text: str, delimiter: str) -> list[str]:
    cells = [cell.strip(' "\t') for cell in split_row(text, delimiter)]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _spread(text: str, columns: tuple[int, ...]) -> list[str] | None:
    """Cut a heading over columns parted by white space: names may hold blanks themselves."""
    ways = (r"\t|\s{2,}", r"\s+", r"(?<=[\])])\s+", r"[,;]\s*")
    for way in ways:
        cells = [cell.strip(' "') for cell in re.split(way, text.strip()) if cell.strip()]
        if len(cells) == len(columns):
            spread = [""] * (max(columns) + 1)
            for cell, name in zip(columns, cells, strict=True):
                spread[cell] = name
            return spread
    cells = text.split()
    if len(cells) < len(columns) and all(unit_kind(cell.strip("[]()")) for cell in cells):
        return [""] * (max(columns) + 1 - len(cells)) + cells  # a count in front has no unit
    return None


def _is_title(text: str) -> bool:
    """Say whether a single cell is a heading such as ``Trace data`` rather than a column's name."""
    ideas, _, _ = ideas_of(text)
    return "data" in ideas and find_unit(text)[0] is None


def is_index(values: FloatArray) -> bool:
    """Say whether a column counts its rows: 0, 1, 2, ... or 1, 2, 3, ..."""
    return bool(
        values.size > 1 and values[0] in (0.0, 1.0) and np.array_equal(values, values[0] + np.arange(values.size))
    )


def tells_axis(facts: Facts) -> bool:
    """Say whether a preamble gives the axis without a frequency column."""
    have = {concept for concept in ("start", "stop", "centre", "span", "step") if facts.get(concept) is not None}
    return any(pair <= have for pair in ({"start", "stop"}, {"centre", "span"}, {"start", "span"}, {"start", "step"}))


def frequency_columns(head: Head, table: Table, facts: Facts) -> list[int]:
    """Return which columns hold frequencies: by name, by unit, or because they rise; none for level-only rows.

    More than one where sweeps stand side by side.

    A column that rises but for a few rows is a frequency column with a fault, not a trace: it is returned, so that
    the fault is told.
    """
    columns = range(len(table.cells))
    named = [c for c in columns if head.role(c) == "frequency"]
    named = named or [c for c in columns if head.role(c) == "x"]
    if named:
        return named
    open_ = [c for c in columns if head.role(c) in ("", "other") and not _over_time(head, c)]
    if len(columns) == 1:
        open_ = [] if tells_axis(facts) else open_
    rising = [c for c in open_ if _share_rising(table.columns[c]) == 1.0]
    proper = [c for c in rising if not is_index(table.columns[c])]
    if proper:
        return proper
    if len(columns) > 1:
        candidates = [c for c in open_ if not is_index(table.columns[c])]
        for c in candidates:
            share = _share_rising(table.columns[c])
            if table.rows >= 8 and (share >= 0.75 or share <= 0.1):
                return [c]
        if not tells_axis(facts) and candidates:
            return [candidates[0]]
    return []


def _over_time(head: Head, column: int) -> bool:
    """Say whether a column tells times, by its unit or its name: it rises, and is no frequency."""
    return unit_kind(head.units[column] or "") == "time" or "time" in ideas_of(head.names[column])[0]


def _share_rising(values: FloatArray) -> float:
    """Return the share of points that lie above the one before; a sweep beside longer ones ends in gaps."""
    if values.size and math.isnan(values[-1]):
        known = np.flatnonzero(np.isfinite(values))
        values = values[: int(known[-1]) + 1 if known.size else 0]
    return float((values[1:] > values[:-1]).mean()) if values.size > 1 else 0.0
