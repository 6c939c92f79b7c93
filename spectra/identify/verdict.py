"""The verdict, and whether the answer is the expected one."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from spectra.identify.identification import Expected, Thresholds, Verdict
from spectra.identify.odds import Answer, Ranking
from spectra.identify.prepared import Prepared

__all__ = ["Judgement", "adds_up", "agrees", "judge", "nearly"]

_LN10 = log(10.0)


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict and what it rests on; `against` is the best answer that agrees with the expectation, if any."""

    verdict: Verdict
    answer: Answer | None
    position_confirmed: bool
    rivals: tuple[Answer, ...]
    against: Answer | None
    log10_odds_against: float | None


def agrees(prepared: Prepared, answer: Answer, expected: Expected) -> bool:
    """Say whether an answer is what was expected, as far as anything was."""
    if expected.satellite is not None and answer.satellite != expected.satellite:
        return False
    if expected.polarisation is not None and answer.polarisation != expected.polarisation:
        return False
    return expected.lo_state is None or expected.lo_state in prepared.state_names[answer.state]


def nearly(ranking: Ranking, judgement: Judgement, thresholds: Thresholds) -> bool:
    """Say whether what is not identified has a list that would be probable if it had been expected."""
    best = judgement.answer
    if judgement.verdict != "unidentified" or best is None:
        return False
    return ranking.odds_none(best) >= thresholds.probable_none and ranking.odds_kin(best) >= thresholds.expected_kin


def adds_up(ranking: Ranking, best: Answer, thresholds: Thresholds) -> bool:
    """Say whether the roll call adds up well enough for a confirmation: the less it does, the more all else must."""
    if ranking.log10_roll_call >= thresholds.confirmed_roll_call:
        return True
    enough = ranking.log10_roll_call >= thresholds.sparse_roll_call
    return enough and ranking.odds_kin(best) >= thresholds.sparse_kin


def judge(prepared: Prepared, ranking: Ranking, expected: Expected, thresholds: Thresholds) -> Judgement:
    """Apply the thresholds, which are the same for everybody and printed with the answer."""
    if not ranking.answers:
        return Judgement("unidentified", None, False, (), None, None)
    best = ranking.answers[0]
    none, kin, following = ranking.odds_none(best), ranking.odds_kin(best), ranking.odds_next(best)
    margin = following if following is not None else float("inf")
    hoped = expected.satellite is not None and agrees(prepared, best, expected)
    if none < thresholds.probable_none or kin < (thresholds.expected_kin if hoped else thresholds.probable_kin):
        return Judgement("unidentified", best, False, (), None, None)
    shown = sum(option.shown for option in best.best.options)
    strong = none >= thresholds.confirmed_none and kin >= thresholds.confirmed_kin
    strong &= shown >= thresholds.confirmed_matched
    strong &= adds_up(ranking, best, thresholds)
    position = ranking.position_odds(best)
    at_position = strong and (position is None or position >= thresholds.confirmed_next)
    limit = best.log_known - thresholds.confirmed_next * _LN10
    rivals = tuple(each for each in ranking.answers[1:] if each.log_known > limit)
    if not agrees(prepared, best, expected):
        matching = next((each for each in ranking.answers if agrees(prepared, each, expected)), None)
        odds = (best.log_known - matching.log_known) / _LN10 if matching is not None else None
        if odds is None or odds >= thresholds.probable_next:
            return Judgement("contradicted", best, at_position, rivals, matching, odds)
    if margin < thresholds.probable_next:
        return Judgement("ambiguous", best, at_position, rivals, None, None)
    certain = strong and margin >= thresholds.confirmed_next
    return Judgement("confirmed" if certain else "probable", best, at_position, rivals, None, None)
