"""`identify`: from measurements, table and chain to the answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spectra.capture import Context
from spectra.identify import joint, odds
from spectra.identify.evidence import Group, gather
from spectra.identify.expectation import expectation
from spectra.identify.identification import THRESHOLDS, Candidate, Expected, Identification, RollCallEntry
from spectra.identify.inversion import as_inverted, mirrored, stands
from spectra.identify.knowledge import Knowledge, knowledge
from spectra.identify.odds import Answer, Ranking, same_position
from spectra.identify.offset import Offsets, fit_offsets
from spectra.identify.pair import pair_of
from spectra.identify.parting import next_sweeps
from spectra.identify.prepared import Prepared, prepare
from spectra.identify.rollcall import roll_call, unlisted_carriers
from spectra.identify.told import findings
from spectra.identify.unlisted import causes_of, with_moves
from spectra.identify.verdict import Judgement, agrees, judge
from spectra.identify.weak import WeakAnswer, weak_answer
from spectra.identify.words import Facts, sentence
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.units import counted

__all__ = ["call_roll", "identify"]

_MOST_CANDIDATES = 10
_FEW = 5  # carriers; with fewer the trace itself is asked, and no inverted spectrum is thought of
_REPLACED = ("identification.unidentified", "identification.no_carriers")
_BEAM_MARGIN = np.log(10.0)


def identify(
    evidence: Measurement | Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    *,
    lo_state: str | None = None,
    expect: str | Expected | Mapping[str, str | None] | None = None,
    context: Context | Sequence[Context | None] | None = None,
) -> Identification:
    """Say which satellite, polarisation and LO state the sweeps show, how sure that is, and call the roll.

    Parameters
    ----------
    evidence : Measurement or sequence of Measurement
        One sweep, or several taken with the antenna on one satellite (segments, ports, LO states), explained
        together: one satellite, one LO error per LO frequency, one analyser reference.
    table : CarrierTable
    chain : ReceiveChain
    lo_state : str, optional
        The LO state that was commanded.
    expect : str, Expected or mapping, optional
        ``SATELLITE`` or ``SATELLITE/POL``.
    context : Context or sequence of Context, optional
        One for all sweeps or one for each.

    Returns
    -------
    Identification

    Raises
    ------
    IdentificationError
        If there is no evidence, contexts do not match the sweeps, or what is expected is not in table or chain.

    Notes
    -----
    Every list of the table through every LO state is a hypothesis. Its likelihood is that of all carriers under one
    common IF offset: rows seen or missed with the chance that the sweep shows them, other carriers as clutter. The
    odds are against chance, against satellites outside the table that resemble a list of it, and against the rivals.

    Frequencies are taken as IF. A sweep whose axis shows RF (the analyser adds the LO) is brought to IF before it is
    measured, by `spectra.findings.sweep_to_if`; the command line and the archive do so by themselves.
    """
    measurements = (evidence,) if isinstance(evidence, Measurement) else tuple(evidence)
    contexts = _contexts(context, len(measurements))
    expected = expectation(expect, lo_state, contexts, table, chain)
    groups = gather(measurements, contexts, lo_state)
    prepared = prepare(table, chain)
    known = knowledge(prepared, contexts, measurements, expected)
    solution = _solve(prepared, known, groups, expected)
    carriers = sum(group.count for group in groups)
    if solution.judgement.verdict == "unidentified" and carriers >= _FEW:
        turned = prepare(table, mirrored(chain))
        known_turned = knowledge(turned, contexts, measurements, expected)
        other = _solve(turned, known_turned, groups, expected)
        if stands(other.ranking, other.judgement):
            other = replace(other, judgement=as_inverted(other.judgement, expected))
            return _result(measurements, turned, chain, known_turned, other, expected, inverted=True)
    result = _result(measurements, prepared, chain, known, solution, expected)
    if carriers < _FEW and len(groups) == 1 and result.verdict in ("unidentified", "no carriers"):
        weak = weak_answer(prepared, measurements, known.valid, known.allowed, expected)
        if weak is not None:
            return _from_trace(result, weak)
    return result


def call_roll(
    evidence: Measurement | Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    candidate: Candidate,
    *,
    lo_state: str | None = None,
    context: Context | Sequence[Context | None] | None = None,
) -> tuple[tuple[RollCallEntry, ...], tuple[tuple[int, Carrier], ...]]:
    """Call the roll of a hypothesis that is not the best: what it would explain, and what not.

    Parameters
    ----------
    evidence, table, chain, lo_state, context
        As `identify` had them.
    candidate : Candidate
        One of its candidates: satellite, polarisation, LO state and injection name the hypothesis.

    Returns
    -------
    roll_call : tuple of RollCallEntry
        Empty where the evidence gives this hypothesis nothing at all.
    unlisted : tuple of (int, Carrier)
        Carriers that it leaves unexplained, with the index of their sweep.
    """
    measurements = (evidence,) if isinstance(evidence, Measurement) else tuple(evidence)
    contexts = _contexts(context, len(measurements))
    expected = expectation(None, lo_state, contexts, table, chain)
    groups = gather(measurements, contexts, lo_state)
    for tried in (chain, mirrored(chain)):
        prepared = prepare(table, tried)
        known = knowledge(prepared, contexts, measurements, expected)
        solution = _solve(prepared, known, groups, expected)
        for answer in solution.ranking.answers:
            state = prepared.states[answer.state]
            named = (answer.satellite, answer.polarisation, state.name, state.injection)
            if named == (candidate.satellite, candidate.polarisation, candidate.lo_state, candidate.injection):
                roll = roll_call(prepared, solution.scorings, answer.best, known.valid)
                return roll, tuple(unlisted_carriers(solution.scorings, answer.best))
    return (), tuple((group, carrier) for group, m in enumerate(measurements) for carrier in m.carriers)


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    """One run over all hypotheses of a table and a chain."""

    groups: tuple[Group, ...]
    scorings: tuple[joint.Scoring, ...]
    ranking: Ranking
    judgement: Judgement
    second: Answer | None = None


def _solve(prepared: Prepared, known: Knowledge, groups: Sequence[Group], expected: Expected) -> _Solution:
    used = tuple(group for group in groups if group.count)
    scorings = tuple(joint.score_groups(prepared, used, known.tolerance_hz, known.valid, known.allowed)) if used else ()
    systems = joint.systems(prepared, scorings, known.tolerance_hz)
    count = int(np.count_nonzero(known.allowed))
    ranking = odds.rank(
        prepared,
        scorings,
        systems,
        count,
        known.log_state,
        known.log_list,
        lambda answer: agrees(prepared, answer, expected),
    )
    if used:
        judgement = judge(prepared, ranking, expected, THRESHOLDS)
    else:
        judgement = Judgement("no carriers", None, False, (), None, None)
    pair = pair_of(prepared, scorings, ranking, expected, THRESHOLDS)
    if pair is None:
        return _Solution(used, scorings, ranking, judgement)
    if judgement.verdict == "confirmed":
        # the answer stands by itself, but for a neighbour that shows about as many carriers of its own
        beside = pair.beside(ranking.answers[0])
        if beside is None or same_position(beside.answer, ranking.answers[0]):
            return _Solution(used, scorings, ranking, judgement)
        if beside.lesser:
            return _Solution(used, scorings, ranking, judgement, beside.answer)
    return _Solution(used, scorings, pair.ranking, pair.judgement, pair.other)


def _from_trace(result: Identification, weak: WeakAnswer) -> Identification:
    return replace(
        result,
        verdict=weak.verdict,
        best=weak.candidates[0],
        candidates=weak.candidates,
        roll_call=weak.roll_call,
        findings=(weak.finding, *(f for f in result.findings if f.code not in _REPLACED)),
        sentence=weak.sentence,
    )


def _contexts(context: Context | Sequence[Context | None] | None, count: int) -> tuple[Context | None, ...]:
    if context is None:
        return (None,) * count
    if isinstance(context, Context):
        return (context,) * count
    return tuple(context)


def _outside(measurements: Sequence[Measurement], chain: ReceiveChain) -> tuple[float, float] | None:
    """Return from where to where the sweeps go if none of them reaches into the IF range of the chain."""
    sweeps = [m.sweep for m in measurements]
    if any(s.stop_hz > chain.if_min_hz and s.start_hz < chain.if_max_hz for s in sweeps):
        return None
    return min(s.start_hz for s in sweeps), max(s.stop_hz for s in sweeps)


def _result(
    measurements: Sequence[Measurement],
    prepared: Prepared,
    chain: ReceiveChain,
    known: Knowledge,
    solution: _Solution,
    expected: Expected,
    *,
    inverted: bool = False,
) -> Identification:
    groups, scorings, ranking, judgement = solution.groups, solution.scorings, solution.ranking, solution.judgement
    shown = ranking.answers[:_MOST_CANDIDATES]
    fits = fit_offsets(prepared, scorings, [answer.best for answer in shown], chain.reference_ppm)
    candidates = tuple(
        _candidate(prepared, ranking, answer, fit, probability)
        for answer, fit, probability in zip(shown, fits, ranking.probabilities(shown), strict=True)
    )
    named = judgement.answer is not None and judgement.verdict != "unidentified"
    system = judgement.answer.best if judgement.answer is not None and named else None
    roll: tuple[RollCallEntry, ...] = ()
    if system is not None:
        roll = roll_call(prepared, scorings, system, known.valid)
    unlisted = unlisted_carriers(scorings, system)
    causes = causes_of(prepared, scorings, system, roll, unlisted) if system is not None else ()
    roll = with_moves(roll, unlisted, causes)
    best = candidates[0] if named else _nameless(candidates)
    files = tuple(m.sweep.origin.file for m in measurements)
    facts = Facts(
        prepared=prepared,
        ranking=ranking,
        judgement=judgement,
        offsets=fits[0] if named else None,
        expected=expected,
        thresholds=THRESHOLDS,
        carriers=sum(group.count for group in groups),
        matched=candidates[0].matched or 0 if candidates else 0,
        present=sum(entry.status == "present" for entry in roll),
        absent=sum(entry.status == "absent" for entry in roll),
        unlisted=len(unlisted),
        sweep_files=files,
        beams=_open_beams(judgement.answer) if named else (),
        below_horizon=known.below_horizon,
        network_id=known.network_id,
        network_names=known.network_names,
        inverted=inverted,
        second=solution.second,
        next_sweeps=() if inverted else next_sweeps(prepared, chain, scorings, ranking, judgement),
        aside=known.aside,
        outside_if_hz=_outside(measurements, chain),
    )
    return Identification(
        verdict=judgement.verdict,
        best=best,
        position_confirmed=judgement.position_confirmed,
        expected=expected,
        candidates=candidates,
        roll_call=roll,
        unlisted=unlisted,
        findings=findings(facts),
        table_file=prepared.table.file,
        table_sha256=prepared.table.sha256,
        table_rows=len(prepared.table),
        chain=chain.name,
        thresholds=THRESHOLDS,
        sentence=sentence(facts),
        sweep_files=files,
        next_sweeps=facts.next_sweeps,
        unlisted_causes=causes,
    )


def _nameless(candidates: Sequence[Candidate]) -> Candidate:
    """Return the best hypothesis without its name: its odds say why nothing was named."""
    if not candidates:
        return Candidate()
    best = candidates[0]
    return replace(
        Candidate(),
        log10_odds_none=best.log10_odds_none,
        log10_odds_next=best.log10_odds_next,
        log10_odds_kin=best.log10_odds_kin,
        probability=best.probability,
    )


def _candidate(prepared: Prepared, ranking: Ranking, answer: Answer, fit: Offsets, probability: float) -> Candidate:
    state = prepared.states[answer.state]
    best = answer.best
    # entries of one system hold their matches in the scorings; the count travels with the options
    return Candidate(
        satellite=answer.satellite,
        orbital_longitude_deg=answer.longitude_deg,
        beam=best.beam,
        polarisation=answer.polarisation,
        lo_state=state.name,
        injection=state.injection,
        if_offset_hz=fit.if_offset_hz,
        if_offset_std_hz=fit.if_offset_std_hz,
        if_reference_hz=fit.if_reference_hz,
        lo_error_hz=fit.lo_error_hz,
        lo_error_std_hz=fit.lo_error_std_hz,
        analyser_ppm=fit.analyser_ppm,
        analyser_ppm_std=fit.analyser_ppm_std,
        log10_odds_none=ranking.odds_none(answer),
        log10_odds_next=ranking.odds_next(answer),
        log10_odds_kin=ranking.odds_kin(answer),
        probability=probability,
        matched=sum(option.matched for option in best.options),
        why_not=None if answer is ranking.answers[0] else _why_not(ranking, answer),
    )


def _why_not(ranking: Ranking, answer: Answer) -> str:
    best = ranking.answers[0]
    decades = (best.log_known - answer.log_known) / np.log(10.0)
    mine = sum(option.matched for option in answer.best.options)
    first = sum(option.matched for option in best.best.options)
    return f"{decades:.1f} decades less likely; explains {counted(mine, 'carrier')} where the best explains {first}"


def _open_beams(answer: Answer | None) -> tuple[str, ...]:
    """Beams within a decade of the best, where the table names beams."""
    if answer is None:
        return ()
    near = [each for each in answer.systems if each.log_known > answer.best.log_known - _BEAM_MARGIN]
    beams = dict.fromkeys(each.beam or "without beam" for each in near)
    return tuple(beams) if len(beams) > 1 else ()
