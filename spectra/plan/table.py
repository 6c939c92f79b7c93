"""Carrier table in memory: the user's list of what should be on air, in columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.errors import TableError
from spectra.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["COLUMNS", "POLARISATIONS", "REQUIRED", "CarrierRow", "CarrierTable", "PlanList"]

POLARISATIONS = ("H", "V", "L", "R")
REQUIRED = ("satellite", "polarisation", "rf_mhz")
COLUMNS = (
    "satellite",
    "orbital_longitude_deg",
    "satellite_tilt_deg",
    "beam",
    "polarisation",
    "rf_mhz",
    "kind",
    "symbol_rate_kbd",
    "bandwidth_khz",
    "roll_off",
    "modulation",
    "code_rate",
    "reference_cn_db",
    "network_id",
    "service",
    "valid_from",
    "valid_to",
    "remark",
)
"""Columns of the contract, in the order in which they are written."""


@dataclass(frozen=True, slots=True)
class CarrierRow:
    """One row of the table; None where the cell is empty. `line` is its line in the file (header = 1).

    `rf_step_hz` is the value of the frequency's last printed digit; `extra` holds the cells of unknown columns.
    """

    line: int
    satellite: str
    polarisation: str
    rf_hz: float
    orbital_longitude_deg: float | None = None
    satellite_tilt_deg: float | None = None
    beam: str | None = None
    kind: str | None = None
    symbol_rate_bd: float | None = None
    bandwidth_hz: float | None = None
    roll_off: float | None = None
    modulation: str | None = None
    code_rate: str | None = None
    reference_cn_db: float | None = None
    network_id: str | None = None
    service: bool = False
    valid_from: str | None = None
    valid_to: str | None = None
    remark: str | None = None
    rf_step_hz: float | None = None
    extra: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PlanList:
    """The rows of one satellite, beam and polarisation: what one hypothesis expects. `rows` indexes the table."""

    satellite: str
    beam: str | None
    polarisation: str
    orbital_longitude_deg: float | None
    rows: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class CarrierTable:
    """A carrier table in columns; NaN marks an empty numeric cell, '' an empty text cell. Arrays are read-only.

    Attributes
    ----------
    line : ndarray of int, shape (n,)
        Line of each row in the file.
    rf_hz, rf_step_hz : ndarray, shape (n,)
        Frequency, and the value of its last printed digit (its rounding step).
    symbol_rate_bd, bandwidth_hz, roll_off, reference_cn_db, orbital_longitude_deg, satellite_tilt_deg : ndarray
    text : dict of str to ndarray of object, shape (n,)
        The text columns of the contract (`satellite, beam, polarisation, kind, modulation, code_rate, network_id,
        valid_from, valid_to, remark`) and every unknown column.
    service : ndarray of bool
    sha256 : str
        Hash of the content (see `spectra.plan.content`), not of the bytes: a table saved again by a spreadsheet
        without a change keeps it.
    """

    file: str
    sha256: str
    line: NDArray[np.int64]
    rf_hz: FloatArray
    rf_step_hz: FloatArray
    symbol_rate_bd: FloatArray
    bandwidth_hz: FloatArray
    roll_off: FloatArray
    reference_cn_db: FloatArray
    orbital_longitude_deg: FloatArray
    satellite_tilt_deg: FloatArray
    service: NDArray[np.bool_]
    text: dict[str, NDArray[np.object_]]
    unknown_columns: tuple[str, ...] = ()
    warnings: tuple[TableError, ...] = field(default_factory=tuple)

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)
        for column in self.text.values():
            column.setflags(write=False)

    @classmethod
    def from_rows(cls, rows: Iterable[CarrierRow | Mapping[str, Any]], file: str = "(memory)") -> CarrierTable:
        """Build a table in memory.

        Parameters
        ----------
        rows : iterable of CarrierRow or mapping
            A mapping holds the names of `CarrierRow` (`rf_hz`, `symbol_rate_bd`, `bandwidth_hz`, ...) or those of the
            file (`rf_mhz`, `symbol_rate_kbd`, `bandwidth_khz`); other keys become unknown columns. Without
            `rf_step_hz` a frequency is rounded where its digits in MHz end, at 1 MHz or finer. Without `line` rows
            count from 2.
        file : str
            Name under which results speak of the table.

        Raises
        ------
        TableError
            If a row lacks satellite, polarisation or frequency.
        """
        from spectra.plan.build import table_from_rows

        return table_from_rows(rows, file)

    def __len__(self) -> int:
        return int(self.rf_hz.size)

    def row(self, index: int) -> CarrierRow:
        """Return one row (0-based index into the columns)."""

        def number(column: FloatArray) -> float | None:
            value = float(column[index])
            return None if np.isnan(value) else value

        def words(name: str) -> str | None:
            column = self.text.get(name)
            return None if column is None or not column[index] else str(column[index])

        return CarrierRow(
            line=int(self.line[index]),
            satellite=str(self.text["satellite"][index]),
            polarisation=str(self.text["polarisation"][index]),
            rf_hz=float(self.rf_hz[index]),
            orbital_longitude_deg=number(self.orbital_longitude_deg),
            satellite_tilt_deg=number(self.satellite_tilt_deg),
            beam=words("beam"),
            kind=words("kind"),
            symbol_rate_bd=number(self.symbol_rate_bd),
            bandwidth_hz=number(self.bandwidth_hz),
            roll_off=number(self.roll_off),
            modulation=words("modulation"),
            code_rate=words("code_rate"),
            reference_cn_db=number(self.reference_cn_db),
            network_id=words("network_id"),
            service=bool(self.service[index]),
            valid_from=words("valid_from"),
            valid_to=words("valid_to"),
            remark=words("remark"),
            rf_step_hz=number(self.rf_step_hz),
            extra=tuple((name, str(self.text[name][index])) for name in self.unknown_columns if self.text[name][index]),
        )

    def __iter__(self) -> Iterator[CarrierRow]:
        return (self.row(index) for index in range(len(self)))

    @cached_property
    def lists(self) -> tuple[PlanList, ...]:
        """The table cut into lists, one per satellite, beam and polarisation, in order of first appearance.

        A row without a beam belongs to every beam of its satellite and polarisation; where a satellite has none, to
        the one list without beam. Rows of a list are by rising frequency.
        """
        from spectra.plan.lists import cut_into_lists

        return cut_into_lists(self)

    @cached_property
    def has_dates(self) -> bool:
        """Whether any row tells from when or until when it holds."""
        return any(any(self.text[name].tolist()) for name in ("valid_from", "valid_to"))

    def take(self, index: NDArray[Any]) -> CarrierTable:
        """Return the rows of an index or mask, lines, file and hash unchanged: a part of the same table."""
        arrays = {
            name: value[index]
            for name in self.__dataclass_fields__
            if isinstance(value := getattr(self, name), np.ndarray)
        }
        return replace(self, text={name: column[index] for name, column in self.text.items()}, **arrays)

    def valid_on(self, when: date) -> CarrierTable:
        """Return the rows that hold at a moment (datetime or date; UTC unless it has a zone), as `take` does.

        A row without dates always holds; a date in `valid_to` includes its whole day.
        """
        from spectra.plan.validity import valid_mask

        if not self.has_dates:
            return self
        valid = valid_mask(self.text["valid_from"].tolist(), self.text["valid_to"].tolist(), when)
        return self if valid.all() else self.take(valid)

    def to_frame(self) -> pd.DataFrame:
        """Return the table in the units of its file (MHz, kBd, kHz), the contract's columns first."""
        import pandas as pd

        numbers: dict[str, Any] = {
            "orbital_longitude_deg": self.orbital_longitude_deg,
            "satellite_tilt_deg": self.satellite_tilt_deg,
            "rf_mhz": self.rf_hz / 1e6,
            "symbol_rate_kbd": self.symbol_rate_bd / 1e3,
            "bandwidth_khz": self.bandwidth_hz / 1e3,
            "roll_off": self.roll_off,
            "reference_cn_db": self.reference_cn_db,
            "service": self.service,
        }
        empty = np.full(len(self), "", dtype=object)
        columns = {name: numbers[name] if name in numbers else self.text.get(name, empty) for name in COLUMNS}
        columns.update({name: self.text[name] for name in self.unknown_columns})
        return pd.DataFrame(columns, index=pd.Index(self.line, name="line"))
