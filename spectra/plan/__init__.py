"""Room plan: the carrier table, the receive chain, the geometry of the arc.

Names are looked up when first used: a command that needs only the chain does not pay for the rest.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spectra.plan.chain import Cable as Cable
    from spectra.plan.chain import LoState as LoState
    from spectra.plan.chain import ReceiveChain as ReceiveChain
    from spectra.plan.chainfile import load_chain as load_chain
    from spectra.plan.chainfile import save_chain as save_chain
    from spectra.plan.lists import cut_into_lists as cut_into_lists
    from spectra.plan.scanfile import import_scan_file as import_scan_file
    from spectra.plan.scanfile import load_scan_folder as load_scan_folder
    from spectra.plan.store import load_table as load_table
    from spectra.plan.table import CarrierRow as CarrierRow
    from spectra.plan.table import CarrierTable as CarrierTable
    from spectra.plan.table import PlanList as PlanList

_HOME = {
    "Cable": "chain",
    "CarrierRow": "table",
    "CarrierTable": "table",
    "LoState": "chain",
    "PlanList": "table",
    "ReceiveChain": "chain",
    "cut_into_lists": "lists",
    "import_scan_file": "scanfile",
    "load_chain": "chainfile",
    "load_scan_folder": "scanfile",
    "load_table": "store",
    "save_chain": "chainfile",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'spectra.plan' has no attribute {name!r}")
    value = getattr(import_module(f"spectra.plan.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
