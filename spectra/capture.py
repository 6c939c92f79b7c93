"""Capture: sweeps with their context, and the context's sidecar file (``noon.csv.toml`` beside ``noon.csv``)."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, get_args

from spectra.errors import ContextError
from spectra.sweep import Sweep

__all__ = ["Capture", "Context", "context_from_mapping", "read_context", "sidecar_path"]

Port = Literal["co", "cross", "single"]
Role = Literal["normal", "off_satellite", "analyser_floor", "terminated", "baseline"]
Transmitter = Literal["on", "muted", "isolated"]

_CHOICES: dict[str, tuple[str, ...]] = {
    "port": get_args(Port),
    "role": get_args(Role),
    "transmitter": get_args(Transmitter),
}
_RANGES: dict[str, tuple[float, float]] = {
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 360.0),
    "heading_deg": (0.0, 360.0),
    "antenna_azimuth_deg": (-360.0, 360.0),
    "antenna_elevation_deg": (-10.0, 100.0),
    "antenna_skew_deg": (-180.0, 180.0),
}


@dataclass(frozen=True, slots=True)
class Context:
    """When, where, which port, which LO state was commanded; everything optional, unknown keys kept in `extra`."""

    captured_at: datetime | None = None
    clock_error_s: float | None = None
    vessel: str | None = None
    terminal: str | None = None
    lnb: str | None = None
    port: Port | None = None
    role: Role | None = None
    lo_state: str | None = None
    supply_v_measured: float | None = None
    tone_seen: bool | None = None
    expected_satellite: str | None = None
    expected_polarisation: str | None = None
    reported_network_id: str | None = None
    modem_es_n0_db: float | None = None
    modem_locked: bool | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    heading_deg: float | None = None
    antenna_azimuth_deg: float | None = None
    antenna_elevation_deg: float | None = None
    antenna_skew_deg: float | None = None
    transmitter: Transmitter | None = None
    weather: str | None = None
    lnb_temperature_c: float | None = None
    pads_db: float | None = None
    dc_block: bool | None = None
    antenna: str | None = None
    operator: str | None = None
    remark: str | None = None
    assumptions: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    def to_dict(self) -> dict[str, Any]:
        """Return every key of the contract, then the unknown ones."""
        known = {f.name: getattr(self, f.name) for f in dataclasses.fields(self) if f.name != "extra"}
        if self.captured_at is not None:
            known["captured_at"] = self.captured_at.isoformat()
        known["assumptions"] = list(self.assumptions)
        return {**known, **self.extra}

    def __reduce__(self) -> tuple[Any, ...]:
        values = [getattr(self, f.name) for f in dataclasses.fields(self) if f.name != "extra"]
        return type(self), (*values, dict(self.extra))


_TYPES: dict[str, str] = {f.name: str(f.type) for f in dataclasses.fields(Context)}


@dataclass(frozen=True, slots=True)
class Capture:
    """Sweeps swept as one (one, or the segments of one span) with their context."""

    sweeps: tuple[Sweep, ...]
    context: Context = field(default_factory=Context)
    name: str = ""


def sidecar_path(path: str | Path) -> Path:
    """Return where the context of a sweep file lives: its whole name plus ``.toml``."""
    path = Path(path)
    return path.with_name(path.name + ".toml")


def read_context(path: str | Path) -> Context:
    """Read a context file.

    Raises
    ------
    ContextError
        If the file is no TOML or a value does not fit its key.
    """
    path = Path(path)
    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise ContextError(
            str(path), None, f"text that is no TOML ({problem})", 'lines such as port = "co"', "Mend that line."
        ) from None
    except OSError as problem:
        raise ContextError(
            str(path), None, problem.strerror or str(problem), "a readable file", "Check the name and its permissions."
        ) from None
    return context_from_mapping(values, str(path))


def context_from_mapping(values: Mapping[str, Any], source: str) -> Context:
    """Check keys and values and return the context; unknown keys are kept.

    Raises
    ------
    ContextError
        If a value does not fit its key.
    """
    known: dict[str, Any] = {}
    extra: dict[str, Any] = {}
    assumptions: list[str] = []
    for key, value in values.items():
        if key in ("extra", "assumptions") or key not in _TYPES:
            extra[key] = value
        elif key == "captured_at":
            known[key] = _time(value, source, assumptions)
        else:
            known[key] = _value(key, value, source)
    return Context(**known, assumptions=tuple(assumptions), extra=MappingProxyType(extra))


def _time(value: object, source: str, assumptions: list[str]) -> datetime:
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            pass  # refused just below, with the text as found
    if not isinstance(value, datetime):
        raise ContextError(
            source, None, f"captured_at = {value!r}", "a time such as 2026-03-14T12:00:00Z (RFC 3339)", "Write it so."
        )
    if value.tzinfo is None:
        assumptions.append("captured_at has no zone: taken as UTC")
        return value.replace(tzinfo=UTC)
    return value


def _value(key: str, value: Any, source: str) -> Any:
    kind = _TYPES[key]

    def refuse(expected: str) -> ContextError:
        return ContextError(source, None, f"{key} = {value!r}", expected, "Mend that line or leave it out.")

    if key in _CHOICES:
        if value not in _CHOICES[key]:
            raise refuse("one of " + ", ".join(_CHOICES[key]))
        return value
    if kind.startswith("bool"):
        if not isinstance(value, bool):
            raise refuse("true or false")
        return value
    if kind.startswith("float"):
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(float(value)) < float("inf"):
            raise refuse("a number")
        low, high = _RANGES.get(key, (-float("inf"), float("inf")))
        if not low <= value <= high:
            raise refuse(f"a number from {low:g} to {high:g}")
        return float(value)
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise refuse("text")
    return str(value)
