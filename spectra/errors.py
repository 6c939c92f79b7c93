"""The tree of errors: every error of ours is a `SpectraError` and says how to mend it."""

from __future__ import annotations

from typing import Any

__all__ = [
    "ArchiveError",
    "ChainError",
    "ContextError",
    "IdentificationError",
    "MeasurementError",
    "ReportError",
    "SceneError",
    "SpectraError",
    "SweepFormatError",
    "TableError",
    "UsageError",
    "VisitError",
]


class SpectraError(Exception):
    """Something that the user can mend, told in five parts.

    Parameters
    ----------
    source : str
        File name, or what stands for it (an option, an argument).
    line : int or None
        1-based line in the source, None where no line applies.
    found, expected, mend : str
        What was there, what should be, and what to do about it.
    column : str or None
        Column name or number, where a table is at fault.
    """

    def __init__(
        self, source: str, line: int | None, found: str, expected: str, mend: str, column: str | None = None
    ) -> None:
        super().__init__(source, line, found, expected, mend, column)  # all parts in args: survives pickling

    @property
    def source(self) -> str:
        """File name or what stands for it."""
        return str(self.args[0])

    @property
    def line(self) -> int | None:
        """1-based line in the source, or None."""
        line: int | None = self.args[1]
        return line

    @property
    def found(self) -> str:
        """What was found."""
        return str(self.args[2])

    @property
    def expected(self) -> str:
        """What was expected instead."""
        return str(self.args[3])

    @property
    def mend(self) -> str:
        """How to mend it."""
        return str(self.args[4])

    @property
    def column(self) -> str | None:
        """Column at fault, or None."""
        column: str | None = self.args[5]
        return column

    def __str__(self) -> str:
        place = self.source if self.line is None else f"{self.source}:{self.line}"
        if self.column is not None:
            place += f" [{self.column}]"
        return f"{place}: found {self.found}; expected {self.expected}. {self.mend}"

    def to_dict(self) -> dict[str, Any]:
        """Return the parts under the keys of `failed[]` in a batch."""
        return {
            "file": self.source,
            "line": self.line,
            "column": self.column,
            "found": self.found,
            "expected": self.expected,
            "mend": self.mend,
        }


class SweepFormatError(SpectraError, ValueError):
    """A sweep file cannot be read, or cannot be read in only one way."""


class ContextError(SpectraError, ValueError):
    """A capture context cannot be read or contradicts itself."""


class TableError(SpectraError, ValueError):
    """A carrier table cannot be used."""


class ChainError(SpectraError, ValueError):
    """A receive chain cannot be used."""


class SceneError(SpectraError, ValueError):
    """A scene for the simulator cannot be used."""


class MeasurementError(SpectraError, ValueError):
    """A sweep or a spectrum cannot be measured."""


class IdentificationError(SpectraError, ValueError):
    """Evidence, table and chain do not go together."""


class VisitError(SpectraError, ValueError):
    """A visit's folder or its ``visit.toml`` cannot be used."""


class ArchiveError(SpectraError):
    """An archive cannot be opened, read or written."""


class ReportError(SpectraError, ValueError):
    """A report or its evidence cannot be made or checked."""


class UsageError(SpectraError, ValueError):
    """An option or an argument makes no sense."""
