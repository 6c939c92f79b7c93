"""Ripple: formulas against handbook arithmetic, the search against simulated lines."""

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from spectra.findings import line
from spectra.findings.interference_causes import Unlisted
from spectra.findings.line_level import cable_loss_db, cable_slope_db, expected_density_dbm_hz, total_power_dbm
from spectra.findings.line_rates import Grid
from spectra.findings.line_ripple import (
    distance_m,
    find_ripples,
    longest_line_m,
    period_hz,
    return_loss_pair_db,
    ripple_peak_to_peak_db,
)
from spectra.measure import measure
from spectra.plan.chain import Cable, LoState, ReceiveChain
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum


def chain_with(cable: Cable | None, gain: float | None = None) -> ReceiveChain:
    state = LoState("low H", 9.75e9, "low", 1.07e10, 1.19e10)
    return ReceiveChain("test", 950e6, 2150e6, (state,), line_gain_db=gain, cable=cable)


@lru_cache
def rippled(peak_to_peak_db: float, period: float, seed: int, averages: int = 100, tilt_db: float = -4.0):
    line_ = ReceiveLine(tilt_db=tilt_db, ripple_db=peak_to_peak_db, ripple_period_hz=period, ripple_phase_rad=0.7)
    spectrum = Spectrum(-140.0, line_)
    for k, rate in enumerate((27.5e6, 8e6, 22e6, 3e6, 30e6, 12e6)):
        spectrum = spectrum.with_carrier(1010e6 + 180e6 * k, rate, 0.2, 8.0 + k)
    analyser = Analyser(950e6, 2150e6, 801, 1e6, averages=averages, readings=1, mode="slow")
    return measure(sweep_spectrum(spectrum, analyser, seed))


def test_two_mismatches_against_voltage_standing_wave_arithmetic() -> None:
    """VSWR 1.5 and 1.5: 20 log10(1 +- 0.2 x 0.2) = +0.34 / -0.35 dB (instrument handbooks' mismatch table; derived)."""
    reflection = (1.5 - 1.0) / (1.5 + 1.0)
    assert ripple_peak_to_peak_db(reflection**2) == pytest.approx(0.3407 + 0.3546, abs=1e-3)
    assert return_loss_pair_db(ripple_peak_to_peak_db(reflection**2)) == pytest.approx(2.0 * 13.979, abs=1e-2)


def test_formula_against_the_full_line_equation() -> None:
    """|1 / (1 - r1 r2 exp(-2 j beta L))| swept over a turn, numerically; derived from multiple reflections."""
    product, length, factor = 0.05, 20.0, 0.8
    f = np.linspace(1e9, 1e9 + 4.0 * period_hz(length, factor), 4001)
    gain = 20.0 * np.log10(np.abs(1.0 / (1.0 - product * np.exp(-4j * math.pi * f * length / (factor * 299792458.0)))))
    assert float(np.ptp(gain)) == pytest.approx(ripple_peak_to_peak_db(product), abs=1e-4)
    peaks = f[1:-1][(gain[1:-1] > gain[:-2]) & (gain[1:-1] > gain[2:])]
    assert distance_m(float(np.diff(peaks).mean()), factor) == pytest.approx(length, rel=2e-3)


@pytest.mark.parametrize(
    ("peak_to_peak_db", "averages", "length"), [(0.5, 100, 5.0), (0.5, 100, 20.0), (1.5, 10, 12.0)]
)
def test_distance_within_three_percent_or_half_a_metre(peak_to_peak_db: float, averages: int, length: float) -> None:
    found = find_ripples(rippled(peak_to_peak_db, period_hz(length, 0.83), 7, averages), 0.83)
    assert found
    assert abs(found[0].length_m - length) < max(0.03 * length, 0.5)
    assert found[0].peak_to_peak_db == pytest.approx(peak_to_peak_db, abs=4.0 * found[0].peak_to_peak_std_db)


@pytest.mark.parametrize(
    ("peak_to_peak_db", "averages", "length", "seed"), [(1.5, 10, 6.7, 8), (3.0, 100, 6.7, 7), (3.0, 100, 9.6, 7)]
)
def test_a_floor_that_follows_the_ripple_makes_no_third_of_the_period(
    peak_to_peak_db: float, averages: int, length: float, seed: int
) -> None:
    """Steep parts of such a floor must stay in: tops and bottoms alone fit three times the rate as well (derived)."""
    found = find_ripples(rippled(peak_to_peak_db, period_hz(length, 0.83), seed, averages), 0.83)
    assert [one.length_m for one in found] == pytest.approx([length], abs=0.1)


def test_a_slow_ripple_is_not_held_against_itself() -> None:
    """Six turns in the span: the rates around, that tell the noise, must be without its own (derived)."""
    (found,) = find_ripples(rippled(1.5, period_hz(0.66, 0.83), 7, 10), 0.83)
    assert found.length_m == pytest.approx(0.66, abs=0.05)


def test_gains_by_transform_are_those_of_least_squares() -> None:
    """numpy.linalg.lstsq (2.x) on the columns written out, on an even sweep with gaps."""
    rng = np.random.default_rng(2)
    n, size = 300, 1200
    used = np.flatnonzero(rng.random(n) < 0.6)
    known = np.linalg.qr(np.column_stack([np.ones(used.size), used / n, rng.random(used.size) < 0.3]))[0]
    rest = rng.normal(size=used.size)
    number = np.array([20, 77, 140])
    grid = Grid.of(used, number, size, known)
    line = grid.lines((rest - known @ (known.T @ rest))[:, None])[0]

    def left(*columns: np.ndarray) -> float:
        whole = np.column_stack([known, *columns])
        return float(np.sum((rest - whole @ np.linalg.lstsq(whole, rest, rcond=None)[0]) ** 2))

    def waves(k: int) -> tuple[np.ndarray, np.ndarray]:
        phase = 2.0 * math.pi * k * used / size
        return np.cos(phase), np.sin(phase)

    for k, gain in zip(number, grid.gains(line), strict=True):
        assert gain == pytest.approx(left() - left(*waves(k)))
    # with one rate taken out besides, and with it among the known ones for good
    for gains in (
        grid.gains_without(line, 1),
        grid.with_more(more := orthonormal_beside(known, waves(77))).gains(
            line - grid.lines(more)[0] * (more[:, 0] @ rest) - grid.lines(more)[1] * (more[:, 1] @ rest)
        ),
    ):
        for k in (0, 2):
            assert gains[k] == pytest.approx(left(*waves(77)) - left(*waves(77), *waves(int(number[k]))))


def orthonormal_beside(known: np.ndarray, columns: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    whole = np.linalg.qr(np.column_stack([known, *columns]))[0]
    return whole[:, known.shape[1] :]


def test_no_mismatch_on_a_straight_line() -> None:
    """The campaign counts many; here a few."""
    assert [find_ripples(rippled(0.0, 4e7, seed), 0.83) for seed in (3, 4)] == [(), ()]


def test_longest_line_is_three_rbw_and_four_points() -> None:
    measurement = rippled(0.0, 4e7, 3)
    assert longest_line_m(measurement, 0.83) == pytest.approx(0.83 * 299792458.0 / (2.0 * 6e6))  # 4 points of 1.5 MHz
    (finding,) = line.ripple_not_visible(measurement.sweep, measurement, chain_with(Cable(60.0, 0.83)))
    assert finding.answer == "cannot_tell"
    assert "20.7 m" in finding.title
    assert not list(line.ripple_not_visible(measurement.sweep, measurement, chain_with(Cable(15.0, 0.83))))


def test_cable_attenuation_against_a_published_form() -> None:
    """a sqrt(f) + b f. A foam cable of the RG-6 class: about 16.1 dB/100 m at 0.55 GHz, 21.4 at 1 GHz
    and 31.9 at 2.15 GHz (cable tables, from memory), which a = 20.6, b = 0.8 follows within half a decibel."""
    cable = Cable(100.0, 0.83, 20.6, 0.8)
    for ghz, loss in ((0.55, 16.1), (1.0, 21.4), (2.15, 31.9)):
        assert cable_loss_db(cable, ghz * 1e9) == pytest.approx(loss, abs=0.5)
    assert cable_slope_db(Cable(50.0, 0.83, 20.6, 0.8), 0.95e9, 2.15e9) == pytest.approx(0.5 * 11.1, abs=0.1)


def test_slope_beyond_the_cable_is_told_and_the_cable_s_own_is_not() -> None:
    cable = Cable(50.0, 0.83, 20.6, 0.8)  # 5.5 dB over the band
    (finding,) = line.slope(rippled(0.0, 4e7, 3, tilt_db=-14.0), chain_with(cable))
    assert finding.code == "line.slope"
    assert finding.evidence[1].value == pytest.approx(8.5, abs=1.0)
    assert not list(line.slope(rippled(0.0, 4e7, 3, tilt_db=-5.5), chain_with(cable)))


def test_level_against_thermal_noise() -> None:
    """k T0 = -173.98 dBm/Hz at 290 K (CODATA k); 50 to 150 K lie 7.6 and 2.9 dB below (derived)."""
    value, _ = expected_density_dbm_hz(chain_with(None, 39.0)) or (0.0, 0.0)
    assert value == pytest.approx(-173.98 - 0.5 * (7.63 + 2.86) + 39.0, abs=0.02)
    measurement = rippled(0.0, 4e7, 3)  # -140 dBm/Hz
    assert not list(line.gain_low(measurement, chain_with(None, 39.0), "normal"))
    assert not list(line.gain_high(measurement, chain_with(None, 39.0), "normal"))
    (low,) = line.gain_low(measurement, chain_with(None, 55.0), "normal")
    assert (low.code, low.severity) == ("line.gain_low", "warning")
    (dead,) = line.gain_low(measurement, chain_with(None, 69.0), "normal")
    assert dead.severity == "fault"
    assert all(step.cautions for step in dead.next_steps)


def test_total_power_is_that_of_noise_and_carriers() -> None:
    """Power of the noise density over the span plus that of the carriers (arithmetic)."""
    analyser = Analyser(1.2e9, 1.3e9, 501, 3e5, averages=100, readings=1, mode="slow")
    spectrum = Spectrum(-140.0).with_carrier(1.25e9, 2e7, 0.2, 12.0)
    measurement = measure(sweep_spectrum(spectrum, analyser, 5))
    expected = 10.0 * math.log10(10.0**-14.0 * 1e8 + 10.0 ** (0.1 * (-140.0 + 12.0)) * 2e7)
    assert total_power_dbm(measurement) == pytest.approx(expected, abs=0.15)
    assert not list(line.compression_suspected(measurement, ()))


def test_nothing_above_a_low_floor_is_a_dead_lnb_first() -> None:
    """An analyser's own noise near -152 dBm/Hz lies only 12 dB below a line's (arithmetic on the demo's chain)."""
    analyser = Analyser(0.95e9, 2.15e9, 801, 1e6, averages=100, readings=1, mode="slow")
    bare = measure(sweep_spectrum(Spectrum(-152.0), analyser, 6))
    (dead,) = line.gain_low(bare, chain_with(None, 39.0), "normal")
    assert dead.severity == "fault"
    assert "LNB without supply" in dead.explanation
    (beside,) = line.gain_low(bare, chain_with(None, 39.0), "off_satellite")  # nothing is expected there
    assert beside.severity == "warning"


def test_compression_counts_attenuation_and_products() -> None:
    """The mixer sees total power less attenuation (arithmetic); limits are common practice, no source."""
    measurement = rippled(0.0, 4e7, 3)
    total = total_power_dbm(measurement) or 0.0
    assert -60.0 < total < -40.0
    loud = replace(measurement, sweep=replace(measurement.sweep, level_dbm=measurement.sweep.level_dbm + 34.0))
    padded = replace(loud, sweep=replace(loud.sweep, settings=replace(loud.sweep.settings, attenuation_db=20.0)))
    (suspected,) = line.compression_suspected(loud, ())
    assert suspected.evidence[0].value == pytest.approx(total + 34.0)
    assert not list(line.compression_suspected(padded, ()))
    product = Unlisted(2, measurement.carriers[2], "modulated", ())
    (told,) = line.compression_suspected(padded, (product,))
    assert told.subjects.carriers == (2,)
    assert "overloaded already" in told.explanation
    assert not list(line.compression_suspected(measurement, (product,)))
