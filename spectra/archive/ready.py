"""Records made ready in a worker process: packed, with their search rows, so that one process can store what many make.

Packing takes longer than storing does, and a packed record is a small thing to send.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from spectra.archive.record import LEVEL, EntryRecord, RawFile, pack

__all__ = ["PackedBody", "PackedFile", "body_of", "file_of", "packed_entry", "search_rows"]

Rows = list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class PackedFile:
    """A raw file as it is stored: compressed, with the hash and size of what was compressed."""

    name: str
    sha256: str
    size: int
    data: bytes


@dataclass(frozen=True, slots=True)
class PackedBody:
    """A result's body as it is stored, and what it puts into the capture's columns, the finding and carrier rows."""

    data: bytes
    summary: dict[str, Any]
    findings: Rows
    carriers: Rows


def file_of(file: RawFile | PackedFile) -> PackedFile:
    """Return a raw file as it is stored."""
    if isinstance(file, PackedFile):
        return file
    return PackedFile(file.name, file.sha256, len(file.data), zlib.compress(file.data, LEVEL))


def body_of(body: Mapping[str, Any] | PackedBody) -> PackedBody:
    """Return a result's body as it is stored."""
    return body if isinstance(body, PackedBody) else PackedBody(pack(body), *search_rows(body))


def packed_entry(record: EntryRecord) -> EntryRecord:
    """Return an entry with raw files and results packed."""
    files = {file: file_of(file) for capture in record.captures for file in capture.raw}
    return replace(
        record,
        captures=tuple(
            replace(
                capture,
                raw=tuple(files[file] for file in capture.raw),
                packed_context=pack(capture.context),
                result=replace(capture.result, body=body_of(capture.result.body)),
            )
            for capture in record.captures
        ),
    )


def search_rows(
    body: Mapping[str, Any],
) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    """Return what a result puts into the capture's columns, the finding rows and the carrier rows."""
    found = body["identification"]
    named = {} if found is None else found
    findings = [
        {"position": k, **{name: f[name] for name in ("code", "severity", "answer")}}
        for k, f in enumerate(body["findings"])
    ]
    rows = _rows_by_carrier(named.get("roll_call", ()))
    carriers: list[dict[str, Any]] = []
    for sweep, measurement in enumerate(body["measurements"]):
        for number, carrier in enumerate(measurement["carriers"]):
            position = len(carriers)
            rf = body["rf_hz"][position] if position < len(body["rf_hz"]) else None
            values = {name: carrier[name] for name in ("kind", "centre_hz", "symbol_rate_bd", "cn_db")}
            carriers.append({"position": position, **values, "rf_hz": rf, "row": rows.get((sweep, number))})
    told_faults = [f for f in findings if f["answer"] == "yes"]
    summary = {
        **{name: named.get(name) for name in ("verdict", "satellite", "polarisation", "lo_state")},
        **{name: named.get(name) for name in ("lo_error_hz", "lo_error_std_hz")},
        "carriers": len(carriers),
        "faults": sum(f["severity"] == "fault" for f in told_faults),
        "warnings": sum(f["severity"] == "warning" for f in told_faults),
    }
    return summary, findings, carriers


def _rows_by_carrier(roll_call: Iterable[Mapping[str, Any]]) -> dict[tuple[int, int], int]:
    return {
        (entry["sweep"], entry["carrier"]): entry["row"]
        for entry in roll_call
        if entry["status"] == "present" and entry["carrier"] is not None
    }
