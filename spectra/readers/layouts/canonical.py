"""Our own CSV: complete, so that it reads back to the identical sweep.

Specimen::

    # sweepmuster sweep 1
    # points: 1001
    # rbw_hz: 100000.0
    # detector: "rms"
    # captured_at: "2026-03-14T12:00:00+00:00"
    # traces: ["Max hold"]
    frequency_hz,level_dbm,trace_1
    950000000.0,-81.2,-77.0

Values after the colon are JSON; levels are in dBm, frequencies in Hz, both with as many digits as a double needs.
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from spectra.errors import SweepFormatError
from spectra.readers.dialect import Dialect, row_of
from spectra.readers.document import Document
from spectra.readers.source import Source
from spectra.readers.table import read_table
from spectra.sweep import Origin, Settings, Sweep

__all__ = ["FIRST_LINE", "SETTING_NAMES", "read_canonical", "sniff_canonical"]

FIRST_LINE = "# sweepmuster sweep 1"
SETTING_NAMES = (
    "rbw_hz",
    "vbw_hz",
    "detector",
    "averages",
    "trace_mode",
    "reference_level_dbm",
    "attenuation_db",
    "sweep_time_s",
)


def sniff_canonical(head: str) -> float:
    """Say whether a text is our own CSV."""
    return 1.0 if head.partition("\n")[0].strip() == FIRST_LINE else 0.0


def read_canonical(document: Document) -> Sweep:
    """Return the sweep of our own CSV."""
    source = document.source
    values, line, start = _header(document)
    names = ["level_dbm", *_names(values, source.file)]
    end = source.data.find(b"\n", start) + 1 or len(source.data)
    columns = source.data[start:end].decode("utf-8", "replace").strip().split(",")
    if len(columns) != len(names) + 1 or columns[:2] != ["frequency_hz", "level_dbm"]:
        raise _broken(source.file, line, f"columns {','.join(columns)[:60]!r}")
    dialect = Dialect(",", ".")
    first = source.data[end : source.data.find(b"\n", end) + 1 or len(source.data)].decode("utf-8", "replace")
    row = row_of(first.rstrip("\r\n"), dialect)
    if row.kinds != "N" * len(columns):
        raise _broken(source.file, line + 1, f"row {first.strip()[:60]!r}")
    table = read_table(source.data, end, line + 1, row, dialect, source.file)
    if values.get("points", table.rows) != table.rows:
        raise _broken(source.file, table.last_line, f"{table.rows} rows where {values['points']!r} points are stated")
    if source.data[table.end :].strip():
        raise _broken(source.file, table.last_line + 1, "a row that breaks off")
    return _made(source, values, table.columns, names, (table.first_line, table.last_line))


def _names(values: dict[str, Any], name: str) -> list[str]:
    names = values.get("traces", [])
    if not isinstance(names, list) or not all(isinstance(n, str) for n in names) or len(set(names)) != len(names):
        raise _broken(name, 1, "traces that are no list of names")
    return names


def _header(document: Document) -> tuple[dict[str, Any], int, int]:
    """Return the JSON values of the comment lines, and line and byte of the heading of the columns."""
    values: dict[str, Any] = {}
    data, at, line = document.source.data, 0, 0
    while at < len(data):
        line += 1
        end = data.find(b"\n", at) + 1 or len(data)
        text = data[at:end].decode("utf-8", "replace").strip()
        if not text.startswith("#"):
            return values, line, at
        at = end
        key, mark, value = text[1:].partition(":")
        if mark:
            try:
                values[key.strip()] = json.loads(value)
            except (ValueError, RecursionError) as problem:
                raise _broken(document.name, line, f"{text[:60]!r}") from problem
    raise _broken(document.name, line, "no rows")


def _broken(name: str, line: int, found: str) -> SweepFormatError:
    return SweepFormatError(
        name,
        line,
        found,
        "a sweep as Sweepmuster writes it",
        "Convert the raw file again; the raw file stays as it is.",
    )


def _made(source: Source, values: dict[str, Any], numbers: Any, names: list[str], lines: tuple[int, int]) -> Sweep:
    try:
        settings = {name: values.get(name) for name in SETTING_NAMES}
        for name, value in settings.items():
            if value is not None and not isinstance(value, str if name in ("detector", "trace_mode") else int | float):
                raise _broken(source.file, 1, f"{name} {value!r}")
        extra = values.get("extra", {})
        if not isinstance(extra, dict) or not all(isinstance(v, str) for v in extra.values()):
            raise _broken(source.file, 1, "extra settings that are no texts")
        captured = values.get("captured_at")
        told = {key: tuple(map(str, values.get(key, ()))) for key in ("assumptions", "warnings")}
        raw = values.get("file")
        origin = Origin(
            file=source.file,
            sha256=source.sha256,
            layout="sweepmuster-csv",
            lines=lines,
            captured_at=datetime.fromisoformat(captured) if captured else None,
            assumptions=tuple(dict.fromkeys([*told["assumptions"], *([f"converted from {raw}"] if raw else [])])),
            warnings=told["warnings"],
        )
        traces = {name: numbers[i + 2] for i, name in enumerate(names[1:])}
        return Sweep(numbers[0], numbers[1], Settings(**settings, extra=extra), origin, traces)
    except SweepFormatError as problem:
        if problem.source == source.file:
            raise
        raise _broken(source.file, 1, problem.found) from problem
    except (ValueError, TypeError) as problem:
        raise _broken(source.file, 1, str(problem)) from problem
