"""From the bytes of a CSV file to its cells with their lines, whatever a spreadsheet did to encoding and delimiter."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from itertools import compress, islice
from pathlib import Path

from spectra.errors import TableError

__all__ = ["DELIMITERS", "Records", "decode", "plain", "read_records"]

_CHUNK = 2000  # rows turned into columns at a time: few live lists keep the garbage collector quiet
DELIMITERS = (",", ";", "\t")
_NOT_TEXT = bytes(set(range(32)) - {9, 10, 12, 13})


@dataclass(frozen=True, slots=True)
class Records:
    """Header and columns of a CSV file, cells as they stand.

    `lines` holds the physical line on which each row begins (1-based), empty rows left out; `surplus` the (line, number
    of cells) of rows with more cells than the header.
    """

    header: list[str]
    header_line: int
    columns: list[list[str]]
    lines: list[int]
    surplus: list[tuple[int, int]]
    delimiter: str


def plain(name: str) -> str:
    """Return a header cell as it is compared: lower case, letters and digits only, so 'RF (MHz)' is 'rfmhz'."""
    return "".join(character for character in name.lower() if character.isalnum())


def decode(raw: bytes, source: str) -> tuple[str, str]:
    """Return the text of a file and the name of its encoding.

    A byte-order mark decides; without one UTF-16 is told by its zero bytes, then UTF-8 is tried, then Windows-1252.

    Raises
    ------
    TableError
        If the bytes are no text.
    """
    mend = "Save the table as CSV (UTF-8) from the spreadsheet."
    encoding = ""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif raw.startswith(b"\xef\xbb\xbf"):
        encoding = "utf-8-sig"
    elif len(raw) >= 4 and raw[:4].count(0) == 2:
        encoding = "utf-16-le" if raw[1] == 0 else "utf-16-be"
    elif raw[:4096].translate(None, _NOT_TEXT) != raw[:4096]:
        what = "a spreadsheet workbook or an archive" if raw.startswith(b"PK") else "bytes that are no text"
        raise TableError(source, None, what, "a CSV text file", mend)
    for name in [encoding] if encoding else ["utf-8", "cp1252"]:
        try:
            return raw.decode(name), name
        except UnicodeDecodeError:
            continue
    raise TableError(source, None, "text in an unknown encoding", "UTF-8, UTF-16 or Windows-1252", mend)


def _delimiter_of(line: str, known: frozenset[str]) -> str:
    """Return the delimiter that makes the most known column names of a header line."""

    def score(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([line], delimiter=delimiter), [])
        except csv.Error:  # told with its line when the file is read
            return 0, 0
        return sum(plain(cell) in known for cell in cells), len(cells)

    return max(DELIMITERS, key=score)


def read_records(path: str | Path, known: frozenset[str]) -> tuple[Records, str]:
    """Read a CSV file; `known` are the `plain` names that a header may hold. Returns the records and the file name.

    Raises
    ------
    TableError
        If the file cannot be opened, is empty, is no text, or has a quotation mark without its partner.
    """
    where = Path(path)
    source = where.name
    try:
        raw = where.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise TableError(
            str(path), None, reason.lower(), "a readable CSV file", "Check the name and the rights."
        ) from None
    text, _ = decode(raw, source)
    lines = io.StringIO(text, newline="").readlines()
    first = 0
    while first < len(lines) and not lines[first].strip():
        first += 1
    told = None
    if first < len(lines) and lines[first].lower().startswith("sep=") and len(lines[first].strip()) <= 5:
        told = lines[first].rstrip("\r\n")[4:5] or None  # the line by which some spreadsheets name the delimiter
        first += 1
        while first < len(lines) and not lines[first].strip():
            first += 1
    if first >= len(lines):
        mend = "Write the header line first, for example satellite,polarisation,rf_mhz."
        raise TableError(source, None, "an empty file", "a header line and rows", mend)
    delimiter = told if told in DELIMITERS else _delimiter_of(lines[first], known)
    return _records(lines, first, delimiter, source), source


def _records(lines: list[str], first: int, delimiter: str, source: str) -> Records:
    body = lines[first:]
    reader = csv.reader(body, delimiter=delimiter, strict=True)
    header: list[str] = []
    columns: list[list[str]] = []
    kept: list[int] = []
    surplus: list[tuple[int, int]] = []
    count = 0
    try:
        header = [cell.strip() for cell in next(reader)]
        columns = [[] for _ in header]
        while chunk := list(islice(reader, _CHUNK)):
            numbers = _tidy_chunk(chunk, len(header), count, surplus)
            count += len(numbers)
            if "" in (row[0] for row in chunk):
                full = [bool("".join(row).strip()) for row in chunk]
                chunk, numbers = list(compress(chunk, full)), list(compress(numbers, full))
            kept += numbers
            for column, cells in zip(columns, zip(*chunk, strict=True), strict=bool(chunk)):
                column += cells
    except csv.Error as error:
        found = f"a cell that cannot be read ({error})"
        mend = 'Close the quotation mark, or write "" for a quotation mark inside a cell.'
        line = first + _starts(body, delimiter)[-1]
        raise TableError(source, line, found, "cells in matching quotation marks", mend) from None
    spanning = count + 1 != len(body)  # a cell holds line ends
    starts = _starts(body, delimiter) if spanning else range(1, count + 2)
    lines_of = [first + starts[number + 1] for number in kept]
    return Records(
        header,
        first + 1,
        columns,
        lines_of,
        [(first + starts[number + 1], cells) for number, cells in surplus],
        delimiter,
    )


def _tidy_chunk(chunk: list[list[str]], width: int, count: int, surplus: list[tuple[int, int]]) -> list[int]:
    """Bring the rows of a chunk to the width of the header; return their numbers, note those with cells to spare."""
    for index, row in enumerate(chunk):
        if len(row) != width:
            if any(cell.strip() for cell in row[width:]):
                surplus.append((count + index, len(row)))
            chunk[index] = (row + [""] * width)[:width]
    return list(range(count, count + len(chunk)))


def _starts(body: list[str], delimiter: str) -> list[int]:
    """Return the first line (1-based in `body`) of each record that can be read, then that of the one that cannot."""
    reader = csv.reader(body, delimiter=delimiter, strict=True)
    starts = [1]
    try:
        for _ in reader:
            starts.append(reader.line_num + 1)  # noqa: PERF401  # what was read before an error must stay
    except csv.Error:
        return starts
    return starts[:-1]
