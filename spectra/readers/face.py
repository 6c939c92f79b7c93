"""The public face of the readers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from spectra.errors import SweepFormatError
from spectra.readers.layouts.rows import draft_of_table
from spectra.readers.facts import facts_of
from spectra.readers.finish import finish
from spectra.readers.options import Options
from spectra.readers.outline import outline_of
from spectra.readers.preamble import entries_of
from spectra.readers.source import Source, open_sources
from spectra.sweep import Sweep

__all__ = ["read_sweep", "read_sweeps"]


def read_sweeps(path: str | Path, **options: Any) -> list[Sweep]:
    """Read every sweep in a file."""
    chosen = Options(**options)
    return [sweep for source in open_sources(path) for sweep in _sweeps(source, chosen)]


def _sweeps(source: Source, options: Options) -> list[Sweep]:
    outline = outline_of(source.data, source.file)
    tables = [s for s in outline.sections if s.table is not None]
    if not tables:
        raise SweepFormatError(source.file, None, "no rows of numbers", "a trace", "Save the trace as CSV.")
    section = max(tables, key=lambda s: s.table.rows)
    decimal = section.table.dialect.decimal
    facts = facts_of(entries_of(outline.lines, decimal), decimal)
    return [finish(draft_of_table(section, section.table, facts), source, options)]


def read_sweep(path: str | Path, **options: Any) -> Sweep:
    """Read the sweep in a file."""
    sweeps = read_sweeps(path, **options)
    if len(sweeps) != 1:
        raise SweepFormatError(Path(path).name, None, f"{len(sweeps)} sweeps", "one sweep", "Use read_sweeps.")
    return sweeps[0]


def load_capture(path: str | Path, **context: Any) -> Any:
    """Read a capture."""
    raise NotImplementedError
