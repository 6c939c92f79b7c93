"""What a carrier that no row explains is likely to be: a row that moved, a new carrier, something that interferes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spectra.identify.company import company_of
from spectra.identify.evidence import Group
from spectra.identify.identification import RollCallEntry, UnlistedCause
from spectra.identify.joint import Option, Scoring, System
from spectra.identify.prepared import Prepared
from spectra.measure.measurement import Carrier
from spectra.units import format_frequency

__all__ = ["causes_of", "with_moves"]

_ROLL_OFFS = np.array([0.05, 0.10, 0.15, 0.20, 0.25, 0.35])
_MOVE_REACH_HZ = 10e6  # a carrier is moved within its transponder's free part (common practice, no source)
_SAME = 3.0  # standard uncertainties within which two values are the same
_OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}


def causes_of(
    prepared: Prepared,
    scorings: Sequence[Scoring],
    system: System,
    roll: Sequence[RollCallEntry],
    unlisted: Sequence[tuple[int, Carrier]],
) -> tuple[UnlistedCause, ...]:
    """Return the likely cause of every unlisted carrier, in their order."""
    causes = []
    for sweep, carrier in unlisted:
        for scoring, option in zip(scorings, system.options, strict=True):
            number = _number(scoring.group, sweep, carrier)
            if number is not None and option.entry >= 0:
                causes.append(_cause(prepared, scoring.group, option, number, roll))
                break
        else:
            causes.append(UnlistedCause("cannot tell", "no list of the table is held against this sweep"))
    return tuple(causes)


def with_moves(
    roll: Sequence[RollCallEntry], unlisted: Sequence[tuple[int, Carrier]], causes: Sequence[UnlistedCause]
) -> tuple[RollCallEntry, ...]:
    """Return the roll call with each silent row told of the unlisted carrier that seems to be its own, moved."""
    found = {
        cause.row: carrier for (_, carrier), cause in zip(unlisted, causes, strict=False) if cause.likely == "moved"
    }
    return tuple(_with_move(entry, found[entry.row]) if entry.row in found else entry for entry in roll)


def _with_move(entry: RollCallEntry, carrier: Carrier) -> RollCallEntry:
    place = format_frequency(carrier.centre_hz, carrier.centre_std_hz)
    return replace(
        entry,
        moved_hz=carrier.centre_hz - (entry.expected_if_hz or 0.0),
        moved_std_hz=carrier.centre_std_hz,
        why=f"{entry.why}; a carrier of its symbol rate stands at {place}: it may have moved",
    )


def _number(group: Group, sweep: int, carrier: Carrier) -> int | None:
    for number, (members, each) in enumerate(zip(group.members, group.carriers, strict=True)):
        if each is carrier and any(index == sweep for index, _ in members):
            return number
    return None


def _cause(
    prepared: Prepared, group: Group, option: Option, number: int, roll: Sequence[RollCallEntry]
) -> UnlistedCause:
    carrier, if_hz = group.carriers[number], float(group.if_hz[number])
    if "cut_by_span" in carrier.flags:
        return UnlistedCause("cannot tell", "cut by the edge of the span")
    inside = _inside(group, number, roll)
    if inside is not None:
        return UnlistedCause("interferer", f"inside the carrier of row {inside}", inside)
    row = _listed_by(prepared, group, number, option, company_of(prepared, option.hyp))
    if row is not None:
        return UnlistedCause("co-located", f"row {row} of another list at this position", row)
    moved = _moved_from(prepared, group, number, option, roll)
    if moved is not None:
        apart = if_hz - (moved.expected_if_hz or 0.0)
        way = "below" if apart > 0.0 else "above"
        why = f"row {moved.row}, {abs(apart) / 1e3:.0f} kHz {way} it, is silent and has this symbol rate"
        return UnlistedCause("moved", why, moved.row)
    row = _listed_by(prepared, group, number, option, _other_polarisation(prepared, option))
    if row is not None:
        return UnlistedCause("other polarisation", f"row {row} is listed there on the other polarisation", row)
    return _by_its_looks(group, number)


def _inside(group: Group, number: int, roll: Sequence[RollCallEntry]) -> int | None:
    """Return the row whose carrier this one stands in."""
    for entry in roll:
        if entry.status == "present" and entry.centre_hz is not None:
            other = int(np.argmin(np.abs(group.if_hz - entry.centre_hz)))
            reach = 0.5 * (group.width_hz[other] - group.width_hz[number])
            if other != number and abs(group.if_hz[number] - group.if_hz[other]) < reach:
                return entry.row
    return None


def _listed_by(prepared: Prepared, group: Group, number: int, option: Option, hyps: np.ndarray) -> int | None:
    """Return the row (line) of one of these hypotheses that has place and rate of a carrier."""
    for hyp in hyps.tolist():
        rows = prepared.rows_of(int(hyp))
        apart = np.abs(prepared.if_hz[rows] + option.offset_hz - group.if_hz[number])
        near = apart < _SAME * np.hypot(group.std_hz[number], np.hypot(prepared.coarse_hz[rows], option.std_hz))
        rate = np.abs(prepared.log_rate[rows] - group.log_rate[number])
        near &= ~(rate > _SAME * float(np.nan_to_num(np.hypot(group.log_rate_std[number], 0.02), nan=1.0)))
        if near.any():
            at = rows.start + int(np.flatnonzero(near)[np.argmin(apart[near])])
            return int(prepared.table.line[prepared.row[at]])
    return None


def _other_polarisation(prepared: Prepared, option: Option) -> np.ndarray:
    plan = prepared.lists[prepared.hyp_list[option.hyp]]
    wanted = _OPPOSITE.get(plan.polarisation or "")
    return np.array(
        [
            hyp
            for hyp in np.flatnonzero(prepared.hyp_state == option.state).tolist()
            if (other := prepared.lists[prepared.hyp_list[hyp]]).satellite == plan.satellite
            and other.polarisation == wanted
            and other.orbital_longitude_deg == plan.orbital_longitude_deg
        ],
        dtype=np.intp,
    )


def _moved_from(
    prepared: Prepared, group: Group, number: int, option: Option, roll: Sequence[RollCallEntry]
) -> RollCallEntry | None:
    """Return the nearest silent row of the same symbol rate, where the rate is known well enough to say so."""
    if not np.isfinite(group.log_rate[number]) or group.log_rate_std[number] > 0.05:
        return None
    std = float(np.hypot(group.log_rate_std[number], 0.005))
    rows = prepared.lists[prepared.hyp_list[option.hyp]].rows
    rate_of = dict(zip(prepared.table.line[rows].tolist(), prepared.table.symbol_rate_bd[rows].tolist(), strict=True))
    best: tuple[float, RollCallEntry] | None = None
    for entry in roll:
        if entry.status != "absent" or entry.expected_if_hz is None or entry.row not in rate_of:
            continue  # silent rows of another port have their own carriers
        rate = float(rate_of[entry.row])
        apart = abs(entry.expected_if_hz - float(group.if_hz[number]))
        if rate > 0.0 and abs(float(np.log(rate)) - group.log_rate[number]) < _SAME * std and apart < _MOVE_REACH_HZ:
            best = min(best or (apart, entry), (apart, entry), key=lambda each: each[0])
    return None if best is None else best[1]


def _by_its_looks(group: Group, number: int) -> UnlistedCause:
    carrier = group.carriers[number]
    if carrier.kind == "cw":
        return UnlistedCause("interferer", "unmodulated; a beacon that is not listed looks the same")
    if carrier.kind == "unresolved":
        return UnlistedCause("cannot tell", "narrower than this sweep resolves")
    overlapped = [
        other
        for other in range(group.count)
        if other != number
        and abs(group.if_hz[other] - group.if_hz[number]) < 0.35 * (group.width_hz[other] + group.width_hz[number])
    ]
    if overlapped:
        place = format_frequency(float(group.if_hz[overlapped[0]]))
        return UnlistedCause("interferer", f"overlaps the carrier at {place}")
    if carrier.kind == "other":
        return UnlistedCause("cannot tell", "its shape is not that of a digital carrier, or it is too weak to say")
    alpha, std = carrier.roll_off, carrier.roll_off_std
    if alpha is not None and std is not None and std < 0.08:
        nearest = float(_ROLL_OFFS[np.argmin(np.abs(_ROLL_OFFS - alpha))])
        if abs(alpha - nearest) > 4.0 * max(std, 0.01):
            return UnlistedCause("cannot tell", f"a roll-off of {alpha:.2f} is none in use")
        return UnlistedCause(
            "new carrier", f"a digital carrier of its own with roll-off {nearest:.2f}, in free spectrum"
        )
    return UnlistedCause("new carrier", "a digital carrier of its own in free spectrum")
