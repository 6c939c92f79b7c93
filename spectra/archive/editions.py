"""Editions: carrier tables and receive chains in the order in which they were saved.

Nothing is ever replaced: what a result was computed with stays as it is under its hash. Whoever edits saves a further
edition, which names the one it was made from; whoever goes back saves the old content once more.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

import sqlalchemy as sa

from spectra.archive.database import reading, told, writing
from spectra.archive.record import rfc3339
from spectra.archive.schema import CHAIN, EDITION, PLAN, RESULT
from spectra.archive.store import Archive, PlanFile
from spectra.errors import ArchiveError

__all__ = ["Edition", "Kind", "follow", "keep_edition", "last_number", "list_editions", "newest_edition", "plan_key"]

Kind = Literal["plan", "chain"]
_LONGEST_NOTE = 300


@dataclass(frozen=True, slots=True)
class Edition:
    """One version of a carrier table (`plan`) or receive chain.

    `saved_at` is when somebody saved it; None for one that only came with sweeps, which `used_at` then dates. `results`
    counts the stored results that were computed with this content, `used_at` is when the latest of them was made.
    """

    kind: Kind
    sha256: str
    file: str
    rows: int
    name: str
    parent: str | None
    saved_at: str | None
    note: str
    results: int
    used_at: str | None

    @property
    def at(self) -> str:
        """When it was saved or, where nobody did, last used; '' where neither is known."""
        return self.saved_at or self.used_at or ""

    def to_dict(self) -> dict[str, Any]:
        """Return the edition by name."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def _home(kind: Kind) -> tuple[sa.Table, sa.Column[Any]]:
    return (PLAN, RESULT.c.plan) if kind == "plan" else (CHAIN, RESULT.c.chain)


def keep_edition(
    archive: Archive,
    kind: Kind,
    file: PlanFile,
    *,
    parent: str | None = None,
    note: str = "",
    saved_at: datetime | None = None,
    since: int | None = None,
) -> Edition:
    """Store a carrier table or receive chain as the newest edition.

    Parameters
    ----------
    archive : Archive
    kind : {'plan', 'chain'}
    file : PlanFile
        Its hash, bytes, and rows or name; content that is there already is not stored twice.
    parent : str or None
        Hash of what it was made from.
    note : str
        What changed, in words.
    saved_at : datetime or None
        None takes now.
    since : int or None
        Number of the last edition (see `last_number`) when the work on it began: nobody may have saved another made
        from the same parent since.

    Raises
    ------
    ArchiveError
        If it cannot be stored, or somebody else saved meanwhile; nothing is then changed.
    """
    at = rfc3339(saved_at or datetime.now(UTC))
    with told(archive.where), writing(archive.engine) as connection:
        if since is not None:
            if connection.dialect.name == "postgresql":  # of two who save at once the second sees the first
                connection.execute(sa.text("SELECT pg_advisory_xact_lock(hashtext('sweepmuster editions'))"))
            same = (EDITION.c.kind == kind, EDITION.c.parent == parent, EDITION.c.id > since)
            if connection.execute(sa.select(EDITION.c.sha256).where(*same, EDITION.c.sha256 != file.sha256)).first():
                raise ArchiveError(
                    archive.where,
                    None,
                    "a version that somebody else saved meanwhile",
                    "nobody else at it",
                    "Open the newest version, and make your changes there; yours are still here.",
                )
        store = archive._plan if kind == "plan" else archive._chain  # one room, one transaction
        store(connection, file)
        values = {"kind": kind, "sha256": file.sha256, "parent": parent, "saved_at": at, "note": note[:_LONGEST_NOTE]}
        connection.execute(sa.insert(EDITION).values(**values))
    return Edition(kind, file.sha256, file.raw.name, file.rows, file.name, parent, at, note[:_LONGEST_NOTE], 0, None)


def list_editions(archive: Archive, kind: Kind, *, limit: int | None = None) -> list[Edition]:
    """Return the editions, the newest first: those that were saved, and those that only came with sweeps."""
    table, column = _home(kind)
    count = sa.select(column.label("sha256"), sa.func.count().label("n"), sa.func.max(RESULT.c.made_at).label("used"))
    used = count.where(column.is_not(None)).group_by(column)
    with told(archive.where), reading(archive.engine) as connection:
        results = {row.sha256: (int(row.n), row.used) for row in connection.execute(used)}
        known = {row["sha256"]: row for row in connection.execute(sa.select(table)).mappings()}
        saved = connection.execute(sa.select(EDITION).where(EDITION.c.kind == kind).order_by(EDITION.c.id)).mappings()
        rows = [row for row in saved if row["sha256"] in known]

    def made(sha256: str, parent: str | None, at: str | None, note: str) -> Edition:
        row = known[sha256]
        n, last = results.get(sha256, (0, None))
        return Edition(
            kind, sha256, row["file"], int(row.get("rows", 0)), str(row.get("name", "")), parent, at, note, n, last
        )

    found = [made(row["sha256"], row["parent"], row["saved_at"], row["note"]) for row in rows]
    journaled = {edition.sha256 for edition in found}
    found += [made(sha256, None, None, "") for sha256 in known if sha256 not in journaled]
    # equal times (one transaction of an import) are told apart by the hash: the order is the same everywhere
    found.sort(key=lambda edition: (edition.at, edition.sha256), reverse=True)
    return found if limit is None else found[:limit]


def newest_edition(archive: Archive, kind: Kind) -> Edition | None:
    """Return the edition that was saved or used last; None where there is none."""
    found = list_editions(archive, kind, limit=1)
    return found[0] if found else None


def last_number(archive: Archive) -> int:
    """Return the number of the edition saved last; 0 where none was."""
    with told(archive.where), reading(archive.engine) as connection:
        return int(connection.execute(sa.select(sa.func.max(EDITION.c.id))).scalar() or 0)


def plan_key(archive: Archive, kind: Kind, key: str) -> str:
    """Return the hash of a stored table or chain from the beginning of it that fits only one.

    Raises
    ------
    ArchiveError
        If none or several begin so.
    """
    table, _ = _home(kind)
    begins = (table.c.sha256 >= key) & (table.c.sha256 < key + "g")
    with told(archive.where), reading(archive.engine) as connection:
        found = connection.execute(sa.select(table.c.sha256).where(begins).limit(2)).scalars().all()
    if len(found) != 1:
        what = "carrier table" if kind == "plan" else "receive chain"
        raise ArchiveError(
            archive.where,
            None,
            f"{'no' if not found else 'more than one'} {what} whose key begins with {key!r}",
            "one",
            "Choose one from the list of versions.",
        )
    return str(found[0])


def follow(archive: Archive, kind: Kind, sha256: str) -> str:
    """Return the hash of the edition that was last made from a table or chain, or from one made from it."""
    query = sa.select(EDITION.c.sha256, EDITION.c.parent).where(EDITION.c.kind == kind).order_by(EDITION.c.id)
    with told(archive.where), reading(archive.engine) as connection:
        rows = connection.execute(query).all()
    line, last = {sha256}, sha256
    for row in rows:
        if row.parent in line:
            line.add(row.sha256)
            last = str(row.sha256)
    return last
