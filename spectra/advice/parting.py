"""The sweeps that an identification asks for, planned: what best parts the rivals, as an analyser can take it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from spectra.advice.analyser import AnalyserModel
from spectra.advice.engine import plan_sweep
from spectra.advice.quality import ASSUMED_CN_DB, demand_for, select_step
from spectra.advice.sweeps import PlannedSweep
from spectra.finding import step

if TYPE_CHECKING:
    from spectra.identify.identification import Identification, NextSweep
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["parting_sweeps"]


def parting_sweeps(
    identification: Identification,
    table: CarrierTable,
    chain: ReceiveChain,
    *,
    analyser: AnalyserModel | None = None,
    certainty: float = 0.95,
    false_alarms_per_sweep: float = 0.01,
    assumed_cn_db: float = ASSUMED_CN_DB,
    most_averages: int = 100,
) -> tuple[PlannedSweep, ...]:
    """Plan the sweeps of `identification.next_sweeps`, in the same order.

    Parameters
    ----------
    identification : Identification
        With the verdict `probable` or `ambiguous`; others ask for no sweep.
    table, chain
        Those it was made with.
    analyser : AnalyserModel or None
    certainty, false_alarms_per_sweep, assumed_cn_db, most_averages
        As in `next_sweep`.

    Returns
    -------
    tuple of PlannedSweep
        Each shows the rows that part the rivals, those of the rivals too; empty where nothing is open.
    """
    model = analyser or AnalyserModel()
    return tuple(
        _planned(
            sweep, identification, table, chain, model, certainty, false_alarms_per_sweep, assumed_cn_db, most_averages
        )
        for sweep in identification.next_sweeps
    )


def _planned(
    sweep: NextSweep,
    identification: Identification,
    table: CarrierTable,
    chain: ReceiveChain,
    analyser: AnalyserModel,
    certainty: float,
    false_alarms_per_sweep: float,
    assumed_cn_db: float,
    most_averages: int,
) -> PlannedSweep:
    state = chain.state(sweep.lo_state)
    # rows of both polarisations may be looked for: rivals need not have that of the answer
    demand = demand_for(table, chain, replace(state, polarisation=None), assumed_cn_db=assumed_cn_db)
    assert demand is not None  # the sweep lies in the IF that this LO state shows
    demand = demand.only(np.isin(demand.row, [row.row for row in sweep.rows]))
    rates = demand.symbol_rate_bd[np.isfinite(demand.symbol_rate_bd)]
    demand = replace(
        demand,
        window_hz=(sweep.start_hz, sweep.stop_hz),
        narrowest_hz=float(rates.min()) if rates.size else 3.0 * sweep.rbw_hz,
        polarisation=sweep.polarisation,
        satellite=identification.satellite,
        lo_state=state.name,
    )
    planned = plan_sweep(
        demand,
        analyser,
        certainty=certainty,
        false_alarms_per_sweep=false_alarms_per_sweep,
        least_averages=min(10, most_averages),
        most_averages=most_averages,
        narrowest_cn_db=assumed_cn_db,
    )
    port = "opposite polarisation" if sweep.opposite_port else "same polarisation as before"
    steps = (select_step(state), step(f"Take it on the port of the {port}."), *planned.next_steps)
    return replace(planned, next_steps=steps)
