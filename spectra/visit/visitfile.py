"""``visit.toml``: what was asked, which table and chain, the acceptance limits, which file is what.

::

    [visit]
    title = "Commissioning of terminal A"
    asked = "Is terminal A ready for the operator's line-up?"
    vessel = "Example Bay"
    table = "carriers.csv"
    chain = "chain.toml"
    expected_satellite = "Example 1"
    expected_polarisation = "V"

    [acceptance]
    verdict = "confirmed"
    lo_error_max_khz = 1000
    isolation_min_db = 25

    [[capture]]
    file = "noon.csv"            # or files = ["noon_a.csv", "noon_b.csv"], segments swept as one
    port = "co"                  # any key of a capture's context, and any option of its reading:
    rbw_hz = 100000              # for what the file does not say
    stage = "as_left"            # as_found, work, as_left

    [[attachment]]
    file = "radome.jpg"
    caption = "Radome after cleaning"
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from spectra.capture import context_from_mapping
from spectra.errors import VisitError
from spectra.visit.visit import STAGES, Attachment, Limits, VisitHead

__all__ = ["NAME", "CaptureEntry", "VisitFile", "read_visit_file"]

NAME = "visit.toml"
_VERDICTS = ("confirmed", "probable")
_HEAD_KEYS = tuple(name for name in VisitHead.__dataclass_fields__ if name != "extra")
# key in the file: (field of Limits, factor to the inner unit)
_LIMITS = {
    "lo_error_max_khz": ("lo_error_max_hz", 1e3),
    "isolation_min_db": ("isolation_min_db", 1.0),
    "floor_tilt_max_db": ("floor_tilt_max_db", 1.0),
    "service_cn_min_db": ("service_cn_min_db", 1.0),
}


@dataclass(frozen=True, slots=True)
class CaptureEntry:
    """One ``[[capture]]``: its files, and what it says of their context."""

    files: tuple[Path, ...]
    context: Mapping[str, Any]

    def __reduce__(self) -> tuple[Any, ...]:
        # a mapping proxy does not pickle; workers need entries that do
        return type(self), (self.files, dict(self.context))


@dataclass(frozen=True, slots=True)
class VisitFile:
    """What ``visit.toml`` says; paths are absolute."""

    head: VisitHead = field(default_factory=VisitHead)
    table: Path | None = None
    chain: Path | None = None
    limits: Limits = field(default_factory=Limits)
    captures: tuple[CaptureEntry, ...] = ()
    attachments: tuple[Attachment, ...] = ()


def read_visit_file(path: Path) -> VisitFile:
    """Read ``visit.toml``.

    Raises
    ------
    VisitError
        If it is no TOML, names a file that is not there, or holds a value or a limit that makes no sense.
    """
    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise VisitError(
            str(path), None, f"text that is no TOML ({problem})", 'lines such as vessel = "..."', "Mend that line."
        ) from None
    except OSError as problem:
        raise VisitError(
            str(path), None, problem.strerror or str(problem), "a readable file", "Check its permissions."
        ) from None
    _only(values, ("visit", "acceptance", "capture", "attachment"), path, "a section")
    visit = _section(values, "visit", path)
    head = {key: _text(visit[key], key, path) for key in _HEAD_KEYS if key in visit}
    extra = {key: item for key, item in visit.items() if key not in (*_HEAD_KEYS, "table", "chain")}
    return VisitFile(
        head=VisitHead(**head, extra=MappingProxyType(extra)),
        table=_file(visit["table"], path) if "table" in visit else None,
        chain=_file(visit["chain"], path) if "chain" in visit else None,
        limits=_limits(_section(values, "acceptance", path), path) if "acceptance" in values else Limits(),
        captures=tuple(_capture(entry, path) for entry in _list(values, "capture", path)),
        attachments=tuple(_attachment(entry, path) for entry in _list(values, "attachment", path)),
    )


def _refuse(path: Path, found: str, expected: str, mend: str = "Mend that line or leave it out.") -> VisitError:
    return VisitError(str(path), None, found, expected, mend)


def _only(values: Mapping[str, Any], known: tuple[str, ...], path: Path, what: str) -> None:
    for key in values:
        if key not in known:
            raise _refuse(path, f"{what} named {key!r}", "one of " + ", ".join(known), "Check how it is written.")


def _section(values: Mapping[str, Any], name: str, path: Path) -> Mapping[str, Any]:
    section = values.get(name, {})
    if not isinstance(section, dict):
        raise _refuse(path, f"{name} = {section!r}", f"a section [{name}]")
    return section


def _list(values: Mapping[str, Any], name: str, path: Path) -> list[dict[str, Any]]:
    entries = values.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise _refuse(path, f"{name} that is no list of sections", f"sections [[{name}]]", "Write double brackets.")
    return entries


def _text(value: Any, key: str, path: Path) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise _refuse(path, f"{key} = {value!r}", "text")
    return str(value)


def _file(value: Any, path: Path) -> Path:
    if not isinstance(value, str):
        raise _refuse(path, f"file {value!r}", "a file name in quotes")
    # a stick written on Windows may say sub\noon.csv
    found = path.parent / value
    if not found.exists() and "\\" in value:
        found = path.parent / value.replace("\\", "/")
    if not found.is_file():
        raise _refuse(path, f"file {value!r}, which is not there", "a file in the folder", "Check how it is written.")
    return found


def _limits(section: Mapping[str, Any], path: Path) -> Limits:
    _only(section, ("verdict", "faults_max", *_LIMITS), path, "a limit")
    chosen: dict[str, Any] = {"stated": True}
    if "verdict" in section:
        if section["verdict"] not in _VERDICTS:
            raise _refuse(path, f"verdict = {section['verdict']!r}", "one of " + ", ".join(_VERDICTS))
        chosen["verdict"] = section["verdict"]
    if "faults_max" in section:
        count = section["faults_max"]
        if isinstance(count, bool) or not isinstance(count, int) or count < 0:
            raise _refuse(path, f"faults_max = {count!r}", "0 or a small whole number")
        chosen["faults_max"] = count
    for key, (name, factor) in _LIMITS.items():
        if key not in section:
            continue
        value = section[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value < float("inf"):
            raise _refuse(path, f"{key} = {value!r}", "a number, not negative")
        chosen[name] = float(value) * factor
    return Limits(**chosen)


def _capture(entry: dict[str, Any], path: Path) -> CaptureEntry:
    names = entry.get("files", entry.get("file"))
    if isinstance(names, str):
        names = [names]
    if not isinstance(names, list) or not names or ("file" in entry and "files" in entry):
        raise _refuse(path, "a [[capture]] without its file", 'file = "noon.csv", or files = ["a.csv", "b.csv"]')
    context = {key: value for key, value in entry.items() if key not in ("file", "files")}
    context_from_mapping(context, str(path))  # refuses what does not fit, with the key
    if "stage" in context and context["stage"] not in STAGES:
        raise _refuse(path, f"stage = {context['stage']!r}", "one of " + ", ".join(STAGES))
    return CaptureEntry(tuple(_file(name, path) for name in names), MappingProxyType(context))


def _attachment(entry: dict[str, Any], path: Path) -> Attachment:
    _only(entry, ("file", "caption"), path, "a key of [[attachment]]")
    if "file" not in entry:
        raise _refuse(path, "an [[attachment]] without its file", 'file = "photo.jpg"')
    return Attachment(_file(entry["file"], path), _text(entry.get("caption", ""), "caption", path))
