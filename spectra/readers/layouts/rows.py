"""Rows of points: frequency and one to many levels in columns of any order, or levels only; one block or several.

Specimens (names invented)::

    Start,950.0,MHz                                  Centre: 1450 MHz
    RBW,100,kHz                                      Span: 60 MHz
    Frequency (MHz),Average (dBm),Max hold (dBm)     Unit: dBm
    950.0,-81.2,-77.0                                -81.2
    951.2,-81.0,-76.4                                -81.0

A second table of the same length over the same frequencies, under a heading that names another trace, is another
trace of the sweep; any other second table is a sweep of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.dialect import row_of
from spectra.readers.document import Document, glimpse
from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.facts import Facts
from spectra.readers.layouts.below import sweeps_below
from spectra.readers.layouts.common import Head, column_head, frequency_columns, is_index, tells_axis
from spectra.readers.outline import Section, TextLine
from spectra.readers.preamble import uncommented
from spectra.readers.table import Table
from spectra.readers.words import ideas_of, trace_mode_of
from spectra.units import FloatArray

__all__ = ["read_rows", "sniff_level_rows", "sniff_rows"]

_MOST_LONE = 20
_A_VALUE = re.compile(r"[,;\t]\s*[-+.0-9]")
_OWN_TO_TRACE = ("detector", "averages", "trace_mode", "average_type")


def sniff_rows(head: str) -> float:
    """Say how surely a text holds rows of frequency and level."""
    row = glimpse(head).row
    return 0.0 if row is None else 0.5 if row.numbers >= 2 else 0.1


def sniff_level_rows(head: str) -> float:
    """Say how surely a text holds rows of one level each."""
    row = glimpse(head).row
    return 0.4 if row is not None and row.numbers == 1 else 0.0


@dataclass(slots=True)
class _Block:
    """A table with the lines above it and what they say."""

    section: Section
    table: Table
    facts: Facts
    head: Head
    title: str = ""
    lines: list[TextLine] = field(default_factory=list)


def read_rows(document: Document) -> list[Draft]:
    """Return the drafts of the sweeps in the tables of a document."""
    blocks = _blocks(document)
    base = blocks[0].facts
    drafts: list[Draft] = []
    pages: set[int] = set()
    traces = _Traces()
    for place, block in enumerate(blocks):
        facts = base if place == 0 else base.over(block.facts)
        beside = _drafts(document, block, facts)
        if len(beside) > 1:
            drafts += beside
            traces = _Traces(drafts[-1].columns)
            continue
        draft = beside[0]
        if place and drafts and _same_sweep(drafts[-1], draft, block, traces):
            _add_trace(drafts[-1], draft, block, traces)
            continue
        if place and drafts:
            _check_levels(document.name, drafts[-1], draft, block)
        if place and drafts and _goes_on(drafts[-1], draft, block):
            pages.add(len(drafts))
        elif place == 0 and len(blocks) > 1:
            _name_single(draft, block)
        drafts.append(draft)
        traces = _Traces(draft.columns)
    return _bound(drafts, pages)


def _goes_on(before: Draft, draft: Draft, block: _Block) -> bool:
    """Say whether a block is the next page of the sweep before it: same heading, no settings, the next frequency.

    Or no heading, where a blank line or a remark parts the rows.
    """
    old, new = before.axis, draft.axis
    if old is None or new is None or old.size < 2 or new.size < 2 or block.facts.readings:
        return False
    if _without_heading(block) and len(before.columns) == len(draft.columns):
        units = draft.axis_unit in (None, before.axis_unit) and all(
            new.unit in (None, old.unit) for old, new in zip(before.columns, draft.columns, strict=True)
        )
    else:
        names = [(c.name, c.unit) for c in before.columns] == [(c.name, c.unit) for c in draft.columns]
        units = names and before.axis_unit == draft.axis_unit
    if not units or _name_of(block) != ("", None, None):
        return False
    step = float(old[-1] - old[-2])
    return step > 0.0 and abs(new[0] - old[-1] - step) <= 0.05 * step and abs(new[1] - new[0] - step) <= 0.05 * step


def _without_heading(block: _Block) -> bool:
    """Say whether nothing between a block and the rows before it says that something new begins."""
    return not block.head.lines and not block.facts.readings and _name_of(block) == ("", None, None)


def _check_levels(name: str, before: Draft, draft: Draft, block: _Block) -> None:
    """Refuse levels that stand in parts: each part would be laid over the whole span."""
    parts = before.axis is None and draft.axis is None and _without_heading(block)
    if parts and before.columns[0].values.size != draft.columns[0].values.size:
        raise SweepFormatError(
            name,
            draft.lines[0],
            f"levels that go on after line {before.lines[1]}, without a heading",
            "the levels of a trace in one piece: the axis hangs on their count",
            "Take out the lines between them, or save the trace again.",
        )


def _bound(drafts: list[Draft], pages: set[int]) -> list[Draft]:
    """Return drafts with the pages of one sweep bound together; `pages` are places of drafts that go on."""
    found: list[Draft] = []
    at = 0
    while at < len(drafts):
        end = at + 1
        while end in pages:
            end += 1
        first, parts = drafts[at], drafts[at:end]
        if len(parts) > 1:
            first.axis = np.concatenate([part.axis for part in parts if part.axis is not None])
            for place, column in enumerate(first.columns):
                column.values = np.concatenate([part.columns[place].values for part in parts])
            first.lines, first.line_per_row = (first.lines[0], parts[-1].lines[1]), False
            first.assumptions.append(f"{len(parts)} tables that go on from one another read as pages of one sweep")
        found.append(first)
        at = end
    return found


def _blocks(document: Document) -> list[_Block]:
    """Return the tables that are traces, each with its facts; tables of markers and limits are left out."""
    outline = document.outline
    sections = [s for s in outline.sections if s.table is not None]
    if not sections:
        raise _no_rows(document)
    most = max(s.table.rows for s in sections if s.table is not None)
    traced = max((s.table.rows for s in sections if s.table is not None and not _beside_the_point(s.lines)), default=0)
    kept: list[tuple[list[TextLine], Section, Table]] = []
    carried: list[TextLine] = []
    for section in sections:
        table = section.table
        assert table is not None
        title = _title(section.lines)
        aside = _beside_the_point(section.lines)
        if table.rows < 2 or (
            len(sections) > 1 and (table.rows < 0.2 * most or (aside and (table.rows < most or table.rows <= traced)))
        ):
            document.left_out.append(
                f"lines {table.first_line} to {table.last_line}: a small table ({title or 'rows'})"
            )
            carried += section.lines
            continue
        if aside and len(sections) == 1:
            raise SweepFormatError(
                document.name,
                section.lines[-1].line,
                f"a table of found signals ({title!r})",
                "the points of a trace",
                "Save the trace itself, not the list of markers, peaks or signals.",
            )
        kept.append(([*carried, *section.lines], section, table))
        carried = []
    _tell_lone_rows(document, kept[0][2] if kept else None)
    if not kept:
        table = sections[0].table
        assert table is not None
        raise SweepFormatError(
            document.name, table.first_line, "a single row", "a trace of at least 2 points", "Save the whole trace."
        )
    blocks = []
    for at, (lines, section, table) in enumerate(kept):
        head = column_head(section.lines, table)
        _check_commas(document.name, head, table)
        document.used_lines.update(dict.fromkeys(head.lines, "names of the columns"))
        own = [line for line in lines if line.line not in head.lines]
        if at == 0 and len(kept) == 1:
            own += outline.sections[-1].lines if outline.sections[-1].table is None else []
        facts = document.facts(own, table.dialect.decimal)
        blocks.append(_Block(section, table, facts, head, _title(own), own))
    return blocks


def _check_commas(name: str, head: Head, table: Table) -> None:
    """Refuse rows whose decimal commas look like commas between cells: more whole numbers than names."""
    if table.dialect.delimiter != "," or len(table.cells) < 3:
        return
    named = sum(1 for each in head.names if each)
    if named == len(table.cells) or any(head.names[named:]) or not all(head.names[:named]):
        return
    whole = [bool((np.isfinite(c) & (c == np.rint(c))).all()) for c in table.columns]
    behind = table.columns[-1]
    if whole[-1] and whole[-2] and bool((behind >= 0.0).all()) and bool((table.columns[-2] < 0.0).any()):
        raise SweepFormatError(
            name,
            table.first_line,
            f"rows of {len(table.cells)} whole numbers under {named} names",
            "as many cells as names: the comma seems to part the cells and to be the decimal mark too",
            "Export again with another delimiter, or with '.' as decimal mark.",
        )


def _tell_lone_rows(document: Document, table: Table | None) -> None:
    """Tell of rows of numbers that stand on their own after a table."""
    if table is None:
        return
    found = 0
    for line in (line for section in document.outline.sections for line in section.lines):
        if line.line > table.last_line and line.text[:1] in '0123456789+-.,"' and found < _MOST_LONE:
            row = row_of(line.text, table.dialect)
            if row.numeric and row.numbers >= len(table.cells):
                document.left_out.append(f"line {line.line}: a row of numbers on its own ({line.text[:40]!r})")
                found += 1


def _no_rows(document: Document) -> SweepFormatError:
    singles = document.outline.single_rows
    if singles:
        return SweepFormatError(
            document.name,
            singles[0].line,
            "1 point",
            "a trace of at least 2 points, rows alike",
            "Save the whole trace as CSV.",
        )
    return SweepFormatError(
        document.name,
        None,
        "text without rows of numbers",
        "a sweep: rows of frequency and level",
        "Save the trace as CSV.",
    )


def _title(lines: list[TextLine]) -> str:
    return uncommented(lines[-1].text).strip(' ;,\t"[]')[:40] if lines else ""


def _beside_the_point(lines: list[TextLine]) -> bool:
    """Say whether the lines just above a table call it markers, peaks, limits or signals."""
    for line in lines[-2:]:
        text = uncommented(line.text)
        if any(c.isdigit() for c in text) and (":" in text or "=" in text or _A_VALUE.search(text)):
            continue
        ideas, _, _ = ideas_of(re.split(r"[,;\t]", text[:60])[0])
        if ideas & {"marker", "limit"} and not trace_mode_of(text) and "det" not in ideas:
            return True
    return False


def _drafts(document: Document, block: _Block, facts: Facts) -> list[Draft]:
    """Return the draft of a block, or those of sweeps that stand side by side in it."""
    head, table = block.head, block.table
    lines = (table.first_line, table.last_line)
    frequencies = [] if _wrapped(head, table, facts) else frequency_columns(head, table, facts)
    if not frequencies:
        columns = _level_columns(head, table, range(len(table.cells)))
        if not columns:
            raise _no_levels(document.name, table)
        return [Draft("level-rows", None, None, _unwrapped(columns, head, table, facts), facts, lines)]
    first = frequencies[0]
    axis = table.columns[first]
    others = [c for c in frequencies[1:] if not np.array_equal(table.columns[c], axis)]
    stacked = [b for a, b in pairwise(frequencies) if b == a + 1]
    if others and stacked:
        first = _axis_of_several(document, head, table, frequencies)
        axis, others = table.columns[first], []
    if not others:
        columns = _level_columns(head, table, [c for c in range(len(table.cells)) if c not in frequencies])
        if not columns:
            raise _no_levels(document.name, table)
        aside = [n for c, n in enumerate(head.names) if n and head.role(c) == "other" and c not in frequencies]
        document.left_out += [f"column {name!r}" for name in aside]
        draft = Draft("frequency-level-rows", axis, head.units[first], columns, facts, lines)
        draft.mixed_units = first in table.mixed
        return sweeps_below(document, draft, table, first)
    drafts = []
    starts = [first, *others]
    for start, stop in zip(starts, [*others, len(table.cells)], strict=True):
        columns = _level_columns(head, table, range(start + 1, stop))
        if not columns:
            raise _no_levels(document.name, table)
        own = replace(facts, readings=dict(facts.readings), conflicts=[*facts.conflicts])
        axis = table.columns[start]
        count = _length(axis)
        for column in columns:
            column.values = column.values[:count]
        draft = Draft(
            "sweeps-side-by-side", axis[:count], head.units[start], columns, own, (lines[0], lines[0] + count - 1)
        )
        draft.mixed_units = start in table.mixed
        if count < axis.size:
            draft.assumptions.append(f"this sweep ends at line {lines[0] + count - 1}, before others beside it")
        drafts.append(draft)
    return drafts


def _length(axis: FloatArray) -> int:
    """Return how many points a sweep beside others has: to where its frequencies end."""
    known = np.flatnonzero(np.isfinite(axis))
    return int(known[-1]) + 1 if known.size else 0


def _axis_of_several(document: Document, head: Head, table: Table, frequencies: list[int]) -> int:
    """Return which of several columns of frequency in front of the levels is that of the sweep: the one called IF."""
    kept = [c for c in frequencies if not {"offset", "step", "span"} & ideas_of(head.names[c])[0]]
    called = [c for c in kept if "if" in ideas_of(head.names[c])[0]]
    if len(called or kept) != 1:
        raise SweepFormatError(
            document.name,
            table.first_line,
            f"{len(frequencies)} columns of frequency that differ",
            "one frequency for each level",
            "Delete the column that is not the frequency at the analyser.",
        )
    chosen = (called or kept)[0]
    left = ", ".join(head.names[c] or f"column {table.cells[c] + 1}" for c in frequencies if c != chosen)
    document.left_out.append(f"columns {left}: the frequency is {head.names[chosen] or 'the other column'}")
    return chosen


def _no_levels(name: str, table: Table) -> SweepFormatError:
    return SweepFormatError(
        name, table.first_line, "rows without levels", "a level in every row", "Save frequency and level."
    )


def _wrapped(head: Head, table: Table, facts: Facts) -> bool:
    """Say whether levels are written several to a line: the count of points and an axis of the preamble say so."""
    count = len(table.cells)
    return facts.number("points") == table.rows * count and count > 1 and not any(head.names) and tells_axis(facts)


def _unwrapped(columns: list[TraceColumn], head: Head, table: Table, facts: Facts) -> list[TraceColumn]:
    """Return levels written several to a line as the one trace that they are, where the count of points says so."""
    points = facts.number("points")
    if points is None or len(columns) < 2 or table.rows * len(columns) != points or any(head.names):
        return columns
    return [TraceColumn("trace 1", np.column_stack([c.values for c in columns]).reshape(-1), columns[0].unit, 1)]


def _level_columns(head: Head, table: Table, among: Iterable[int]) -> list[TraceColumn]:
    """Return the columns that hold levels, named as the file names them."""
    found: list[TraceColumn] = []
    for column in among:
        role, values = head.role(column), table.columns[column]
        if role in ("index", "other", "frequency", "x"):
            continue
        if role == "" and len(table.cells) > 1 and is_index(values):
            continue
        name, position = head.names[column], len(found)
        ideas, _, number = ideas_of(name)
        trace = number if number and "trace" in ideas else position + 1
        mode = trace_mode_of(name)
        found.append(TraceColumn(name or f"trace {position + 1}", values, head.units[column], trace, mode, position))
    _Traces(found)  # makes the names differ
    return found


class _Traces:
    """The traces of a sweep so far: what is taken, so that each new one gets a name and a number of its own."""

    def __init__(self, columns: Iterable[TraceColumn] = ()) -> None:
        self.names: dict[str, int] = {}
        self.kinds: set[tuple[str, str | None]] = set()
        self.numbers: set[int | None] = set()
        for column in columns:
            self.add(column)

    def add(self, column: TraceColumn) -> None:
        """Take note of a trace, and give it another name where its own is taken."""
        count = self.names[column.name] = self.names.get(column.name, 0) + 1
        if count > 1:
            column.name = f"{column.name} ({count})"
        self.kinds.add((column.name, column.mode))
        self.numbers.add(column.trace)

    def free_number(self) -> int:
        """Return a number beyond those of all traces."""
        return max(number or 0 for number in self.numbers) + 1


def _name_of(block: _Block) -> tuple[str, str | None, int | None]:
    """Return name, mode and number of the trace that a block's own lines speak of."""
    told = block.facts.text("trace") or ""
    mode_text = block.facts.text("trace_mode") or ""
    name = told
    number = int(told) if told.isdecimal() and len(told) < 10 else None
    mode = trace_mode_of(mode_text) or trace_mode_of(told)
    for line in reversed(block.lines):
        text = uncommented(line.text).strip(' ;,\t"[]<>:')
        ideas, _, found = ideas_of(text[:60])
        if name == "" and ("trace" in ideas or trace_mode_of(text)) and len(text) < 40 and "=" not in text:
            name, number = re.split(r"[,;\t]", text)[-1].strip(' "') or text, found
            mode = mode or trace_mode_of(text)
    if name.isdigit():
        name = f"trace {name}"
    return name or mode_text, mode, number


def _name_single(draft: Draft, block: _Block) -> None:
    """Name the one column of a block after the block's heading."""
    if len(draft.columns) != 1:
        return
    name, mode, number = _name_of(block)
    column = draft.columns[0]
    if name and (column.name.startswith("trace ") or column.mode is None):
        column.name = name
    column.mode = column.mode or mode
    column.trace = number or column.trace
    if column.trace is not None:
        own = {k: v for k, v in block.facts.readings.items() if k in _OWN_TO_TRACE}
        draft.facts.per_trace[column.trace] = {**own, **draft.facts.per_trace.get(column.trace, {})}


def _same_sweep(before: Draft, draft: Draft, block: _Block, traces: _Traces) -> bool:
    """Say whether a block is another trace of the sweep before it."""
    if before.columns[0].values.size != draft.columns[0].values.size:
        return False
    if (before.axis is None) != (draft.axis is None):
        return False
    if before.axis is not None and draft.axis is not None and not np.array_equal(before.axis, draft.axis):
        return False
    if before.axis_unit != draft.axis_unit:
        return False
    for concept in ("start", "stop", "centre", "span", "when", "rbw"):
        own, old = block.facts.get(concept), before.facts.get(concept)
        if own is not None and old is not None and own.value != old.value:
            return False
    if len(draft.columns) != 1:
        return False
    name, mode, number = _name_of(block)
    name = name or draft.columns[0].name
    named = (bool(name) and not name.startswith("trace ")) or number is not None or mode is not None
    return named and (name, mode) not in traces.kinds and (number is None or number not in traces.numbers)


def _add_trace(before: Draft, draft: Draft, block: _Block, traces: _Traces) -> None:
    _name_single(draft, block)
    column = draft.columns[0]
    if column.trace in traces.numbers:
        own = draft.facts.per_trace.pop(column.trace, {}) if column.trace is not None else {}
        column.trace = traces.free_number()
        draft.facts.per_trace[column.trace] = own
    column.position = len(before.columns)
    if column.trace is not None and column.trace in draft.facts.per_trace:
        before.facts.per_trace[column.trace] = draft.facts.per_trace[column.trace]
    before.columns.append(column)
    traces.add(column)
    before.lines = (before.lines[0], draft.lines[1])
