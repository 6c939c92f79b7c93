"""Whether the inner loops of the fit run compiled.

They do where numba is installed (the extra `fast`), from the third measurement of a process on: to load them takes as
long as some fifteen measurements save, which one file or a pair would never see again. ``SWEEPMUSTER_COMPILED=0`` says
never, ``1`` from the first. The answers are the same to rounding.
"""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from types import ModuleType

__all__ = ["begin", "loops", "use"]

_FEW = 2  # measurements that are not worth loading anything for

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Choice:
    """What this process does: the one thing here that changes."""

    measured: int = 0
    settled: bool = False
    found: ModuleType | None = None


_choice = _Choice()


def begin() -> None:
    """Count a measurement that begins, and load the loops once they are worth it."""
    if _choice.settled:
        return
    _choice.measured += 1
    way = os.environ.get("SWEEPMUSTER_COMPILED", "")
    if way == "1" or (way != "0" and _choice.measured > _FEW):
        use(True)


def use(compiled: bool) -> bool:
    """Run compiled from now on, or by numpy; say whether the loops run compiled."""
    _choice.settled = True
    _choice.found = _load() if compiled else None
    return _choice.found is not None


def loops() -> ModuleType | None:
    """Return the module of compiled loops, None where numpy does it all."""
    return _choice.found


def _load() -> ModuleType | None:
    try:
        from spectra.measure import loops as found
    except ImportError:
        return None
    if not found.kept():
        _log.warning("Compiling the inner loops of the measurement: once after an installation, up to half a minute.")
    return found
