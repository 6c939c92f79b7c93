"""Colours: one table for the style sheet and for the figures, a column a scheme.

Every pair of text and ground here holds WCAG 2.1 AA (4.5:1; a test computes it). `night` keeps to long wavelengths and
low light, for a dark bridge. Series are apart in lightness too, and figures add dash and shape: colour is never the
only sign.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

__all__ = ["SCHEMES", "SCHEME_COOKIE", "Look", "look", "style_sheet"]

SCHEME_COOKIE = "sweepmuster_scheme"


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of a scheme, by what they are for."""

    ground: str  # behind everything
    paper: str  # sheets on it
    sunk: str  # fields, table heads
    ink: str  # text
    soft: str  # lesser text
    line: str  # rules
    edge: str  # outlines of controls (3:1)
    sea: str  # links, the project's own colour
    on_sea: str  # text on it
    good: str
    fair: str
    open: str
    bad: str
    wash_good: str  # behind an answer
    wash_fair: str
    wash_open: str
    wash_bad: str
    trace: str  # figures: the sweep
    model: str  # the fit
    floor: str
    mark: str  # what is chosen
    other: str  # what is laid over it
    band: str  # uncertainty


SCHEMES: dict[str, Look] = {
    "light": Look(
        ground="#f1efe9",
        paper="#ffffff",
        sunk="#f7f6f2",
        ink="#17212c",
        soft="#4d5967",
        line="#dcd8cf",
        edge="#7d8791",
        sea="#0b5563",
        on_sea="#ffffff",
        good="#0a5c4a",
        fair="#234f86",
        open="#7a4b00",
        bad="#96201f",
        wash_good="#e9f3ef",
        wash_fair="#eaf0f8",
        wash_open="#fbf3e2",
        wash_bad="#fbecea",
        trace="#6d7985",
        model="#0b5563",
        floor="#a8530f",
        mark="#96201f",
        other="#5b3f8c",
        band="#0b556326",
    ),
    "dark": Look(
        ground="#12171c",
        paper="#1a2127",
        sunk="#212a31",
        ink="#e8ebee",
        soft="#aab4be",
        line="#333e47",
        edge="#7b8792",
        sea="#78c5cf",
        on_sea="#0c1a1d",
        good="#79cfb0",
        fair="#93bdf0",
        open="#e3b968",
        bad="#f39a92",
        wash_good="#18302a",
        wash_fair="#1b2a3d",
        wash_open="#332a17",
        wash_bad="#3a2020",
        trace="#8b98a4",
        model="#78c5cf",
        floor="#e0a35c",
        mark="#f39a92",
        other="#c3aaf0",
        band="#78c5cf30",
    ),
    "night": Look(
        ground="#0a0302",
        paper="#120604",
        sunk="#1a0906",
        ink="#d97a5c",
        soft="#c26b52",
        line="#3b180f",
        edge="#9a5540",
        sea="#e5805c",
        on_sea="#160603",
        good="#d98a5c",
        fair="#cf7a5c",
        open="#d98a3c",
        bad="#f0694f",
        wash_good="#1c0b06",
        wash_fair="#1a0907",
        wash_open="#211003",
        wash_bad="#2a0906",
        trace="#a0553f",
        model="#e5805c",
        floor="#c98a3c",
        mark="#f0694f",
        other="#d9a08c",
        band="#e5805c33",
    ),
}


def look(scheme: str | None) -> Look:
    """Return the colours of a scheme; of the light one where there is none of that name."""
    return SCHEMES.get(scheme or "", SCHEMES["light"])


def style_sheet() -> str:
    """Return the schemes as CSS variables, chosen by the ``data-scheme`` of the root element."""
    blocks = []
    for name, colours in SCHEMES.items():
        lines = "".join(f"--{f.name.replace('_', '-')}:{getattr(colours, f.name)};" for f in fields(colours))
        kind = "light" if name == "light" else "dark"
        blocks.append(f':root[data-scheme="{name}"]{{color-scheme:{kind};{lines}}}')
    return "\n".join(blocks) + "\n"
