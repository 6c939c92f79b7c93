"""What can be wrong with a carrier table, told cell by cell."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from spectra.errors import TableError

__all__ = ["Severity", "TableCheck", "TableProblem", "told_once"]

Severity = Literal["fault", "warning"]


@dataclass(frozen=True, slots=True)
class TableProblem:
    """One thing that is wrong, or probably wrong, with one cell.

    `fault`: certainly wrong. `warning`: probably wrong, or read in a way that should be known. `stops` says that
    `load_table` refuses the table for it: the cell cannot be used, or would be used in a wrong meaning.
    """

    code: str
    severity: Severity
    line: int | None
    column: str | None
    found: str
    expected: str
    mend: str
    stops: bool = False

    def error(self, file: str) -> TableError:
        """Return the problem as an error (to raise, or to keep as a warning)."""
        return TableError(file, self.line, self.found, self.expected, self.mend, self.column)

    def to_dict(self) -> dict[str, Any]:
        """Return the parts under the keys of the check's JSON."""
        return {
            "code": self.code,
            "severity": self.severity,
            "line": self.line,
            "column": self.column,
            "found": self.found,
            "expected": self.expected,
            "mend": self.mend,
            "stops_loading": self.stops,
        }


@dataclass(frozen=True, slots=True)
class TableCheck:
    """Every problem of one table file, by line; `rows` and `lists` count what could be read."""

    file: str
    sha256: str | None
    rows: int
    lists: int
    problems: tuple[TableProblem, ...]

    @property
    def faults(self) -> tuple[TableProblem, ...]:
        """The problems that are certainly wrong."""
        return tuple(problem for problem in self.problems if problem.severity == "fault")

    @property
    def warnings(self) -> tuple[TableProblem, ...]:
        """The problems that are probably wrong, or should be known."""
        return tuple(problem for problem in self.problems if problem.severity == "warning")

    @property
    def ok(self) -> bool:
        """True where there is no fault (there may be warnings)."""
        return not self.faults

    @property
    def loads(self) -> bool:
        """True where `load_table` accepts the file."""
        return not any(problem.stops for problem in self.problems)

    def __iter__(self) -> Iterator[TableProblem]:
        return iter(self.problems)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON of ``table check``."""
        return {
            "schema": "sweepmuster/table_check/1",
            "file": self.file,
            "sha256": self.sha256,
            "rows": self.rows,
            "lists": self.lists,
            "ok": self.ok,
            "loads": self.loads,
            "faults": len(self.faults),
            "warnings": len(self.warnings),
            "problems": [problem.to_dict() for problem in self.problems],
        }


def told_once(problems: Iterable[TableProblem]) -> list[TableProblem]:
    """Return the first problem of each code and column, with the count of the others: a loaded table stays readable."""
    first: dict[tuple[str, str | None], TableProblem] = {}
    more: dict[tuple[str, str | None], int] = {}
    for problem in problems:
        key = (problem.code, problem.column)
        if key in first:
            more[key] = more.get(key, 0) + 1
        else:
            first[key] = problem
    told = []
    for key, problem in first.items():
        if key in more:
            lines = "line" if more[key] == 1 else "lines"
            problem = TableProblem(
                problem.code,
                problem.severity,
                problem.line,
                problem.column,
                f"{problem.found} (and the like on {more[key]} more {lines})",
                problem.expected,
                problem.mend,
                problem.stops,
            )
        told.append(problem)
    return told
