"""Document: one text with its outline and facts, worked out once for whichever layout reads it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from spectra.readers.cells import classify, find_unit, unit_kind
from spectra.readers.dates import DateOrder, date_order
from spectra.readers.dialect import Dialect, Row
from spectra.readers.facts import Facts, decimal_of, facts_of, ranges_parted
from spectra.readers.outline import Outline, TextLine, begins_table, outline_of
from spectra.readers.preamble import LONGEST_LINE, Entry, cells_of, entries_of, uncommented
from spectra.readers.source import Source
from spectra.readers.words import ideas_of, trace_mode_of

__all__ = ["HEAD_BYTES", "Document", "Glimpse", "glimpse"]

HEAD_BYTES = 16384
"""How much of a text the sniffers see."""


@dataclass(slots=True)
class Document:
    """A source and what has been worked out of it so far."""

    source: Source
    entries: list[Entry] = field(default_factory=list)
    used_lines: dict[int, str] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)
    plain_lines: list[tuple[int, str]] = field(default_factory=list)
    reader: tuple[str, float] = ("", 0.0)
    decimals: set[str] = field(default_factory=set)
    _outline: Outline | None = None

    @property
    def name(self) -> str:
        """File name for messages."""
        return self.source.file

    @property
    def head(self) -> str:
        """The first lines as text."""
        return self.source.data[:HEAD_BYTES].decode("utf-8", "replace")

    @property
    def outline(self) -> Outline:
        """Preamble lines and tables."""
        if self._outline is None:
            self._outline = outline_of(self.source.data, self.source.file)
            self.source.notes.extend(self._outline.notes)
        return self._outline

    def facts(self, lines: list[TextLine], decimal: str) -> Facts:
        """Return the facts in some lines, and keep the entries to inspect; titles of columns are no settings."""
        self.decimals.add(decimal)
        titles = {line.line: "titles of columns" for line in lines if names_columns(line.text)}
        self.used_lines.update(titles)
        entries = ranges_parted(entries_of([line for line in lines if line.line not in titles], decimal))
        self.entries.extend(entries)
        self.plain_lines.extend((line.line, line.text) for line in lines)
        return facts_of(entries, decimal)

    def date_order(self, stamps: Iterable[str]) -> DateOrder:
        """Return the order of day and month in the dates of this text; `stamps` are those of its sweeps."""
        lines = [text for _, text in self.plain_lines] + (
            [line.text for line in self._outline.lines] if self._outline is not None else []
        )
        comma = "," in self.decimals or decimal_of(self.entries, ".") == ","
        return date_order(lines, stamps, decimal_comma=comma)


_AXIS_IDEAS = frozenset({"freq", "centrefreq", "time", "date", "x", "index", "marker"})


def names_columns(text: str) -> bool:
    """Say whether a line is titles of columns, one of them an axis (frequency, time, ...) and another a level."""
    return _names_columns(text[:LONGEST_LINE])


@lru_cache(maxsize=512)
def _names_columns(text: str) -> bool:
    cells = [cell for cell in cells_of(uncommented(text), ".") if cell]
    if len(cells) < 2 or any(c in cell for cell in cells for c in ":="):
        return False
    named = [(find_unit(cell), cell) for cell in cells]
    axes = [bool(ideas) and ideas <= _AXIS_IDEAS for ideas in (ideas_of(name)[0] for (_, name), _ in named)]
    if not any(axes) or any(classify(cell, ".")[0] not in "Tu" for cell in cells):
        return False
    return any(
        not axis
        and (unit_kind(unit or "") == "level" or "level" in ideas_of(name)[0] or trace_mode_of(name) is not None)
        for axis, ((unit, name), _) in zip(axes, named, strict=True)
    )


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What the head of a text shows: its lines up to a few rows, and the first row of numbers with its 1-based line."""

    lines: tuple[str, ...]
    row: Row | None
    dialect: Dialect | None
    line: int

    @property
    def front(self) -> tuple[str, ...]:
        """The lines before the first row, or all."""
        return self.lines[: self.line - 1] if self.row is not None else self.lines

    @property
    def rows(self) -> tuple[str, ...]:
        """The first row and up to two after it."""
        return self.lines[self.line - 1 :] if self.row is not None else ()


@lru_cache(maxsize=8)
def glimpse(head: str) -> Glimpse:
    """Return what the head of a text shows. Never raises."""
    lines = head.splitlines()
    if len(head) >= HEAD_BYTES - 4 and len(lines) > 3 and len(lines[-1]) < 2000:
        lines.pop()  # cut in the middle, probably; of a long line enough is left to tell what it is
    for at, line in enumerate(lines):
        if (line.lstrip(" \t\"',;|")[:1] or "x") not in "0123456789+-.,\u2212\u2013":
            continue
        found = begins_table(tuple(text.strip("\r\n\x1a\f") for text in lines[at : at + 3]), None)
        if found is not None:
            return Glimpse(tuple(lines[: at + 3]), found[0], found[1], at + 1)
    return Glimpse(tuple(lines[:400]), None, None, 0)
