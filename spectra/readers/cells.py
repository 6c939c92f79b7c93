"""Cells: numbers as instruments and spreadsheets write them, units, and what kind of thing a cell is."""

from __future__ import annotations

import re
from functools import lru_cache

__all__ = [
    "BLANK_WORDS",
    "EDGE",
    "FREQUENCY_SCALE",
    "LEVEL_UNITS",
    "LONGEST_CELL",
    "OTHER_LEVEL_UNITS",
    "RATIO_UNITS",
    "bare_number",
    "classify",
    "find_unit",
    "number",
    "split_row",
    "unit_kind",
]

FREQUENCY_SCALE: dict[str, float] = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
LEVEL_UNITS: dict[str, str] = {"dbm": "dBm", "dbmv": "dBmV", "dbuv": "dBuV"}
RATIO_UNITS = frozenset({"db", "dbc", "%", "dbr", "dbfs"})
OTHER_LEVEL_UNITS = frozenset(
    {"dbm/hz", "dbmv/hz", "dbuv/hz", "dbuv/m", "dbua", "dbua/m", "dbpw", "dbw", "dbv", "v", "mv", "uv", "w", "mw", "nw"}
    | {"pw", "uw", "dbuv/mhz", "v/m", "dbi", "dbd", "dbm/mhz", "volt", "volts", "watt", "watts"}
    | {"milliwatt", "milliwatts", "microwatt", "microwatts", "millivolt", "millivolts", "microvolt", "microvolts"}
)
_TIME_SCALE = {"s": 1.0, "sec": 1.0, "secs": 1.0, "ms": 1e-3, "msec": 1e-3, "us": 1e-6, "min": 60.0, "ns": 1e-9}
_TIME_SCALE |= {"second": 1.0, "seconds": 1.0, "sek": 1.0}
_OTHER_UNITS = {"ohm": 1.0, "ohms": 1.0, "deg": 1.0, "°": 1.0, "c": 1.0, "m": 1.0, "pts": 1.0}
TIME_SCALE = _TIME_SCALE

LONGEST_CELL = 100
"""A longer cell is no number, no unit and no time: nothing is searched in it (patterns may take long)."""
BLANK_WORDS = frozenset({"-", "--", "---", "----", "n/a", "na", "nan", "null", "none", "inf", "-inf", "+inf"})
BLANK_WORDS |= frozenset({"infinity", "-infinity", "+infinity", "*", "**", "***", "****", "*****", "1.#inf", "-1.#inf"})
BLANK_WORDS |= frozenset({"1.#qnan", "-1.#ind", "#n/a", "-nan", "+nan"})

_PLAIN = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_WITH_UNIT = re.compile(
    r"([+-]?[0-9.,'’ \u00a0\u202f]*[0-9][.,]?(?:[eE][+-]?[0-9]+)?)\s*([A-Za-zµμ%°Ω][A-Za-zµμ/%Ω]*)?"
)
_GROUPS = re.compile(r"[+-]?[0-9]{1,3}(?:([ \u00a0\u202f'’.,])[0-9]{3})(?:\1[0-9]{3})*")
EDGE = ' \t"\u00a0\u202f'


@lru_cache(maxsize=4096)
def unit_key(text: str) -> str:
    """Return a unit in the form of the tables here: lower case, u for micro."""
    return text.strip(" \t.\u00a0").lower().replace("µ", "u").replace("μ", "u").replace("ω", "ohm")


@lru_cache(maxsize=4096)
def unit_kind(text: str) -> str | None:
    """Say what a unit measures: frequency, level, ratio, other_level, time, other; None if it is no unit."""
    key = unit_key(text)
    if key in FREQUENCY_SCALE:
        return "frequency"
    if key in LEVEL_UNITS:
        return "level"
    if key in RATIO_UNITS:
        return "ratio"
    if key in OTHER_LEVEL_UNITS:
        return "other_level"
    if key in _TIME_SCALE:
        return "time"
    return "other" if key in _OTHER_UNITS else None


_BRACKET_UNIT = re.compile(r"[\[({<]\s*(?:unit\s*[:=]\s*)?([A-Za-zµμ%/]+)\s*[\])}>]")
_TAIL_UNIT = re.compile(r"(?:^|[\s_,;:/=\-]|\bin )([A-Za-zµμ%]+(?:/[A-Za-z]+)?)\s*$")


_AFTER_SLASH = re.compile(r"/\s*([A-Za-zµμ%]+)\s*$")


_LEVEL_INSIDE = re.compile(r"(?:(?<=[\s_,;:])|^)(dBm|dBmV|dB[uµμ]V)(?=[\s_,;:]|$)")


def find_unit(text: str) -> tuple[str | None, str]:
    """Return the unit that a key or a column name carries, and the name without it.

    ``RBW (kHz)``, ``Level [dBm]``, ``start_freq_Hz``, ``Frequency in MHz`` and a bare ``dBm`` are understood.
    """
    return _find_unit(text) if len(text) <= LONGEST_CELL else (None, text)


@lru_cache(maxsize=2048)
def _find_unit(text: str) -> tuple[str | None, str]:
    for match in _BRACKET_UNIT.finditer(text):
        if unit_kind(match[1]) not in (None, "other"):
            return match[1], (text[: match.start()] + " " + text[match.end() :]).strip()
    tail = _TAIL_UNIT.search(text)
    if tail and "/" in tail[1] and unit_kind(tail[1]) is None:
        tail = _AFTER_SLASH.search(text)
    if tail and unit_kind(tail[1]) in ("frequency", "level", "ratio", "other_level"):
        name = text[: tail.start()].rstrip(" _,;:/=-")
        return tail[1], name[:-3].rstrip() if name.lower().endswith(" in") else name
    if tail and unit_kind(tail[1]) == "time" and tail.start() > 0 and len(tail[1]) > 0:
        return tail[1], text[: tail.start()].rstrip(" _,;:/=-")
    inside = _LEVEL_INSIDE.search(text)
    if inside:
        return inside[1], (text[: inside.start()] + text[inside.end() :]).strip()
    return None, text


@lru_cache(maxsize=65536)
def number(text: str, decimal: str = ".") -> float | None:
    """Return the number in a cell, or None: ``float`` of its text with `decimal` as mark and thousands marks out.

    Thousands marks count only in groups of three digits; a mark that stands once and could be the decimal mark of
    another file is not taken for a thousands mark.
    """
    text = text.strip(EDGE)
    if not text or len(text) > LONGEST_CELL:
        return None
    if "\u2212" in text or "\u2013" in text:
        text = text.replace("\u2212", "-").replace("\u2013", "-")
    if decimal == "." and _PLAIN.fullmatch(text):
        return float(text)
    whole, mark, tail = text.partition(decimal)
    grouped = _GROUPS.fullmatch(whole)
    if grouped and grouped[1] != decimal:
        whole = whole.replace(grouped[1], "")
    if decimal != "." and ("." in whole or "." in tail):
        return None  # a mark of another file, or no number
    plain = whole + ("." if mark else "") + tail
    return float(plain) if _PLAIN.fullmatch(plain) else None


def bare_number(cell: str, decimal: str) -> float | None:
    """Return the number in a stripped cell, the quick way where it is plainly written; None if it is none."""
    if cell[-1:].isdigit() and cell[0] > " " and len(cell) <= LONGEST_CELL and cell.isascii() and "_" not in cell:
        if decimal == ".":
            plain = cell
        elif "." in cell:
            return number(cell, decimal)
        else:
            plain = cell.replace(",", ".")
        try:
            return float(plain)
        except ValueError:
            return number(cell, decimal)
    return None if cell[-1:].isalpha() else number(cell, decimal)


def classify(cell: str, decimal: str) -> tuple[str, str, str]:
    """Return kind, number text and unit of a cell.

    Kinds: ``N`` number (with or without unit), ``u`` unit alone, ``E`` empty, ``X`` a word for "no value",
    ``D`` date or time, ``T`` anything else.
    """
    odd = '"' in cell and cell.count('"') % 2  # a quote that opens and is not closed: nobody knows what it holds
    cell = cell.strip(EDGE)
    if odd:
        return "T", cell, ""
    if not cell:
        return "E", "", ""
    if len(cell) > LONGEST_CELL:
        return "T", cell, ""
    first = cell[0]
    if first.isdigit() or first in "+-.,\u2212\u2013":
        if not cell[-1].isalpha() and number(cell, decimal) is not None:
            return "N", cell, ""
        plain = cell.replace("\u2212", "-").replace("\u2013", "-")
        match = _WITH_UNIT.fullmatch(plain)
        if match and match[2] and unit_kind(match[2]) and number(match[1], decimal) is not None:
            return "N", match[1], match[2]
        if is_time(cell):
            return "D", cell, ""
    if cell.lower() in BLANK_WORDS:
        return "X", "", ""
    kind = unit_kind(cell.strip("[]()"))
    if kind and kind != "other":
        return "u", "", cell.strip("[]()")
    return "T", cell, ""


_CLOCK = r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?"
_TIME = re.compile(
    rf"[0-9]{{1,4}}[-/.][0-9]{{1,2}}[-/.][0-9]{{1,4}}(?:[T ]+{_CLOCK}\s*(?:Z|UTC|[+-][0-9:]{{2,6}})?)?"
    rf"|{_CLOCK}\s*(?:Z|UTC|[AaPp][Mm])?"
)


def is_time(text: str) -> bool:
    """Say whether a cell is a date, a time of day, or both."""
    return len(text) <= LONGEST_CELL and _TIME.fullmatch(text.strip(EDGE)) is not None


def split_row(line: str, delimiter: str) -> list[str]:
    """Split a line into cells; quotes protect the delimiter; blanks stand for any run of white space.

    An empty `delimiter` means one cell per line.
    """
    if delimiter == "":
        return [line]
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    cells: list[str] = []
    at, inside, start = 0, False, 0
    for at, char in enumerate(line):
        if char == '"':
            inside = not inside
        elif char == delimiter and not inside:
            cells.append(line[start:at])
            start = at + 1
    cells.append(line[start:])
    return cells
