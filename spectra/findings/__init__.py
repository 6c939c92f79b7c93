"""Room findings: rules over captures, one file a subject; `table.py` alone knows them all."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spectra.findings.axis import sweep_to_if as sweep_to_if
    from spectra.findings.capture import capture_findings as capture_findings
    from spectra.findings.clock import CaptureTime as CaptureTime
    from spectra.findings.clock import capture_time as capture_time
    from spectra.findings.compare import compare as compare
    from spectra.findings.trend import trend as trend

_HOME = {
    "CaptureTime": "clock",
    "capture_findings": "capture",
    "capture_time": "clock",
    "compare": "compare",
    "sweep_to_if": "axis",
    "trend": "trend",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'spectra.findings' has no attribute {name!r}")
    value = getattr(import_module(f"spectra.findings.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
