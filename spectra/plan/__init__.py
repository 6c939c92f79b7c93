"""Room plan: the carrier table, the receive chain, the geometry of the arc.

Names are looked up when first used: a command that needs only the chain does not pay for the rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from spectra.lazy import lazy_face

if TYPE_CHECKING:
    from spectra.plan.chain import Cable as Cable
    from spectra.plan.chain import LoState as LoState
    from spectra.plan.chain import ReceiveChain as ReceiveChain
    from spectra.plan.chainfile import load_chain as load_chain
    from spectra.plan.chainsave import save_chain as save_chain
    from spectra.plan.check import check_rows as check_rows
    from spectra.plan.check import check_table as check_table
    from spectra.plan.edit import replace_row as replace_row
    from spectra.plan.edit import with_rows as with_rows
    from spectra.plan.edit import without_rows as without_rows
    from spectra.plan.geometry import ArcStep as ArcStep
    from spectra.plan.geometry import LookAngles as LookAngles
    from spectra.plan.geometry import arc_step as arc_step
    from spectra.plan.geometry import look_angles as look_angles
    from spectra.plan.geometry import polarisation_skew_deg as polarisation_skew_deg
    from spectra.plan.geometry import separation_deg as separation_deg
    from spectra.plan.geometry import visible as visible
    from spectra.plan.lists import cut_into_lists as cut_into_lists
    from spectra.plan.merge import Conflict as Conflict
    from spectra.plan.merge import Merge as Merge
    from spectra.plan.merge import merge_tables as merge_tables
    from spectra.plan.problems import TableCheck as TableCheck
    from spectra.plan.problems import TableProblem as TableProblem
    from spectra.plan.save import save_table as save_table
    from spectra.plan.save import table_text as table_text
    from spectra.plan.scanfile import import_scan_file as import_scan_file
    from spectra.plan.scanfile import load_scan_folder as load_scan_folder
    from spectra.plan.store import load_table as load_table
    from spectra.plan.table import CarrierRow as CarrierRow
    from spectra.plan.table import CarrierTable as CarrierTable
    from spectra.plan.table import PlanList as PlanList

_HOME = {
    "Cable": "chain",
    "ArcStep": "geometry",
    "CarrierRow": "table",
    "CarrierTable": "table",
    "Conflict": "merge",
    "LoState": "chain",
    "LookAngles": "geometry",
    "Merge": "merge",
    "PlanList": "table",
    "ReceiveChain": "chain",
    "TableCheck": "problems",
    "TableProblem": "problems",
    "arc_step": "geometry",
    "check_rows": "check",
    "check_table": "check",
    "cut_into_lists": "lists",
    "import_scan_file": "scanfile",
    "load_chain": "chainfile",
    "load_scan_folder": "scanfile",
    "load_table": "store",
    "look_angles": "geometry",
    "merge_tables": "merge",
    "polarisation_skew_deg": "geometry",
    "replace_row": "edit",
    "save_chain": "chainsave",
    "save_table": "save",
    "separation_deg": "geometry",
    "table_text": "save",
    "visible": "geometry",
    "with_rows": "edit",
    "without_rows": "edit",
}

__all__ = sorted(_HOME)

__getattr__, __dir__ = lazy_face(__name__, _HOME)
