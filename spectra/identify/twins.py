"""Lists that no sweep of this span can part: most of their rows are the same, both ways."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spectra.identify.joint import Option, Scoring, System
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

__all__ = ["TWIN_SHARE", "are_twins", "parting_rows", "shared_part"]

TWIN_SHARE = 0.6
_NEAR_HZ, _NEAR_RATE = 1.0e6, 0.02


def are_twins(prepared: Prepared, scorings: Sequence[Scoring], one: System, other: System) -> bool:
    """Say whether two systems expect nearly the same carriers in the sweeps' spans."""
    parts = [
        shared_part(prepared, scoring, mine, theirs)
        for scoring, mine, theirs in zip(scorings, one.options, other.options, strict=True)
        if mine.entry >= 0 and theirs.entry >= 0
    ]
    return bool(parts) and min(parts) >= TWIN_SHARE


def shared_part(prepared: Prepared, scoring: Scoring, one: Option, other: Option) -> float:
    """Return the lesser of the shares that two lists have in common (1 MHz, 2 % of rate) in a group's views."""
    mine, theirs = _places(prepared, scoring, one), _places(prepared, scoring, other)
    if not len(mine) or not len(theirs):
        return 0.0
    same = np.abs(mine[:, None, 0] - theirs[None, :, 0]) <= _NEAR_HZ
    same &= ~(np.abs(mine[:, None, 1] - theirs[None, :, 1]) > _NEAR_RATE)  # an unknown rate is no difference
    return float(min(same.any(axis=1).mean(), same.any(axis=0).mean()))


def parting_rows(prepared: Prepared, one: Option, other: Option) -> tuple[int, ...]:
    """Return the table rows (indices) of one list that the other has nothing like, whatever the span."""
    table = prepared.table
    mine, theirs = (prepared.lists[prepared.hyp_list[each.hyp]].rows for each in (one, other))
    apart = np.abs(table.rf_hz[mine][:, None] - table.rf_hz[theirs][None, :]) > _NEAR_HZ
    rate = np.log(table.symbol_rate_bd)
    apart |= np.abs(rate[mine][:, None] - rate[theirs][None, :]) > _NEAR_RATE
    return tuple(int(index) for index in mine[apart.all(axis=1)])


def _places(prepared: Prepared, scoring: Scoring, option: Option) -> FloatArray:
    """IF and log rate of the listed rows in view, each slot once."""
    rows = prepared.rows_of(option.hyp)
    if_hz = prepared.if_hz[rows] + option.offset_hz
    seen = np.zeros(if_hz.size, dtype=bool)
    for view in scoring.group.views:
        seen |= (if_hz >= view.start_hz) & (if_hz <= view.stop_hz)
    first = np.concatenate(([True], np.diff(prepared.row_slot[rows]) != 0))
    return np.column_stack([if_hz, prepared.log_rate[rows]])[seen & first]
