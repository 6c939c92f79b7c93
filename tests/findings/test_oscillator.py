"""The oscillator from departures made by hand and from simulated sweeps: sums, signs, outliers, states, certainty."""

import math
from dataclasses import replace

import numpy as np
import pytest

import spectra
from spectra.capture import Context
from spectra.cautions import required_for
from spectra.findings import capture_findings
from spectra.findings.identified import centre_std_hz, finer_sweep
from spectra.findings.oscillator import (
    beyond_probability,
    carrier_apart,
    doppler_bound_hz,
    inverted_spectrum,
    out_of_tolerance,
    whose_error,
)
from spectra.findings.oscillator_fit import Departure, fit_oscillator
from spectra.findings.oscillator_state import other_polarisation, wrong_state
from spectra.identify.identification import Candidate, Expected, Identification
from spectra.measure.measurement import Carrier
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.signal.bounds import carrier_bounds
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

LOW = LoState("low V", 9.75e9, "low", 10.7e9, 11.9e9, "V", 13.0, False, 100e3)
HIGH = LoState("high V", 10.6e9, "low", 11.55e9, 12.75e9, "V", 13.0, True, 100e3)
LOW_H = LoState("low H", 9.75e9, "low", 10.7e9, 11.9e9, "H", 18.0, False, 100e3)
UPPER = LoState("C", 5.15e9, "high", 3.4e9, 4.2e9, "H", None, None, 100e3)
CHAIN = ReceiveChain("test", 950e6, 2150e6, (LOW, HIGH, LOW_H), reference_ppm=1.0)
IF_HZ = np.linspace(1.0e9, 2.1e9, 8)


def departures(lo_error=0.0, ppm=0.0, state=LOW, std=20e3, seed=1, rounding=0.0, wrong=()) -> list[Departure]:
    rng = np.random.default_rng(seed)
    found = []
    for k, f in enumerate(IF_HZ):
        offset = -state.sign * lo_error + ppm * 1e-6 * f + rng.normal(0.0, std)
        offset += rng.uniform(-0.5, 0.5) * rounding * math.sqrt(12.0) + dict(wrong).get(k, 0.0)
        found.append(Departure(k + 2, float(f), float(offset), std, rounding))
    return found


def identification(
    state=LOW, commanded=None, polarisation=None, expected=None, injection="low", verdict="contradicted"
):
    best = Candidate(
        satellite="Nimbus Test",
        polarisation=polarisation or state.polarisation,
        lo_state=state.name,
        injection=injection,
        log10_odds_next=12.0,
    )
    return Identification(
        verdict=verdict,
        best=best,
        position_confirmed=True,
        expected=Expected("Nimbus Test", expected, commanded),
        candidates=(best,),
        roll_call=(),
        unlisted=(),
        findings=(),
        table_file="t.csv",
        table_sha256="",
        table_rows=8,
        chain="test",
        sweep_files=("noon.csv",),
    )


@pytest.mark.parametrize(("lo_hz", "khz"), [(9.75e9, 9.75), (10.6e9, 10.6), (11.3e9, 11.3), (5.15e9, 5.15)])
def test_ppm_arithmetic(lo_hz: float, khz: float) -> None:
    """One ppm of an LO (derived)."""
    fit = fit_oscillator(departures(khz * 1e3, std=1.0), replace(LOW, lo_hz=lo_hz), 1e-6)
    assert fit.lo_error_ppm == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(
    ("knots", "at_12750", "at_3950"),
    [(1, 21.9, 6.8), (5, 109.4, 33.9), (10, 218.8, 67.8), (15, 328.2, 101.7), (20, 437.6, 135.6)],
)
def test_doppler_of_the_vessel(knots: float, at_12750: float, at_3950: float) -> None:
    """df = f v / c, 1 knot = 0.514444 m/s (derived table)."""
    assert doppler_bound_hz(12.75e9, knots, 0.0) == pytest.approx(at_12750, abs=0.06)
    assert doppler_bound_hz(3.95e9, knots, 0.0) == pytest.approx(at_3950, abs=0.06)


@pytest.mark.parametrize("state", [LOW, UPPER], ids=["low side", "high side"])
@pytest.mark.parametrize("error", [-150e3, 150e3])
def test_sign_of_the_lo_error(state: LoState, error: float) -> None:
    """Low side: an LO too high moves carriers down; high side: up."""
    found = departures(error, state=state)
    fit = fit_oscillator(found, state, 1.0)
    assert fit.lo_error_hz == pytest.approx(error, abs=4 * fit.lo_error_std_hz)
    assert np.sign(np.median([d.offset_hz for d in found])) == -state.sign * np.sign(error)


def test_uncertainty_is_that_of_the_matched_carriers() -> None:
    """std(centre)/sqrt(K), with the rounding and the reference beside it (JCGM 100, 5.1.2; from memory)."""
    fit = fit_oscillator(departures(50e3), LOW, 1e-9)
    assert fit.lo_error_std_hz == pytest.approx(20e3 / math.sqrt(8), rel=5e-3)  # weights of an outlier model
    rounded = fit_oscillator(departures(50e3, rounding=15e3), LOW, 1e-9)
    assert 20e3 < math.sqrt(8) * rounded.lo_error_std_hz < 1.4 * math.hypot(20e3, 15e3)
    referenced = fit_oscillator(departures(50e3, std=1e3), LOW, 2.0)
    assert referenced.reference_std_hz < 2.0 * 1.55e3  # the sweep itself tells the reference better


def test_coarse_digits_do_not_widen_what_the_residuals_show_to_be_exact() -> None:
    """Whole MHz in the table (289 kHz if rounded), residuals of 20 kHz: the frequencies are exact."""
    exact = [replace(d, rounding_std_hz=289e3) for d in departures(50e3)]
    assert fit_oscillator(exact, LOW, 1e-9).lo_error_std_hz < 1.3 * 20e3 / math.sqrt(8)
    alone = fit_oscillator(exact[:1], LOW, 1e-9)
    assert alone.lo_error_std_hz > 100e3  # one carrier cannot tell


def test_coverage_over_many_draws() -> None:
    """400 draws with reference error and rounding: 95 % intervals hold the truth within binomial 3-sigma limits."""
    hits = 0
    for seed in range(400):
        rng = np.random.default_rng(10_000 + seed)
        error, ppm = rng.normal(0.0, 200e3), rng.normal(0.0, 1.0)
        fit = fit_oscillator(departures(error, ppm, seed=seed, rounding=10e3), LOW, 1.0)
        hits += abs(fit.lo_error_hz - error) <= 1.96 * fit.lo_error_std_hz
    assert 0.917 < hits / 400 <= 0.983


@pytest.mark.parametrize("step_hz", [10e3, 100e3, 1e6])
def test_coverage_where_the_table_rounds_far_beyond_what_carriers_tell(step_hz: float) -> None:
    """Carriers known to 1 kHz, rows rounded evenly within a step (std step/sqrt(12), JCGM 100, 4.3.7; from memory).

    How coarse the rounding is must itself be told from the residuals, so that 95 % intervals hold somewhat less: three
    binomial standard deviations below 0.92 of 200 are asked, and 4 % at most beyond 3 standard uncertainties.
    """
    pulls = []
    for seed in range(200):
        rng = np.random.default_rng([45, seed])
        error, ppm = rng.normal(0.0, 200e3), rng.normal(0.0, 1.0)
        found = departures(error, ppm, seed=9000 + seed, std=1e3, rounding=step_hz / math.sqrt(12.0))
        fit = fit_oscillator(found, LOW, 1.0)
        pulls.append(abs(fit.lo_error_hz - error) / fit.lo_error_std_hz)
    assert np.mean(np.array(pulls) < 1.96) > 0.862 and np.mean(np.array(pulls) > 3.0) < 0.04


@pytest.mark.parametrize("count", [3, 5])
def test_carriers_that_all_disagree_give_no_narrow_answer(count: int) -> None:
    """Exact rows, stds of 100 Hz, departures tens of kHz apart: none of them alone is the oscillator."""
    rng = np.random.default_rng(count)
    apart = [replace(d, offset_hz=d.offset_hz + rng.normal(0.0, 30e3)) for d in departures(0.0, std=100.0)[:count]]
    fit = fit_oscillator(apart, LOW, 1.0)
    assert math.isfinite(fit.lo_error_std_hz) and abs(fit.lo_error_hz) < 5.0 * max(fit.lo_error_std_hz, 3e3)
    assert fit.lo_error_std_hz > 1e3


def test_a_carrier_that_moved_is_named_and_does_not_pull() -> None:
    fit = fit_oscillator(departures(80e3, wrong={3: 900e3}), LOW, 1.0)
    assert [d.row for d in fit.outliers] == [5]
    assert fit.lo_error_hz == pytest.approx(80e3, abs=4 * fit.lo_error_std_hz)
    (finding,) = carrier_apart(fit)
    assert "Row 5" in finding.title and finding.evidence[0].value == pytest.approx(900e3, abs=100e3)


def test_no_carriers_no_fit() -> None:
    assert fit_oscillator([], LOW) is None


@pytest.mark.parametrize(("error", "answer"), [(400e3, "yes"), (0.0, "no"), (100e3, "cannot_tell")])
def test_against_the_tolerance(error: float, answer: str) -> None:
    fit = fit_oscillator(departures(error), LOW, 1.0)
    (finding,) = out_of_tolerance(fit, tuple)
    assert finding.answer == answer
    names = {e.name: e for e in finding.evidence}
    assert names["lo_error"].limit == 100e3 and names["doppler_at_most"].value > 0.0
    for step in finding.next_steps:
        assert set(required_for(step.text)) <= set(step.cautions)


def test_probability_outside_is_the_normal_one() -> None:
    """Against scipy.stats.norm."""
    from scipy.stats import norm

    for value, std, limit in ((80e3, 30e3, 100e3), (-200e3, 50e3, 100e3), (0.0, 10e3, 100e3)):
        expected = norm.sf(limit, value, std) + norm.cdf(-limit, value, std)
        assert beyond_probability(value, std, limit) == pytest.approx(expected, rel=1e-6, abs=1e-12)


def test_whose_error_lnb_analyser_or_neither() -> None:
    (constant,) = whose_error(fit_oscillator(departures(300e3), LOW, 20.0))
    assert constant.answer == "yes" and "LNB" in constant.title
    (proportional,) = whose_error(fit_oscillator(departures(ppm=200.0), LOW, 200.0))
    assert proportional.answer == "no" and "analyser" in proportional.title
    near = [replace(d, if_hz=1.5e9 + 1e6 * k) for k, d in enumerate(departures(150e3))]
    (open_question,) = whose_error(fit_oscillator(near, LOW, 100.0))
    assert open_question.answer == "cannot_tell" and open_question.next_steps
    (by_size,) = whose_error(fit_oscillator(near, LOW, 1.0))
    assert by_size.answer == "yes" and "would have to be off" in by_size.explanation
    assert not list(whose_error(fit_oscillator(departures(0.0), LOW, 1.0)))


@pytest.mark.parametrize(
    ("context", "words"),
    [
        (Context(tone_seen=False), "not generated, or lost before"),
        (Context(tone_seen=True), "lost further on"),
        (Context(), "is not noted"),
    ],
)
def test_tone_that_did_not_take_effect(context: Context, words: str) -> None:
    (finding,) = wrong_state(identification(LOW, commanded="high V"), CHAIN, context)
    assert "tone did not take effect" in finding.title and words in finding.explanation
    assert "from memory" in finding.explanation  # the customary ranges are shown only as such
    assert all("dc_on_coax" in step.cautions for step in finding.next_steps)


@pytest.mark.parametrize(
    ("volts", "words"), [(18.1, "lost on the way"), (13.0, "the source does not give"), (None, "no measured voltage")]
)
def test_supply_that_did_not_take_effect(volts: float | None, words: str) -> None:
    found = identification(LOW, commanded="low H")
    (finding,) = wrong_state(found, CHAIN, Context(supply_v_measured=volts))
    assert "supply voltage did not take effect" in finding.title and words in finding.explanation
    assert finding.evidence[2].limit == 18.0


def test_no_wrong_state_where_it_is_right_or_not_known() -> None:
    assert not list(wrong_state(identification(LOW, commanded="low V", verdict="confirmed"), CHAIN, Context()))
    assert not list(wrong_state(identification(LOW, commanded=None), CHAIN, Context()))
    assert not list(wrong_state(identification(LOW, commanded="high V", verdict="ambiguous"), CHAIN, Context()))


def test_other_polarisation_without_a_commanded_state() -> None:
    (finding,) = other_polarisation(identification(LOW_H, expected="V"), CHAIN, Context())
    assert finding.severity == "fault" and "H" in finding.title
    assert not list(other_polarisation(identification(LOW_H, expected="V"), CHAIN, Context(port="cross")))
    assert not list(other_polarisation(identification(LOW, expected="V", verdict="confirmed"), CHAIN, Context()))


def test_inverted_spectrum() -> None:
    (finding,) = inverted_spectrum(identification(LOW, injection="high"), CHAIN)
    assert finding.severity == "fault" and "mirrored" in finding.title
    assert not list(inverted_spectrum(identification(LOW, injection="low"), CHAIN))


def test_planned_certainty_is_the_bound() -> None:
    """Closed form against the numerical Cramer-Rao bound of spectra.signal.bounds (wide span: a tilt costs)."""
    carrier = Carrier("modulated", 1.5e9, symbol_rate_bd=27.5e6, roll_off=0.35, cn_db=10.0)
    f = np.linspace(1.3e9, 1.7e9, 10_001)
    numeric = carrier_bounds(f, [(1.5e9, 27.5e6, 0.35, 10.0)], 5e3, 50.0)[0]["centre_hz"]
    assert centre_std_hz(carrier, 400e6, 10_001, 5e3, 50.0) == pytest.approx(numeric, rel=0.01)


def test_the_finer_sweep_reaches_what_is_needed() -> None:
    fit = fit_oscillator(departures(100e3), LOW, 0.01)
    carriers = [
        Carrier(
            "modulated",
            float(f),
            symbol_rate_bd=5e6,
            roll_off=0.2,
            cn_db=12.0,
            cn0_dbhz=79.0,
            occupied_bandwidth_hz=5.4e6,
        )
        for f in IF_HZ
    ]
    steps = finer_sweep(fit, carriers, 1001)
    assert "RBW" in steps[0].text and "averages" in steps[0].text and "row" in steps[0].text


@pytest.fixture(scope="module")
def swept():
    rows = [
        (11050.0, 12e6, 13.0),
        (11100.0, 6e6, 11.0),
        (11160.0, 20e6, 12.0),
        (11230.0, 10e6, 12.0),
        (11290.0, 8e6, 13.0),
        (11360.0, 5e6, 12.0),
    ]
    table = CarrierTable.from_rows(
        {
            "satellite": "Nimbus Test",
            "polarisation": "V",
            "rf_mhz": rf,
            "symbol_rate_kbd": rate / 1e3,
            "roll_off": 0.2,
            "reference_cn_db": cn,
        }
        for rf, rate, cn in rows
    )

    def sweep(error_hz: float, state: LoState = LOW, seed: int = 1):
        emissions = tuple(
            Emission(float(state.if_from_rf(rf * 1e6)) - error_hz, rate, 0.2, -140.0 + cn + 10 * math.log10(rate))
            for rf, rate, cn in rows
        )
        analyser = Analyser(1.25e9, 1.65e9, 801, 5e5, averages=20, readings=5)
        return sweep_spectrum(Spectrum(-140.0, emissions=emissions), analyser, seed, file=f"{seed}.csv")

    return table, sweep


def test_from_sweep_to_finding(swept) -> None:
    table, sweep = swept
    measurement = spectra.measure(sweep(260e3))
    found = spectra.identify(measurement, table, CHAIN, lo_state="low V")
    told = {
        f.code: f
        for f in capture_findings(
            measurement, table=table, chain=CHAIN, context=Context(lo_state="low V"), identification=found
        )
    }
    finding = told["oscillator.out_of_tolerance"]
    error = finding.evidence[0]
    assert finding.answer == "yes" and error.value == pytest.approx(260e3, abs=4 * error.std)
    assert "oscillator.wrong_state" not in told


def test_leak_in_one_sweep_is_suspected_and_only_suspected(swept) -> None:
    table, _ = swept
    both = CarrierTable.from_rows(
        [
            *(
                {
                    "satellite": r.satellite,
                    "polarisation": "V",
                    "rf_hz": r.rf_hz,
                    "symbol_rate_bd": r.symbol_rate_bd,
                    "roll_off": 0.2,
                }
                for r in table
            ),
            *(
                {
                    "satellite": "Nimbus Test",
                    "polarisation": "H",
                    "rf_mhz": rf,
                    "symbol_rate_kbd": 6000,
                    "roll_off": 0.2,
                    "reference_cn_db": 14,
                }
                for rf in (11075.0, 11195.0, 11325.0)
            ),
        ]
    )
    emissions = [
        Emission(r.rf_hz - 9.75e9, r.symbol_rate_bd, 0.2, -128.0 + 10 * math.log10(r.symbol_rate_bd)) for r in table
    ]
    clean = tuple(emissions)
    leaks = tuple(
        Emission(rf * 1e6 - 9.75e9, 6e6, 0.2, -140.0 + 14.0 - 15.0 + 10 * math.log10(6e6))
        for rf in (11075.0, 11195.0, 11325.0)
    )
    for signals, expected in ((clean, False), (clean + leaks, True)):
        analyser = Analyser(1.25e9, 1.65e9, 801, 5e5, averages=20, readings=5)
        measurement = spectra.measure(sweep_spectrum(Spectrum(-140.0, emissions=signals), analyser, 5))
        found = spectra.identify(measurement, both, CHAIN, lo_state="low V")
        told = {f.code: f for f in capture_findings(measurement, table=both, chain=CHAIN, identification=found)}
        assert ("polarisation.leak_suspected" in told) is expected
        if expected:
            finding = told["polarisation.leak_suspected"]
            level = next(e.value for e in finding.evidence if e.name == "level_against_table")
            assert level == pytest.approx(-15.0, abs=2.0) and "only raises the suspicion" in finding.explanation
