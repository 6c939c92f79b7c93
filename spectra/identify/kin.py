"""Kin: how much better "this satellite" explains the sweeps than "one that resembles it and is not in the table".

Among open plans such relatives are common: broadcast satellites share rasters, rates and whole plans. Eight things part
them from the satellite itself, whatever its plan:

* how the roll call adds up: listed carriers that should show and do not, carriers shown that are not listed;
* rates: those of the satellite scatter by their measured uncertainty, those of a relative by more, and some are others;
* rates that are all off by one factor: a relative that uses one other rate throughout;
* an LO error of several tolerances: a relative on a shifted raster;
* centre frequencies about the common offset: scatter as that of the rates;
* where the unlisted carriers stand: a relative's own take the transponders of rows that are silent;
* how plain the plan is: one rate at even spacing is easily another's too, many rates at odd places are not;
* how lonely the plan is: where no satellite at another position of the table comes near to explaining the sweeps as
  well, one outside the table that does is unlikely too; where one or two do, it is one of a family.

A logistic regression over trials with and without the true satellite in the table puts them together. Beside such a
relative stands one that nothing in the table hints at: however lonely the plan, roll call and transponders have to
speak against it by themselves. Both count: the odds are against the two together, as they came true on the trials.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, log
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from spectra.identify import likeness
from spectra.identify.joint import Option, Scoring, System
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["Kinship", "expected_gain", "kinship", "roll_call_evidence"]

_LN10 = float(np.log(10.0))
_USUAL_AIR, _USUAL_EXTRA = 0.88, 0.15  # of a list as users keep it
# of: 1, roll call, log of one plus the lead over the best and over the second best, rates, centres, log of matches, and
# how the matched rows differ from a plain raster: log of their distinct rates, log of one plus the spacings off it
_COEFFICIENTS = np.array([-4.34, 1.35, 2.21, 1.52, 0.52, 0.36, -2.92, 1.52, 1.14])
# log odds against a relative that the table does not hint at: of 1, roll call against one that shares about half of the
# list, conflicts, and the two of the raster; rates may only speak against the satellite, because those of a relative
# may be the same
_UNHINTED = np.array([1.15, 1.73, 0.67, 2.28, 2.55])
_UNHINTED_TERMS = (0, 9, 10, 7, 8)
_HALF, _HALF_SPREAD = 0.55, 0.12
# relative standard uncertainties of rates from and to which precision makes a difference, where none is known, and by
# which power: chosen on the trials, where it tells more than any other term of this kind
_USUAL_SPREAD, _FINEST, _UNKNOWN_SPREAD, _FINER = 0.03, 0.006, 0.1, 0.7
_FURTHER = 0.5  # for how much the second and each further one of neighbours measured as one carrier counts
# how the regression's log odds came true on the trials (`tests/campaigns/identify_kin.csv`): a satellite whose carriers
# the sweep shows badly is not as unlikely as it says, one whose carriers fit is likelier; below even odds also as on
# the even-numbered trials of `identify_reliability`
_CLAIMED = np.array([-7.0, -4.0, -1.2, 0.0, 2.5, 3.5])
_TRUE = np.array([-6.06, -3.33, -0.6, 0.3, 2.45, 4.0])


def _itself() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shares on air, unlisted carriers per listed one and log weights, for a list as users keep it.

    About one row in eight silent and one carrier in seven unlisted, not taken as certain (common practice, no source).
    """
    air, weight = np.array([(0.95, 0.2), (0.88, 0.5), (0.8, 0.24), (0.7, 0.05), (0.55, 0.01)]).T
    extra, often = np.array([(0.08, 0.2), (0.17, 0.49), (0.28, 0.25), (0.45, 0.05), (0.9, 0.01)]).T
    return (
        np.repeat(air, extra.size),
        np.tile(extra, air.size),
        (np.log(weight)[:, None] + np.log(often)[None, :]).ravel(),
    )


def _relative(half: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the same for a satellite that shares a part of the list, or about `half` of it.

    The lesser of the two shares (of its carriers, of the list's) is spread like a beta law of 0.7 and 1.2.
    """
    edges = np.linspace(0.0, 1.0, 17)
    mid = 0.5 * (edges[1:] + edges[:-1])
    law = np.exp(-0.5 * ((mid - _HALF) / _HALF_SPREAD) ** 2) if half else mid**-0.3 * (1.0 - mid) ** 0.2
    row, carrier = (each.ravel() for each in np.meshgrid(mid, mid, indexing="ij"))
    less, more = np.minimum(row, carrier), np.maximum(row, carrier)
    weight = np.interp(less, mid, law) / (1.0 - less + 0.06) * np.where(more == less, 1.0, 0.5)
    return 0.93 * row, (1.0 - carrier) / carrier + 0.05, np.log(weight / weight.sum())


_ITSELF, _RELATIVE, _LONELY = _itself(), _relative(half=False), _relative(half=True)
# the three end to end, and where each of them lies
_ALL = tuple(np.concatenate(each) for each in zip(_ITSELF, _RELATIVE, _LONELY, strict=True))
_ENDS = np.cumsum([0, _ITSELF[2].size, _RELATIVE[2].size, _LONELY[2].size]).tolist()
_PARTS = tuple(slice(*each) for each in pairwise(_ENDS))


@dataclass(frozen=True, slots=True)
class Kinship:
    """Log10 odds of a system against a relative outside the table, at even prior chances.

    `log10_roll_call` is the roll call's part: whether rows and carriers add up as a kept list's do. Loneliness must not
    stand in for it.
    """

    log10_odds: float
    log10_roll_call: float


def kinship(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    system: System,
    leads: tuple[float, float],
    beside: Sequence[int] = (),
) -> Kinship:
    """Weigh a system against its kin.

    Parameters
    ----------
    leads : tuple of float
        Decades by which the system is ahead of the best and the second best answer at other positions, and of chance.
    beside : sequence of int, optional
        For each group the number of carriers that something else explains: they speak neither way.
    """
    found = evidence(prepared, scorings, system, leads, beside)
    return Kinship(_log_odds(found) / _LN10, float(found[1]) / _LN10)


def evidence(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    system: System,
    leads: tuple[float, float],
    beside: Sequence[int] = (),
) -> FloatArray:
    """Return what the odds stand on: the terms of `_COEFFICIENTS`, those of `_UNHINTED`, and three that count as such.

    The last three are a factor common to all rates, a shift common to all centres, and how finely rates are measured.
    """
    rolls = _ALL[2].copy()
    matched, conflicts = 0, 0.0
    rates: list[tuple[FloatArray, FloatArray]] = []
    centres: list[tuple[FloatArray, FloatArray]] = []
    rows: list[IntArray] = []
    spreads: list[float] = []
    for number, (scoring, option) in enumerate(zip(scorings, system.options, strict=True)):
        if option.entry < 0:
            continue
        s = scoring.scored
        left = max(int(s.left[option.entry]) - (beside[number] if beside else 0), 0)
        rolls += _roll(_ALL, *_slots(prepared, scoring, option), left)
        conflicts += likeness.conflicts(prepared, scoring, option) if left else 0.0
        pairs = np.flatnonzero(s.pair_entry == option.entry)
        matched += pairs.size
        pairs = pairs[~prepared.merged[s.pair_row[pairs]]]
        rates.append(likeness.rates_apart(prepared, scoring, pairs))
        centres.append(likeness.centres_apart(prepared, scoring, option, pairs))
        rows.append(s.pair_row[pairs])
        spreads += scoring.group.log_rate_std.tolist()
    itself, relative, lonely = (_log_sum(rolls[part]) for part in _PARTS)
    return np.array(
        [
            1.0,
            itself - relative,
            *np.log1p(np.maximum(leads, 0.0)),
            likeness.of_rates(rates),
            likeness.of_centres(centres),
            np.log(max(matched, 1)),
            *likeness.variety(prepared, rows),
            itself - lonely,
            conflicts,
            likeness.common_factor(rates),
            likeness.common_shift(prepared, system.options),
            _fineness(spreads),
        ]
    )


def _fineness(spreads: Sequence[float]) -> float:
    """Return what rates known better than usually take away: leads and fits grow with them, for relatives as well."""
    known = [each for each in spreads if isfinite(each)]
    middle = median(known) if known else _UNKNOWN_SPREAD
    return _FINER * log(min(max(middle, _FINEST), _USUAL_SPREAD) / _USUAL_SPREAD)


def expected_gain(
    prepared: Prepared, scorings: Sequence[Scoring], system: System, leads: tuple[float, float], more: float
) -> float:
    """Return the decades to be expected of `more` further rows that a sweep shows if they are on air.

    They are those of the regression: how much a roll call without gaps so far will gain is not to be foreseen.
    """
    before = evidence(prepared, scorings, system, leads)
    after = before.copy()
    rolls = []
    for grid in (_ITSELF, _RELATIVE):
        air, extra, weight = grid
        total = weight.copy()
        for scoring, option in zip(scorings, system.options, strict=True):
            if option.entry >= 0:
                total += _roll(grid, *_slots(prepared, scoring, option), int(scoring.scored.left[option.entry]))
        clutter = extra * air * more
        show, left = _USUAL_AIR * more, _USUAL_EXTRA * _USUAL_AIR * more
        further = show * np.log(air) + (more - show) * np.log1p(-air) + left * np.log(extra * air) - clutter
        rolls.append(_log_sum(total + further))
    after[1] = rolls[0] - rolls[1]
    matched = float(np.exp(before[6]))
    grown = (matched + _USUAL_AIR * more) / matched
    after[2:4] = np.log1p(np.maximum(leads, 0.0) * grown)
    # further rows lie about their places as those so far, and off the raster as often
    after[4:6] = np.where(before[4:6] > 0.0, before[4:6] * grown, before[4:6])
    after[6] = np.log(matched * grown)
    after[8] = np.log1p(np.expm1(before[8]) * grown)
    return float(_COEFFICIENTS @ (after - before)[: _COEFFICIENTS.size]) / _LN10


def _log_odds(found: FloatArray) -> float:
    """Return the log odds against both kinds of relatives together."""
    hinted = float(_COEFFICIENTS @ found[: _COEFFICIENTS.size])
    unhinted = float(_UNHINTED @ found[list(_UNHINTED_TERMS)]) + min(float(found[4]), 0.0)
    claimed = float(found[-3:].sum()) - float(np.logaddexp(-hinted, -unhinted))
    beyond = min(claimed - _CLAIMED[0], 0.0) + max(claimed - _CLAIMED[-1], 0.0)
    return float(np.interp(claimed, _CLAIMED, _TRUE)) + float(beyond)


def roll_call_evidence(grid: tuple[FloatArray, ...], scoring: Scoring, entry: int, beside: int) -> float:
    """Return the log evidence of the roll call of one entry, `beside` of its unlisted carriers left out."""
    s = scoring.scored
    slots = s.slot_entry == entry
    left = max(int(s.left[entry]) - beside, 0)
    each = np.ones(np.count_nonzero(slots))
    return _log_sum(grid[2] + _roll(grid, s.slot_visible[slots], s.slot_silent[slots], each, left))


def _slots(prepared: Prepared, scoring: Scoring, option: Option) -> tuple[FloatArray, np.ndarray, FloatArray]:
    """Return for each slot the chance that it shows, whether it is silent, and for how much it counts.

    Of neighbours measured as one carrier all but one count half: a relative may fill their transponder with one.
    """
    s = scoring.scored
    slots = s.slot_entry == option.entry
    weight = np.ones(np.count_nonzero(slots))
    rows = s.pair_row[s.pair_entry == option.entry]
    rows = rows[prepared.merged[rows]]
    base = prepared.slot_start[option.hyp]
    for first, last in zip(
        (prepared.row_slot[rows] - base).tolist(), (prepared.last_slot[rows] - base).tolist(), strict=True
    ):
        weight[first : last + 1] = (1.0 + _FURTHER * (last - first)) / (last + 1 - first)
    return s.slot_visible[slots], s.slot_silent[slots], weight


def _roll(
    grid: tuple[FloatArray, ...], visible: FloatArray, silent: np.ndarray, weight: FloatArray, left: int
) -> FloatArray:
    """Return the log likelihood of rows seen and silent and of `left` unlisted carriers, at each point of a grid."""
    air, extra, _ = grid
    hidden = np.minimum(visible[silent], 0.999)
    quiet = np.log1p(-air[:, None] * hidden[None, :]).sum(axis=1)
    clutter = extra * air * max(float(weight @ visible), 0.3)
    found: FloatArray = float(weight[~silent].sum()) * np.log(air) + quiet + left * np.log(clutter) - clutter
    return found


def _log_sum(values: FloatArray) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum()))
