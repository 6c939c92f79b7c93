"""Which captures of a visit belong together, and what comparing them gives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from spectra.errors import SpectraError
from spectra.visit.analysis import CaptureReview

if TYPE_CHECKING:
    from spectra.findings.comparison import Comparison
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["comparisons", "polarisation_pairs"]


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
    captures: Sequence[CaptureReview], table: CarrierTable | None, chain: ReceiveChain | None
) -> tuple[Comparison, ...]:
    """Compare every pair of ports; a pair that does not go together gives nothing."""
    import spectra.findings

    compare: Callable[..., Any] | None = getattr(spectra.findings, "compare", None)
    if compare is None:
        return ()
    found = []
    for co, cross in polarisation_pairs(captures):
        try:
            found.append(compare([co.source.capture, cross.source.capture], table, chain, kind="polarisation"))
        except SpectraError:
            continue  # checklist and criterion then say that isolation is not known
    return tuple(found)
