"""Suggested edits of a table: what three confirmed visits say about it. Expected values are derived from the scene."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from spectra.errors import TableError
from spectra.identify import identify
from spectra.identify.suggest import Visit, apply_edits, diff_text, suggest_edits
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan import load_table, save_table
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable


@pytest.fixture
def visits(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    one: Callable[..., Carrier],
    states: dict[str, LoState],
) -> list[Visit]:
    """Three visits: row 5 of the list is silent, row 8 has 0.6 of its rate, a 2 MBd carrier at 11,400.5 MHz is new."""
    made = []
    for seed in range(3):
        rng = np.random.default_rng(seed)
        found = shown(arc, "Cedar", "H", states["low"], lo_error_hz=0.2e6, rng=rng, std_hz=20e3)
        changed = found[8]
        rate = changed.symbol_rate_bd or 0.0
        found[8] = replace(changed, symbol_rate_bd=0.6 * rate, symbol_rate_std_bd=0.01 * rate)
        del found[5]
        new = one(11_400.5e6 - 9.75e9 - 0.2e6 + float(rng.normal(0.0, 20e3)), 2e6, 20e3)
        measurement = make([*found, new])
        made.append(Visit(identify(measurement, arc, chain), (measurement,)))
    return made


def test_three_visits_suggest_a_change_a_new_row_and_a_removal(
    arc: CarrierTable, chain: ReceiveChain, visits: list[Visit], tmp_path_factory: pytest.TempPathFactory
) -> None:
    edits = suggest_edits(arc, chain, visits)
    assert [e.action for e in edits] == ["change", "add", "remove"]
    change, add, remove = edits
    mine = [r for r in arc if (r.satellite, r.polarisation) == ("Cedar", "H") and r.rf_hz < 11.7e9]
    assert change.line == mine[8].line
    assert change.changes["symbol_rate_kbd"][1] == pytest.approx(0.6e-3 * (mine[8].symbol_rate_bd or 0), rel=0.03)
    assert remove.line == mine[5].line
    assert add.rf_mhz == pytest.approx(11_400.5, abs=0.06)
    assert add.changes["symbol_rate_kbd"][1] == pytest.approx(2_000.0, rel=0.05)
    assert (add.seen, add.visits) == (3, 3)
    text = diff_text(arc, edits)
    assert "[1] change" in text
    assert "+ symbol_rate_kbd" in text
    edited = apply_edits(arc, edits, [2, 3])
    assert len(edited) == len(arc)
    assert not (edited.line == remove.line).any()
    path = tmp_path_factory.mktemp("suggest") / "arc.csv"
    save_table(edited, path)
    again = load_table(path)
    new = [r for r in again if abs(r.rf_hz - 11_400.5e6) < 0.1e6 and r.satellite == "Cedar"]
    assert len(new) == 1
    assert new[0].orbital_longitude_deg == -10.0
    assert apply_edits(arc, edits).sha256 != arc.sha256


def test_a_row_once_present_or_seldom_absent_stays(arc: CarrierTable, chain: ReceiveChain, visits: list[Visit]) -> None:
    assert "remove" not in {e.action for e in suggest_edits(arc, chain, visits[:2])}
    assert "remove" in {e.action for e in suggest_edits(arc, chain, visits[:2], unseen_in=2)}


def test_visits_that_are_not_confirmed_or_of_another_table_say_nothing(
    arc: CarrierTable, chain: ReceiveChain, visits: list[Visit]
) -> None:
    probable = [replace(v, identification=replace(v.identification, verdict="probable")) for v in visits]
    assert suggest_edits(arc, chain, probable) == ()
    other = [replace(v, identification=replace(v.identification, table_sha256="0")) for v in visits]
    assert suggest_edits(arc, chain, other) == ()


def test_numbers_that_are_no_edits_are_refused(arc: CarrierTable, chain: ReceiveChain, visits: list[Visit]) -> None:
    with pytest.raises(TableError):
        apply_edits(arc, suggest_edits(arc, chain, visits), [9])


def test_a_carrier_that_moved_is_proposed_with_its_new_frequency(
    arc: CarrierTable,
    chain: ReceiveChain,
    make: Callable[..., Measurement],
    shown: Callable[..., list[Carrier]],
    states: dict[str, LoState],
) -> None:
    made = []
    for seed in range(2):
        rng = np.random.default_rng(seed)
        found = shown(arc, "Cedar", "H", states["low"], lo_error_hz=0.2e6, rng=rng, std_hz=20e3)
        found[7] = replace(found[7], centre_hz=found[7].centre_hz + 500e3)
        measurement = make(found)
        made.append(Visit(identify(measurement, arc, chain), (measurement,), occasion="one day"))
    (edit,) = suggest_edits(arc, chain, made)
    mine = [r for r in arc if (r.satellite, r.polarisation) == ("Cedar", "H") and r.rf_hz < 11.7e9]
    assert (edit.action, edit.line) == ("change", mine[7].line)
    assert list(edit.changes) == ["rf_mhz"]
    assert edit.changes["rf_mhz"][1] == pytest.approx(mine[7].rf_hz / 1e6 + 0.5, abs=0.1)
    assert (edit.seen, edit.visits) == (1, 1)  # two sweeps of one occasion are one witness
    edited = apply_edits(arc, [edit])
    assert edited.rf_hz[edited.line == edit.line][0] == pytest.approx(mine[7].rf_hz + 0.5e6, abs=0.1e6)
    assert len(edited) == len(arc)
