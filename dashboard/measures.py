"""Units as the user wants them: frequencies in MHz, GHz or kHz, levels in dBm or dBµV, symbol rates in kBd or MBd.

Pages and figures are made in MHz, dBm and kBd. On the way to the browser texts and pictures are put into the units
chosen, here and nowhere else; what comes back (a dragged range, a cursor) is put into MHz again. Offsets, widths and
RBW stay in kHz, densities in dBm/Hz, CSV as programs read it.
"""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from flask import has_request_context, request

from spectra.units import dbm_offset

__all__ = ["PLAIN", "UNITS_COOKIE", "Measures", "current_measures", "measures_of"]

UNITS_COOKIE = "sweepmuster_units"
_MHZ = {"MHz": 1.0, "GHz": 1e3, "kHz": 1e-3}
_SHIFT = {"MHz": 0, "GHz": 3, "kHz": -3}
_NUMBER = r"[-−+]?\d[\d\u202f]*(?:\.\d+)?"
_VALUE = rf"({_NUMBER})(?: ± ({_NUMBER}))?"
_FREQUENCY = re.compile(rf"(?:({_NUMBER}) (to|bis|and|und) )?{_VALUE} MHz(?![\w/])")
_LEVEL = re.compile(rf"(?:({_NUMBER}) (to|bis|and|und) )?{_VALUE} dBm(?![\w/])")
_RATE = re.compile(rf"{_VALUE} kBd\b")
_HOVER = re.compile(r"%\{(x|y|z):\.(\d+)f\} (MHz|dBm)\b")


@dataclass(frozen=True, slots=True)
class Measures:
    """Units chosen; `impedance` is what a dBµV is taken over, in ohm."""

    frequency: str = "MHz"
    level: str = "dBm"
    impedance: int = 50
    rate: str = "kBd"

    @property
    def text(self) -> str:
        """The units as a cookie holds them."""
        return f"{self.frequency}.{self.level.replace('µ', 'u')}.{self.impedance}.{self.rate}"

    @property
    def up(self) -> float:
        """What a level in dBm has to be raised by to be one in the unit chosen."""
        return 0.0 if self.level == "dBm" else -dbm_offset("dBuV", float(self.impedance))

    def shown(self, mhz: float) -> float:
        """Return a frequency in the unit chosen."""
        return mhz / _MHZ[self.frequency]

    def mhz(self, shown: float) -> float:
        """Return a frequency in MHz from one in the unit chosen."""
        return shown * _MHZ[self.frequency]

    def said(self, text: str) -> str:
        """Return a text with its frequencies, levels and symbol rates in the units chosen, to the same digits."""
        if self.frequency != "MHz":
            scale, more = 1.0 / _MHZ[self.frequency], _SHIFT[self.frequency]
            text = _FREQUENCY.sub(lambda m: _again(m, scale, 0.0, more, self.frequency), text)
            text = re.sub(r"\b(IF|RF|ZF|HF|[AB]) / MHz", rf"\1 / {self.frequency}", text)
        if self.level != "dBm":
            text = _LEVEL.sub(lambda m: _again(m, 1.0, self.up, 0, self.level), text)
            text = re.sub(r"(level|Pegel) / dBm", rf"\1 / {self.level}", text)
        if self.rate != "kBd":
            text = _RATE.sub(lambda m: _values(m.group(1), m.group(2), 1e-3, 0.0, 3) + f" {self.rate}", text)
        return text

    def redrawn(self, figure: dict[str, Any]) -> dict[str, Any]:
        """Return a figure, as plain values, with axes, lines, marks and what shows on hover in the units chosen."""
        layout = {**figure["layout"]}
        across = {
            name[0] + name[5:]: self._of_axis(layout[name]) for name in layout if name.startswith(("xaxis", "yaxis"))
        }
        for name in list(layout):
            if name.startswith(("xaxis", "yaxis")):
                layout[name] = self._axis(layout[name], *across[name[0] + name[5:]])
        for kind in ("shapes", "annotations"):
            layout[kind] = [self._mark(item, across) for item in layout.get(kind) or ()]
        return {**figure, "layout": layout, "data": [self._trace(trace, across) for trace in figure["data"]]}

    def _of_axis(self, axis: dict[str, Any]) -> tuple[float, float]:
        """Return what values along an axis are multiplied by, and what is added to them."""
        title = axis.get("title") or ""
        said = title.get("text") or "" if isinstance(title, dict) else title
        said = said or axis.get("title_text") or ""
        if said.endswith("MHz") or "/ MHz" in said:
            return 1.0 / _MHZ[self.frequency], 0.0
        return (1.0, self.up) if said.endswith("dBm") else (1.0, 0.0)

    def _axis(self, axis: dict[str, Any], scale: float, up: float) -> dict[str, Any]:
        found = {**axis}
        if axis.get("range") is not None:
            found["range"] = [None if v is None else float(v) * scale + up for v in axis["range"]]
        title = axis.get("title")
        if isinstance(title, dict) and title.get("text"):
            found["title"] = {**title, "text": self.said(self._named(title["text"]))}
        elif isinstance(title, str):
            found["title"] = self.said(self._named(title))
        return found

    def _named(self, title: str) -> str:
        if title.endswith("/ MHz"):
            return title[:-3] + self.frequency
        return title[:-3] + self.level if title.endswith("/ dBm") else title

    def _mark(self, mark: dict[str, Any], across: dict[str, tuple[float, float]]) -> dict[str, Any]:
        found = {**mark}
        for name in ("x", "x0", "x1", "y", "y0", "y1"):
            place = str(mark.get(f"{name[0]}ref", ""))
            if place in across and isinstance(mark.get(name), int | float):
                scale, up = across[place]
                found[name] = float(mark[name]) * scale + up
        return found

    def _trace(self, trace: dict[str, Any], across: dict[str, tuple[float, float]]) -> dict[str, Any]:
        found = {**trace}
        for name in ("x", "y"):
            scale, up = across.get(str(trace.get(f"{name}axis", name)), (1.0, 0.0))
            if trace.get(name) is not None and (scale, up) != (1.0, 0.0):
                found[name] = _moved(trace[name], scale, up)
        if trace.get("type") == "heatmap" and trace.get("z") is not None and self.up:
            found["z"] = _moved(trace["z"], 1.0, self.up)
            bar = trace.get("colorbar") or {}
            if (bar.get("title") or {}).get("text") == "dBm":
                found["colorbar"] = {**bar, "title": {**bar["title"], "text": self.level}}
            found |= {name: trace[name] + self.up for name in ("zmin", "zmax") if trace.get(name) is not None}
        if isinstance(trace.get("hovertemplate"), str):
            found["hovertemplate"] = _HOVER.sub(self._hover, trace["hovertemplate"])
        return found

    def _hover(self, found: re.Match[str]) -> str:
        name, digits, unit = found.group(1), int(found.group(2)), found.group(3)
        if unit == "MHz":
            return f"%{{{name}:.{max(0, digits + _SHIFT[self.frequency])}f}} {self.frequency}"
        return f"%{{{name}:.{digits}f}} {self.level}"


PLAIN = Measures()


def _values(value: str, std: str | None, scale: float, up: float, more: int) -> str:
    digits = max(0, len(value.partition(".")[2]) + more)
    shown = f"{_plain(value) * scale + up:.{digits}f}"
    if value[0] == "+" and shown[0] != "-":
        shown = "+" + shown
    return shown if std is None else f"{shown} ± {_plain(std) * scale:.{digits}f}"


def _plain(text: str) -> float:
    return float(text.replace("\u202f", "").replace("−", "-"))


def _again(found: re.Match[str], scale: float, up: float, more: int, unit: str) -> str:
    first = "" if found.group(1) is None else f"{_values(found.group(1), None, scale, up, more)} {found.group(2)} "
    return f"{first}{_values(found.group(3), found.group(4), scale, up, more)} {unit}"


def _moved(values: Any, scale: float, up: float) -> Any:
    """Return an array of a figure moved; gaps stay gaps."""
    if isinstance(values, dict) and "bdata" in values:  # as the drawing library packs arrays
        raw = np.frombuffer(base64.b64decode(values["bdata"]), dtype=np.dtype(values["dtype"]))
        if "shape" in values:
            raw = raw.reshape([int(part) for part in str(values["shape"]).split(",")])
        return raw * scale + up
    if isinstance(values, np.ndarray):
        return values * scale + up
    return [
        None if item is None else _moved(item, scale, up) if isinstance(item, list | tuple) else item * scale + up
        for item in values
    ]


def measures_of(text: str) -> Measures:
    """Return the units that a cookie tells; the usual ones in place of what makes no sense."""
    parts = (text.split(".") + [""] * 4)[:4]
    return Measures(
        parts[0] if parts[0] in _MHZ else "MHz",
        "dBµV" if parts[1] == "dBuV" else "dBm",
        75 if parts[2] == "75" else 50,
        "MBd" if parts[3] == "MBd" else "kBd",
    )


def current_measures() -> Measures:
    """Return the units that the browser at hand asks for."""
    return measures_of(request.cookies.get(UNITS_COOKIE, "")) if has_request_context() else PLAIN
