"""Sweeps that an identification asks for, as settings. Expected values are derived from the scene."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from spectra.advice import AnalyserModel, parting_sweeps
from spectra.identify.identification import THRESHOLDS, Candidate, Expected, Identification, LookFor, NextSweep
from spectra.plan.chain import ReceiveChain
from spectra.plan.table import CarrierTable

ROWS = """Nimbus Test,H,10970,modulated,5000,,0.2,9
Nimbus Test,H,11003,modulated,3000,,0.2,9
Stratus Test,H,10985,modulated,4500,,0.2,9
Stratus Test,V,11300,modulated,4500,,0.2,9
"""


def _open(chain: ReceiveChain, table: CarrierTable, sweeps: tuple[NextSweep, ...]) -> Identification:
    best = Candidate(satellite="Nimbus Test", polarisation="H", lo_state="low H")
    return Identification(
        "ambiguous", best, False, Expected(), (best,), (), (), (), table.file, table.sha256, len(table), chain.name,
        THRESHOLDS, next_sweeps=sweeps,
    )  # fmt: skip


def test_the_rows_of_all_rivals_are_planned_for(chain: ReceiveChain, make_table: Callable[[str], CarrierTable]) -> None:
    table = make_table(ROWS)
    look = tuple(
        LookFor(line, name, "H", rf / 1e6, rf - 9.75e9)
        for line, name, rf in ((2, "Nimbus Test", 10.97e9), (4, "Stratus Test", 10.985e9), (3, "Nimbus Test", 11.003e9))
    )
    wish = NextSweep("low H", "H", False, 1.21e9, 1.27e9, 1e6, 3.2, ("Stratus Test/H",), look)
    (sweep,) = parting_sweeps(_open(chain, table, (wish,)), table, chain, analyser=AnalyserModel(1001))
    assert {row.row for row in (*sweep.shows, *sweep.cannot_show)} == {2, 3, 4}
    assert sweep.rbw_hz == 1e6  # a third of the narrowest, 3 MBd
    assert sweep.segments[0].start_hz == pytest.approx(1.21e9)
    assert sweep.segments[-1].stop_hz == pytest.approx(1.27e9)
    texts = [step.text for step in sweep.next_steps]
    assert "LO state low H" in texts[0]
    assert "same polarisation" in texts[1]
    assert "dc_on_coax" in sweep.next_steps[1].cautions


def test_nothing_open_nothing_planned(chain: ReceiveChain, make_table: Callable[[str], CarrierTable]) -> None:
    table = make_table(ROWS)
    assert parting_sweeps(_open(chain, table, ()), table, chain) == ()
