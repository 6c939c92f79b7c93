"""Take values out of a scene's tables one by one, checked, and refuse what nobody asked for."""

from __future__ import annotations

import contextlib
import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from spectra.errors import SceneError

__all__ = ["Keys", "Source"]

_HEADER = re.compile(r"^\s*(\[\[|\[)\s*([^\]]+?)\s*\]")


@dataclass(frozen=True, slots=True)
class Source:
    """The scene's file name and text, to find the line of a key."""

    file: str
    text: str

    def line_of(self, table: str, index: int | None, key: str) -> int | None:
        """Return the line of `key` in a table (the index-th of an array of tables), else that of its header."""
        inside, seen, header = table == "", -1, None
        pattern = re.compile(rf'^\s*"?{re.escape(key)}"?\s*[.=]')
        for number, line in enumerate(self.text.splitlines(), start=1):
            match = _HEADER.match(line)
            if match:
                name = match.group(2).replace(" ", "")
                if name == table.split(".")[0] and match.group(1) == "[[":
                    seen += 1
                inside = name == table and (index is None or seen == index)
                header = number if inside else header
            elif inside and pattern.match(line):
                return number
        return header


class Keys:
    """One table of a scene. Every getter removes its key; `done` refuses what is left."""

    def __init__(
        self,
        values: Mapping[str, Any],
        source: Source,
        table: str,
        index: int | None = None,
        laid_over: Mapping[str, Keys] | None = None,
    ) -> None:
        self._values = dict(values)
        self._laid_over = laid_over or {}  # keys that came from another table, which a refusal has to name
        self.source, self._table, self._index = source, table, index
        self._known: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def refuse(self, key: str, found: str, expected: str, mend: str = "Mend that line.") -> SceneError:
        """Return the error that names the key by its whole path."""
        if key in self._laid_over:
            return self._laid_over[key].refuse(key, found, expected, mend)
        place = self._table if self._index is None else f"{self._table}[{self._index}]"
        line = self.source.line_of(self._table, self._index, key)
        return SceneError(self.source.file, line, found, expected, mend, f"{place}.{key}" if place else key)

    def missing(self, key: str, expected: str) -> SceneError:
        """Return the error for a needed key that is not there; a misspelt one is named instead."""
        near = difflib.get_close_matches(key, [name for name in self._values if name not in self._known], 1, 0.75)
        if near:
            return self.refuse(near[0], f"unknown key {near[0]!r}", f"{key}, {expected}", f"Did you mean {key}?")
        return self.refuse(key, f"no {key}", expected, f"Add a line {key} = ...")

    def take(self, key: str) -> Any:
        """Return and remove a value as it stands; None if the key is not there."""
        self._known.add(key)
        return self._values.pop(key, None)

    def number(
        self,
        key: str,
        *,
        scale: float = 1.0,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
        required: bool = False,
    ) -> float | None:
        """Return a number times `scale` (the unit in the key's name), or None."""
        value = self.take(key)
        limits = []
        if above > -math.inf:
            limits.append(f"above {above:g}")
        if least > -math.inf:
            limits.append(f"{least:g} or more")
        if most < math.inf:
            limits.append(f"{most:g} or less")
        expected = "a number" + (" " + ", ".join(limits) if limits else "")
        if value is None:
            if required:
                raise self.missing(key, expected)
            return None
        plain = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not plain or value <= above or value < least or value > most:
            raise self.refuse(key, f"{key} = {value!r}", expected)
        return float(value) * scale

    def whole(self, key: str, *, least: int = 1, required: bool = False) -> int | None:
        """Return a whole number, or None."""
        value = self.take(key)
        if value is None:
            if required:
                raise self.missing(key, f"a whole number, {least} or more")
            return None
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise self.refuse(key, f"{key} = {value!r}", f"a whole number, {least} or more")
        return value

    def words(self, key: str, *, choices: Sequence[str] = (), required: bool = False) -> str | None:
        """Return a text, one of `choices` if there are any, or None."""
        value = self.take(key)
        expected = "one of " + ", ".join(choices) if choices else "text in quotes"
        if value is None:
            if required:
                raise self.missing(key, expected)
            return None
        if not isinstance(value, str) or not value or (choices and value not in choices):
            raise self.refuse(key, f"{key} = {value!r}", expected)
        return value

    def flag(self, key: str) -> bool | None:
        """Return true or false, or None."""
        value = self.take(key)
        if value is not None and not isinstance(value, bool):
            raise self.refuse(key, f"{key} = {value!r}", "true or false")
        return value

    def listed(self, key: str, kind: type, what: str) -> tuple[Any, ...] | None:
        """Return an array of values of one kind, or None."""
        value = self.take(key)
        if value is None:
            return None
        if not isinstance(value, list) or any(not isinstance(item, kind) or isinstance(item, bool) for item in value):
            raise self.refuse(key, f"{key} = {value!r}", f"an array of {what}, such as [ ... ]")
        return tuple(value)

    def time(self, key: str) -> datetime | None:
        """Return a time with its zone (UTC where it has none), or None."""
        value = self.take(key)
        if isinstance(value, str):
            with contextlib.suppress(ValueError):  # refused below as it was found
                value = datetime.fromisoformat(value)
        if value is None:
            return None
        if not isinstance(value, datetime):
            raise self.refuse(key, f"{key} = {value!r}", "a time such as 2026-03-14T12:00:00Z")
        return value if value.tzinfo else value.replace(tzinfo=UTC)

    def table(self, key: str) -> dict[str, Any]:
        """Return a table, empty where there is none."""
        value = self.take(key)
        if value is None:
            return {}
        if not isinstance(value, dict):
            raise self.refuse(key, f"{key} = {value!r}", f"a table [{key}]")
        return value

    def tables(self, key: str) -> list[dict[str, Any]]:
        """Return an array of tables, empty where there is none."""
        value = self.take(key)
        if value is None:
            return []
        if not isinstance(value, list) or any(not isinstance(item, dict) for item in value):
            raise self.refuse(key, f"{key} = {value!r}", f"tables headed [[{key}]]")
        return value

    def done(self) -> None:
        """Refuse the first key that nobody asked for, with the nearest known one."""
        for key in self._values:
            near = difflib.get_close_matches(key, self._known, 1)
            mend = f"Did you mean {near[0]}?" if near else "Take that line out."
            raise self.refuse(key, f"unknown key {key!r}", "one of " + ", ".join(sorted(self._known)), mend)
