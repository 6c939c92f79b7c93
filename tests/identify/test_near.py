"""What is not identified though one list comes near: over half of it silent, as of a relative outside the table."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from spectra.identify import identify
from spectra.identify.identification import THRESHOLDS
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import ReceiveChain
from spectra.plan.table import CarrierTable

Half = Callable[..., Any]


@pytest.fixture
def half(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: Any,
) -> Half:
    """Identify a sweep of Cedar/H in which more than half of the rows are off the air."""

    def identified(expect: str | None = None) -> Any:
        span = (950e6, 1500e6)
        found = shown(arc, "Cedar", "H", states["low"], rng=np.random.default_rng(3), missing=0.6, span=span)
        return identify(make(found, *span), arc, chain, expect=expect)

    return identified


def test_it_is_not_named_but_the_near_list_and_the_next_sweep_are_told(half: Half) -> None:
    answer = half()
    assert answer.verdict == "unidentified"
    assert answer.satellite is None
    assert THRESHOLDS.expected_kin <= answer.log10_odds_kin < THRESHOLDS.probable_kin
    assert "nothing in the table" not in answer.sentence
    told = next(f for f in answer.findings if f.code == "identification.unidentified")
    assert told.answer == "cannot_tell"
    assert "Cedar" in told.explanation
    assert answer.next_sweeps


def test_expected_it_is_probable_and_never_confirmed(half: Half) -> None:
    answer = half("Cedar")
    assert (answer.verdict, answer.satellite) == ("probable", "Cedar")


def test_another_expectation_is_not_contradicted_by_it(half: Half) -> None:
    assert half("Alder").verdict == "unidentified"
