"""What a PDF is made of: faces, styles, the foot of the pages, the sign beside the answer, pictures."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import reportlab
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, LongTable, Spacer
from reportlab.platypus import Paragraph as Text

from spectra.report.html import clean
from spectra.report.model import Block, Report
from spectra.report.picture import INK, PALE, SOFT, STYLES, Picture, Polyline, Rectangle

__all__ = ["Drawing", "Kit", "NumberedCanvas", "Sign"]

_SEA, _AMBER, _RUST = "#0b5563", "#8a5a00", "#9b2226"
_TONES = {
    "good": (_SEA, "#f1f7f7"),
    "remarks": (_AMBER, "#fbf6ea"),
    "bad": (_RUST, "#fbf1f0"),
    "open": (SOFT, "#f4f5f7"),
}
# of a style: size, leading, bold, colour, space before, space after
_STYLES: dict[str, tuple[float, float, bool, str, float, float]] = {
    "title": (16.0, 19.0, True, INK, 0.0, 3.0),
    "h1": (14.0, 17.0, True, INK, 0.0, 6.0),
    "h2": (11.5, 14.0, True, INK, 9.0, 3.0),
    "h3": (9.5, 12.0, True, _SEA, 6.0, 2.0),
    "body": (8.8, 11.8, False, INK, 0.0, 3.0),
    "item": (8.8, 11.4, False, INK, 0.0, 0.0),
    "mark": (8.8, 11.4, True, _SEA, 0.0, 0.0),
    "strong": (8.8, 11.8, True, _RUST, 0.0, 3.0),
    "small": (7.6, 9.8, False, SOFT, 0.0, 2.0),
    "caption": (7.4, 9.4, False, SOFT, 1.0, 2.0),
    "mind": (7.4, 9.4, False, _AMBER, 0.0, 0.0),
    "word": (14.0, 17.0, True, INK, 0.0, 1.0),
    "name": (7.8, 10.0, True, SOFT, 0.0, 0.0),
    "value": (12.5, 15.5, True, INK, 0.0, 1.0),
    "detail": (7.8, 9.8, False, INK, 0.0, 1.0),
    "fact": (8.2, 10.4, False, SOFT, 0.0, 0.0),
    "cell": (7.6, 9.4, False, INK, 0.0, 0.0),
    "dense": (6.4, 8.0, False, INK, 0.0, 0.0),
}
_INSTEAD = {"→": "->", "✓": "+", "✕": "x", "\u00a0": " ", "\u202f": " "}
# faces with many scripts that systems usually have, asked only where the embedded one lacks a sign
_WIDER = (
    ("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf", "/usr/share/fonts/truetype/dejavu/DejaVuSans-Bold.ttf"),
    ("C:/Windows/Fonts/arial.ttf", "C:/Windows/Fonts/arialbd.ttf"),
    ("/System/Library/Fonts/Supplemental/Arial.ttf", "/System/Library/Fonts/Supplemental/Arial Bold.ttf"),
)


@lru_cache(maxsize=4)
def _face(path: str, name: str) -> TTFont:
    face = TTFont(name, path)
    pdfmetrics.registerFont(face)
    return face


def _texts_of(report: Report) -> Iterable[str]:
    def walk(value: Any) -> Iterable[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, tuple | list):
            for item in value:
                yield from walk(item)
        elif hasattr(value, "__dataclass_fields__") and not isinstance(value, Polyline | Rectangle):
            for name in value.__dataclass_fields__:
                yield from walk(getattr(value, name))

    yield from walk((report.title, report.foot, report.disclaimer))
    blocks: tuple[Block, ...] = tuple(block for sheet in report.sheets for block in sheet.blocks)
    yield from walk(blocks)


class Kit:
    """Faces, colours and styles of one report."""

    def __init__(self, report: Report) -> None:
        self.report = report
        self.width = 0.0
        self.ink, self.line, self.sea = HexColor(INK), HexColor(PALE), HexColor(_SEA)
        self.plain, self.bold = self._faces(set("".join(_texts_of(report))))
        self._styles: dict[tuple[Any, ...], ParagraphStyle] = {}

    def _faces(self, signs: set[str]) -> tuple[TTFont, TTFont]:
        folder = Path(reportlab.__file__).parent / "fonts"
        own = (_face(str(folder / "Vera.ttf"), "report"), _face(str(folder / "VeraBd.ttf"), "report-bold"))
        wanted = {ord(sign) for sign in signs if sign not in _INSTEAD and ord(sign) >= 32}
        lacking = wanted - own[0].face.charToGlyph.keys()
        if not lacking:
            return own
        for plain, bold in _WIDER:
            if Path(plain).is_file() and Path(bold).is_file():
                wider = (_face(plain, f"wide-{plain}"), _face(bold, f"wide-{bold}"))
                if len(wanted - wider[0].face.charToGlyph.keys()) < len(lacking):
                    return wider
        return own

    def text(self, text: str) -> str:
        """Return a text of signs that the face has; the others become a sign that says so."""
        known = self.plain.face.charToGlyph
        return "".join(sign if ord(sign) in known or sign == "\n" else _INSTEAD.get(sign, "?") for sign in clean(text))

    def text_width(self, text: str, style: str, *, bold: bool = False) -> float:
        """Return how wide a text is set."""
        face = self.bold if bold else self.plain
        return float(pdfmetrics.stringWidth(self.text(text), face.fontName, _STYLES[style][0]))

    def paragraph(
        self, text: str, style: str, *, right: bool = False, soft: bool = False, colour: Color | None = None
    ) -> Text:
        """Return a paragraph; its text is plain and cannot become markup."""
        key = (style, right, soft, None if colour is None else colour.hexval())
        held = self._styles.get(key)
        if held is None:
            size, leading, bold, ink, before, after = _STYLES[style]
            held = ParagraphStyle(
                str(key),
                fontName=(self.bold if bold or soft else self.plain).fontName,
                fontSize=size,
                leading=leading,
                textColor=colour or HexColor(SOFT if soft else ink),
                spaceBefore=before,
                spaceAfter=after,
                alignment=TA_RIGHT if right else TA_LEFT,
                splitLongWords=1,
                keepWithNext=style in ("h1", "h2", "h3"),
            )
            self._styles[key] = held
        return Text("<br/>".join(escape(line) for line in self.text(text).split("\n")), held)

    def title(self, text: str) -> list[Any]:
        """Return the title of the report over its rule."""
        rule = LongTable([[""]], [self.width], rowHeights=[4.0], style=[("LINEABOVE", (0, 0), (-1, 0), 2.2, self.sea)])
        return [self.paragraph(text, "title"), rule, self.space(3.0)]

    def table(self, lines: list[list[Any]], widths: list[float], repeat: int = 0) -> LongTable:
        """Return a table of cells with little padding."""
        table = LongTable(lines, widths, repeatRows=repeat, hAlign="LEFT")
        padding = [(side, (0, 0), (-1, -1), 1.4) for side in ("TOPPADDING", "BOTTOMPADDING")]
        table.setStyle([*padding, ("LEFTPADDING", (0, 0), (-1, -1), 0.0), ("RIGHTPADDING", (0, 0), (-1, -1), 7.0)])
        return table

    def space(self, height: float) -> Spacer:
        """Return a gap."""
        return Spacer(1, height)

    def tone(self, tone: str) -> Color:
        """Return the ink of an answer."""
        return HexColor(_TONES[tone][0])

    def wash(self, tone: str) -> Color:
        """Return the ground of an answer."""
        return HexColor(_TONES[tone][1])

    def foot(self, canvas: Canvas, document: Any) -> None:
        """Draw the foot of a page; the number of pages follows when all are known."""
        left = document.leftMargin
        canvas.saveState()
        canvas.setStrokeColor(self.line)
        canvas.line(left, 41.0, left + self.width, 41.0)
        canvas.setFillColor(self.ink)
        canvas.setFont(self.bold.fontName, 7.0)
        canvas.drawString(left, 31.5, self.text(self.report.disclaimer))
        canvas.setFillColor(HexColor(SOFT))
        canvas.setFont(self.plain.fontName, 6.6)
        canvas.drawString(left, 22.5, self.text(self.report.foot)[:140])
        canvas.restoreState()
        if isinstance(canvas, NumberedCanvas):
            canvas.page_number_at = (left + self.width, 22.5, self.plain.fontName)


class NumberedCanvas(Canvas):
    """A canvas that writes "page of pages" when it knows how many there are."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._pages: list[dict[str, Any]] = []
        self.page_number_at = (0.0, 0.0, "Helvetica")

    def showPage(self) -> None:  # noqa: N802 - the library's name
        """Keep a page until the end."""
        self._pages.append(dict(self.__dict__))
        self._startPage()  # type: ignore[attr-defined]  # the stubs leave it out

    def save(self) -> None:
        """Write "page of pages" on every page, then the file."""
        for number, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            x, y, face = self.page_number_at
            self.setFont(face, 7.0)
            self.setFillColor(HexColor(SOFT))
            self.drawRightString(x, y, f"{number} / {len(self._pages)}")
            super().showPage()
        super().save()


class Sign(Flowable):
    """A ring with a tick, a cross, an exclamation or a question mark, drawn as lines."""

    def __init__(self, tone: str, colour: Color) -> None:
        super().__init__()
        self.tone, self.colour = tone, colour
        self.width = self.height = 26.0

    def draw(self) -> None:
        """Draw it."""
        canvas = self.canv
        canvas.setStrokeColor(self.colour)
        canvas.setFillColor(self.colour)
        canvas.setLineWidth(1.4)
        canvas.circle(13, 13, 11.5)
        canvas.setLineWidth(2.2)
        canvas.setLineCap(1)
        if self.tone == "good":
            canvas.lines([(7.5, 12.5, 11.5, 8.5), (11.5, 8.5, 19, 17.5)])
        elif self.tone == "bad":
            canvas.lines([(8.5, 8.5, 17.5, 17.5), (8.5, 17.5, 17.5, 8.5)])
        else:
            canvas.setFont("Helvetica-Bold", 16)
            canvas.drawCentredString(13, 7.4, "!" if self.tone == "remarks" else "?")


class Drawing(Flowable):
    """A picture of the report's model, scaled to the width of the page."""

    def __init__(self, picture: Picture, kit: Kit) -> None:
        super().__init__()
        self.picture, self.kit = picture, kit
        self.scale = kit.width / picture.width
        self.width, self.height = kit.width, picture.height * self.scale

    def draw(self) -> None:
        """Draw it: the model's y grows downwards, the page's upwards."""
        canvas, high = self.canv, self.picture.height
        canvas.saveState()
        canvas.scale(self.scale, self.scale)
        canvas.setLineJoin(1)
        for item in self.picture.items:
            style = STYLES[item.style]
            if isinstance(item, Polyline):
                self._pen(canvas, style)
                path = canvas.beginPath()
                points = item.points.round(1).tolist()
                path.moveTo(points[0][0], high - points[0][1])
                for x, y in points[1:]:
                    path.lineTo(x, high - y)
                canvas.drawPath(path, stroke=1, fill=0)
            elif isinstance(item, Rectangle):
                self._pen(canvas, style)
                if style.fill is not None:
                    canvas.setFillColor(HexColor(style.fill))
                box = (item.x, high - item.y - item.height, item.width, item.height)
                canvas.rect(*box, stroke=1, fill=int(style.fill is not None))
            else:
                canvas.setFillColor(HexColor(style.fill or INK))
                canvas.setFont((self.kit.bold if style.bold else self.kit.plain).fontName, style.size * 0.92)
                draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
                draw[item.anchor](item.x, high - item.y, self.kit.text(item.text))
        canvas.restoreState()

    def _pen(self, canvas: Canvas, style: Any) -> None:
        canvas.setStrokeColor(HexColor(style.stroke or INK))
        canvas.setLineWidth(style.width)
        canvas.setDash(list(style.dash))
