"""What an analyser makes of noise: levels, biases, spreads and laws against derived values and scipy.

Values marked [D] are derived from the exponential law of a reading's power; the formula stands beside them.
"""

import ast
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import spectra.simulate.sweeper as sweeper
from spectra.simulate import Analyser, Spectrum, expected_power_mw, sweep_spectrum

DENSITY = -140.0
NOISE = Spectrum(DENSITY)


def analyser(**keys):
    base = {
        "start_hz": 1000e6,
        "stop_hz": 1400e6,
        "points": 2001,
        "rbw_hz": 100e3,
        "mode": "slow",
        "rounding_db": 0.0,
        "readings": 10,
    }
    return Analyser(**{**base, **keys})


def levels(seed=1, spectrum=NOISE, **keys):
    return sweep_spectrum(spectrum, analyser(**keys), seed).level_dbm


def power_mean_db(values_dbm):
    return 10.0 * np.log10(np.mean(10.0 ** (values_dbm / 10.0)))


@pytest.mark.parametrize("mode", ["fast", "slow"])
@pytest.mark.parametrize(
    ("poles", "ratio"),
    [(None, 1.0645), (4, 1.1285), (5, 1.1138)],
)
def test_mean_noise_is_density_times_noise_bandwidth(mode, poles, ratio):
    """ENBW over 3 dB width: Gaussian sqrt(pi/(4 ln 2)); 4 and 5 synchronous poles by the integral of (1+w^2)^-n [D]."""
    expected = DENSITY + 10 * math.log10(ratio * 100e3)
    found = power_mean_db(levels(mode=mode, poles=poles, averages=20))
    # 2001 x 200 readings; the fast mode's points are 2 RBW apart, so nearly independent: std 0.007 dB, 4 of them
    assert found == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("tuning", ["point", "bucket"])
def test_expected_power_is_what_a_long_rms_average_tends_to(tuning):
    """Law of large numbers on a spectrum with structure; both sides are ours, from different code paths."""
    spectrum = NOISE.with_carrier(1200e6, 20e6, 0.2, 10.0).with_tone(1300.13e6, 70.0)
    keys = {"tuning": tuning, "mode": "fast", "readings": 40, "averages": 25, "rbw_hz": 150e3}
    ratio = 10.0 ** (levels(spectrum=spectrum, **keys) / 10.0) / expected_power_mw(spectrum, analyser(**keys))
    assert ratio.mean() == pytest.approx(1.0, abs=0.004)
    assert np.abs(ratio - 1.0).max() < 0.2  # 1000 readings: std 3.2 %, 2001 points


@pytest.mark.parametrize(
    ("detector", "bias", "spread"),
    [
        ("rms", 0.0, 4.343),  # 10 log10 e
        ("log_average", -2.5068, 5.570),  # 10 log10(e) x -0.577216; (10/ln 10) pi/sqrt 6
        ("voltage_average", -1.0491, 4.540),  # 20 log10(sqrt(pi)/2); (20/ln 10) sqrt(4/pi - 1)
    ],
)
def test_bias_and_spread_of_averages(detector, bias, spread):
    """Log-average bias 2.5068 dB, voltage 1.0491 dB, spreads over sqrt N [D]; an instrument maker's fundamentals
    handbook, noise chapter, p. 66 gives the voltage figure too (read)."""
    n = 400
    found = levels(detector=detector, readings=20, averages=20)
    expected = DENSITY + 10 * math.log10(1.0645 * 100e3) + bias
    assert found.mean() == pytest.approx(expected, abs=4 * spread / math.sqrt(n * found.size) + 0.005)
    assert found.std() == pytest.approx(spread / math.sqrt(n), rel=0.07)  # std of a std from 2001: 1.6 %


@pytest.mark.parametrize("m", [1, 2, 3, 5, 10, 30, 100])
def test_peak_detector_reads_harmonic_numbers_of_its_readings(m):
    """Largest of M exponentials: mean power H_M = 1 + 1/2 + ... + 1/M [D]; mean in dB: tabled from the same law [D]."""
    in_db = {1: -2.51, 2: 0.50, 3: 1.75, 5: 3.00, 10: 4.30, 30: 5.81, 100: 7.03}[m]
    power_db = {1: 0.0, 2: 1.76, 3: 2.63, 5: 3.59, 10: 4.67, 30: 6.02, 100: 7.15}[m]
    mean = DENSITY + 10 * math.log10(1.0645 * 100e3)
    found = np.concatenate([levels(seed, detector="peak", readings=m) for seed in range(10)])
    assert power_mean_db(found) - mean == pytest.approx(power_db, abs=0.12)
    assert found.mean() - mean == pytest.approx(in_db, abs=0.17)


def test_negative_peak_reads_one_over_m():
    """Least of M exponentials has mean 1/M [D]."""
    found = power_mean_db(np.concatenate([levels(s, detector="negative_peak", readings=20) for s in range(10)]))
    assert found == pytest.approx(DENSITY + 10 * math.log10(1.0645 * 100e3 / 20), abs=0.13)


def test_max_hold_of_k_sweeps_is_a_peak_of_m_times_k():
    """Maximum over sweeps of maxima: M -> M K [D]."""
    found = levels(detector="peak", readings=5, averages=20, trace_mode="max_hold")
    assert power_mean_db(found) == pytest.approx(DENSITY + 10 * math.log10(1.0645 * 100e3) + 7.15, abs=0.15)


def test_normal_detector_alternates_between_the_peaks():
    """Peak and negative peak at alternating points, as on a noisy trace (common practice, no source)."""
    found = levels(detector="normal", readings=20)
    assert np.array_equal(found[1::2], levels(detector="peak", readings=20)[1::2])
    assert np.array_equal(found[0::2], levels(detector="negative_peak", readings=20)[0::2])


@pytest.mark.parametrize(("readings", "averages"), [(1, 1), (4, 5), (10, 10)])
def test_rms_points_follow_a_gamma_law(readings, averages):
    """Mean of M exponentials is gamma with shape M: Kolmogorov-Smirnov test with scipy.stats, ours draws no gamma."""
    m = readings * averages
    power = 10.0 ** (levels(seed=11, readings=readings, averages=averages) / 10.0)
    mean = 10.0 ** (DENSITY / 10.0) * 1.06446702 * 100e3
    assert stats.kstest(power, stats.gamma(m, scale=mean / m).cdf).pvalue > 0.01
    assert stats.kstest(power, stats.gamma(2 * m, scale=mean / m / 2).cdf).pvalue < 1e-6  # the test can fail


def test_a_tone_in_noise_follows_a_noncentral_chi_square_law():
    """Power of a phasor in complex Gaussian noise: noncentral chi-squared with 2 degrees of freedom (scipy.stats)."""
    tone_hz, cn0 = 1200e6, 58.0
    keys = {"points": 3, "start_hz": 1100e6, "stop_hz": 1300e6, "mode": "slow", "readings": 1}
    spectrum = NOISE.with_tone(tone_hz, cn0)
    power = np.array([10 ** (levels(seed, spectrum, **keys)[1] / 10) for seed in range(1500)])
    noise = 10.0 ** (DENSITY / 10.0) * 1.06446702 * 100e3
    law = stats.ncx2(2, 2.0 * 10.0 ** ((DENSITY + cn0) / 10.0) / noise, scale=0.5 * noise)
    assert stats.kstest(power, law.cdf).pvalue > 0.01


@pytest.mark.parametrize("spacing_per_rbw", [0.25, 0.5, 0.8, 1.2])
def test_neighbours_in_fast_mode_correlate_as_their_filters_overlap(spacing_per_rbw):
    """Power of Gaussian filters d apart: correlation exp(-d^2 / (4 sigma^2)), sigma = RBW / (2 sqrt(2 ln 2)) [D]."""
    rbw = 100e3
    keys = {"mode": "fast", "rbw_hz": rbw, "stop_hz": 1000e6 + 2000 * spacing_per_rbw * rbw, "readings": 1}
    power = np.concatenate([10 ** (levels(seed, **keys) / 10) for seed in range(12)]).reshape(12, -1)
    sigma = 1.0 / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    for steps in (1, 2):
        d = steps * spacing_per_rbw
        expected = math.exp(-(d**2) / (4 * sigma**2))
        left, right = power[:, :-steps].ravel(), power[:, steps:].ravel()
        assert np.corrcoef(left, right)[0, 1] == pytest.approx(expected, abs=0.045)


def test_slow_mode_gives_independent_points():
    """Each point has readings of its own, however close the points are."""
    power = 10 ** (levels(seed=3, stop_hz=1000e6 + 2000 * 25e3, readings=1) / 10)
    assert np.corrcoef(power[:-1], power[1:])[0, 1] == pytest.approx(0.0, abs=0.07)  # std 0.022


@pytest.mark.parametrize("narrower", [10, 30])
def test_video_filter_averages_the_logarithm(narrower):
    """Narrow VBW on a logarithmic display: 2.5068 dB low [D], spread 5.570/sqrt N with N = ENBW / (2 B_video),
    B_video = (pi/2) VBW the one-pole noise bandwidth (an instrument application note, from memory)."""
    rbw = 100e3
    found = levels(detector="sample", readings=1, vbw_hz=rbw / narrower)
    n = 1.0645 * narrower / math.pi
    assert found.mean() == pytest.approx(DENSITY + 10 * math.log10(1.0645 * rbw) - 2.5068, abs=0.16)
    assert found.std() == pytest.approx(5.570 / math.sqrt(n), rel=0.08)


def test_a_wide_video_filter_changes_nothing():
    assert np.array_equal(levels(vbw_hz=1e6), levels())


def test_readings_come_from_dwell_and_noise_bandwidth():
    """Independent readings in a dwell T: about T x ENBW (an instrument application note, from memory)."""
    assert analyser(readings=None, sweep_time_s=2.001).readings_per_sweep == round(1e-3 * 1.0645 * 100e3)
    assert analyser(readings=None).readings_per_sweep == 1
    assert analyser(readings=7, sweep_time_s=100.0).readings_per_sweep == 7


def test_own_noise_adds_as_power_and_is_never_below_thermal():
    """Thermal noise -174 dBm/Hz at 290 K: k T with scipy.constants."""
    from scipy import constants

    silent = levels(spectrum=Spectrum(None), averages=20)
    thermal = 10 * math.log10(constants.k * 290.0 * 1e3)
    assert power_mean_db(silent) == pytest.approx(thermal + 10 * math.log10(1.0645 * 100e3), abs=0.03)
    both = levels(averages=20, own_noise_dbm_hz=DENSITY)
    rise = 10 * math.log10(2.0 / (1.0 + 10.0 ** ((thermal - DENSITY) / 10.0)))
    assert power_mean_db(both) - power_mean_db(levels(averages=20)) == pytest.approx(rise, abs=1e-6)


@pytest.mark.parametrize("mode", ["fast", "slow"])
def test_same_seed_same_sweep_whatever_the_chunks(mode, monkeypatch):
    spectrum = NOISE.with_tone(1200e6, 70.0).with_carrier(1250e6, 5e6, 0.2, 8.0)
    keys = {"mode": mode, "readings": 7, "averages": 2, "points": 401, "tuning": "bucket"}
    seed = np.random.SeedSequence(5)
    first = levels(seed, spectrum, **keys)
    assert np.array_equal(first, levels(seed, spectrum, **keys))
    assert not np.array_equal(first, levels(6, spectrum, **keys))
    monkeypatch.setattr(sweeper, "_CHUNK_CELLS", 3000)
    assert levels(seed, spectrum, **keys) == pytest.approx(first, abs=1e-9)


def test_sweeps_of_an_average_are_independent():
    """Spread of the mean of K sweeps falls as 1/sqrt K."""
    one, many = levels(readings=4), levels(readings=4, averages=16)
    assert many.std() / one.std() == pytest.approx(0.25, rel=0.12)  # 4 readings in dB are skewed: a little under 1/4


def test_the_simulator_draws_nothing_but_normal_and_uniform_numbers():
    """It must not sample from the law that a measurement fits."""
    drawn = set()
    for file in Path(sweeper.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                name = node.func.attr
                if name in dir(np.random.Generator) and name not in ("spawn",):
                    drawn.add(name)
    assert drawn == {"standard_normal", "random"}
