"""Shoulders of third-order regrowth: shape against the convolution written out, search against drawn noise."""

import importlib.util
import math
import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from spectra.findings import line, line_shoulders
from spectra.findings.line_level import total_power_dbm
from spectra.findings.line_ripple import find_ripples
from spectra.findings.line_shoulders import find_shoulders, regrowth_shape
from spectra.measure import measure
from spectra.measure.measurement import Measurement
from spectra.plan import load_chain
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum
from spectra.sweep import Origin, Settings, Sweep

HERE = Path(__file__).resolve().parents[1] / "campaigns"
RATE, ROLL_OFF, RBW, SAMPLES_HZ, LENGTH, AVERAGES = 12e6, 0.2, 3e5, 122.88e6, 2048, 100


def raised_cosine(u: np.ndarray) -> np.ndarray:
    first = 0.5 * (1.0 - ROLL_OFF)
    slope = 0.5 * (1.0 + np.cos(np.pi * (np.abs(u) - first) / ROLL_OFF))
    return np.where(np.abs(u) <= first, 1.0, np.where(np.abs(u) < first + ROLL_OFF, slope, 0.0))


def spectrum_of(wave: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return offsets and mean power of a wave through a Gaussian filter, one reading for every `LENGTH` samples."""
    sigma = math.sqrt(math.log(2.0)) / (math.pi * RBW) * SAMPLES_HZ  # half the power at RBW/2 off (derived)
    window = np.exp(-0.5 * ((np.arange(LENGTH) - LENGTH / 2) / sigma) ** 2)
    power = np.mean(np.abs(np.fft.fft(wave.reshape(-1, LENGTH) * window, axis=1)) ** 2, axis=0)
    return np.fft.fftshift(np.fft.fftfreq(LENGTH, 1.0 / SAMPLES_HZ)), np.fft.fftshift(power / np.sum(window**2))


def wave_of(cubic: float, seed: int, up_db: float = 0.0, cn_db: float = 24.0, averages: int = AVERAGES) -> np.ndarray:
    """Return Gaussian noise of a carrier's spectrum through ``x (1 - c |x|^2)``, then thermal noise on top."""
    rng = np.random.default_rng(seed)
    n = LENGTH * averages
    shape = raised_cosine(np.fft.fftfreq(n, 1.0 / SAMPLES_HZ) / RATE)
    x = np.fft.ifft((rng.normal(size=n) + 1j * rng.normal(size=n)) * np.sqrt(shape))
    x *= 10.0 ** (0.05 * up_db) * n / math.sqrt(2.0 * shape.sum())  # mean power 1 (0 dB)
    noise = math.sqrt(0.5 * 10.0 ** (-0.1 * cn_db) * SAMPLES_HZ / RATE)
    return x * (1.0 - cubic * np.abs(x) ** 2) + noise * (rng.normal(size=n) + 1j * rng.normal(size=n))


@lru_cache
def measured(cubic: float, seed: int, up_db: float = 0.0) -> Measurement:
    offset, power = spectrum_of(wave_of(cubic, seed, up_db))
    shown = slice(100, LENGTH - 100, 3)
    settings = Settings(rbw_hz=RBW, vbw_hz=3e6, detector="rms", trace_mode="average", averages=AVERAGES)
    level = 10.0 * np.log10(power[shown]) - 60.0
    return measure(Sweep(1.5e9 + offset[shown], level, settings, Origin("drawn.csv", layout="simulated")))


def test_shape_is_the_threefold_convolution_of_a_plateau() -> None:
    """numpy.convolve on a fine grid; 3/4 at the centre, 1/2 at the edge, nothing from 3/2 on."""
    step = 1e-3
    flat = np.ones(1000)
    thrice = np.convolve(np.convolve(flat, flat), flat) * step**2
    offset = (np.arange(thrice.size) - 0.5 * (thrice.size - 1)) * step
    assert regrowth_shape(offset) == pytest.approx(2.0 * thrice, abs=2e-3)
    assert regrowth_shape(np.array([0.0, 0.5, -0.5, 1.0, 1.6])) == pytest.approx([1.5, 1.0, 1.0, 0.25, 0.0])


def test_drawn_noise_through_a_cubic_stage_has_that_shape_and_goes_with_the_cube() -> None:
    """2 c^2 times the threefold convolution of its own raised cosine (numpy.convolve); 3 dB more make 9 (derived).

    What the plateau with upright edges misses of that is the level's uncertainty of shape.
    """
    # |x|^6 scatters by more than four times its mean: many readings before its mean is known within a tenth of a dB
    weak, strong = (spectrum_of(wave_of(0.02, 7, up, 80.0, 1000)) for up in (0.0, 3.0))
    u = np.abs(weak[0]) / RATE
    flat = weak[1][u < 0.35].mean() / (1.0 - 2.0 * 0.02) ** 2  # the stage's own compression taken out
    grid = np.arange(-0.6, 0.6005, 1e-3)
    thrice = np.convolve(np.convolve(raised_cosine(grid), raised_cosine(grid)), raised_cosine(grid)) * 1e-6
    offset = (np.arange(thrice.size) - 0.5 * (thrice.size - 1)) * 1e-3
    beside = (np.abs(offset) > 0.65) & (np.abs(offset) < 1.5)
    plateau = regrowth_shape(offset[beside])
    assert abs(10.0 * math.log10(2.0 * (plateau @ thrice[beside]) / (plateau @ plateau))) < 0.5
    for low, high in ((0.7, 0.8), (0.8, 0.95), (0.95, 1.1)):
        ring = (u > low) & (u < high)
        expected = 0.02**2 * 2.0 * np.interp(u[ring], offset, thrice).mean()
        assert 10.0 * math.log10(weak[1][ring].mean() / flat / expected) == pytest.approx(0.0, abs=0.4)
        assert 10.0 * math.log10(strong[1][ring].mean() / weak[1][ring].mean()) == pytest.approx(9.0, abs=0.1)


@pytest.mark.parametrize("cubic", [0.05, 0.08])
def test_shoulders_of_a_compressed_carrier_are_found_at_their_level(cubic: float) -> None:
    """c / (1 - 2 c) in voltage below the plateau (derived), within three of its own uncertainties.

    33 of 40 such sweeps told of theirs; of eight, four or more do but once in three hundred (binomial law).
    """
    every = [find_shoulders(measured(cubic, seed)) for seed in range(11, 19)]
    true_db = 20.0 * math.log10(cubic / (1.0 - 2.0 * cubic))
    assert max(len(found) for found in every) == 1
    assert sum(len(found) for found in every) >= 4
    told = [shoulder for some in every for shoulder in some]
    for found in told:
        assert abs(found.level_db - true_db) < 3.0 * found.level_std_db
        assert found.level_std_db > 0.3 and found.false_alarm_probability < 1e-4
    assert np.median([found.level_std_db for found in told]) < 1.0  # a draw whose floor is hardly seen has more


def test_floor_between_shoulders_is_no_ripple() -> None:
    """Regrowth swings floor and plateau up and down once: no line is told of it, and a true one is told beside it."""
    chain = load_chain(Path(__file__).resolve().parents[2] / "captures_demo" / "chain.toml")
    drawn = [measured(0.08, seed) for seed in (306, 329, 307)]
    assert find_ripples(drawn[0])  # of 45 drawn the one where a ripple is found
    assert not any(list(line.ripple(each, chain)) for each in drawn)
    sweep = drawn[0].sweep
    swing = 0.75 * np.cos(2.0 * np.pi * sweep.frequency_hz / 7e6)
    (found,) = line.ripple(measure(replace(sweep, level_dbm=sweep.level_dbm + swing)), chain)
    assert found.evidence[0].value == pytest.approx(7e6, rel=0.02)


def test_clean_carriers_have_none() -> None:
    """The campaign counts hundreds; here a few, one drawn as the compressed ones are."""
    assert find_shoulders(measured(0.0, 14)) == ()
    for seed in (15, 16):
        spectrum = Spectrum(-140.0, ReceiveLine(tilt_db=-3.0))
        for k, rate in enumerate((12e6, 8e6, 4e6)):
            spectrum = spectrum.with_carrier(1.0e9 + 60e6 * k, rate, 0.2, 20.0)
        analyser = Analyser(9.6e8, 1.16e9, 801, 3e5, averages=100, readings=1, mode="slow")
        assert find_shoulders(measure(sweep_spectrum(spectrum, analyser, seed))) == ()


@pytest.mark.parametrize("rippled", [False, True])
def test_campaign_of_clean_carriers_thinned(rippled: bool) -> None:
    """One or two in two hundred sweeps are told (the campaign's table): of a dozen at most one.

    By the binomial law 0.2 to 0.6 % have more.
    """
    spec = importlib.util.spec_from_file_location("interference_shoulders", HERE / "interference_shoulders.py")
    campaign = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(HERE))
    try:
        spec.loader.exec_module(campaign)
    finally:
        sys.path.remove(str(HERE))
    assert sum(campaign.clean(number, rippled=rippled) > 0 for number in range(900_001, 900_013)) <= 1


def test_shoulders_are_a_further_sign_and_no_claim_by_themselves() -> None:
    """Told within 10 dB of the limits, with the uplink as the other possibility; far below nothing is claimed."""
    bent = measured(0.08, 12)
    total = total_power_dbm(bent) or 0.0

    def at(power_dbm: float, of: Measurement) -> Measurement:
        by = power_dbm - (total_power_dbm(of) or 0.0)
        floor = replace(of.floor, level_dbm=of.floor.level_dbm + by)
        return replace(of, sweep=replace(of.sweep, level_dbm=of.sweep.level_dbm + by), floor=floor)

    assert total < -26.0 and not list(line.compression_suspected(bent, ()))
    (told,) = line.compression_suspected(at(-20.0, bent), ())
    assert not list(line.compression_suspected(at(-20.0, measured(0.0, 14)), ()))
    evidence = {one.name: one for one in told.evidence}
    assert evidence["carriers_with_shoulders"].value == 1.0
    assert evidence["shoulders_below_carrier"].value == pytest.approx(-20.4, abs=1.5)
    assert told.answer == "cannot_tell" and "same on every line" in told.explanation
    (loud,) = line.compression_suspected(at(-12.0, measured(0.0, 14)), ())
    assert "shoulders" not in loud.explanation


@pytest.mark.parametrize("rise", [-0.3, 0.0, 0.05, 1.0, 30.0])
def test_the_fit_is_that_of_a_general_solver(rise: float) -> None:
    """scipy.optimize.least_squares from the truth, its tolerances at 1e-14; also from points of one side alone."""
    rng = np.random.default_rng(round(10.0 * rise) + 7)
    for low in (-2.5, 0.6):
        u = np.linspace(low, 2.5, 240)
        u = u[np.abs(u) > 0.6]
        shape = regrowth_shape(u)
        y = -20.0 + 0.1 * u + np.log1p(rise * shape) + rng.normal(scale=0.1, size=u.size)

        def residual(p: np.ndarray, u: np.ndarray = u, shape: np.ndarray = shape, y: np.ndarray = y) -> np.ndarray:
            return p[0] + p[1] * u + np.log1p(np.maximum(p[2], -0.5) * shape) - y

        fit = least_squares(residual, [-20.0, 0.1, rise], xtol=1e-14, ftol=1e-14, gtol=1e-14)
        spread = math.sqrt(float(fit.fun @ fit.fun) / (u.size - 3.0))
        std = spread * math.sqrt(np.linalg.inv(fit.jac.T @ fit.jac)[2, 2]) / (1.0 + fit.x[2])
        lift, lift_std, level = line_shoulders._fitted(u, y, 0.0, 1.0)
        assert lift == pytest.approx(math.log1p(fit.x[2]), abs=1e-4 * std)
        assert (lift_std, level) == pytest.approx((std, fit.x[0]), rel=1e-3)
