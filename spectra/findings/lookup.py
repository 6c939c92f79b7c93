"""What the rules look up in a carrier table again and again, worked out once a table and kept as long as it lives."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from spectra.units import FloatArray

if TYPE_CHECKING:
    from spectra.advice.sweeps import Demand
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["demand_of", "is_named", "places", "references_db", "satellite_rows", "widths"]

_KEPT: WeakKeyDictionary[CarrierTable, dict[Hashable, Any]] = WeakKeyDictionary()
_MOST = 4096
"""Things kept of one table; beyond it all are let go, as a desk may ask about every satellite of a long list."""


def _kept(table: CarrierTable, key: Hashable, make: Callable[[], Any]) -> Any:
    held = _KEPT.setdefault(table, {})
    if key not in held:
        if len(held) >= _MOST:
            held.clear()
        held[key] = make()
    return held[key]


def is_named(table: CarrierTable, column: str, name: str) -> NDArray[np.bool_]:
    """Return which rows have that text in a text column, shape (n,)."""

    def numbered() -> tuple[dict[str, int], NDArray[np.intp]]:
        number: dict[str, int] = {}
        texts = table.text[column].tolist()
        return number, np.array([number.setdefault(text, len(number)) for text in texts], dtype=np.intp)

    number, codes = _kept(table, ("codes", column), numbered)
    return np.asarray(codes == number.get(name, -1))


def widths(table: CarrierTable) -> tuple[FloatArray, FloatArray]:
    """Return `spectra.advice.quality.row_widths`, kept: symbol rate and roll-off of every row."""
    from spectra.advice.quality import row_widths

    value: tuple[FloatArray, FloatArray] = _kept(table, "widths", lambda: row_widths(table))
    return value


def places(table: CarrierTable) -> dict[int, int]:
    """Return the index of every row by its line in the file."""
    value: dict[int, int] = _kept(table, "places", lambda: {int(line): k for k, line in enumerate(table.line)})
    return value


def references_db(table: CarrierTable) -> dict[int, float]:
    """Return the reference C/N of every row (NaN where the table tells none) by its line in the file."""
    columns = (table.line, table.reference_cn_db)
    value: dict[int, float] = _kept(table, "references", lambda: dict(zip(*(c.tolist() for c in columns), strict=True)))
    return value


def satellite_rows(table: CarrierTable, satellite: str) -> CarrierTable:
    """Return the rows of one satellite as a table of their own."""
    names = table.text["satellite"]
    value: CarrierTable = _kept(table, ("rows", satellite), lambda: table.take(np.flatnonzero(names == satellite)))
    return value


def demand_of(
    table: CarrierTable, chain: ReceiveChain, state: LoState, satellite: str | None, polarisation: str | None
) -> Demand | None:
    """Return `spectra.advice.quality.demand_for`, kept."""
    from spectra.advice.quality import demand_for

    value: Demand | None = _kept(
        table,
        ("demand", chain, state.name, satellite, polarisation),
        lambda: demand_for(table, chain, state, satellite=satellite, polarisation=polarisation),
    )
    return value
