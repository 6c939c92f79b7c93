"""From evidence to odds: systems gathered into answers, against chance, against kin, against one another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np

from spectra.identify import score
from spectra.identify.joint import Scoring, System
from spectra.identify.kin import Kinship, kinship
from spectra.identify.prepared import Prepared
from spectra.identify.twins import are_twins
from spectra.units import FloatArray

__all__ = ["Answer", "Ranking", "carriers_of", "kinship_of", "leads_of", "log_sum", "rank", "same_position"]

PRIOR_LISTED = 0.9
"""Prior chance that what the antenna looks at is in the table (common practice, no source)."""
SAME_POSITION_DEG = 0.3
_OWN_CARRIERS = 3  # that a co-located satellite must show for itself
_LN10 = log(10.0)
_PARTED = 3.0 * _LN10  # evidence by which two answers count as parted


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer a technician can act on: satellite, polarisation, LO state (beams gathered). Logs are natural."""

    satellite: str
    longitude_deg: float | None
    polarisation: str | None
    state: int
    systems: tuple[System, ...]
    log_known: float

    @property
    def best(self) -> System:
        """The best system behind the answer."""
        return self.systems[0]


@dataclass(frozen=True, slots=True)
class Ranking:
    """Answers, best first, and what they are held against.

    `company` are co-located satellites that show carriers of their own beside those of the best answer: no rivals.
    `log10_roll_call` is the part of the best answer's odds against kin that the roll call alone gives.
    """

    answers: tuple[Answer, ...]
    company: tuple[Answer, ...]
    log_chance: float
    log_kin: float
    log_prior: float
    log10_roll_call: float = -np.inf

    def odds_none(self, answer: Answer) -> float:
        """Log10 odds of an answer against chance."""
        return (answer.log_known + self.log_prior - self.log_chance) / _LN10

    def odds_kin(self, answer: Answer) -> float:
        """Log10 odds of an answer against a satellite that resembles a list without being in the table."""
        return (answer.log_known + self.log_prior - self.log_kin) / _LN10

    def odds_next(self, answer: Answer) -> float | None:
        """Log10 odds of an answer against the best other answer."""
        others = [other.log_known for other in self.answers if other is not answer]
        return (answer.log_known - max(others)) / _LN10 if others else None

    def probability(self, answer: Answer) -> float:
        """Posterior probability of an answer."""
        return self.probabilities([answer])[0]

    def probabilities(self, answers: Sequence[Answer]) -> list[float]:
        """Posterior probabilities of answers."""
        total = log_sum([*(each.log_known + self.log_prior for each in self.answers), self.log_chance, self.log_kin])
        return [exp(each.log_known + self.log_prior - total) for each in answers]

    def position_odds(self, answer: Answer) -> float | None:
        """Log10 odds of the answer's orbital position against the best answer elsewhere."""
        here = log_sum([a.log_known for a in self.answers if same_position(a, answer)])
        elsewhere = [a.log_known for a in self.answers if not same_position(a, answer)]
        return (here - max(elsewhere)) / _LN10 if elsewhere else None


def log_sum(values: Sequence[float]) -> float:
    """Return the log of a sum of exponentials; -1e9 where there is nothing."""
    if not values:
        return -1e9
    top = max(values)
    return top + log(sum([exp(value - top) for value in values]))


def same_position(one: Answer, other: Answer) -> bool:
    """Say whether two answers stand at one orbital position."""
    if one.longitude_deg is None or other.longitude_deg is None:
        return one.satellite == other.satellite and one.longitude_deg is other.longitude_deg
    return abs((one.longitude_deg - other.longitude_deg + 180.0) % 360.0 - 180.0) < SAME_POSITION_DEG


def rank(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    systems: Sequence[System],
    hypotheses: int,
    log_state_prior: FloatArray,
    log_list_prior: FloatArray,
    wanted: Callable[[Answer], bool],
) -> Ranking:
    """Gather systems into answers and rank them.

    `log_state_prior` is by LO state, `log_list_prior` by list; both are relative (0 = no knowledge). Among co-located
    satellites that are all on air the `wanted` one leads, else the one with most evidence.
    """
    gathered: dict[tuple[str, float | None, str | None, int], list[tuple[float, System]]] = {}
    for system in systems:
        main = system.main
        prior = float(log_state_prior[main.state] + log_list_prior[prepared.hyp_list[main.hyp]])
        key = (system.satellite, system.longitude_deg, main.polarisation, main.state)
        gathered.setdefault(key, []).append((prior, system))
    answers = [
        Answer(
            satellite=key[0],
            longitude_deg=key[1],
            polarisation=key[2],
            state=key[3],
            systems=tuple(system for _, system in members),
            log_known=_distinct_sum([(prior + each.log_known, each) for prior, each in members]),
        )
        for key, members in gathered.items()
    ]
    answers.sort(key=lambda each: (-each.log_known, each.satellite, each.polarisation or "", each.state))
    answers, company = _lead(scorings, answers, wanted)
    each = -log(max(hypotheses, 1))
    absent = log(0.5 * (1.0 - PRIOR_LISTED))
    chance = absent + sum(score.log_chance(scoring.group.count) for scoring in scorings)
    kin, roll_call = -np.inf, -np.inf
    if answers:
        weighed = kinship_of(prepared, scorings, answers, chance - log(PRIOR_LISTED) - each)
        kin = log(1.0 - PRIOR_LISTED) + each + answers[0].log_known - weighed.log10_odds * _LN10
        roll_call = weighed.log10_roll_call
    return Ranking(
        answers=tuple(answers),
        company=tuple(company),
        log_chance=chance,
        log_kin=kin,
        log_prior=log(PRIOR_LISTED) + each,
        log10_roll_call=roll_call,
    )


def _lead(
    scorings: Sequence[Scoring], answers: list[Answer], wanted: Callable[[Answer], bool]
) -> tuple[list[Answer], list[Answer]]:
    """Choose the leader among co-located satellites that are all on air; return the answers without its company."""
    if not answers:
        return answers, []
    best = answers[0]
    beside = [other for other in answers[1:] if _beside(scorings, best, other)]
    leader = best if wanted(best) else next((other for other in beside if wanted(other)), best)
    company = [other for other in [best, *beside] if other is not leader and _beside(scorings, leader, other)]
    return [leader, *(each for each in answers if each is not leader and each not in company)], company


def _beside(scorings: Sequence[Scoring], one: Answer, other: Answer) -> bool:
    """Say whether two satellites of one position both show carriers that the other does not explain."""
    alike = (one.polarisation, one.state) == (other.polarisation, other.state)
    if one.satellite == other.satellite or not alike or not same_position(one, other):
        return False
    mine, theirs = carriers_of(scorings, one.best), carriers_of(scorings, other.best)
    return min(len(mine - theirs), len(theirs - mine)) >= _OWN_CARRIERS


def carriers_of(scorings: Sequence[Scoring], system: System) -> set[tuple[int, int]]:
    """Return the carriers that a system explains, as (group, carrier)."""
    return {
        (number, carrier)
        for number, (scoring, option) in enumerate(zip(scorings, system.options, strict=True))
        if option.entry >= 0
        for carrier in scoring.scored.pair_carrier[scoring.scored.pair_entry == option.entry].tolist()
    }


def kinship_of(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    answers: Sequence[Answer],
    log_chance: float,
    beside: Sequence[int] = (),
) -> Kinship:
    """Weigh the best answer against kin.

    Its leads are over answers at other positions. A twin that the sweeps cannot part from it is set aside: the two are
    one answer, which the verdict gives as ambiguous. `beside` counts, for each group, carriers that something else
    explains.
    """
    leads = leads_of(prepared, scorings, answers, log_chance)
    return kinship(prepared, scorings, answers[0].best, leads, beside)


def leads_of(
    prepared: Prepared, scorings: Sequence[Scoring], answers: Sequence[Answer], log_chance: float
) -> tuple[float, float]:
    """Return the decades by which the best answer leads the best two others that speak of its kin."""
    best = answers[0]
    behind: list[float] = []
    for other in answers[1:]:
        near = best.log_known - other.log_known < _PARTED
        if same_position(other, best) or (near and are_twins(prepared, scorings, best.best, other.best)):
            continue
        behind.append(max(other.log_known, log_chance))
        if len(behind) == 2:
            break
    behind += [log_chance] * (2 - len(behind))
    return (best.log_known - behind[0]) / _LN10, (best.log_known - behind[1]) / _LN10


def _distinct_sum(members: list[tuple[float, System]]) -> float:
    """Add the evidences of systems; starts that end at one offset with one rounding are one system, not two."""
    if len(members) == 1:
        return members[0][0]
    heaps: dict[tuple[tuple[int, bool, int], ...], float] = {}
    for value, system in members:
        place = tuple(
            (option.hyp, option.coarse, round(option.offset_hz / max(4.0 * option.std_hz, 1e4)))
            for option in system.options
        )
        heaps[place] = max(heaps.get(place, -np.inf), value)
    return log_sum(list(heaps.values()))
