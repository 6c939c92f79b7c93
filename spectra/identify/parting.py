"""The next sweep that best parts an answer from its rivals, or from a satellite outside the table that resembles it.

Tried are every LO state, the same and the opposite polarisation. What a sweep is worth is the gain in odds to be
expected of it: rows that one list has and the other has not, each with its chance to show and with what a carrier at
its place and rate tells against clutter; rows silent under the one that should show under the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from spectra.identify import model
from spectra.identify.evidence import View
from spectra.identify.identification import THRESHOLDS, LookFor, NextSweep
from spectra.identify.joint import Scoring
from spectra.identify.kin import expected_gain
from spectra.identify.odds import Answer, Ranking, leads_of
from spectra.identify.prepared import Prepared
from spectra.identify.verdict import Judgement, nearly
from spectra.plan.chain import ReceiveChain
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["next_sweeps"]

_LN10 = float(np.log(10.0))
_OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}
_RIVALS = 3
_MOST = 2
_LEAST_GAIN = 0.3  # decades; less is not worth a sweep
_ENOUGH = 4.0  # decades; more than this decides no more
_SAME_HZ, _SAME_RATE = 1.0e6, 0.03
_SILENT = 0.6  # decades that a row which should show and does not tells, at most (common practice, no source)
_RATE_GAIN = 0.7  # decades that a rate that fits adds: one of five in use (common practice, no source)
_CARRIER_LIMIT = 2.5  # decades that one carrier may tell: lists have wrong rows
_EDGE_HZ = 5e6
_RBW_STEPS_HZ = np.array([1e4, 3e4, 1e5, 3e5, 1e6])
_SEEN = 0.5


@dataclass(frozen=True, slots=True)
class _Setting:
    """One LO state with the port as it was or the opposite one; IF window."""

    state: int
    opposite: bool
    start_hz: float
    stop_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class _Prospect:
    """Rows of one answer in one setting: prepared index, IF, chance to show, polarisation they have."""

    row: IntArray
    if_hz: FloatArray
    shown: FloatArray
    polarisation: str | None


def next_sweeps(
    prepared: Prepared, chain: ReceiveChain, scorings: Sequence[Scoring], ranking: Ranking, judgement: Judgement
) -> tuple[NextSweep, ...]:
    """Return the sweeps that would tell most, best first; empty where none tells anything or nothing is open."""
    answer = judgement.answer
    open_to_sweeps = judgement.verdict in ("ambiguous", "probable") or nearly(ranking, judgement, THRESHOLDS)
    if answer is None or not open_to_sweeps or not scorings:
        return ()
    found: list[tuple[float, int, NextSweep]] = []
    for setting in _settings(prepared, chain):
        view = _view(scorings, setting)
        mine = _prospect(prepared, scorings, answer, setting, view)
        if judgement.rivals:
            sweep = _against_rivals(prepared, scorings, answer, judgement.rivals[:_RIVALS], setting, view, mine)
        else:
            sweep = _against_kin(prepared, scorings, ranking, answer, setting, mine)
        if sweep is not None and sweep.expected_gain_log10 >= _LEAST_GAIN:
            found.append((-min(sweep.expected_gain_log10, _ENOUGH), int(setting.opposite), sweep))
    found.sort(key=lambda each: (each[0], each[1], each[2].stop_hz - each[2].start_hz, each[2].lo_state))
    return tuple(sweep for *_, sweep in found[:_MOST])


def _settings(prepared: Prepared, chain: ReceiveChain) -> list[_Setting]:
    settings = []
    for index, state in enumerate(prepared.states):
        edges = sorted(float(state.if_from_rf(rf)) for rf in (state.rf_min_hz, state.rf_max_hz))
        start, stop = max(edges[0], chain.if_min_hz), min(edges[1], chain.if_max_hz)
        if stop > start:
            settings += [_Setting(index, opposite, start, stop) for opposite in (False, True)]
    return settings


def _view(scorings: Sequence[Scoring], setting: _Setting) -> View:
    """Return what a careful sweep of the whole setting would show: strengths as in the sweeps at hand."""
    views = [view for scoring in scorings for view in scoring.group.views]
    rbw = float(min(view.rbw_hz for view in views))
    return replace(
        views[0],
        sweep=-1,
        start_hz=setting.start_hz,
        stop_hz=setting.stop_hz,
        rbw_hz=rbw,
        spacing_hz=min(rbw, (setting.stop_hz - setting.start_hz) / 1000.0),
        readings=max(10.0, max(view.readings for view in views)),
    )


def _prospect(
    prepared: Prepared, scorings: Sequence[Scoring], answer: Answer, setting: _Setting, view: View
) -> _Prospect:
    """Return the rows that the answer would show in a setting and has not shown yet."""
    main = answer.best.main
    state = prepared.states[setting.state]
    wanted = answer.polarisation if not setting.opposite else _OPPOSITE.get(answer.polarisation or "")
    if state.polarisation is not None:
        wanted = state.polarisation if not setting.opposite else None
    hyps = [
        hyp
        for hyp in np.flatnonzero(prepared.hyp_state == setting.state).tolist()
        if (plan := prepared.lists[prepared.hyp_list[hyp]]).satellite == answer.satellite
        and plan.polarisation == wanted
        and plan.orbital_longitude_deg == answer.longitude_deg
        and (answer.best.beam is None or plan.beam in (None, answer.best.beam))
    ]
    rows = np.concatenate([np.arange(*_bounds(prepared, hyp)) for hyp in hyps]) if hyps else np.empty(0, np.intp)
    # the LO error is known where the oscillator is the one that was seen
    known = state.lo_hz == prepared.states[main.state].lo_hz
    offset = main.offset_hz * state.sign * prepared.states[main.state].sign if known else 0.0
    if_hz = prepared.if_hz[rows] + offset
    shown = _chance(prepared, (view,), rows, if_hz)
    for scoring, option in zip(scorings, answer.best.options, strict=True):
        if option.entry >= 0 and option.state == setting.state and option.polarisation == wanted:
            shown = np.where(_chance(prepared, scoring.group.views, rows, if_hz) > _SEEN, 0.0, shown)
    return _Prospect(rows, if_hz, shown, wanted)


def _bounds(prepared: Prepared, hyp: int) -> tuple[int, int]:
    return int(prepared.hyp_start[hyp]), int(prepared.hyp_start[hyp + 1])


def _chance(prepared: Prepared, views: tuple[View, ...], rows: IntArray, if_hz: FloatArray) -> FloatArray:
    return model.visibility(views, prepared, rows, if_hz)[1]


def _against_rivals(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    answer: Answer,
    rivals: Sequence[Answer],
    setting: _Setting,
    view: View,
    mine: _Prospect,
) -> NextSweep | None:
    """Return the sweep of a setting that parts the answer from every rival, with the least gain over them."""
    all_if, all_gain, all_rows, gains = [], [], [], []
    for rival in rivals:
        theirs = _prospect(prepared, scorings, rival, setting, view)
        own, others = _apart(prepared, mine, theirs), _apart(prepared, theirs, mine)
        parts = []
        for prospect, alone, who in ((mine, own, answer), (theirs, others, rival)):
            worth = _worth(prepared, prospect, view, mine.row.size + theirs.row.size) * alone
            use = np.flatnonzero(worth > 0.05)
            parts.append(float(worth.sum()))
            all_if.append(prospect.if_hz[use])
            all_gain.append(worth[use])
            all_rows += [(int(prospect.row[i]), who, prospect.polarisation) for i in use.tolist()]
        # whichever of the two is true: half the gain of either
        gains.append(0.5 * sum(parts))
    if min(gains) < _LEAST_GAIN:
        return None
    names = tuple(dict.fromkeys(f"{r.satellite}/{r.polarisation}" for r in rivals))
    return _sweep(
        prepared, setting, mine, min(gains), names, np.concatenate(all_if), np.concatenate(all_gain), all_rows
    )


def _apart(prepared: Prepared, one: _Prospect, other: _Prospect) -> NDArray[np.bool_]:
    """Say of each row of `one` that `other` has nothing like it (unknown rates are no difference)."""
    near = np.abs(one.if_hz[:, None] - other.if_hz[None, :]) < _SAME_HZ
    rate = prepared.log_rate[one.row][:, None] - prepared.log_rate[other.row][None, :]
    near &= ~(np.abs(rate) > _SAME_RATE)
    return np.asarray(~near.any(axis=1))


def _worth(prepared: Prepared, prospect: _Prospect, view: View, carriers: int) -> FloatArray:
    """Return what each row is worth in decades: shown where only one list has it, or silent where it should show."""
    on_air = model.ON_AIR_GUESS * prospect.shown
    std = np.hypot(0.1 * view.rbw_hz, 0.003 * np.nan_to_num(prepared.width_hz[prospect.row], nan=view.rbw_hz))
    std = np.hypot(std, prepared.coarse_hz[prospect.row])
    density = (view.stop_hz - view.start_hz) / (np.sqrt(2.0 * np.pi) * std * max(carriers, 1))
    tells = np.minimum(np.log10(np.maximum(on_air * density, 1.0)) + _RATE_GAIN, _CARRIER_LIMIT)
    silent = np.minimum(-np.log10(np.maximum(1.0 - on_air, 1e-6)), _SILENT)
    worth: FloatArray = on_air * tells + silent
    return worth


def _against_kin(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    ranking: Ranking,
    answer: Answer,
    setting: _Setting,
    mine: _Prospect,
) -> NextSweep | None:
    """Return the sweep of a setting that shows most of the answer's rows that no sweep has shown yet."""
    more = float(mine.shown.sum())
    if more < 1.0:
        return None
    leads = leads_of(prepared, scorings, ranking.answers, ranking.log_chance - ranking.log_prior)
    gain = expected_gain(prepared, scorings, answer.best, leads, more)
    rows = [(int(row), answer, mine.polarisation) for row in mine.row.tolist()]
    return _sweep(prepared, setting, mine, gain, (), mine.if_hz, mine.shown, rows)


def _sweep(
    prepared: Prepared,
    setting: _Setting,
    mine: _Prospect,
    gain: float,
    against: tuple[str, ...],
    if_hz: FloatArray,
    worth: FloatArray,
    rows: Sequence[tuple[int, Answer, str | None]],
) -> NextSweep:
    """Cut the window down to what gives nearly all, or enough, of the gain."""
    order = np.argsort(if_hz, kind="stable")
    if_hz, worth = if_hz[order], worth[order]
    total = np.concatenate(([0.0], np.cumsum(worth)))
    # all of a gain below `_ENOUGH`; of more, as much as is enough
    share = 0.9 * min(1.0, _ENOUGH / max(gain, 1e-9)) if against else 0.9
    end = np.searchsorted(total, total[:-1] + share * total[-1])
    fits = np.flatnonzero(end < total.size)
    first = int(fits[np.argmin(if_hz[end[fits] - 1] - if_hz[fits])])
    last = int(end[first]) - 1
    chosen = [rows[int(i)] for i in order[first : last + 1]]
    half = 0.5 * float(np.nanmax(np.nan_to_num(prepared.width_hz[[row for row, *_ in chosen]], nan=1e6)))
    rates = np.exp(prepared.log_rate[[row for row, *_ in chosen]])
    narrowest = float(np.nanmin(rates)) if np.isfinite(rates).any() else 1e6
    resolving = narrowest >= 3.0 * _RBW_STEPS_HZ
    table = prepared.table
    look: dict[int, LookFor] = {}
    for (row, who, _), place in zip(chosen, if_hz[first : last + 1].tolist(), strict=True):
        index = int(prepared.row[row])
        line = int(table.line[index])
        look.setdefault(
            line,
            LookFor(
                line, who.satellite, str(table.text["polarisation"][index]), float(table.rf_hz[index]) / 1e6, place
            ),
        )
    kept = float(total[last + 1] - total[first]) / max(float(total[-1]), 1e-9)
    return NextSweep(
        lo_state=prepared.state_names[setting.state][0],
        polarisation=mine.polarisation,
        opposite_port=setting.opposite,
        start_hz=max(float(if_hz[first]) - half - _EDGE_HZ, setting.start_hz),
        stop_hz=min(float(if_hz[last]) + half + _EDGE_HZ, setting.stop_hz),
        rbw_hz=float(_RBW_STEPS_HZ[max(int(np.count_nonzero(resolving)) - 1, 0)]),
        expected_gain_log10=gain * kept,
        against=against,
        rows=tuple(look.values()),
    )
