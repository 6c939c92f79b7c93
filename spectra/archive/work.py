"""What a worker process does of an import: from files to entries ready to be stored.

Nothing of the database is loaded here, so that a worker is soon at work.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.archive.ready import packed_entry
from spectra.archive.record import EntryRecord, records_of
from spectra.errors import SpectraError
from spectra.visit.analysis import (
    CaptureReview,
    RuleJob,
    Traits,
    analyse_capture,
    apply_rules,
    one_thread_each,
    rule_jobs,
    traits_of,
)
from spectra.visit.folder import VisitPlan, read_entries
from spectra.visit.visit import VisitHead
from spectra.visit.visitfile import CaptureEntry, VisitFile

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = [
    "Analysed",
    "Job",
    "Made",
    "MakeJob",
    "analyse_jobs",
    "make_entries",
    "ruled",
    "run_job",
    "whole_entries",
    "workers",
]


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


@dataclass(frozen=True, slots=True, eq=False)
class Analysed:
    """An entry between analysis and rules: what others must know of it, and its reviews, as bytes on their way."""

    traits: tuple[Traits, ...]
    held: tuple[CaptureReview, ...] | bytes
    failed: tuple[SpectraError, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MakeJob:
    """Analysed entries for a worker, with what it must know of all captures of their visit."""

    entries: Sequence[CaptureEntry]
    analysed: Sequence[Analysed]
    traits: Sequence[Traits]
    table: Path | None
    chain: Path | None
    plan_sha256: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """An entry ready to be stored (None where nothing of it could be used), and what failed."""

    record: EntryRecord | None
    failed: tuple[SpectraError, ...]


def analyse_jobs(jobs: Sequence[Job], packed: bool) -> list[Analysed]:
    """Read, measure and identify some entries.

    `packed` keeps their reviews as bytes: the process that hands them on then need not take them apart.
    """
    found = []
    for job in jobs:
        reviews, failed = run_job(job)
        held = pickle.dumps(reviews, pickle.HIGHEST_PROTOCOL) if packed else reviews
        found.append(Analysed(tuple(traits_of(review) for review in reviews), held, failed))
    return found


def make_entries(job: MakeJob) -> list[Made]:
    """Run the rules over analysed entries and make them ready to be stored, in the order of the job."""
    table, chain = _loaded(job.table, "table"), _loaded(job.chain, "chain")
    made = []
    for entry, analysed in zip(job.entries, job.analysed, strict=True):
        held = analysed.held
        reviews = pickle.loads(held) if isinstance(held, bytes) else held
        own = [apply_rules(one, table, chain) for one in rule_jobs(reviews, job.traits)]
        record = None
        if own:
            record = records_of(entry, own, plan_sha256=job.plan_sha256, chain=chain, made_at=datetime.now(UTC))
            record = packed_entry(record)
        failed = (*analysed.failed, *(problem for review in own for problem in review.failed))
        made.append(Made(record, failed))
    return made


def whole_entries(jobs: Sequence[Job], plan_sha256: str | None) -> tuple[list[Traits], list[Made]]:
    """Analyse all entries of a visit and make them ready to be stored, in their order."""
    analysed = analyse_jobs(jobs, False)
    traits = [one for each in analysed for one in each.traits]
    entries = [job.entry for job in jobs]
    return traits, make_entries(MakeJob(entries, analysed, traits, jobs[0].table, jobs[0].chain, plan_sha256))


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

    with one_thread_each(), ProcessPoolExecutor(count, multiprocessing.get_context("spawn")) as pool:
        yield pool
