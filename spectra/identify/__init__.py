"""Identification: which satellite, polarisation and LO state the sweeps show, and how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spectra.identify.engine import identify as identify

__all__ = ["identify"]


def __getattr__(name: str) -> Any:
    if name != "identify":
        raise AttributeError(f"module 'spectra.identify' has no attribute {name!r}")
    from spectra.identify.engine import identify

    globals()[name] = identify
    return identify
