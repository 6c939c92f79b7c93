"""What the captures of a visit tell only together: interferers followed through them, the own carrier's level."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING

from spectra.visit.analysis import CaptureReview

if TYPE_CHECKING:
    from spectra.finding import Finding
    from spectra.findings.comparison import Comparison
    from spectra.findings.emissions import Emissions
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["told_together", "without_set_findings"]

_RIGHT = ("confirmed", "probable")
_LEAST = 2


def told_together(
    captures: Sequence[CaptureReview], table: CarrierTable | None, chain: ReceiveChain | None
) -> tuple[Emissions | None, tuple[Finding, ...]]:
    """Return the log of interferers of a visit, and what it and the own carrier's levels tell.

    Captures on another satellite or in another LO state than commanded are left out: what disturbs there is another
    matter. Those taken off the satellite take part: what stays there does not come from it. Without table or chain
    there is no log, every listed carrier would be in it.
    """
    from spectra.findings import emission_findings, service_findings

    if table is None or chain is None:
        return None, ()
    right = [c for c in captures if c.measurements and not c.failed and c.verdict in _RIGHT]
    off = [c for c in captures if c.measurements and not c.failed and c.source.context.role == "off_satellite"]
    told: tuple[Finding, ...] = ()
    log = None
    if right and len(right) + len(off) >= _LEAST:
        of = sorted((*right, *off), key=lambda c: list(captures).index(c))
        log, told = emission_findings(
            [c.source.capture for c in of],
            table=table,
            chain=chain,
            measurements=[c.measurements for c in of],
            identifications=[c.identification for c in of],
        )
    # where nothing at all came in, something may have stood in the way
    own = [
        c
        for c in captures
        if c.source.context.port != "cross"
        and c.measurements
        and not c.failed
        and c.verdict in (*_RIGHT, "no carriers")
    ]
    told += service_findings([c.source.capture for c in own], [c.identification for c in own], table)
    return log, told


def without_set_findings(comparisons: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """Return comparisons without the findings on sets of captures, which the visit's own log tells from all of them."""
    from spectra.findings.table import SERVICE_RULES, SET_RULES

    codes = {rule.code for rule in (*SET_RULES, *SERVICE_RULES)}
    return tuple(
        dataclasses.replace(c, findings=tuple(f for f in c.findings if f.code not in codes)) for c in comparisons
    )
