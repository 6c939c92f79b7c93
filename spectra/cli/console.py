"""What commands print with: progress on a terminal, tables that fit it, JSON."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TypeVar

from spectra.cautions import CATALOGUE
from spectra.finding import Finding

__all__ = ["print_cautions", "print_findings", "print_json", "print_table", "progress", "say", "wrap"]

T = TypeVar("T")
_MIN_WIDTH = 40
_PIPE_WIDTH = 200
_BAR = 24


def terminal_width() -> int:
    """Return the columns to print in: the terminal's, or a wide page where there is none."""
    if not sys.stdout.isatty():
        return _PIPE_WIDTH
    return max(_MIN_WIDTH, shutil.get_terminal_size().columns)


def say(words: str) -> None:
    """Print words that are no result to stderr."""
    print(words, file=sys.stderr)


def wrap(text: str, indent: str = "", first: str | None = None, width: int | None = None) -> str:
    """Return text folded to the terminal (100 columns in a pipe)."""
    return textwrap.fill(
        text,
        width=min(width or terminal_width(), 100),
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )


def print_json(value: Any) -> None:
    """Print one JSON document; NaN cannot occur (the contract has null)."""
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def progress(items: Sequence[T], label: str) -> Iterator[T]:
    """Yield the items with a bar on stderr, on a terminal and for more than one item only."""
    if len(items) < 2 or not sys.stderr.isatty():
        yield from items
        return
    try:
        for done, item in enumerate(items):
            filled = _BAR * done // len(items)
            bar = "=" * filled + " " * (_BAR - filled)
            sys.stderr.write(f"\r{label} [{bar}] {done}/{len(items)}")
            sys.stderr.flush()
            yield item
    finally:
        sys.stderr.write("\r" + " " * (len(label) + _BAR + 24) + "\r")
        sys.stderr.flush()


def print_table(header: Sequence[str], rows: Iterable[Sequence[str]], indent: str = "  ") -> None:
    """Print rows under a header; where they are too wide for the terminal, in blocks that repeat the first column."""
    body = [list(row) for row in rows]
    widths = [max(len(line[k]) for line in [list(header), *body]) for k in range(len(header))]
    room = terminal_width() - len(indent)
    blocks: list[list[int]] = [[0]]
    used = widths[0]
    for k in range(1, len(header)):
        if used + 2 + widths[k] > room and len(blocks[-1]) > 1:
            blocks.append([0])
            used = widths[0]
        blocks[-1].append(k)
        used += 2 + widths[k]
    for number, block in enumerate(blocks):
        if number:
            print()
        for line in [list(header), *body]:
            print((indent + "  ".join(line[k].ljust(widths[k]) for k in block)).rstrip())


def print_findings(findings: Iterable[Finding], *, cautions: bool = True) -> None:
    """Print findings: title, why, what to do next, and (unless told not to) each caution once at the end."""
    findings = list(findings)
    marks = {"fault": "Fault", "warning": "Warning", "note": "Note"}
    for finding in findings:
        print(wrap(f"{marks[finding.severity]}: {finding.title} ({finding.code})", indent="    ", first="  "))
        print(wrap(finding.explanation, indent="    "))
        for next_step in finding.next_steps:
            print(wrap(next_step.text, indent="      ", first="    → "))
    if cautions:
        print_cautions(findings)


def print_cautions(findings: Iterable[Finding]) -> None:
    """Print each caution that the next steps of some findings name, once."""
    named = {id_ for finding in findings for next_step in finding.next_steps for id_ in next_step.cautions}
    for id_, caution in CATALOGUE.items():
        if id_ in named:
            print(wrap(f"Caution, {caution.title.lower()}: {caution.text}", indent="    ", first="  "))
