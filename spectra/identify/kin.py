"""Kin: how much better "this satellite" explains the sweeps than "one that resembles it and is not in the table".

Among open plans such relatives are common: broadcast satellites share rasters, rates and whole plans. Five things part
them from the satellite itself, whatever its plan:

* how the roll call adds up: listed carriers that should show and do not, carriers shown that are not listed;
* rates: those of the satellite scatter by their measured uncertainty, those of a relative by more;
* rates that are all off by one factor: a relative that uses one other rate throughout;
* centre frequencies about the common offset: scatter as that of the rates;
* how lonely the plan is: where no satellite at another position of the table comes near to explaining the sweeps as
  well, one outside the table that does is unlikely too; where one or two do, it is one of a family.

A logistic regression over trials with and without the true satellite in the table puts them together. Beside such a
relative stands one that nothing in the table hints at: however lonely the plan, the roll call has to speak against it
by itself. Both count: the odds are against the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.identify.joint import Option, Scoring, System
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["Kinship", "expected_gain", "kinship", "roll_call_evidence"]

_LN10 = float(np.log(10.0))
_CHANGED_RATE, _CHANGED_WIDTH = 0.02, 0.3  # part of the rows whose rate is another, and by how much (log)
_MOVED, _MOVED_WIDTH_HZ = 0.04, 0.5e6
_RATE_SLACK = 0.004
_RATE_SPREADS = np.array([0.012, 0.025, 0.05, 0.1])  # by which the rates of a relative may differ (log)
_CENTRE_SPREADS_HZ = np.array([0.1e6, 0.25e6, 0.6e6])
# a relative whose rates are the list's times one factor: how often, and how far (log); the filter's slope and ripple
# pull measured rates together a little
_COMMON_OFTEN, _COMMON_SPREAD, _COMMON_SLACK = 0.2, 0.05, 0.005
_OUTLYING, _FAR_OUT = 2.0, 6.0  # standard deviations from which a rate counts less, and not at all
_LEAST = -20.0
_USUAL_AIR, _USUAL_EXTRA = 0.88, 0.15  # of a list as users keep it
# of: 1, roll call, log of one plus the lead over the best and over the second best, rates, centres, log of matches
_COEFFICIENTS = np.array([-3.67, 1.16, 1.72, 1.11, 0.43, 0.15, -1.36])
# log odds against a relative that the table does not hint at: constant and weight of the roll call; rates may only
# speak against the satellite, because those of a relative may be the same
_UNHINTED, _UNHINTED_ROLL_CALL = 0.8, 2.0


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


def _relative() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the same for a satellite that shares a part of the list.

    The lesser of the two shares (of its carriers, of the list's) is spread like a beta law of 0.7 and 1.2.
    """
    edges = np.linspace(0.0, 1.0, 17)
    mid = 0.5 * (edges[1:] + edges[:-1])
    law = mid**-0.3 * (1.0 - mid) ** 0.2
    row, carrier = (each.ravel() for each in np.meshgrid(mid, mid, indexing="ij"))
    less, more = np.minimum(row, carrier), np.maximum(row, carrier)
    weight = np.interp(less, mid, law) / (1.0 - less + 0.06) * np.where(more == less, 1.0, 0.5)
    return 0.93 * row, (1.0 - carrier) / carrier + 0.05, np.log(weight / weight.sum())


_ITSELF, _RELATIVE = _itself(), _relative()


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
    """Return what the odds stand on: the terms of `_COEFFICIENTS`, and the log odds of a factor common to the rates."""
    itself, relative = _ITSELF[2].copy(), _RELATIVE[2].copy()
    rate, rates = 0.0, np.zeros(_RATE_SPREADS.size)
    centre, centres = 0.0, np.zeros(_CENTRE_SPREADS_HZ.size)
    matched = 0
    factors: list[tuple[FloatArray, FloatArray]] = []
    for number, (scoring, option) in enumerate(zip(scorings, system.options, strict=True)):
        if option.entry < 0:
            continue
        s, group = scoring.scored, scoring.group
        slots = s.slot_entry == option.entry
        left = max(int(s.left[option.entry]) - (beside[number] if beside else 0), 0)
        itself += _roll(_ITSELF, s.slot_visible[slots], s.slot_silent[slots], left)
        relative += _roll(_RELATIVE, s.slot_visible[slots], s.slot_silent[slots], left)
        pairs = np.flatnonzero(s.pair_entry == option.entry)
        matched += pairs.size
        pairs = pairs[~prepared.merged[s.pair_row[pairs]]]
        row, carrier = s.pair_row[pairs], s.pair_carrier[pairs]
        apart = group.log_rate[carrier] - prepared.log_rate[row]
        std = np.sqrt(group.log_rate_std[carrier] ** 2 + prepared.log_rate_std[row] ** 2 + _RATE_SLACK**2)
        known = np.isfinite(apart) & np.isfinite(std)
        rate += _spread(apart[known], std[known], _CHANGED_RATE, _CHANGED_WIDTH)
        factors.append((apart[known], std[known]))
        rates += [_spread(apart[known], np.hypot(std[known], t), _CHANGED_RATE, _CHANGED_WIDTH) for t in _RATE_SPREADS]
        one, several = _centres(prepared, scoring, option, pairs)
        centre, centres = centre + one, centres + several
    return np.array(
        [
            1.0,
            _log_sum(itself) - _log_sum(relative),
            *np.log1p(np.maximum(leads, 0.0)),
            max(rate - _log_mean(rates), _LEAST),
            max(centre - _log_mean(centres), _LEAST),
            np.log(max(matched, 1)),
            _common_factor(factors),
        ]
    )


def _centres(prepared: Prepared, scoring: Scoring, option: Option, pairs: IntArray) -> tuple[float, FloatArray]:
    """Return the log density of the matched centres about the offset, for the list and for relatives."""
    s, group = scoring.scored, scoring.group
    row = s.pair_row[pairs]
    rounding = np.maximum(prepared.coarse_hz[row], prepared.round_hz[row]) * (1.0 if option.coarse else 0.1)
    std = np.hypot(group.std_hz[s.pair_carrier[pairs]], rounding)
    apart = s.pair_offset_hz[pairs] - option.offset_hz
    # a relative's carriers may lie anywhere in the search window: its heavy part is wider
    several = [_spread(apart, np.hypot(std, t), _MOVED, 2.0 * _MOVED_WIDTH_HZ) for t in _CENTRE_SPREADS_HZ]
    return _spread(apart, std, _MOVED, _MOVED_WIDTH_HZ), np.array(several)


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
                s = scoring.scored
                slots = s.slot_entry == option.entry
                total += _roll(grid, s.slot_visible[slots], s.slot_silent[slots], int(s.left[option.entry]))
        clutter = extra * air * more
        show, left = _USUAL_AIR * more, _USUAL_EXTRA * _USUAL_AIR * more
        further = show * np.log(air) + (more - show) * np.log1p(-air) + left * np.log(extra * air) - clutter
        rolls.append(_log_sum(total + further))
    after[1] = rolls[0] - rolls[1]
    matched = float(np.exp(before[6]))
    grown = (matched + _USUAL_AIR * more) / matched
    after[2:4] = np.log1p(np.maximum(leads, 0.0) * grown)
    after[6] = np.log(matched * grown)
    return float(_COEFFICIENTS @ (after - before)[:-1]) / _LN10


def _log_odds(found: FloatArray) -> float:
    """Return the log odds against both kinds of relatives together."""
    hinted = float(_COEFFICIENTS @ found[:-1])
    unhinted = _UNHINTED + _UNHINTED_ROLL_CALL * float(found[1]) + min(float(found[4]), 0.0)
    return float(found[-1]) - float(np.logaddexp(-hinted, -unhinted))


def roll_call_evidence(grid: tuple[FloatArray, ...], scoring: Scoring, entry: int, beside: int) -> float:
    """Return the log evidence of the roll call of one entry, `beside` of its unlisted carriers left out."""
    s = scoring.scored
    slots = s.slot_entry == entry
    left = max(int(s.left[entry]) - beside, 0)
    return _log_sum(grid[2] + _roll(grid, s.slot_visible[slots], s.slot_silent[slots], left))


def _roll(grid: tuple[FloatArray, ...], visible: FloatArray, silent: np.ndarray, left: int) -> FloatArray:
    """Return the log likelihood of rows seen and silent and of `left` unlisted carriers, at each point of a grid."""
    air, extra, _ = grid
    hidden = np.minimum(visible[silent], 0.999)
    quiet = np.log1p(-air[:, None] * hidden[None, :]).sum(axis=1)
    clutter = extra * air * max(float(visible.sum()), 0.3)
    found: FloatArray = np.count_nonzero(~silent) * np.log(air) + quiet + left * np.log(clutter) - clutter
    return found


def _common_factor(parts: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Return the log odds that the rates are the list's, against a relative with another rate throughout."""
    apart, std = (np.concatenate([part[i] for part in parts]) if parts else np.empty(0) for i in (0, 1))
    if apart.size < 2:
        return 0.0
    mean, weight = float(np.median(apart)), 1.0 / std**2
    for _ in range(6):
        # carriers merged with a neighbour are far out, and say nothing of the others
        far = np.abs(apart - mean) / std
        weight = np.where(far < _FAR_OUT, np.minimum(1.0, _OUTLYING / np.maximum(far, 1e-9)), 0.0) / std**2
        if not weight.any():
            return 0.0
        mean = float(np.average(apart, weights=weight))
    var = 1.0 / float(weight.sum()) + _COMMON_SLACK**2
    wide = var + _COMMON_SPREAD**2
    log_ratio = 0.5 * mean**2 * (1.0 / var - 1.0 / wide) + 0.5 * float(np.log(var / wide))
    return -float(np.logaddexp(np.log(1.0 - _COMMON_OFTEN), np.log(_COMMON_OFTEN) + log_ratio))


def _spread(apart: FloatArray, std: FloatArray, odd: float, width: float) -> float:
    """Return the log density of differences: normal, `odd` of them from a wide law."""
    core = (1.0 - odd) * np.exp(-0.5 * np.minimum((apart / std) ** 2, 200.0)) / std
    wide = odd * np.exp(-0.5 * np.minimum((apart / width) ** 2, 50.0)) / width
    return float(np.log(core + wide).sum())


def _log_sum(values: FloatArray) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum()))


def _log_mean(values: FloatArray) -> float:
    return _log_sum(values) - float(np.log(values.size))
