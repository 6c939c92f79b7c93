"""Inspection: how a file was understood, line by line, for a person to check."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spectra.errors import SpectraError
from spectra.readers.document import Document
from spectra.readers.face import read_document
from spectra.readers.options import Options
from spectra.readers.preamble import Entry
from spectra.readers.source import open_sources
from spectra.sweep import Sweep
from spectra.units import jsonable

__all__ = ["Inspection", "LineUse", "inspect_file"]


@dataclass(frozen=True, slots=True)
class LineUse:
    """One line of the file and what became of it.

    `setting` is the setting that it gave (``rbw``, ``start``, ...), or None where nobody understood it; `value` is
    the text of the value as it stands.
    """

    line: int
    text: str
    setting: str | None
    value: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """What was understood of a file.

    Attributes
    ----------
    file, sha256, encoding : str
    layout : str
        Name of the layout that read it.
    certainty : float
        How sure the layout was of the file, 0 to 1.
    used, ignored : tuple of LineUse
        Lines that gave a setting or a name, and lines that did not.
    assumed, warnings : tuple of str
    sweeps : tuple of Sweep
    error : SpectraError or None
        Why there are no sweeps, if there are none.
    """

    file: str
    sha256: str
    encoding: str
    layout: str
    certainty: float
    used: tuple[LineUse, ...]
    ignored: tuple[LineUse, ...]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]
    sweeps: tuple[Sweep, ...]
    error: SpectraError | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the arrays, ready for JSON."""
        value: dict[str, Any] = jsonable(
            {
                "schema": "sweepmuster/inspection/1",
                "file": self.file,
                "sha256": self.sha256,
                "encoding": self.encoding,
                "layout": self.layout,
                "certainty": self.certainty,
                "used": [_line(use) for use in self.used],
                "ignored": [_line(use) for use in self.ignored],
                "assumed": list(self.assumed),
                "warnings": list(self.warnings),
                "sweeps": [_head(sweep) for sweep in self.sweeps],
                "error": None if self.error is None else self.error.to_dict(),
            }
        )
        return value


def _line(use: LineUse) -> dict[str, Any]:
    return {"line": use.line, "text": use.text, "setting": use.setting, "value": use.value}


def _head(sweep: Sweep) -> dict[str, Any]:
    settings = sweep.settings
    return {
        **sweep.to_dict(),
        "trace_mode": settings.trace_mode,
        "reference_level_dbm": settings.reference_level_dbm,
        "attenuation_db": settings.attenuation_db,
        "sweep_time_s": settings.sweep_time_s,
        "extra": dict(settings.extra),
        "traces": list(sweep.traces),
        "lines": sweep.origin.lines,
        "level_min_dbm": float(sweep.level_dbm.min()),
        "level_max_dbm": float(sweep.level_dbm.max()),
        "warnings": list(sweep.origin.warnings),
    }


def inspect_file(path: str | Path, **options: Any) -> Inspection:
    """Return how a file is understood; a file that cannot be read gives an inspection with its error.

    Parameters
    ----------
    path : str or Path
    **options
        As for `read_sweep`.

    Raises
    ------
    SweepFormatError
        If the file is not there or is no text.
    UsageError
        If an option makes no sense.
    """
    chosen = Options(**options)
    parts = [_inspect(source, chosen) for source in open_sources(path)]
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    return Inspection(
        Path(path).name,
        first.sha256,
        first.encoding,
        first.layout,
        min(part.certainty for part in parts),
        tuple(use for part in parts for use in part.used),
        tuple(use for part in parts for use in part.ignored),
        _once(text for part in parts for text in part.assumed),
        _once(text for part in parts for text in part.warnings),
        tuple(sweep for part in parts for sweep in part.sweeps),
        next((part.error for part in parts if part.error is not None), None),
    )


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))


def _inspect(source: Any, options: Options) -> Inspection:
    document, reader, certainty, sweeps, error = _read(source, options)
    used, ignored = _lines(document, source.data)
    return Inspection(
        source.file,
        source.sha256,
        source.encoding,
        sweeps[0].origin.layout if sweeps else reader,
        certainty,
        used,
        ignored,
        _once(text for sweep in sweeps for text in sweep.origin.assumptions),
        _once(text for sweep in sweeps for text in sweep.origin.warnings),
        tuple(sweeps),
        error,
    )


def _read(source: Any, options: Options) -> tuple[Document, str, float, list[Sweep], SpectraError | None]:
    document = Document(source)
    try:
        sweeps, reader, certainty = read_document(document, options)
    except SpectraError as problem:
        reader, certainty = document.reader
        return document, reader, certainty, [], problem
    return document, reader, certainty, sweeps, None


def _lines(document: Document, data: bytes) -> tuple[tuple[LineUse, ...], tuple[LineUse, ...]]:
    """Return the lines that were understood and those that were not; rows of the trace are in neither."""
    last = max([*document.used_lines, *(entry.line for entry in document.entries)], default=0)
    texts = _texts(data, last)
    used = [
        LineUse(entry.line, texts.get(entry.line, ""), entry.meaning.concept, _value(entry))
        for entry in document.entries
        if entry.meaning is not None
    ]
    used += [LineUse(line, texts.get(line, ""), what, "") for line, what in document.used_lines.items()]
    known = {use.line for use in used}
    ignored = [
        LineUse(entry.line, texts.get(entry.line, ""), None, _value(entry))
        for entry in document.entries
        if entry.meaning is None and entry.line not in known
    ]
    lost = {line for line, _ in document.plain_lines} - known - {use.line for use in ignored}
    ignored += [LineUse(line, text, None, "") for line, text in document.plain_lines if line in lost]
    return tuple(sorted(used, key=lambda u: u.line)), tuple(sorted(ignored, key=lambda u: u.line))


def _value(entry: Entry) -> str:
    return " ".join(part for part in (entry.value, entry.unit or "") if part)


def _texts(data: bytes, last: int) -> dict[int, str]:
    texts: dict[int, str] = {}
    at = 0
    for line in range(1, last + 1):
        end = data.find(b"\n", at) + 1 or len(data)
        texts[line] = data[at:end].decode("utf-8", "replace").strip()[:200]
        at = end
        if at >= len(data):
            break
    return texts
