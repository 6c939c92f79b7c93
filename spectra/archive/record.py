"""What goes into an archive for one entry of a visit, made ready before the database is touched."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra import __version__
from spectra.archive.curves import curves_of
from spectra.units import jsonable

if TYPE_CHECKING:
    from spectra.plan.chain import ReceiveChain
    from spectra.visit.analysis import CaptureReview
    from spectra.visit.visitfile import CaptureEntry

__all__ = [
    "LEVEL",
    "CaptureRecord",
    "EntryRecord",
    "RawFile",
    "ResultRecord",
    "canonical",
    "entry_key",
    "pack",
    "records_of",
    "result_of",
    "rfc3339",
    "unpack",
]

LEVEL = 4
"""Of zlib: the next one takes a third longer and saves a twentieth (measured on sweeps of 1001 points)."""
_SURE = ("confirmed", "probable", "contradicted")


@dataclass(frozen=True, slots=True)
class RawFile:
    """A raw file as it was; its name without the folder, and the SHA-256 of its bytes."""

    name: str
    data: bytes
    sha256: str = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sha256", hashlib.sha256(self.data).hexdigest())


@dataclass(frozen=True, slots=True)
class ResultRecord:
    """One result.

    `body` (as plain values, or packed by `spectra.archive.ready`) holds measurements, identification, findings and
    failures as the contracts have them, and the RF of every carrier as far as the LO state is sure; and the curves of
    every measurement (see `spectra.archive.curves`).
    """

    software: str
    made_at: str
    plan_sha256: str | None
    chain_sha256: str | None
    body: Any

    def key(self, capture_key: str) -> str:
        """Return the result's key: the same capture, plan, chain and software give the same result."""
        return _digest("result", capture_key, self.plan_sha256, self.chain_sha256, self.software)


@dataclass(frozen=True, slots=True)
class CaptureRecord:
    """One capture with its context, its raw files by position (plain or packed), and a result.

    `packed_context` is the context as it is stored, where a worker has packed it.
    """

    key: str
    raw_key: str
    entry: str
    number: int
    name: str
    captured_at: str | None
    vessel: str | None
    terminal: str | None
    context: dict[str, Any]
    raw: tuple[Any, ...]
    result: ResultRecord
    packed_context: bytes = b""


@dataclass(frozen=True, slots=True)
class EntryRecord:
    """The captures of one entry: they are stored together or not at all."""

    key: str
    captures: tuple[CaptureRecord, ...]


def canonical(value: Any) -> str:
    """Return JSON that is the same for the same content: keys sorted, nothing that is no number."""
    return _dumped(jsonable(value))


def _dumped(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def pack(value: Any) -> bytes:
    """Return plain values (see `jsonable`) as compressed canonical JSON."""
    return zlib.compress(_dumped(value).encode("utf-8"), LEVEL)


def unpack(data: bytes) -> Any:
    """Return what `pack` packed."""
    return json.loads(zlib.decompress(data))


def rfc3339(moment: datetime | None) -> str | None:
    """Return a time in UTC with a fixed number of digits, so that times sort as text."""
    return None if moment is None else moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _digest(*parts: Any) -> str:
    return hashlib.sha256(canonical(parts).encode("utf-8")).hexdigest()


def entry_key(hashes: Sequence[str], context: Mapping[str, Any], reading: Sequence[Mapping[str, Any]]) -> str:
    """Return what tells one entry from another: the bytes of its files, and what was said of them."""
    return _digest("entry", list(hashes), _plain(context), [dict(options) for options in reading])


def _plain(context: Mapping[str, Any]) -> dict[str, Any]:
    """Return a context as JSON can hold it; what it cannot, as text."""
    return {
        key: value if isinstance(value, str | int | float | bool | list | None.__class__) else str(value)
        for key, value in context.items()
        if value is not None
    }


def records_of(
    entry: CaptureEntry,
    reviews: Sequence[CaptureReview],
    *,
    plan_sha256: str | None,
    chain: ReceiveChain | None,
    made_at: datetime,
) -> EntryRecord:
    """Return the record of one entry's captures; the raw files are read once more, as they are now."""
    raw = tuple(RawFile(path.name, Path(path).read_bytes()) for path in entry.files)
    hashes = [file.sha256 for file in raw]
    first = reviews[0].source
    key = entry_key(hashes, first.context.to_dict(), first.reading)
    captures = []
    for review in reviews:
        source = review.source
        captures.append(
            CaptureRecord(
                key=_digest("capture", key, source.number),
                raw_key=_digest("raw", hashes, source.number),
                entry=key,
                number=source.number,
                name=source.name,
                captured_at=rfc3339(source.captured_at),
                vessel=source.context.vessel,
                terminal=source.context.terminal,
                context={
                    "context": _plain(source.context.to_dict()),
                    "reading": [dict(options) for options in source.reading],
                    "sweeps": len(source.capture.sweeps),
                },
                raw=raw,
                result=result_of(review, plan_sha256=plan_sha256, chain=chain, made_at=made_at),
            )
        )
    return EntryRecord(key, tuple(captures))


def result_of(
    review: CaptureReview, *, plan_sha256: str | None, chain: ReceiveChain | None, made_at: datetime
) -> ResultRecord:
    """Return a review as a result; paths in it are cut to file names, which alone mean something elsewhere."""
    measurements = [_plain_but(measurement.to_dict(), "carriers", "findings") for measurement in review.measurements]
    for measurement in measurements:
        measurement["sweep"]["file"] = _name(measurement["sweep"]["file"])
    identification = None
    if review.identification is not None:
        plain = ("candidates", "roll_call", "unlisted", "findings", "next_sweeps")
        identification = _plain_but(review.identification.to_dict(), *plain)
        identification["sweeps"] = [_name(file) for file in identification["sweeps"]]
        identification["table"]["file"] = _name(identification["table"]["file"])
    body = {
        "measurements": measurements,
        "identification": identification,
        "findings": [finding.to_dict() for finding in review.findings],
        "failed": [jsonable({**problem.to_dict(), "file": _name(problem.source)}) for problem in review.failed],
        "rf_hz": jsonable(_rf(review, chain)),
        "curves": [curves_of(measurement) for measurement in review.measurements],
    }
    return ResultRecord(
        __version__,
        rfc3339(made_at) or "",
        plan_sha256,
        None if chain is None else chain.sha256,
        body,
    )


def _plain_but(value: Mapping[str, Any], *plain: str) -> dict[str, Any]:
    """Return a mapping as plain values; those of the keys `plain`, nearly all there is, are so already."""
    return {key: item if key in plain else jsonable(item) for key, item in value.items()}


def _rf(review: CaptureReview, chain: ReceiveChain | None) -> tuple[float | None, ...]:
    """Return the RF of every carrier, corrected by the fitted IF offset; None where the LO state is not sure."""
    centres = [carrier.centre_hz for measurement in review.measurements for carrier in measurement.carriers]
    found = review.identification
    state = None
    if found is not None and found.verdict in _SURE and chain is not None:
        state = next((s for s in chain.lo_states if s.name == found.best.lo_state), None)
    if state is None or found is None:
        return (None,) * len(centres)
    return tuple(float(state.rf_from_if(centre - (found.best.if_offset_hz or 0.0))) for centre in centres)


def _name(file: str) -> str:
    return file.replace("\\", "/").rpartition("/")[2]
