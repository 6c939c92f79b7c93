"""The preamble: lines of text to entries (key, value, unit), whatever way they are written.

One entry a line or several, ``key,value``, ``key: value``, ``key=value``, ``key value``, quoted, bracketed, behind
``!`` or ``#``, with the unit in the value, in the key or in a cell of its own, and keys joined as ``RBW/VBW``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from spectra.readers.cells import is_time, number, split_row, unit_kind
from spectra.readers.outline import TextLine
from spectra.readers.times import time_of
from spectra.readers.words import Key, detector_of, ideas_of, key_of

__all__ = ["Entry", "cells_of", "entries_of", "uncommented"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One statement of the file: where it stands, key and value as written, and what the key means (if known).

    `values` are all values in their cells (one per trace, perhaps); `unit` stands in a cell of its own or in the key;
    `mark` says who set the value (``Auto``, ``Man``), where a cell of its own does; `loose` that it was found among
    other words, and counts only where nothing else says the same thing.
    """

    line: int
    key: str
    value: str
    unit: str | None = None
    meaning: Key | None = None
    values: tuple[str, ...] = ()
    mark: str = ""
    loose: bool = False


_COMMENT = re.compile(r"^(?:[!#%*]+|//+|--+(?=\s))\s*")
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
LONGEST_LINE = 2000
"""A longer line is no statement of settings."""
_MARKS = frozenset({"auto", "man", "manual", "manuell", "automatic", "automatisch", "manuel", "automatique"})
_QUOTES = " \t\"'\u00a0"


def uncommented(text: str) -> str:
    """Return a line without the marks that make it a comment."""
    return _COMMENT.sub("", text.strip(" \r\n"))


def cells_of(text: str, decimal: str, delimiter: str | None = None) -> list[str]:
    """Return the cells of a preamble line, stripped, trailing empty ones dropped."""
    if delimiter is None:
        delimiter = next((d for d in (";", "\t", "|", ",") if d in text), "")
    if delimiter == "," and decimal == "," and '"' not in text:
        text = _DECIMAL_COMMA.sub("\x1f", text)
    cells = [cell.replace("\x1f", ",").strip(_QUOTES) for cell in split_row(text, delimiter)]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def entries_of(lines: Iterable[TextLine], decimal: str = ".") -> list[Entry]:
    """Return the entries in lines of text, in order."""
    found: list[Entry] = []
    before = TextLine(0, "")
    for line in lines:
        text = uncommented(line.text)
        if text and len(text) <= LONGEST_LINE:
            below = _below(uncommented(before.text), text, decimal) if before.line == line.line - 1 else ()
            while below and found and found[-1].line == before.line:
                found.pop()  # keys without values, as they looked on their own
            found.extend(
                Entry(line.line, e.key, e.value, e.unit, e.meaning, e.values, e.mark, e.loose)
                for e in below or _entries_of_text(text, decimal)
            )
        before = line
    return found


@lru_cache(maxsize=256)
def _below(keys: str, values: str, decimal: str) -> tuple[Entry, ...]:
    """Return the entries of a line of values under a line of keys, cell below cell; none where it is no such pair."""
    if not 0 < len(keys) <= LONGEST_LINE or any(mark in keys for mark in "=:"):
        return ()
    names, cells = cells_of(keys, decimal), cells_of(values, decimal)
    meanings = [_known(name) for name in names]
    if len(names) < 2 or not len(names) // 2 < len(cells) <= len(names) or sum(m is not None for m in meanings) < 2:
        return ()
    pairs = list(zip(names, meanings, cells, strict=False))
    counted = [(_VALUE_UNIT.fullmatch(c.replace(" ", "")), m) for _, m, c in pairs if m and m.concept in _NUMERIC]
    if len(counted) < 2 or not all(match and number(match[1], decimal) is not None for match, _ in counted):
        return ()
    if any(map(_known, cells)):
        return ()  # a key and its value, as in the line above
    return tuple(Entry(0, name, cell, m.unit if m else None, m, (cell,)) for name, m, cell in pairs if cell)


@lru_cache(maxsize=4096)
def _entries_of_text(text: str, decimal: str) -> tuple[Entry, ...]:
    """Return the entries of one line, numbered 0: the same lines stand in file after file."""
    line = 0
    cells = [part for cell in cells_of(text, decimal) for part in _phrases(cell, decimal)]
    found: list[Entry] = []
    at = 0
    while at < len(cells):
        cell = cells[at]
        at += 1
        if not cell:
            continue
        pairs = _pairs(cell)
        if pairs:
            found.extend(_made(line, key, value) for key, value in pairs)
            at = _take_value(cells, at, found)
            at = _take_unit(cells, at, found)
            continue
        whole = _whole_statement(cell, decimal)
        if whole:
            found.extend(whole)
            at = _take_unit(cells, at, found)
            continue
        key = cell.rstrip(" :=")
        meaning = _known(key)
        if meaning and at < len(cells):
            at, entry = _with_values(line, key, meaning, cells, at)
            found.append(entry)
            continue
        worded = _worded(line, cell, decimal)
        if worded:
            found.extend(worded)
            at = _take_unit(cells, at, found)
        elif _is_when(cell):
            found.append(Entry(line, "", cell, None, Key("when")))
        elif loose := _among_words(cell, decimal):
            found.extend(loose)
        elif at == 1 and len(cells) > 1 and not _known(cells[1]) and not _pairs(cells[1]):
            found.append(Entry(line, key, cells[1], None, None, tuple(cells[1:])))
            at = 2
    return tuple(part for entry in found for part in _parted(_dated(entry)))


def _dated(entry: Entry) -> Entry:
    """Return an entry under a word for data as the date that it is, where its value is one (``Data: 2 marzo 2026``)."""
    if entry.meaning is not None or not entry.key or not ideas_of(entry.key[:60])[0] & {"data"}:
        return entry
    ideas, strange, _ = ideas_of(entry.key[:60])
    if strange or not ideas <= {"data", "time", "acquisition"} or not any(c.isdigit() for c in entry.value):
        return entry
    moment, why = time_of(entry.value)
    return replace(entry, meaning=Key("when")) if moment is not None or why else entry


_PHRASE = re.compile(r"\s*[,;|]\s+")


def _phrases(cell: str, decimal: str) -> list[str]:
    """Part a cell such as ``Det : RMS , Avg 1`` where each part says something of its own."""
    parts = _PHRASE.split(cell)
    if len(parts) < 2 or not all(_pairs(part) or _worded(0, part, decimal) for part in parts):
        return [cell]
    return parts


def _known(key: str) -> Key | None:
    if "/" in key and not key_of(key):
        parts = [key_of(part) for part in key.split("/")]
        return Key("+") if all(parts) else None
    return key_of(key)


def _made(line: int, key: str, value: str) -> Entry:
    key = key.strip(_QUOTES)
    meaning = _known(key)
    value = value.strip(_QUOTES)
    value = value.rstrip(")") if value.count(")") > value.count("(") else value
    return Entry(line, key, value, meaning.unit if meaning else None, meaning, (value,))


def _with_values(line: int, key: str, meaning: Key, cells: list[str], at: int) -> tuple[int, Entry]:
    """Take the values of a known key from the cells after it, up to the next key."""
    values: list[str] = []
    unit, set_by = meaning.unit, ""
    while at < len(cells):
        cell = cells[at]
        if not cell and not values and at + 1 < len(cells):
            at += 1  # cells of a spreadsheet left empty between key and value
            continue
        if values and unit_kind(cell) and meaning.concept not in ("level_unit", "frequency_unit"):
            unit = cell
        elif (values or meaning.concept in _NUMERIC) and cell.lower().strip("()") in _MARKS:
            set_by = cell.strip("()")
        elif values and (_known(cell.rstrip(" :=")) or _pairs(cell)) and not _is_value(cell, meaning):
            break
        else:
            values.append(cell)
        at += 1
    return at, Entry(line, key, values[0] if values else "", unit, meaning, tuple(values), set_by)


def _is_value(cell: str, meaning: Key) -> bool:
    """Say whether a cell that could be a key is rather a value (``Average`` as a trace mode)."""
    return meaning.concept in ("trace_mode", "detector", "average_type", "trace")


def _take_value(cells: list[str], at: int, found: list[Entry]) -> int:
    """Take the value from the next cell where only who set it stands behind the key (``VBW: Man, 1 MHz``)."""
    last = found[-1]
    if at < len(cells) and last.meaning and last.meaning.concept in _NUMERIC and last.value.lower() in _MARKS:
        found[-1] = replace(last, value=cells[at], values=(cells[at],), mark=last.value)
        at += 1
    return at


def _take_unit(cells: list[str], at: int, found: list[Entry]) -> int:
    if at < len(cells) and found and unit_kind(cells[at]) and found[-1].unit is None:
        last = found[-1]
        found[-1] = replace(last, unit=cells[at])
        at += 1
    if at < len(cells) and found and found[-1].meaning is not None and cells[at].lower().strip("()") in _MARKS:
        found[-1] = replace(found[-1], mark=cells[at].strip("()"))
        at += 1
    return at


_SEPARATOR = re.compile(r"=|:(?![\\/0-9])|(?<![0-9]):(?=[0-9])|(?<=[A-Za-z)\]]):")


def _pairs(cell: str) -> list[tuple[str, str]]:
    """Return the ``key: value`` and ``key=value`` pairs in a cell."""
    if ":" not in cell and "=" not in cell:
        return []
    marks = [m for m in _SEPARATOR.finditer(cell) if m.start() > 0 and not cell[m.end() :].startswith("\\")]
    if not marks or (len(marks) == 1 and not cell[marks[0].end() :].strip(_QUOTES)):
        return []
    first = marks[0]
    key = cell[: first.start()]
    if not any(c.isalpha() for c in key):
        return []
    pairs: list[tuple[str, str]] = []
    start = first.end()
    for mark in marks[1:]:
        between = cell[start : mark.start()]
        words = between.split(" ")
        cut = next((i for i in range(max(0, len(words) - 6), len(words)) if _known(" ".join(words[i:]))), None)
        if cut is None:
            continue
        pairs.append((key, " ".join(words[:cut]).strip(" ,;|")))
        key, start = " ".join(words[cut:]), mark.end()
    pairs.append((key, cell[start:].strip(" ,;|")))
    return pairs


_VALUE_UNIT = re.compile(r"([+-]?[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)([A-Za-zµ%]*)")
_NUMERIC = frozenset(
    [
        "start",
        "stop",
        "centre",
        "span",
        "rbw",
        "vbw",
        "points",
        "averages",
        "step",
        "sweep_time",
        "reference_level",
        "attenuation",
        "impedance",
    ]
)


def _worded(line: int, cell: str, decimal: str) -> list[Entry]:
    """Return the entries of ``key value [unit] key value [unit]``; only whole lines of them, or a key at the start."""
    words = cell.split()
    found: list[Entry] = []
    at = 0
    while at < len(words):
        for size in range(min(6, len(words) - at - 1), 0, -1):
            if any(c.isdigit() for c in words[at + size - 1]):
                continue  # a value, not the end of a key
            key = " ".join(words[at : at + size])
            meaning = _known(key)
            if meaning is None:
                continue
            rest = words[at + size :]
            entry, used = _worded_value(line, key, meaning, rest, decimal)
            if entry is not None:
                found.append(entry)
                at += size + used
                break
        else:
            break
    return found


def _worded_value(line: int, key: str, meaning: Key, rest: list[str], decimal: str) -> tuple[Entry | None, int]:
    value = rest[0]
    if meaning.concept in _NUMERIC:
        match = _VALUE_UNIT.fullmatch(value)
        if not match or number(match[1], decimal) is None:
            return None, 0
        if match[2]:
            return Entry(line, key, value, meaning.unit, meaning, (value,)), 1
        if len(rest) > 1 and unit_kind(rest[1].strip(",;")):
            return Entry(line, key, value, rest[1].strip(",;"), meaning, (value,)), 2
        return Entry(line, key, value, meaning.unit, meaning, (value,)), 1
    if meaning.concept == "detector" and detector_of(" ".join(rest[:2])):
        used = 2 if len(rest) > 1 and not _known(rest[1]) else 1
        text = " ".join(rest[:used])
        return Entry(line, key, text, None, meaning, (text,)), used
    if meaning.concept in ("level_unit", "frequency_unit") and unit_kind(value):
        return Entry(line, key, value, None, meaning, (value,)), 1
    if meaning.concept == "when":
        text = " ".join(rest)
        if any(c.isdigit() for c in text):
            return Entry(line, key, text, None, meaning, (text,)), len(rest)
    if meaning.concept == "trace_mode":
        text = " ".join(rest)
        return Entry(line, key, text, None, meaning, (text,)), len(rest)
    return None, 0


def _parted(entry: Entry) -> list[Entry]:
    """Part an entry whose key joins two (``RBW/VBW : 100 kHz / 1000 kHz``)."""
    if entry.meaning is None or entry.meaning.concept != "+":
        return [entry]
    keys, values = entry.key.split("/"), entry.value.split("/")
    if len(keys) != len(values):
        return [Entry(entry.line, entry.key, entry.value, entry.unit, None, entry.values)]
    tail = re.search(r"[A-Za-zµ]+\s*$", values[-1])
    unit = entry.unit or (tail[0] if tail and unit_kind(tail[0]) else None)
    return [
        Entry(entry.line, key.strip(), value.strip(), unit, key_of(key), (value.strip(),))
        for key, value in zip(keys, values, strict=True)
    ]


def _whole_statement(cell: str, decimal: str) -> list[Entry]:
    """Return what a cell such as ``Start 1200 MHz`` says if it says it whole, unit and all; else nothing."""
    if " " not in cell or not cell[-1:].isalpha() or not any(c.isdigit() for c in cell):
        return []
    worded = _worded(0, cell, decimal)
    if not worded or any(e.unit is None and e.value[-1:].isdigit() for e in worded):
        return []
    for e in worded:
        unit = e.unit or (match[2] if (match := _VALUE_UNIT.fullmatch(e.value)) else "")
        if e.meaning is not None and e.meaning.concept in _LOOSE and unit_kind(unit) != "frequency":
            return []
    said = "".join(e.key + e.value + ("" if e.value[-1:].isalpha() else e.unit or "") for e in worded)
    return worded if said.replace(" ", "") == cell.replace(" ", "") else []


_LOOSE = frozenset({"rbw", "vbw", "start", "stop", "centre", "span"})


def _among_words(cell: str, decimal: str) -> list[Entry]:
    """Return settings with a unit of frequency among other words (``swept with RBW 100 kHz on the bridge wing``)."""
    words = cell.split()
    found: list[Entry] = []
    at = 1
    while 3 < len(words) <= 40 and at < len(words) - 1:
        entry, used = None, 0
        for size in range(min(4, len(words) - at - 1), 0, -1):
            key = " ".join(words[at : at + size])
            meaning = None if any(c.isdigit() for c in key) else _known(key)
            if meaning is not None and meaning.concept in _LOOSE:
                entry, used = _worded_value(0, key, meaning, words[at + size :], decimal)
                used += size
                break
        unit = None if entry is None else entry.unit or _VALUE_UNIT.fullmatch(entry.value.strip(",;"))
        if entry is not None and unit is not None and (isinstance(unit, str) or unit_kind(unit[2] or "")):
            found.append(replace(entry, loose=True))
            at += used
        else:
            at += 1
    return found


def _is_when(cell: str) -> bool:
    return is_time(cell) and len(cell) >= 8
