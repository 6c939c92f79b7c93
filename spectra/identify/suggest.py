"""Edits of the carrier table that confirmed sweeps suggest, for the user to accept one by one.

Nothing is changed by itself: `suggest_edits` proposes, `diff_text` shows, `apply_edits` returns a new table with the
accepted edits; `spectra.plan.save_table` writes it and keeps the previous version.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from spectra.errors import TableError
from spectra.identify.identification import Identification
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.units import format_frequency, jsonable

__all__ = ["Edit", "Visit", "apply_edits", "diff_text", "suggest_edits", "usable"]

Action = Literal["add", "change", "remove"]
_CLEAR = 4.0  # standard uncertainties by which a value must differ before a change is proposed
_LEAST_SHIFT_HZ = 20e3  # below it a satellite's own oscillators may have moved the carrier (common practice, no source)
_SYSTEMATIC_WIDTH = 0.003  # part of the width by which slopes and ripple may pull a centre (common practice, no source)
_ROLL_OFFS = np.array([0.05, 0.10, 0.15, 0.20, 0.25, 0.35])


@dataclass(frozen=True, slots=True)
class Visit:
    """One identification with the measurements it was made of.

    Visits of one `occasion` (say, one terminal on one day) count as one: two sweeps taken minutes apart are no two
    witnesses of a silent row. None is an occasion of its own.
    """

    identification: Identification
    measurements: tuple[Measurement, ...]
    occasion: str | None = None


@dataclass(frozen=True, slots=True)
class Edit:
    """One proposed edit. `changes` maps a column of the table to ``(old, new)`` in the file's units.

    `seen` of `visits` confirmed visits support it; `line` is None for a new row.
    """

    action: Action
    line: int | None
    satellite: str
    polarisation: str
    rf_mhz: float
    changes: dict[str, tuple[float | str | None, float | str | None]] = field(default_factory=dict)
    seen: int = 0
    visits: int = 0
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the edit as plain values."""
        value: dict[str, Any] = jsonable(
            {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "changes"}
        )
        value["changes"] = {name: {"old": old, "new": new} for name, (old, new) in self.changes.items()}
        return value


@dataclass(frozen=True, slots=True)
class _Sighting:
    """A carrier in RF terms, as one visit saw it."""

    visit: int
    rf_hz: float
    std_hz: float
    carrier: Carrier


def suggest_edits(
    table: CarrierTable, chain: ReceiveChain, visits: Iterable[Visit], *, unseen_in: int = 3
) -> tuple[Edit, ...]:
    """Propose edits from the confirmed ones among some visits.

    Parameters
    ----------
    table : CarrierTable
    chain : ReceiveChain
        The chain the visits were identified with.
    visits : iterable of Visit
        Only those with the verdict `confirmed`, made with this table, are used.
    unseen_in : int
        A row is proposed for removal when it was absent in this many confirmed visits and present in none.

    Returns
    -------
    tuple of Edit
        Changed rows, then new rows, then rows to remove; each group by satellite and frequency.
    """
    used = [v for v in visits if usable(v, table)]
    edits = [*_changes(table, chain, used), *_additions(table, chain, used), *_removals(table, used, max(unseen_in, 1))]
    order = {"change": 0, "add": 1, "remove": 2}
    return tuple(sorted(edits, key=lambda e: (order[e.action], e.satellite, e.polarisation, e.rf_mhz)))


def usable(visit: Visit, table: CarrierTable) -> bool:
    """Say whether a visit may speak of this table: confirmed, and made with it."""
    answer = visit.identification
    return answer.verdict == "confirmed" and answer.table_sha256 == table.sha256


def _occasions(visits: Sequence[Visit]) -> list[int]:
    """Return for each visit the number of its occasion."""
    seen: dict[object, int] = {}
    return [
        seen.setdefault(number if visit.occasion is None else visit.occasion, len(seen))
        for number, visit in enumerate(visits)
    ]


def _changes(table: CarrierTable, chain: ReceiveChain, visits: Sequence[Visit]) -> list[Edit]:
    """Find rows whose carrier clearly has another frequency, symbol rate or roll-off."""
    found: dict[int, list[Carrier]] = {}
    shifts: dict[int, list[tuple[float | None, float | None]]] = {}
    witnesses: dict[int, set[int]] = {}
    occasions = _occasions(visits)
    for number, visit in zip(occasions, visits, strict=True):
        answer = visit.identification
        for entry in answer.roll_call:
            # a carrier measured together with its neighbour has no offset and tells nothing of either
            if entry.status != "present" or entry.carrier is None or entry.offset_hz is None:
                continue
            carrier = visit.measurements[entry.sweep].carriers[entry.carrier]
            found.setdefault(entry.row, []).append(carrier)
            witnesses.setdefault(entry.row, set()).add(number)
            # with several sweeps the one in question may be of an LO state on the other side
            sided = len(visit.measurements) == 1 or len({state.sign for state in chain.lo_states}) == 1
            if answer.lo_state is not None and carrier.centre_std_hz is not None and sided:
                own = np.hypot(carrier.centre_std_hz, _SYSTEMATIC_WIDTH * carrier.width_hz)
                std = float(np.hypot(own, answer.if_offset_std_hz or 0.0))
                shifts.setdefault(entry.row, []).append((chain.state(answer.lo_state).sign * entry.offset_hz, std))
    index_of = {int(line): index for index, line in enumerate(table.line)}
    edits = []
    for line, carriers in found.items():
        row = table.row(index_of[line])
        changes: dict[str, tuple[float | str | None, float | str | None]] = {}
        shift, shift_std = _mean(shifts.get(line, []))
        # printed frequencies may be rounded: a shift within one printed step is no change
        if shift is not None and abs(shift) > max(_CLEAR * shift_std, row.rf_step_hz or 0.0, _LEAST_SHIFT_HZ):
            changes["rf_mhz"] = (row.rf_hz / 1e6, _printed_mhz(row.rf_hz + shift, shift_std))
        rate, rate_std = _mean([(c.symbol_rate_bd, c.symbol_rate_std_bd) for c in carriers])
        listed = row.symbol_rate_bd
        if rate is not None and listed is not None and abs(rate - listed) > _CLEAR * np.hypot(rate_std, 0.005 * listed):
            changes["symbol_rate_kbd"] = (listed / 1e3, _rounded_rate(rate, rate_std) / 1e3)
        alpha, alpha_std = _mean([(c.roll_off, c.roll_off_std) for c in carriers])
        if alpha is not None and row.roll_off is not None and abs(alpha - row.roll_off) > _CLEAR * max(alpha_std, 0.01):
            changes["roll_off"] = (row.roll_off, float(_ROLL_OFFS[np.argmin(np.abs(_ROLL_OFFS - alpha))]))
        if changes:
            edits.append(
                Edit(
                    "change",
                    line,
                    row.satellite,
                    row.polarisation,
                    row.rf_hz / 1e6,
                    changes,
                    len(witnesses[line]),
                    len(set(occasions)),
                    f"measured otherwise in {len(witnesses[line])} of {len(set(occasions))} confirmed visits",
                )
            )
    return edits


def _mean(values: Sequence[tuple[float | None, float | None]]) -> tuple[float | None, float]:
    """Return the weighted mean and its standard uncertainty; widened where the visits disagree."""
    known = [(value, std) for value, std in values if value is not None and std]
    if not known:
        return None, 0.0
    value, std = (np.array(each) for each in zip(*known, strict=True))
    weight = 1.0 / std**2
    mean = float(np.average(value, weights=weight))
    spread = float(np.sum(weight * (value - mean) ** 2)) / max(len(known) - 1, 1)
    return mean, float(weight.sum() ** -0.5 * np.sqrt(max(1.0, spread)))


def _rounded_rate(rate_bd: float, std_bd: float) -> float:
    """Round a rate to a step no finer than its uncertainty supports (1, 10 or 100 kBd)."""
    step = next((s for s in (1e5, 1e4, 1e3) if s < 2.0 * std_bd), 1e3)
    return float(round(rate_bd / step) * step)


def _printed_mhz(rf_hz: float, std_hz: float) -> float:
    """Return a frequency in MHz whose last digit is the first that the uncertainty leaves open."""
    return round(rf_hz / 1e6, int(np.clip(np.ceil(-np.log10(max(std_hz, 1.0) / 1e6)), 0, 3)))


def _additions(table: CarrierTable, chain: ReceiveChain, visits: Sequence[Visit]) -> list[Edit]:
    """Find carriers that no row explains, gathered over the visits of one satellite and polarisation."""
    sightings: dict[tuple[str, str], list[_Sighting]] = {}
    counts: dict[tuple[str, str], set[int]] = {}
    for number, visit in zip(_occasions(visits), visits, strict=True):
        answer = visit.identification
        if answer.satellite is None or answer.polarisation is None or answer.lo_state is None:
            continue
        key = (answer.satellite, answer.polarisation)
        counts.setdefault(key, set()).add(number)
        state = chain.state(answer.lo_state)
        main = {e.sweep for e in answer.roll_call if e.status == "present"}
        for sweep, carrier in answer.unlisted:
            seen = _sighting(number, answer, state, carrier)
            if sweep in main and len(main) == 1 and seen is not None:
                sightings.setdefault(key, []).append(seen)
    edits = []
    for key, seen_here in sightings.items():
        for heap in _heaps(seen_here):
            edit = _addition(table, key, heap, len(counts[key]))
            if edit is not None:
                edits.append(edit)
    return edits


def _sighting(number: int, answer: Identification, state: LoState, carrier: Carrier) -> _Sighting | None:
    if "cut_by_span" in carrier.flags or carrier.centre_std_hz is None or answer.if_offset_hz is None:
        return None
    rf_hz = float(state.rf_from_if(carrier.centre_hz - answer.if_offset_hz))
    if not state.rf_min_hz <= rf_hz <= state.rf_max_hz:
        return None
    return _Sighting(number, rf_hz, float(np.hypot(carrier.centre_std_hz, answer.if_offset_std_hz or 0.0)), carrier)


def _heaps(sightings: list[_Sighting]) -> list[list[_Sighting]]:
    """Gather sightings of one carrier: neighbours within their uncertainty or a tenth of their width."""
    heaps: list[list[_Sighting]] = []
    for each in sorted(sightings, key=lambda s: s.rf_hz):
        last = heaps[-1][-1] if heaps else None
        if last is not None:
            near = max(3.0 * float(np.hypot(each.std_hz, last.std_hz)), 0.1 * each.carrier.width_hz)
            if each.rf_hz - last.rf_hz <= near:
                heaps[-1].append(each)
                continue
        heaps.append([each])
    return heaps


def _addition(table: CarrierTable, key: tuple[str, str], heap: list[_Sighting], visits: int) -> Edit | None:
    rf, rf_std = _mean([(s.rf_hz, s.std_hz) for s in heap])
    assert rf is not None
    seen = len({s.visit for s in heap})
    words = f"no row explains it; seen in {seen} of {visits} confirmed visits, at {format_frequency(rf, rf_std)}"
    leak = _other_polarisation(table, key, rf, rf_std)
    if leak is not None:
        words += f"; may be leakage of row {leak} on the other polarisation"
    rf_mhz = _printed_mhz(rf, rf_std)
    changes: dict[str, tuple[float | str | None, float | str | None]] = {
        "rf_mhz": (None, rf_mhz),
        "kind": (None, "cw" if heap[0].carrier.kind == "cw" else "modulated"),
    }
    rate, rate_std = _mean([(s.carrier.symbol_rate_bd, s.carrier.symbol_rate_std_bd) for s in heap])
    if rate is not None:
        changes["symbol_rate_kbd"] = (None, _rounded_rate(rate, rate_std) / 1e3)
    alpha, alpha_std = _mean([(s.carrier.roll_off, s.carrier.roll_off_std) for s in heap])
    if alpha is not None and alpha_std < 0.02:
        changes["roll_off"] = (None, float(_ROLL_OFFS[np.argmin(np.abs(_ROLL_OFFS - alpha))]))
    return Edit("add", None, *key, rf_mhz, changes, seen, visits, words)


def _other_polarisation(table: CarrierTable, key: tuple[str, str], rf_hz: float, std_hz: float) -> int | None:
    same = (table.text["satellite"] == key[0]) & (table.text["polarisation"] != key[1])
    near = same & (np.abs(table.rf_hz - rf_hz) < 3.0 * np.hypot(std_hz, table.rf_step_hz))
    at = np.flatnonzero(near)
    return int(table.line[at[0]]) if at.size else None


def _removals(table: CarrierTable, visits: Sequence[Visit], unseen_in: int) -> list[Edit]:
    absent: dict[int, set[int]] = {}
    present: set[int] = set()
    occasions = _occasions(visits)
    for number, visit in zip(occasions, visits, strict=True):
        for entry in visit.identification.roll_call:
            if entry.status == "present":
                present.add(entry.row)
            elif entry.status == "absent":
                absent.setdefault(entry.row, set()).add(number)
    index_of = {int(line): index for index, line in enumerate(table.line)}
    edits = []
    for line, when in absent.items():
        count = len(when)
        if count < unseen_in or line in present:
            continue
        row = table.row(index_of[line])
        why = f"should have shown in {count} confirmed visits and showed in none"
        edits.append(
            Edit("remove", line, row.satellite, row.polarisation, row.rf_hz / 1e6, {}, count, len(set(occasions)), why)
        )
    return edits


def diff_text(table: CarrierTable, edits: Sequence[Edit]) -> str:
    """Return the edits as numbered lines for review: ``-`` what goes, ``+`` what comes, with the reason."""
    lines = [f"{table.file}: {len(edits)} edit{'' if len(edits) == 1 else 's'} suggested"]
    for number, edit in enumerate(edits, start=1):
        place = "new row" if edit.line is None else f"line {edit.line}"
        lines.append(f"[{number}] {edit.action} {place}: {edit.satellite}/{edit.polarisation} {edit.rf_mhz:g} MHz")
        for name, (old, new) in edit.changes.items():
            if old is not None:
                lines.append(f"    - {name} = {old}")
            lines.append(f"    + {name} = {new}")
        if edit.action == "remove":
            lines.append(f"    - rf_mhz = {edit.rf_mhz:g}")
        lines.append(f"    because: {edit.why}")
    return "\n".join(lines) + "\n"


def apply_edits(table: CarrierTable, edits: Sequence[Edit], accept: Iterable[int] | None = None) -> CarrierTable:
    """Return the table with the accepted edits made.

    Parameters
    ----------
    accept : iterable of int, optional
        Numbers as `diff_text` prints them (from 1); None accepts all.

    Raises
    ------
    TableError
        If a number is none of the edits', or a row is not in the table.
    """
    from spectra.plan.edit import replace_row, with_rows, without_rows

    numbers = range(1, len(edits) + 1) if accept is None else sorted(set(accept))
    for number in numbers:
        if not 1 <= number <= len(edits):
            raise TableError(
                table.file, None, f"edit {number}", f"a number from 1 to {len(edits)}", "Take a number from the list."
            )
    chosen = [edits[number - 1] for number in numbers]
    for edit in chosen:
        if edit.action == "change" and edit.line is not None:
            table = replace_row(table, edit.line, **_row_values(edit))
    gone = [edit.line for edit in chosen if edit.action == "remove" and edit.line is not None]
    if gone:
        table = without_rows(table, gone)
    fresh = [
        {
            "satellite": e.satellite,
            "polarisation": e.polarisation,
            **_longitude(table, e),
            **{k: v for k, (_, v) in e.changes.items()},
        }
        for e in chosen
        if e.action == "add"
    ]
    return with_rows(table, fresh) if fresh else table


def _row_values(edit: Edit) -> dict[str, Any]:
    """Values under the names and in the units of `CarrierRow`."""
    values: dict[str, Any] = {}
    for name, (_, new) in edit.changes.items():
        if name == "symbol_rate_kbd" and isinstance(new, int | float):
            values["symbol_rate_bd"] = new * 1e3
        else:
            values[name] = new
    return values


def _longitude(table: CarrierTable, edit: Edit) -> dict[str, Any]:
    """Return the satellite's longitude: a new row stands at the position of the satellite's other rows."""
    of_satellite = table.orbital_longitude_deg[table.text["satellite"] == edit.satellite]
    known = of_satellite[np.isfinite(of_satellite)]
    return {"orbital_longitude_deg": float(known[0])} if known.size else {}
