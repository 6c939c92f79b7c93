"""JSON schemas of every result that outside programs read, one file a kind: ``sweepmuster/<kind>/1``."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

__all__ = ["kinds", "load"]


def kinds() -> tuple[str, ...]:
    """Return the kinds that have a schema."""
    return tuple(sorted(item.name[:-5] for item in files(__name__).iterdir() if item.name.endswith(".json")))


def load(kind: str) -> dict[str, Any]:
    """Return the schema (JSON Schema draft 2020-12) of a kind, such as ``measurement``.

    Raises
    ------
    KeyError
        If there is none of that kind.
    """
    if kind not in kinds():
        raise KeyError(kind)
    schema: dict[str, Any] = json.loads((files(__name__) / f"{kind}.json").read_text(encoding="utf-8"))
    return schema
