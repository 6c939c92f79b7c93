"""Capture: sweeps with their context, and the context's sidecar file (``noon.csv.toml`` beside ``noon.csv``)."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, get_args

from spectra.atomic import replace_file
from spectra.errors import ContextError
from spectra.sweep import Sweep

__all__ = ["Capture", "Context", "context_from_mapping", "read_context", "sidecar_path", "write_context"]

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
        with contextlib.suppress(ValueError):  # refused just below, with the text as found
            value = datetime.fromisoformat(value)
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


def write_context(context: Context, path: str | Path) -> None:
    """Write a context as TOML, whole or not at all; what is not known is left out, unknown keys are written back.

    Parameters
    ----------
    context : Context
    path : str or Path
        The sidecar itself (see `sidecar_path`), replaced if it exists.

    Raises
    ------
    ContextError
        If a value has no form in TOML, or the file cannot be written.
    """
    path = Path(path)
    values = {f.name: getattr(context, f.name) for f in dataclasses.fields(context)}
    extra = values.pop("extra")
    values.pop("assumptions")  # of the reading, not of the file
    lines = [f"{_toml_key(key)} = {_toml(key, value, path.name)}" for key, value in values.items() if value is not None]
    tables = [(key, value) for key, value in extra.items() if isinstance(value, Mapping)]
    lines += [
        f"{_toml_key(key)} = {_toml(key, value, path.name)}"
        for key, value in extra.items()
        if not isinstance(value, Mapping) and value is not None
    ]
    for key, table in tables:
        lines.append(f"\n[{_toml_key(key)}]")
        lines += [f"{_toml_key(k)} = {_toml(k, v, path.name)}" for k, v in table.items() if v is not None]
    try:
        replace_file(path, ("\n".join(lines) + "\n").encode("utf-8"))
    except OSError as problem:
        raise ContextError(
            path.name,
            None,
            f"a place that cannot be written ({problem.strerror})",
            "a folder with room",
            "Choose another.",
        ) from problem


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _toml_text(key)


def _toml_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")  # DEL alone JSON leaves as it is


def _toml(key: str, value: Any, source: str) -> str:
    """Return a value in TOML's own words."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)  # TOML writes inf and nan as Python does
    if isinstance(value, str):
        return _toml_text(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(key, item, source) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_toml_key(str(k))} = {_toml(key, v, source)}" for k, v in value.items()) + "}"
    raise ContextError(source, None, f"{key} = {value!r}", "text, number, true or false, time", "Leave it out.")
