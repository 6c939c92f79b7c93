"""Sweepmuster: from saved analyser sweeps to "which satellite, which polarisation, where is the LO, what is wrong".

The names below are the public face. They are looked up when first used, so that ``import spectra`` stays fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spectra.capture import Capture as Capture
    from spectra.capture import Context as Context
    from spectra.errors import SpectraError as SpectraError
    from spectra.finding import Finding as Finding
    from spectra.findings import compare as compare
    from spectra.findings.comparison import Comparison as Comparison
    from spectra.identify import identify as identify
    from spectra.identify.identification import Identification as Identification
    from spectra.measure import measure as measure
    from spectra.measure.analyser import without_analyser_noise as without_analyser_noise
    from spectra.measure.budget import budget as budget
    from spectra.measure.margin import margin as margin
    from spectra.measure.measurement import Carrier as Carrier
    from spectra.measure.measurement import Measurement as Measurement
    from spectra.plan import load_chain as load_chain
    from spectra.plan import load_table as load_table
    from spectra.plan.chain import LoState as LoState
    from spectra.plan.chain import ReceiveChain as ReceiveChain
    from spectra.plan.table import CarrierTable as CarrierTable
    from spectra.readers import load_capture as load_capture
    from spectra.readers import read_sweep as read_sweep
    from spectra.readers import read_sweeps as read_sweeps
    from spectra.simulate import simulate as simulate
    from spectra.sweep import Settings as Settings
    from spectra.sweep import Sweep as Sweep
    from spectra.visit import Visit as Visit
    from spectra.visit import VisitReview as VisitReview
    from spectra.visit import load_visit as load_visit
    from spectra.visit import review_visit as review_visit

__version__ = "0.1.0"

_HOME = {
    "Capture": "spectra.capture",
    "Carrier": "spectra.measure.measurement",
    "CarrierTable": "spectra.plan.table",
    "Comparison": "spectra.findings.comparison",
    "Context": "spectra.capture",
    "Finding": "spectra.finding",
    "Identification": "spectra.identify.identification",
    "LoState": "spectra.plan.chain",
    "Measurement": "spectra.measure.measurement",
    "ReceiveChain": "spectra.plan.chain",
    "Settings": "spectra.sweep",
    "SpectraError": "spectra.errors",
    "Sweep": "spectra.sweep",
    "budget": "spectra.measure.budget",
    "compare": "spectra.findings",
    "Visit": "spectra.visit",
    "VisitReview": "spectra.visit",
    "identify": "spectra.identify",
    "load_capture": "spectra.readers",
    "load_chain": "spectra.plan",
    "load_table": "spectra.plan",
    "load_visit": "spectra.visit",
    "margin": "spectra.measure.margin",
    "measure": "spectra.measure",
    "read_sweep": "spectra.readers",
    "read_sweeps": "spectra.readers",
    "review_visit": "spectra.visit",
    "simulate": "spectra.simulate",
    "without_analyser_noise": "spectra.measure.analyser",
}

__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'spectra' has no attribute {name!r}")
    value = getattr(import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
