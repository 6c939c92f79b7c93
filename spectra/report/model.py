"""The report as blocks, before it is HTML or PDF: one model, so that every form says the same.

All texts are plain: a renderer escapes them, and nothing in a file name or a remark can become markup.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from spectra.report.picture import Picture

__all__ = [
    "Answer",
    "Block",
    "Facts",
    "Figure",
    "Grid",
    "Heading",
    "Items",
    "Number",
    "Numbers",
    "Paragraph",
    "Photo",
    "Report",
    "Sheet",
    "Signatures",
]

Tone = Literal["good", "remarks", "bad", "open"]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading of level 1 (a part of the report) to 3."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph: ``body``, ``small`` or ``strong``."""

    text: str
    style: Literal["body", "small", "strong"] = "body"


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer: a word and a sentence; the tone is told by the word and by a sign too, not by colour alone."""

    word: str
    sentence: str
    tone: Tone


@dataclass(frozen=True, slots=True)
class Number:
    """One of the numbers that matter: its name, its value with uncertainty, and what it means in plain words."""

    name: str
    value: str
    detail: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Numbers:
    """Numbers side by side."""

    numbers: tuple[Number, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and values in two columns of pairs."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; `align` has one letter a column: l, r, n (left, never broken).

    `wide` columns (0-based) take what room there is.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str = ""
    wide: tuple[int, ...] = ()
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Items:
    """A list; numbered where the order matters. Each item is a text and a remark in small type."""

    items: tuple[tuple[str, str], ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its caption."""

    picture: Picture
    caption: str


@dataclass(frozen=True, slots=True)
class Photo:
    """A raster picture of the technician's, as bytes of PNG or JPEG."""

    data: bytes
    mime: str
    caption: str


@dataclass(frozen=True, slots=True)
class Signatures:
    """Fields to sign in."""

    labels: tuple[str, ...]
    date_label: str


Block = Heading | Paragraph | Answer | Numbers | Facts | Grid | Items | Figure | Photo | Signatures


@dataclass(frozen=True, slots=True)
class Sheet:
    """Blocks that begin on a page of their own."""

    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A report: its title, language, the line at the foot of every page, and its sheets, the owner's first."""

    title: str
    language: str
    foot: str
    disclaimer: str
    sheets: tuple[Sheet, ...]
