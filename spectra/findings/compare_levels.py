"""Carriers of several captures set side by side: changes of level, C/N and IF, the common part parted from the rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.findings.comparison import Common, Pair

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState

__all__ = ["IfShift", "StateChange", "changes"]

_REACH = 0.35  # of a carrier's width, within which its partner is looked for
_MOST_SHIFT_HZ = 3e6


@dataclass(frozen=True, slots=True)
class IfShift:
    """Common change of IF of one capture against the first, other minus reference."""

    capture: str
    change_hz: float
    std_hz: float
    carriers: int


@dataclass(frozen=True, slots=True)
class StateChange:
    """Two LO states: how many carriers moved as the LO, how many kept their IF."""

    captures: tuple[str, str]
    states: tuple[str, str]
    expected_shift_hz: float | None
    moved: int
    kept: int
    compared: int


def _width(carrier: Carrier, rbw_hz: float) -> float:
    return max(carrier.symbol_rate_bd or carrier.width_hz, rbw_hz)


def _partners(
    reference: Sequence[Carrier], other: Sequence[Carrier], expected_hz: Sequence[float], rbw_hz: float
) -> list[tuple[int, int]]:
    """Return index pairs of carriers that are one, nearest first, each used once; a common shift is found first."""
    if not reference or not other:
        return []
    there = np.array([c.centre_hz for c in other])
    expected = np.array(expected_hz)
    shift = _common_shift(reference, other, expected, there, rbw_hz)
    candidates = []
    for i, carrier in enumerate(reference):
        width = _width(carrier, rbw_hz)
        for j, partner in enumerate(other):
            distance = abs(there[j] - expected[i] - shift)
            unlike = max(width, _width(partner, rbw_hz)) / min(width, _width(partner, rbw_hz))
            if distance < max(_REACH * width, 2.0 * rbw_hz) and unlike < 1.5:
                candidates.append((distance / width, i, j))
    used_i: set[int] = set()
    used_j: set[int] = set()
    found = []
    for _, i, j in sorted(candidates):
        if i not in used_i and j not in used_j:
            used_i.add(i)
            used_j.add(j)
            found.append((i, j))
    return sorted(found)


def _common_shift(
    reference: Sequence[Carrier], other: Sequence[Carrier], expected: Any, there: Any, rbw_hz: float
) -> float:
    """Return the shift that most pairs of alike carriers share (0 where nothing stands out)."""
    shifts, widths = [], []
    for i, carrier in enumerate(reference):
        for j, partner in enumerate(other):
            a, b = _width(carrier, rbw_hz), _width(partner, rbw_hz)
            if max(a, b) < 1.5 * min(a, b) and abs(there[j] - expected[i]) < _MOST_SHIFT_HZ:
                shifts.append(float(there[j] - expected[i]))
                widths.append(max(rbw_hz, 0.03 * a))
    if not shifts:
        return 0.0
    s, w = np.array(shifts), np.array(widths)
    votes = (np.abs(s[:, None] - s[None, :]) < w[:, None] + w[None, :]).sum(axis=1) - 0.2 * np.abs(s) / _MOST_SHIFT_HZ
    best = int(np.argmax(votes))
    return float(np.median(s[np.abs(s - s[best]) < w + w[best]]))


def _expected(carriers: Sequence[Carrier], here: LoState | None, there: LoState | None) -> list[float]:
    if here is None or there is None or here.lo_hz == there.lo_hz:
        return [c.centre_hz for c in carriers]
    return [float(there.if_from_rf(here.rf_from_if(c.centre_hz))) for c in carriers]


def _pair(a: Carrier, b: Carrier, k: int, why: str = "") -> Pair:
    def difference(
        x: float | None, y: float | None, sx: float | None, sy: float | None
    ) -> tuple[float | None, float | None]:
        if x is None or y is None:
            return None, None
        return y - x, math.hypot(sx or 0.0, sy or 0.0)

    level, level_std = difference(a.power_dbm, b.power_dbm, a.power_std_db, b.power_std_db)
    cn, cn_std = difference(a.cn_db, b.cn_db, a.cn_std_db, b.cn_std_db)
    return Pair(a.centre_hz, b.centre_hz, level, level_std, cn, cn_std, why=why, captures=(0, k))


def robust_mean(values: Sequence[float], stds: Sequence[float]) -> tuple[float, float] | None:
    """Return the mean that most values share and its standard uncertainty, scatter beyond the stds counted in.

    Values farther than four standard uncertainties (scatter counted in) from the median are left out.
    """
    if not values:
        return None
    x, s = np.array(values), np.maximum(np.array(stds), 1e-12)
    middle = float(np.median(x))
    scatter = 1.4826 * float(np.median(np.abs(x - middle)))
    total = np.hypot(s, max(scatter, 0.0) if x.size > 2 else 0.0)
    keep = np.abs(x - middle) <= 4.0 * total
    weight = 1.0 / s[keep] ** 2
    mean = float(np.average(x[keep], weights=weight))
    std = float(weight.sum() ** -0.5)
    freedom = int(keep.sum()) - 1
    if freedom > 0:
        std *= max(1.0, math.sqrt(float(np.sum(weight * (x[keep] - mean) ** 2)) / freedom))
    return mean, std


def changes(
    kind: str,
    captures: Sequence[Capture],
    measured: Sequence[Sequence[Measurement]],
    states: Sequence[LoState | None],
) -> tuple[tuple[Pair, ...], Common, dict[str, Any]]:
    """Return the pairs of every capture with the first, the common part of the second, and the facts for the rules."""
    reference = [c for m in measured[0] for c in m.carriers]
    pairs: list[Pair] = []
    shifts: list[IfShift] = []
    common = Common()
    facts: dict[str, Any] = {"kind": kind}
    for k in range(1, len(captures)):
        other = [c for m in measured[k] for c in m.carriers]
        rbw = max((m.sweep.settings.rbw_hz or m.sweep.spacing_hz) for each in (measured[0], measured[k]) for m in each)
        expected = _expected(reference, states[0], states[k])
        matched = _partners(reference, other, expected, rbw)
        mine = [_pair(reference[i], other[j], k) for i, j in matched]
        moved = _shift(captures[k].name, reference, other, expected, matched)
        if moved is not None:
            shifts.append(moved)
        if k == 1:
            common = _common(mine, moved)
            if kind == "lo_state":
                facts["state_change"] = _state_change(captures, reference, other, expected, states, len(matched), rbw)
        pairs += mine
        pairs += _alone(reference, other, matched, k)
    facts["shifts"] = tuple(shifts) or None
    return tuple(pairs), common, facts


def _shift(
    name: str,
    reference: Sequence[Carrier],
    other: Sequence[Carrier],
    expected: Sequence[float],
    matched: Sequence[tuple[int, int]],
) -> IfShift | None:
    known = [(i, j) for i, j in matched if reference[i].centre_std_hz and other[j].centre_std_hz]
    found = robust_mean(
        [other[j].centre_hz - expected[i] for i, j in known],
        [math.hypot(reference[i].centre_std_hz or 0.0, other[j].centre_std_hz or 0.0) for i, j in known],
    )
    return None if found is None else IfShift(name, found[0], found[1], len(known))


def _common(pairs: Sequence[Pair], shift: IfShift | None) -> Common:
    told = [p for p in pairs if p.level_change_db is not None and p.level_change_std_db]
    level = robust_mean([p.level_change_db or 0.0 for p in told], [p.level_change_std_db or 0.0 for p in told])
    return Common(
        level_change_db=None if level is None else level[0],
        level_change_std_db=None if level is None else level[1],
        if_change_hz=None if shift is None else shift.change_hz,
        if_change_std_hz=None if shift is None else shift.std_hz,
    )


def _alone(
    reference: Sequence[Carrier], other: Sequence[Carrier], matched: Sequence[tuple[int, int]], k: int
) -> list[Pair]:
    here, there = {i for i, _ in matched}, {j for _, j in matched}
    left = [
        Pair(reference_centre_hz=c.centre_hz, why="not found in the other capture", captures=(0, k))
        for i, c in enumerate(reference)
        if i not in here
    ]
    left += [
        Pair(other_centre_hz=c.centre_hz, why="not found in the reference", captures=(0, k))
        for j, c in enumerate(other)
        if j not in there
    ]
    return left


def _state_change(
    captures: Sequence[Capture],
    reference: Sequence[Carrier],
    other: Sequence[Carrier],
    expected: Sequence[float],
    states: Sequence[LoState | None],
    moved: int,
    rbw_hz: float,
) -> StateChange:
    kept = len(_partners(reference, other, [c.centre_hz for c in reference], rbw_hz))
    here, there = states[0], states[1]
    shift = None
    if here is not None and there is not None and here.sign == there.sign:
        shift = float(there.if_from_rf(0.0) - here.if_from_rf(0.0))
    there_hz = [c.centre_hz for c in other]
    inside = (min(there_hz, default=0.0), max(there_hz, default=0.0))
    compared = sum(inside[0] - 1e6 <= value <= inside[1] + 1e6 for value in expected)
    return StateChange(
        (captures[0].name, captures[1].name),
        tuple(state.name if state is not None else "?" for state in states[:2]),  # type: ignore[arg-type]  # two states
        shift,
        moved,
        kept,
        compared,
    )
