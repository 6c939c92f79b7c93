"""The outline of a file: preamble lines, tables of numbers, and what stands between and after them.

The outline knows shapes only, not meanings: it says where rows of numbers begin and end, and refuses a row that
breaks off inside a table. What the lines mean is the business of the preamble and of the layouts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache

from spectra.errors import SweepFormatError
from spectra.readers.bulk import Pace
from spectra.readers.cells import BLANK_WORDS, bare_number, classify, number, split_row, unit_kind
from spectra.readers.dialect import Dialect, Row, guess_dialect, row_of
from spectra.readers.repairs import REPAIRS, without_remarks
from spectra.readers.table import Table, read_table
from spectra.units import counted

__all__ = ["MAX_TABLES", "Outline", "Section", "TextLine", "outline_of"]

MAX_TABLES = 2000
"""Most tables in one text; more is no sweep file but something that would take for ever."""
MAX_SHORT = 300
"""Most tables of few points, and one more for each kB: with their lines above they take less than 300 bytes each."""
MAX_LINES = 10000
"""Most lines that are no rows."""
MAX_TRIES = 1500
"""Most lines that begin like rows and are none."""
MAX_BESIDE = 1000
"""Most lines that are looked at beside the numbers."""
_LONGEST_ROW = 20000
_SHORT = 300
_WIDE = 16
_LOOK = 3
_BLANK_LINES = re.compile(rb"[\r\n]*\n")
_MAY_BE_ROW = re.compile(r"""[\s"',;|]*[+\-\u2212\u2013]?[.,]?[0-9]""")


@dataclass(frozen=True, slots=True)
class TextLine:
    """One line that is no row of numbers: 1-based number and text, stripped."""

    line: int
    text: str


@dataclass(slots=True)
class Section:
    """Lines, and the table that follows them (None after the last table)."""

    lines: list[TextLine] = field(default_factory=list)
    table: Table | None = None


@dataclass(slots=True)
class Outline:
    """The sections of a file in order."""

    sections: list[Section]
    single_rows: list[TextLine]
    notes: list[str] = field(default_factory=list)

    @property
    def tables(self) -> list[Table]:
        """All tables in order."""
        return [section.table for section in self.sections if section.table is not None]

    @property
    def lines(self) -> list[TextLine]:
        """All lines that are no rows, in order."""
        return [line for section in self.sections for line in section.lines]


class _Cursor:
    """Lines of the text one by one, with look-ahead, never the whole text split."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at, self.line = data, 0, 1

    def peek(self, count: int) -> list[tuple[str, int]]:
        """Return up to `count` lines from here, each with where it ends."""
        found: list[tuple[str, int]] = []
        at = self.at
        while at < len(self.data) and len(found) < count:
            end = self.data.find(b"\n", at) + 1 or len(self.data)
            found.append((self.data[at:end].decode("utf-8", "replace").strip("\r\n\x1a\f"), end))
            at = end
        return found

    def move(self, end: int, lines: int) -> None:
        self.at, self.line = end, self.line + lines


def outline_of(data: bytes, name: str) -> Outline:
    """Return the outline of a text.

    Raises
    ------
    SweepFormatError
        If a table breaks off in a row that is no row, or there are too many tables.
    """
    try:
        outline = _outline(data, name)
    except _Beside as beside:
        clipped, extra = _clip(data, beside.dialect, beside.row)
        outline = _outline(clipped, name, may_clip=False)
        outline.sections[0].lines += extra
        return outline
    except SweepFormatError:
        bare, remarks = without_remarks(data)
        if not remarks:
            raise
        outline = _outline(bare, name)
        outline.notes.append(f"left out: remarks behind the numbers of {counted(remarks, 'row')}")
        return outline
    for repair, note in REPAIRS:
        if outline.tables:
            return outline
        repaired = repair(data)
        if repaired is not None:
            outline = _outline(repaired, name)
            outline.notes += [note] if note else []
    if not outline.tables:
        found = _common_front(data)
        if found is None and len(outline.lines) > MAX_LINES:
            raise _too_much(name, MAX_LINES, f"more than {MAX_LINES} lines that are no rows of a trace")
        if found is not None:
            clipped, extra = _clip(data, *found)
            outline = _outline(clipped, name, may_clip=False)
            outline.sections[0].lines += extra
    return outline


class _Beside(Exception):  # noqa: N818  # no error: a turn taken inside this module
    """Text stands beside the numbers of some rows."""

    def __init__(self, dialect: Dialect, row: Row) -> None:
        super().__init__()
        self.dialect, self.row = dialect, row


def _outline(data: bytes, name: str, *, may_clip: bool = True) -> Outline:
    cursor = _Cursor(data)
    sections: list[Section] = []
    section = Section()
    singles: list[TextLine] = []
    hint: Dialect | None = None
    pace, texts, tries, short, before = Pace(), 0, 0, 0, 0
    while cursor.at < len(data):
        blank = _BLANK_LINES.match(data, cursor.at)
        if blank is not None:
            cursor.move(blank.end(), blank[0].count(b"\n"))
            continue
        text, end = cursor.peek(1)[0]
        begins = len(text) <= _LONGEST_ROW and _MAY_BE_ROW.match(text) is not None and not _has_words(text)
        found = begins_table(tuple(line for line, _ in cursor.peek(_LOOK)), hint) if begins else None
        if found is None:
            if text.strip(' ;,|\t"'):
                section.lines.append(TextLine(cursor.line, text.strip(" ")))
                texts, tries = texts + 1, tries + begins
                if begins and not singles and _number_only(text, hint):
                    singles.append(section.lines[-1])
                if (texts > MAX_LINES or tries > MAX_TRIES) and may_clip and not sections:
                    break  # words beside every row, perhaps
                if texts > MAX_LINES or tries > MAX_TRIES:
                    raise _too_much(name, cursor.line, f"more than {texts - 1} lines that are no rows of a trace")
            cursor.move(end, 1)
            continue
        row, dialect = found
        above = section.lines[-1] if section.lines and section.lines[-1].line == cursor.line - 1 else None
        if may_clip and above is not None and _goes_beyond(above.text, row, dialect):
            raise _Beside(dialect, row)
        if above is not None:
            _check_above(above, row, dialect, name)
        table = read_table(data, cursor.at, cursor.line, row, dialect, name, pace)
        hint = dialect
        cursor.move(table.end, table.rows)
        section.table = table
        sections.append(section)
        short += table.end - before < _SHORT
        before = table.end
        most = MAX_SHORT + len(data) // 1000
        if len(sections) > MAX_TABLES or short > most:
            raise _too_much(name, cursor.line, f"more than {min(MAX_TABLES, most)} tables of few points")
        section = Section()
        if may_clip and cursor.at < len(data) and _goes_beyond(cursor.peek(1)[0][0], row, dialect):
            raise _Beside(dialect, row)
        _check_break(cursor, row, dialect, table, name)
    sections.append(section)
    return Outline(sections, singles)


def _too_much(name: str, line: int, found: str) -> SweepFormatError:
    return SweepFormatError(name, line, found, "a sweep, or a few", "Save one trace per file.")


_WORDS = re.compile(r"[^\W\d_]+")


def _has_words(text: str) -> bool:
    """Say whether a line has words that no row of numbers has (looking at its front)."""
    return any(
        len(word) > 1
        and word.lower() not in BLANK_WORDS
        and unit_kind(word) is None
        and word not in ("PM", "AM", "UTC")
        for word in _WORDS.findall(text[:400])
    )


def _goes_beyond(text: str, row: Row, dialect: Dialect) -> bool:
    """Say whether a line has the numbers of the rows, and words beside them."""
    other = row_of(text, dialect)
    return (
        dialect.delimiter not in ("", " ")
        and row.numbers >= 2
        and len(other.kinds) > len(row.kinds)
        and other.kinds.startswith(row.kinds)
        and "T" in other.kinds
    )


def _clip(data: bytes, dialect: Dialect, row: Row) -> tuple[bytes, list[TextLine]]:
    """Return the text with the rows cut to their numbers, and what stood beside them as lines."""
    lines: list[str] = []
    extra: list[TextLine] = []
    width = len(row.kinds)
    for at, text in enumerate(data.decode("utf-8", "replace").split("\n"), 1):
        cells = split_row(text.rstrip("\r"), dialect.delimiter)
        if len(cells) > width and all(
            (kind == "N" and '"' not in cell and bare_number(cell.strip(), dialect.decimal) is not None)
            or classify(cell, dialect.decimal)[0] == kind
            for cell, kind in zip(cells[:width], row.kinds, strict=True)
        ):
            beside = dialect.delimiter.join(cells[width:]).strip(dialect.delimiter + ' "')
            if beside and len(extra) < MAX_BESIDE:
                extra.append(TextLine(at, beside))
            text = dialect.delimiter.join(cells[:width])
        lines.append(text)
    return "\n".join(lines).encode(), extra


def _common_front(data: bytes) -> tuple[Dialect, Row] | None:
    """Return the dialect and the numbers that stand in front of words in three lines running, if there are such."""
    run: list[Row] = []
    for text in data[:65536].decode("utf-8", "replace").split("\n"):
        if not text and not run:
            continue
        delimiter = next((d for d in (";", "\t", ",") if d in text), "") if _MAY_BE_ROW.match(text) else ""
        dialect = Dialect(delimiter, "," if delimiter != "," and "," in text else ".")
        row = row_of(text.rstrip("\r"), dialect) if delimiter else Row("", (), ())
        front = row.kinds[: len(row.kinds) - len(row.kinds.lstrip("Nu"))]
        if front.count("N") < 2:
            run = []
            continue
        run.append(Row(front, row.texts[: len(front)], row.units[: len(front)]))
        if len(run) >= 3 and run[-1].kinds == run[-2].kinds == run[-3].kinds:
            return dialect, run[-1]
    return None


def _number_only(text: str, hint: Dialect | None) -> bool:
    row = row_of(text.strip(), hint) if hint else None
    if row is None:
        dialect = guess_dialect((text.strip(),))
        row = row_of(text.strip(), dialect) if dialect else None
    return row is not None and row.numeric


@lru_cache(maxsize=512)
def begins_table(lines: tuple[str, ...], hint: Dialect | None) -> tuple[Row, Dialect] | None:
    """Return first row and dialect if a table begins here: rows that look alike, or one row of many levels."""
    if hint is None or not row_of(lines[0], hint).numeric:
        alone = guess_dialect((lines[0],))
        if alone is None:
            return None
    for count in (3, 2):
        sample = list(lines[:count])
        if len(sample) < count or not all(_MAY_BE_ROW.match(line) for line in sample):
            continue
        if hint is not None:
            row = row_of(sample[0], hint)
            rest = [row_of(line, hint) for line in sample[1:]]
            if row.numeric and all(other.numeric and other.beside(row) for other in rest):
                return row, hint
        dialect = guess_dialect(tuple(sample))
        if dialect is not None:
            return row_of(sample[0], dialect), dialect
    if len(lines[0]) >= 2 * _WIDE:
        dialect = guess_dialect((lines[0],))
        if dialect is not None:
            row = row_of(lines[0], dialect)
            if row.numbers >= _WIDE:
                return row, dialect
    return None


_SPOILT = re.compile(r"[^\w\s#!%*/;,.+\-\u2212\u2013\"']+")


def _check_above(above: TextLine, row: Row, dialect: Dialect, name: str) -> None:
    """Refuse a row with an empty cell just above rows of numbers: it belongs to them and must not be lost.

    The same for one that only a strange character in front keeps from being a row.
    """
    spoilt = _SPOILT.match(above.text)
    if spoilt is not None and row_of(above.text[spoilt.end() :], dialect).kinds == row.kinds:
        raise SweepFormatError(
            name,
            above.line,
            f"a row behind {spoilt[0]!r} ({above.text.strip()[:60]!r})",
            "a number, as in the rows below",
            "Delete that character, or save the trace again.",
        )
    _check_quotes(above.text, above.line, row, dialect, name)
    if dialect.delimiter in ("", " ") or len(row.kinds) < 2:
        return
    kinds = row_of(above.text, dialect).kinds
    if len(kinds) == len(row.kinds) and "T" in kinds and "E" in row.kinds.rstrip("N"):
        pairs = list(zip(kinds, row.kinds, strict=True))
        if all(a == "N" if b == "N" else (a in "TuN" and b == "E") or a == b for a, b in pairs):
            raise SweepFormatError(
                name,
                above.line,
                f"words beside the numbers of a first row ({above.text.strip()[:60]!r})",
                "rows of numbers alone, settings in lines of their own",
                "Move the settings above the rows.",
            )
    cells = split_row(above.text, dialect.delimiter)
    kinds = "".join(classify(cell, dialect.decimal)[0] for cell in cells[: len(row.kinds)])
    if len(kinds) == len(row.kinds) and "N" in kinds and "E" in kinds.lstrip("E") and set(kinds) <= set("NEXu"):
        raise SweepFormatError(
            name,
            above.line,
            f"a row with an empty cell ({above.text.strip()[:60]!r})",
            "a number in every cell, as in the rows below",
            "Save the trace again.",
        )


def _check_quotes(text: str, line: int, row: Row, dialect: Dialect, name: str) -> None:
    """Refuse a line beside rows of numbers that would be one of them but for its quotes."""
    if '"' in text and row_of(text, dialect).kinds != row.kinds == row_of(text.replace('"', ""), dialect).kinds:
        raise SweepFormatError(
            name,
            line,
            f"a row whose quotes do not stand round single cells ({text.strip()[:60]!r})",
            "quotes round whole cells, each closed in its own cell, or none",
            "Take the quotes out of that row, or save the trace again.",
        )


def _check_break(cursor: _Cursor, row: Row, dialect: Dialect, table: Table, name: str) -> None:
    """Refuse a row that breaks off, or looks unlike the others, right after the rows of a table."""
    if table.rows < 3:
        return
    if cursor.at >= len(cursor.data):
        _check_last(cursor.data, row, dialect, table, name)
        return
    text = cursor.peek(1)[0][0]
    if not _MAY_BE_ROW.match(text) and not (text.strip() and row_of(text, dialect).kinds.startswith("X")):
        return
    _check_quotes(text, cursor.line, row, dialect, name)
    odd = row_of(text, dialect)
    first = next((t for t in odd.texts if t), "") or split_row(text, dialect.delimiter)[0].strip(' "')
    beside = len(odd.kinds) == len(row.kinds) and any(a == b == "N" for a, b in zip(odd.kinds, row.kinds, strict=True))
    if odd.kinds[:1] == "D" or (odd.kinds[:1] != "X" and not beside and not _like_number(first)):
        return  # words or a time that begin with a digit
    shown = repr(text.strip()[:60])
    mark = "," if dialect.decimal == "." else "."
    if mark in text and mark != dialect.delimiter and "T" in odd.kinds:
        raise SweepFormatError(
            name,
            cursor.line,
            f"{shown} after rows with {dialect.decimal!r} as decimal mark",
            "one decimal mark in the whole file",
            "Export again with one decimal mark.",
        )
    if len(odd.kinds) != len(row.kinds):
        found = f"a row of {len(odd.kinds)} cells after rows of {len(row.kinds)} ({shown})"
    else:
        found = f"the row {shown}"
    raise SweepFormatError(
        name,
        cursor.line,
        found,
        "a row of numbers like those before it",
        "The file may be cut short or damaged: save the trace again.",
    )


_OF_NUMBERS = "0123456789+-.,'\" \u00a0\u202f\u2019\x7f" + "".join(map(chr, range(1, 32)))
"""What may stand in a number wrongly written, quotes and characters that nobody sees among it."""


def _like_number(cell: str) -> bool:
    """Say whether a cell is a number, or could only be one, wrongly written (``1000,000.5.2``)."""
    if number(cell, ".") is not None or number(cell, ",") is not None:
        return True
    return any(c.isdigit() for c in cell) and not cell.strip(_OF_NUMBERS)


def _check_last(data: bytes, row: Row, dialect: Dialect, table: Table, name: str) -> None:
    """Refuse a last number that was cut: no line end, and fewer decimals than all the rows before have."""
    if data.endswith((b"\n", b"\r")) or table.rows < 12:
        return
    tail = data[max(table.start, table.end - 8192) : table.end].decode("utf-8", "replace").splitlines()[-61:]
    rows = [row_of(line, dialect) for line in tail[1:] if line]
    rows = [r for r in rows if r.like(row)]
    if len(rows) < 12:
        return
    at = row.kinds.rindex("N")
    decimals = [len(r.texts[at].partition(dialect.decimal)[2]) for r in rows]
    if set(decimals[:-1]) == {decimals[0]} and decimals[-1] < decimals[0]:
        raise SweepFormatError(
            name,
            table.last_line,
            f"a last number {rows[-1].texts[at]!r} cut short, without a line end",
            f"{decimals[0]} decimals as in all rows before",
            "The file is cut short: save or copy it again.",
        )
