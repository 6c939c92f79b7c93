"""Draft: what a layout found in a file, before units are settled and the main trace is chosen."""

from __future__ import annotations

from dataclasses import dataclass, field

from spectra.readers.facts import Facts
from spectra.units import FloatArray

__all__ = ["Draft", "TraceColumn"]


@dataclass(slots=True)
class TraceColumn:
    """One column of levels as written: its name, its unit if told, and the number of its trace if told."""

    name: str
    values: FloatArray
    unit: str | None = None
    trace: int | None = None
    mode: str | None = None


@dataclass(slots=True)
class Draft:
    """One sweep as found.

    `axis` holds the frequencies as written (in `axis_unit`, None if not told); None where the file gives levels
    only, and then start, stop or centre and span come from the facts.
    """

    layout: str
    axis: FloatArray | None
    axis_unit: str | None
    columns: list[TraceColumn]
    facts: Facts
    lines: tuple[int, int]
    stamp: str | None = None
    assumptions: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    check_regular: bool = True
    complete: bool = False
