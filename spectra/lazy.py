"""A package's public names, each looked up in its module when first used: importing the package stays fast."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

__all__ = ["lazy_face"]


def lazy_face(package: str, home: Mapping[str, str]) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return the module functions `__getattr__` and `__dir__` of a package.

    Parameters
    ----------
    package : str
        The package's ``__name__``.
    home : mapping of str to str
        Public name to the module of the package that holds it.
    """

    def find(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{home[name]}"), name)
        setattr(sys.modules[package], name, value)
        return value

    def names() -> list[str]:
        return sorted({*vars(sys.modules[package]), *home})

    return find, names
