"""Two satellites of the table in one sweep: neighbours that one beam takes in, or lists of one position.

Neither list explains the carriers alone, because those of the other are unlisted to it; together they do. What the
other explains is then neutral: it speaks neither for a list nor against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np

from spectra.identify import model
from spectra.identify.identification import Expected, Thresholds
from spectra.identify.joint import Scoring
from spectra.identify.kin import roll_call_evidence
from spectra.identify.odds import PRIOR_LISTED, Answer, Ranking, carriers_of, kinship_of, same_position
from spectra.identify.prepared import Prepared
from spectra.identify.verdict import Judgement, agrees

__all__ = ["Pair", "pair_of"]

_LN10 = log(10.0)
_CANDIDATES = 6
_LESSER = 0.5  # part of the own carriers below which the other satellite is a neighbour coming in, no equal
_OWN_CARRIERS = 4  # that each of the two must explain and the other not
_EXPLAINED = 0.75  # part of all carriers that the two must explain together
_BOTH = log(0.02)  # prior chance that a beam takes in two satellites of the table (common practice, no source)
_LEAST_KIN = 0.9  # decades; less than of one satellite, because rows are hidden under the other's carriers
_LO_SLACK_HZ = 20e3  # one oscillator: the errors that the two lists give must agree


@dataclass(frozen=True, slots=True)
class Pair:
    """Two answers that are both on air, with ranking and judgement in which each leaves the other its carriers."""

    ranking: Ranking
    judgement: Judgement
    other: Answer
    own: tuple[int, int]

    def beside(self, answer: Answer) -> Beside | None:
        """Return the other one of the pair, where `answer` is one of the two."""
        first = self.judgement.answer
        if first is not None and _is(first, answer):
            return Beside(self.other, self.own[1] < _LESSER * self.own[0])
        if first is not None and _is(self.other, answer):
            return Beside(first, self.own[0] < _LESSER * self.own[1])
        return None


@dataclass(frozen=True, slots=True)
class Beside:
    """The other satellite of a pair, and whether it shows far fewer carriers of its own."""

    answer: Answer
    lesser: bool


def _is(one: Answer, other: Answer) -> bool:
    return (one.satellite, one.polarisation, one.state) == (other.satellite, other.polarisation, other.state)


def pair_of(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    ranking: Ranking,
    expected: Expected,
    thresholds: Thresholds,
) -> Pair | None:
    """Return the pair that explains the sweeps where no single answer does, or None.

    Both must reach the odds of a confirmation against chance, the first those of `probable` against kin, with the
    other's carriers left out. The verdict is never more than `probable`, and that only for a satellite that was
    expected; where the one expected does not stand by itself the verdict is `contradicted`, at one position
    `ambiguous`.
    """
    best: tuple[float, Answer, Answer] | None = None
    answers = sorted((*ranking.answers[:_CANDIDATES], *ranking.company), key=lambda each: -each.log_known)[:_CANDIDATES]
    for place, one in enumerate(answers):
        for other in answers[place + 1 :]:
            joined = _joined(prepared, scorings, one, other)
            if joined is not None and (best is None or joined[0] > best[0]):
                best = joined
    if best is None:
        return None
    _, one, other = best
    for first, second in (
        ((one, other), (other, one)) if agrees(prepared, one, expected) else ((other, one), (one, other))
    ):
        found = _judged(prepared, scorings, ranking, first, second, expected, thresholds)
        if found is not None:
            return found
    return None


def _joined(
    prepared: Prepared, scorings: Sequence[Scoring], one: Answer, other: Answer
) -> tuple[float, Answer, Answer] | None:
    """Return two answers with the other's carriers neutral, and their common evidence; None if they cannot both be."""
    if one.satellite == other.satellite or one.state != other.state:
        return None
    if not _one_oscillator(prepared, one, other):
        return None
    mine, theirs = carriers_of(scorings, one.best), carriers_of(scorings, other.best)
    total = sum(scoring.group.count for scoring in scorings)
    if min(len(mine - theirs), len(theirs - mine)) < _OWN_CARRIERS or len(mine | theirs) < _EXPLAINED * total:
        return None
    first = _beside(scorings, one, _not_neutral(one, other, theirs - mine))
    second = _beside(scorings, other, _not_neutral(one, other, mine - theirs))
    return first.log_known + second.log_known, first, second


def _one_oscillator(prepared: Prepared, one: Answer, other: Answer) -> bool:
    mine, theirs = one.best.main, other.best.main
    state = prepared.states[one.state]
    apart = abs(state.lo_error_from_offset(mine.offset_hz) - state.lo_error_from_offset(theirs.offset_hz))
    return apart < 4.0 * float(np.hypot(mine.std_hz, theirs.std_hz)) + _LO_SLACK_HZ


def _not_neutral(one: Answer, other: Answer, carriers: set[tuple[int, int]]) -> set[tuple[int, int]]:
    """Leave out what the lists of one position and polarisation grant one another anyway."""
    return set() if same_position(one, other) and one.polarisation == other.polarisation else carriers


def _beside(scorings: Sequence[Scoring], answer: Answer, others: set[tuple[int, int]]) -> Answer:
    """Return the answer with the evidence it has when the carriers `others` are neutral."""
    more = _BOTH
    for number, (scoring, option) in enumerate(zip(scorings, answer.best.options, strict=True)):
        if option.entry < 0:
            continue
        count = sum(group == number for group, _ in others)
        more += roll_call_evidence(model.KNOWN, scoring, option.entry, count)
        more -= roll_call_evidence(model.KNOWN, scoring, option.entry, 0)
        more += count * log(max(scoring.group.count, 1))
    return replace(answer, log_known=answer.log_known + more)


def _judged(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    ranking: Ranking,
    first: Answer,
    second: Answer,
    expected: Expected,
    thresholds: Thresholds,
) -> Pair | None:
    """Return the pair with `first` as the answer, if both stand."""
    names = {(each.satellite, each.polarisation, each.state) for each in (first, second)}
    rest = tuple(a for a in ranking.answers if (a.satellite, a.polarisation, a.state) not in names)
    theirs = _not_neutral(first, second, carriers_of(scorings, second.best) - carriers_of(scorings, first.best))
    beside = [sum(group == number for group, _ in theirs) for number in range(len(scorings))]
    chance = ranking.log_chance - ranking.log_prior
    kin = kinship_of(prepared, scorings, (first, *rest), chance, beside)
    log_kin = ranking.log_prior - log(PRIOR_LISTED) + log(1.0 - PRIOR_LISTED) + first.log_known - kin.log10_odds * _LN10
    company = tuple(a for a in ranking.company if (a.satellite, a.polarisation, a.state) not in names)
    paired = replace(
        ranking,
        answers=(first, second, *rest),
        company=company,
        log_kin=log_kin,
        log10_roll_call=kin.log10_roll_call,
    )
    if min(paired.odds_none(first), paired.odds_none(second)) < thresholds.confirmed_none:
        return None
    if paired.odds_kin(first) < _LEAST_KIN:
        return None
    asked = any(each is not None for each in (expected.satellite, expected.polarisation, expected.lo_state))
    here = same_position(first, second) and paired.odds_kin(first) >= thresholds.confirmed_kin
    if asked and agrees(prepared, first, expected):
        judgement = Judgement("probable", first, here, (), None, None)
    elif asked and not same_position(first, second):
        # what was expected is at most the lesser of the two: the antenna looks at the other
        against = second if agrees(prepared, second, expected) else None
        odds = None if against is None else (first.log_known - second.log_known) / _LN10
        judgement = Judgement("contradicted", first, False, (second,), against, odds)
    else:
        judgement = Judgement("ambiguous", first, here, (second,), None, None)
    mine, others = carriers_of(scorings, first.best), carriers_of(scorings, second.best)
    return Pair(paired, judgement, second, (len(mine - others), len(others - mine)))
