"""Findings of one capture: facts, then every rule of the table whose facts are at hand."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from spectra.finding import Finding, run_rules
from spectra.findings.clock import CaptureTime
from spectra.findings.facts import capture_facts
from spectra.findings.table import RULES

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.findings.interference_causes import Unlisted
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["capture_findings", "each_once", "with_capture_findings"]

_RANK = {"fault": 0, "warning": 1, "note": 2}
_SAID_BETTER: dict[str, tuple[str, ...]] = {
    # where no LNB's noise arrives there is no azimuth to check: supply and line come first
    "identification.no_carriers": ("quality.nothing_as_meant", "line.gain_low"),
    "identification.other_lo_state": ("oscillator.wrong_state",),
    "identification.inverted_spectrum": ("oscillator.inverted_spectrum",),
    "identification.other_polarisation": ("polarisation.other_than_expected",),
}
"""Findings of an identification that a rule tells again with the capture's circumstances: the rule's are kept."""


def capture_findings(
    measurement: Measurement,
    *,
    table: CarrierTable | None = None,
    chain: ReceiveChain | None = None,
    context: Context | None = None,
    lo_state: str | None = None,
    satellite: str | None = None,
    polarisation: str | None = None,
    analyser_floor: Measurement | None = None,
    times: Sequence[CaptureTime] = (),
    spans_hz: Sequence[tuple[float, float]] = (),
    identification: Identification | None = None,
    identified_from: Sequence[Measurement] = (),
) -> tuple[Finding, ...]:
    """Return what a capture's context, table and chain tell of it, beyond what the sweep alone does.

    Parameters
    ----------
    measurement : Measurement
    table, chain, context
        What there is; rules that need what is missing do not run.
    lo_state, satellite, polarisation : str or None
        What was selected and expected; they win over the context's.
    analyser_floor : Measurement or None
        Of a capture with role `analyser_floor`: the analyser's own noise at the same settings.
    times : sequence of CaptureTime
        Of this capture (first) and of the others of its folder; see `spectra.findings.clock.capture_time`.
    spans_hz : sequence of (start, stop)
        Other segments that were swept together with this one.
    identification : Identification or None
        Of this capture; with table and chain it adds what the oscillator and the polarisation tell.
    identified_from : sequence of Measurement
        What was identified together, in its order; left out, this measurement alone.

    Raises
    ------
    UsageError
        If the LO state is not in the chain.
    """
    facts = capture_facts(
        measurement,
        table=table,
        chain=chain,
        context=context,
        lo_state=lo_state,
        satellite=satellite,
        polarisation=polarisation,
        analyser_floor=analyser_floor,
        times=times,
        spans_hz=spans_hz,
        identification=identification,
        identified_from=identified_from,
    )
    return run_rules(RULES, facts)


def with_capture_findings(
    identification: Identification,
    measurements: Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    contexts: Sequence[Context | None],
    *,
    lo_state: str | None = None,
    satellite: str | None = None,
    polarisation: str | None = None,
) -> Identification:
    """Return an identification whose findings are all that its captures tell, what is worst and the own carrier first.

    They are its own, those of the sweeps alone, and those of the rules that know table, chain and context.

    Parameters
    ----------
    identification : Identification
    measurements, contexts : sequences of one length
        What was identified, in its order.
    table, chain
        As it was identified with.
    lo_state, satellite, polarisation : str or None
        What was selected and expected; they win over the contexts'.
    """
    from spectra.findings.interference_causes import with_told_causes

    spans = [(m.sweep.start_hz, m.sweep.stop_hz) for m in measurements]
    found = list(identification.findings)
    unlisted: list[tuple[int, Unlisted]] = []
    for number, (measurement, context) in enumerate(zip(measurements, contexts, strict=True)):
        facts = capture_facts(
            measurement,
            table=table,
            chain=chain,
            context=context,
            lo_state=lo_state,
            satellite=satellite,
            polarisation=polarisation,
            analyser_floor=None,
            times=(),
            spans_hz=[span for k, span in enumerate(spans) if k != number],
            identification=identification,
            identified_from=measurements,
        )
        found += [*measurement.findings, *run_rules(RULES, facts)]
        unlisted += [(number, one) for one in facts["unlisted"] or ()]
    # what is worst first, and within that the vessel's own carrier
    told = sorted(each_once(found), key=lambda one: (_RANK[one.severity], not one.code.startswith("service.")))
    return dataclasses.replace(with_told_causes(identification, unlisted), findings=tuple(told))


def each_once(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings without those that are told twice, or again in more detail by another."""
    codes = {finding.code for finding in findings}
    once: dict[tuple[Any, ...], Finding] = {}
    for finding in findings:
        if codes.isdisjoint(_SAID_BETTER.get(finding.code, ())):
            once.setdefault((finding.code, finding.title, finding.subjects, finding.explanation), finding)
    return tuple(once.values())
