"""The public face of the readers: one sweep, all sweeps, a capture with its context."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from spectra.capture import Capture, Context, context_from_mapping, read_context, sidecar_path
from spectra.errors import ContextError, SpectraError, SweepFormatError, UsageError
from spectra.readers.dates import DateOrder
from spectra.readers.document import Document
from spectra.readers.finish import finish
from spectra.readers.layouts import Reader, choose_reader
from spectra.readers.options import Options
from spectra.readers.source import open_sources, sources_of
from spectra.sweep import Detector, Sweep

__all__ = ["OPTION_NAMES", "load_capture", "read_bytes", "read_document", "read_sweep", "read_sweeps"]

OPTION_NAMES = tuple(f.name for f in dataclasses.fields(Options))
"""Names of the options of `read_sweep`."""
_SIDECAR_OPTIONS = ("trace", "level_unit", "frequency_unit", "impedance_ohm", "rbw_hz", "detector", "averages")


def read_sweep(
    path: str | Path,
    *,
    trace: str | int | None = None,
    level_unit: str | None = None,
    frequency_unit: str | None = None,
    impedance_ohm: float = 50.0,
    rbw_hz: float | None = None,
    detector: Detector | None = None,
    averages: int | None = None,
) -> Sweep:
    """Read the sweep in a file.

    Parameters
    ----------
    path : str or Path
        A sweep saved as text in any usual layout and encoding, also inside .gz or .zip.
    trace : str or int, optional
        Which trace is the main one: name, number from 1, or trace mode. Else the average, else the live one, else a
        hold (with a warning).
    level_unit : {'dBm', 'dBmV', 'dBuV'}, optional
        Unit of the levels where the file does not tell it; wins over the file, with a warning. Also dBW, dBpW, dBV,
        and watts or volts with a prefix (RMS): these are brought to dBm by one logarithm.
    frequency_unit : {'Hz', 'kHz', 'MHz', 'GHz'}, optional
        The same for the frequencies.
    impedance_ohm : float
        For levels in volts; the file's own statement counts where this is left at 50.
    rbw_hz, detector, averages : optional
        The same for these settings.

    Returns
    -------
    Sweep
        Frequencies are ``float(text) * unit`` (one rounding), levels ``float(text)`` plus the constant of the unit.
        Everything assumed is in ``origin.assumptions``, contradictions are in ``origin.warnings`` as
        ``quality.<what>: <words>``.

    Raises
    ------
    SweepFormatError
        If the file holds no sweep, several, or one that can be read in more than one way.
    """
    options = Options(trace, level_unit, frequency_unit, impedance_ohm, rbw_hz, detector, averages)
    sweeps = _read(path, options)
    if len(sweeps) != 1:
        raise SweepFormatError(
            Path(path).name,
            None,
            f"{len(sweeps)} sweeps in one file",
            "one sweep",
            "Use read_sweeps, which returns them all.",
        )
    return sweeps[0]


def read_sweeps(
    path: str | Path,
    *,
    trace: str | int | None = None,
    level_unit: str | None = None,
    frequency_unit: str | None = None,
    impedance_ohm: float = 50.0,
    rbw_hz: float | None = None,
    detector: Detector | None = None,
    averages: int | None = None,
) -> list[Sweep]:
    """Read every sweep in a file, in order; options and errors as for `read_sweep`."""
    return _read(path, Options(trace, level_unit, frequency_unit, impedance_ohm, rbw_hz, detector, averages))


def _read(path: str | Path, options: Options) -> list[Sweep]:
    found: list[Sweep] = []
    for source in open_sources(path):
        found.extend(read_document(Document(source), options)[0])
    return found


def read_bytes(data: bytes, name: str, **options: Any) -> list[Sweep]:
    """Read every sweep in the bytes of a file that is not on this disk (an upload); options as for `read_sweep`."""
    chosen = Options(**options)
    return [sweep for source in sources_of(data, name) for sweep in read_document(Document(source), chosen)[0]]


def read_document(document: Document, options: Options) -> tuple[list[Sweep], str, float]:
    """Return the sweeps of a document, the layout that read it, and how sure it was.

    Raises
    ------
    SweepFormatError
        If it holds none, or can be read in more than one way.
    """
    source = document.source
    reader, certainty = choose_reader(document.head)
    document.reader = (reader.name, certainty)
    try:
        with np.errstate(all="ignore"):  # what overflows is not finite, and that is refused with its line
            return _sweeps(document, reader, options), reader.name, certainty
    except SweepFormatError as problem:
        if problem.source in (source.file, ""):
            raise
        raise SweepFormatError(source.file, problem.line, problem.found, problem.expected, problem.mend) from problem
    except (ValueError, OverflowError, MemoryError, RecursionError) as problem:
        if isinstance(problem, SpectraError):
            raise
        raise SweepFormatError(
            source.file,
            None,
            f"a text that cannot be read ({problem})",
            "a sweep saved as text",
            "Save the trace again.",
        ) from problem


def _sweeps(document: Document, reader: Reader, options: Options) -> list[Sweep]:
    drafts = reader.read(document)
    if isinstance(drafts, Sweep):
        return [drafts]
    left_out = [f"left out: {what}" for what in document.left_out]
    sweeps: list[Sweep] = []
    stamps = [draft.stamp or draft.facts.text("when") or "" for draft in drafts]

    @cache
    def order() -> DateOrder:
        return document.date_order(stamps)

    drafts.reverse()
    while drafts:
        draft = drafts.pop()  # each goes when it is done: there may be thousands
        draft.assumptions += [*document.source.notes, *left_out]
        sweeps.append(finish(draft, document.source, options, sweeps[-1].frequency_hz if sweeps else None, order))
    return sweeps


def load_capture(path: str | Path, **context: Any) -> Capture:
    """Read a sweep file with its context.

    Parameters
    ----------
    path : str or Path
        The sweep file; its sidecar is the same name plus ``.toml``, read if it is there.
    **context
        Keys of the context and options of `read_sweep`; they win over the sidecar, which wins over the file.

    Returns
    -------
    Capture
        All sweeps of the file, the context, and the file's name.

    Raises
    ------
    SweepFormatError, ContextError
        If the file, the sidecar or a key cannot be used.
    """
    path = Path(path)
    sidecar = sidecar_path(path)
    told = read_context(sidecar) if sidecar.is_file() else Context()
    stated: dict[str, Any] = {key: told.extra[key] for key in _SIDECAR_OPTIONS if key in told.extra}
    own = {key: context.pop(key) for key in OPTION_NAMES if key in context}
    merged = _merged(told, context)
    sidecar_options = _checked(stated, sidecar.name)
    options = Options(**{**sidecar_options, **{k: v for k, v in own.items() if v is not None}})
    return Capture(tuple(_read(path, options)), merged, path.name)


def _checked(stated: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the options that a sidecar states, checked; a fault there names the sidecar."""
    try:
        Options(**stated)
    except UsageError as problem:
        key = problem.source.removeprefix("option ")
        raise ContextError(name, None, f"{key} = {problem.found}", problem.expected, "Mend that line.") from problem
    except TypeError as problem:
        raise ContextError(name, None, str(problem), "numbers and texts", "Mend that line.") from problem
    return dict(stated)


def _merged(told: Context, context: Mapping[str, Any]) -> Context:
    """Return a context with the keys of a caller over those of the sidecar."""
    if not context:
        return told
    stated = context_from_mapping({k: v for k, v in context.items() if v is not None}, "context")
    changes = {
        f.name: getattr(stated, f.name)
        for f in dataclasses.fields(Context)
        if f.name not in ("assumptions", "extra") and getattr(stated, f.name) is not None
    }
    kept = told.assumptions if "captured_at" not in changes else ()
    return dataclasses.replace(
        told,
        **changes,
        assumptions=(*kept, *stated.assumptions),
        extra=MappingProxyType({**told.extra, **stated.extra}),
    )
