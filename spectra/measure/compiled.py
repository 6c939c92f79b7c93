"""Whether the inner loops of the fit run compiled.

They do where numba is installed (the extra `fast`), unless the environment says ``SWEEPMUSTER_COMPILED=0``. The answers
are the same to rounding; what runs in one process runs in all, so that results can be compared to the last digit.
"""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from types import ModuleType

__all__ = ["loops", "use"]

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Choice:
    """What this process does, once it has been asked: the one thing here that changes."""

    made: bool = False
    found: ModuleType | None = None


_choice = _Choice()


def loops() -> ModuleType | None:
    """Return the module of compiled loops, None where numpy does it all."""
    if not _choice.made:
        use(os.environ.get("SWEEPMUSTER_COMPILED", "1") != "0")
    return _choice.found


def use(compiled: bool) -> bool:
    """Run compiled from now on, or by numpy; say whether the loops run compiled."""
    _choice.found = _load() if compiled else None
    _choice.made = True
    return _choice.found is not None


def _load() -> ModuleType | None:
    try:
        from spectra.measure import loops as found

        known = found.kept()
    except ImportError:
        return None
    if not known:
        _log.warning("Compiling the inner loops of the measurement: once after an installation, up to half a minute.")
    return found
