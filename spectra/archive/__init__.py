"""Room archive: sweeps with their context and results, kept, found again, handed over.

`open_archive` is the way in. Needs SQLAlchemy and Alembic, which are loaded when the room is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from spectra.lazy import lazy_face

if TYPE_CHECKING:
    from spectra.archive.editions import Edition as Edition
    from spectra.archive.editions import keep_edition as keep_edition
    from spectra.archive.editions import list_editions as list_editions
    from spectra.archive.editions import newest_edition as newest_edition
    from spectra.archive.emissions import StoredLog as StoredLog
    from spectra.archive.emissions import stored_log as stored_log
    from spectra.archive.export import content_sha256 as content_sha256
    from spectra.archive.export import export_captures as export_captures
    from spectra.archive.export import import_bundle as import_bundle
    from spectra.archive.hunt import Hunt as Hunt
    from spectra.archive.hunt import hunt as hunt
    from spectra.archive.importer import ImportResult as ImportResult
    from spectra.archive.importer import add_paths as add_paths
    from spectra.archive.listing import Listed as Listed
    from spectra.archive.listing import VisitSearch as VisitSearch
    from spectra.archive.listing import baselines as baselines
    from spectra.archive.listing import list_terminals as list_terminals
    from spectra.archive.listing import list_visits as list_visits
    from spectra.archive.notes import VisitNotes as VisitNotes
    from spectra.archive.notes import keep_notes as keep_notes
    from spectra.archive.notes import last_notes as last_notes
    from spectra.archive.notes import list_notes as list_notes
    from spectra.archive.query import Search as Search
    from spectra.archive.query import count_captures as count_captures
    from spectra.archive.query import list_captures as list_captures
    from spectra.archive.query import whole_captures as whole_captures
    from spectra.archive.recheck import recheck_captures as recheck_captures
    from spectra.archive.restore import load_plan as load_plan
    from spectra.archive.restore import restore_capture as restore_capture
    from spectra.archive.restore import restore_visit as restore_visit
    from spectra.archive.store import Archive as Archive
    from spectra.archive.store import open_archive as open_archive

_HOME = {
    "Archive": "store",
    "Edition": "editions",
    "list_editions": "editions",
    "keep_edition": "editions",
    "newest_edition": "editions",
    "Hunt": "hunt",
    "ImportResult": "importer",
    "Listed": "listing",
    "Search": "query",
    "VisitSearch": "listing",
    "StoredLog": "emissions",
    "VisitNotes": "notes",
    "keep_notes": "notes",
    "last_notes": "notes",
    "list_notes": "notes",
    "add_paths": "importer",
    "baselines": "listing",
    "content_sha256": "export",
    "count_captures": "query",
    "export_captures": "export",
    "hunt": "hunt",
    "import_bundle": "export",
    "list_captures": "query",
    "list_terminals": "listing",
    "list_visits": "listing",
    "load_plan": "restore",
    "open_archive": "store",
    "recheck_captures": "recheck",
    "restore_capture": "restore",
    "restore_visit": "restore",
    "stored_log": "emissions",
    "whole_captures": "query",
}

__all__ = sorted(_HOME)

__getattr__, __dir__ = lazy_face(__name__, _HOME)
