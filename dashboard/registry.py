"""Pages: what one is, where the user is, and how pages are found.

Every module of `dashboard.pages` with a `PAGE` (or `PAGES`, a tuple) adds itself; nothing else names it.
"""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, quote, urlencode

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.desk import Desk

__all__ = ["Page", "Place", "Table", "find_pages", "link", "match"]

_PART = re.compile(r"<(\w+)>")


@dataclass(frozen=True, slots=True)
class Place:
    """Where the user is: parts of the path and of the query, as text; and the colour scheme."""

    path: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    query: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    scheme: str = "light"

    def number(self, name: str) -> float | None:
        """Return a query value as a number; None where it is none."""
        try:
            value = float(self.query[name])
        except (KeyError, ValueError):
            return None
        return value if abs(value) < float("inf") else None

    def whole(self, name: str, otherwise: int = 0) -> int:
        """Return a query value as a whole number, not negative."""
        text = self.query.get(name, "")
        return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else otherwise


@dataclass(frozen=True, slots=True)
class Table:
    """A table as it is handed out: file name without its ending, head, rows of plain values."""

    name: str
    head: Sequence[str]
    rows: Sequence[Sequence[Any]]


def _nothing(app: Dash, desk: Desk) -> None:
    """Register nothing."""


@dataclass(frozen=True, slots=True)
class Page:
    """One page.

    Attributes
    ----------
    name : str
        Stable name, for links.
    path : str
        Address; ``<visit>`` and the like stand for one part each; the visit ``any`` is that of the capture. A last part
        ``<capture>`` may be missing: the page then shows the one that `Desk.pick` picks.
    title : str
        What stands in the browser's tab and, where `nav` or `tab` is set, in the menu.
    layout : callable
        ``layout(desk, place)`` gives the components; they show the state that the address tells.
    register : callable
        ``register(app, desk)`` adds the callbacks.
    nav, tab : int or None
        Place in the menu of the whole (no parts in the path), or among the tabs of a visit or capture.
    tables : mapping
        Tables that can be taken as CSV: ``name: function(desk, place) -> Table``; see `dashboard.parts.csv_link`.
    """

    name: str
    path: str
    title: str
    layout: Callable[[Desk, Place], Any]
    register: Callable[[Dash, Desk], None] = _nothing
    nav: int | None = None
    tab: int | None = None
    tables: Mapping[str, Callable[[Desk, Place], Table]] = field(default_factory=lambda: MappingProxyType({}))

    def fits(self, path: str) -> dict[str, str] | None:
        """Return the parts of a path that this page answers, else None."""
        pattern = _PART.sub(r"(?P<\1>[0-9A-Za-z_-]+)", self.path.replace("/<capture>", "(?:/<capture>)?"))
        found = re.fullmatch(pattern, path.rstrip("/") or "/")
        return None if found is None else {name: part for name, part in found.groupdict().items() if part is not None}

    def address(self, **parts: str | None) -> str:
        """Return the address of this page; a capture that is not named is left out."""
        path = self.path if parts.get("capture") else self.path.replace("/<capture>", "")
        return _PART.sub(lambda part: parts[part.group(1)] or "", path)


def find_pages() -> tuple[Page, ...]:
    """Return the pages of all modules of `dashboard.pages`."""
    import dashboard.pages as home

    found: list[Page] = []
    for item in pkgutil.iter_modules(home.__path__):
        module = import_module(f"{home.__name__}.{item.name}")
        found += getattr(module, "PAGES", None) or ([module.PAGE] if hasattr(module, "PAGE") else [])
    return tuple(found)


def match(pages: Sequence[Page], path: str, search: str = "", scheme: str = "light") -> tuple[Page, Place] | None:
    """Return the page that answers an address, and the place it tells."""
    for page in pages:
        parts = page.fits(path)
        if parts is not None:
            query = dict(parse_qsl(search.lstrip("?"), max_num_fields=40))
            return page, Place(MappingProxyType(parts), MappingProxyType(query), scheme)
    return None


def link(path: str, **query: Any) -> str:
    """Return an address with those query values that are set; parts of the path are quoted."""
    kept = {key: value for key, value in query.items() if value not in (None, "")}
    return quote(path, safe="/") + (f"?{urlencode(kept)}" if kept else "")
