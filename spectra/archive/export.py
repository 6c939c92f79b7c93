"""Out of the archive: a table of captures (CSV, JSON, Parquet), or a bundle that another archive takes in whole."""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from spectra import __version__
from spectra.archive.database import reading, told
from spectra.archive.notes import list_notes, take_notes
from spectra.archive.query import LIST_COLUMNS, Search, list_captures, whole_captures
from spectra.archive.record import CaptureRecord, EntryRecord, RawFile, ResultRecord, canonical
from spectra.archive.schema import HEAD, VISIT
from spectra.archive.store import Archive, PlanFile, VisitRow
from spectra.atomic import write_atomic
from spectra.errors import ArchiveError, UsageError

__all__ = ["BUNDLE_SCHEMA", "content_sha256", "export_captures", "import_bundle"]

BUNDLE_SCHEMA = "sweepmuster/bundle/1"
_MOST_BYTES = 256_000_000
"""Largest single part of a bundle that is taken in: a sweep file is far smaller."""


def export_captures(archive: Archive, path: str | Path, search: Search | None = None) -> int:
    """Write captures to a file whose ending says what it becomes: .csv, .json, .parquet or .zip.

    Parameters
    ----------
    archive : Archive
    path : str or Path
        CSV and Parquet hold the list view, JSON every capture whole, a zip the bundle with raw files, tables and
        chains for another archive.
    search : Search or None
        Which captures; None takes all, those replaced by a later context too.

    Returns
    -------
    int
        Captures written.

    Raises
    ------
    UsageError
        If the ending is none of these, or the file cannot be written.
    """
    path = Path(path)
    chosen = search or Search(replaced=True)
    writers = {".csv": _write_csv, ".json": _write_json, ".parquet": _write_parquet, ".zip": _write_bundle}
    writer = writers.get(path.suffix.lower())
    if writer is None:
        raise UsageError(
            str(path), None, f"the ending {path.suffix!r}", "one of " + ", ".join(writers), "Name it like visits.csv."
        )
    return writer(archive, path, chosen)


def _write_csv(archive: Archive, path: Path, search: Search) -> int:
    rows = list_captures(archive, search)
    text = io.StringIO()
    writer = csv.DictWriter(text, LIST_COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({name: _safe_cell(value) for name, value in row.items()} for row in rows)
    # the mark lets spreadsheets read it as UTF-8
    write_atomic(path, "\ufeff" + text.getvalue())
    return len(rows)


def _safe_cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula: names and remarks come from outside."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def _write_json(archive: Archive, path: Path, search: Search) -> int:
    captures = list(whole_captures(archive, search))
    value = {"schema": "sweepmuster/archive/1", "software": __version__, "captures": captures}
    write_atomic(path, json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    return len(captures)


def _write_parquet(archive: Archive, path: Path, search: Search) -> int:
    if importlib.util.find_spec("pyarrow") is None:
        raise UsageError(
            str(path), None, "no package that writes Parquet", "the extra 'parquet'", "pip install sweepmuster[parquet]"
        )
    import pandas as pd

    rows = list_captures(archive, search)
    frame = pd.DataFrame(rows, columns=list(LIST_COLUMNS))
    frame["captured_at"] = pd.to_datetime(frame["captured_at"], utc=True)
    buffer = io.BytesIO()
    frame.to_parquet(buffer, engine="pyarrow", index=False)
    write_atomic(path, buffer.getvalue())
    return len(rows)


def _write_bundle(archive: Archive, path: Path, search: Search) -> int:
    """Write the zip part by part beside its place, so that memory does not grow with the archive."""
    count = 0
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as bundle:
            count = _fill_bundle(archive, bundle, search)
        os.replace(temporary, path)  # noqa: PTH105 - a plain string is at hand
        temporary = None
    except OSError as problem:
        raise UsageError(
            str(path),
            None,
            f"a file that cannot be written ({problem.strerror or problem})",
            "a folder with room and leave to write",
            "Choose another folder; nothing was changed.",
        ) from None
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
    return count


def _fill_bundle(archive: Archive, bundle: zipfile.ZipFile, search: Search) -> int:
    blobs: set[str] = set()
    plans: dict[tuple[str, str], None] = {}
    visits: dict[str, None] = {}
    count = 0

    def put_blob(sha256: str) -> None:
        if sha256 not in blobs:
            blobs.add(sha256)
            bundle.writestr(_entry(f"blobs/{sha256}"), archive.blob(sha256))

    for capture in whole_captures(archive, search):
        for item in capture["raw"]:
            put_blob(item["sha256"])
        for result in capture["results"]:
            plans.update({(kind, result[kind]): None for kind in ("plan", "chain") if result[kind] is not None})
        if capture["visit"] is not None:
            visits[capture["visit"]] = None
        bundle.writestr(_entry(f"captures/{capture['key']}.json"), canonical(capture))
        count += 1
    notes = [note for note in list_notes(archive) if note.visit in visits]
    for note in notes:
        for file in note.attachments:
            put_blob(file.sha256)
    held = []
    for kind, sha256 in plans:
        plan = archive.plan_file(sha256, kind)
        put_blob(plan.raw.sha256)
        values = {"file": plan.raw.name, "blob": plan.raw.sha256, "rows": plan.rows, "name": plan.name}
        held.append({"kind": kind, "sha256": sha256, **values})
    manifest = {
        "schema": BUNDLE_SCHEMA,
        "software": __version__,
        "revision": HEAD,
        "captures": count,
        "plans": sorted(held, key=canonical),
        "visits": _visits(archive, visits),
        "notes": [note.to_dict() for note in notes],
    }
    bundle.writestr(_entry("manifest.json"), canonical(manifest))
    return count


def _entry(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))  # the same content gives the same bytes
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


def _visits(archive: Archive, keys: Iterable[str]) -> list[dict[str, Any]]:
    with told(archive.where), reading(archive.engine) as connection:
        rows = connection.execute(sa.select(VISIT).where(VISIT.c.key.in_(sorted(keys)))).mappings()
        return sorted((dict(row) for row in rows), key=lambda row: str(row["key"]))


def import_bundle(archive: Archive, path: str | Path) -> tuple[int, int]:
    """Take in a bundle; what is there already stays as it is.

    Returns
    -------
    (int, int)
        Captures with something new, and captures in the bundle.

    Raises
    ------
    ArchiveError
        If it is no bundle, is of a newer version, or holds bytes that are not what their hash says. Captures taken in
        before that stay: each is whole.
    """
    path = Path(path)
    try:
        with zipfile.ZipFile(path) as bundle:
            return _take_in(archive, bundle, str(path))
    except (OSError, zipfile.BadZipFile, EOFError) as problem:
        raise _refused(str(path), str(problem) or type(problem).__name__) from None
    except (KeyError, TypeError, ValueError) as problem:
        if isinstance(problem, ArchiveError):
            raise
        raise _refused(str(path), f"parts missing or damaged ({problem})") from problem


def _refused(place: str, found: str) -> ArchiveError:
    return ArchiveError(place, None, found, "a bundle from archive export OUT.zip", "Export it again.")


def _take_in(archive: Archive, bundle: zipfile.ZipFile, place: str) -> tuple[int, int]:
    manifest = json.loads(_read(bundle, "manifest.json", place))
    if manifest["schema"] != BUNDLE_SCHEMA or manifest["revision"] > HEAD:
        raise ArchiveError(
            place,
            None,
            f"a bundle of {manifest['schema']}, revision {manifest['revision']}",
            f"{BUNDLE_SCHEMA}, revision {HEAD} or older",
            "Install the newer version; nothing was changed.",
        )
    visits = {row["key"]: VisitRow(**row) for row in manifest["visits"]}
    plans = {(row["kind"], row["sha256"]): _plan_file(bundle, row, place) for row in manifest["plans"]}
    names = [name for name in bundle.namelist() if name.startswith("captures/")]
    fresh = 0
    for name in sorted(names):
        capture = json.loads(_read(bundle, name, place))
        fresh += _take_capture(archive, bundle, capture, visits, plans, place)
    for note in manifest.get("notes", ()):  # not in bundles of earlier versions
        kept = {
            item["sha256"]: RawFile(item["file"], _blob(bundle, item["sha256"], place)) for item in note["attachments"]
        }
        take_notes(archive, note, kept)
    return fresh, len(names)


def _read(bundle: zipfile.ZipFile, name: str, place: str) -> bytes:
    if bundle.getinfo(name).file_size > _MOST_BYTES:
        raise _refused(place, f"a part {name} larger than {_MOST_BYTES / 1e6:.0f} MB")
    return bundle.read(name)


def _blob(bundle: zipfile.ZipFile, sha256: str, place: str) -> bytes:
    data = _read(bundle, f"blobs/{sha256}", place)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise _refused(place, f"bytes that are not what their hash says ({sha256})")
    return data


def _plan_file(bundle: zipfile.ZipFile, row: dict[str, Any], place: str) -> PlanFile:
    return PlanFile(row["sha256"], RawFile(row["file"], _blob(bundle, row["blob"], place)), row["rows"], row["name"])


def _take_capture(
    archive: Archive,
    bundle: zipfile.ZipFile,
    value: dict[str, Any],
    visits: dict[str, VisitRow],
    plans: dict[tuple[str, str], PlanFile],
    place: str,
) -> bool:
    raw = tuple(RawFile(item["file"], _blob(bundle, item["sha256"], place)) for item in value["raw"])
    # oldest first: the current one of the bundle is the newest here too
    results = sorted(value["results"], key=lambda r: (r["key"] == value["result"], r["made_at"]))
    fresh = False
    for item in results:
        head = {"software": item["software"], "made_at": item["made_at"]}
        body = {name: item[name] for name in ("measurements", "identification", "findings", "failed", "rf_hz")}
        if "curves" in item:  # not in bundles of earlier versions
            body["curves"] = item["curves"]
        result = ResultRecord(**head, plan_sha256=item["plan"], chain_sha256=item["chain"], body=body)
        record = CaptureRecord(
            **{name: value[name] for name in ("key", "raw_key", "entry", "number", "name")},
            **{name: value[name] for name in ("captured_at", "vessel", "terminal")},
            context={name: value[name] for name in ("context", "reading", "sweeps")},
            raw=raw,
            result=result,
        )
        fresh |= archive.add(
            EntryRecord(value["entry"], (record,)),
            visit=None if value["visit"] is None else visits[value["visit"]],
            plan=None if item["plan"] is None else plans["plan", item["plan"]],
            chain=None if item["chain"] is None else plans["chain", item["chain"]],
            replaced=value["replaced"],
        )
    return fresh


def content_sha256(archive: Archive) -> str:
    """Return a hash of all that an archive holds, whatever ids and order its database gave it."""
    parts = sorted(canonical(capture) for capture in whole_captures(archive))
    parts += sorted(canonical(note.to_dict()) for note in list_notes(archive))
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.encode("utf-8") + b"\n")
    return digest.hexdigest()
