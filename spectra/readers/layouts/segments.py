"""Segment rows: each row a piece of the span (start, stop, step, levels), pieces joined to sweeps.

Specimen (an invented recording)::

    2026-03-02,10:00:00,950000000,955000000,1000000,12,-91.2,-91.0,-90.8,-91.1,-90.9
    2026-03-02,10:00:00,955000000,960000000,1000000,12,-91.3,-90.8,-91.0,-91.2,-90.7

A fourth number (readings per level) is recognised by the count of levels. A sweep ends where the start falls back.
"""

from __future__ import annotations

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.cells import find_unit, unit_kind
from spectra.readers.document import Document, glimpse
from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.joins import join
from spectra.readers.layouts.across import LongRow, dialect_of_row, long_row, long_rows
from spectra.readers.outline import TextLine
from spectra.readers.preamble import cells_of, uncommented
from spectra.readers.words import key_of
from spectra.units import FloatArray

__all__ = ["read_segments", "sniff_segments"]


def sniff_segments(head: str) -> float:
    """Say how surely each row of a text is a segment of a span."""
    seen = glimpse(head)
    good = 0
    for text in seen.rows or seen.lines[:60]:
        text = uncommented(text)
        if max(map(text.count, ",;\t ")) < 4:
            continue
        row = long_row(0, text, dialect_of_row(text))
        if row is None or row.values.size < 5:
            continue
        if _lead(row.values) is None:
            return 0.0
        good += 1
        if good >= 3:
            break
    return 0.9 if good >= 2 else 0.85 if good == 1 else 0.0


def _lead(values: FloatArray) -> int | None:
    """Return how many numbers stand before the levels, None if this is no segment."""
    if values.size < 5 or not np.isfinite(values[:3]).all():
        return None
    start, stop, step = (float(v) for v in values[:3])
    if not (0.0 <= start < stop and 0.0 < step <= stop - start):
        return None
    steps = (stop - start) / step
    leads = [lead for lead in (3, 4) if values.size - lead >= 2 and abs(steps - (values.size - lead)) <= 1.01]
    if not leads:
        return None
    if len(leads) == 2:  # a count of readings is a whole number above zero; a level there would be below it
        fourth = float(values[3])
        leads = [4] if fourth > 0.0 and fourth.is_integer() and _mostly_negative(values[4:]) else [3]
    return leads[0]


def _mostly_negative(levels: FloatArray) -> bool:
    return 2 * int(np.count_nonzero(levels < 0.0)) > levels.size


def _segment(row: LongRow, name: str) -> tuple[FloatArray, FloatArray]:
    lead = _lead(row.values)
    if lead is None:
        raise SweepFormatError(
            name,
            row.line,
            "a row that is no segment",
            "start, stop, step, then a level for each step",
            "Save it again.",
        )
    start, stop, step = (float(v) for v in row.values[:3])
    levels = row.values[lead:]
    steps = np.arange(levels.size, dtype=np.float64)
    if abs((stop - start) / step - (levels.size - 1)) < 0.5:  # both ends are points
        return start + steps * (stop - start) / (levels.size - 1), levels
    return start + steps * step, levels


def read_segments(document: Document) -> list[Draft]:
    """Return the drafts of sweeps in segment rows."""
    rows, lines, decimal = long_rows(document, 5, _falls_back)
    facts = document.facts(lines, decimal)
    unit, level_unit = _units(lines)
    groups: list[list[LongRow]] = []
    for row in rows:
        if not groups or _falls_back(row, groups[-1][-1]):
            groups.append([])
        groups[-1].append(row)
    if len(groups) > 1 and len(groups[-1]) < len(groups[0]):
        raise SweepFormatError(
            document.name,
            groups[-1][-1].line,
            f"a sweep of {len(groups[-1])} segments",
            f"{len(groups[0])} segments as in the sweeps before",
            "The file may be cut short: delete the last sweep, or save it again.",
        )
    drafts = []
    for group in groups:
        axis, levels, notes, warnings = _join(group, document.name)
        column = TraceColumn("trace 1", levels, level_unit, 1)
        draft = Draft("segment-rows", axis, unit, [column], facts, (group[0].line, group[-1].line), line_per_row=False)
        draft.stamp = group[0].stamp or None
        draft.assumptions, draft.warnings = notes, warnings
        drafts.append(draft)
    return drafts


def _falls_back(row: LongRow, before: LongRow) -> bool:
    return float(row.values[0]) <= float(before.values[0])


def _join(group: list[LongRow], name: str) -> tuple[FloatArray, FloatArray, list[str], list[str]]:
    """Return axis and levels of the segments of one sweep, notes and warnings."""
    pieces = [_segment(row, name) for row in group]
    ends = np.cumsum([axis.size for axis, _ in pieces]).tolist()
    axis, levels = (np.concatenate(parts) for parts in zip(*pieces, strict=True))
    runs = list(zip([0, *ends[:-1]], ends, strict=True))
    joined = join(axis, [levels], runs, [row.line for row in group], name)
    note = f"{len(group)} segments joined; level i of a segment stands at its start + i x step"
    return axis[joined.rows], levels[joined.rows], [note, *joined.notes], list(joined.warnings)


def _units(lines: list[TextLine]) -> tuple[str | None, str | None]:
    """Return units of frequency and level in a heading above the rows."""
    unit = level_unit = None
    for line in lines[-3:]:
        for cell in cells_of(uncommented(line.text), "."):
            found, _ = find_unit(cell)
            kind = unit_kind(found) if found else None
            meaning = key_of(cell)
            if kind == "frequency" and meaning is not None and meaning.concept in ("start", "stop", "step"):
                unit = found
            elif kind in ("level", "ratio", "other_level") and ":" not in cell:
                level_unit = found
    return unit, level_unit
