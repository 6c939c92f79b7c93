"""Carrier tables being edited: cells as they were typed, every state kept for undo, checked by the library.

Nothing here judges a table: the check, the import, the hash and the text to save are `spectra.plan`'s.
"""

from __future__ import annotations

import csv
import io
import secrets
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.drafts import safe_name
from spectra.errors import SpectraError, TableError, UsageError
from spectra.plan.table import COLUMNS, REQUIRED

if TYPE_CHECKING:
    from spectra.archive import Edition
    from spectra.archive.record import RawFile
    from spectra.archive.store import Archive
    from spectra.plan.problems import TableCheck, TableProblem
    from spectra.plan.table import CarrierTable

__all__ = ["MOST_TABLE_BYTES", "Checked", "Mark", "Row", "Sheet", "Work", "Works", "sheet_of"]

MOST_TABLE_BYTES = 12_000_000
_MOST_ROWS = 20_000
_LONGEST_CELL = 500
_MOST_UNDO = 200
_MOST_WORKS = 60
_KEPT_S = 24 * 3600.0
_STEP = "rf_step_khz"


@dataclass(frozen=True, slots=True)
class Row:
    """One row; its number stays with it, wherever it stands."""

    id: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One state of a table being edited; `words` say what led to it."""

    header: tuple[str, ...]
    rows: tuple[Row, ...]
    words: str = ""

    def starts(self) -> list[int]:
        """Return the line of each row in the file that the sheet would be (header = 1)."""
        lines, line = [], 2
        for row in self.rows:
            lines.append(line)
            line += 1 + sum(cell.count("\n") for cell in row.cells)
        return lines

    def text(self) -> str:
        """Return the cells as CSV, as they stand."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.header)
        writer.writerows(row.cells for row in self.rows)
        return out.getvalue()


@dataclass(frozen=True, slots=True)
class Mark:
    """What is wrong with a cell of a row (of the whole row where `column` is None)."""

    row: int | None
    line: int | None
    column: str | None
    severity: str
    words: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check says of a sheet; `trouble` where it is no table at all."""

    marks: tuple[Mark, ...]
    rows: int = 0
    lists: int = 0
    loads: bool = False
    sha256: str | None = None
    trouble: SpectraError | None = None

    @property
    def faults(self) -> int:
        """Count of what is certainly wrong."""
        return sum(mark.severity == "fault" for mark in self.marks) + (self.trouble is not None)

    @property
    def warnings(self) -> int:
        """Count of what is probably wrong."""
        return sum(mark.severity == "warning" for mark in self.marks)

    def by_row(self) -> dict[int, list[tuple[str | None, str, str]]]:
        """Return what is said of each row: column, severity, words."""
        found: dict[int, list[tuple[str | None, str, str]]] = {}
        for mark in self.marks:
            if mark.row is not None:
                found.setdefault(mark.row, []).append((mark.column, mark.severity, mark.words))
        return found


def sheet_of(text: str, words: str, first: int = 1) -> Sheet:
    """Return the sheet of a table's CSV text as the library writes it, the apostrophes of guarded cells taken off."""
    from spectra.plan.store import GUARDED

    def plain(cell: str) -> str:
        return cell[1:] if cell[:1] == "'" and cell[1:2] in GUARDED else cell

    records = list(csv.reader(io.StringIO(text)))
    rows = tuple(Row(first + k, tuple(plain(cell) for cell in cells)) for k, cells in enumerate(records[1:]))
    return Sheet(tuple(plain(name) for name in records[0]), rows, words)


@dataclass(slots=True)
class Work:
    """A table somebody is at; several requests may come at once, so every step is taken under its lock."""

    key: str
    folder: Path
    name: str
    base: str | None
    since: int
    states: list[Sheet]
    at: int = 0
    saved: int = 0
    next_id: int = 1
    began: float = field(default_factory=time.monotonic)
    lock: threading.RLock = field(default_factory=threading.RLock)
    offered: Any = None  # a file taken in and not yet used
    proposal: Any = None  # suggested edits, see dashboard.suggesting
    settled: dict[int, str] = field(default_factory=dict)
    written: tuple[RawFile, Sheet] | None = None  # the file as it came, and the sheet that was made of it
    _checked: tuple[Sheet, Checked] | None = None

    @property
    def sheet(self) -> Sheet:
        """The state at hand."""
        return self.states[self.at]

    @property
    def unsaved(self) -> bool:
        """Whether there is anything to save."""
        return self.at != self.saved

    # steps

    def _step(self, sheet: Sheet) -> None:
        if len(sheet.rows) > _MOST_ROWS:
            raise self._refuse(f"{len(sheet.rows)} rows", f"at most {_MOST_ROWS}", "Part the table in two.")
        del self.states[self.at + 1 :]
        if self.saved > self.at:
            self.saved = -1
        self.states.append(sheet)
        surplus = max(0, len(self.states) - _MOST_UNDO)
        del self.states[:surplus]
        self.saved -= surplus
        self.at = len(self.states) - 1

    def _refuse(self, found: str, expected: str, mend: str) -> UsageError:
        return UsageError(self.name, None, found, expected, mend)

    def set_cells(self, row_id: int, cells: Mapping[str, str], words: str = "") -> None:
        """Put texts into cells of a row, by column; a changed frequency loses the rounding step stated beside it.

        Raises
        ------
        UsageError
            If there is no such row or column, or a text is too long.
        """
        with self.lock:
            sheet = self.sheet
            at = next((k for k, row in enumerate(sheet.rows) if row.id == row_id), None)
            unknown = [name for name in cells if name not in sheet.header]
            if at is None or unknown:
                found = f"no column {unknown[0]}" if unknown else "a row that is no longer there"
                raise self._refuse(found, "a row and a column of the table", "Look at the table as it is now.")
            new = dict(zip(sheet.header, sheet.rows[at].cells, strict=True))
            if "rf_mhz" in cells and _STEP in new and cells["rf_mhz"] != new["rf_mhz"]:
                new[_STEP] = ""
            for name, text in cells.items():
                if len(text) > _LONGEST_CELL:
                    mend = "Shorten it; a remark of a sentence is enough."
                    raise self._refuse(f"a text of {len(text)} signs", f"at most {_LONGEST_CELL}", mend)
                new[name] = text
            row = Row(row_id, tuple(new[name] for name in sheet.header))
            if row == sheet.rows[at]:
                return
            said = words or f"line {sheet.starts()[at]}: " + ", ".join(cells)
            self._step(replace(sheet, rows=(*sheet.rows[:at], row, *sheet.rows[at + 1 :]), words=said))

    def add_row(self, cells: Mapping[str, str] | None = None, words: str = "a new row") -> int:
        """Add a row at the end and return its number."""
        with self.lock:
            said = cells or {}
            sheet = self.sheet
            fresh = Row(self.next_id, tuple(said.get(name, "") for name in sheet.header))
            self.next_id += 1
            self._step(replace(sheet, rows=(*sheet.rows, fresh), words=words))
            return fresh.id

    def remove_rows(self, ids: Iterable[int], words: str = "") -> None:
        """Take rows out."""
        with self.lock:
            gone = set(ids)
            left = tuple(row for row in self.sheet.rows if row.id not in gone)
            if len(left) < len(self.sheet.rows):
                count = len(self.sheet.rows) - len(left)
                said = words or f"{count} row{'s' if count > 1 else ''} taken out"
                self._step(replace(self.sheet, rows=left, words=said))

    def put(self, sheet: Sheet) -> None:
        """Put another table in the place of this one; undo brings this one back."""
        with self.lock:
            rows = tuple(Row(self.next_id + k, row.cells) for k, row in enumerate(sheet.rows))
            self.next_id += len(rows)
            self._step(replace(sheet, rows=rows))

    def undo(self) -> None:
        """Go back one step."""
        with self.lock:
            self.at = max(0, self.at - 1)

    def redo(self) -> None:
        """Go forward again."""
        with self.lock:
            self.at = min(len(self.states) - 1, self.at + 1)

    # what the library says

    def path(self, sheet: Sheet | None = None) -> Path:
        """Write the sheet as a file of the table's name and return where it is."""
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / self.name
        path.write_text((sheet or self.sheet).text(), encoding="utf-8", newline="")
        return path

    def checked(self) -> Checked:
        """Return what the library's check says of the state at hand."""
        with self.lock:
            if self._checked is None or self._checked[0] is not self.sheet:
                self._checked = self.sheet, _check(self.path(), self.sheet)
            return self._checked[1]

    def tried(self, row_id: int, column: str, text: str) -> tuple[Mark, ...]:
        """Return what would be wrong with a row if a cell held that text; nothing is changed."""
        with self.lock:
            sheet = self.sheet
            rows = tuple(
                Row(row.id, tuple(text if n == column else c for n, c in zip(sheet.header, row.cells, strict=True)))
                if row.id == row_id
                else row
                for row in sheet.rows
            )
            tentative = replace(sheet, rows=rows)
            found = _check(self.path(tentative), tentative)
        return tuple(mark for mark in found.marks if mark.row == row_id)

    def table(self) -> CarrierTable:
        """Return the table as the library loads it.

        Raises
        ------
        TableError
            For what keeps it from being used.
        """
        from spectra.plan import load_table

        with self.lock:
            return load_table(self.path())

    def changes(self) -> str:
        """Return what is other than in the last saved state, in a few words."""
        if self.saved < 0:
            return "edited"
        before = {row.id: row.cells for row in self.states[self.saved].rows}
        now = {row.id: row.cells for row in self.sheet.rows}
        counts = (
            (sum(now[id_] != before[id_] for id_ in now.keys() & before.keys()), "changed"),
            (len(now.keys() - before.keys()), "added"),
            (len(before.keys() - now.keys()), "taken out"),
        )
        said = [f"{count} row{'s' if count > 1 else ''} {word}" for count, word in counts if count]
        return ", ".join(said) or "no row changed"

    def save(self, archive: Archive, note: str = "") -> Edition | None:
        """Keep the state at hand as a new edition; None where it is what it was made from.

        Raises
        ------
        TableError
            If it cannot be used as a table.
        ArchiveError
            If somebody else saved meanwhile.
        """
        from dashboard.spelling import as_written
        from spectra.archive import keep_edition
        from spectra.archive.editions import last_number
        from spectra.archive.record import RawFile
        from spectra.archive.store import PlanFile
        from spectra.plan import table_text

        with self.lock:
            table = self.table()
            if table.sha256 == self.base:
                self.saved = self.at
                return None
            # what nobody touched stays as the user wrote it
            text = (
                as_written(self.written[0], self.written[1], self.sheet, table, self.folder) if self.written else None
            )
            text = table_text(table) if text is None else text
            data = text.encode("utf-8" if text.isascii() else "utf-8-sig")
            file = PlanFile(table.sha256, RawFile(self.name, data), rows=len(table))
            said = note or self.changes()
            since = last_number(archive)
            kept = keep_edition(archive, "plan", file, parent=self.base, note=said, since=self.since)
            self.base, self.since, self.saved = table.sha256, since, self.at
            return kept


def _check(path: Path, sheet: Sheet) -> Checked:
    from spectra.plan import check_table

    try:
        found: TableCheck = check_table(path)
    except TableError as problem:
        return Checked((), trouble=problem)
    by_line = dict(zip(sheet.starts(), sheet.rows, strict=True))
    marks = tuple(_mark(problem, by_line) for problem in found.problems)
    return Checked(marks, found.rows, found.lists, found.loads, found.sha256)


def _mark(problem: TableProblem, by_line: Mapping[int, Row]) -> Mark:
    row = by_line.get(problem.line or 0)
    words = f"found {problem.found}; expected {problem.expected}. {problem.mend}"
    return Mark(None if row is None else row.id, problem.line, problem.column, problem.severity, words)


class Works:
    """All tables being edited, each under a key that nobody guesses; old ones are let go."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._works: dict[str, Work] = {}
        self._lock = threading.Lock()

    def begin(self, archive: Archive, sha256: str | None, since: int | None = None) -> Work:
        """Begin to edit a stored table, or an empty one; `since` is the last edition when it was chosen.

        Raises
        ------
        ArchiveError
            If there is no such table.
        """
        from spectra.archive import load_plan
        from spectra.archive.editions import last_number
        from spectra.plan import table_text

        since = last_number(archive) if since is None else since
        written = None
        if sha256 is None:
            sheet, name = Sheet(COLUMNS, ()), "carriers.csv"
        else:
            table, _ = load_plan(archive, sha256, None)
            assert table is not None
            sheet = sheet_of(table_text(table), "as stored")
            raw = archive.plan_file(sha256).raw
            name = safe_name(raw.name)
            written = replace(raw, name=name), sheet
        key = secrets.token_hex(12)
        work = Work(key, self._folder / key, name, sha256, since, [sheet], next_id=len(sheet.rows) + 1)
        work.written = written
        with self._lock:
            self._works[key] = work
            self._let_go()
        return work

    def get(self, key: str | None) -> Work | None:
        """Return a table being edited by its key."""
        return self._works.get(key or "")

    def take(self, key: str | None) -> Work:
        """Return a table being edited.

        Raises
        ------
        UsageError
            If it is no longer there.
        """
        work = self.get(key)
        if work is None:
            mend = "Open the table anew; what was saved is there."
            raise UsageError("the table", None, "a page that has been open too long", "a page opened lately", mend)
        return work

    def _let_go(self) -> None:
        import shutil

        by_age = sorted(self._works.values(), key=lambda work: work.began)
        late = [work for work in by_age if work.began < time.monotonic() - _KEPT_S]
        for work in {w.key: w for w in (*by_age[: max(0, len(by_age) - _MOST_WORKS)], *late)}.values():
            self._works.pop(work.key, None)
            shutil.rmtree(work.folder, ignore_errors=True)


def raw_sheet(path: Path, words: str) -> Sheet:
    """Return the cells of a CSV file as they stand, for a table that still has faults; required columns are there.

    Raises
    ------
    TableError
        If it is no CSV.
    """
    from spectra.plan.csvtext import plain, read_records
    from spectra.plan.store import known_headers, read_table

    records, _ = read_records(path, known_headers())
    header = [name or f"column {k + 1}" for k, name in enumerate(records.header)]
    missing: list[str] = []
    have = {plain(name) for name in header}
    try:
        read_table(path)
    except TableError:
        missing = [name for name in REQUIRED if plain(name) not in have]
    rows: Sequence[tuple[str, ...]] = list(zip(*records.columns, strict=True))
    lines = tuple(Row(k + 1, (*(cell.strip() for cell in cells), *[""] * len(missing))) for k, cells in enumerate(rows))
    return Sheet((*header, *missing), lines, words)
