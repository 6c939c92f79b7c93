"""Merge two carrier tables: what is the same, what one adds, what fills a gap, where they contradict each other."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.plan.edit import rebuilt, with_rows
from spectra.plan.lists import SAME_POSITION_DEG

if TYPE_CHECKING:
    from spectra.plan.table import CarrierRow, CarrierTable

__all__ = ["Conflict", "Merge", "merge_tables"]

_NUMERIC = ("symbol_rate_bd", "bandwidth_hz", "roll_off", "reference_cn_db", "satellite_tilt_deg")
_TEXT = ("beam", "kind", "modulation", "code_rate", "network_id", "valid_from", "valid_to", "remark")


@dataclass(frozen=True, slots=True)
class Conflict:
    """Two rows that speak of one carrier and differ in `differing` (names as in `CarrierRow`)."""

    first: CarrierRow
    second: CarrierRow
    differing: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return lines, place and the values that differ."""
        return {
            "first_line": self.first.line,
            "second_line": self.second.line,
            "satellite": self.first.satellite,
            "beam": self.first.beam,
            "polarisation": self.first.polarisation,
            "rf_mhz": self.first.rf_hz / 1e6,
            "differing": [
                {"name": name, "first": _value(self.first, name), "second": _value(self.second, name)}
                for name in self.differing
            ],
        }


@dataclass(frozen=True, slots=True)
class Merge:
    """The merged table, and what became of every row of the second table.

    In `table` the rows of the first come first, on their lines; a conflict is settled for the first table, and
    `conflicts` holds the other row, so that nothing is lost. `same`, `filled` and `added` are lines of the second.
    """

    table: CarrierTable
    same: tuple[int, ...]
    filled: tuple[tuple[int, int], ...]
    added: tuple[int, ...]
    conflicts: tuple[Conflict, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON of ``table merge``."""
        return {
            "schema": "sweepmuster/table_merge/1",
            "rows": len(self.table),
            "sha256": self.table.sha256,
            "same": list(self.same),
            "filled": [{"first_line": a, "second_line": b} for a, b in self.filled],
            "added": list(self.added),
            "conflicts": [conflict.to_dict() for conflict in self.conflicts],
        }


def merge_tables(first: CarrierTable, second: CarrierTable) -> Merge:
    """Merge two tables.

    Rows of one satellite (case and spaces aside), beam and polarisation are one carrier where their centres lie
    nearer than half the narrower of the two (half a MHz where no width is given), the nearest pair first; each row has
    at most one partner. Partners are the same, or one fills the empty cells of the other (a frequency with finer
    digits counts as filling), or they conflict. A row without a beam can be the partner of one with a beam.

    Returns
    -------
    Merge
        Conflicts are settled for `first`.
    """
    rows = {row.line: row for row in first}
    partners = _partners(first, second)
    same: list[int] = []
    filled: list[tuple[int, int]] = []
    added: list[CarrierRow] = []
    conflicts: list[Conflict] = []
    for index, new in enumerate(second):
        if index not in partners:
            added.append(new)
            continue
        old = first.row(partners[index])
        differing = _differing(old, new)
        if differing:
            conflicts.append(Conflict(old, new, differing))
            continue
        both = _filled(old, new)
        if both == old:
            same.append(new.line)
        else:
            rows[old.line] = both
            filled.append((old.line, new.line))
    base = rebuilt(first, rows.values()) if filled else first
    table = with_rows(base, added) if added else base
    return Merge(table, tuple(same), tuple(filled), tuple(row.line for row in added), tuple(conflicts))


def _key(table: CarrierTable, index: int) -> tuple[str, str]:
    name = "".join(str(table.text["satellite"][index]).casefold().split())
    return name, str(table.text["polarisation"][index])


def _partners(first: CarrierTable, second: CarrierTable) -> dict[int, int]:
    """Return index in `second` -> index in `first`, nearest pairs first."""
    by_key: dict[tuple[str, str], list[int]] = {}
    for index in range(len(first)):
        by_key.setdefault(_key(first, index), []).append(index)
    near: list[tuple[float, int, int]] = []
    for other in range(len(second)):
        rows = np.array(by_key.get(_key(second, other), []), dtype=np.intp)
        if not rows.size:
            continue
        apart = np.abs(first.rf_hz[rows] - second.rf_hz[other])
        rounding = (first.rf_step_hz[rows] + second.rf_step_hz[other]) / 2.0
        reach = np.maximum(rounding, 0.5 * np.fmin(_width(first)[rows], _width(second)[other]))
        beams = first.text["beam"][rows]
        beam = second.text["beam"][other]
        fits = (apart <= reach) & ((beams == beam) | (beams == "") | (beam == ""))
        near.extend((float(apart[k]), int(rows[k]), other) for k in np.flatnonzero(fits).tolist())
    taken: dict[int, int] = {}
    used: set[int] = set()
    for _, index, other in sorted(near):
        if index not in used and other not in taken:
            taken[other] = index
            used.add(index)
    return taken


def _width(table: CarrierTable) -> Any:
    width = np.where(np.isfinite(table.symbol_rate_bd), table.symbol_rate_bd, table.bandwidth_hz)
    return np.where(np.isfinite(width), width, 1e6)


def _value(row: CarrierRow, name: str) -> Any:
    return dict(row.extra).get(name) if name not in row.__dataclass_fields__ else getattr(row, name)


def _differing(old: CarrierRow, new: CarrierRow) -> tuple[str, ...]:
    """Return the names of the values that contradict each other; an empty cell contradicts nothing."""
    names = []
    if abs(old.rf_hz - new.rf_hz) > ((old.rf_step_hz or 0.0) + (new.rf_step_hz or 0.0)) / 2.0:
        names.append("rf_hz")
    for name in _NUMERIC:
        a, b = getattr(old, name), getattr(new, name)
        if a is not None and b is not None and not math.isclose(a, b, rel_tol=1e-9):
            names.append(name)
    a, b = old.orbital_longitude_deg, new.orbital_longitude_deg
    if a is not None and b is not None and abs((a - b + 180.0) % 360.0 - 180.0) > SAME_POSITION_DEG:
        names.append("orbital_longitude_deg")
    for name in _TEXT:
        a, b = getattr(old, name), getattr(new, name)
        if a is not None and b is not None and a != b:
            names.append(name)
    others = dict(new.extra)
    names += [name for name, cell in old.extra if name in others and others[name] != cell]
    return tuple(names)


def _filled(old: CarrierRow, new: CarrierRow) -> CarrierRow:
    """Return the old row with its empty cells filled, the finer frequency taken, and either's service mark kept."""
    gaps = {
        name: getattr(new, name)
        for name in (*_NUMERIC, *_TEXT, "orbital_longitude_deg")
        if getattr(old, name) is None and getattr(new, name) is not None
    }
    if new.rf_step_hz is not None and old.rf_step_hz is not None and new.rf_step_hz < old.rf_step_hz:
        gaps |= {"rf_hz": new.rf_hz, "rf_step_hz": new.rf_step_hz}
    extra = dict(new.extra) | dict(old.extra)
    ordered = tuple((name, extra[name]) for name in dict.fromkeys([*(n for n, _ in old.extra), *extra]))
    return replace(old, **gaps, service=old.service or new.service, extra=ordered)
