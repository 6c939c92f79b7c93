"""Layouts: one module each, a pair of sniffer and reader, in one ordered table.

A sniffer sees text only and never raises; it says how surely the text is of its layout (0 no, 1 surely). The surest
reads; of equals the first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from spectra.readers.document import Document
from spectra.readers.draft import Draft
from spectra.readers.layouts.across import read_across, sniff_across
from spectra.readers.layouts.canonical import read_canonical, sniff_canonical
from spectra.readers.layouts.rows import read_rows, sniff_level_rows, sniff_rows
from spectra.readers.layouts.segments import read_segments, sniff_segments
from spectra.readers.layouts.signals import read_signals, sniff_signals
from spectra.readers.layouts.sm1809 import read_sm1809, sniff_sm1809
from spectra.sweep import Sweep

__all__ = ["READERS", "Reader", "choose_reader"]


@dataclass(frozen=True, slots=True)
class Reader:
    """A layout: its name, does this look like mine (0 to 1), and read it."""

    name: str
    sniff: Callable[[str], float]
    read: Callable[[Document], list[Draft] | Sweep]


READERS = (
    Reader("sweepmuster-csv", sniff_canonical, read_canonical),
    Reader("sm1809", sniff_sm1809, read_sm1809),
    Reader("signal-list", sniff_signals, read_signals),
    Reader("segment-rows", sniff_segments, read_segments),
    Reader("rows-across", sniff_across, read_across),
    Reader("frequency-level-rows", sniff_rows, read_rows),
    Reader("level-rows", sniff_level_rows, read_rows),
)


def choose_reader(head: str) -> tuple[Reader, float]:
    """Return the reader that is surest of a text, and how sure; rows of points where none is sure at all."""
    best, certainty = READERS[-2], 0.0
    for reader in READERS:
        sure = reader.sniff(head)
        if sure > certainty:
            best, certainty = reader, sure
        if certainty >= 0.98:
            break
    return best, certainty
