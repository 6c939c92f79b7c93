import math

import numpy as np
import pytest
from scipy import integrate
from scipy.ndimage import gaussian_filter1d

from spectra.signal import blurred, bounds, filters
from spectra.signal.raised_cosine import occupied_fraction, raised_cosine, x_db_fraction

# Widths of an ideal carrier in symbol rates: derived numerically (RBW << Rs, no noise).
WIDTHS = {
    0.05: (0.9800, 1.0166, 1.0295, 1.0436, 1.0468, 0.9982),
    0.10: (0.9599, 1.0332, 1.0590, 1.0872, 1.0936, 1.0192),
    0.20: (0.9199, 1.0663, 1.1181, 1.1745, 1.1872, 1.0731),
    0.25: (0.8998, 1.0829, 1.1476, 1.2181, 1.2340, 1.1031),
    0.35: (0.8598, 1.1161, 1.2066, 1.3054, 1.3277, 1.1667),
}


@pytest.mark.parametrize("roll_off", WIDTHS)
def test_x_db_widths_and_occupied_width(roll_off):
    """Table derived numerically; shape of EN 302 307-1 clause 5.6 (from memory)."""
    for x_db, expected in zip((1.0, 6.0, 10.0, 20.0, 26.0), WIDTHS[roll_off], strict=False):
        assert x_db_fraction(roll_off, x_db) == pytest.approx(expected, abs=1e-4)
    assert x_db_fraction(roll_off, 10.0 * math.log10(2.0)) == pytest.approx(1.0, abs=1e-9)
    assert occupied_fraction(roll_off) == pytest.approx(WIDTHS[roll_off][-1], abs=1e-4)


@pytest.mark.parametrize("roll_off", [0.05, 0.2, 0.35])
def test_occupied_width_leaves_half_a_percent_outside_on_each_side(roll_off):
    """RR No. 1.153 (transcription): beta/2 = 0.5 %; power integrated by scipy.integrate."""
    edge = 0.5 * occupied_fraction(roll_off)
    outside = integrate.quad(lambda x: float(raised_cosine(x, roll_off)), edge, 0.5 * (1.0 + roll_off))[0]
    assert outside == pytest.approx(0.005, abs=1e-7)


@pytest.mark.parametrize(("poles", "ratio"), [(1, 1.5708), (2, 1.2203), (4, 1.1285), (5, 1.1138)])
def test_noise_bandwidth_of_filters(poles, ratio):
    """Synchronously tuned: derived; Gaussian 1.0645 = sqrt(pi / (4 ln 2)), integrated by scipy."""
    assert filters.enbw_per_rbw_synchronous(poles) == pytest.approx(ratio, abs=6e-5)
    assert pytest.approx(1.0645, abs=5e-5) == filters.ENBW_PER_RBW_GAUSSIAN
    area = integrate.quad(lambda x: float(filters.gaussian_power_response(np.array(x), 1.0)), -6.0, 6.0)[0]
    assert area == pytest.approx(filters.ENBW_PER_RBW_GAUSSIAN, rel=1e-9)


@pytest.mark.parametrize("sigma", [0.003, 0.02, 0.08, 0.3])
@pytest.mark.parametrize("roll_off", [0.05, 0.2, 0.35])
def test_carrier_through_filter_against_sampled_convolution(sigma, roll_off):
    """Closed form against scipy.ndimage.gaussian_filter1d of a finely sampled raised cosine."""
    step = 2e-4
    x = step * np.arange(-15000, 15001)
    expected = gaussian_filter1d(raised_cosine(x, roll_off), sigma / step, mode="constant", truncate=8.0)
    assert np.abs(blurred.carrier_shape(x, 0.0, 1.0, roll_off, sigma) - expected).max() < 2e-6


@pytest.mark.parametrize("a", [0.0, 0.004, 0.05, 0.2])
def test_edge_derivatives_against_differences(a):
    x, sigma, h = np.linspace(-1.0, 1.0, 401), 0.05, 1e-5
    _, by_x, by_a = blurred.edge(x, a, sigma)
    by_difference = (blurred.edge(x + h, a, sigma)[0] - blurred.edge(x - h, a, sigma)[0]) / (2.0 * h)
    assert np.abs(by_x - by_difference).max() < 1e-6 * np.abs(by_x).max()
    if a > 0.0:
        by_difference = (blurred.edge(x, a + h, sigma)[0] - blurred.edge(x, a - h, sigma)[0]) / (2.0 * h)
        assert np.abs(by_a - by_difference).max() < 1e-5 * np.abs(by_a).max() + 1e-9


def test_area_of_a_carrier_survives_the_filter():
    x = np.linspace(-3.0, 3.0, 6001)
    assert np.trapezoid(blurred.carrier_shape(x, 0.1, 1.0, 0.25, 0.2), x) == pytest.approx(1.0, abs=1e-9)


def test_bound_on_the_centre_against_its_closed_form():
    """std = sqrt(d alpha Rs / (2 pi^2 J q)), q = (1 + c/2)/sqrt(1 + c) - 1, RBW far below the edge (derived)."""
    f = 1.55e9 + np.linspace(-20e6, 20e6, 4001)
    found = bounds.carrier_bounds(f, [(1.55e9, 5e6, 0.25, 10.0)], 5e3, 1.0)[0]
    q = (1.0 + 5.0) / math.sqrt(11.0) - 1.0
    assert found["centre_hz"] == pytest.approx(math.sqrt(1e4 * 0.25 * 5e6 / (2.0 * math.pi**2 * q)), rel=0.02)


def test_bound_gradient_against_differences():
    f = 1.55e9 + np.linspace(-10e6, 10e6, 401)
    carrier = np.array([1.5503e9, 4e6, 0.2, 7.0])

    def log_mean(values):
        shape = blurred.carrier_shape(f, values[0], values[1], values[2], 1e5 * filters.SIGMA_PER_RBW)
        return np.log(1.0 + 10.0 ** (values[3] / 10.0) * shape)

    gradient = bounds.mean_log_gradient(f, [tuple(carrier)], 1e5)
    for k, step in enumerate((10.0, 10.0, 1e-5, 1e-4)):
        up, down = carrier.copy(), carrier.copy()
        up[k] += step
        down[k] -= step
        expected = (log_mean(up) - log_mean(down)) / (2.0 * step)
        assert np.abs(gradient[:, k] - expected).max() < 1e-5 * np.abs(expected).max()
