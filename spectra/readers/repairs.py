"""What copying, spreadsheets and scripts do to every line of a text, undone where no rows of numbers are seen else."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from typing import Any

__all__ = ["REPAIRS", "without_remarks"]

_REMARK = re.compile(rb"^([ \t]*[-+.\"0-9][^#!%\r\n]*)[#!%][^\r\n]*", re.MULTILINE)
_NUMBERED_KEY = re.compile(
    rb"^[ \t]*(?:[A-Za-z]{1,12}[_ \[]?[0-9]{1,6}\]?[ \t]*[=:]|[0-9]{1,6}[ \t]*=)[ \t]*(?=[-+.]?[0-9])", re.MULTILINE
)
"""Rows written as ``P_17=-91.2``, ``17=-91.2`` or ``Point 17: 1173.5, -91.2``."""
_MOST = 32 * 1024 * 1024
"""Larger texts are not looked at."""
_SOME = 20000


def without_remarks(data: bytes) -> tuple[bytes, int]:
    """Return a text without the remarks behind the numbers of rows (``1173.5, -91.2  # spur``), and their count."""
    found = 0

    def numbers(match: re.Match[bytes]) -> bytes:
        nonlocal found
        if match[1][-1:] not in b" \t":
            return match[0]
        found += 1
        return match[1].rstrip(b" \t")

    return _REMARK.sub(numbers, data), found


def _of_remarked_rows(data: bytes) -> bytes | None:
    bare, found = without_remarks(data)
    return bare if found >= 3 else None


def _without_numbered_keys(data: bytes) -> bytes | None:
    """Return a text without the numbered keys in front of its numbers, None where there are none."""
    parts: list[bytes] = []
    count, at = 0, 0
    while at < len(data):  # piece by piece: a piece of text per key would take many times the file
        end = data.find(b"\n", at + 65536) + 1 or len(data)
        part, found = _NUMBERED_KEY.subn(b"", data[at:end])
        parts.append(part)
        count, at = count + found, end
    return b"".join(parts) if count >= 3 else None


def _without_blank_lines(data: bytes) -> bytes | None:
    """Return a text without blank lines where every other line is one."""
    if len(data) > _MOST or data.count(b"\n\n") + data.count(b"\n\r\n") < 0.3 * data.count(b"\n"):
        return None
    return re.sub(rb"\n(?:[ \t]*\r?\n)+", b"\n", data)


def _without_outer_quotes(data: bytes) -> bytes | None:
    """Return a text whose lines stand in quotes as wholes without these; doubled quotes inside are one."""
    if len(data) > _MOST or not (data.lstrip().startswith(b'"') or b'\n"' in data):
        return None
    bare = bytearray()
    found, at = 0, 0
    while at < len(data):
        end = data.find(b"\n", at) + 1 or len(data)
        line = data[at:end]
        inner = line.rstrip(b" \t;,\r\n")
        whole = len(inner) > 2 and inner[:1] == inner[-1:] == b'"' and b'"' not in inner[1:-1].replace(b'""', b"")
        if whole and any(mark in inner for mark in (b",", b";", b"\t", b" ")):
            line = inner[1:-1].replace(b'""', b'"') + b"\n"
            found += 1
        elif found < 3 and len(bare) > _SOME:
            return None
        bare += line
        at = end
    return bytes(bare) if found >= 3 else None


_AS_TEXT = re.compile(rb"(?:(?<=[;,\t\n])|^)(?:'(?=[-+.0-9])|=\"([-+.,0-9eE]*)\")")
_SIGN_AWAY = re.compile(
    rb"(?:(?<=[;,\t\n])|^)[ \t]*(?:\(([0-9.,]+)\)|-[ \t]+([0-9.,]+)|([0-9.,]+)-)[ \t]*(?=[;\t\r\n]|,|$)"
)


def _of_text_cells(data: bytes) -> bytes | None:
    """Return a text without the marks by which a spreadsheet keeps numbers as text (``'12`` and ``="12"``)."""
    if len(data) > _MOST:
        return None
    bare, found = _AS_TEXT.subn(rb"\1", data)
    return bare if found >= 3 else None


def _with_signs_in_front(data: bytes) -> bytes | None:
    """Return a text whose negative numbers, in brackets or with the sign behind or apart, have it in front."""
    if len(data) > _MOST:
        return None
    bare, found = _SIGN_AWAY.subn(rb"-\1\2\3", data)
    return bare if found >= 3 else None


def _of_objects(data: bytes) -> bytes | None:
    """Return the settings and rows of a JSON text as lines; None where it is none."""
    front = data[:64].lstrip()[:1]
    if len(data) > _MOST or front not in (b"{", b"["):
        return None
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return None
    try:
        return "\n".join(_lines_of(value if isinstance(value, dict) else {"rows": value}, 0)).encode("utf-8", "replace")
    except (TypeError, ValueError, OverflowError):
        return None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _lines_of(value: dict[str, Any], depth: int) -> Iterator[str]:
    """Yield ``key: value`` for every setting, then rows for lists of numbers (those of one length side by side)."""
    lists: dict[int, dict[str, list[Any]]] = {}
    for key, item in value.items():
        if isinstance(item, dict) and depth < 8:
            yield from _lines_of(item, depth + 1)
        elif isinstance(item, list) and len(item) > 1 and all(map(_is_number, item)):
            lists.setdefault(len(item), {})[key] = item
        elif isinstance(item, list) and len(item) > 1 and isinstance(item[0], dict):
            if all(isinstance(one, dict) and one.keys() == item[0].keys() for one in item):
                yield ",".join(item[0])
                yield from (",".join(str(cell) for cell in one.values()) for one in item)
        elif isinstance(item, list) and len(item) > 1 and isinstance(item[0], list):
            yield from (",".join(str(cell) for cell in one) for one in item if isinstance(one, list))
        elif isinstance(item, str | int | float):
            yield f"{key}: {item}"
    for columns in lists.values():
        yield ",".join(columns)
        yield from (",".join(map(str, row)) for row in zip(*columns.values(), strict=True))


REPAIRS: tuple[tuple[Callable[[bytes], bytes | None], str], ...] = (
    (_of_objects, "read from JSON: lines are counted as if each setting and each point stood on its own"),
    (_without_numbered_keys, ""),
    (_of_remarked_rows, "left out: remarks behind the numbers of the rows"),
    (_of_text_cells, "numbers kept as text by a spreadsheet read as numbers"),
    (_with_signs_in_front, "numbers in brackets, or with the minus sign behind or apart, read as negative"),
    (_without_blank_lines, "blank lines between the rows left out; lines are counted without them"),
    (_without_outer_quotes, "quotes round whole lines left out"),
)
"""What is tried on a text without rows of numbers, and what is told of it."""
