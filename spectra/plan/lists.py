"""The carrier table cut into lists: what one hypothesis (satellite, beam, polarisation) expects."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from spectra.plan.table import CarrierTable, PlanList

__all__ = ["SAME_POSITION_DEG", "cut_into_lists", "longitude_groups", "rows_by"]

SAME_POSITION_DEG = 0.5
"""Longitudes of one satellite nearer than this are one position; farther apart they are two satellites of one name."""


def cut_into_lists(table: CarrierTable) -> tuple[PlanList, ...]:
    """Cut a table into lists, one per satellite, beam and polarisation, in order of first appearance.

    A row without a beam belongs to every beam of its satellite and polarisation; where there is none, to the one
    list without a beam. One satellite name at longitudes more than `SAME_POSITION_DEG` apart makes a list for each
    position; rows without longitude belong to each. Rows of a list are by rising frequency.
    """
    from spectra.plan.table import PlanList

    text = table.text
    groups: dict[tuple[str, str], dict[str, list[int]]] = {}
    for index, (satellite, polarisation, beam) in enumerate(
        zip(text["satellite"].tolist(), text["polarisation"].tolist(), text["beam"].tolist(), strict=True)
    ):
        beams = groups.get((satellite, polarisation))
        if beams is None:
            beams = groups[satellite, polarisation] = {}
        rows = beams.get(beam)
        if rows is None:
            beams[beam] = [index]
        else:
            rows.append(index)

    found: list[PlanList] = []
    for (satellite, polarisation), beams in groups.items():
        everywhere = beams.pop("", []) if len(beams) > 1 else []
        for beam, rows in beams.items():
            members = np.array(rows + everywhere, dtype=np.intp)
            members = members[np.lexsort((members, table.rf_hz[members]))]
            for longitude, part in longitude_groups(table.orbital_longitude_deg[members]):
                found.append(PlanList(satellite, beam or None, polarisation, longitude, members[part]))
    return tuple(sorted(found, key=lambda one: int(one.rows.min())))


def rows_by(column: NDArray[np.object_]) -> dict[str, NDArray[np.intp]]:
    """Return the rows of each distinct cell of a text column, in order of first appearance."""
    groups: dict[str, list[int]] = {}
    for index, cell in enumerate(column.tolist()):
        groups.setdefault(cell, []).append(index)
    return {cell: np.array(rows, dtype=np.intp) for cell, rows in groups.items()}


def longitude_groups(longitude_deg: FloatArray) -> list[tuple[float | None, NDArray[np.intp]]]:
    """Return (median longitude, members) per orbital position; members without longitude are in each group."""
    everyone = np.arange(longitude_deg.size, dtype=np.intp)
    known = np.isfinite(longitude_deg)
    if not known.any():
        return [(None, everyone)]
    values = longitude_deg[known]
    first = values[0]
    if known.all() and (values == first).all():
        return [(float(first), everyone)]
    turned = first + (values - first + 180.0) % 360.0 - 180.0  # continuous across the date line
    if np.ptp(turned) <= SAME_POSITION_DEG:
        return [(_wrapped(float(np.median(turned))), everyone)]
    order = np.argsort(turned, kind="stable")
    cuts = np.flatnonzero(np.diff(turned[order]) > SAME_POSITION_DEG) + 1
    numbers, rest = everyone[known], everyone[~known]
    return [
        (_wrapped(float(np.median(turned[part]))), np.sort(np.concatenate((numbers[part], rest))))
        for part in np.split(order, cuts)
    ]


def _wrapped(longitude_deg: float) -> float:
    wrapped = (longitude_deg + 180.0) % 360.0 - 180.0
    return longitude_deg if abs(wrapped - longitude_deg) < 1e-9 else wrapped
