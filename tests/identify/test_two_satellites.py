"""Two satellites of the table in one sweep. Expected values are derived from the scene."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from spectra.cautions import CATALOGUE
from spectra.identify import identify
from spectra.identify.identification import Identification
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable

Scene = Callable[..., Identification]


@pytest.fixture
def both(
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
    invent: Callable[..., list[dict[str, Any]]],
) -> Scene:
    """Identify a sweep that shows a part of Cedar/H and a part of Dogwood/H, at these longitudes."""

    def identified(
        cedar: float = 0.9, dogwood: float = 0.9, longitude: float = -5.0, expect: str | None = None, seed: int = 5
    ) -> Identification:
        rng = np.random.default_rng(20_261)
        rows: list[dict[str, Any]] = []
        for number, name in enumerate(("Alder", "Birch", "Cedar", "Dogwood", "Elder", "Fir")):
            place = longitude if name == "Dogwood" else -20.0 + 5.0 * number
            for polarisation in "HV":
                rows += invent(rng, name, place, polarisation, 10_710.0, 24)
        table = CarrierTable.from_rows(rows, "arc.csv")
        rng = np.random.default_rng(seed)
        found: list[Carrier] = []
        for name, share in (("Cedar", cedar), ("Dogwood", dogwood)):
            found += shown(table, name, "H", states["low"], lo_error_hz=0.2e6, rng=rng, missing=1.0 - share)
        found.sort(key=lambda each: each.centre_hz)
        apart: list[Carrier] = []
        for each in found:
            reach = 0.6 * ((each.symbol_rate_bd or 0.0) + (apart[-1].symbol_rate_bd or 0.0)) if apart else 0.0
            if not apart or each.centre_hz - apart[-1].centre_hz > reach:
                apart.append(each)
        return identify(make(apart), table, chain, expect=expect)

    return identified


@pytest.mark.parametrize("seed", range(4))
def test_both_are_named(both: Scene, seed: int) -> None:
    answer = both(seed=seed)
    assert answer.verdict == "ambiguous"
    assert {c.satellite for c in answer.candidates[:2]} == {"Cedar", "Dogwood"}
    assert "Cedar" in answer.sentence
    assert "Dogwood" in answer.sentence
    told = next(f for f in answer.findings if f.code == "identification.two_satellites")
    assert told.severity == "warning"
    assert not answer.position_confirmed
    pointing = [s for s in told.next_steps if "antenna" in s.text]
    assert pointing
    assert all(s.cautions and set(s.cautions) <= set(CATALOGUE) for s in pointing)
    assert answer.lo_error_hz == pytest.approx(0.2e6, abs=5.0 * answer.lo_error_std_hz)


@pytest.mark.parametrize("name", ["Cedar", "Dogwood"])
def test_the_one_expected_is_probable_and_never_confirmed(both: Scene, name: str) -> None:
    answer = both(expect=f"{name}/H")
    assert (answer.verdict, answer.satellite) == ("probable", name)
    assert "identification.two_satellites" in {f.code for f in answer.findings}


def test_neither_expected_is_a_contradiction(both: Scene) -> None:
    answer = both(expect="Alder/H")
    assert answer.verdict == "contradicted"
    assert answer.satellite in ("Cedar", "Dogwood")


def test_the_lesser_one_expected_is_contradicted_and_named(both: Scene) -> None:
    answer = both(cedar=1.0, dogwood=0.4, expect="Dogwood/H")
    assert (answer.verdict, answer.satellite) == ("contradicted", "Cedar")
    two = next(f for f in answer.findings if f.code == "identification.two_satellites")
    assert "Dogwood" in two.explanation


def test_of_one_position_the_lesser_expected_leaves_the_position_confirmed(both: Scene) -> None:
    answer = both(cedar=1.0, dogwood=0.4, longitude=-10.0, expect="Dogwood/H")
    assert answer.verdict == "ambiguous"
    assert answer.position_confirmed
    assert {c.satellite for c in answer.candidates[:2]} == {"Cedar", "Dogwood"}
    two = next(f for f in answer.findings if f.code == "identification.two_satellites")
    assert two.severity == "note"


@pytest.mark.parametrize("seed", range(3))
def test_one_satellite_alone_is_no_pair(both: Scene, seed: int) -> None:
    answer = both(cedar=0.9, dogwood=0.0, seed=seed)
    assert answer.satellite == "Cedar"
    assert "identification.two_satellites" not in {f.code for f in answer.findings}


def test_a_neighbour_with_few_carriers_is_named_beside_a_confirmed_answer(both: Scene) -> None:
    answer = both(cedar=1.0, dogwood=0.4)
    assert (answer.verdict, answer.satellite) == ("confirmed", "Cedar")
    two = next(f for f in answer.findings if f.code == "identification.two_satellites")
    assert two.severity == "warning"
    assert "Dogwood" in two.explanation
    assert "Dogwood" in answer.sentence
