"""A report as one HTML file: no script, no request, everything in it; every text escaped.

A policy in the head forbids scripts and requests, so that even a mistake here could not run or fetch anything.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Callable
from typing import Any

import numpy as np

from spectra.report.model import (
    Answer,
    Block,
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
from spectra.report.picture import STYLES, Picture, Polyline, Rectangle
from spectra.report.style import CSS

__all__ = ["WIDE", "clean", "html_of"]

# C0 and C1 controls but line end and tab, and marks that turn the direction of what follows: a file name made of them
# could show another name than it has
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
WIDE = 48
"""Characters from which on a fact takes the whole width."""
_SHORT = 9
"""Rows up to which a table is kept on one page."""
_DENSE = 9
"""Columns from which on a table is set smaller."""
_SIGNS = {"good": "✓", "remarks": "!", "bad": "✕", "open": "?"}
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def clean(text: str) -> str:
    """Return a text with every character that cannot be seen replaced by one that can."""
    return _UNSEEN.sub("\ufffd", text)


def _text(text: str) -> str:
    return html.escape(clean(text), quote=True)


def html_of(report: Report) -> str:
    """Return the whole file."""
    sheets = []
    for number, sheet in enumerate(report.sheets):
        body = "\n".join(_block(block) for block in sheet.blocks)
        head = f"<header><h1>{_text(report.title)}</h1></header>\n" if number == 0 else ""
        foot = f'<footer><p class="law">{_text(report.disclaimer)}</p><p>{_text(report.foot)}</p></footer>'
        sheets.append(f'<section class="sheet{" first" if number == 0 else ""}">\n{head}{body}\n{foot}\n</section>')
    return (
        f'<!DOCTYPE html>\n<html lang="{_text(report.language)}"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<link rel="icon" href="data:,">\n'
        f"<title>{_text(report.title)}</title>\n<style>{CSS}{_picture_css()}</style></head><body>\n<main>\n"
        + "\n".join(sheets)
        + "\n</main>\n</body></html>\n"
    )


def _block(block: Block) -> str:
    return _RENDER[type(block)](block)


def _heading(block: Heading) -> str:
    level = block.level + 1 if block.level > 1 else 2
    return f'<h{level} class="l{block.level}">{_text(block.text)}</h{level}>'


def _paragraph(block: Paragraph) -> str:
    lines = "<br>".join(_text(line) for line in block.text.splitlines())
    return f'<p class="{block.style}">{lines}</p>'


def _answer(block: Answer) -> str:
    sign = f'<span class="sign" aria-hidden="true">{_SIGNS[block.tone]}</span>'
    return (
        f'<div class="answer {block.tone}">{sign}<div><p class="word">{_text(block.word)}</p>'
        f"<p>{_text(block.sentence)}</p></div></div>"
    )


def _numbers(block: Numbers) -> str:
    cards = "".join(
        f'<div class="number"><h3>{_text(n.name)}</h3><p class="value">{_text(n.value)}</p>'
        f'<p class="detail">{_text(n.detail)}</p><p class="meaning">{_text(n.meaning)}</p></div>'
        for n in block.numbers
    )
    return f'<div class="numbers">{cards}</div>'


def _facts(block: Facts) -> str:
    rows = "".join(
        f"<div{' class=wide' if len(value) > WIDE else ''}><dt>{_text(name)}</dt><dd>{_text(value)}</dd></div>"
        for name, value in block.rows
    )
    return f'<dl class="facts">{rows}</dl>'


def _grid(block: Grid) -> str:
    align = block.align or "l" * len(block.header)
    wide = f" w{min(len(block.wide), 2)}"
    classes = [a + (wide if k in block.wide else "") for k, a in enumerate(align)]
    head = "".join(f'<th scope="col" class="{c}">{_text(t)}</th>' for t, c in zip(block.header, classes, strict=True))
    rows = "".join(
        "<tr>" + "".join(f'<td class="{c}">{_text(t)}</td>' for t, c in zip(row, classes, strict=True)) + "</tr>"
        for row in block.rows
    )
    caption = f"<caption>{_text(block.caption)}</caption>" if block.caption else ""
    more = (" short" if len(block.rows) <= _SHORT else "") + (" dense" if len(block.header) >= _DENSE else "")
    return f'<div class="grid{more}"><table>{caption}<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def _items(block: Items) -> str:
    tag = "ol" if block.numbered else "ul"
    items = "".join(
        f"<li>{_text(text)}" + (f'<span class="mind">{_text(note)}</span>' if note else "") + "</li>"
        for text, note in block.items
    )
    return f"<{tag}>{items}</{tag}>"


def _figure(block: Figure) -> str:
    return f"<figure>{_svg(block.picture)}<figcaption>{_text(block.caption)}</figcaption></figure>"


def _photo(block: Photo) -> str:
    data = base64.b64encode(block.data).decode("ascii")
    return (
        f'<figure class="photo"><img alt="{_text(block.caption)}" src="data:{block.mime};base64,{data}">'
        f"<figcaption>{_text(block.caption)}</figcaption></figure>"
    )


def _signatures(block: Signatures) -> str:
    fields = "".join(
        f'<div><span class="line"></span>{_text(label)}, {_text(block.date_label)}</div>' for label in block.labels
    )
    return f'<div class="signatures">{fields}</div>'


def _svg(picture: Picture) -> str:
    parts = []
    for item in picture.items:
        if isinstance(item, Polyline):
            parts.append(f'<path class="p-{item.style}" d="{_path(item)}"/>')
        elif isinstance(item, Rectangle):
            box = f'x="{item.x:.1f}" y="{item.y:.1f}" width="{item.width:.1f}" height="{item.height:.1f}"'
            parts.append(f'<rect class="p-{item.style}" {box}/>')
        else:
            place = f'x="{item.x:.1f}" y="{item.y:.1f}" text-anchor="{item.anchor}"'
            parts.append(f'<text class="t-{item.style}" {place}>{_text(item.text)}</text>')
    return (
        f'<svg viewBox="0 0 {picture.width:.0f} {picture.height:.0f}" role="img" aria-label="{_text(picture.words)}">'
        + "".join(parts)
        + "</svg>"
    )


def _path(line: Polyline) -> str:
    points = np.round(line.points, 1)
    return "M" + "L".join(f"{x:g},{y:g}" for x, y in points.tolist())


def _picture_css() -> str:
    rules = []
    for name, s in STYLES.items():
        dash = f"stroke-dasharray:{' '.join(f'{d:g}' for d in s.dash)};" if s.dash else ""
        line = f"stroke:{s.stroke or 'none'};stroke-width:{s.width:g};{dash}fill:{s.fill or 'none'}"
        weight = ";font-weight:600" if s.bold else ""
        rules.append(f".p-{name}{{{line}}}.t-{name}{{fill:{s.fill or 'none'};font-size:{s.size:g}px{weight}}}")
    return "\n".join(rules)


_RENDER: dict[type, Callable[[Any], str]] = {
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
