"""Sweeps one below the other in one table, over the same axis, each marked by a time or a number of its own.

Specimen (invented)::

    Time;Frequency (MHz);Level (dBm)
    2026-03-02 10:00:00;1173.0;-91.2
    2026-03-02 10:00:00;1173.5;-91.0
    2026-03-02 10:00:10;1173.0;-91.3
    2026-03-02 10:00:10;1173.5;-90.8
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spectra.readers.cells import classify, is_time, number, split_row
from spectra.readers.document import Document
from spectra.readers.draft import Draft
from spectra.readers.table import Table

__all__ = ["sweeps_below"]

_LEAST_RUN = 8
_MOST_RUNS = 2000


def sweeps_below(document: Document, draft: Draft, table: Table, column: int) -> list[Draft]:
    """Return the sweeps of a table that has one axis over and over, if a time or another column tells them apart."""
    axis = draft.axis
    if axis is None or axis.size < 2 * _LEAST_RUN:
        return [draft]
    again = np.flatnonzero(axis[1:] == axis[0])
    size = int(again[0]) + 1 if again.size else 0
    count = axis.size // size if size >= _LEAST_RUN else 0
    if not 1 < count <= _MOST_RUNS or count * size != axis.size:
        return [draft]
    first = axis[:size]
    if not bool((first[1:] > first[:-1]).all()) or not bool((axis.reshape(count, size) == first).all()):
        return [draft]
    stamps = _stamps(document.source.data, table, table.cells[column], size, float(first[0]))
    told = None not in stamps and len(set(stamps)) == count
    for values in (table.columns[c].reshape(count, size) for c in range(len(table.cells)) if c != column):
        told = told or bool((values == values[:, :1]).all() and np.unique(values[:, 0]).size == count)
    if not told:
        return [draft]
    found = []
    for k in range(count):
        rows = slice(k * size, (k + 1) * size)
        columns = [replace(each, values=each.values[rows]) for each in draft.columns]
        own = replace(draft.facts, readings=dict(draft.facts.readings), conflicts=[*draft.facts.conflicts])
        lines = (draft.lines[0] + k * size, draft.lines[0] + (k + 1) * size - 1)
        one = Draft("frequency-level-rows", first.copy(), draft.axis_unit, columns, own, lines)
        one.mixed_units, one.stamp = draft.mixed_units, stamps[k]
        found.append(one)
    return found


def _stamps(data: bytes, table: Table, cell: int, size: int, begin: float) -> list[str | None]:
    """Return the date and time in every so many lines of a table; None where there is none, or the text was mended."""
    nothing: list[str | None] = [None] * (table.rows // size)
    if table.end > len(data):
        return nothing
    ends = np.flatnonzero(np.frombuffer(data, np.uint8, table.end - table.start, table.start) == 10)
    if ends.size < table.rows - 1:
        return nothing
    found: list[str | None] = []
    for row in range(0, table.rows, size):
        at = table.start + (int(ends[row - 1]) + 1 if row else 0)
        stop = data.find(b"\n", at)
        cells = split_row(
            data[at : stop if stop >= 0 else len(data)].decode("utf-8", "replace"), table.dialect.delimiter
        )
        text = classify(cells[cell], table.dialect.decimal)[1] if cell < len(cells) else ""
        if number(text, table.dialect.decimal) != begin:
            return nothing
        found.append(" ".join(filter(is_time, map(str.strip, cells))) or None)
    return found
