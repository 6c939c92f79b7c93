"""The dialect of rows of numbers: which character parts the cells, which is the decimal mark, what a row looks like."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from spectra.readers.cells import classify, split_row

__all__ = ["Dialect", "Row", "guess_dialect", "row_of"]

_COMMA_PAIR = re.compile(r"\s*([+-]?[0-9]+),([0-9]+)(?:[eE][+-]?[0-9]+)?\s*(?:[A-Za-zµ]+)?\s*")


@dataclass(frozen=True, slots=True)
class Dialect:
    """Delimiter (``""`` one cell a line, ``" "`` any white space) and decimal mark of rows of numbers."""

    delimiter: str
    decimal: str


@dataclass(frozen=True, slots=True)
class Row:
    """What a row looks like: the kind of each cell (trailing empty cells dropped), its number text and its unit."""

    kinds: str
    texts: tuple[str, ...]
    units: tuple[str, ...]

    @property
    def numeric(self) -> bool:
        """Say whether it is a row of numbers only (units, blanks and leading times allowed)."""
        return "N" in self.kinds and "T" not in self.kinds and "D" not in self.kinds.lstrip("D")

    def like(self, other: Row) -> bool:
        """Say whether two rows belong to one table: the same cells are numbers, and units of the same kind."""
        return self.kinds == other.kinds

    def beside(self, other: Row) -> bool:
        """Say whether two rows belong to one table, a number in one where the other says "no value" allowed."""
        return len(self.kinds) == len(other.kinds) and all(
            a == b or (a in "NX" and b in "NX") for a, b in zip(self.kinds, other.kinds, strict=True)
        )

    @property
    def numbers(self) -> int:
        """How many cells are numbers."""
        return self.kinds.count("N")


@lru_cache(maxsize=256)  # the search for a table looks at each line several times
def row_of(line: str, dialect: Dialect) -> Row:
    """Return how a line looks in a dialect."""
    parts = [classify(cell, dialect.decimal) for cell in split_row(line, dialect.delimiter)]
    while parts and parts[-1][0] == "E":
        parts.pop()
    if not parts:
        return Row("", (), ())
    kinds, texts, units = zip(*parts, strict=True)
    return Row("".join(kinds), texts, units)


@lru_cache(maxsize=64)
def guess_dialect(lines: tuple[str, ...]) -> Dialect | None:
    """Return the dialect in which all `lines` are rows of numbers that look alike, or None.

    Order of trial: semicolon, tab, bar, comma, white space, one cell a line. A comma may be delimiter or decimal
    mark: with one comma a line and no point anywhere it is the delimiter only if what stands before it rises.
    """
    joined = "\n".join(lines)
    for delimiter in (";", "\t", "|"):
        if all(delimiter in line for line in lines):
            found = _with_delimiter(lines, delimiter)
            if found:
                return found
    if "," in joined:
        pairs = [_COMMA_PAIR.fullmatch(line) for line in lines]
        if all(pairs) and "." not in joined:
            first = [float(pair[1]) for pair in pairs if pair]
            rising = all(b > a for a, b in pairwise(first)) and first[0] >= 0
            likelier = [Dialect(",", "."), Dialect("", ",")]
            return next((d for d in (likelier if rising else likelier[::-1]) if _fits(lines, d)), None)
        if all("," in line for line in lines):
            found = _with_delimiter(lines, ",")
            if found:
                return found
    return _with_delimiter(lines, "") or _with_delimiter(lines, " ")


def _with_delimiter(lines: tuple[str, ...], delimiter: str) -> Dialect | None:
    """Return the dialect with this delimiter in which the lines are rows of numbers; likelier decimal mark first."""
    cells = [cell.strip(' "') for line in lines for cell in split_row(line, delimiter)]
    decimal = "."
    if any("," in c for c in cells):
        both = next((c for c in cells if "," in c and "." in c), None)
        if both is not None:
            decimal = "," if both.rfind(",") > both.rfind(".") else "."
        elif not any(c.count(",") > 1 for c in cells) or any(c.count(".") > 1 for c in cells):
            decimal = ","
    either = any("," in c or "." in c for c in cells)
    for mark in (decimal, "." if decimal == "," else ",")[: 1 + either]:
        dialect = Dialect(delimiter, mark)
        if _fits(lines, dialect):
            return dialect
    return None


def _fits(lines: tuple[str, ...], dialect: Dialect) -> bool:
    if any(classify(cell, dialect.decimal)[0] == "T" for cell in split_row(lines[0], dialect.delimiter)):
        return False  # seen at the first such cell, mostly the very first
    first = row_of(lines[0], dialect)
    rest = [row_of(line, dialect) for line in lines[1:]] if first.numeric else []
    return first.numeric and all(row.numeric and row.beside(first) for row in rest)
