"""Measurement: the carriers and the floor of one sweep, each number with its standard uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from spectra.finding import Finding
from spectra.sweep import Sweep
from spectra.units import FloatArray, jsonable

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["CARRIER_FLAGS", "CARRIER_KINDS", "SCHEMA", "Carrier", "CarrierKind", "Floor", "Measurement"]

SCHEMA = "sweepmuster/measurement/1"

CarrierKind = Literal["modulated", "cw", "other", "unresolved"]
CARRIER_KINDS: tuple[str, ...] = get_args(CarrierKind)
CARRIER_FLAGS = ("shares_edge", "cut_by_span", "below_resolution", "floor_not_seen", "response", "misfit")


@dataclass(frozen=True, slots=True)
class Carrier:
    """A signal found in a sweep. What could not be had is None, never 0, never NaN.

    C/N is over the floor seen in the gaps, in a noise bandwidth equal to the symbol rate; it lacks the noise that
    arrives inside the transponder and is therefore an upper limit of what a demodulator reports.
    `interval95` holds ``name: (low, high)`` for quantities whose interval is not symmetric.

    A carrier of kind `other` is no raised cosine: it has no symbol rate, its centre is the centroid of its power and
    its C/N is in a noise bandwidth equal to its occupied bandwidth. The flag `response` tells that a carrier was
    measured as a raised cosine seen through a transponder's response, which swings by `response_db` peak to peak over
    nine tenths of its width: symbol rate and roll-off are the raised cosine's, bandwidths and C/N those of the carrier
    as received. The flag `misfit` tells that the shape of a `modulated` carrier departs from a raised cosine beyond
    that, and that its uncertainties were raised. `roll_off_weights` are the posterior weights of the standard
    roll-offs, given that it is one of them. `parts` says, for the budget and not in the JSON, how much of a standard
    uncertainty is due to what.
    """

    kind: CarrierKind
    centre_hz: float
    centre_std_hz: float | None = None
    symbol_rate_bd: float | None = None
    symbol_rate_std_bd: float | None = None
    roll_off: float | None = None
    roll_off_std: float | None = None
    occupied_bandwidth_hz: float | None = None
    occupied_bandwidth_std_hz: float | None = None
    x_db: float | None = None
    x_db_bandwidth_hz: float | None = None
    x_db_bandwidth_std_hz: float | None = None
    power_dbm: float | None = None
    power_std_db: float | None = None
    cn_db: float | None = None
    cn_std_db: float | None = None
    cn_lower_bound_db: float | None = None
    cn0_dbhz: float | None = None
    cn0_std_db: float | None = None
    es_n0_db: float | None = None
    es_n0_std_db: float | None = None
    interval95: Mapping[str, tuple[float, float]] = field(default_factory=lambda: MappingProxyType({}))
    false_alarm_probability: float | None = None
    flags: tuple[str, ...] = ()
    roll_off_weights: Mapping[str, float] | None = None
    response_db: float | None = None
    parts: Mapping[str, Mapping[str, float]] | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        if self.kind not in CARRIER_KINDS:
            raise ValueError(f"carrier kind {self.kind!r} is none of {CARRIER_KINDS}")
        unknown = [flag for flag in self.flags if flag not in CARRIER_FLAGS]
        if unknown:
            raise ValueError(f"carrier flags {unknown} are none of {CARRIER_FLAGS}")
        object.__setattr__(self, "interval95", MappingProxyType(dict(self.interval95)))
        if self.roll_off_weights is not None:
            object.__setattr__(self, "roll_off_weights", MappingProxyType(dict(self.roll_off_weights)))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), tuple(self._plain().values())

    def _plain(self) -> dict[str, Any]:
        """Return all values by name, views of mappings as what they show."""
        values = dict(zip(_CARRIER_KEYS, _values_of(self), strict=True))
        values["interval95"] = dict(self.interval95)
        if self.roll_off_weights is not None:
            values["roll_off_weights"] = dict(self.roll_off_weights)
        return values

    @property
    def width_hz(self) -> float:
        """Width the carrier takes in the spectrum: occupied, else x-dB bandwidth, else 0."""
        return self.occupied_bandwidth_hz or self.x_db_bandwidth_hz or 0.0

    def to_dict(self) -> dict[str, Any]:
        """Return the carrier under the keys of the contract, every key always there."""
        values = self._plain()
        del values["parts"]
        value: dict[str, Any] = jsonable(values)
        return value


_CARRIER_KEYS: tuple[str, ...] = tuple(Carrier.__dataclass_fields__)
_values_of = attrgetter(*_CARRIER_KEYS)


@dataclass(frozen=True, slots=True, eq=False)
class Floor:
    """The noise under the carriers.

    Attributes
    ----------
    median_dbm : float
        Median over the span, as power in the RBW's noise bandwidth (detector bias removed).
    density_dbm_hz : float or None
        The same per hertz; None where the RBW is not known.
    density_std_db : float or None
        Standard uncertainty of the median floor, in dB.
    tilt_db : float
        Floor at stop minus floor at start.
    level_dbm, std_db : ndarray, shape (n,)
        Floor and its standard uncertainty at every point of the sweep.
    observed : ndarray of bool, shape (n,)
        False where no gap near by shows the floor.
    """

    median_dbm: float
    density_dbm_hz: float | None
    density_std_db: float | None
    tilt_db: float
    level_dbm: FloatArray
    std_db: FloatArray
    observed: NDArray[np.bool_]

    def to_dict(self) -> dict[str, Any]:
        """Return the summary under the keys of the contract."""
        value: dict[str, Any] = jsonable(
            {
                "median_dbm": self.median_dbm,
                "density_dbm_hz": self.density_dbm_hz,
                "density_std_db": self.density_std_db,
                "tilt_db": self.tilt_db,
            }
        )
        return value


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """What one sweep shows.

    Attributes
    ----------
    sweep : Sweep
    floor : Floor
    carriers : tuple of Carrier
        By rising centre frequency.
    readings_per_point, readings_std : float or None
        Independent readings that one point holds, estimated from the trace's own scatter (the header is a prior).
    correlated_points : float
        How many neighbouring points share their noise (1 = independent points).
    model_dbm : ndarray, shape (n,)
        Floor and fitted carriers together, as the detector shows them (comparable with `sweep.level_dbm`).
    findings : tuple of Finding
        What the sweep alone tells of its quality.
    false_alarms_per_sweep : float
        The rate asked for.
    analyser_noise : mapping, optional
        What was taken off (`spectra.measure.analyser.without_analyser_noise`).
    """

    sweep: Sweep
    floor: Floor
    carriers: tuple[Carrier, ...]
    readings_per_point: float | None
    readings_std: float | None
    correlated_points: float
    model_dbm: FloatArray
    findings: tuple[Finding, ...] = ()
    false_alarms_per_sweep: float = 0.01
    analyser_noise: Mapping[str, Any] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the measurement under the keys of the contract (`sweepmuster/measurement/1`)."""
        head = self.sweep.to_dict()
        head["readings_per_point"] = jsonable(self.readings_per_point)
        head["readings_std"] = jsonable(self.readings_std)
        more = {} if self.analyser_noise is None else {"analyser_noise": jsonable(dict(self.analyser_noise))}
        return {
            "schema": SCHEMA,
            "sweep": head,
            "floor": self.floor.to_dict(),
            "carriers": [carrier.to_dict() for carrier in self.carriers],
            "findings": [finding.to_dict() for finding in self.findings],
            **more,
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the carriers as a table, one row each."""
        import pandas as pd

        columns = [name for name in _CARRIER_KEYS if name not in ("interval95", "flags", "roll_off_weights", "parts")]
        frame = pd.DataFrame([{name: getattr(c, name) for name in columns} for c in self.carriers], columns=columns)
        frame["flags"] = [" ".join(c.flags) for c in self.carriers]
        return frame
