"""Odds against relatives outside the table; numbers derived from the model that the modules' comments state."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from spectra.identify import identify, kin, likeness, model
from spectra.identify.identification import THRESHOLDS
from spectra.identify.verdict import adds_up
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable

TOLERANCE_HZ = 1e6


def _seen(*errors_hz: float, tolerance_hz: float | None = TOLERANCE_HZ, std_hz: float = 0.0) -> float:
    """The term for lists through one LO state each, at these LO errors (low-side injection: the IF moves against)."""
    states = tuple(
        LoState(f"s{i}", 10e9, "low", 10.9e9, 12e9, tolerance_hz=tolerance_hz) for i in range(len(errors_hz))
    )
    options: Any = [
        SimpleNamespace(entry=0, state=i, offset_hz=-error, std_hz=std_hz) for i, error in enumerate(errors_hz)
    ]
    prepared: Any = SimpleNamespace(states=states)
    return likeness.common_shift(prepared, options)


@pytest.mark.parametrize("tolerances", [0.0, 0.7, 2.0, 3.0, 5.0])
def test_an_lo_error_is_weighed_by_students_law_against_any_shift_within_reach(tolerances: float) -> None:
    """Reference: scipy's Student law; reach six tolerances, one relative in ten on a shifted raster."""
    ratio = (1.0 / 12.0) / stats.t(7).pdf(tolerances)
    assert _seen(tolerances * TOLERANCE_HZ) == pytest.approx(-np.log(0.9 + 0.1 * ratio), rel=1e-4)


def test_an_error_of_many_tolerances_speaks_for_a_relative_and_none_hardly_against_it() -> None:
    assert 0.0 < _seen(0.0) <= -np.log(0.9)
    assert _seen(6e6) < -np.log(20.0)
    assert _seen(-6e6) == pytest.approx(_seen(6e6))
    # of two oscillators the worse one counts; an error that the sweep cannot know speaks less
    assert _seen(0.0, 6e6) == pytest.approx(_seen(6e6))
    assert _seen(6e6, std_hz=3e6) > _seen(6e6) + 1.0
    # where the chain states no tolerance the usual one holds
    assert _seen(6e6, tolerance_hz=None) == pytest.approx(_seen(6e6, tolerance_hz=model.DEFAULT_TOLERANCE_HZ))
    assert _seen(6e6, tolerance_hz=None) > -0.2


def test_the_same_carriers_at_an_error_of_many_tolerances_have_less_odds_against_kin(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> None:
    odds = []
    for tolerances in (0.0, 2.0, 5.5):
        error = tolerances * (states["low"].tolerance_hz or 0.0)
        carriers = shown(arc, "Cedar", "H", states["low"], lo_error_hz=error, rng=np.random.default_rng(1))
        answer = identify(make(carriers), arc, chain)
        assert answer.satellite == "Cedar"
        odds.append(answer.log10_odds_kin)
    assert odds[0] - odds[1] < 0.3
    assert odds[0] - odds[2] > 1.0


def test_neighbours_measured_as_one_carrier_count_half_but_for_one() -> None:
    """Slots 0 to 3 answered by one carrier, slot 4 by its own, slot 5 silent."""
    scored = SimpleNamespace(
        slot_entry=np.zeros(6, int),
        slot_visible=np.full(6, 0.95),
        slot_silent=np.array([False] * 5 + [True]),
        pair_entry=np.zeros(2, int),
        pair_row=np.array([6, 4]),
    )
    prepared: Any = SimpleNamespace(
        merged=np.arange(7) >= 6,
        slot_start=np.array([0, 6]),
        row_slot=np.array([0, 1, 2, 3, 4, 5, 0]),
        last_slot=np.array([0, 1, 2, 3, 4, 5, 3]),
    )
    scoring: Any = SimpleNamespace(scored=scored)
    option: Any = SimpleNamespace(entry=0, hyp=0)
    visible, silent, weight = kin._slots(prepared, scoring, option)
    assert weight == pytest.approx([0.625] * 4 + [1.0, 1.0])
    grid = (np.array([0.9]), np.array([0.2]), np.zeros(1))
    # by hand: 1 + 3 / 2 and one show, one that should (0.95) is silent, one carrier unlisted of 0.2 * 0.9 * 4.5 * 0.95
    clutter = 0.2 * 0.9 * 4.5 * 0.95
    wanted = 3.5 * np.log(0.9) + np.log(1 - 0.9 * 0.95) + np.log(clutter) - clutter
    assert kin._roll(grid, visible, silent, weight, 1) == pytest.approx([wanted])


def test_rates_known_better_than_usually_leave_less_of_the_rest() -> None:
    assert kin._fineness([0.03, 0.03, np.nan]) == pytest.approx(0.0)
    assert kin._fineness([0.012] * 5) == pytest.approx(0.7 * np.log(0.4))
    # coarse sweeps gain nothing, exact rates lose no more than very good ones
    assert kin._fineness([0.5]) == kin._fineness([0.05]) == kin._fineness([]) == 0.0
    assert kin._fineness([0.0001]) == kin._fineness([0.001])


@pytest.mark.parametrize(
    ("roll_call", "odds_kin", "enough"),
    [(0.2, 2.5, True), (0.19, 3.49, False), (0.19, 3.5, True), (0.0, 3.5, True), (-0.01, 9.0, False)],
)
def test_a_poor_roll_call_asks_for_more_of_all_else(roll_call: float, odds_kin: float, enough: bool) -> None:
    ranking: Any = SimpleNamespace(log10_roll_call=roll_call, odds_kin=lambda _: odds_kin)
    best: Any = None
    assert adds_up(ranking, best, THRESHOLDS) is enough
