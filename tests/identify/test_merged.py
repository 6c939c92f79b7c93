"""Neighbours that a sweep measures as one carrier. Expected edges, counts and slots are derived from the rows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from spectra.identify import identify, likeness, model
from spectra.identify.evidence import View
from spectra.identify.merged import merged_rows
from spectra.identify.prepared import prepare
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import ReceiveChain
from spectra.plan.table import CarrierTable

# four carriers of 4 MBd 6 MHz apart, gaps of 2 MHz between half-power edges, then six far apart on rates of their own
PLACES_MHZ = [10_800.0, 10_806.0, 10_812.0, 10_818.0, 10_900.0, 10_963.0, 11_041.0, 11_150.0, 11_222.0, 11_390.0]
RATES_KBD = [4_000.0] * 4 + [7_200.0, 15_500.0, 5_000.0, 11_000.0, 27_500.0, 9_300.0]


@pytest.fixture(scope="module")
def table(arc: CarrierTable) -> CarrierTable:
    """The invented arc and a satellite with four close neighbours."""
    rows: list[dict[str, Any]] = [
        {
            "satellite": "Juniper",
            "orbital_longitude_deg": 60.0,
            "polarisation": "H",
            "rf_mhz": place,
            "symbol_rate_kbd": rate,
        }
        for place, rate in zip(PLACES_MHZ, RATES_KBD, strict=True)
    ]
    others = [
        {
            "satellite": row.satellite,
            "orbital_longitude_deg": row.orbital_longitude_deg,
            "polarisation": row.polarisation,
            "rf_mhz": row.rf_hz / 1e6,
            "symbol_rate_kbd": (row.symbol_rate_bd or 5e6) / 1e3,
        }
        for row in arc
    ]
    return CarrierTable.from_rows([*others, *rows], "merged.csv")


def _view(averages: float = 10.0, spacing_hz: float = 1.2e6) -> View:
    return View(0, 950e6, 2150e6, 1e6, spacing_hz, averages / max(1.0, 1.5e6 / spacing_hz), 11.0, 3.0)


def test_every_run_of_close_neighbours_is_a_row_from_outer_edge_to_outer_edge() -> None:
    places, rates = np.array(PLACES_MHZ) * 1e6, np.array(RATES_KBD) * 1e3
    found = merged_rows(np.arange(10), np.zeros(10, np.intp), places, np.log(rates))
    runs = sorted(zip(found.slot.tolist(), found.last.tolist(), strict=True))
    assert runs == [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    whole = next(i for i in range(6) if (found.slot[i], found.last[i]) == (0, 3))
    # 10,798 to 10,820 MHz
    assert found.if_hz[whole] == pytest.approx(10_809e6)
    assert found.rate_bd[whole] == pytest.approx(22e6)
    assert found.inner_hz == pytest.approx(2e6)


def test_rows_of_two_lists_never_run_together() -> None:
    places, rates = np.array(PLACES_MHZ[:4]) * 1e6, np.full(4, 4e6)
    found = merged_rows(np.arange(4), np.array([0, 0, 1, 1]), places, np.log(rates))
    assert sorted(zip(found.slot.tolist(), found.last.tolist(), strict=True)) == [(0, 1), (2, 3)]


def test_wide_gaps_and_many_readings_part_neighbours() -> None:
    """Of simulated sweeps (1200 of the campaign's, 1001 points, ten averages): 0.8 at 1.5 RBW, 0.05 at 4 to 6."""
    gaps = np.array([0.5e6, 1.5e6, 2.5e6, 4e6, 6e6])
    usual = model.merging(_view(), gaps)
    assert np.all(np.diff(usual) < 0.0)
    assert usual[1] == pytest.approx(0.8, abs=0.1)
    assert usual[3] < 0.15
    assert usual[4] < 0.01
    assert np.all(model.merging(_view(averages=100.0), gaps) <= usual)
    assert np.all(model.merging(_view(spacing_hz=0.3e6), gaps) <= usual + 1e-9)


def test_a_row_beside_close_neighbours_seldom_shows_alone(table: CarrierTable, chain: ReceiveChain) -> None:
    prepared = prepare(table, chain)
    plan = next(i for i, each in enumerate(prepared.lists) if each.satellite == "Juniper")
    hyp = int(np.flatnonzero((prepared.hyp_list == plan) & (prepared.hyp_state == 0))[0])
    rows = np.arange(prepared.hyp_start[hyp], prepared.hyp_start[hyp + 1])
    alone, somehow = model.visibility((_view(),), prepared, rows, prepared.if_hz[rows])
    assert np.all(alone <= somehow + 1e-12)
    assert alone[1] < 0.35 < 0.9 < alone[5]
    assert somehow[1] > 0.6


@pytest.mark.parametrize("measured", [4, 9])
def test_four_neighbours_measured_as_one_carrier_count_as_four_rows(
    table: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    one: Callable[..., Carrier],
    measured: int,
) -> None:
    """A carrier of 22 MBd where four of 4 MBd stand: all four are present, and none of them an unlisted carrier's."""
    rng = np.random.default_rng(8)
    offset = -9750.0 + 0.3
    merged = one((10_809.0 + offset) * 1e6 + 0.2e6, 21.6e6, 150e3)
    alone = [
        one((place + offset) * 1e6 + float(rng.normal(0.0, 60e3)), rate * 1e3 * (1.0 + float(rng.normal(0.0, 0.02))))
        for place, rate in zip(PLACES_MHZ[4:], RATES_KBD[4:], strict=True)
    ]
    answer = identify(make([merged, *alone[: measured - 1]]), table, chain)
    assert (answer.satellite, answer.polarisation) == ("Juniper", "H")
    present = [entry for entry in answer.roll_call if entry.status == "present"]
    assert len(present) == 4 + min(measured - 1, 6)
    assert [entry.rf_mhz for entry in present[:4]] == PLACES_MHZ[:4]
    assert all("neighbours" in entry.why for entry in present[:4])
    assert answer.unlisted == ()
    # seven rows and more are shown either way, though only four carriers were measured in the first case
    assert answer.verdict == "confirmed"
    assert answer.candidates[0].matched == min(measured, 7)


def test_one_carrier_of_another_rate_altogether_does_not_outweigh_the_others() -> None:
    """An unlisted carrier at a silent row's place may have any rate: seven e-folds below its row's or one."""
    std = np.full(12, 0.03)
    apart = np.random.default_rng(2).normal(0.0, 0.03, 12)
    good = likeness.of_rates([(apart, std)])
    for far in (-1.0, -2.4, 7.0):
        odd = likeness.of_rates([(np.append(apart, far), np.append(std, 0.1))])
        assert good - 4.0 < odd < good
