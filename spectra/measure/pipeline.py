"""The whole of `measure`: solve, tell, judge."""

from __future__ import annotations

import numpy as np

from spectra.errors import MeasurementError
from spectra.measure.engine import solve
from spectra.measure.measurement import Measurement
from spectra.measure.mend import mended
from spectra.measure.quality import quality_findings
from spectra.measure.results import carriers_of, floor_of
from spectra.sweep import Sweep
from spectra.units import DB_PER_NEPER

__all__ = ["LEAST_POINTS", "measured"]

LEAST_POINTS = 16


def measured(sweep: Sweep, false_alarms_per_sweep: float) -> Measurement:
    """Return the measurement of a sweep (see `spectra.measure.measure`)."""
    if not 1e-9 <= false_alarms_per_sweep <= 1.0:
        raise MeasurementError(
            "false_alarms_per_sweep", None, repr(false_alarms_per_sweep), "between 1e-9 and 1", "0.01 is usual."
        )
    if sweep.points < LEAST_POINTS:
        raise MeasurementError(
            sweep.origin.file,
            None,
            f"{sweep.points} points",
            f"at least {LEAST_POINTS}, to part floor and carriers",
            "Sweep again with more points.",
        )
    solution = mended(solve(sweep, false_alarms_per_sweep))
    floor, frame = floor_of(solution, sweep.frequency_hz)
    carriers = carriers_of(solution, frame)
    shown = solution.reference_dbm + DB_PER_NEPER * solution.shown(solution.at.eta + solution.trace.law.mean)
    model = solution.at_points(shown, sweep.frequency_hz)
    readings, readings_std = float(solution.law.law.readings), solution.law.readings_std
    if solution.merged > 1:  # the law is that of merged points; one point scatters more
        scatter = sweep.level_dbm - model
        spread = float(np.mean(np.minimum(scatter**2, 9.0 * np.median(scatter**2) / 0.4549))) / DB_PER_NEPER**2
        readings = max(1.0, readings * solution.trace.law.variance / spread)
    return Measurement(
        sweep=sweep,
        floor=floor,
        carriers=carriers,
        readings_per_point=readings,
        readings_std=None if readings_std is None else readings_std * readings / float(solution.law.law.readings),
        correlated_points=solution.law.correlated_points,
        model_dbm=np.asarray(model),
        findings=quality_findings(sweep, solution, floor, carriers),
        false_alarms_per_sweep=false_alarms_per_sweep,
    )
