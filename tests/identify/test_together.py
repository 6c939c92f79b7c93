"""Several sweeps explained together: segments, ports, LO states. Expected values are derived from the scene."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from spectra.capture import Context
from spectra.identify import identify, joint
from spectra.identify.evidence import gather
from spectra.identify.identification import Expected
from spectra.identify.knowledge import knowledge
from spectra.identify.offset import fit_offsets
from spectra.identify.prepared import prepare
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable

Make = Callable[..., Measurement]
Shown = Callable[..., list[Carrier]]
States = dict[str, LoState]


def rng(seed: int = 3) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_segments_are_one_sweep(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """Two halves say together what the whole says; a carrier in the overlap counts once."""
    found = shown(arc, "Elder", "H", states["low"], lo_error_hz=0.3e6, rng=rng())
    left = make([c for c in found if c.centre_hz < 1420e6], 950e6, 1430e6)
    right = make([c for c in found if c.centre_hz > 1380e6], 1370e6, 1950e6)
    whole = identify(make(found, 950e6, 1950e6), arc, chain)
    both = identify([left, right], arc, chain)
    assert (both.verdict, both.satellite) == (whole.verdict, whole.satellite) == ("confirmed", "Elder")
    assert both.best.matched == whole.best.matched
    assert both.lo_error_hz == pytest.approx(whole.lo_error_hz, abs=whole.lo_error_std_hz)
    assert both.to_dict()["sweeps"] == ["(memory)", "(memory)"]


def test_a_piece_at_the_end_of_a_segment_is_the_carrier_that_the_next_one_holds_whole(make: Make) -> None:
    """A cut carrier's centre is that of the piece, and its width is not known; alone it would count as unlisted."""
    whole = Carrier("modulated", 1400e6, 50e3, symbol_rate_bd=27.5e6, occupied_bandwidth_hz=29.5e6)
    piece = Carrier("modulated", 1408e6, 100e3, flags=("cut_by_span",))
    apart = Carrier("modulated", 1419e6, 100e3, flags=("cut_by_span",))
    left = make([whole], 950e6, 1430e6)
    (group,) = gather([left, make([piece], 1405e6, 1950e6)], [None, None], None)
    assert group.members == (((0, 0), (1, 0)),)
    assert group.if_hz.tolist() == [1400e6]
    (group,) = gather([left, make([apart], 1418e6, 1950e6)], [None, None], None)
    assert len(group.members) == 2


def test_two_lo_states_have_an_error_each(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    low = make(shown(arc, "Elder", "V", states["low"], lo_error_hz=0.5e6, rng=rng(1)))
    high = make(shown(arc, "Elder", "V", states["high"], lo_error_hz=-0.4e6, rng=rng(2)))
    contexts = [Context(lo_state="low"), Context(lo_state="high")]
    result = identify([low, high], arc, chain, context=contexts)
    assert (result.satellite, result.lo_state) == ("Elder", "low")
    assert result.lo_error_hz == pytest.approx(0.5e6, abs=4 * result.lo_error_std_hz)
    turned = identify([high, low], arc, chain, context=contexts[::-1])
    assert (turned.satellite, turned.lo_state) == ("Elder", "high")
    assert turned.lo_error_hz == pytest.approx(-0.4e6, abs=4 * turned.lo_error_std_hz)
    alone = identify(low, arc, chain)
    assert result.log10_odds_none > alone.log10_odds_none + 5.0


def test_both_ports_confirm_where_one_cannot(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """A twin elsewhere shares the horizontal list; only the vertical one parts the two."""
    twin = [
        replace(row, satellite="Far", orbital_longitude_deg=60.0)
        for row in arc
        if row.satellite == "Cedar" and row.polarisation == "H"
    ]
    other = [
        replace(row, satellite="Far", orbital_longitude_deg=60.0)
        for row in arc
        if row.satellite == "Ilex" and row.polarisation == "V"
    ]
    table = CarrierTable.from_rows([*arc, *twin, *other], "twins.csv")
    co = make(shown(arc, "Cedar", "H", states["low"], rng=rng(1)))
    cross = make(shown(arc, "Cedar", "V", states["low"], rng=rng(2)))
    assert identify(co, table, chain).verdict == "ambiguous"
    result = identify([co, cross], table, chain, context=[Context(port="co"), Context(port="cross")])
    assert (result.verdict, result.satellite, result.polarisation) == ("confirmed", "Cedar", "H")
    present = [e for e in result.roll_call if e.status == "present"]
    assert {e.sweep for e in present} == {0, 1}
    # the answer speaks of the co-polar port, in whatever order the sweeps come
    turned = identify([cross, co], table, chain, context=[Context(port="cross"), Context(port="co")], expect="Cedar/H")
    assert (turned.verdict, turned.polarisation) == ("confirmed", "H")


def test_ports_cannot_show_one_polarisation(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """Both ports show the horizontal list: the second is explained by no list rather than by the same one twice."""
    first = make(shown(arc, "Cedar", "H", states["low"], rng=rng(1)))
    second = make(shown(arc, "Cedar", "H", states["low"], rng=rng(2)))
    result = identify([first, second], arc, chain, context=[Context(port="co"), Context(port="cross")])
    assert result.satellite == "Cedar"
    assert {e.sweep for e in result.roll_call if e.status == "present"} == {0}


def test_sweeps_without_context_that_disagree_are_not_segments(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """Same span, other carriers: another polarisation, though nobody said so."""
    one = make(shown(arc, "Birch", "V", states["low"], rng=rng(1)))
    two = make(shown(arc, "Birch", "H", states["low"], rng=rng(2)))
    result = identify([one, two], arc, chain)
    assert (result.verdict, result.satellite, result.polarisation) == ("confirmed", "Birch", "V")
    assert {e.sweep for e in result.roll_call if e.status == "present"} == {0, 1}


def test_analyser_reference_is_common_to_all_sweeps(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    loose = replace(chain, reference_ppm=200.0)
    low = make(shown(arc, "Elder", "V", states["low"], lo_error_hz=0.2e6, ppm=80.0, rng=rng(1), std_hz=15e3))
    high = make(shown(arc, "Elder", "V", states["high"], lo_error_hz=-0.3e6, ppm=80.0, rng=rng(2), std_hz=15e3))
    alone = identify(low, arc, loose)
    both = identify([low, high], arc, loose, context=[Context(lo_state="low"), Context(lo_state="high")])
    assert both.analyser_ppm == pytest.approx(80.0, abs=4 * both.analyser_ppm_std)
    assert both.analyser_ppm_std < alone.analyser_ppm_std


def test_offsets_fitted_side_by_side_are_those_fitted_alone(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """Systems of one, of two LO frequencies, and of one port alone do not see one another; the truth is the scene's."""
    sweeps = [
        make(shown(arc, "Elder", "V", states["low"], lo_error_hz=0.5e6, rng=rng(1))),
        make(shown(arc, "Elder", "V", states["high"], lo_error_hz=-0.4e6, rng=rng(2))),
    ]
    contexts = [Context(lo_state="low"), Context(lo_state="high")]
    prepared = prepare(arc, chain)
    known = knowledge(prepared, contexts, sweeps, Expected())
    groups = gather(sweeps, contexts, None)
    scorings = joint.score_groups(prepared, groups, known.tolerance_hz, None, known.allowed)
    systems = joint.systems(prepared, scorings, known.tolerance_hz)
    chosen = [systems[0], *(one for one in systems if len({option.entry for option in one.options}) > 1)][:30]
    chosen += [one for one in systems if any(option.entry < 0 for option in one.options)][:5]
    together = fit_offsets(prepared, scorings, chosen, 0.5)
    for system, fit in zip(chosen, together, strict=True):
        (alone,) = fit_offsets(prepared, scorings, [system], 0.5)
        for mine, theirs in zip(dataclasses.astuple(fit), dataclasses.astuple(alone), strict=True):
            assert mine is theirs if mine is None else mine == pytest.approx(theirs, rel=1e-9)
    main = prepared.states[systems[0].main.state].name
    truth = {"low": 0.5e6, "high": -0.4e6}[main]
    assert together[0].lo_error_hz == pytest.approx(truth, abs=4.0 * together[0].lo_error_std_hz)
    assert fit_offsets(prepared, scorings, [], 0.5) == []
