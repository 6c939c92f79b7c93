"""The log of interferers: followed through captures, way in, rhythm, vessels, and the facts for a report."""

import importlib.util
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from spectra.capture import Capture, Context
from spectra.cautions import DISCLAIMER
from spectra.errors import UsageError
from spectra.finding import run_rules
from spectra.findings.emissions import Look, Sighting, track
from spectra.findings.interference_report import interference_report, interference_reports
from spectra.findings.interference_sets import _arc, _period_std_s, entry_of, follow, occurrence, rhythm
from spectra.findings.table import SET_RULES
from spectra.measure import measure
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierRow
from spectra.simulate import Analyser, Spectrum, sweep_spectrum

START = datetime(2026, 3, 1, tzinfo=UTC)


def campaign(name: str):
    path = Path(__file__).parents[1] / "campaigns" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault(name, module)
    spec.loader.exec_module(module)
    return module


def look(number: int, lo_hz: float = 1.06e10, **more) -> Look:
    return Look(f"{number}.csv", 0.95e9, 2.15e9, START + timedelta(hours=number), lo_hz, **more)


def at_if(number: int, if_mhz: float, lo_hz: float = 1.06e10, offset_hz: float = 0.0, **more) -> Sighting:
    return Sighting(number, 1e6 * if_mhz, 3e3, 1e6 * if_mhz - offset_hz + lo_hz, 3e3, **more)


def test_what_keeps_its_if_came_by_the_cable_and_what_keeps_its_rf_by_the_antenna() -> None:
    """IF = RF - LO: 12 238 MHz is 1638 MHz at 10.6 GHz and 2488 MHz at 9.75 GHz (arithmetic)."""
    looks = [look(0), look(1, 1.075e10)]
    log = track(looks, [at_if(0, 1638.0), at_if(1, 1638.0, 1.075e10), at_if(0, 1900.0), at_if(1, 1750.0, 1.075e10)])
    assert [(e.frame, entry_of(e, log).way) for e in log.emissions] == [("if", "cable"), ("rf", "antenna")]
    findings = run_rules(SET_RULES, {"emissions": log})
    assert [f.code for f in findings] == ["interference.enters_by_cable", "interference.enters_by_antenna"]
    asking = [s for s in findings[0].next_steps if "officer of the watch" in s.text]
    assert asking
    assert "ask_officer_of_the_watch" in asking[0].cautions
    assert "L-band terminal" in findings[0].explanation


def test_a_line_in_one_sweep_and_a_narrow_carrier_in_the_next_are_one() -> None:
    """1.5 MHz wide and "unresolved" are the same under an RBW of 1 MHz, and 1.5 MHz is no line under 10 kHz."""
    looks = [look(0), look(1, 1.075e10)]
    pair = [at_if(0, 1900.0, width_hz=1.5e6, resolution_hz=1e6), at_if(1, 1750.0, 1.075e10, resolution_hz=1e6)]
    assert len(track(looks, pair).emissions) == 1
    fine = [at_if(0, 1900.0, width_hz=1.5e6, resolution_hz=1e4), at_if(1, 1750.0, 1.075e10, resolution_hz=1e4)]
    assert len(track(looks, fine).emissions) == 2


def test_a_carrier_cut_by_the_span_draws_nothing_to_itself() -> None:
    """Its place is known to gigahertz only, so that it would agree with everything."""
    looks = [look(0), look(1, 1.075e10)]
    cut = Sighting(1, 2.149e9, 1.4e10, 1.2899e10, 1.4e10)
    log = track(looks, [at_if(0, 1638.0), cut, at_if(1, 1638.0, 1.075e10)])
    assert [entry_of(e, log).way for e in log.emissions if len(e.sightings) == 2] == ["cable"]


def test_ways_in_from_swept_pairs() -> None:
    """Thinned: two simulated sweeps a pair, measured and identified; see the campaign for 1000 pairs."""
    swept = campaign("interference_swept_pairs")
    figures = swept.summary(list(swept.run(6, 7)))
    assert figures["seen in both sweeps"] >= 8
    assert figures["wrong"] == 0 and figures["open"] <= 1


def test_products_from_sweeps_are_named_and_strangers_are_not() -> None:
    """Thinned: 2 f1 - f2 of two strong carriers (arithmetic), and strangers as wide; see the campaign for hundreds."""
    figures = campaign("interference_swept_products")
    told = figures.summary(list(figures.run(8, 3)))
    assert told["products seen"] >= 3 and told["products named"] == 1.0
    assert told["strangers seen"] >= 3 and told["strangers named"] == 0.0


def test_one_lo_state_alone_does_not_tell() -> None:
    log = track([look(0), look(1)], [at_if(0, 1638.0), at_if(1, 1638.0)])
    assert entry_of(log.emissions[0], log).way == "cannot_tell"
    assert run_rules(SET_RULES, {"emissions": log}) == ()


def test_drift_of_the_lo_does_not_split_an_emission() -> None:
    drift = 50e3 * np.arange(20)
    looks = [look(k) for k in range(20)]
    log = track(looks, [at_if(k, 1500.0 + drift[k] / 1e6, offset_hz=drift[k]) for k in range(20)])
    assert len(log.emissions) == 1
    assert log.emissions[0].frame == "rf"
    assert log.emissions[0].frequency_hz == pytest.approx(12.1e9, abs=2e3)


def test_campaigns_thinned() -> None:
    """98 % of logs without split or merge, 99.5 % of pairs right; the campaigns beside hold the full counts."""
    rng = np.random.default_rng(7)
    tracking, entries = campaign("interference_tracking"), campaign("interference_entries")
    assert sum(tracking.trial(rng, captures=60) for _ in range(10)) >= 9
    told = [entries.pair(rng) for _ in range(60)]
    assert told.count("right") >= 59
    assert sum(entries.product_trial(rng, True) for _ in range(40)) >= 37
    assert sum(entries.product_trial(rng, False) for _ in range(40)) <= 3


def test_duty_against_clopper_and_pearson() -> None:
    """scipy.stats.binomtest (1.17), exact interval."""
    looks = [look(k) for k in range(10)]
    log = track(looks, [at_if(k, 1651.2) for k in (1, 4, 8)])
    told = occurrence(log.emissions[0], log)
    exact = stats.binomtest(3, 10).proportion_ci(0.95, "exact")
    assert (told.duty_low, told.duty_high) == pytest.approx((exact.low, exact.high))
    assert [f.code for f in run_rules(SET_RULES, {"emissions": log})] == ["interference.comes_and_goes"]


def test_rhythm_is_found_and_not_invented() -> None:
    rng = np.random.default_rng(4)
    times = np.arange(120) * 600.0 + rng.uniform(0.0, 60.0, 120)
    period, chance = rhythm(times, np.mod(times, 7200.0) < 2400.0)
    assert period == pytest.approx(7200.0, rel=0.03)
    assert chance is not None
    assert chance < 1e-6
    none = [rhythm(times, rng.random(120) < 0.4)[0] for _ in range(60)]
    assert sum(p is not None for p in none) <= 3


def test_heading_goes_with_presence() -> None:
    looks = [look(k, heading_deg=float(15 * k % 360)) for k in range(48)]
    log = track(looks, [at_if(k, 1900.0) for k in range(48) if 90.0 <= 15 * k % 360 <= 180.0])
    assert "interference.with_heading" in [f.code for f in run_rules(SET_RULES, {"emissions": log})]


def test_fleet_and_ports_and_off_satellite() -> None:
    looks = [look(0, vessel="A", port="co"), look(1, vessel="A", port="cross"), look(2, vessel="B")]
    both = track(looks, [at_if(k, 1500.0 + 0.4 * k, offset_hz=4e5 * k) for k in range(3)])
    codes = [f.code for f in run_rules(SET_RULES, {"emissions": both})]
    assert "interference.from_the_satellite" in codes
    assert "interference.on_both_ports" in codes
    alone = track(looks, [at_if(0, 1500.0), at_if(1, 1500.0)])
    assert "interference.aboard_one_vessel" in [f.code for f in run_rules(SET_RULES, {"emissions": alone})]
    off = track([look(0), look(1, on_satellite=False)], [at_if(0, 1710.0), at_if(1, 1710.0)])
    assert "interference.not_from_the_satellite" in [f.code for f in run_rules(SET_RULES, {"emissions": off})]


def test_spikes_of_the_ship_s_radar_crowd_in_its_image() -> None:
    """9.3 to 9.5 GHz falls on 1100 to 1300 MHz by the image of an LO at 10.6 GHz (derived)."""
    rng = np.random.default_rng(8)
    looks = [look(k) for k in range(6)]
    spikes = [at_if(k, float(f)) for k in range(6) for f in rng.uniform(1101.0, 1299.0, 2)]
    strays = [at_if(2, 1650.0), at_if(4, 1990.0)]
    findings = run_rules(SET_RULES, {"emissions": track(looks, spikes + strays)})
    (told,) = [f for f in findings if f.code == "interference.radar_spikes"]
    assert any("ask_officer_of_the_watch" in step.cautions for step in told.next_steps)
    spread = [at_if(k, float(f)) for k in range(6) for f in rng.uniform(951.0, 2149.0, 3)]
    findings = run_rules(SET_RULES, {"emissions": track(looks, spread)})
    assert "interference.radar_spikes" not in [f.code for f in findings]


def test_follow_from_sweeps_through_two_lo_states() -> None:
    states = (LoState("a", 1.06e10, "low", 1.15e10, 1.28e10), LoState("b", 1.075e10, "low", 1.15e10, 1.28e10))
    chain = ReceiveChain("test", 950e6, 2150e6, states)
    analyser = Analyser(1.55e9, 1.75e9, 501, 5e5, averages=50, readings=1, mode="slow")
    captures, measured = [], []
    for number, state in enumerate(states):
        spectrum = Spectrum(-140.0).with_tone(1.651e9, 75.0).with_tone(12.3e9 - state.lo_hz, 76.0)
        sweep = sweep_spectrum(spectrum, analyser, number, file=f"{state.name}.csv")
        captures.append(Capture((sweep,), Context(lo_state=state.name, vessel="Test"), sweep.origin.file))
        measured.append([measure(sweep)])
    log = follow(captures, measurements=measured, chain=chain)
    ways = {round(e.if_hz / 1e6): entry_of(e, log).way for e in log.emissions}
    assert ways[1651] == "cable"
    assert "antenna" in ways.values()
    assert json.dumps(log.to_dict(), allow_nan=False)
    reports = interference_reports(captures, measurements=measured, chain=chain)
    assert len(reports) == len(log.emissions)
    assert all("Name of station: Test" in report.text() for report in reports)
    with pytest.raises(UsageError):
        interference_reports(captures, measurements=measured, chain=chain, only=99)
    assert len(log.to_frame()) == len(log.emissions)


def test_report_holds_the_facts_and_marks_what_is_open() -> None:
    """Headings cover the Radio Regulations' Appendix 10 fields a to x (from memory) as far as a receiver knows them."""
    looks = [look(0), look(1, 1.075e10)]
    log = track(looks, [at_if(0, 1638.0, c_over_i_db=14.0, loss_db=1.1), at_if(1, 1638.0, 1.075e10)])
    context = Context(vessel="Cordwainer Bay", latitude_deg=34.2, longitude_deg=-150.3, operator="R. Okafor")
    report = interference_report(
        log.emissions[0], log, context=context, wanted=CarrierRow(12, "Nimbus Test", "V", 12.24e9, symbol_rate_bd=5e6)
    )
    text = report.text()
    for words in (
        "1638.000 MHz",
        "by the cable",
        "2026-03-01 00:00:00 UTC",
        "Cordwainer Bay",
        "1.1 dB at worst",
        "row 12",
    ):
        assert words in text
    assert "(to be completed)" in text
    assert DISCLAIMER in text
    assert json.loads(json.dumps(report.to_dict(), allow_nan=False))["sections"]["When"]["Seen in"] == "2 of 2 captures"


def test_least_arc_across_midnight_and_north() -> None:
    """Arithmetic: 22:00, 23:30 and 01:00 lie within 22:00 to 01:00."""
    assert _arc(np.array([22.0, 23.5, 1.0]) / 24.0, 24.0) == pytest.approx((22.0, 1.0))
    assert _arc(np.array([350.0, 10.0, 20.0]) / 360.0, 360.0) == pytest.approx((350.0, 20.0))
    assert _arc(np.array([0.25]), 24.0) == pytest.approx((6.0, 6.0))
    assert _arc(np.array([]), 24.0) is None


def test_period_lies_within_its_uncertainty() -> None:
    """Seeded: an emitter that is there a quarter of 40 minutes, looked at some 60 times at odd moments; 30 series."""
    rng = np.random.default_rng(3)
    scores = []
    for _ in range(30):
        times = np.cumsum(rng.uniform(240.0, 840.0, 60))
        there = ((times + rng.uniform(0.0, 2400.0)) % 2400.0) < 600.0
        period, _ = rhythm(times, there)
        if period is not None and abs(period - 2400.0) < 200.0:
            scores.append((period - 2400.0) / _period_std_s(period, times, there))
    assert len(scores) >= 25
    assert 0.4 < float(np.sqrt(np.mean(np.square(scores)))) < 1.6


def test_other_vessels_do_not_count_as_off() -> None:
    looks = [Look(f"{k}.csv", 1.2e9, 1.4e9, vessel="A" if k < 4 else "B") for k in range(8)]
    log = track(looks, [Sighting(k, 1.3e9, 1e3) for k in range(3)])
    (emission,) = log.emissions
    told = occurrence(emission, log)
    assert (told.seen, told.looked) == (3, 4)
