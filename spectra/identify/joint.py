"""Groups explained together: one satellite and beam, one LO error per LO frequency, ports of opposite polarisation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import log, pi

import numpy as np

from spectra.identify import model, score, search
from spectra.identify.evidence import Group
from spectra.identify.prepared import Prepared
from spectra.identify.score import Scored
from spectra.plan.chain import LoState
from spectra.units import FloatArray

__all__ = ["Option", "Scoring", "System", "score_groups", "systems"]

SHORTLIST = 60
_OPTIONS_PER_GROUP = 4
_SILENT_PART = log(0.02)  # prior of "the table has no list for what this port shows"
_OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}


@dataclass(frozen=True, slots=True, eq=False)
class Scoring:
    """One group, scored. `tolerance_hz` is by LO state."""

    group: Group
    scored: Scored


@dataclass(frozen=True, slots=True)
class Option:
    """One way to explain one group: an entry of its scoring; `entry` is -1 where no list is held against it.

    It explains `matched` carriers, which show `shown` rows of the list.
    """

    entry: int
    hyp: int
    coarse: bool
    state: int
    polarisation: str | None
    offset_hz: float
    std_hz: float
    log_known: float
    matched: int = 0
    shown: int = 0


@dataclass(frozen=True, slots=True)
class System:
    """One way to explain all groups: an option each, with the evidence of all of it, offset priors included."""

    options: tuple[Option, ...]
    satellite: str
    beam: str | None
    longitude_deg: float | None
    log_known: float

    @property
    def main(self) -> Option:
        """The option that the answer speaks of: the first group that a list explains."""
        first = self.options[0]
        return first if first.entry >= 0 else next(option for option in self.options if option.entry >= 0)


def score_groups(
    prepared: Prepared,
    groups: Sequence[Group],
    tolerance_hz: FloatArray,
    valid: np.ndarray | None,
    allowed: np.ndarray,
) -> list[Scoring]:
    """Shortlist and score every group; with several groups each sees the satellites that any of them proposes.

    `tolerance_hz` is by LO state, `allowed` (bool, by hypothesis) leaves out what cannot be.
    """
    window_hz = model.search_window_hz(float(tolerance_hz.max()))
    state_of, every = prepared.hyp_state, np.arange(prepared.if_hz.size)
    firsts = []
    for group in groups:
        pairs = search.find_pairs(prepared, group, window_hz, valid)
        pairs = _only(pairs, allowed)
        visible, _ = model.visibility(group.views, prepared, every, prepared.if_hz)
        if valid is not None:
            visible = visible * valid
        chosen = search.shortlist(prepared, group, pairs, window_hz, visible, SHORTLIST)
        firsts.append((group, pairs, visible, chosen))
    if len(groups) > 1:
        platform = platforms(prepared)
        proposed = np.unique(np.concatenate([platform[chosen[0]] for *_, chosen in firsts]))
        mask = np.isin(platform, proposed) & allowed
        for index, (group, pairs, visible, _) in enumerate(firsts):
            pairs = _only(pairs, mask)
            chosen = search.shortlist(prepared, group, pairs, window_hz, visible, 4 * SHORTLIST)
            firsts[index] = (group, pairs, visible, chosen)
    return [
        Scoring(group, score.score_entries(prepared, group, pairs, hyp, offset, tolerance_hz[state_of[hyp]], valid))
        for group, pairs, _, (hyp, offset) in firsts
    ]


def _only(pairs: search.Pairs, allowed: np.ndarray) -> search.Pairs:
    keep = allowed[pairs.hyp]
    if keep.all():
        return pairs
    return search.Pairs(*(getattr(pairs, name)[keep] for name in search.Pairs.__slots__))


def platforms(prepared: Prepared) -> np.ndarray:
    """Return a number per hypothesis that satellite, beam and position share."""
    seen: dict[tuple[str, str | None, float | None], int] = {}
    number = [
        seen.setdefault((each.satellite, each.beam, each.orbital_longitude_deg), len(seen)) for each in prepared.lists
    ]
    return np.array(number, dtype=np.intp)[prepared.hyp_list]


def systems(prepared: Prepared, scorings: Sequence[Scoring], tolerance_hz: FloatArray) -> list[System]:
    """Return every system, best first."""
    platform = platforms(prepared)
    by_group: list[dict[int, list[Option]]] = []
    for scoring in scorings:
        found: dict[int, list[Option]] = {}
        for option in _options(prepared, scoring):
            found.setdefault(int(platform[option.hyp]), []).append(option)
        by_group.append(found)
    result: list[System] = _single_systems(prepared, by_group[0], tolerance_hz) if len(scorings) == 1 else []
    for number in sorted(set().union(*by_group)) if len(scorings) > 1 else ():
        choices = [
            _choices(found.get(number, []), scoring, len(scorings))
            for found, scoring in zip(by_group, scorings, strict=True)
        ]
        for options in product(*choices):
            system = _system(prepared, scorings, options, tolerance_hz)
            if system is not None:
                result.append(system)
    result.sort(key=lambda each: (-each.log_known, each.satellite, each.beam or "", each.main.hyp))
    return result


def _single_systems(prepared: Prepared, found: dict[int, list[Option]], tolerance_hz: FloatArray) -> list[System]:
    """Return the systems of one group: every option is one, and all offsets are held against their prior at once."""
    options = [option for number in sorted(found) for option in found[number]]
    if not options:
        return []
    error = np.array([prepared.states[one.state].lo_error_from_offset(one.offset_hz) for one in options])
    std = np.array([one.std_hz for one in options])
    prior = model.log_offset_prior(error, tolerance_hz[[one.state for one in options]])
    evidence = prior + 0.5 * np.log(2.0 * pi * std**2)
    result = []
    for one, known in zip(options, (evidence + [option.log_known for option in options]).tolist(), strict=True):
        plan = prepared.lists[prepared.hyp_list[one.hyp]]
        result.append(System((one,), plan.satellite, plan.beam, plan.orbital_longitude_deg, known))
    return result


def _options(prepared: Prepared, scoring: Scoring) -> list[Option]:
    s = scoring.scored
    order = np.argsort(-s.log_known, kind="stable")
    options: list[Option] = []
    order = order[np.isfinite(s.offset_std_hz[order])]
    hyps = s.hyp[order]
    columns = (order, hyps, s.coarse[order], prepared.hyp_state[hyps], prepared.hyp_list[hyps])
    values = (s.offset_hz, s.offset_std_hz, s.log_known, s.matched, s.shown)
    for entry, hyp, coarse, state, plan, *rest in zip(
        *(each.tolist() for each in columns), *(each[order].tolist() for each in values), strict=True
    ):
        polarisation = prepared.lists[plan].polarisation
        options.append(Option(entry, hyp, coarse, state, polarisation, *rest))
    return options


def _choices(options: list[Option], scoring: Scoring, groups: int) -> list[Option]:
    if groups == 1:
        return options
    none = score.log_chance(scoring.group.count) + _SILENT_PART
    silent = Option(-1, -1, False, -1, None, 0.0, 0.0, none)
    by_hyp: dict[int, int] = {}
    kept = []
    for option in options:
        by_hyp[option.hyp] = by_hyp.get(option.hyp, 0) + 1
        if by_hyp[option.hyp] <= _OPTIONS_PER_GROUP:
            kept.append(option)
    return [*kept[: 2 * _OPTIONS_PER_GROUP], silent]


def _system(
    prepared: Prepared, scorings: Sequence[Scoring], options: tuple[Option, ...], tolerance_hz: FloatArray
) -> System | None:
    """Join one option of each group; None where they cannot be true together."""
    used = [(scoring.group, option) for scoring, option in zip(scorings, options, strict=True) if option.entry >= 0]
    if not used or not _ports_agree(used):
        return None
    known = sum(_offset_evidence(prepared, part, tolerance_hz) for part in _by_lo(prepared, used))
    known += sum(option.log_known for option in options)
    plan = prepared.lists[prepared.hyp_list[used[0][1].hyp]]
    return System(options, plan.satellite, plan.beam, plan.orbital_longitude_deg, known)


def _ports_agree(used: list[tuple[Group, Option]]) -> bool:
    """One port has one polarisation; co and cross are opposite."""
    for index, (group, option) in enumerate(used):
        for other_group, other in used[index + 1 :]:
            if group.port is None or other_group.port is None or option.polarisation is None:
                continue
            wanted = option.polarisation if group.port == other_group.port else _OPPOSITE[option.polarisation]
            if "single" not in (group.port, other_group.port) and other.polarisation != wanted:
                return False
    return True


def _by_lo(prepared: Prepared, used: list[tuple[Group, Option]]) -> list[list[tuple[LoState, Option]]]:
    """Sort the options by LO frequency: one oscillator, one error."""
    parts: dict[float, list[tuple[LoState, Option]]] = {}
    for _, option in used:
        state = prepared.states[option.state]
        parts.setdefault(state.lo_hz, []).append((state, option))
    return list(parts.values())


def _offset_evidence(prepared: Prepared, part: list[tuple[LoState, Option]], tolerance_hz: FloatArray) -> float:
    """Integrate the options' offsets, seen as one LO error, against its prior (Laplace)."""
    error = np.array([state.lo_error_from_offset(option.offset_hz) for state, option in part])
    # a small slack: two sweeps of one oscillator are minutes apart and drift a little
    var = np.array([option.std_hz**2 + (10e3**2 if len(part) > 1 else 0.0) for _, option in part])
    weight = 1.0 / var
    mean = float(np.sum(weight * error) / weight.sum())
    chi2 = float(np.sum(weight * (error - mean) ** 2))
    tolerance = tolerance_hz[part[0][1].state]
    prior = float(model.log_offset_prior(np.array([mean]), np.array([tolerance]))[0])
    return prior - 0.5 * min(chi2, 1e4) + 0.5 * log(2.0 * pi / float(weight.sum()))
