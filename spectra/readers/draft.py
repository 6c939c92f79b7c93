"""Draft: what a layout found in a file, before units are settled and the main trace is chosen."""

from __future__ import annotations

from dataclasses import dataclass, field

from spectra.readers.facts import Facts
from spectra.units import FloatArray

__all__ = ["Draft", "TraceColumn"]


@dataclass(slots=True)
class TraceColumn:
    """One column of levels as written: name, unit, number of its trace and mode if told, place among the levels."""

    name: str
    values: FloatArray
    unit: str | None = None
    trace: int | None = None
    mode: str | None = None
    position: int = 0


@dataclass(slots=True)
class Draft:
    """One sweep as found.

    `axis` holds the frequencies as written (in `axis_unit`, None if not told); None where the file gives levels
    only, and then start, stop or centre and span come from the facts. `lines` are the first and last of the rows;
    `line_per_row` says whether each row is one line, so that a fault can be given its line;
    `turned` whether the rows ran from the highest frequency down and have been turned round;
    `may_fall` whether a start above the stop of the preamble means that the levels run down;
    `mixed_units` that the frequencies came in different units and are now in Hz, whatever anybody states.
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
    line_per_row: bool = True
    mixed_units: bool = False
    turned: bool = False
    may_fall: bool = True

    def line_of(self, row: int) -> int:
        """Return the 1-based line of a row."""
        if self.turned and self.line_per_row:
            return self.lines[1] - row
        return self.lines[0] + row if self.line_per_row else self.lines[0]
