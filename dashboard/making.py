"""From a draft and its form to a stored visit."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from dashboard.drafts import safe_name
from spectra.archive import add_paths
from spectra.archive.restore import captures_of_file
from spectra.capture import Context, context_from_mapping, sidecar_path, write_context
from spectra.errors import SpectraError, UsageError
from spectra.visit.visitfile import NAME

if TYPE_CHECKING:
    from dashboard.desk import Desk
    from dashboard.drafts import Draft, Dropped
    from dashboard.jobs import Job

__all__ = ["Outcome", "make_visit"]

_HEAD = ("title", "vessel", "terminal", "technician", "expected_satellite", "expected_polarisation")
_SWEEP_KEYS = ("port", "lo_state", "role")
_ALONE = 3
"""Up to so many sweeps starting workers takes longer than measuring."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a draft: the visit's key, its captures, the files that could not be used."""

    visit: str | None
    captures: tuple[dict[str, Any], ...]
    failed: tuple[SpectraError, ...]


def make_visit(desk: Desk, draft: Draft, form: Mapping[str, Any]) -> Job:
    """Write down what the form says beside the files, and begin to measure them.

    Raises
    ------
    UsageError
        If there is no sweep.
    ContextError
        If a value of the form does not fit.
    """
    sweeps = draft.of("sweep")
    if not sweeps:
        raise UsageError("the files", None, "no sweep", "at least one sweep file", "Drop the sweeps themselves too.")
    for file in sweeps:
        _write_notes(file, form)
    table, chain = _plans(desk, draft, form)
    if not draft.of("visit"):
        _write_head(draft, form)
    # the folder's name is what the visit is told apart by; no two drafts share one
    home = draft.folder.with_name(f"{_title(form)} {draft.key[:6]}")
    return desk.jobs.begin("measuring", lambda job: _store(desk, draft, home, table, chain, job))


def _title(form: Mapping[str, Any]) -> str:
    said = [str(form.get(f"head.{key}") or "") for key in ("title", "vessel")]
    return safe_name(next((text for text in said if text.strip()), "visit"))[:60]


def _write_notes(file: Dropped, form: Mapping[str, Any]) -> None:
    """Write the sidecar of a sweep where the form says anything of it."""
    said = {key: form[name] for key in (*_SWEEP_KEYS, "stage") if (name := f"sweep.{file.number}.{key}") in form}
    if not said:
        return
    from spectra.capture import read_context

    sidecar = sidecar_path(file.path)
    known = read_context(sidecar) if sidecar.is_file() else Context()
    stated = context_from_mapping({k: v for k, v in said.items() if v and k != "stage"}, file.name)
    changes: dict[str, Any] = {key: getattr(stated, key) for key in _SWEEP_KEYS if key in said}
    extra = {key: value for key, value in known.extra.items() if key != "stage" or "stage" not in said}
    if said.get("stage"):
        extra["stage"] = said["stage"]
    write_context(dataclasses.replace(known, **changes, extra=MappingProxyType(extra)), sidecar)


def _plans(desk: Desk, draft: Draft, form: Mapping[str, Any]) -> tuple[Path | None, Path | None]:
    tables, chains = draft.of("table"), draft.of("chain")
    table = tables[0].path if tables else None
    chain = chains[0].path if chains else None
    if (table is None or chain is None) and form.get("plans", "last") == "last":
        place = draft.folder.parent / "plans"
        place.mkdir(parents=True, exist_ok=True)
        last_table, last_chain = desk.last_plan()
        if table is None and last_table is not None:
            table = place / safe_name(last_table.raw.name)
            table.write_bytes(last_table.raw.data)
        if chain is None and last_chain is not None:
            chain = place / safe_name(last_chain.raw.name)
            chain.write_bytes(last_chain.raw.data)
    return table, chain


def _write_head(draft: Draft, form: Mapping[str, Any]) -> None:
    lines = ["[visit]"]
    for key in _HEAD:
        text = str(form.get(f"head.{key}") or "").strip()
        if text:
            lines.append(f"{key} = {json.dumps(text[:200], ensure_ascii=False)}".replace("\x7f", ""))
    for number, file in enumerate(draft.of("attachment")):
        lines += ([""] if number == 0 else []) + [
            "[[attachment]]",
            f"file = {json.dumps(file.path.relative_to(draft.folder).as_posix())}",
        ]
    (draft.folder / NAME).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _store(desk: Desk, draft: Draft, home: Path, table: Path | None, chain: Path | None, job: Job) -> Outcome:
    """Measure and store; runs beside the requests."""
    if draft.folder != home:
        table, chain = (_moved(path, draft.folder, home) for path in (table, chain))
        draft.folder.rename(home)
        for file in draft.files:
            file.path = _moved(file.path, draft.folder, home) or file.path
        draft.folder = home
    sweeps = draft.of("sweep")
    processes = 1 if len(sweeps) <= _ALONE else desk.processes
    result = add_paths(desk.archive, [home], table=table, chain=chain, processes=processes, tell=job.tell)
    found: dict[str, dict[str, Any]] = {}
    for file in sweeps:
        import hashlib

        digest = hashlib.sha256(file.path.read_bytes()).hexdigest()
        found.update((row["key"], row) for row in captures_of_file(desk.archive, digest))
    visits = [row["visit"] for row in found.values() if row["visit"] is not None]
    newest = max(set(visits), key=visits.count) if visits else None
    refused = tuple(file.problem for file in draft.of("unusable") if file.problem is not None)
    return Outcome(newest, tuple(found.values()), (*result.failed, *refused))


def _moved(path: Path | None, old: Path, new: Path) -> Path | None:
    return new / path.relative_to(old) if path is not None and path.is_relative_to(old) else path
