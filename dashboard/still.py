"""What stands still: parts of a page that no callback touches go to the browser as one piece each.

The component library keeps every element of a page under watch, and a page of many hundreds then takes long to come and
to go. Text, tables and findings need no watch. They are sent as plain lists of tag, attributes and children in an
attribute of the element that holds them, and ``assets/still.js`` makes real elements of them, text always as text.
"""

from __future__ import annotations

import json
from collections.abc import Container, Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

__all__ = ["settle_answer", "settled"]

_FEWEST = 4
"""Elements below which one more piece would gain nothing."""
_OWN_NAMES = {
    "className": "class",
    "htmlFor": "for",
    "tabIndex": "tabindex",
    "colSpan": "colspan",
    "rowSpan": "rowspan",
}
_KEPT = {"children", "n_clicks", "n_clicks_timestamp", "disable_n_clicks", "key", "refresh", "loading_state"}
_PLACES = ("/", "#", "http://", "https://", "mailto:")

Form = list[Any] | str | None
"""An element as ``[tag, attributes, child, ...]``, a text, or None for what is not still."""


def settled(value: Any, watched: Container[str]) -> Any:
    """Return components with their still parts as single pieces.

    Parameters
    ----------
    value : component, text, or a list of them
    watched : container of str
        Ids that callbacks read or write: these elements, and all that hold them, stay as they are.
    """
    if isinstance(value, list | tuple):
        return [settled(item, watched) for item in value]
    if not isinstance(value, Component):
        return value
    form, count = _visit(value, watched)
    return _piece(value, form) if form is not None and count >= _FEWEST else value


def settle_answer(value: Any, properties: Sequence[str], watched: Container[str]) -> Any:
    """Return what a callback answers, with the still parts of what becomes children as single pieces."""
    if len(properties) > 1 and isinstance(value, list | tuple) and len(value) == len(properties):
        pairs = zip(value, properties, strict=True)
        return tuple(settled(item, watched) if name == "children" else item for item, name in pairs)
    return settled(value, watched) if list(properties) == ["children"] else value


def _visit(part: Any, watched: Container[str]) -> tuple[Form, int]:
    """Return an element's form and how many it holds; its children that are still become pieces where it is not."""
    if part is None or isinstance(part, str | int | float):
        return ("" if part is None else str(part)), 0
    if not isinstance(part, Component):
        return None, 0
    said = getattr(part, "children", None)
    many = isinstance(said, list | tuple)
    children = list(said) if isinstance(said, list | tuple) else [said]
    found = [_visit(child, watched) for child in children]
    count = 1 + sum(number for _, number in found)
    attributes = _attributes(part, watched)
    if attributes is not None and all(form is not None for form, _ in found):
        tag = "a" if part._type == "Link" else part._type.lower()
        return [tag, attributes, *(form for form, _ in found if form != "")], count
    made = [
        _piece(child, form) if form is not None and number >= _FEWEST else child
        for child, (form, number) in zip(children, found, strict=True)
    ]
    if any(new is not old for new, old in zip(made, children, strict=True)):
        part.children = made if many else made[0]
    return None, count


def _attributes(part: Component, watched: Container[str]) -> dict[str, Any] | None:
    """Return the attributes of a still element under their own names; None where it is not still."""
    if part._namespace != "dash_html_components" and part._type != "Link":
        return None
    found: dict[str, Any] = {"data-go": ""} if part._type == "Link" else {}
    for name in part._prop_names:
        value = None if name in _KEPT else getattr(part, name, None)
        if value is None or value is False:
            continue
        if (name == "id" and (not isinstance(value, str) or value in watched)) or name == "style":
            return None
        found[_OWN_NAMES.get(name, name.lower())] = _plain(name, value)
    for name, value in vars(part).items():
        if name.startswith(("data-", "aria-")) and value is not None:
            found[name] = str(value)
    return found


def _plain(name: str, value: Any) -> Any:
    if value is True:
        return ""
    text = str(value)
    # as the component library does: an address that runs something is none
    return text if name not in ("href", "src") or text.startswith(_PLACES) else "about:blank"


def _piece(part: Any, form: Form) -> Any:
    """Return the element with all that it holds as one attribute."""
    if not isinstance(form, list):
        return part
    if part._type == "Link":  # the library's own: it stays one
        return part
    inside = json.dumps(form[2:], ensure_ascii=False, separators=(",", ":"))
    kept = {name: value for name in part._prop_names if (value := getattr(part, name, None)) is not None}
    kept |= {name: value for name, value in vars(part).items() if name.startswith(("data-", "aria-"))}
    kept.pop("children", None)
    made: Any = getattr(html, part._type)
    return made(**kept, **{"data-still": inside})
