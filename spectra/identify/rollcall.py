"""The roll call: every row of the identified list held against the carriers, with the reason for each answer."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, isfinite, sqrt

import numpy as np

from spectra.identify import model
from spectra.identify.evidence import Group
from spectra.identify.identification import Change, RollCallEntry, Status
from spectra.identify.joint import Option, Scoring, System
from spectra.identify.prepared import Prepared
from spectra.measure.margin import margin
from spectra.measure.measurement import Carrier
from spectra.units import format_frequency

__all__ = ["roll_call", "unlisted_carriers"]

_CLEAR = 4.0  # standard uncertainties by which a carrier must differ from its row
_LEAST_MOVE_HZ = 20e3  # less may be the satellite's own oscillators (common practice, no source)
_SURE = 0.5  # below this chance of showing, a silent row is "not visible" rather than "absent"


def roll_call(
    prepared: Prepared, scorings: Sequence[Scoring], system: System, valid: np.ndarray | None
) -> tuple[RollCallEntry, ...]:
    """Call every row of the system's lists, each once (present wins over absent, absent over not visible)."""
    entries: dict[int, RollCallEntry] = {}
    for scoring, option in zip(scorings, system.options, strict=True):
        if option.entry < 0:
            continue
        for entry in _call(prepared, scoring, option, valid):
            known = entries.get(entry.row)
            if known is None or _WEIGHT[entry.status] > _WEIGHT[known.status]:
                entries[entry.row] = entry
    return tuple(sorted(entries.values(), key=lambda each: (each.rf_mhz, each.row)))


_WEIGHT: dict[Status, int] = {"not visible": 0, "absent": 1, "present": 2}


def _call(prepared: Prepared, scoring: Scoring, option: Option, valid: np.ndarray | None) -> list[RollCallEntry]:
    table, s, group = prepared.table, scoring.scored, scoring.group
    state = prepared.states[option.state]
    mine = s.pair_entry == option.entry
    carrier_of_row = dict(zip(s.pair_row[mine].tolist(), s.pair_carrier[mine].tolist(), strict=True))
    slot_row = {
        slot: row
        for row in carrier_of_row
        for slot in range(int(prepared.row_slot[row]), int(prepared.last_slot[row]) + 1)
    }
    rows = prepared.rows_of(option.hyp)
    here = np.arange(rows.start, rows.stop)
    _, visible = model.visibility(group.views, prepared, here, prepared.if_hz[rows] + option.offset_hz)
    shown = {int(prepared.row[at]): (int(at), float(chance)) for at, chance in zip(here, visible, strict=True)}
    taken = set(carrier_of_row.values())
    found: list[RollCallEntry] = []
    for index in prepared.lists[prepared.hyp_list[option.hyp]].rows.tolist():
        rf_hz = float(table.rf_hz[index])
        line = int(table.line[index])
        if index not in shown:
            why = f"outside the RF range of LO state {state.name}"
            found.append(RollCallEntry(line, rf_hz / 1e6, None, "not visible", why=why))
            continue
        at, chance = shown[index]
        expected = float(prepared.if_hz[at]) + option.offset_hz
        answer = slot_row.get(int(prepared.row_slot[at]))
        if valid is not None and not valid[at]:
            why = "the row is not valid at the sweep's date"
            found.append(RollCallEntry(line, rf_hz / 1e6, expected, "not visible", why=why))
        elif answer is not None:
            number = carrier_of_row[answer]
            found.append(_present(prepared, group, number, at, answer, (line, rf_hz / 1e6, expected), option.std_hz))
        else:
            status, why = _silent(prepared, group, at, expected, chance, taken)
            found.append(RollCallEntry(line, rf_hz / 1e6, expected, status, why=why))
    return found


def _present(
    prepared: Prepared,
    group: Group,
    number: int,
    at: int,
    answer: int,
    place: tuple[int, float, float],
    std_hz: float,
) -> RollCallEntry:
    """Return the entry of a row whose place (line, RF in MHz, expected IF) a carrier answers."""
    carrier = group.carriers[number]
    sweep, index = group.members[number][0]
    if prepared.merged[answer]:
        neighbours = "neighbour" if prepared.last_slot[answer] == prepared.row_slot[answer] + 1 else "neighbours"
        return RollCallEntry(
            *place,
            status="present",
            centre_hz=float(group.if_hz[number]),
            why=f"measured as one carrier with its {neighbours}, from which this sweep does not part it",
            carrier=index,
            sweep=sweep,
        )
    same = abs(prepared.if_hz[at] - prepared.if_hz[answer]) < 1e4 and prepared.log_rate[at] == prepared.log_rate[answer]
    if at != answer and not same:
        other = int(prepared.table.line[prepared.row[answer]])
        return RollCallEntry(
            *place,
            status="absent",
            why=f"the carrier there answers row {other}; both cannot be on air",
        )
    offset = float(group.if_hz[number]) - place[2]
    offset_std = hypot(group.std_hz[number], std_hz)
    text, line = prepared.table.text, int(prepared.row[at])
    over = margin(carrier, text["modulation"][line], text["code_rate"][line])
    changes, why = _difference(prepared, group, number, at, offset, offset_std)
    return RollCallEntry(
        *place,
        status="present",
        centre_hz=float(group.if_hz[number]),
        offset_hz=offset,
        cn_db=carrier.cn_db,
        why=why,
        carrier=index,
        sweep=sweep,
        changes=changes,
        moved_hz=offset if "moved" in changes else None,
        moved_std_hz=offset_std if "moved" in changes else None,
        margin_db=None if over is None else over.margin_db,
        margin_std_db=None if over is None else over.margin_std_db,
    )


def _difference(
    prepared: Prepared, group: Group, number: int, at: int, offset_hz: float, offset_std_hz: float
) -> tuple[tuple[Change, ...], str]:
    """Say in what the carrier differs from its row, if in anything."""
    parts = ["found where listed"]
    changes: list[Change] = []
    # the true frequency may lie anywhere in the last printed digit, or in that which the whole list shows
    step_hz = max(float(prepared.round_hz[at]), float(prepared.coarse_hz[at])) * sqrt(12.0)
    if abs(offset_hz) > max(_CLEAR * offset_std_hz + 0.5 * step_hz, _LEAST_MOVE_HZ):
        changes.append("moved")
        parts[0] = f"moved: {format_frequency(offset_hz, offset_std_hz, 'kHz')} from where it is listed"
    measured, listed = float(group.log_rate[number]), float(prepared.log_rate[at])
    if isfinite(measured) and isfinite(listed):
        std = hypot(group.log_rate_std[number], prepared.log_rate_std[at], 0.005)
        if abs(measured - listed) > _CLEAR * std:
            changes.append("symbol rate")
            parts.append(
                f"symbol rate changed: {np.exp(measured) / 1e3:.0f} kBd measured, {np.exp(listed) / 1e3:.0f} listed"
            )
    alpha, std_alpha, listed_alpha = group.roll_off[number], group.roll_off_std[number], prepared.roll_off[at]
    # comparisons with NaN are false: nothing is said where either is unknown
    if std_alpha < 0.05 and abs(alpha - listed_alpha) > _CLEAR * hypot(std_alpha, 0.01):
        changes.append("roll-off")
        parts.append(f"roll-off changed: {alpha:.2f} measured, {listed_alpha:.2f} listed")
    return tuple(changes), "; ".join(parts)


def _silent(
    prepared: Prepared, group: Group, at: int, expected: float, chance: float, taken: set[int]
) -> tuple[Status, str]:
    """Say whether a silent row is absent, or why it could not be seen; `taken` are the carriers that answer rows."""
    width = float(np.nan_to_num(prepared.width_hz[at]))
    if not any(view.start_hz <= expected <= view.stop_hz for view in group.views):
        return "not visible", "outside the span"
    if not any(
        view.start_hz <= expected - 0.3 * width and expected + 0.3 * width <= view.stop_hz for view in group.views
    ):
        return "not visible", "cut by the edge of the span"
    hiding = np.flatnonzero(np.abs(group.if_hz - expected) < 0.5 * np.maximum(group.width_hz, width))
    for number in hiding.tolist():
        # an unlisted carrier of the row's own rate hides nothing: it is the row's, moved
        own = number not in taken and abs(group.log_rate[number] - prepared.log_rate[at]) < 0.03
        if group.width_hz[number] > 0.7 * width and not own:
            place = format_frequency(float(group.if_hz[number]))
            return "not visible", f"hidden under the carrier at {place}"
    if chance < _SURE:
        rbw = min(view.rbw_hz for view in group.views)
        if width and width < 1.5 * rbw:
            return "not visible", f"narrower than this sweep resolves (RBW {rbw / 1e3:.0f} kHz)"
        return "not visible", "below what this sweep could show"
    return "absent", f"should have shown (chance {100.0 * min(chance, 0.99):.0f} %) and did not"


def unlisted_carriers(scorings: Sequence[Scoring], system: System | None) -> tuple[tuple[int, Carrier], ...]:
    """Return the carriers that no row explains, as (index of the sweep, carrier), by sweep and frequency."""
    left: list[tuple[int, Carrier]] = []
    for position, scoring in enumerate(scorings):
        taken: set[int] = set()
        if system is not None and system.options[position].entry >= 0:
            mine = scoring.scored.pair_entry == system.options[position].entry
            taken = set(scoring.scored.pair_carrier[mine].tolist())
        for number, carrier in enumerate(scoring.group.carriers):
            if number not in taken:
                left.append((scoring.group.members[number][0][0], carrier))
    return tuple(sorted(left, key=lambda each: (each[0], each[1].centre_hz)))
