"""Identification: which satellite, polarisation and LO state the sweeps show, and how sure that is."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spectra.identify.engine import identify as identify
    from spectra.identify.identification import Identification

__all__ = ["identify"]


def __getattr__(name: str) -> Any:
    if name != "identify":
        raise AttributeError(f"module 'spectra.identify' has no attribute {name!r}")
    from spectra.identify.engine import identify

    globals()[name] = identify
    return identify


class _CallableModule(ModuleType):
    """The room and its one function share a name; ``spectra.identify(...)`` works whichever was imported first."""

    def __call__(self, *args: Any, **options: Any) -> Identification:
        from spectra.identify.engine import identify

        return identify(*args, **options)


sys.modules[__name__].__class__ = _CallableModule
