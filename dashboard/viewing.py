"""How a sweep is looked at: from an address, and after what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dashboard.measures import Measures

__all__ = ["MOVES", "in_mhz", "next_view", "view_of"]

MOVES = ("in", "out", "left", "right", "all")
_STEP = 0.5
"""Part of the shown span that one press of a button moves by."""


def view_of(query: Mapping[str, Any]) -> dict[str, Any]:
    """Return the view that an address or a store tells, as plain values; what makes no sense is left out."""

    def number(name: str) -> float | None:
        try:
            found = float(query.get(name) or "nan")
        except (TypeError, ValueError):
            return None
        return found if abs(found) < 1e6 else None

    start, stop = number("from"), number("to")
    if start is None or stop is None or not stop > start:
        start = stop = None
    carrier = number("carrier")
    chosen = None if carrier is None else int(carrier)
    return {"from": start, "to": stop, "carrier": chosen, "a": number("a"), "b": number("b")}


def in_mhz(sent: Mapping[str, Any], measures: Measures) -> dict[str, Any]:
    """Return what was done in a picture or a field with its frequencies in MHz, from the unit that was shown."""
    found = dict(sent)
    if measures.frequency == "MHz":
        return found
    if isinstance(sent["figure"], Mapping):
        found["figure"] = {
            key: measures.mhz(float(value)) if key.startswith("xaxis.range[") else value
            for key, value in sent["figure"].items()
        }
    points = (sent["click"] or {}).get("points") or []
    if points:
        moved = [{**p, "x": measures.mhz(p["x"])} if isinstance(p.get("x"), int | float) else p for p in points]
        found["click"] = {**sent["click"], "points": moved}
    for name in ("a", "b"):
        try:
            found[name] = str(measures.mhz(float(str(sent[name] or "").replace(",", "."))))
        except ValueError:
            found[name] = sent[name]
    return found


def next_view(view: Mapping[str, Any], span_mhz: tuple[float, float], trigger: str, sent: Any) -> dict[str, Any]:
    """Return the view after something was done.

    Parameters
    ----------
    view : mapping
        The view before, as of `view_of`.
    span_mhz : tuple
        First and last frequency of the sweep.
    trigger : str
        What was done: ``figure`` (dragged in the picture), ``click`` (in it), ``chosen`` (a carrier), ``a`` or ``b``
        (a cursor's frequency), or one of the buttons.
    sent : object
        What came with it.
    """
    found = dict(view)
    low, high = (found["from"], found["to"]) if found["from"] is not None else span_mhz
    if trigger == "figure":
        low, high = _dragged(sent or {}, (low, high), span_mhz)
    elif trigger in MOVES:
        low, high = _moved(trigger, low, high, span_mhz)
    elif trigger == "chosen":
        found["carrier"] = None if sent is None or int(sent) == found["carrier"] else int(sent)
    elif trigger in ("a", "b"):
        found[trigger] = view_of({trigger: str(sent or "").replace(",", ".")})[trigger]
    elif trigger == "click":
        point = ((sent or {}).get("points") or [{}])[0]
        if point.get("customdata") is not None:
            found["carrier"] = int(point["customdata"])
        elif isinstance(point.get("x"), int | float):
            # first A, then B, then A anew
            name = "b" if found["a"] is not None and found["b"] is None else "a"
            found[name] = round(float(point["x"]), 4)
            if name == "a":
                found["b"] = None
    low, high = max(low, span_mhz[0]), min(high, span_mhz[1])
    whole = low <= span_mhz[0] and high >= span_mhz[1]
    found["from"], found["to"] = (None, None) if whole or not high > low else (low, high)
    return found


def _dragged(sent: Mapping[str, Any], now: tuple[float, float], whole: tuple[float, float]) -> tuple[float, float]:
    if "xaxis.range[0]" in sent:
        low, high = sorted((float(sent["xaxis.range[0]"]), float(sent["xaxis.range[1]"])))
        return low, high
    return whole if sent.get("xaxis.autorange") else now


def _moved(move: str, low: float, high: float, whole: tuple[float, float]) -> tuple[float, float]:
    middle, width = (low + high) / 2.0, high - low
    if move == "all":
        return whole
    if move in ("in", "out"):
        half = width * (0.25 if move == "in" else 1.0)
        return middle - half, middle + half
    step = width * (_STEP if move == "right" else -_STEP)
    step = min(max(step, whole[0] - low), whole[1] - high)
    return low + step, high + step
