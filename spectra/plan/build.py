"""Carrier tables from rows in memory, and the one place where the columns of a table are put together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.errors import TableError
from spectra.plan.content import content_hash
from spectra.plan.numbers import value_step
from spectra.plan.words import read_dates, read_ids, read_kinds, read_polarisations, read_rates, read_service, tidy
from spectra.units import FloatArray

if TYPE_CHECKING:
    from spectra.plan.table import CarrierTable

__all__ = ["NUMBERS", "STEP_COLUMN", "TEXTS", "assemble", "table_from_rows"]

NUMBERS = (
    "rf_hz",
    "symbol_rate_bd",
    "bandwidth_hz",
    "roll_off",
    "reference_cn_db",
    "orbital_longitude_deg",
    "satellite_tilt_deg",
)
"""Numeric attributes of a table, inner units."""

TEXTS = (
    "satellite",
    "beam",
    "polarisation",
    "kind",
    "modulation",
    "code_rate",
    "network_id",
    "valid_from",
    "valid_to",
    "remark",
)
"""Text columns of the contract."""

STEP_COLUMN = "rf_step_khz"
"""Optional column that states the rounding step of rf_mhz where the printed digits do not show it."""

WORD_READERS = (
    ("polarisation", read_polarisations),
    ("kind", read_kinds),
    ("code_rate", read_rates),
    ("network_id", read_ids),
    ("valid_from", read_dates),
    ("valid_to", read_dates),
)
"""Text columns whose words have a meaning, with what reads them."""

_CONTROLS = dict.fromkeys([*range(9), 11, 12, *range(14, 32)], " ") | {13: None}
_FROM_FILE_UNITS = {
    "rf_mhz": ("rf_hz", 1e6),
    "symbol_rate_kbd": ("symbol_rate_bd", 1e3),
    "bandwidth_khz": ("bandwidth_hz", 1e3),
}


def assemble(
    file: str,
    line: Sequence[int],
    numbers: Mapping[str, FloatArray],
    rf_step_hz: FloatArray,
    service: Sequence[bool],
    text: Mapping[str, Sequence[str]],
    warnings: Iterable[TableError] = (),
) -> CarrierTable:
    """Return the table of these columns, with its content hash."""
    from spectra.plan.table import CarrierTable

    columns = {name: np.array(list(cells), dtype=object) for name, cells in text.items()}
    own = np.array(service, dtype=np.bool_)
    return CarrierTable(
        file=file,
        sha256=content_hash(numbers, own, text),
        line=np.array(line, dtype=np.int64),
        rf_step_hz=np.array(rf_step_hz, dtype=np.float64),
        service=own,
        text=columns,
        unknown_columns=tuple(name for name in text if name not in TEXTS),
        warnings=tuple(warnings),
        **{name: np.array(numbers[name], dtype=np.float64) for name in NUMBERS},
    )


def table_from_rows(rows: Iterable[Any], file: str, unknown: Iterable[str] = ()) -> CarrierTable:
    """Build a table from `CarrierRow` objects or mappings; see `CarrierTable.from_rows`.

    `unknown` names columns that the table has even where no row fills them; they come before those of the rows.
    """
    taken = [_row_values(row, index, file) for index, row in enumerate(rows)]
    numbers = {name: _number_column(taken, name) for name in NUMBERS}
    lines = [int(row["line"]) for row in taken]
    text: dict[str, list[str]] = {name: [clean(row.get(name)) for row in taken] for name in TEXTS}
    for name, read in WORD_READERS:
        text[name], told = read(text[name], lines, name)
        for problem in told:
            if problem.stops:
                raise problem.error(file)
    for name in dict.fromkeys([*unknown, *(key for row in taken for key in row["extra"])]):
        text[name] = [clean(row["extra"].get(name)) for row in taken]
    stated = _number_column(taken, "rf_step_hz")
    natural = np.array([value_step(value) for value in numbers["rf_hz"].tolist()], dtype=np.float64)
    steps = np.where(np.isfinite(stated), stated, natural)
    return assemble(file, lines, numbers, steps, [bool(row.get("service")) for row in taken], text)


def clean(value: Any) -> str:
    """Return a text cell as a file can hold it: no outer spaces, no control characters but line ends and tabs."""
    if value is None:
        return ""
    return str(value).translate(_CONTROLS).strip()


def _number_column(rows: Sequence[Mapping[str, Any]], name: str) -> FloatArray:
    values = (row.get(name) for row in rows)
    column = np.array([math.nan if value is None else float(value) for value in values], dtype=np.float64)
    return np.round(column, 3) if name.endswith(("_hz", "_bd")) else column


def _row_values(row: Any, index: int, file: str) -> dict[str, Any]:
    """Return one row as a dict of inner values; unknown keys as text under 'extra'."""
    given = dict(row) if isinstance(row, Mapping) else {one.name: getattr(row, one.name) for one in fields(row)}
    extra = dict(given.pop("extra", None) or {})
    for name, (inner, factor) in _FROM_FILE_UNITS.items():
        if given.get(name) is not None:
            given[inner] = float(given.pop(name)) * factor
    step = given.pop(STEP_COLUMN, None) or extra.pop(STEP_COLUMN, None)
    if step is not None and given.get("rf_step_hz") is None:
        given["rf_step_hz"] = float(step) * 1e3
    known = {*NUMBERS, *TEXTS, "line", "rf_step_hz", "service"}
    for name in [key for key in given if key not in known]:
        value = given.pop(name)
        extra[str(name).strip()] = value
    line = given["line"] = given.get("line") or index + 2

    def refuse(column: str, expected: str) -> TableError:
        return TableError(file, line, repr(given.get(column)), expected, f"Give {column} a value.", column)

    for name in ("satellite", "beam"):
        given[name] = tidy(clean(given.get(name)))
    if not given["satellite"]:
        raise refuse("satellite", "the name of a satellite")
    rf = given.get("rf_hz")
    if rf is None or not math.isfinite(float(rf)) or float(rf) <= 0.0:
        raise refuse("rf_hz", "a frequency in Hz")
    own = given.get("service")
    if isinstance(own, str):
        (given["service"],), told = read_service([own.strip()], [line], "service")
        if told:
            raise told[0].error(file)
    given["extra"] = extra
    return given
