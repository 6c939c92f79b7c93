"""The evidence file beside a report: every number of it as JSON, and the hashes of the files that it rests on."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from spectra import __version__
from spectra.capture import sidecar_path
from spectra.errors import ReportError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from spectra.visit.review import VisitReview

__all__ = ["SCHEMA", "Check", "evidence_of", "verify_evidence"]

SCHEMA = "sweepmuster/evidence/1"
Kind = Literal["sweep", "context", "table", "chain", "visit", "attachment", "report"]
CheckStatus = Literal["same", "changed", "missing"]


@dataclass(frozen=True, slots=True)
class Check:
    """What became of one file: `status` is ``same``, ``changed`` or ``missing``."""

    path: str
    kind: str
    status: CheckStatus
    expected: str
    found: str | None

    def to_dict(self) -> dict[str, Any]:
        """Return the check by name."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def evidence_of(review: VisitReview, made_at: str, reports: Iterable[Path] = ()) -> dict[str, Any]:
    """Return the evidence of a visit (`sweepmuster/evidence/1`).

    Parameters
    ----------
    review : VisitReview
    made_at : str
        RFC 3339.
    reports : iterable of Path
        Reports already written; their hashes go in.
    """
    return {
        "schema": SCHEMA,
        "software": __version__,
        "made_at": made_at,
        "visit_folder": review.visit.folder.name,
        "files": [_entry(path, kind, review.visit.folder) for path, kind in _files(review)],
        "reports": [_entry(path, "report", path.parent) for path in reports],
        "visit": review.to_dict(),
    }


def _files(review: VisitReview) -> list[tuple[Path, Kind]]:
    visit = review.visit
    found: dict[Path, Kind] = {}
    for capture in visit.captures:
        for path in capture.files:
            found.setdefault(path, "sweep")
            sidecar = sidecar_path(path)
            if sidecar.is_file():
                found.setdefault(sidecar, "context")
    if visit.table_path is not None:
        found.setdefault(visit.table_path, "table")
    if visit.chain_path is not None:
        found.setdefault(visit.chain_path, "chain")
    if (visit.folder / "visit.toml").is_file():
        found.setdefault(visit.folder / "visit.toml", "visit")
    for attachment in visit.attachments:
        found.setdefault(attachment.path, "attachment")
    return [(path, kind) for path, kind in found.items() if path.is_file()]


def _entry(path: Path, kind: Kind, root: Path) -> dict[str, Any]:
    data = path.read_bytes()
    try:
        name = path.resolve().relative_to(root.resolve()).as_posix()
    except ValueError:
        name = path.name  # a table or chain from elsewhere: looked for by its name
    return {"path": name, "kind": kind, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def verify_evidence(path: str | Path, folder: str | Path | None = None) -> list[Check]:
    """Hold the files that a report rests on against the hashes in its evidence.

    Parameters
    ----------
    path : str or Path
        The evidence file, or the report whose evidence lies beside it under the same name.
    folder : str or Path or None
        Folder of the visit; None looks beside the evidence, and in a folder of the visit's name beside it. Files that
        the visit named beside its folder are looked for there, by their names.

    Raises
    ------
    ReportError
        If there is no evidence, or it cannot be read.
    """
    source = Path(path)
    if source.suffix.lower() in (".html", ".htm", ".pdf"):
        source = source.with_suffix(".json")
    evidence = _read(source)
    roots = [Path(folder)] if folder is not None else [source.parent, source.parent / evidence["visit_folder"]]
    checks = [_check_beside(entry, roots) for entry in evidence["files"]]
    return checks + [_check(entry, [source.parent]) for entry in evidence["reports"]]


def _read(path: Path) -> dict[str, Any]:
    def refuse(found: str) -> ReportError:
        return ReportError(
            str(path),
            None,
            found,
            f"evidence of schema {SCHEMA}",
            "Name the .json file that was written with the report.",
        )

    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise refuse(problem.strerror or str(problem)) from None
    except (UnicodeDecodeError, json.JSONDecodeError) as problem:
        raise refuse(f"text that is no JSON ({problem})") from None
    if not isinstance(value, dict) or value.get("schema") != SCHEMA:
        raise refuse(f"schema {value.get('schema')!r}" if isinstance(value, dict) else "no object")
    try:
        for entry in (*value["files"], *value["reports"]):
            _ = entry["path"] + entry["kind"] + entry["sha256"]
        _ = value["visit_folder"] + ""
    except (KeyError, TypeError):
        raise refuse("evidence with keys missing") from None
    return value


def _check_beside(entry: dict[str, Any], roots: list[Path]) -> Check:
    check = _check(entry, roots)
    # a bare name alone may stand for a file beside the folder; a path that leads out of it never does
    if check.status != "missing" or Path(entry["path"]).name != entry["path"]:
        return check
    return _check(entry, [root.resolve().parent for root in roots])


def _check(entry: dict[str, Any], roots: list[Path]) -> Check:
    expected, wrong = entry["sha256"], None
    for root in roots:
        for candidate in (root / entry["path"], root / Path(entry["path"]).name):
            # evidence comes from outside: a path in it must not lead out of the folder
            if not candidate.is_file() or not candidate.resolve().is_relative_to(root.resolve()):
                continue
            found = hashlib.sha256(candidate.read_bytes()).hexdigest()
            if found == expected:
                return Check(entry["path"], entry["kind"], "same", expected, found)
            wrong = wrong or found
    return Check(entry["path"], entry["kind"], "missing" if wrong is None else "changed", expected, wrong)
