"""How the matched carriers lie about a list's rows, as those of the satellite itself do or as those of a relative.

A relative shares transponders with the list: many of its carriers are the list's to the last digit, some have another
symbol rate or another place on the same transponder, and its own stand where rows of the list are silent. Each function
returns a log likelihood ratio, positive where it speaks for the satellite itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, log
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.identify import model
from spectra.identify.joint import Option, Scoring
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = [
    "centres_apart",
    "common_factor",
    "common_shift",
    "conflicts",
    "of_centres",
    "of_rates",
    "rates_apart",
    "variety",
]

_LEAST = -25.0
_LOOSE = 0.03  # part of the measured values that scatter by twice their uncertainty (of simulated sweeps)
_CAUCHY = float(np.sqrt(2.0 / np.pi))  # Cauchy's density at its centre, in units of the normal law's
_RATE_SLACK = 0.004
# part of the rows whose rate is another: in a list as users keep it, and in a relative's (one of these, evenly); how
# far off (log); by how much more than their uncertainty the rates of a relative may scatter (log)
_CHANGED, _CHANGED_WIDTH = 0.012, 0.3
_OTHER_RATES, _OTHER_WIDTH = (0.04, 0.1, 0.2, 0.35), 0.4
_RATE_SPREADS = (0.0, 0.012, 0.025, 0.05, 0.1)
# the same for centres about the common offset
_MOVED, _MOVED_WIDTH_HZ = 0.02, 0.5e6
_OTHER_PLACES, _OTHER_PLACES_WIDTH_HZ = (0.05, 0.15, 0.3), 1e6
_CENTRE_SPREADS_HZ = (0.0, 0.1e6, 0.25e6, 0.6e6)
# every spread with every part, one a row
_SPREADS_OF_RATES = np.repeat(_RATE_SPREADS, len(_OTHER_RATES))[:, None]
_OTHERS_OF_RATES = np.tile(_OTHER_RATES, len(_RATE_SPREADS))[:, None]
_SPREADS_OF_CENTRES = np.repeat(_CENTRE_SPREADS_HZ, len(_OTHER_PLACES))[:, None]
_OTHERS_OF_CENTRES = np.tile(_OTHER_PLACES, len(_CENTRE_SPREADS_HZ))[:, None]
# a relative whose rates are the list's times one factor: how often, and how far (log); the filter's slope and ripple
# pull measured rates together a little
_COMMON_OFTEN, _COMMON_SPREAD, _COMMON_SLACK = 0.2, 0.05, 0.005
_OUTLYING, _FAR_OUT = 2.0, 6.0  # standard deviations from which a rate counts less, and not at all
# a relative whose raster is the list's shifted: how often (of left-out answers near to being named), and the law of the
# LO error of the list itself, Student's with the tolerance as scale: three tolerances in one of a hundred oscillators
_SHIFTED, _LO_FREEDOM, _LO_PEAK = 0.1, 7.0, 0.3849914508
# a carrier across a silent row's place: by how much more often than chance a relative shows one, and the part of the
# two widths within which the centres then lie
_OCCUPIED, _OVERLAP = 0.3, 0.4
_LIKELY_SHOWN, _MUCH_WIDER = 0.5, 1.3
# rates (log) that a sweep does not part, and what counts as a spacing of its own and as off the raster
_SAME_RATE, _LEAST_SPACING_HZ, _OFF_RASTER_HZ = 0.08, 3e6, 1.6e6


def rates_apart(prepared: Prepared, scoring: Scoring, pairs: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return by how much measured and listed log rates of the pairs differ, and the standard deviations."""
    s, group = scoring.scored, scoring.group
    row, carrier = s.pair_row[pairs], s.pair_carrier[pairs]
    apart = group.log_rate[carrier] - prepared.log_rate[row]
    std = np.sqrt(group.log_rate_std[carrier] ** 2 + prepared.log_rate_std[row] ** 2 + _RATE_SLACK**2)
    known = np.isfinite(apart) & np.isfinite(std)
    return apart[known], std[known]


def of_rates(parts: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Weigh the rates: those of a relative scatter more, or are other ones here and there."""
    apart, std = _joined(parts)
    itself = _density(apart, std, _CHANGED, _CHANGED_WIDTH)
    relatives = _density(apart, np.hypot(std, _SPREADS_OF_RATES), _OTHERS_OF_RATES, np.hypot(std, _OTHER_WIDTH))
    return max(float(itself) - _log_mean(relatives), _LEAST)


def centres_apart(
    prepared: Prepared, scoring: Scoring, option: Option, pairs: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far the matched centres lie from their places, and the standard deviations."""
    s, group = scoring.scored, scoring.group
    row = s.pair_row[pairs]
    rounding = np.maximum(prepared.coarse_hz[row], prepared.round_hz[row]) * (1.0 if option.coarse else 0.1)
    return s.pair_offset_hz[pairs] - option.offset_hz, np.hypot(group.std_hz[s.pair_carrier[pairs]], rounding)


def of_centres(parts: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Weigh the centres about the common offset, as `of_rates` does the rates."""
    apart, std = _joined(parts)
    itself = _density(apart, std, _MOVED, _MOVED_WIDTH_HZ)
    relatives = _density(apart, np.hypot(std, _SPREADS_OF_CENTRES), _OTHERS_OF_CENTRES, _OTHER_PLACES_WIDTH_HZ)
    return max(float(itself) - _log_mean(relatives), _LEAST)


def common_factor(parts: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Weigh one factor common to all rates: a relative that uses another rate throughout."""
    apart, std = _joined(parts)
    if apart.size < 2:
        return 0.0
    mean, var_of = float(np.median(apart)), std**2
    weight = 1.0 / var_of
    for _ in range(6):
        # carriers merged with a neighbour are far out, and say nothing of the others
        far = np.abs(apart - mean) / std
        weight = np.where(far < _FAR_OUT, np.minimum(1.0, _OUTLYING / np.maximum(far, 1e-9)), 0.0) / var_of
        total = float(weight.sum())
        if total == 0.0:
            return 0.0
        mean = float(weight @ apart) / total
    var = 1.0 / float(weight.sum()) + _COMMON_SLACK**2
    wide = var + _COMMON_SPREAD**2
    log_ratio = 0.5 * mean**2 * (1.0 / var - 1.0 / wide) + 0.5 * float(np.log(var / wide))
    return -float(np.logaddexp(np.log(1.0 - _COMMON_OFTEN), np.log(_COMMON_OFTEN) + log_ratio))


def common_shift(prepared: Prepared, options: Sequence[Option]) -> float:
    """Weigh the LO error: on a relative's raster any shift within reach is as likely as none.

    An error of several tolerances speaks for such a relative; one within the tolerance hardly against it.
    """
    reach_hz = model.search_window_hz(max(model.tolerance_hz(state) for state in prepared.states))
    found = []
    for option in options:
        if option.entry < 0:
            continue
        state = prepared.states[option.state]
        scale_hz = hypot(model.tolerance_hz(state), option.std_hz)
        z2 = (float(state.lo_error_from_offset(option.offset_hz)) / scale_hz) ** 2
        own = _LO_PEAK * (1.0 + z2 / _LO_FREEDOM) ** (-0.5 * (_LO_FREEDOM + 1.0))
        far = scale_hz / (2.0 * reach_hz)
        found.append(-log(1.0 - _SHIFTED + _SHIFTED * far / own))
    return max(min(found, default=0.0), _LEAST)


def conflicts(prepared: Prepared, scoring: Scoring, option: Option) -> float:
    """Weigh where the unlisted carriers stand: a relative's own take the transponders of the silent rows.

    A silent row whose place holds an unlisted carrier no wider than its own speaks against the list, one whose place is
    free speaks for it. Wider ones may be two neighbours that the filter does not part, and are left aside.
    """
    s, group = scoring.scored, scoring.group
    slots = s.slot_entry == option.entry
    rows = np.arange(prepared.hyp_start[option.hyp], prepared.hyp_start[option.hyp + 1])
    first = rows[np.searchsorted(prepared.row_slot[rows], np.arange(*prepared.slot_start[option.hyp : option.hyp + 2]))]
    silent = first[s.slot_silent[slots] & (s.slot_visible[slots] > _LIKELY_SHOWN)]
    silent = silent[np.isfinite(prepared.width_hz[silent])]
    left = np.ones(group.count, bool)
    left[s.pair_carrier[s.pair_entry == option.entry]] = False
    if not silent.size or not left.any():
        return 0.0
    width, own = prepared.width_hz[silent][:, None], group.width_hz[left][None, :]
    away = np.abs(group.if_hz[left][None, :] - prepared.if_hz[silent][:, None] - option.offset_hz)
    fits = own < _MUCH_WIDER * width
    taken = (fits & (away < _OVERLAP * (width + own))).any(axis=1)
    chance = np.clip((fits * 2.0 * _OVERLAP * (width + own)).sum(axis=1) / group.span_hz, 0.02, 0.6)
    often = np.where(fits.any(axis=1), np.minimum(chance + _OCCUPIED, 0.85), chance)
    return float(np.where(taken, np.log(chance / often), np.log((1.0 - chance) / (1.0 - often))).sum())


def variety(prepared: Prepared, rows: Sequence[IntArray]) -> tuple[float, float]:
    """Return how little of a plain raster the matched rows have: log of their distinct rates, and of spacings off it.

    A plan of one rate at even spacing is easily another's too; one of many rates is its own.
    """
    rates = np.sort(np.concatenate([prepared.log_rate[each] for each in rows])) if rows else np.empty(0)
    rates = rates[np.isfinite(rates)]
    distinct = 1 + int(np.count_nonzero(np.diff(rates) > _SAME_RATE)) if rates.size else 1
    off = 0
    for each in rows:
        apart = np.diff(np.sort(prepared.if_hz[each]))
        apart = apart[apart > _LEAST_SPACING_HZ]
        if apart.size:
            times = np.round(apart / apart.min())
            step = float(apart.sum() / times.sum())  # printed frequencies are rounded, the least spacing too
            off += int(np.count_nonzero(np.abs(apart - times * step) > _OFF_RASTER_HZ))
    return float(np.log(distinct)), float(np.log1p(off))


def _joined(parts: Sequence[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    if not parts:
        return np.empty(0), np.empty(0)
    return np.concatenate([each[0] for each in parts]), np.concatenate([each[1] for each in parts])


def _density(apart: FloatArray, std: FloatArray, odd: Any, width: Any) -> FloatArray:
    """Return the log density of differences, `odd` of them from a wide law, else normal; along the last axis.

    Stated uncertainties are a little too small now and then: a few differences scatter by twice theirs. What is another
    carrier altogether may lie far out, so that the wide law has the tails of Cauchy's.
    """
    z2 = np.minimum((apart / std) ** 2, 200.0)
    core = (1.0 - odd) * ((1.0 - _LOOSE) * np.exp(-0.5 * z2) + 0.5 * _LOOSE * np.exp(-0.125 * z2)) / std
    wide = odd * _CAUCHY / width / (1.0 + (apart / width) ** 2)
    return np.asarray(np.log(core + wide).sum(axis=-1))


def _log_mean(values: FloatArray) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).mean()))
