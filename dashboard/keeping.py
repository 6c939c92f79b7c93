"""Reports in the making, kept with their visit in the archive and taken out again: every version."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from spectra.archive.notes import VisitNotes, keep_notes, list_notes
from spectra.archive.record import RawFile
from spectra.errors import UsageError

if TYPE_CHECKING:
    from dashboard.papers import Paper, Papers
    from spectra.archive.store import Archive
    from spectra.visit import VisitReview

__all__ = ["begin_paper", "keep_paper", "limits_said", "take_version"]


def begin_paper(archive: Archive, papers: Papers, visit: str, key: str | None) -> Paper:
    """Return the report in the making that is named, else a new one with what the archive keeps of it."""
    found = list_notes(archive, visit)
    newest = found[0] if found else None
    paper = papers.get(key)
    if paper is not None and paper.visit == visit:
        stale = paper.since != (None if newest is None else newest.key)
        if paper.changed or not stale:
            return paper
    paper = papers.begin(visit)
    if newest is not None:
        _fill(archive, paper, newest)
        paper.since, paper.changed = newest.key, False
    return paper


def _fill(archive: Archive, paper: Paper, notes: VisitNotes) -> None:
    with paper.lock:
        paper.texts = dict(notes.texts) or None
        paper.photos = []
        for item in notes.attachments:
            paper.add(item.file, archive.blob(item.sha256)).caption = item.caption


def take_version(archive: Archive, paper: Paper, key: str) -> VisitNotes:
    """Put an earlier version into the report in the making; the archive changes when that is kept.

    Raises
    ------
    UsageError
        If there is no such version.
    """
    found = [notes for notes in list_notes(archive, paper.visit) if notes.key == key]
    if not found:
        raise UsageError("the report", None, "a version that is not there", "one of the list", "Open the page anew.")
    _fill(archive, paper, found[0])
    paper.changed = True
    return found[0]


def keep_paper(archive: Archive, paper: Paper, stored: VisitReview, limits: Mapping[str, str]) -> VisitNotes:
    """Keep a report in the making with its visit.

    Raises
    ------
    VisitError
        If a limit makes no sense.
    ArchiveError
        If somebody else kept a version meanwhile; nothing is then changed.
    """
    with paper.lock:
        review = paper.review(stored, limits)
        photos = [(photo, (paper.folder / photo.name).read_bytes()) for photo in paper.photos]
        notes = keep_notes(
            archive,
            paper.visit,
            texts=paper.texts if paper.texts is not None else {},
            limits=review.visit.limits if review.visit.limits.stated else None,
            attachments=[(RawFile(photo.name, data), photo.caption) for photo, data in photos],
            since=paper.since,
        )
        paper.since, paper.changed = notes.key, False
        return notes


def limits_said(notes: VisitNotes) -> dict[str, str]:
    """Return the limits of a version as the form writes them; empty where it leaves those of the visit."""
    limits = notes.limits
    if limits is None:
        return {}
    said = {name: getattr(limits, name) for name in ("isolation_min_db", "floor_tilt_max_db", "service_cn_min_db")}
    said["lo_error_max_khz"] = None if limits.lo_error_max_hz is None else limits.lo_error_max_hz / 1e3
    told = {name: f"{value:.12g}" for name, value in said.items() if value is not None}
    return {"verdict": limits.verdict, **told, **({"faults_max": str(limits.faults_max)} if limits.faults_max else {})}
