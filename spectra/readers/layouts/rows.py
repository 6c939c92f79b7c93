"""Rows of frequency and level, one to many traces, columns in any order.

Specimen (names invented)::

    Start,950.0,MHz
    RBW,100,kHz
    Detector,RMS
    Frequency (MHz),Average (dBm),Max hold (dBm)
    950.0,-81.2,-77.0
    951.2,-81.0,-76.4
"""

from __future__ import annotations

from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.facts import Facts
from spectra.readers.layouts.common import Head, column_head, frequency_column, is_index
from spectra.readers.outline import Section
from spectra.readers.table import Table
from spectra.readers.words import trace_mode_of

__all__ = ["draft_of_table", "level_columns"]


def draft_of_table(section: Section, table: Table, facts: Facts) -> Draft:
    """Return the draft of a table of frequency and levels, or of levels only."""
    head = column_head(section.lines, table)
    frequency = frequency_column(head, table)
    columns = level_columns(head, table, frequency, facts)
    axis = None if frequency is None else table.values[:, frequency].copy()
    unit = None if frequency is None else head.units[frequency]
    layout = "level-rows" if frequency is None else "frequency-level-rows"
    return Draft(layout, axis, unit, columns, facts, (table.first_line, table.last_line))


def level_columns(head: Head, table: Table, frequency: int | None, facts: Facts) -> list[TraceColumn]:
    """Return the columns that hold levels, named as the file names them."""
    found: list[TraceColumn] = []
    for column in range(len(table.cells)):
        if column == frequency:
            continue
        role = head.role(column)
        values = table.values[:, column]
        if role in ("index", "other", "frequency"):
            continue
        if role == "" and is_index(values) and len(table.cells) > 1:
            continue
        name = head.names[column]
        position = len(found) + 1
        digits = "".join(c for c in name if c.isdigit())
        number = int(digits) if digits and len(digits) < 3 else position
        found.append(
            TraceColumn(name or f"trace {position}", values.copy(), head.units[column], number, trace_mode_of(name))
        )
    seen: dict[str, int] = {}
    for trace in found:
        seen[trace.name] = seen.get(trace.name, 0) + 1
        if seen[trace.name] > 1:
            trace.name = f"{trace.name} ({seen[trace.name]})"
    return found
