"""The captures of a visit measured, identified and looked over, side by side where that is worth it.

Everything here is a top-level function over frozen, picklable values: an archive imports through the same workers.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from spectra.errors import SpectraError
from spectra.finding import Finding
from spectra.visit.visit import Visit, VisitCapture

if TYPE_CHECKING:
    from spectra.findings.clock import CaptureTime
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = [
    "CaptureReview",
    "RuleJob",
    "Traits",
    "analyse",
    "analyse_capture",
    "apply_rules",
    "one_thread_each",
    "rule_jobs",
    "traits_of",
]

_POOL_FROM_SWEEPS = 6
"""Sweeps from which on starting workers costs less than it saves: a worker takes about a second to start, a sweep of
some thousand points about as long to measure."""


@dataclass(frozen=True, slots=True, eq=False)
class CaptureReview:
    """One capture and what it gave.

    `measurements` are in the order of its sweeps; `identification` is None where there is no table or chain, or where
    the antenna was not meant to look at a satellite; `findings` hold those of measurement and identification too, each
    once; `failed` tells why a part could not be had.
    """

    source: VisitCapture
    measurements: tuple[Measurement, ...] = ()
    identification: Identification | None = None
    findings: tuple[Finding, ...] = ()
    failed: tuple[SpectraError, ...] = ()

    @property
    def name(self) -> str:
        """Name of the capture within its visit."""
        return self.source.name

    @property
    def verdict(self) -> str | None:
        """Verdict of the identification, or None."""
        return None if self.identification is None else self.identification.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return the capture under the keys of the visit's contract."""
        captured_at = self.source.captured_at
        return {
            "name": self.name,
            "files": [
                {"file": path.name, "sha256": sweep.origin.sha256 or None}
                for path, sweep in _files_with_sweeps(self.source)
            ],
            "captured_at": None if captured_at is None else captured_at.isoformat(),
            "stage": self.source.stage,
            "context": _context(self.source),
            "notes": list(self.source.notes),
            "measurements": [measurement.to_dict() for measurement in self.measurements],
            "identification": None if self.identification is None else self.identification.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
            "failed": [problem.to_dict() for problem in self.failed],
        }


def _files_with_sweeps(capture: VisitCapture) -> list[tuple[Any, Any]]:
    sweeps = capture.capture.sweeps
    if len(capture.files) == len(sweeps):
        return list(zip(capture.files, sweeps, strict=True))
    # one file of several sweeps: it stands once, its hash is the same in all of them
    return [(capture.files[0], sweeps[0])]


def _context(capture: VisitCapture) -> dict[str, Any]:
    from spectra.units import jsonable

    value: dict[str, Any] = jsonable(
        {
            key: item if isinstance(item, str | int | float | bool | list | None.__class__) else str(item)
            for key, item in capture.context.to_dict().items()
        }
    )
    return value


def analyse(
    visit: Visit, *, processes: int | None = None, tell: Callable[[int, int], None] | None = None
) -> tuple[CaptureReview, ...]:
    """Analyse every capture of a visit.

    Parameters
    ----------
    visit : Visit
    processes : int or None
        Worker processes; 1 stays in this process; None decides by the work there is.
    tell : callable or None
        Called with (done, all) as captures finish.

    Returns
    -------
    tuple of CaptureReview
        In the order of the visit's captures; one that cannot be measured is there with its `failed`.
    """
    captures = visit.captures
    wanted = _processes(captures) if processes is None else max(1, processes)
    if wanted == 1 or len(captures) < 2:
        done = []
        for number, capture in enumerate(captures, 1):
            done.append(analyse_capture(capture, visit.table, visit.chain))
            if tell is not None:
                tell(number, len(captures))
        return tuple(apply_rules(job, visit.table, visit.chain) for job in rule_jobs(done))
    return _in_pool(visit, min(wanted, len(captures)), tell)


def _processes(captures: Sequence[VisitCapture]) -> int:
    sweeps = sum(len(capture.capture.sweeps) for capture in captures)
    return 1 if sweeps < _POOL_FROM_SWEEPS else min(os.cpu_count() or 1, 8)


_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Let processes that are started meanwhile calculate with one thread, unless the environment says otherwise.

    As many workers as cores, each with as many threads of linear algebra, would only wait for one another.
    """
    added = [name for name in _THREADS if name not in os.environ]
    os.environ.update(dict.fromkeys(added, "1"))
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)


def _in_pool(visit: Visit, processes: int, tell: Callable[[int, int], None] | None) -> tuple[CaptureReview, ...]:
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor, as_completed

    # spawn on every system: safe beside threads, and one behaviour to test
    context = multiprocessing.get_context("spawn")
    held = (visit.table, visit.chain)
    with one_thread_each(), ProcessPoolExecutor(processes, context, initializer=_hold, initargs=held) as pool:
        futures = {pool.submit(_work, capture): number for number, capture in enumerate(visit.captures)}
        found: dict[int, CaptureReview] = {}
        for future in as_completed(futures):
            found[futures[future]] = future.result()
            if tell is not None:
                tell(len(found), len(futures))
        return tuple(pool.map(_rule, rule_jobs([found[number] for number in range(len(found))])))


_held: dict[str, Any] = {}  # of a worker process only: table and chain cross the pipe once, not once a capture


def _hold(table: CarrierTable | None, chain: ReceiveChain | None) -> None:
    _held.update(table=table, chain=chain)


def _work(capture: VisitCapture) -> CaptureReview:
    return analyse_capture(capture, _held["table"], _held["chain"])


def _rule(job: RuleJob) -> CaptureReview:
    return apply_rules(job, _held["table"], _held["chain"])


def analyse_capture(
    capture: VisitCapture, table: CarrierTable | None = None, chain: ReceiveChain | None = None
) -> CaptureReview:
    """Measure the sweeps of a capture (an RF axis at IF, where the chain tells) and identify them jointly."""
    from spectra.findings import sweep_at_if
    from spectra.measure import measure

    measurements: list[Measurement] = []
    failed: list[SpectraError] = []
    for sweep in capture.capture.sweeps:
        try:
            measurements.append(measure(sweep_at_if(sweep, chain, capture.context.lo_state)))
        except SpectraError as problem:
            failed.append(problem)
    identification = None
    if not failed and table is not None and chain is not None and capture.on_satellite:
        identification = _identified(capture, measurements, table, chain, failed)
    findings = tuple(finding for measurement in measurements for finding in measurement.findings)
    return CaptureReview(capture, tuple(measurements), identification, findings, tuple(failed))


def _identified(
    capture: VisitCapture,
    measurements: Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    failed: list[SpectraError],
) -> Identification | None:
    from spectra.identify import identify

    try:
        return identify(
            list(measurements) if len(measurements) > 1 else measurements[0],
            table,
            chain,
            context=[capture.context] * len(measurements) if len(measurements) > 1 else capture.context,
        )
    except SpectraError as problem:
        failed.append(problem)
        return None


@dataclass(frozen=True, slots=True, eq=False)
class RuleJob:
    """A capture with what the rules must know of the others: the analyser's own floor, and when each was taken."""

    review: CaptureReview
    analyser_floor: Measurement | None
    times: tuple[CaptureTime, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Traits:
    """What the others of its visit must know of a capture, far less than all that was found of it."""

    name: str
    vessel: str | None
    terminal: str | None
    time: CaptureTime | None
    analyser_floor: Measurement | None


def traits_of(review: CaptureReview) -> Traits:
    """Return what others must know of a capture."""
    from spectra.findings import capture_time

    source, first = review.source, next(iter(review.measurements), None)
    context = source.context
    return Traits(
        name=review.name,
        vessel=context.vessel,
        terminal=context.terminal,
        time=None if first is None else capture_time(first.sweep, context, source.files[0]),
        analyser_floor=first if context.role == "analyser_floor" else None,
    )


def rule_jobs(reviews: Sequence[CaptureReview], traits: Sequence[Traits] | None = None) -> list[RuleJob]:
    """Return one job a capture.

    `traits` are those of all captures of the visit, in its order; left out, `reviews` are all there are.
    """
    known = [traits_of(review) for review in reviews] if traits is None else traits
    floor = next((one.analyser_floor for one in known if one.analyser_floor is not None), None)
    times = {one.name: one.time for one in known if one.time is not None}
    return [
        RuleJob(
            review,
            floor,
            tuple(times[name] for name in sorted(times, key=lambda name: name != review.name)),
        )
        for review in reviews
    ]


def apply_rules(job: RuleJob, table: CarrierTable | None, chain: ReceiveChain | None) -> CaptureReview:
    """Add what the rules tell of a capture when they know its context, table, chain and the others' times."""
    from spectra.findings import capture_findings, each_once

    review = job.review
    found, failed = list(review.findings), list(review.failed)
    for measurement in review.measurements:
        try:
            found += capture_findings(
                measurement,
                table=table,
                chain=chain,
                context=review.source.context,
                analyser_floor=job.analyser_floor,
                times=job.times,
                spans_hz=[(m.sweep.start_hz, m.sweep.stop_hz) for m in review.measurements if m is not measurement],
                identification=review.identification,
                identified_from=review.measurements,
            )
        except SpectraError as problem:
            failed.append(problem)
    if review.identification is not None:
        found += review.identification.findings
    return replace(review, findings=each_once(found), failed=tuple(failed))
