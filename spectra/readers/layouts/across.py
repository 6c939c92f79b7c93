"""Rows across: one row per sweep or per trace, levels side by side.

Specimens (names invented)::

    Start;1173;MHz                          Frequency (MHz),950.0,950.5,951.0, ...
    Stop;1233;MHz                           Average (dBm),-81.2,-81.0,-80.7, ...
    2026-03-02 10:00:00;-91.2;-91.0; ...    Max hold (dBm),-77.0,-76.4,-76.9, ...
    2026-03-02 10:00:10;-91.3;-90.8; ...

Rows with a time are sweeps of their own; rows with a name are traces of one sweep. The axis stands in a row of its
own or in the preamble.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.cells import LONGEST_CELL, bare_number, classify, find_unit, is_time, number, split_row, unit_kind
from spectra.readers.dialect import Dialect, row_of
from spectra.readers.document import Document, Glimpse, glimpse
from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.facts import Facts
from spectra.readers.outline import TextLine
from spectra.readers.preamble import cells_of, entries_of, uncommented
from spectra.readers.words import ideas_of, trace_mode_of
from spectra.units import FloatArray

__all__ = ["LongRow", "long_rows", "read_across", "sniff_across"]

_FRONT = 4000
_MANY = 16
_SOME = 8
_FEW = 3
_SHORT = 300
_MOST_SHORT = 2000


@dataclass(frozen=True, slots=True)
class LongRow:
    """One row: line, the cells before the numbers, the numbers (NaN where a cell says "no value")."""

    line: int
    labels: tuple[str, ...]
    values: FloatArray

    @property
    def stamp(self) -> str:
        """The date and time among the labels."""
        return " ".join(label for label in self.labels if is_time(label))

    @property
    def name(self) -> str:
        """The words among the labels."""
        return " ".join(label for label in self.labels if label and not is_time(label) and not unit_kind(label))

    @property
    def unit(self) -> str | None:
        """The unit among the labels or in the name."""
        return next((label for label in self.labels if unit_kind(label)), None) or find_unit(self.name)[0]


def sniff_across(head: str) -> float:
    """Say how surely each row of a text is a whole sweep or trace."""
    seen = glimpse(head)
    for line in seen.lines:
        if max(map(line.count, ",;\t")) < _FEW and line.count(" ") < _SOME:
            continue
        cells = _long_cells(line)
        if cells is None:
            continue
        labels, numbers = cells
        if numbers >= _MANY:
            return 0.0 if not labels and _are_points(seen) else 0.8
        if numbers < _FEW or not labels:
            continue
        name = " ".join(labels)[:60]
        timed = any(map(is_time, labels))
        named = bool({"freq", "level", "trace"} & ideas_of(name)[0]) or trace_mode_of(name) is not None
        if numbers >= _SOME and (named or timed):
            return 0.75
        if timed and not _rises_down(seen):
            return 0.6
    return 0.0


def _are_points(seen: Glimpse) -> bool:
    """Say whether wide rows of numbers are points with many traces: their first number rises, and is a frequency.

    It is one if a heading says so, or if nothing above tells the axis that a count or a time in front would leave open.
    """
    if seen.row is None or seen.dialect is None or not _rises_down(seen, first_only=True):
        return False
    titles = [cells_of(uncommented(line), ".") for line in seen.front[-3:]]
    if any(cells and "freq" in ideas_of(cells[0][:60])[0] for cells in titles if len(cells) >= len(seen.row.kinds) - 1):
        return True
    lines = [TextLine(at, line) for at, line in enumerate(seen.front, 1)]
    return not any(e.meaning and e.meaning.concept in ("start", "stop", "centre", "span") for e in entries_of(lines))


def _rises_down(seen: Glimpse, *, first_only: bool = False) -> bool:
    """Say whether some column (or the first) rises row by row: then the rows are points, not sweeps."""
    if seen.row is None or seen.dialect is None:
        return False
    kinds = seen.row.kinds
    rows = [row_of(text, seen.dialect) for text in seen.rows]
    if len(rows) < 2 or any(r.kinds != kinds for r in rows):
        return False
    for i in [i for i, kind in enumerate(kinds) if kind == "N"][: 1 if first_only else None]:
        values = [number(r.texts[i], seen.dialect.decimal) or 0.0 for r in rows]
        if values[0] >= 0.0 and all(b > a for a, b in pairwise(values)):
            return True
    return False


def _long_cells(line: str) -> tuple[list[str], int] | None:
    """Return labels and count of numbers of a line that could be a row across (looking at its first cells only)."""
    if len(line) < 12:
        return None
    dialect = dialect_of_row(uncommented(line))
    cells = split_row(uncommented(line)[:4000], dialect.delimiter)
    kinds = [classify(cell, dialect.decimal)[0] for cell in cells[:64]]
    first = next((i for i, kind in enumerate(kinds) if kind in "NX"), None)
    if first is None or first > 4 or "T" in kinds[first:-1] or "D" in kinds[first:]:
        return None
    return [cell.strip(' "\t:') for cell in cells[:first]], sum(1 for kind in kinds[first:] if kind == "N")


def dialect_of_row(line: str) -> Dialect:
    for delimiter in (";", "\t", "|"):
        if line.count(delimiter) >= 2:
            return Dialect(delimiter, "," if "," in line else ".")
    if line.count(",") >= 2:
        return Dialect(",", ".")
    return Dialect(" ", "," if "," in line else ".")


def long_rows(
    document: Document, few: int = _FEW, begins: Callable[[LongRow, LongRow], bool] | None = None
) -> tuple[list[LongRow], list[TextLine], str]:
    """Return the rows across of a document, its other lines, and the decimal mark.

    `begins` says whether a row after another begins a sweep (every row does where it is not given).

    Raises
    ------
    SweepFormatError
        If a row breaks off, or there are very many sweeps of few points, which is no recording of sweeps.
    """
    rows: list[LongRow] = []
    lines: list[TextLine] = []
    labels: dict[tuple[str, ...], tuple[str, ...]] = {}  # the same time stands in row after row: kept once
    short, most = 0, _MOST_SHORT + len(document.source.data) // 1000
    decimal = "."
    dialect: Dialect | None = None
    at, line, data = 0, 0, document.source.data
    while at < len(data):
        end = data.find(b"\n", at) + 1 or len(data)
        line += 1
        text = data[at:end].decode("utf-8", "replace").strip("\r\n\x1a\f")
        at = end
        if not text.strip():
            continue
        row = long_row(line, uncommented(text), dialect or dialect_of_row(uncommented(text)))
        if row is not None and dialect is None and row.values.size >= few:
            dialect = dialect_of_row(uncommented(text))
            decimal = dialect.decimal
        if row is None:
            _check_broken(document.name, line, uncommented(text), dialect or dialect_of_row(uncommented(text)), few)
        if row is None or row.values.size < few:
            if rows and row is not None and row.stamp:
                raise _cut_short(document.name, line, row.values.size, rows[-1].values.size)
            lines.append(TextLine(line, text.strip()))
            continue
        if len(text) < _SHORT and (begins is None or not rows or begins(row, rows[-1])):
            short += 1
            if short > most:
                raise SweepFormatError(
                    document.name,
                    line,
                    f"more than {most} sweeps of few points",
                    "sweeps of more points",
                    "Save a trace point by point, or split the file.",
                )
        rows.append(replace(row, labels=labels.setdefault(row.labels, row.labels)))
    return rows, lines, decimal


def _check_broken(name: str, line: int, text: str, dialect: Dialect, few: int) -> None:
    """Refuse a row that has a time and levels like the others, and a cell that is no number."""
    cells = split_row(text, dialect.delimiter)
    if len(cells) <= few or not is_time(cells[0]):
        return
    kinds = [classify(cell, dialect.decimal)[0] for cell in cells]
    if kinds.count("N") >= max(few, len(cells) // 2) and "T" in kinds:
        bad = cells[kinds.index("T")].strip()[:40]
        raise SweepFormatError(
            name, line, f"{bad!r} among the levels", "a number in every cell", "Save it again, or delete that row."
        )


def long_row(line: int, text: str, dialect: Dialect) -> LongRow | None:
    """Return the labels and numbers of a line, None if something else than numbers follows the labels."""
    front = split_row(text[:_FRONT], dialect.delimiter)[:6]
    first = next((i for i, cell in enumerate(front) if classify(cell, dialect.decimal)[0] in "NX"), None)
    if first is None:
        return None
    labels = tuple(cell.strip(' "\t:#!') for cell in front[:first])
    if len(text) > _FRONT and '"' not in text[:_FRONT]:
        values = _bulk(text, first, dialect)
        if values is not None:
            return LongRow(line, labels, values)
    cells = split_row(text, dialect.delimiter)[first:]
    while cells and not cells[-1].strip(' "'):
        cells.pop()
    units = set()
    if len(cells) > _FEW and unit_kind(cells[-1].strip(' "[]()')):
        units.add(cells.pop().strip(' "[]()'))  # the unit of the row behind its numbers
    found = array("d")
    for cell in cells:
        value = bare_number(cell.strip(' "\t'), dialect.decimal)
        if value is None:
            value, unit = _cell_value(cell, dialect.decimal)
            units.update((unit,) if unit else ())
        if value is None:
            return None
        found.append(value)
    if len(units) == 1 and not any(unit_kind(label) for label in labels):
        labels = (*labels, *units)
    elif len(units) > 1:
        return None
    return LongRow(line, labels, np.array(found, dtype=np.float64))


def _bulk(text: str, first: int, dialect: Dialect) -> FloatArray | None:
    """Return the numbers after the labels of a long line in one go, None where a cell is no bare number."""
    at = 0
    for _ in range(first):
        at = text.find(dialect.delimiter, at) + 1
        if at == 0 or dialect.delimiter == " ":
            return None
    rest = text[at:].rstrip(f"{dialect.delimiter} \t")
    allowed = f"0123456789+-eE{dialect.decimal}{dialect.delimiter} "
    if rest.encode("ascii", "replace").translate(None, allowed.encode()) or dialect.delimiter in ("", dialect.decimal):
        return None
    cells = rest.replace(dialect.decimal, ".").split(None if dialect.delimiter == " " else dialect.delimiter)
    try:
        return np.array(list(map(float, cells))) if max(map(len, cells)) <= LONGEST_CELL else None
    except ValueError:
        return None


def _cell_value(cell: str, decimal: str) -> tuple[float | None, str]:
    kind, text, unit = classify(cell, decimal)
    if kind == "N":
        return number(text, decimal), unit
    return (float("nan") if kind in "XE" else None), ""


def _cut_short(name: str, line: int, found: int, expected: int) -> SweepFormatError:
    return SweepFormatError(
        name,
        line,
        f"a row of {found} levels",
        f"{expected} levels in every row",
        "The file may be cut short: save it again, or delete that row.",
    )


def read_across(document: Document) -> list[Draft]:
    """Return the drafts of rows across."""
    rows, lines, decimal = long_rows(document)
    rows = _without_small_tables(document, rows)
    facts = document.facts(lines, decimal)
    if not rows:
        raise SweepFormatError(
            document.name, None, "no rows of levels", "a row of levels for each sweep", "Save the trace again."
        )
    axis_row = _axis_row(rows)
    sweeps = [row for row in rows if row is not axis_row]
    if not sweeps:
        raise SweepFormatError(
            document.name, rows[0].line, "a row of frequencies alone", "rows of levels with it", "Save the levels too."
        )
    axis = unit = None
    if axis_row is not None:
        axis, unit = axis_row.values, axis_row.unit
        document.used_lines[axis_row.line] = "the frequencies"
    sweeps = [_trimmed(row, axis, facts, document.name) for row in sweeps]
    level_unit = _level_unit(lines)
    if not any(row.stamp for row in sweeps) and (len(sweeps) == 1 or all(row.name for row in sweeps)):
        columns = [
            TraceColumn(
                find_unit(row.name)[1] or f"trace {i + 1}",
                row.values,
                row.unit or level_unit,
                i + 1,
                trace_mode_of(row.name),
                i,
            )
            for i, row in enumerate(sweeps)
        ]
        span = (sweeps[0].line, sweeps[-1].line)
        return [Draft("row-per-trace", axis, unit, columns, facts, span, line_per_row=False)]
    drafts = []
    for row in sweeps:
        column = TraceColumn(row.name or "trace 1", row.values, row.unit or level_unit, 1)
        own = replace(facts, readings=dict(facts.readings), conflicts=list(facts.conflicts))
        own.readings.pop("points", None)
        draft = Draft("row-per-sweep", axis, unit, [column], own, (row.line, row.line), line_per_row=False)
        draft.stamp = _stamp(row, facts)
        drafts.append(draft)
    return drafts


def _without_small_tables(document: Document, rows: list[LongRow]) -> list[LongRow]:
    """Leave out rows of a few numbers without a time among sweeps with one: a table of markers, perhaps."""
    most = max((row.values.size for row in rows if row.stamp), default=0)
    if most < _MANY:
        return rows
    small = [row for row in rows if not row.stamp and row.values.size * 4 < most]
    if small:
        document.left_out.append(f"lines {small[0].line} to {small[-1].line}: a small table")
    return [row for row in rows if row.stamp or row.values.size * 4 >= most]


def _stamp(row: LongRow, facts: Facts) -> str | None:
    """Return date and time of a row; a time of day alone takes the date of the preamble."""
    if not row.stamp:
        return None
    date = facts.text("when")
    dated = any(mark in row.stamp for mark in "-/") or row.stamp.count(".") >= 2
    return row.stamp if dated or not date else f"{date.split(' ')[0].split('T')[0]} {row.stamp}"


def _level_unit(lines: list[TextLine]) -> str | None:
    """Return the unit of levels in a heading above the rows, such as ``Time;Level (dBm)``."""
    for line in lines[-2:]:
        for cell in uncommented(line.text).replace(";", ",").split(","):
            unit, _ = find_unit(cell)
            if unit is not None and unit_kind(unit) in ("level", "ratio", "other_level") and ":" not in cell:
                return unit
    return None


def _axis_row(rows: list[LongRow]) -> LongRow | None:
    """Return the row that holds the frequencies: by name, or the first if it alone rises throughout."""
    for row in rows[:8]:
        unit = row.unit
        ideas = ideas_of(row.name[:60])[0]
        if "freq" in ideas or (unit is not None and unit_kind(unit) == "frequency"):
            return row
    first = rows[0]
    if len(rows) > 1 and not (first.stamp and first.values.size != rows[1].values.size):
        rises = _rises(first.values) and first.values.size >= _FEW
        if rises and not _rises(rows[1].values) and not is_time(first.labels[0] if first.labels else ""):
            return first
    return None


def _rises(values: FloatArray) -> bool:
    return bool((values[1:] > values[:-1]).all())


def _trimmed(row: LongRow, axis: FloatArray | None, facts: Facts, name: str) -> LongRow:
    """Cut leading numbers that are no levels (a count or a time in seconds); refuse a row of another length."""
    stated = facts.number("points")
    wanted = axis.size if axis is not None else int(stated) if stated is not None else row.values.size
    spare = row.values.size - wanted
    if spare in (1, 2) and row.values[0] >= 0.0:
        return replace(row, values=row.values[spare:])
    if spare:
        raise _cut_short(name, row.line, row.values.size, wanted)
    return row
