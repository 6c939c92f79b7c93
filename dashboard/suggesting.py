"""Edits of a carrier table that the archive's confirmed sweeps suggest; the engine is `spectra.identify.suggest`."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from spectra.errors import UsageError

if TYPE_CHECKING:
    from dashboard.desk import Desk
    from dashboard.tables import Work
    from spectra.identify.suggest import Edit, Visit
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["Proposal", "accept", "propose"]

_MOST_LOOKED_AT = 120
_ROLES = (None, "normal", "baseline")


@dataclass(frozen=True, slots=True)
class Proposal:
    """Suggested edits of a table as it was then; `rows` maps its lines to the rows of the work.

    `used` of the `looked` newest confirmed sweeps of this receive chain speak of the table.
    """

    table: CarrierTable
    edits: tuple[Edit, ...]
    rows: dict[int, int]
    used: int
    looked: int
    chain: str


def propose(desk: Desk, work: Work, tell: Callable[[int, int], None]) -> Proposal:
    """Hold the newest confirmed sweeps of the archive against the table at hand and gather what they suggest.

    Results stored with this very table are taken as they are; with another, their measurements are identified anew.

    Raises
    ------
    TableError
        If the table cannot be used as it is.
    UsageError
        If there is no confirmed sweep.
    """
    from spectra.archive import Search
    from spectra.identify.suggest import suggest_edits, usable

    with work.lock:
        table = work.table()
        lines = dict(zip(work.sheet.starts(), (row.id for row in work.sheet.rows), strict=True))
    found, _ = desk.captures(Search(verdict="confirmed", limit=_MOST_LOOKED_AT))
    visits: list[Visit] = []
    chain: ReceiveChain | None = None
    for number, row in enumerate(found):
        tell(number, len(found))
        shown = desk.capture(row["key"])
        if shown.chain is None or shown.review.source.context.role not in _ROLES:
            continue
        chain = chain or shown.chain
        if shown.chain.sha256 == chain.sha256:
            visits.append(_visit(shown, table, chain))
    tell(len(found), len(found))
    if chain is None:
        mend = "Save a sweep that confirms a satellite first; only those say anything of the table."
        raise UsageError("the archive", None, "no confirmed sweep", "at least one", mend)
    edits = suggest_edits(table, chain, visits)
    used = sum(usable(visit, table) for visit in visits)
    return Proposal(table, edits, lines, used, len(visits), chain.name)


def _visit(shown: Any, table: CarrierTable, chain: ReceiveChain) -> Visit:
    from spectra.identify import identify
    from spectra.identify.suggest import Visit

    review = shown.review
    answer = review.identification
    if answer is None or answer.table_sha256 != table.sha256:
        many = len(review.measurements) > 1
        evidence = list(review.measurements) if many else review.measurements[0]
        context = review.source.context
        answer = identify(evidence, table, chain, context=[context] * len(review.measurements) if many else context)
    # one terminal on one day is one witness, however many sweeps were saved
    day = (shown.row["captured_at"] or shown.key)[:10]
    return Visit(answer, review.measurements, f"{shown.row['vessel']}|{shown.row['terminal']}|{day}")


def accept(work: Work, number: int) -> None:
    """Make one of the suggested edits (numbered from 1) in the table at hand.

    Raises
    ------
    UsageError
        If what it speaks of was edited since.
    """
    from spectra.identify.suggest import apply_edits
    from spectra.plan import table_text

    proposal: Proposal | None = work.proposal
    if proposal is None or not 1 <= number <= len(proposal.edits):
        raise _stale(work)
    edit = proposal.edits[number - 1]
    words = f"suggestion {number} accepted"
    if edit.action == "remove":
        work.remove_rows([_row(work, proposal, edit)], words)
        return
    edited = apply_edits(proposal.table, proposal.edits, [number])
    place = -1 if edit.line is None else [int(line) for line in edited.line].index(edit.line)
    after = _cells(table_text(edited), place)
    if edit.line is None:
        work.add_row({name: cell for name, cell in after.items() if cell}, words)
        return
    before = _cells(table_text(proposal.table), place)
    changed = {name: after[name] for name in after if name in edit.changes and after[name] != before.get(name)}
    work.set_cells(_row(work, proposal, edit), changed, words)


def _row(work: Work, proposal: Proposal, edit: Edit) -> int:
    """Return the row that an edit speaks of, if it is still as it was."""
    row_id = proposal.rows.get(edit.line or 0)
    now = next((row for row in work.sheet.rows if row.id == row_id), None)
    if row_id is None or now is None:
        raise _stale(work)
    return row_id


def _stale(work: Work) -> UsageError:
    return UsageError(
        work.name, None, "a row that is no longer there", "the row as it was", "Ask for suggestions anew."
    )


def _cells(text: str, place: int) -> dict[str, str]:
    records = list(csv.reader(io.StringIO(text)))
    return dict(zip(records[0], records[1:][place], strict=True))
