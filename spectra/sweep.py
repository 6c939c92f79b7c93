"""Sweep: one trace saved by an analyser, with its settings and where it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from spectra.errors import SweepFormatError
from spectra.units import FloatArray, counted

__all__ = ["DETECTORS", "TRACE_MODES", "Detector", "Origin", "Settings", "Sweep", "TraceMode", "rises", "settle"]

Detector = Literal["rms", "sample", "log_average", "voltage_average", "peak", "negative_peak", "normal"]
TraceMode = Literal["clear_write", "average", "max_hold", "min_hold"]
DETECTORS: tuple[str, ...] = get_args(Detector)
TRACE_MODES: tuple[str, ...] = get_args(TraceMode)

_EMPTY: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Settings:
    """What the file says of the analyser's settings; None where it does not say.

    `averages` is the count of sweeps averaged, not the readings per point.
    `extra` keeps preamble entries that nobody understood, as text, in file order.
    """

    rbw_hz: float | None = None
    vbw_hz: float | None = None
    detector: Detector | None = None
    averages: int | None = None
    trace_mode: TraceMode | None = None
    reference_level_dbm: float | None = None
    attenuation_db: float | None = None
    sweep_time_s: float | None = None
    extra: Mapping[str, str] = field(default_factory=lambda: _EMPTY)

    def __post_init__(self) -> None:
        for name in ("rbw_hz", "vbw_hz", "sweep_time_s"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value > 0.0):
                raise SweepFormatError("settings", None, f"{name} {value!r}", "a positive number", "State it again.")
        if self.detector is not None and self.detector not in DETECTORS:
            raise SweepFormatError(
                "settings", None, f"detector {self.detector!r}", f"one of {', '.join(DETECTORS)}", "State one of these."
            )
        if self.trace_mode is not None and self.trace_mode not in TRACE_MODES:
            raise SweepFormatError(
                "settings", None, f"trace mode {self.trace_mode!r}", f"one of {', '.join(TRACE_MODES)}", "State one."
            )
        if self.averages is not None and self.averages < 1:
            raise SweepFormatError("settings", None, f"averages {self.averages!r}", "1 or more", "State it again.")
        object.__setattr__(self, "extra", MappingProxyType(dict(self.extra)))

    def __reduce__(self) -> tuple[Any, ...]:
        # a mapping proxy does not pickle; worker processes need settings that do
        return (
            type(self),
            (
                self.rbw_hz,
                self.vbw_hz,
                self.detector,
                self.averages,
                self.trace_mode,
                self.reference_level_dbm,
                self.attenuation_db,
                self.sweep_time_s,
                dict(self.extra),
            ),
        )


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a sweep came from and what had to be assumed to read it.

    `file` is the name as the user gave it, `sha256` that of the file's bytes (empty for a sweep made in memory),
    `lines` the first and last 1-based line of trace data, `captured_at` has a zone.
    """

    file: str = "(memory)"
    sha256: str = ""
    layout: str = "arrays"
    lines: tuple[int, int] | None = None
    captured_at: datetime | None = None
    assumptions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.captured_at is not None and self.captured_at.tzinfo is None:
            raise ValueError("captured_at needs a time zone")


def _own(values: npt.ArrayLike) -> FloatArray:
    """Return values as a read-only array that nobody else writes to: a copy, unless nobody can."""
    if isinstance(values, np.ndarray) and _settled(values):
        return values
    own = np.array(values, dtype=np.float64)
    own.setflags(write=False)
    return own


def _settled(array: npt.NDArray[Any]) -> bool:
    """Say whether an array is as we keep it, and read-only down to the memory in which it lies."""
    if type(array) is not np.ndarray or array.dtype != np.float64 or not array.flags.c_contiguous:
        return False
    part: Any = array
    while type(part) is np.ndarray and not part.flags.writeable:
        part = part.base
    return part is None


_BLOCK = 1 << 15


def rises(values: FloatArray) -> bool:
    """Say whether values, shape (n,), rise strictly; looked at piece by piece, which spares large temporaries."""
    return all(
        bool((values[at + 1 : at + 1 + _BLOCK] > values[at : at + _BLOCK][: values.size - 1 - at]).all())
        for at in range(0, values.size - 1, _BLOCK)
    )


def _finite(values: FloatArray) -> bool:
    return all(bool(np.isfinite(values[at : at + _BLOCK]).all()) for at in range(0, values.size, _BLOCK))


def settle(array: FloatArray) -> FloatArray:
    """Make an array read-only down to the memory in which it lies, so that a `Sweep` keeps it without a copy.

    Only for whoever made the array: all views of it become read-only too.
    """
    part: Any = array
    while isinstance(part, np.ndarray):
        part.setflags(write=False)
        part = part.base
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """One trace: float64 arrays of shape (n,), n >= 2, frequency strictly rising, read-only.

    Attributes
    ----------
    frequency_hz, level_dbm : ndarray, shape (n,)
    settings : Settings
    origin : Origin
    traces : mapping of str to ndarray, shape (n,)
        Other traces of the same file by name, in dBm.

    Raises
    ------
    SweepFormatError
        If the arrays do not make a trace.
    """

    frequency_hz: FloatArray
    level_dbm: FloatArray
    settings: Settings = field(default_factory=Settings)
    origin: Origin = field(default_factory=Origin)
    traces: Mapping[str, FloatArray] = field(default_factory=lambda: _EMPTY)

    def __post_init__(self) -> None:
        frequency_hz, level_dbm = _own(self.frequency_hz), _own(self.level_dbm)
        self._check(frequency_hz, level_dbm)
        traces = {name: _own(level) for name, level in self.traces.items()}
        for name, level in traces.items():
            if level.shape != frequency_hz.shape:
                self._refuse(f"trace {name!r} of {level.size} points", f"{frequency_hz.size} points")
        object.__setattr__(self, "frequency_hz", frequency_hz)
        object.__setattr__(self, "level_dbm", level_dbm)
        object.__setattr__(self, "traces", MappingProxyType(traces))

    def _refuse(self, found: str, expected: str, mend: str = "Save the trace again.") -> None:
        raise SweepFormatError(self.origin.file, None, found, expected, mend)

    def _check(self, frequency_hz: FloatArray, level_dbm: FloatArray) -> None:
        if frequency_hz.ndim != 1 or level_dbm.shape != frequency_hz.shape:
            self._refuse(f"arrays of shape {frequency_hz.shape} and {level_dbm.shape}", "two rows of equal length")
        if frequency_hz.size < 2:
            self._refuse(counted(frequency_hz.size, "point"), "at least 2 points")
        rising = rises(frequency_hz)
        ends_finite = np.isfinite(frequency_hz[0]) and np.isfinite(frequency_hz[-1])  # then so is what rises between
        if not ((ends_finite if rising else _finite(frequency_hz)) and _finite(level_dbm)):
            self._refuse("a value that is no finite number", "finite frequencies and levels")
        if not rising:
            self._refuse("frequencies that do not rise", "strictly rising frequencies")

    @classmethod
    def from_arrays(
        cls,
        frequency_hz: npt.ArrayLike,
        level_dbm: npt.ArrayLike,
        rbw_hz: float | None = None,
        vbw_hz: float | None = None,
        detector: Detector | None = None,
        averages: int | None = None,
    ) -> Sweep:
        """Make a sweep in memory; settings that are not stated stay unknown."""
        settings = Settings(rbw_hz=rbw_hz, vbw_hz=vbw_hz, detector=detector, averages=averages)
        return cls(np.asarray(frequency_hz, float), np.asarray(level_dbm, float), settings)

    @property
    def points(self) -> int:
        """Number of trace points."""
        return int(self.frequency_hz.size)

    @property
    def start_hz(self) -> float:
        """First frequency."""
        return float(self.frequency_hz[0])

    @property
    def stop_hz(self) -> float:
        """Last frequency."""
        return float(self.frequency_hz[-1])

    @property
    def spacing_hz(self) -> float:
        """Mean distance of neighbouring points."""
        return (self.stop_hz - self.start_hz) / (self.points - 1)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sweep):
            return NotImplemented
        return (
            np.array_equal(self.frequency_hz, other.frequency_hz)
            and np.array_equal(self.level_dbm, other.level_dbm)
            and self.settings == other.settings
            and self.origin == other.origin
            and self.traces.keys() == other.traces.keys()
            and all(np.array_equal(level, other.traces[name]) for name, level in self.traces.items())
        )

    __hash__ = None  # type: ignore[assignment]  # equality by content of arrays: not hashable

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.frequency_hz, self.level_dbm, self.settings, self.origin, dict(self.traces))

    def to_dict(self) -> dict[str, Any]:
        """Return the head of the sweep (no arrays) under the keys of the measurement contract."""
        return {
            "file": self.origin.file,
            "sha256": self.origin.sha256 or None,
            "points": self.points,
            "start_hz": self.start_hz,
            "stop_hz": self.stop_hz,
            "rbw_hz": self.settings.rbw_hz,
            "vbw_hz": self.settings.vbw_hz,
            "detector": self.settings.detector,
            "averages": self.settings.averages,
            "layout": self.origin.layout,
            "captured_at": None if self.origin.captured_at is None else self.origin.captured_at.isoformat(),
            "assumptions": list(self.origin.assumptions),
        }
