"""Which captures of a visit belong together, and what comparing them gives."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

from spectra.errors import SpectraError
from spectra.visit.analysis import CaptureReview

if TYPE_CHECKING:
    from spectra.findings.comparison import Comparison, ComparisonKind
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["before_after_pairs", "comparisons", "polarisation_pairs", "state_pairs"]


def polarisation_pairs(captures: Sequence[CaptureReview]) -> tuple[tuple[CaptureReview, CaptureReview], ...]:
    """Return every cross-polar capture with the co-polar one that is nearest in time and shares its span."""
    co = [c for c in captures if c.source.context.port == "co" and c.source.on_satellite and c.measurements]
    pairs = []
    for cross in captures:
        if cross.source.context.port != "cross" or not cross.source.on_satellite or not cross.measurements:
            continue
        fitting = [c for c in co if _spans_meet(c, cross)]
        if fitting:
            pairs.append((min(fitting, key=lambda c: _apart_s(c, cross)), cross))
    return tuple(pairs)


def state_pairs(captures: Sequence[CaptureReview]) -> tuple[tuple[CaptureReview, CaptureReview], ...]:
    """Return captures of one port that follow one another in time and were commanded to different LO states."""
    timed = [c for c in captures if _usable(c) and c.source.captured_at is not None and c.source.context.lo_state]
    timed = sorted((c for c in timed if c.source.context.port != "cross"), key=_at)
    return tuple(
        (one, other)
        for one, other in itertools.pairwise(timed)
        if one.source.context.lo_state != other.source.context.lo_state
    )


def before_after_pairs(captures: Sequence[CaptureReview]) -> tuple[tuple[CaptureReview, CaptureReview], ...]:
    """Return each baseline or as-found capture with the last one as left (or normal) of its port, state and span."""
    before = [
        c for c in captures if _usable(c) and (c.source.context.role == "baseline" or c.source.stage == "as_found")
    ]
    pairs = []
    for one in before:
        after = [
            c
            for c in captures
            if _usable(c)
            and c.source.stage in ("as_left", None)
            and c.source.context.role != "baseline"
            and c.source.captured_at is not None
            and one.source.captured_at is not None
            and c.source.captured_at > one.source.captured_at
            and c.source.context.lo_state == one.source.context.lo_state
            and (c.source.context.port == "cross") == (one.source.context.port == "cross")
            and _spans_meet(c, one)
        ]
        if after:
            pairs.append((one, max(after, key=_at)))
    return tuple(pairs)


def _usable(capture: CaptureReview) -> bool:
    return capture.source.on_satellite and bool(capture.measurements) and not capture.failed


def _at(capture: CaptureReview) -> float:
    at = capture.source.captured_at
    return 0.0 if at is None else at.timestamp()


def _spans_meet(one: CaptureReview, other: CaptureReview) -> bool:
    return any(
        a.start_hz < b.stop_hz and b.start_hz < a.stop_hz
        for a in one.source.capture.sweeps
        for b in other.source.capture.sweeps
    )


def _apart_s(one: CaptureReview, other: CaptureReview) -> float:
    first, second = one.source.captured_at, other.source.captured_at
    return float("inf") if first is None or second is None else abs((first - second).total_seconds())


def comparisons(
    captures: Sequence[CaptureReview],
    counted: Sequence[CaptureReview],
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    isolation_limit_db: float | None = None,
) -> tuple[Comparison, ...]:
    """Compare every pair that belongs together; one that does not go together after all gives nothing.

    A change of LO state is judged among the captures that count: between others the antenna may have moved.
    """
    from spectra.findings import compare

    wanted: list[tuple[ComparisonKind, CaptureReview, CaptureReview]] = [
        *(("polarisation", *pair) for pair in polarisation_pairs(captures)),
        *(("lo_state", *pair) for pair in state_pairs(counted)),
        *(("before_after", *pair) for pair in before_after_pairs(captures)),
    ]
    found = []
    for kind, one, other in wanted:
        try:
            comparison = compare(
                [one.source.capture, other.source.capture],
                table,
                chain,
                kind=kind,
                isolation_limit_db=isolation_limit_db if kind == "polarisation" else None,
                measurements=[one.measurements, other.measurements],
            )
        except SpectraError:
            continue  # checklist and criterion then say that isolation is not known
        found.append(comparison)
    return tuple(found)
