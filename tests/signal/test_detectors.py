import math

import numpy as np
import pytest
from scipy import constants, integrate, special, stats

from spectra.signal import detectors as d
from spectra.signal import limits, thermal

DB = 10.0 / math.log(10.0)


def exact_log_information(readings: int) -> float:
    """Information in a mean of `readings` values ln Exp(1), by inverting Gamma(1 + it/M)^M numerically."""
    sd = math.pi / math.sqrt(6.0 * readings)
    n, width = 1 << 14, 60.0 * sd
    step = width / n
    z = (np.arange(n) - n // 2) * step - np.euler_gamma
    t = 2.0 * np.pi * np.fft.fftfreq(n, step)
    phi = np.exp(readings * special.loggamma(1.0 + 1j * t / readings) - 1j * t * z[0])
    density = np.real(np.fft.fft(phi)) / width
    slope = np.real(np.fft.fft(-1j * t * phi)) / width
    good = density > 1e-9 * density.max()
    return float(np.sum(slope[good] ** 2 / density[good]) * step)


def test_log_average_of_noise_reads_2_5068_db_low():
    """10 log10(e) x 0.577216 = 2.5068 dB: derived."""
    assert pytest.approx(-2.5068, abs=5e-5) == d.LOG_BIAS_DB
    assert DB * d.log_law(10.0).mean == pytest.approx(-2.5068, abs=5e-4)


def test_one_log_reading_scatters_by_5_570_db():
    """(10/ln 10) pi/sqrt 6 = 5.570 dB, and 5.570/sqrt N for N: derived."""
    assert DB * math.sqrt(d.log_law(1.0).variance) == pytest.approx(5.570, abs=5e-4)
    assert DB * math.sqrt(d.log_law(25.0).variance) == pytest.approx(5.570 / 5.0, abs=5e-4)


def test_voltage_average_of_noise_reads_1_0491_db_low():
    """20 log10(sqrt(pi)/2) = -1.0491 dB: read in an instrument fundamentals handbook, and derived."""
    assert pytest.approx(-1.0491, abs=5e-5) == d.VOLTAGE_BIAS_DB
    assert DB * d.voltage_law(400.0).mean == pytest.approx(-1.0491, abs=5e-3)
    # Mean of N voltage samples: 4.540/sqrt N dB (derived).
    assert DB * math.sqrt(d.voltage_law(400.0).variance) == pytest.approx(4.540 / 20.0, rel=2e-3)


def test_mean_of_powers_scatters_by_4_343_db_over_root_n():
    """10/ln 10 / sqrt N for large N: derived."""
    assert DB * math.sqrt(d.power_law(1e4).variance) == pytest.approx(4.343 / 100.0, rel=1e-3)


@pytest.mark.parametrize(
    ("count", "power_db", "log_db"),
    [
        (1, 0.0, -2.51),
        (2, 1.76, 0.50),
        (3, 2.63, 1.75),
        (5, 3.59, 3.00),
        (10, 4.67, 4.30),
        (30, 6.02, 5.81),
        (100, 7.15, 7.03),
        (1000, 8.74, 8.68),
    ],
)
def test_positive_peak_stands_above_the_mean(count, power_db, log_db):
    """Table of H_M and of the mean of peaks in dB: derived, checked by simulation."""
    assert 10.0 * math.log10(d.harmonic(count)) == pytest.approx(power_db, abs=6e-3)
    assert DB * d.peak_law(count).mean == pytest.approx(log_db, abs=6e-3)


def test_negative_peak_is_the_mean_over_the_count():
    """The least of n exponentials is an exponential n times smaller: derived."""
    law = d.point_law("negative_peak", 1.0, 20.0)
    assert law.mean == pytest.approx(-np.euler_gamma - math.log(20.0))


@pytest.mark.parametrize("readings", [2, 4, 10, 100])
def test_log_law_keeps_the_exact_information(readings):
    """Exact: Fourier inversion of the characteristic function, numpy. The log-gamma law may lose 2 % at most."""
    assert d.log_law(readings).information == pytest.approx(exact_log_information(readings), rel=0.02)


@pytest.mark.parametrize("count", [2, 5, 20, 100])
def test_peak_law_keeps_the_exact_information(count):
    """Exact: quadrature of the squared score of the largest of n exponentials, scipy.integrate."""

    def integrand(u: float) -> float:
        y = math.exp(u)
        s = -math.expm1(-y)
        score = 1.0 - y + (count - 1) * y * math.exp(-y) / s
        return score * score * math.exp(math.log(count) + u - y + (count - 1) * math.log(s))

    exact = integrate.quad(integrand, -12.0, math.log(math.log(count) + 40.0), limit=400)[0]
    assert d.peak_law(count).information == pytest.approx(exact, rel=0.03)


def test_power_law_is_the_gamma_law():
    """Moments of ln Gamma(M)/M against scipy.stats.loggamma."""
    law = d.power_law(7.0)
    mean, variance, skewness = stats.loggamma.stats(7.0, moments="mvs")
    assert law.mean == pytest.approx(float(mean) - math.log(7.0))
    assert law.variance == pytest.approx(float(variance))
    assert law.skewness == pytest.approx(float(skewness))


@pytest.mark.parametrize("average", ["power", "log", "voltage"])
def test_readings_are_found_back_from_the_scatter(average):
    law = d.point_law(average, 40.0)
    assert d.readings_from_variance(law.variance, average) == pytest.approx(40.0, rel=0.02)


def test_simulated_readings_follow_the_laws():
    """Moments of simulated averages, numpy's own generator, within four of their standard errors."""
    rng = np.random.default_rng(41)
    power = rng.exponential(size=(20000, 8))
    for average, shown in (
        ("power", np.log(power.mean(axis=1))),
        ("log", np.log(power).mean(axis=1)),
        ("voltage", 2.0 * np.log(np.sqrt(power).mean(axis=1))),
    ):
        law = d.point_law(average, 8.0)
        error = math.sqrt(law.variance / shown.size)
        assert abs(shown.mean() - law.mean) < 4.0 * error + 2e-3
        assert shown.var() == pytest.approx(law.variance, rel=0.05)


def test_thermal_noise_is_minus_174_dbm_per_hertz():
    """k T at 290 K: -173.98 dBm/Hz, k from scipy.constants (exact since 2019)."""
    assert constants.k == thermal.BOLTZMANN_J_K
    assert thermal.noise_density_dbm_hz() == pytest.approx(-173.975, abs=1e-3)
    assert thermal.noise_temperature_k(thermal.noise_density_dbm_hz(75.0)) == pytest.approx(75.0)
    with pytest.raises(ValueError, match="positive"):
        thermal.noise_density_dbm_hz(0.0)


@pytest.mark.parametrize(("points", "readings"), [(10, 1), (30, 10), (3, 100)])
def test_carrier_limit_is_met_by_the_gamma_tails(points, readings):
    """At the limit, P(sum > threshold) is 0.99 with and 1e-6 without the carrier: scipy.stats.gamma."""
    limit = limits.carrier_limit_cn_db(points, readings)
    threshold = stats.gamma.isf(1e-6, points * readings)
    assert stats.gamma.sf(threshold / (1.0 + 10.0 ** (limit / 10.0)), points * readings) == pytest.approx(
        0.99, abs=1e-6
    )


@pytest.mark.parametrize("readings", [1, 10, 100])
def test_cw_limit_is_met_by_the_noncentral_tails(readings):
    """At the limit the non-central chi-square passes the threshold with 0.99: scipy.stats.ncx2."""
    limit = limits.cw_limit_db(readings)
    threshold = stats.chi2.isf(1e-6, 2 * readings)
    assert stats.ncx2.sf(threshold, 2 * readings, 2 * readings * 10.0 ** (limit / 10.0)) == pytest.approx(
        0.99, abs=1e-6
    )
