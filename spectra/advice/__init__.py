"""Room advice: which sweep to take next.

`next_sweep(table, chain, ...)` plans for a table, `parting_sweeps(identification, table, chain)` for what an
identification leaves open; other questions state a `Demand` and call `plan_sweep`.
"""

from spectra.advice.analyser import AnalyserModel, SweepTimeModel
from spectra.advice.engine import plan_sweep
from spectra.advice.outlook import SweepOutlook
from spectra.advice.parting import parting_sweeps
from spectra.advice.quality import next_sweep, rows_nowhere
from spectra.advice.sweeps import Demand, PlannedSweep, RowOutlook, Segment

__all__ = [
    "AnalyserModel",
    "Demand",
    "PlannedSweep",
    "RowOutlook",
    "Segment",
    "SweepOutlook",
    "SweepTimeModel",
    "next_sweep",
    "parting_sweeps",
    "plan_sweep",
    "rows_nowhere",
]
