"""Whether the inner loops of the fit run compiled.

They do where numba is installed (the extra `fast`), unless the environment says ``SWEEPMUSTER_COMPILED=0``. The answers
are the same to rounding.
"""

from __future__ import annotations

import logging
import os
from functools import lru_cache
from types import ModuleType

__all__ = ["loops"]

_log = logging.getLogger(__name__)


@lru_cache(maxsize=1)
def loops() -> ModuleType | None:
    """Return the module of compiled loops, None where numpy does it all."""
    if os.environ.get("SWEEPMUSTER_COMPILED", "1") == "0":
        return None
    try:
        from spectra.measure import loops as found
    except ImportError:
        return None
    if not found.kept():
        _log.warning("Compiling the inner loops of the measurement: once after an installation, up to half a minute.")
    return found
