"""Into the archive: folders and files, analysed by a pool of workers, stored entry by entry.

What is stored already is passed over before any work is done on it, so an import that was stopped is resumed by
running it again.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra import __version__
from spectra.archive.notes import keep_notes, last_notes
from spectra.archive.record import EntryRecord, RawFile, canonical, entry_key, records_of
from spectra.archive.store import Archive, VisitRow, plan_files
from spectra.errors import SpectraError, UsageError
from spectra.visit.analysis import CaptureReview, RuleJob, analyse_capture, apply_rules, rule_jobs
from spectra.visit.folder import (
    VisitPlan,
    context_of,
    is_carrier_table,
    is_receive_chain,
    plan_visit,
    read_entries,
    sweep_files,
)
from spectra.visit.visit import VisitHead
from spectra.visit.visitfile import NAME, CaptureEntry, VisitFile, read_visit_file

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["ImportResult", "Job", "add_paths", "ruled", "run_job", "workers"]

_CHUNK = 200
"""Entries of one folder that are looked over together; more would only cost memory."""
_TOGETHER = 20
"""Entries that one transaction stores: a commit costs as much as some rows, a kill as many analyses."""
Tell = Callable[[int, int], None]


@dataclass(slots=True)
class ImportResult:
    """What an import came to: entries stored, entries that were there, files that could not be used."""

    stored: int = 0
    known: int = 0
    failed: list[SpectraError] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Return the counts and the failures."""
        return {"stored": self.stored, "known": self.known, "failed": [problem.to_dict() for problem in self.failed]}


@dataclass(frozen=True, slots=True)
class Job:
    """One entry for a worker, small enough for a pipe: plan and chain go by their paths."""

    root: Path
    head: VisitHead
    entry: CaptureEntry
    table: Path | None
    chain: Path | None


def run_job(job: Job) -> tuple[tuple[CaptureReview, ...], tuple[SpectraError, ...]]:
    """Read, measure and identify one entry."""
    plan = VisitPlan(job.root, VisitFile(head=job.head), (job.entry,))
    captures, failed = read_entries(plan, plan.entries)
    table, chain = _loaded(job.table, "table"), _loaded(job.chain, "chain")
    return tuple(analyse_capture(capture, table, chain) for capture in captures), tuple(failed)


def ruled(
    reviews: Sequence[CaptureReview], table: Path | None, chain: Path | None, pool: Executor | None
) -> list[CaptureReview]:
    """Run the rules over captures that belong together, in the pool where there is one."""
    jobs = [(job, table, chain) for job in rule_jobs(reviews)]
    return list(map(_run_rules, jobs) if pool is None else pool.map(_run_rules, jobs))


def _run_rules(job: tuple[RuleJob, Path | None, Path | None]) -> CaptureReview:
    return apply_rules(job[0], _loaded(job[1], "table"), _loaded(job[2], "chain"))


@lru_cache(maxsize=8)
def _loaded(path: Path | None, kind: str) -> Any:
    from spectra.plan import load_chain, load_table

    if path is None:
        return None
    return load_table(path) if kind == "table" else load_chain(path)


@contextmanager
def workers(processes: int | None) -> Iterator[Executor | None]:
    """Give a pool of workers, or None where one process does it all."""
    count = (os.cpu_count() or 1) if processes is None else processes
    if count < 2:
        _loaded.cache_clear()  # files may have changed since an import before in this process
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(count, multiprocessing.get_context("spawn")) as pool:
        yield pool


def add_paths(
    archive: Archive,
    paths: Iterable[str | Path],
    *,
    table: str | Path | None = None,
    chain: str | Path | None = None,
    processes: int | None = None,
    tell: Tell | None = None,
    reading: Mapping[str, Any] | None = None,
) -> ImportResult:
    """Analyse sweeps and store them.

    Parameters
    ----------
    archive : Archive
    paths : iterable of str or Path
        Folders (whole trees; a folder with ``visit.toml`` is one visit) and sweep files.
    table, chain : str or Path or None
        Carrier table and receive chain; None takes those of each visit or folder.
    processes : int or None
        Worker processes; None takes one a core; 1 stays in this process.
    tell : callable or None
        Called with (done, all) as entries are stored.
    reading : mapping, optional
        Options of `read_sweeps` stated for all of them (``level_unit``, ``rbw_hz``, ...); they win over sidecars.

    Returns
    -------
    ImportResult
        A file that cannot be used is told there and does not stop the rest.

    Raises
    ------
    UsageError
        If a path does not exist.
    ArchiveError
        If the archive cannot be written to; what was stored before stays.
    """
    result = ImportResult()
    plans: list[VisitPlan] = []
    for path in paths:
        plans += _plans(Path(path), table, chain, result.failed)
    if reading:
        plans = [_read_with(plan, reading) for plan in plans]
    total = sum(len(plan.entries) for plan in plans)
    done = 0
    with workers(processes) as pool:
        for plan in plans:
            for start in range(0, len(plan.entries), _CHUNK):
                entries = plan.entries[start : start + _CHUNK]
                for _ in _add_chunk(archive, plan, entries, pool, result):
                    done += 1
                    if tell is not None:
                        tell(done, total)
    return result


def _plans(
    path: Path, table: str | Path | None, chain: str | Path | None, failed: list[SpectraError]
) -> Iterator[VisitPlan]:
    """Yield a plan for every folder that holds a visit, and for every folder of loose sweeps."""
    if not path.exists():
        raise UsageError(str(path), None, "nothing of that name", "a folder or a sweep file", "Check the path.")
    if path.is_file():
        groups: list[tuple[Path, list[Path] | None]] = [(path.parent, [path])]
    else:
        groups = _groups(path)
    for folder, files in groups:
        try:
            told_table = table or _above(folder, path, is_carrier_table, ".csv")
            told_chain = chain or _above(folder, path, is_receive_chain, ".toml")
            yield plan_visit(folder, table=told_table, chain=told_chain, files=files)
        except SpectraError as problem:
            failed.append(problem)


def _read_with(plan: VisitPlan, reading: Mapping[str, Any]) -> VisitPlan:
    """Return a plan whose entries are read with options that somebody stated."""
    return replace(plan, entries=tuple(replace(e, context={**e.context, **reading}) for e in plan.entries))


def _groups(root: Path) -> list[tuple[Path, list[Path] | None]]:
    visits = sorted({item.parent for item in root.rglob(NAME)})
    visits = [folder for folder in visits if not any(other in folder.parents for other in visits)]
    groups: list[tuple[Path, list[Path] | None]] = [(folder, None) for folder in visits]
    taken = _named_by(visits)
    loose: dict[Path, list[Path]] = {}
    for file in sweep_files(root):
        if file.resolve() not in taken and not any(folder in file.parents for folder in visits):
            loose.setdefault(file.parent, []).append(file)
    return groups + [(folder, files) for folder, files in sorted(loose.items())]


def _named_by(visits: Sequence[Path]) -> set[Path]:
    """Return the files that visits name, which may lie outside their folders."""
    found: set[Path] = set()
    for folder in visits:
        # a visit.toml that cannot be used is told when its own folder is planned
        with suppress(SpectraError):
            found |= {path.resolve() for entry in read_visit_file(folder / NAME).captures for path in entry.files}
    return found


def _above(folder: Path, root: Path, fits: Callable[[Path], bool], suffix: str) -> Path | None:
    """Return the only table (or chain) of the nearest folder above, where the folder itself has none."""
    if (folder / NAME).is_file() or folder == root or root not in folder.parents:
        return None
    for place in (folder, *folder.parents):
        found = [item for item in sorted(place.iterdir()) if item.suffix.lower() == suffix and fits(item)]
        if found:
            return found[0] if len(found) == 1 and place != folder else None
        if place == root:
            break
    return None


def _add_chunk(
    archive: Archive,
    plan: VisitPlan,
    entries: Sequence[CaptureEntry],
    pool: Executor | None,
    result: ImportResult,
) -> Iterator[None]:
    files = plan_files(((plan.table_path, plan.table), (plan.chain_path, plan.chain)))
    plan_sha, chain_sha = (None if file is None else file.sha256 for file in files)
    fresh = []
    for entry in entries:
        key = _key(plan, entry)
        if key is not None and archive.holds(key, plan_sha, chain_sha, __version__):
            result.known += 1
            yield
        else:
            fresh.append(entry)
    jobs = [Job(plan.root, plan.written.head, entry, plan.table_path, plan.chain_path) for entry in fresh]
    # a visit's rules look at all its captures: those of the chunk are analysed first, then looked over together
    answers = list(map(run_job, jobs) if pool is None else pool.map(run_job, jobs))
    found_all = [review for found, _ in answers for review in found]
    reviews = ruled(found_all, plan.table_path, plan.chain_path, pool)
    visit = _visit_row(plan, reviews)
    place = 0
    ready: list[EntryRecord] = []
    table, chain = files
    for number, (entry, (found, failed)) in enumerate(zip(fresh, answers, strict=True), 1):
        own = reviews[place : place + len(found)]
        place += len(found)
        result.failed += failed
        result.failed += [problem for review in own for problem in review.failed]
        if own:
            now = datetime.now(UTC)
            ready.append(records_of(entry, own, plan_sha256=plan_sha, chain=plan.chain, made_at=now))
        if len(ready) == _TOGETHER or (ready and number == len(fresh)):
            stored = archive.add_all(ready, visit=visit, plan=table, chain=chain)
            result.stored += sum(stored)
            result.known += len(stored) - sum(stored)
            ready = []
        yield
    if reviews:
        _keep_attachments(archive, plan, visit.key)


def _keep_attachments(archive: Archive, plan: VisitPlan, visit: str) -> None:
    """Keep the photos and texts that ``visit.toml`` names, unless something was written to the visit already."""
    found = [(RawFile(item.path.name, item.path.read_bytes()), item.caption) for item in plan.written.attachments]
    if found and last_notes(archive, visit) is None:
        keep_notes(archive, visit, attachments=found)


def _key(plan: VisitPlan, entry: CaptureEntry) -> str | None:
    """Return an entry's key without reading its sweeps; None where that fails (the reading then tells why)."""
    try:
        context, reading = context_of(plan, entry)
        hashes = [RawFile(path.name, path.read_bytes()).sha256 for path in entry.files]
    except (SpectraError, OSError):
        return None
    return entry_key(hashes, context.to_dict(), reading)


def _visit_row(plan: VisitPlan, reviews: Sequence[CaptureReview]) -> VisitRow:
    head = plan.written.head

    def said(key: str) -> str | None:
        values = {getattr(review.source.context, key) for review in reviews} - {None}
        return getattr(head, key) or (str(values.pop()) if len(values) == 1 else None)

    vessel, terminal = said("vessel"), said("terminal")
    text = canonical({"head": head.to_dict(), "limits": plan.written.limits.to_dict()})
    key = hashlib.sha256(canonical(["visit", plan.root.name, vessel, terminal, text]).encode()).hexdigest()
    return VisitRow(key, plan.root.name, vessel, terminal, text)
