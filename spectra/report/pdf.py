"""A report as PDF, from the same model as the page; pictures stay vectors, texts stay texts.

The library is reportlab: its wheels need no browser and no library of the system, and it brings the face that is
embedded. Needs the extra ``pdf``.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from spectra.errors import ReportError
from spectra.report.html import WIDE, clean
from spectra.report.model import (
    Answer,
    Facts,
    Figure,
    Grid,
    Heading,
    Items,
    Numbers,
    Paragraph,
    Photo,
    Report,
    Signatures,
)

if TYPE_CHECKING:
    from spectra.report.pdfparts import Kit

__all__ = ["pdf_of"]

_MARGIN_MM = 15.0
_DENSE = 8
"""Columns from which on a table is set smaller."""
_WIDEST = 0.5
"""Share of the page up to which a column is widened for the sake of texts that would break."""
_ROOM = {1: 140.0, 2: 110.0, 3: 75.0}
"""Points that must be left on a page below a heading of each level: for itself, a caption and some lines."""


def pdf_of(report: Report, *, made_at: datetime | None = None) -> bytes:
    """Return the report as the bytes of a PDF.

    Parameters
    ----------
    report : Report
    made_at : datetime or None
        Goes into the file's description; None leaves the time out, so that the same report gives the same bytes.

    Raises
    ------
    ReportError
        If the package for PDF is not installed.
    """
    try:
        from reportlab.lib.pagesizes import A4
        from reportlab.lib.units import mm
        from reportlab.platypus import BaseDocTemplate, CondPageBreak, Frame, PageBreak, PageTemplate
    except ModuleNotFoundError:
        raise ReportError(
            "PDF", None, "no package that writes PDF", "the extra 'pdf'", "Install it: pip install sweepmuster[pdf]."
        ) from None
    from spectra.report.pdfparts import Kit, NumberedCanvas

    kit = Kit(report)
    margin, bottom = _MARGIN_MM * mm, 19.0 * mm
    kit.width = A4[0] - 2 * margin
    story: list[Any] = []
    for number, sheet in enumerate(report.sheets):
        if number:
            story.append(PageBreak())
        else:
            story += kit.title(report.title)
        before: Any = None
        for block in sheet.blocks:
            # no heading, and no caption of a table, alone at the foot of a page
            if isinstance(block, Heading) and not isinstance(before, Heading):
                story.append(CondPageBreak(_ROOM[min(block.level, 3)]))
            elif isinstance(block, Grid) and block.caption and not isinstance(before, Heading):
                story.append(CondPageBreak(_ROOM[3]))
            story += _RENDER[type(block)](block, kit)
            before = block
    buffer = io.BytesIO()
    document = BaseDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=margin,
        rightMargin=margin,
        topMargin=13 * mm,
        bottomMargin=bottom,
        title=clean(report.title),
        author="Sweepmuster",
        subject=clean(report.disclaimer),
        lang=report.language,
        invariant=made_at is None,
    )
    frame = Frame(margin, bottom, kit.width, A4[1] - 13 * mm - bottom, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate("sheet", [frame], onPage=kit.foot))
    document.build(story, canvasmaker=NumberedCanvas)
    return buffer.getvalue()


def _heading(block: Heading, kit: Kit) -> list[Any]:
    return [kit.paragraph(block.text, f"h{block.level}")]


def _paragraph(block: Paragraph, kit: Kit) -> list[Any]:
    return [kit.paragraph(block.text, block.style)]


def _answer(block: Answer, kit: Kit) -> list[Any]:
    from spectra.report.pdfparts import Sign

    colour = kit.tone(block.tone)
    text = [kit.paragraph(block.word, "word", colour=colour), kit.paragraph(block.sentence, "body")]
    table = kit.table([[Sign(block.tone, colour), text]], [42.0, kit.width - 42.0])
    table.setStyle(
        [
            ("BOX", (0, 0), (-1, -1), 1.0, colour),
            ("LINEBEFORE", (0, 0), (0, -1), 4.0, colour),
            ("BACKGROUND", (0, 0), (-1, -1), kit.wash(block.tone)),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LEFTPADDING", (0, 0), (0, 0), 11.0),
            ("TOPPADDING", (0, 0), (-1, -1), 6.0),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 7.0),
        ]
    )
    return [table, kit.space(8.0)]


def _numbers(block: Numbers, kit: Kit) -> list[Any]:
    cells = [
        [
            kit.paragraph(n.name, "name"),
            kit.paragraph(n.value, "value"),
            kit.paragraph(n.detail, "detail"),
            kit.paragraph(n.meaning, "small"),
        ]
        for n in block.numbers
    ]
    table = kit.table([cells], [kit.width / len(cells)] * len(cells))
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0.0)])
    for column in range(len(cells)):
        table.setStyle([("LINEABOVE", (column, 0), (column, 0), 1.6, kit.sea)])
    return [table, kit.space(3.0)]


def _facts(block: Facts, kit: Kit) -> list[Any]:
    lines: list[list[Any]] = []
    spans: list[tuple[Any, ...]] = []
    for name, value in block.rows:
        pair = [kit.paragraph(name, "fact"), kit.paragraph(value, "cell")]
        if len(value) > WIDE:
            spans.append(("SPAN", (1, len(lines)), (3, len(lines))))
            lines.append([*pair, "", ""])
        elif lines and len(lines[-1]) == 2:
            lines[-1] += pair
        else:
            lines.append(pair)
    lines = [line if len(line) == 4 else [*line, "", ""] for line in lines]
    name_width = 82.0
    other = (kit.width - 2 * name_width) / 2
    table = kit.table(lines, [name_width, other, name_width, other])
    table.setStyle([("LINEBELOW", (0, 0), (-1, -1), 0.4, kit.line), ("VALIGN", (0, 0), (-1, -1), "TOP"), *spans])
    return [table, kit.space(6.0)]


def _grid(block: Grid, kit: Kit) -> list[Any]:
    style = "dense" if len(block.header) >= _DENSE else "cell"
    align = block.align or "l" * len(block.header)

    def cell(text: str, column: int, head: bool = False) -> Any:
        return kit.paragraph(text, style, right=align[column] == "r", soft=head)

    lines = [[cell(text, k, True) for k, text in enumerate(block.header)]]
    lines += [[cell(text, k) for k, text in enumerate(row)] for row in block.rows]
    widths = _widths(block, kit, style, align)
    table = kit.table(lines, widths, repeat=1)
    table.setStyle(
        [
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, kit.ink),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, kit.line),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ]
    )
    caption = [kit.paragraph(block.caption, "caption")] if block.caption else []
    return [*caption, table, kit.space(6.0)]


def _widths(block: Grid, kit: Kit, style: str, align: str) -> list[float]:
    """Return column widths: what numbers and words need at least, then what keeps texts whole, as far as there is room.

    What is then left goes to the wide columns.
    """
    gap = 8.0
    need: list[float] = []
    for column in range(len(block.header)):
        texts = [row[column] for row in block.rows]
        whole = align[column] in "rn" and column not in block.wide
        pieces = texts if whole else [word for text in texts for word in text.split()]
        heads = [kit.text_width(word, style, bold=True) for word in block.header[column].split()]
        need.append(max([*(kit.text_width(piece, style) for piece in pieces), *heads, 10.0]) + gap)
    most = kit.width * 0.32
    need = [min(width, most) for width in need]
    spare = kit.width - sum(need)
    if spare < 0:
        return [width * kit.width / sum(need) for width in need]
    lines = [[line for row in block.rows for line in row[k].split("\n")] for k in range(len(need))]
    whole_width = [max((kit.text_width(line, style) for line in column), default=0.0) + gap for column in lines]
    asked = [max(min(whole_width[k], _WIDEST * kit.width) - need[k], 0.0) for k in range(len(need))]
    for left, k in enumerate(sorted(range(len(need)), key=asked.__getitem__)):
        given = min(asked[k], spare / (len(need) - left))  # who asks for little gets it all
        need[k] += given
        spare -= given
    takers = list(block.wide) or [k for k in range(len(need)) if align[k] == "l"] or list(range(len(need)))
    return [width + (spare / len(takers) if k in takers else 0.0) for k, width in enumerate(need)]


def _items(block: Items, kit: Kit) -> list[Any]:
    lines = []
    for number, (text, note) in enumerate(block.items, 1):
        mark = kit.paragraph(f"{number}." if block.numbered else "•", "mark", right=block.numbered)
        lines.append([mark, [kit.paragraph(text, "item"), *([kit.paragraph(note, "mind")] if note else [])]])
    room = 18.0 if len(lines) < 10 else 24.0
    table = kit.table(lines, [room, kit.width - room])
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("TOPPADDING", (0, 0), (-1, -1), 0.6)])
    return [table, kit.space(4.0)]


def _figure(block: Figure, kit: Kit) -> list[Any]:
    from reportlab.platypus import KeepTogether

    from spectra.report.pdfparts import Drawing

    return [KeepTogether([Drawing(block.picture, kit), kit.paragraph(block.caption, "caption"), kit.space(4.0)])]


def _photo(block: Photo, kit: Kit) -> list[Any]:
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image, KeepTogether

    try:
        wide, high = ImageReader(io.BytesIO(block.data)).getSize()
    except Exception:  # noqa: BLE001 - the decoder of pictures raises whatever it likes on damaged ones
        return [kit.paragraph(block.caption, "caption")]
    scale = min(kit.width / wide, 340.0 / high, 1.0)
    image = Image(io.BytesIO(block.data), wide * scale, high * scale, hAlign="LEFT")
    return [KeepTogether([image, kit.paragraph(block.caption, "caption"), kit.space(4.0)])]


def _signatures(block: Signatures, kit: Kit) -> list[Any]:
    labels: Sequence[str] = [f"{label}, {block.date_label}" for label in block.labels]
    gap = 24.0
    width = (kit.width - gap * (len(labels) - 1)) / len(labels)
    cells: list[Any] = []
    widths: list[float] = []
    lines: list[tuple[Any, ...]] = []
    for number, label in enumerate(labels):
        if number:
            cells.append("")
            widths.append(gap)
        lines.append(("LINEABOVE", (len(cells), 0), (len(cells), 0), 0.8, kit.ink))
        cells.append(kit.paragraph(label, "small"))
        widths.append(width)
    table = kit.table([cells], widths)
    table.setStyle([*lines, ("LEFTPADDING", (0, 0), (-1, -1), 0.0)])
    return [kit.space(34.0), table]


_RENDER: dict[type, Callable[[Any, Kit], list[Any]]] = {
    Heading: _heading,
    Paragraph: _paragraph,
    Answer: _answer,
    Numbers: _numbers,
    Facts: _facts,
    Grid: _grid,
    Items: _items,
    Figure: _figure,
    Photo: _photo,
    Signatures: _signatures,
}
