"""The next sweep: what parts the rivals is proposed, and taking it parts them. Expected: derived from the scene."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from spectra.capture import Context
from spectra.identify import identify
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable


@pytest.fixture
def alike(invent: Callable[..., list[dict[str, Any]]]) -> CarrierTable:
    """Cedar and Dogwood hold the same H rows from 11.7 GHz up but for one pair; their other lists differ."""
    rng = np.random.default_rng(11)
    rows: list[dict[str, Any]] = []
    common = invent(rng, "Cedar", -10.0, "H", 11_710.0, 14)
    for name, longitude in (("Alder", -20.0), ("Birch", -15.0), ("Cedar", -10.0), ("Dogwood", -5.0)):
        for polarisation, start in (("H", 10_710.0), ("V", 10_710.0), ("V", 11_710.0)):
            rows += invent(rng, name, longitude, polarisation, start, 16)
        if name in ("Cedar", "Dogwood"):
            rows += [{**row, "satellite": name, "orbital_longitude_deg": longitude} for row in common]
    rows += [{**rows[-1], "satellite": "Dogwood", "rf_mhz": 12_500.5, "symbol_rate_kbd": 5_000.0}]
    return CarrierTable.from_rows(rows, "alike.csv")


def test_rivals_are_parted_by_the_sweep_proposed(
    alike: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> None:
    rng = np.random.default_rng(3)
    span = (1.1e9, 1.8e9)
    first = make(shown(alike, "Cedar", "H", states["high"], lo_error_hz=0.2e6, rng=rng, span=span), *span)
    answer = identify(first, alike, chain)
    assert answer.verdict == "ambiguous"
    assert {c.satellite for c in answer.candidates[:2]} == {"Cedar", "Dogwood"}
    sweep = answer.next_sweeps[0]
    assert sweep.expected_gain_log10 > 2.0
    assert sweep.against in (("Dogwood/H",), ("Cedar/H",))
    assert not sweep.opposite_port  # the other LO state on the same port parts them, nothing need be moved
    assert sweep.lo_state == "low"
    assert sweep.start_hz >= 950e6
    assert {row.satellite for row in sweep.rows} == {"Cedar", "Dogwood"}
    assert all(sweep.start_hz < row.expected_if_hz < sweep.stop_hz for row in sweep.rows)
    narrowest = min(r.symbol_rate_bd or np.inf for r in alike if r.line in {row.row for row in sweep.rows})
    assert sweep.rbw_hz <= narrowest / 3.0
    told = next(f for f in answer.findings if f.code == "identification.ambiguous")
    assert "LO state low" in told.next_steps[0].text
    window = (sweep.start_hz, sweep.stop_hz)
    found = shown(alike, "Cedar", "H", states["low"], lo_error_hz=0.1e6, rng=rng, span=window)
    second = make(found, *window, rbw_hz=sweep.rbw_hz)
    both = identify(
        [first, second], alike, chain, context=[Context(lo_state="high", port="co"), Context(lo_state="low", port="co")]
    )
    assert both.satellite == "Cedar"
    assert both.verdict in ("confirmed", "probable")
    assert (both.log10_odds_next or 99.0) > 3.0


def test_a_probable_answer_names_rows_not_yet_seen(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> None:
    rng = np.random.default_rng(4)
    span = (1_000e6, 1_110e6)
    found = shown(arc, "Cedar", "H", states["low"], lo_error_hz=0.2e6, rng=rng, span=span)
    assert 2 <= len(found) <= 4
    answer = identify(make(found, *span), arc, chain)
    assert answer.verdict == "probable"
    best = answer.next_sweeps[0]
    assert best.against == ()
    assert best.expected_gain_log10 > 0.3
    mine = {r.line for r in arc if r.satellite == "Cedar"}
    assert {row.row for row in best.rows} <= mine
    known = {e.row for e in answer.roll_call if e.status == "present"}
    assert not {row.row for row in best.rows} & known
    value = answer.to_dict()["next_sweeps"][0]
    assert value["rows"][0]["row"] == best.rows[0].row


def test_nothing_is_proposed_where_nothing_is_open(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> None:
    answer = identify(make(shown(arc, "Cedar", "H", states["low"])), arc, chain)
    assert answer.verdict == "confirmed"
    assert answer.next_sweeps == ()


def test_lists_that_are_the_same_everywhere_are_parted_by_no_sweep(
    invent: Callable[..., list[dict[str, Any]]],
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> None:
    rng = np.random.default_rng(12)
    rows = invent(rng, "Cedar", -10.0, "H", 10_710.0, 14)
    rows += [{**row, "satellite": "Dogwood", "orbital_longitude_deg": -5.0} for row in rows]
    table = CarrierTable.from_rows(rows, "same.csv")
    answer = identify(make(shown(table, "Cedar", "H", states["low"], rng=rng)), table, chain)
    assert answer.verdict == "ambiguous"
    assert answer.next_sweeps == ()
    told = next(f for f in answer.findings if f.code == "identification.ambiguous")
    assert "No sweep parts these lists" in told.next_steps[0].text
