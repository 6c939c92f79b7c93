"""What somebody wrote to a stored visit for its report: texts, limits of acceptance, photos. Every version is kept.

The visit itself stays as its folder was; the newest version of the notes is laid over it when it is taken out.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

import sqlalchemy as sa

from spectra.archive.database import reading, told, writing
from spectra.archive.lists import sum_up
from spectra.archive.record import RawFile, canonical, rfc3339
from spectra.archive.schema import NOTE, VISIT
from spectra.archive.store import Archive
from spectra.errors import ArchiveError
from spectra.visit.visit import Attachment, Limits, Visit

__all__ = [
    "NOTE_TEXTS",
    "KeptFile",
    "VisitNotes",
    "keep_notes",
    "kept_titles",
    "last_notes",
    "lay_over",
    "list_notes",
    "take_notes",
]

NOTE_TEXTS = ("title", "asked", "customer", "technician", "place", "reference", "remark")
"""What of a visit's head can be written anew; whose terminal it is stays as it was stored."""
_LONGEST_NAME = 120
_ANY = "any"


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A photo or a text kept with a visit: its name, its caption, the hash and the size of its bytes."""

    file: str
    caption: str
    sha256: str
    size: int


@dataclass(frozen=True, slots=True)
class VisitNotes:
    """One version of what was written to a visit.

    `texts` holds what stands in place of the visit's own (empty: nothing is said); `limits` None leaves those of the
    visit; `attachments` come after those of the visit. `key` is the hash of all this with visit and time.
    """

    visit: str
    texts: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    limits: Limits | None = None
    attachments: tuple[KeptFile, ...] = ()
    saved_at: str = ""
    key: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the notes as plain values, key and time among them."""
        return {"key": self.key, "visit": self.visit, "saved_at": self.saved_at, **json.loads(self.body())}

    def body(self) -> str:
        """Return what is stored of them as JSON."""
        values = {
            "texts": dict(self.texts),
            "limits": None if self.limits is None else self.limits.to_dict(),
            "attachments": [{name: getattr(item, name) for name in KeptFile.__slots__} for item in self.attachments],
        }
        return canonical(values)


def _key(notes: VisitNotes) -> str:
    return hashlib.sha256(canonical(["note", notes.visit, notes.saved_at, notes.body()]).encode("utf-8")).hexdigest()


def _of(row: Mapping[Any, Any]) -> VisitNotes:
    said = json.loads(row["body"])
    names = {f.name for f in fields(Limits)}
    limits = said["limits"]
    return VisitNotes(
        row["visit"],
        MappingProxyType({key: str(text) for key, text in said["texts"].items() if key in NOTE_TEXTS}),
        None if limits is None else Limits(**{key: value for key, value in limits.items() if key in names}),
        tuple(KeptFile(**{name: item[name] for name in KeptFile.__slots__}) for item in said["attachments"]),
        row["saved_at"],
        row["key"],
    )


def keep_notes(
    archive: Archive,
    visit: str,
    *,
    texts: Mapping[str, str] | None = None,
    limits: Limits | None = None,
    attachments: Sequence[tuple[RawFile, str]] = (),
    since: str | None = _ANY,
    saved_at: datetime | None = None,
) -> VisitNotes:
    """Store the newest version of what is written to a visit; the earlier ones stay.

    Parameters
    ----------
    archive : Archive
    visit : str
        Its key.
    texts : mapping or None
        Of `NOTE_TEXTS`.
    limits : Limits or None
        None leaves those of the visit.
    attachments : sequence of (RawFile, str)
        Photos and texts, each with its caption; all that the version has.
    since : str or None
        Key of the version that this one was made from, None where there was none; left out, nobody is asked.
    saved_at : datetime or None
        None takes now.

    Raises
    ------
    ArchiveError
        If there is no such visit, or somebody else stored a version meanwhile; nothing is then changed.
    """
    kept = tuple(KeptFile(file.name, caption, file.sha256, len(file.data)) for file, caption in attachments)
    said = {key: text for key, text in (texts or {}).items() if key in NOTE_TEXTS}
    notes = VisitNotes(visit, MappingProxyType(said), limits, kept, rfc3339(saved_at or datetime.now(UTC)) or "")
    notes = replace(notes, key=_key(notes))
    with told(archive.where), writing(archive.engine) as connection:
        # the visit's row is held until this is stored: of two at once the second sees the first
        there = connection.execute(sa.select(VISIT.c.key).where(VISIT.c.key == visit).with_for_update()).first()
        if there is None:
            raise ArchiveError(archive.where, None, f"no visit {visit}", "one that is stored", "Look in the list.")
        if since != _ANY and _newest(connection, visit) != since:
            raise ArchiveError(
                archive.where,
                None,
                "texts or photos of this visit that somebody else kept meanwhile",
                "nobody else at it",
                "Open the page anew in a second window, and put both together there; yours are still here.",
            )
        _store(archive, connection, notes, [file for file, _ in attachments])
    return notes


def _newest(connection: sa.Connection, visit: str) -> str | None:
    query = sa.select(NOTE.c.key).where(NOTE.c.visit == visit).order_by(NOTE.c.saved_at.desc(), NOTE.c.key.desc())
    return connection.execute(query.limit(1)).scalar()


def _store(archive: Archive, connection: sa.Connection, notes: VisitNotes, files: Sequence[RawFile]) -> bool:
    for file in files:
        archive._blob(connection, file)  # one room, one transaction
    values = {"key": notes.key, "visit": notes.visit, "saved_at": notes.saved_at, "body": notes.body()}
    fresh = archive._once(connection, NOTE, values, NOTE.c.key) is not None
    sum_up(connection, [notes.visit])  # a title kept is found by
    return fresh


def list_notes(archive: Archive, visit: str | None = None) -> list[VisitNotes]:
    """Return every version of what was written to a visit (None: to all), the newest first."""
    query = sa.select(NOTE).order_by(NOTE.c.saved_at.desc(), NOTE.c.key.desc())
    if visit is not None:
        query = query.where(NOTE.c.visit == visit)
    with told(archive.where), reading(archive.engine) as connection:
        return [_of(row) for row in connection.execute(query).mappings()]


def last_notes(archive: Archive, visit: str) -> VisitNotes | None:
    """Return the newest version of what was written to a visit; None where nothing was."""
    found = list_notes(archive, visit)
    return found[0] if found else None


def kept_titles(archive: Archive, visits: Sequence[str]) -> dict[str, str]:
    """Return the titles that the newest notes give to visits; those without one are left out."""
    query = sa.select(NOTE.c.visit, NOTE.c.body).where(NOTE.c.visit.in_(visits)).order_by(NOTE.c.saved_at, NOTE.c.key)
    with told(archive.where), reading(archive.engine) as connection:
        newest = {row.visit: json.loads(row.body)["texts"].get("title") for row in connection.execute(query)}
    return {visit: title for visit, title in newest.items() if title}


def take_notes(archive: Archive, said: Mapping[str, Any], files: Mapping[str, RawFile]) -> bool:
    """Store a version as another archive had it (`VisitNotes.to_dict`); False where it was there.

    Raises
    ------
    ArchiveError
        If it is not what its key says.
    """
    body = {name: said[name] for name in ("texts", "limits", "attachments")}
    notes = _of({"visit": said["visit"], "saved_at": said["saved_at"], "key": said["key"], "body": canonical(body)})
    if _key(notes) != notes.key:
        raise ArchiveError(
            archive.where,
            None,
            f"notes that are not what their key says ({notes.key})",
            "as they were",
            "Export the bundle again.",
        )
    with told(archive.where), writing(archive.engine) as connection:
        return _store(archive, connection, notes, [files[item.sha256] for item in notes.attachments])


def lay_over(archive: Archive, visit: Visit, notes: VisitNotes, folder: Path | None) -> Visit:
    """Return a visit with its notes: texts and limits in place of its own, photos written into the folder.

    Without a folder the photos are left out: a report shows files.
    """
    known: dict[str, Any] = {key: text or None for key, text in notes.texts.items()}
    attachments = list(visit.attachments)
    if folder is not None:
        home = folder / "attached"
        home.mkdir(parents=True, exist_ok=True)
        for number, item in enumerate(notes.attachments, 1):
            path = home / _name(item.file, number, {a.path.name for a in attachments})
            path.write_bytes(archive.blob(item.sha256))
            attachments.append(Attachment(path, item.caption))
    limits = visit.limits if notes.limits is None else notes.limits
    return replace(visit, head=replace(visit.head, **known), limits=limits, attachments=tuple(attachments))


def _name(file: str, number: int, taken: set[str]) -> str:
    """Return a file name that leads nowhere else, and is nobody else's: a bundle comes from outside."""
    plain = re.sub(r"[^\w. ()-]", "_", file.replace("\\", "/").rpartition("/")[2])[-_LONGEST_NAME:].lstrip(". ")
    plain = plain or "file"
    return f"{number} {plain}" if plain in taken else plain
