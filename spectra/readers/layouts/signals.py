"""Tables of found signals, markers, peaks or carriers: recognised so that they are refused, never read as a trace.

Specimen (invented)::

    Signal,Frequency,Level,Bandwidth,Remark
    1,1173.42,-81.2,1.2,strong
    2,1189.07,-84.0,4.9,
"""

from __future__ import annotations

import re

from spectra.errors import SweepFormatError
from spectra.readers.cells import classify
from spectra.readers.document import Document, glimpse
from spectra.readers.draft import Draft
from spectra.readers.preamble import cells_of, uncommented
from spectra.readers.words import fold, ideas_of

__all__ = ["read_signals", "sniff_signals"]

_LIST_WORDS = re.compile(
    r"\b(sig|signal|signals|mrk|mkr|marker|peak|carrier|symbol ?rate|symbolrate|modulation|polari[sz]ation|"
    r"roll.?off|satellite|snr|c/n|cn|es/?n0|margin|comment|remark|service|traeger|trager|porteuse|portadora|"
    r"portante|markierung|bemerkung|remarque|signal no|id)\b"
)


_PEAK_TRACE = re.compile(r"\b(?:max\w*|min\w*|pos\w*|neg\w*|auto)[ -]?peak\b|\bpeak (?:hold|detector|trace)\b")
"""Names of traces and detectors that hold a word of the lists."""


_MANY = 16


def sniff_signals(head: str) -> float:
    """Say how surely a text is a table of found signals: a heading of such columns with a frequency among them."""
    lines = [line for line in glimpse(head).lines[:200] if line.strip()]
    for at, line in enumerate(lines):
        if max(map(line.count, ",;\t")) < 2 or not _LIST_WORDS.search(fold(line.replace("_", " "))):
            continue
        cells = cells_of(uncommented(line), ".")
        if len(cells) < 3 or any(classify(cell, ".")[0] in "ND" for cell in cells):
            continue
        words = [_PEAK_TRACE.sub("", fold(cell.replace("_", " "))) for cell in cells]
        frequency = any("freq" in ideas_of(word[:60])[0] or re.search(r"\brf|\bif\b", word) for word in words)
        listed = sum(1 for word in words if _LIST_WORDS.search(word))
        if not frequency or not listed:
            continue
        below = lines[at + 1 : at + 3]
        if not below:
            continue
        mixed = any(
            any(classify(cell, ".")[0] == "N" for cell in row) and any(classify(cell, ".")[0] in "TD" for cell in row)
            for row in (cells_of(text, ".") for text in below)
        )
        first = _LIST_WORDS.search(words[0]) is not None
        if listed >= 2 or first or mixed:
            return 0.45 if _trace_follows(head.partition(line)[2].splitlines()) or _rows_across(head) else 0.95
    return 0.0


def _trace_follows(lines: list[str]) -> bool:
    """Say whether a trace may come after the table (a marker table before the rows): another heading with text."""
    for line in lines:
        cells = cells_of(uncommented(line), ".")
        words = [fold(cell) for cell in cells]
        if any("freq" in ideas_of(word[:60])[0] for word in words) and not any(
            classify(cell, ".")[0] in "ND" for cell in cells
        ):
            return True
    return False


def _rows_across(head: str) -> bool:
    """Say whether a line of very many numbers stands in the text too: a trace written across."""
    for line in head.splitlines():
        mark = max(",;\t", key=line.count)
        if line.count(mark) >= _MANY and sum(c[:1] in "-+.0123456789" for c in line.split(mark)) >= _MANY:
            return True
    return False


def read_signals(document: Document) -> list[Draft]:
    """Refuse a table of found signals.

    Raises
    ------
    SweepFormatError
        Always.
    """
    raise SweepFormatError(
        document.name,
        None,
        "a table of found signals (columns of signals, not of a trace)",
        "the points of a trace: frequency and level, row by row",
        "Save the trace itself, not the list of signals, markers or peaks.",
    )
