"""The answer: signs, verdicts, roll call, and what must not matter. Expected values are derived from the scene."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import jsonschema
import numpy as np
import pytest

import spectra
from spectra import schemas
from spectra.capture import Context, Role
from spectra.cautions import required_for
from spectra.errors import IdentificationError
from spectra.identify import identify
from spectra.identify.identification import VERDICTS, Expected, Identification
from spectra.measure.measurement import Carrier, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable

Make = Callable[..., Measurement]
Shown = Callable[..., list[Carrier]]
States = dict[str, LoState]


def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def plain(result: Identification) -> dict[str, Any]:
    """The result as JSON, checked against the schema and for NaN on the way."""
    value: dict[str, Any] = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    jsonschema.Draft202012Validator(schemas.load("identification")).validate(value)
    return value


# --- signs, one test each -----------------------------------------------------------------------------------------


def test_sign_low_side_lo_high_means_if_low(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """Low side: IF = RF - LO, so an LO 312 kHz too high puts every carrier 312 kHz too low (derived)."""
    result = identify(make(shown(arc, "Cedar", "H", states["low"], lo_error_hz=312e3, rng=rng())), arc, chain)
    assert result.verdict == "confirmed"
    assert (result.satellite, result.polarisation, result.lo_state, result.injection) == ("Cedar", "H", "low", "low")
    assert result.if_offset_hz == pytest.approx(-312e3, abs=4 * result.if_offset_std_hz)
    assert result.lo_error_hz == pytest.approx(312e3, abs=4 * result.lo_error_std_hz)
    assert result.lo_error_hz > 0 > result.if_offset_hz
    assert result.lo_error_std_hz < 30e3
    assert "312" in result.sentence or "kHz high" in result.sentence


def test_sign_high_side_lo_high_means_if_high(
    c_chain: ReceiveChain, make: Make, shown: Shown, states: States, invent: Callable[..., list[dict[str, Any]]]
) -> None:
    """High side: IF = LO - RF, so an LO 200 kHz too high puts every carrier 200 kHz too high (derived)."""
    gen = rng()
    rows = [r for n in "PQR" for r in invent(gen, n, 10.0, "L", 3_420.0, 16) if r["rf_mhz"] < 4_190.0]
    table = CarrierTable.from_rows(rows, "c.csv")
    found = shown(table, "Q", "L", states["c"], lo_error_hz=200e3, rng=rng(), span=(950e6, 1750e6))
    result = identify(make(found, 950e6, 1750e6), table, c_chain)
    assert (result.verdict, result.satellite, result.injection) == ("confirmed", "Q", "high")
    assert result.if_offset_hz == pytest.approx(200e3, abs=4 * result.if_offset_std_hz)
    assert result.lo_error_hz == pytest.approx(200e3, abs=4 * result.lo_error_std_hz)


def test_sign_of_the_residual_offset(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """A carrier 400 kHz above its place has a positive offset in the roll call."""
    found = shown(arc, "Cedar", "H", states["low"])
    found[4] = replace(found[4], centre_hz=found[4].centre_hz + 400e3)
    result = identify(make(found), arc, chain)
    moved = [e for e in result.roll_call if e.centre_hz == found[4].centre_hz]
    assert moved[0].offset_hz == pytest.approx(400e3, abs=20e3)


@pytest.mark.parametrize("ppm", [-120.0, 120.0])
def test_sign_of_analyser_ppm(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States, ppm: float
) -> None:
    """Displayed above true is positive; it is told apart from the LO error by its growth with IF (derived)."""
    loose = replace(chain, reference_ppm=200.0)
    found = shown(arc, "Cedar", "H", states["low"], lo_error_hz=150e3, ppm=ppm, rng=rng(), std_hz=15e3)
    result = identify(make(found), arc, loose)
    assert result.analyser_ppm == pytest.approx(ppm, abs=4 * result.analyser_ppm_std)
    assert result.analyser_ppm_std < 40.0
    assert result.lo_error_hz == pytest.approx(150e3, abs=4 * result.lo_error_std_hz)
    assert result.if_offset_hz == pytest.approx(-150e3 + ppm * 1e-6 * result.if_reference_hz, abs=20e3)


def test_ppm_is_not_told_where_the_sweep_cannot_know(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    result = identify(make(shown(arc, "Cedar", "H", states["low"], rng=rng())), arc, chain)
    assert result.analyser_ppm is None
    assert result.analyser_ppm_std is None
    # yet its prior of 0.5 ppm at about 1.4 GHz is in the LO error's uncertainty
    assert result.lo_error_std_hz > result.if_offset_std_hz


# --- verdicts -----------------------------------------------------------------------------------------------------


def test_confirmed_holds_its_thresholds(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    found = shown(arc, "Fir", "V", states["high"], lo_error_hz=-2e6, rng=rng(), missing=0.12)
    result = identify(make(found), arc, chain, expect="fir/v", lo_state="high")
    value = plain(result)
    assert value["verdict"] == "confirmed"
    assert value["log10_odds_none"] >= value["thresholds"]["confirmed_none"]
    assert value["log10_odds_next"] >= value["thresholds"]["confirmed_next"]
    assert value["position_confirmed"] is True
    assert value["expected"] == {"satellite": "Fir", "polarisation": "V", "lo_state": "high"}
    assert "outside" in value["sentence"]  # 2 MHz against a tolerance of 0.9
    assert len(value["candidates"]) <= 10
    assert value["table"]["sha256"] == arc.sha256


def test_other_satellite_is_contradicted_and_says_how_far(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    result = identify(make(shown(arc, "Dogwood", "H", states["low"], rng=rng())), arc, chain, expect="Cedar/H")
    assert (result.verdict, result.satellite) == ("contradicted", "Dogwood")
    finding = next(f for f in result.findings if f.code == "identification.other_satellite")
    assert "5.0° east" in finding.explanation
    assert "Cedar" in result.sentence
    assert "Dogwood" in result.sentence
    for step in finding.next_steps:
        assert set(required_for(step.text)) <= set(step.cautions)


def test_other_polarisation_is_contradicted(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    result = identify(make(shown(arc, "Cedar", "V", states["low"], rng=rng())), arc, chain, expect="Cedar/H")
    assert (result.verdict, result.polarisation) == ("contradicted", "V")
    assert "identification.other_polarisation" in {f.code for f in result.findings}


def test_commanded_lo_state_that_is_not_there_is_contradicted(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """Tone commanded (high), but the carriers sit where the low state puts them: the tone does not arrive."""
    result = identify(make(shown(arc, "Cedar", "H", states["low"], rng=rng())), arc, chain, lo_state="high")
    assert (result.verdict, result.lo_state) == ("contradicted", "low")
    finding = next(f for f in result.findings if f.code == "identification.other_lo_state")
    assert "tone is not reaching" in finding.explanation


def test_without_expectation_nothing_is_contradicted(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    for satellite in ("Alder", "Ilex"):
        result = identify(make(shown(arc, satellite, "V", states["low"], rng=rng())), arc, chain)
        assert result.verdict == "confirmed"
        assert result.satellite == satellite


def test_absent_satellite_is_unidentified(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    rest = CarrierTable.from_rows([row for row in arc if row.satellite != "Gorse"], "rest.csv")
    result = identify(make(shown(arc, "Gorse", "H", states["low"], rng=rng())), rest, chain, expect="Cedar")
    assert result.verdict == "unidentified"
    assert result.satellite is None
    assert result.roll_call == ()
    assert len(result.unlisted) > 10
    assert plain(result)["lo_error_hz"] is None


def test_nothing_found_is_no_carriers(arc: CarrierTable, chain: ReceiveChain, make: Make) -> None:
    result = identify(make([]), arc, chain, expect="Cedar")
    assert result.verdict == "no carriers"
    assert result.satellite is None
    assert plain(result)["candidates"] == []


@pytest.mark.parametrize("role", ["off_satellite", "analyser_floor", "terminated"])
def test_nothing_found_on_purpose_is_no_reason_to_point_again(
    arc: CarrierTable, chain: ReceiveChain, make: Make, role: Role
) -> None:
    meant = identify(make([]), arc, chain, context=Context(role=role))
    found = next(f for f in meant.findings if f.code == "identification.no_carriers")
    assert (meant.verdict, found.severity) == ("no carriers", "note")
    assert not [s for s in found.next_steps if "azimuth" in s.text]
    usual = identify(make([]), arc, chain, context=Context(role="normal"))
    found = next(f for f in usual.findings if f.code == "identification.no_carriers")
    assert found.severity == "warning"
    assert [s for s in found.next_steps if "azimuth" in s.text]


def test_twins_at_one_position_are_ambiguous_with_the_position_confirmed(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    twin = [replace(row, satellite="Cedar twin") for row in arc if row.satellite == "Cedar"]
    table = CarrierTable.from_rows([*arc, *twin], "twins.csv")
    result = identify(make(shown(arc, "Cedar", "H", states["low"], rng=rng())), table, chain)
    assert result.verdict == "ambiguous"
    assert result.position_confirmed
    named = {c.satellite for c in result.candidates[:2]}
    assert named == {"Cedar", "Cedar twin"}
    assert "Cedar twin" in result.sentence or "Cedar," in result.sentence


def test_twins_elsewhere_leave_the_position_open(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    twin = [replace(row, satellite="Far", orbital_longitude_deg=60.0) for row in arc if row.satellite == "Cedar"]
    table = CarrierTable.from_rows([*arc, *twin], "twins.csv")
    result = identify(make(shown(arc, "Cedar", "H", states["low"], rng=rng())), table, chain)
    assert result.verdict == "ambiguous"
    assert not result.position_confirmed
    assert "Their lists hold the same rows" in result.findings[0].explanation


def test_ambiguous_names_the_rows_that_would_part_the_rivals(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """The twin differs in two rows outside the span."""
    own = [row for row in arc if row.satellite == "Cedar" and row.polarisation == "H"]
    twin = [replace(row, satellite="Far", orbital_longitude_deg=60.0) for row in own]
    moved = [replace(row, rf_hz=row.rf_hz + 7e6) if row.rf_hz > 12.5e9 else row for row in twin]
    parted = [a.line for a, b in zip(own, moved, strict=True) if a.rf_hz != b.rf_hz]
    table = CarrierTable.from_rows([*arc, *moved], "twins.csv")
    result = identify(make(shown(arc, "Cedar", "H", states["low"], rng=rng())), table, chain)
    assert result.verdict == "ambiguous"
    assert parted
    text = result.findings[0].explanation
    assert "What parts them" in text
    assert f"(line {parted[0]})" in text


def test_few_carriers_are_never_confirmed_against_rivals_by_chance(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    found = shown(arc, "Cedar", "H", states["low"], rng=rng())[:2]
    result = identify(make(found, found[0].centre_hz - 20e6, found[1].centre_hz + 20e6, 0.3e6), arc, chain)
    assert result.verdict not in ("confirmed", "contradicted")


# --- roll call ----------------------------------------------------------------------------------------------------


def test_roll_call_tells_present_absent_and_why_not_visible(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States, one: Callable[..., Carrier]
) -> None:
    found = shown(arc, "Cedar", "H", states["low"], rng=rng())
    gone = found.pop(5)
    stranger = one(found[3].centre_hz + 9e6, 1.5e6)
    inside = [each for each in found if each.centre_hz < 1500e6]
    result = identify(make([*inside, stranger], 950e6, 1500e6), arc, chain)
    status = {e.status for e in result.roll_call}
    assert status == {"present", "absent", "not visible"}
    absent = [e for e in result.roll_call if e.status == "absent"]
    assert len(absent) == 1
    assert absent[0].expected_if_hz == pytest.approx(gone.centre_hz, abs=300e3)
    assert [c.centre_hz for _, c in result.unlisted if c.centre_hz < 1500e6] == [stranger.centre_hz]
    outside = [e for e in result.roll_call if e.why == "outside the span"]
    assert outside
    assert all(e.expected_if_hz > 1490e6 for e in outside)
    lines = [e.row for e in result.roll_call]
    mine = [r.line for r in arc if (r.satellite, r.polarisation) == ("Cedar", "H")]
    assert sorted(lines) == sorted(mine)


def test_roll_call_tells_the_margin_of_rows_with_modulation_and_code_rate(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    """8PSK 3/4 needs an Es/N0 of 7.91 dB (EN 302 307-1 table 13, transcription)."""
    rows = [replace(r, modulation="8PSK", code_rate="3/4") if r.polarisation == "H" else r for r in arc]
    found = [replace(c, es_n0_db=c.cn_db, es_n0_std_db=0.2) for c in shown(arc, "Cedar", "H", states["low"], rng=rng())]
    present = [
        e
        for e in identify(make(found), CarrierTable.from_rows(rows, "m.csv"), chain).roll_call
        if e.status == "present"
    ]
    assert present
    for entry in present:
        assert entry.margin_db == pytest.approx((entry.cn_db or 0.0) - 7.91, abs=1e-9)
        assert entry.margin_std_db == pytest.approx(0.2)
    plain = identify(make(found), arc, chain)
    assert all(e.margin_db is None and e.margin_std_db is None for e in plain.roll_call)


def test_changed_rate_is_told(arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States) -> None:
    found = shown(arc, "Cedar", "H", states["low"], rng=rng())
    rate = found[6].symbol_rate_bd or 0.0
    found[6] = replace(found[6], symbol_rate_bd=0.6 * rate, symbol_rate_std_bd=0.01 * rate)
    result = identify(make(found), arc, chain)
    told = [e for e in result.roll_call if "symbol rate changed" in e.why]
    assert len(told) == 1
    assert told[0].centre_hz == found[6].centre_hz


def test_rows_out_of_date_are_not_called(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    found = shown(arc, "Cedar", "H", states["low"], rng=rng())
    rows = [replace(r, valid_to="2024-12-31") if r.satellite == "Cedar" and r.rf_hz < 11.0e9 else r for r in arc]
    table = CarrierTable.from_rows(rows, "dated.csv")
    when = Context(captured_at=datetime(2026, 3, 1, tzinfo=UTC))
    result = identify(make(found), table, chain, context=when)
    assert result.satellite == "Cedar"
    stale = [e for e in result.roll_call if "not valid" in e.why]
    assert stale
    assert all(e.status == "not visible" and e.rf_mhz < 11_000.0 for e in stale)


# --- what must not matter -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_order_of_rows_does_not_matter(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States, seed: int
) -> None:
    gen = np.random.default_rng(seed)
    found = shown(arc, "Hazel", "V", states["high"], lo_error_hz=0.4e6, rng=gen, missing=0.2)
    rows = list(arc)
    shuffled = CarrierTable.from_rows([rows[i] for i in gen.permutation(len(rows))], "arc.csv")
    first, second = identify(make(found), arc, chain), identify(make(found), shuffled, chain)
    assert first.verdict == second.verdict
    assert [(c.satellite, c.polarisation, c.lo_state) for c in first.candidates[:3]] == [
        (c.satellite, c.polarisation, c.lo_state) for c in second.candidates[:3]
    ]
    assert first.lo_error_hz == pytest.approx(second.lo_error_hz, abs=1e-3)
    assert first.log10_odds_none == pytest.approx(second.log10_odds_none, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_moving_all_carriers_moves_only_the_offset(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States, seed: int
) -> None:
    """A shift of all carriers by d moves the offset by d and the LO error by -d (low side)."""
    gen = np.random.default_rng(seed)
    shift = float(gen.uniform(-300e3, 300e3))
    found = shown(arc, "Hazel", "V", states["low"], rng=gen)
    moved = [replace(c, centre_hz=c.centre_hz + shift) for c in found]
    first, second = identify(make(found), arc, chain), identify(make(moved), arc, chain)
    assert second.satellite == first.satellite
    assert second.if_offset_hz - first.if_offset_hz == pytest.approx(shift, abs=0.05 * first.if_offset_std_hz)
    assert second.lo_error_hz - first.lo_error_hz == pytest.approx(-shift, abs=0.05 * first.lo_error_std_hz)


@pytest.mark.parametrize("seed", range(12))
def test_every_answer_is_json_without_nan(
    arc: CarrierTable, chain: ReceiveChain, make: Make, one: Callable[..., Carrier], seed: int
) -> None:
    """Carriers at random, of every kind and with gaps in what is known of them."""
    gen = np.random.default_rng(seed)
    found = []
    for kind in gen.choice(["modulated", "cw", "other", "unresolved"], int(gen.integers(1, 30))):
        carrier = one(float(gen.uniform(960e6, 2140e6)), float(gen.uniform(1e6, 3e7)))
        if kind != "modulated":
            carrier = replace(carrier, kind=str(kind), symbol_rate_bd=None, symbol_rate_std_bd=None, cn_db=None)
        if gen.random() < 0.3:
            carrier = replace(carrier, centre_std_hz=None, occupied_bandwidth_hz=None)
        found.append(carrier)
    value = plain(identify(make(found), arc, chain))
    assert value["verdict"] in VERDICTS
    assert value["verdict"] != "confirmed"
    assert len(identify(make(found), arc, chain).to_frame().columns) > 5


# --- knowledge beforehand -----------------------------------------------------------------------------------------


def test_satellites_below_the_horizon_are_left_out_and_told(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    far = [replace(r, satellite="Far", orbital_longitude_deg=150.0) for r in arc if r.satellite == "Cedar"]
    table = CarrierTable.from_rows([*arc, *far], "far.csv")
    place = Context(latitude_deg=40.0, longitude_deg=-10.0)
    found = make(shown(arc, "Cedar", "H", states["low"], rng=rng()))
    assert identify(found, table, chain).verdict == "ambiguous"
    result = identify(found, table, chain, context=place)
    assert (result.verdict, result.satellite) == ("confirmed", "Cedar")
    assert "Far" in next(f for f in result.findings if f.code == "identification.below_horizon").explanation


def test_network_id_leans_but_does_not_decide(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    rows = [replace(r, network_id={"Cedar": "17", "Fir": "18"}.get(r.satellite)) for r in arc]
    table = CarrierTable.from_rows(rows, "nid.csv")
    found = make(shown(arc, "Cedar", "H", states["low"], rng=rng()))
    for number, answer in (("17", "yes"), ("18", "no")):
        result = identify(found, table, chain, context=Context(reported_network_id=number))
        assert result.satellite == "Cedar"
        assert next(f for f in result.findings if f.code == "identification.network_id").answer == answer


def test_tolerance_that_is_not_stated_is_listed_as_assumed(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    silent = replace(chain, lo_states=tuple(replace(s, tolerance_hz=None) for s in chain.lo_states))
    result = identify(make(shown(arc, "Cedar", "H", states["low"], lo_error_hz=2e6, rng=rng())), arc, silent)
    assert result.verdict == "confirmed"
    assert "identification.tolerance_assumed" in {f.code for f in result.findings}


# --- refusals and faces -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"expect": "Cedr"}, "Cedar"),
        ({"expect": "Cedar/X"}, "H, V, L, R"),
        ({"lo_state": "middle"}, "low, high"),
        ({"context": [Context(), Context()]}, "as many contexts"),
    ],
)
def test_refusals_name_what_would_do(
    arc: CarrierTable, chain: ReceiveChain, make: Make, options: dict[str, Any], word: str
) -> None:
    with pytest.raises(IdentificationError) as caught:
        identify(make([]), arc, chain, **options)
    assert word in str(caught.value)
    with pytest.raises(IdentificationError):
        identify([], arc, chain)


def test_an_expected_object_and_a_mapping_mean_the_same(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States
) -> None:
    found = make(shown(arc, "Cedar", "H", states["low"], rng=rng()))
    one = identify(found, arc, chain, expect=Expected("Cedar", "V", "low"))
    two = identify(found, arc, chain, expect={"satellite": "Cedar", "polarisation": "V", "lo_state": "low"})
    assert one.verdict == two.verdict == "contradicted"
    assert spectra.identify(found, arc, chain).verdict == "confirmed"


# --- the odd ones: inverted spectrum, weak sweeps -----------------------------------------------------------------


@pytest.mark.parametrize("expect", [None, "Cedar/H"])
def test_inverted_spectrum_is_found_and_never_confirmed(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States, expect: str | None
) -> None:
    """A line that turns 950..1950 MHz round: IF' = 2900 MHz - IF (derived)."""
    found = shown(arc, "Cedar", "H", states["low"], rng=rng())
    turned = [replace(c, centre_hz=2_900e6 - c.centre_hz) for c in found]
    result = identify(make(turned), arc, chain, expect=expect)
    assert result.verdict == ("probable" if expect is None else "contradicted")
    assert (result.satellite, result.injection) == ("Cedar", "high")
    assert "identification.inverted_spectrum" in {f.code for f in result.findings}
    assert "inverted" in result.sentence


def test_weak_sweep_is_decided_on_the_trace_and_never_confirmed(
    arc: CarrierTable, chain: ReceiveChain, make: Make, states: States
) -> None:
    """Carriers 1 dB over the floor, one reading a point: none is detected, the trace as a whole still tells."""
    gen = rng()
    base = make([], 950e6, 1950e6)
    frequency = base.sweep.frequency_hz
    power = np.ones(frequency.size)
    for row in arc:
        if (row.satellite, row.polarisation) == ("Cedar", "H") and row.rf_hz < 11.7e9:
            power += 1.3 * (np.abs(frequency - (row.rf_hz - 9.75e9 - 0.3e6)) < 0.55 * (row.symbol_rate_bd or 0.0))
    level = -80.0 + 10.0 * np.log10(power * gen.gamma(3.0, 1.0 / 3.0, frequency.size))
    sweep = spectra.Sweep.from_arrays(frequency, level, rbw_hz=1e6)
    result = identify(replace(base, sweep=sweep), arc, chain)
    assert result.verdict == "probable"
    assert (result.satellite, result.polarisation, result.lo_state) == ("Cedar", "H", "low")
    assert result.lo_error_hz == pytest.approx(0.3e6, abs=1.2e6)
    assert plain(result)["findings"][0]["code"] == "identification.from_trace"
    # noise alone says nothing
    noise = spectra.Sweep.from_arrays(frequency, -80.0 + 10.0 * np.log10(gen.gamma(3.0, 1.0 / 3.0, frequency.size)))
    assert identify(replace(base, sweep=noise), arc, chain).verdict == "no carriers"


@pytest.mark.parametrize("expect", [None, "Cedar", "Second"])
def test_co_located_satellites_are_company_not_rivals(
    arc: CarrierTable, chain: ReceiveChain, make: Make, shown: Shown, states: States, expect: str | None
) -> None:
    """Every other row of one position belongs to a second satellite; the sweep shows both, and either may be meant."""
    number = 0
    rows = []
    for row in arc:
        if row.satellite == "Cedar":
            number += 1
            row = replace(row, satellite="Second" if number % 2 else "Cedar")
        rows.append(row)
    table = CarrierTable.from_rows(rows, "shared.csv")
    found = make(shown(arc, "Cedar", "H", states["low"], rng=rng()))
    result = identify(found, table, chain, expect=expect)
    assert result.verdict == "confirmed"
    assert result.position_confirmed
    assert result.satellite == (expect or result.satellite)
    assert "identification.co_located" in {f.code for f in result.findings}
    assert plain(result)["verdict"] == "confirmed"
