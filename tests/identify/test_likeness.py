"""How matched carriers lie about a list's rows; numbers derived from the model that the module's comments state."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from spectra.identify import likeness

STD = np.full(10, 0.02)


def test_rates_that_scatter_by_their_uncertainty_speak_for_the_list() -> None:
    rng = np.random.default_rng(4)
    found = [likeness.of_rates([(rng.normal(0.0, 0.02, 10), STD)]) for _ in range(50)]
    assert np.mean(np.array(found) > 0.0) > 0.9


@pytest.mark.parametrize("others", [2, 3, 5])
def test_other_rates_here_and_there_speak_against_it(others: int) -> None:
    apart = np.zeros(10)
    apart[:others] = 0.25
    assert likeness.of_rates([(apart, STD)]) < likeness.of_rates([(np.zeros(10), STD)]) - 1.5 * others
    assert likeness.of_rates([(apart, STD)]) < 0.0


def test_rates_in_two_groups_are_weighed_together() -> None:
    apart = np.linspace(-0.02, 0.02, 10)
    whole = likeness.of_rates([(apart, STD)])
    assert likeness.of_rates([(apart[:4], STD[:4]), (apart[4:], STD[4:])]) == pytest.approx(whole)
    assert likeness.of_rates([]) == pytest.approx(0.0)


def test_centres_far_from_their_places_speak_against_it() -> None:
    std = np.full(8, 60e3)
    apart = np.zeros(8)
    good = likeness.of_centres([(apart, std)])
    apart[:3] = 0.7e6
    assert good > 0.0 > likeness.of_centres([(apart, std)])


def test_a_factor_common_to_all_rates_speaks_against_it() -> None:
    assert likeness.common_factor([(np.full(10, 0.04), STD)]) < -2.0
    assert likeness.common_factor([(np.zeros(10), STD)]) > 0.0
    # derived: with one rate in five of a relative's never off, the gain is at most -log(0.8)
    assert likeness.common_factor([(np.zeros(10), STD)]) <= -np.log(0.8)


def _listed(centres_mhz: list[float], rates_kbd: list[float]) -> Any:
    return SimpleNamespace(
        if_hz=1e6 * np.array(centres_mhz),
        log_rate=np.log(1e3 * np.array(rates_kbd)),
        width_hz=1.25e3 * np.array(rates_kbd),
        row_slot=np.arange(len(rates_kbd)),
        hyp_start=np.array([0, len(rates_kbd)]),
        slot_start=np.array([0, len(rates_kbd)]),
    )


def test_a_plain_raster_has_no_variety() -> None:
    plain = _listed([1000.0, 1040.0, 1120.0, 1160.0], [30_000.0] * 4)
    assert likeness.variety(plain, [np.arange(4)]) == (0.0, 0.0)
    varied = _listed([1000.0, 1040.0, 1057.0, 1098.0], [30_000.0, 22_000.0, 5_000.0, 30_100.0])
    # three rates (30.0 and 30.1 are one to 8 %); twice, once and twice 19.6 MHz: 17 and 41 MHz are off by more than 1.6
    assert likeness.variety(varied, [np.arange(4)]) == pytest.approx((np.log(3.0), np.log(3.0)))


def _scoring(left_mhz: list[float], left_width_mhz: float) -> Any:
    """Rows 0 and 1 answered by carriers 0 and 1, rows 2 and 3 silent, further carriers unlisted."""
    carriers = np.array([1000.0, 1040.0, *left_mhz]) * 1e6
    width = np.array([37.5, 37.5, *([left_width_mhz] * len(left_mhz))]) * 1e6
    group = SimpleNamespace(if_hz=carriers, width_hz=width, count=carriers.size, span_hz=1.2e9)
    scored = SimpleNamespace(
        slot_entry=np.zeros(4, int),
        slot_silent=np.array([False, False, True, True]),
        slot_visible=np.full(4, 0.95),
        pair_entry=np.zeros(2, int),
        pair_carrier=np.array([0, 1]),
    )
    return SimpleNamespace(scored=scored, group=group)


def test_unlisted_carriers_across_silent_rows_speak_against_the_list() -> None:
    plan = _listed([1000.0, 1040.0, 1080.0, 1120.0], [30_000.0] * 4)
    option: Any = SimpleNamespace(entry=0, hyp=0, offset_hz=0.0)
    across = likeness.conflicts(plan, _scoring([1082.0, 1118.0], 25.0), option)
    elsewhere = likeness.conflicts(plan, _scoring([1500.0, 1600.0], 25.0), option)
    assert across < -1.0 < 0.0 < elsewhere
    # two neighbours merged are no carrier on either's transponder
    assert likeness.conflicts(plan, _scoring([1100.0], 78.0), option) == 0.0
    assert likeness.conflicts(plan, _scoring([], 25.0), option) == 0.0
