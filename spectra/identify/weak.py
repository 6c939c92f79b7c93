"""The answer of a sweep whose carriers say too little singly: from the trace, and never more than probable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.identify.identification import THRESHOLDS, Candidate, Expected, RollCallEntry, Verdict
from spectra.identify.odds import PRIOR_LISTED, SAME_POSITION_DEG
from spectra.identify.prepared import Prepared
from spectra.identify.trace import TraceFit, fit_trace
from spectra.measure.measurement import Measurement

__all__ = ["WeakAnswer", "weak_answer"]

_LN10 = float(np.log(10.0))
_LEAST_ROWS = 5
# how far a lead over the lists of other positions adds to the odds against chance: fitted to weak simulated sweeps over
# open plans, with and without the true satellite in the table
_LEAD_WEIGHT, _LEAD_LIMIT, _FAIR_SAMPLE = 2.0, 3.0, 100


@dataclass(frozen=True, slots=True)
class WeakAnswer:
    """Verdict, candidates (best first), roll call and finding of a weak sweep."""

    verdict: Verdict
    candidates: tuple[Candidate, ...]
    roll_call: tuple[RollCallEntry, ...]
    finding: Finding
    sentence: str


def weak_answer(
    prepared: Prepared,
    measurements: Sequence[Measurement],
    valid: np.ndarray | None,
    allowed: np.ndarray,
    expected: Expected,
) -> WeakAnswer | None:
    """Return an answer from the trace, or None where it does not reach the odds of `probable`.

    The sweeps must be of one setting. Only lists with at least five rows in the span are considered.
    """
    fit = fit_trace(prepared, measurements, valid, allowed)
    usable = np.flatnonzero(np.isfinite(fit.log_evidence) & (fit.rows >= _LEAST_ROWS))
    if not usable.size:
        return None
    order = usable[np.argsort(-fit.log_evidence[usable], kind="stable")]
    prior = np.log(PRIOR_LISTED / (1.0 - PRIOR_LISTED) / max(int(np.count_nonzero(allowed)), 1))
    prior += _LN10 * _LEAD_WEIGHT * _lead(prepared, fit, order)
    none = float(fit.log_evidence[order[0]] + prior) / _LN10
    if none < THRESHOLDS.probable_none:
        return None
    candidates = tuple(_candidate(prepared, fit, order, place, float(prior)) for place in range(min(10, order.size)))
    best = candidates[0]
    margin = best.log10_odds_next if best.log10_odds_next is not None else np.inf
    verdict: Verdict = "probable" if margin >= THRESHOLDS.probable_next else "ambiguous"
    if verdict == "probable" and not _agrees(prepared, best, expected):
        verdict = "contradicted"
    words = f"{best.satellite}, {best.polarisation}, LO state {best.lo_state}"
    return WeakAnswer(
        verdict=verdict,
        candidates=candidates,
        roll_call=_roll_call(prepared, int(order[0]), float(fit.offset_hz[order[0]])),
        finding=_finding(measurements, best, int(fit.rows[order[0]])),
        sentence=f"{verdict.capitalize()}, from the trace as a whole (too few carriers stand out singly): {words}.",
    )


def _lead(prepared: Prepared, fit: TraceFit, order: np.ndarray) -> float:
    """Return the decades by which the best list leads those of other positions, as far as these are a fair sample.

    Where hundreds of lists could fit by chance and none comes near, the best fits for a reason; a lead over two or
    three other lists says little.
    """
    longitude = np.array(
        [np.nan if p.orbital_longitude_deg is None else p.orbital_longitude_deg for p in prepared.lists]
    )[prepared.hyp_list[order]]
    name = np.array([p.satellite for p in prepared.lists], dtype=object)[prepared.hyp_list[order]]
    here = (name == name[0]) | (np.abs((longitude - longitude[0] + 180.0) % 360.0 - 180.0) < SAME_POSITION_DEG)
    others = order[~here]
    if not others.size:
        return 0.0
    ahead = float(fit.log_evidence[order[0]] - fit.log_evidence[others].max()) / _LN10
    return float(min(ahead, _LEAD_LIMIT) * min(1.0, others.size / _FAIR_SAMPLE))


def _agrees(prepared: Prepared, best: Candidate, expected: Expected) -> bool:
    names = next((each for each in prepared.state_names if best.lo_state in each), ())
    return (
        expected.satellite in (None, best.satellite)
        and expected.polarisation in (None, best.polarisation)
        and (expected.lo_state is None or expected.lo_state in names)
    )


def _candidate(prepared: Prepared, fit: TraceFit, order: np.ndarray, place: int, prior: float) -> Candidate:
    hyp = int(order[place])
    plan = prepared.lists[prepared.hyp_list[hyp]]
    state = prepared.states[prepared.hyp_state[hyp]]
    mine = float(fit.log_evidence[hyp])
    others = fit.log_evidence[np.delete(order, place)]
    offset, std = float(fit.offset_hz[hyp]), float(fit.offset_std_hz[hyp])
    rows = prepared.if_hz[prepared.rows_of(hyp)]
    return Candidate(
        satellite=plan.satellite,
        orbital_longitude_deg=plan.orbital_longitude_deg,
        beam=plan.beam,
        polarisation=plan.polarisation,
        lo_state=state.name,
        injection=state.injection,
        if_offset_hz=offset,
        if_offset_std_hz=std,
        if_reference_hz=float(rows.mean()) + offset,
        lo_error_hz=state.lo_error_from_offset(offset),
        lo_error_std_hz=std,
        log10_odds_none=(mine + prior) / _LN10,
        log10_odds_next=(mine - float(others.max())) / _LN10 if others.size else None,
        matched=0,
        why_not=None if place == 0 else "fits the trace less well",
    )


def _roll_call(prepared: Prepared, hyp: int, offset_hz: float) -> tuple[RollCallEntry, ...]:
    rows = prepared.rows_of(hyp)
    table = prepared.table
    return tuple(
        RollCallEntry(
            row=int(table.line[index]),
            rf_mhz=float(table.rf_hz[index]) / 1e6,
            expected_if_hz=float(if_hz) + offset_hz,
            status="not visible",
            why="not found singly; counted in the trace as a whole",
        )
        for index, if_hz in zip(prepared.row[rows].tolist(), prepared.if_hz[rows].tolist(), strict=True)
    )


def _finding(measurements: Sequence[Measurement], best: Candidate, rows: int) -> Finding:
    return Finding(
        code="identification.from_trace",
        severity="warning",
        title="Identified from the trace as a whole",
        explanation=f"Too few carriers stand out singly. The {rows} rows of {best.satellite} in this span lie on "
        "raised parts of the trace more often than those of any other list.",
        evidence=(
            Evidence("odds against chance", best.log10_odds_none, unit="log10", limit=THRESHOLDS.probable_none),
            Evidence("rows in the span", float(rows)),
        ),
        subjects=Subjects(captures=tuple(m.sweep.origin.file for m in measurements)),
        next_steps=(step("Sweep again with more averages and an RBW near a third of the narrowest carrier."),),
    )
