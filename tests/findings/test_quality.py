"""Capture quality against table and chain: each rule on a case that calls for it and on one that does not."""

import dataclasses
import math

import pytest

from spectra.capture import Context
from spectra.errors import UsageError
from spectra.findings import capture_findings
from spectra.findings.capture import with_capture_findings
from spectra.identify import identify
from spectra.measure import measure
from spectra.simulate import Analyser, Spectrum, sweep_spectrum


def _codes(*arguments, **options) -> dict:
    findings = capture_findings(*arguments, **options)
    return {finding.code.removeprefix("quality."): finding for finding in findings}


def test_rbw_is_held_against_the_narrowest_row_in_the_span(make_measurement, table, chain) -> None:
    known = {"table": table, "chain": chain, "lo_state": "low H", "satellite": "Nimbus Test"}
    # IF of row 3 (300 kBd): 11003 - 9750 = 1253 MHz, in the span
    wide = _codes(make_measurement(rbw_hz=1e6), **known)["rbw_too_wide"]
    assert wide.severity == "warning"
    assert wide.subjects.rows == (3,)
    assert wide.evidence[0].value == 1e6
    assert wide.evidence[0].limit == pytest.approx(1e5)
    assert "100 kHz" in wide.next_steps[0].text
    assert _codes(make_measurement(rbw_hz=2e5), **known)["rbw_too_wide"].severity == "note"
    assert "rbw_too_wide" not in _codes(make_measurement(rbw_hz=1e5), **known)
    # the span without that row: row 2 of 5 MBd counts
    assert "rbw_too_wide" not in _codes(make_measurement(1200e6, 1240e6, rbw_hz=1e6), **known)
    # the context says the same as the options
    context = Context(lo_state="low H", expected_satellite="Nimbus Test")
    assert _codes(make_measurement(rbw_hz=1e6), table=table, chain=chain, context=context)["rbw_too_wide"] == wide


def test_rbw_without_a_row_is_held_against_the_customary_narrowest(make_measurement, table, chain) -> None:
    found = _codes(make_measurement(1900e6, 2000e6, rbw_hz=1e6), table=table, chain=chain, lo_state="low H")
    assert found["rbw_too_wide"].severity == "note"
    assert found["rbw_too_wide"].subjects.rows == ()
    assert "rbw_too_wide" not in _codes(make_measurement(rbw_hz=None), table=table, chain=chain, lo_state="low H")


def test_points_apart(make_measurement, table, chain) -> None:
    known = {"table": table, "chain": chain, "lo_state": "low H", "satellite": "Nimbus Test"}
    sparse = _codes(make_measurement(points=201, rbw_hz=1e5), **known)["points_too_far_apart"]
    assert sparse.evidence[0].value == pytest.approx(5e5)
    assert sparse.evidence[0].limit == pytest.approx(math.hypot(3e5, 1e5))
    assert "335 points" in sparse.next_steps[0].text
    # a wide RBW lets no carrier fall between the points
    assert "points_too_far_apart" not in _codes(make_measurement(points=201, rbw_hz=5e5), **known)
    assert "points_too_far_apart" not in _codes(make_measurement(points=1001), **known)
    # an RBW that is not told may be wide; a peak detector gathers what lies between
    assert _codes(make_measurement(points=201, rbw_hz=None), **known)["points_too_far_apart"].answer == "cannot_tell"
    assert "points_too_far_apart" not in _codes(make_measurement(points=201, detector="peak"), **known)


def test_what_of_the_if_is_missing(make_measurement, chain) -> None:
    found = _codes(make_measurement(950e6, 1900e6), chain=chain, lo_state="low H")["if_not_covered"]
    assert (found.evidence[0].value, found.evidence[0].limit) == (1900e6, 2150e6)
    assert found.evidence[1].value == pytest.approx(250 / 1200)
    assert "if_not_covered" not in _codes(make_measurement(949e6, 2151e6), chain=chain, lo_state="low H")
    # high H reaches 1100 to 2150 MHz only
    assert "if_not_covered" not in _codes(make_measurement(1100e6, 2150e6), chain=chain, lo_state="high H")
    # the other segments count
    spans = [(1899e6, 2150e6)]
    assert "if_not_covered" not in _codes(
        make_measurement(950e6, 1900e6), chain=chain, lo_state="low H", spans_hz=spans
    )
    hole = _codes(make_measurement(950e6, 1200e6), chain=chain, lo_state="low H", spans_hz=[(1300e6, 2150e6)])
    assert (hole["if_not_covered"].evidence[0].value, hole["if_not_covered"].evidence[0].limit) == (1200e6, 1300e6)


def test_rows_outside_the_span_need_a_known_satellite(make_measurement, table, chain) -> None:
    known = {"table": table, "chain": chain, "lo_state": "low H"}
    found = _codes(make_measurement(), satellite="Nimbus Test", **known)["rows_not_covered"]
    assert found.subjects.rows == (4,)
    assert "rows_not_covered" not in _codes(make_measurement(), **known)
    assert "rows_not_covered" not in _codes(make_measurement(950e6, 2150e6), satellite="Nimbus Test", **known)


def test_span_beyond_the_if(make_measurement, chain) -> None:
    beyond = _codes(make_measurement(500e6, 2500e6), chain=chain)["span_outside_if"]
    assert beyond.severity == "note"
    assert "450 MHz below and 350 MHz above" in beyond.explanation
    missed = _codes(make_measurement(100e6, 200e6), chain=chain)
    assert missed["span_outside_if"].severity == "warning"
    assert "if_not_covered" not in missed
    assert "span_outside_if" not in _codes(make_measurement(948e6, 2152e6), chain=chain)


def test_an_rf_axis_is_recognised(make_measurement, table, chain) -> None:
    found = _codes(make_measurement(10700e6, 11600e6), table=table, chain=chain)
    assert set(found) == {"axis_is_rf"}
    assert "low H" in found["axis_is_rf"].explanation
    assert "axis_is_rf" not in _codes(make_measurement(950e6, 2150e6), chain=chain)
    assert "axis_is_rf" not in _codes(make_measurement(5e9, 6e9), chain=chain)


def test_rows_too_weak_for_the_sweep(make_measurement, table, chain) -> None:
    known = {"table": table, "chain": chain, "lo_state": "low H", "satellite": "Nimbus Test"}
    found = _codes(make_measurement(readings=1.0), **known)["carriers_below_limit"]
    assert found.severity == "warning"
    assert found.subjects.rows == (3,)  # 300 kBd at 6 dB; row 2 is strong and wide enough
    assert found.evidence[0].limit > 6.0
    assert found.evidence[1].value < 0.95
    assert "carriers_below_limit" not in _codes(make_measurement(readings=200.0), **known)
    # a log average is worth 0.61 of the readings, a hold cannot be judged
    assert "carriers_below_limit" not in _codes(make_measurement(readings=None), **known)
    assert "carriers_below_limit" not in _codes(make_measurement(readings=1.0, trace_mode="max_hold"), **known)


@pytest.mark.parametrize(
    ("own", "severity", "lift"),
    [
        # noise of both together lies 10 log10(2) = 3.01 dB over equal own noise: C/N 3.02 dB too low (derived)
        (-143.01, "note", 3.02),
        (-141.0, "warning", 6.87),
        (-140.05, "fault", None),
    ],
)
def test_own_noise(make_measurement, own, severity, lift) -> None:
    found = _codes(make_measurement(), analyser_floor=make_measurement(density_dbm_hz=own, file="own.csv"))
    finding = found["analyser_floor"]
    assert finding.severity == severity
    assert "own.csv" in finding.subjects.captures
    if lift is not None:
        assert finding.evidence[1].value == pytest.approx(lift, abs=0.02)
    else:
        assert "dc_on_coax" in finding.next_steps[0].cautions


def test_own_noise_far_below_is_no_finding(make_measurement) -> None:
    assert _codes(make_measurement(), analyser_floor=make_measurement(density_dbm_hz=-155.0)) == {}
    assert _codes(make_measurement(density_dbm_hz=None), analyser_floor=make_measurement()) == {}
    own = Context(role="analyser_floor")
    assert _codes(make_measurement(), analyser_floor=make_measurement(), context=own) == {}


def test_a_low_floor_without_a_capture_of_it_cannot_be_told(make_measurement) -> None:
    found = _codes(make_measurement(density_dbm_hz=-160.0))["analyser_floor_unknown"]
    assert (found.answer, found.severity) == ("cannot_tell", "note")
    assert _codes(make_measurement(density_dbm_hz=-145.0)) == {}
    terminated = Context(role="terminated")
    assert _codes(make_measurement(density_dbm_hz=-160.0), context=terminated) == {}


def test_an_unknown_lo_state_is_refused(make_measurement, chain) -> None:
    with pytest.raises(UsageError, match="low H"):
        capture_findings(make_measurement(), chain=chain, lo_state="sideways")


@pytest.mark.parametrize("role", ["off_satellite", "terminated", "analyser_floor"])
def test_a_capture_that_is_to_show_nothing_and_shows_nothing_is_told_so(role: str, chain, table) -> None:
    """No advice on look angles where the antenna looks away on purpose; without the role it stays."""
    measurement = measure(
        sweep_spectrum(Spectrum(-140.0), Analyser(1.2e9, 1.3e9, 401, 5e5, averages=10, readings=10), 4)
    )
    assert not measurement.carriers
    for context, meant in ((Context(role=role), True), (Context(), False)):
        result = identify(measurement, table, chain, context=context)
        told = {f.code for f in with_capture_findings(result, [measurement], table, chain, [context]).findings}
        assert ("quality.nothing_as_meant" in told) == meant
        assert ("identification.no_carriers" in told) == (not meant)


def test_with_a_dead_lnb_the_level_comes_before_the_azimuth(chain, table) -> None:
    """-152 dBm/Hz lies 12 dB below what 39 dB of line gain should show (thermal noise, arithmetic): supply first."""
    analyser = Analyser(1.2e9, 1.3e9, 401, 5e5, averages=10, readings=10)
    measurement = measure(sweep_spectrum(Spectrum(-152.0), analyser, 4))
    for gain, dead in ((39.0, True), (27.0, False)):
        line = dataclasses.replace(chain, line_gain_db=gain)
        result = identify(measurement, table, line, context=Context())
        told = with_capture_findings(result, [measurement], table, line, [Context()]).findings
        codes = {finding.code for finding in told}
        assert ("line.gain_low" in codes, "identification.no_carriers" in codes) == (dead, not dead)
        assert any("azimuth" in step.text for finding in told for step in finding.next_steps) == (not dead)
