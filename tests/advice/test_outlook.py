"""Detection odds of a sweep, against draws of noise made here with NumPy alone."""

import numpy as np
import pytest
from scipy import stats

from spectra.advice.outlook import SweepOutlook
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN


@pytest.mark.parametrize("ratio", [0.5, 1.0, 3.0])
def test_independent_points_against_filtered_noise(ratio: float) -> None:
    """Variance of a window's mean of |filtered complex Gaussian noise|^2, drawn; filter: Gaussian of that RBW."""
    fine, sweeps, width = 8, 6000, 13
    rng = np.random.default_rng(11)
    cells = 400
    noise = rng.standard_normal((sweeps, cells)) + 1j * rng.standard_normal((sweeps, cells))
    sigma_power = fine * ratio / np.sqrt(8 * np.log(2))  # in cells; spacing is `fine` cells
    reach = np.arange(-60, 61)
    amplitude = np.exp(-0.25 * (reach / sigma_power) ** 2)
    at = 60 + fine * np.arange(width)
    power = np.stack([np.abs(noise[:, k - 60 : k + 61] @ amplitude) ** 2 for k in at], axis=1)
    mean = power.mean(axis=1)
    drawn = mean.mean() ** 2 / mean.var()
    outlook = SweepOutlook(1001, 1.0, ratio, 1.0)
    place = outlook.windows.index(width)
    # 6000 draws: variance known to about 2.5 %, heavier tails for few independent points
    assert outlook.independent_points[place] == pytest.approx(drawn, rel=0.08)


def test_probability_of_one_window_against_gamma_draws() -> None:
    """A carrier one point wide, points far apart: chance that a Gamma(M) mean passes the exact threshold, drawn."""
    outlook = SweepOutlook(101, 1e6, 1e5, 20.0, points_share_noise=False, loss_db=0.0)
    threshold = stats.gamma(20.0).isf(outlook.false_alarm)
    excess = 1.2
    rng = np.random.default_rng(5)
    drawn = np.mean(rng.gamma(20.0, 1.0 + excess, 200_000) > threshold)
    shapes = np.zeros((1, 4, len(outlook.windows)))
    shapes[..., 0] = 1.0
    found = outlook._probability(shapes, np.array([1e5]), np.array([10 * np.log10(excess)]))
    assert found[0] == pytest.approx(drawn, abs=4 * np.sqrt(0.25 / 200_000))


def test_false_alarms_of_a_whole_scan_of_noise() -> None:
    """All windows at all places of noise-only sweeps: the rate asked for, or less (the tests overlap)."""
    outlook = SweepOutlook(201, 1.0, 0.2, 10.0, points_share_noise=False, false_alarms_per_sweep=0.2)
    rng = np.random.default_rng(3)
    limits = [stats.gamma(10.0 * w).isf(outlook.false_alarm) for w in outlook.windows]
    false = 0
    for _ in range(400):
        total = np.r_[0.0, np.cumsum(rng.gamma(10.0, 1.0, 201))]
        false += any(((total[w:] - total[:-w]) > t).any() for w, t in zip(outlook.windows, limits, strict=True))
    # expected 0.2 per sweep at most; three standard errors of 400 sweeps are 0.06
    assert 0.05 < false / 400 < 0.26


def test_wide_carrier_gains_ten_log_of_root_points() -> None:
    """At many points the limit in excess power falls as 1 / sqrt(points): 5 dB for ten times the width (derived)."""
    outlook = SweepOutlook(1001, 1e5, 1e4, 1000.0, points_share_noise=False, loss_db=0.0)
    narrow, wide = outlook.limit_cn_db([2e5, 2e6], 0.01, 0.99)  # both below what ripple may hide
    assert narrow - wide == pytest.approx(5.0, abs=0.6)


def test_more_readings_wider_spacing_and_certainty() -> None:
    few, many = SweepOutlook(1001, 1e5, 1e5, 10.0), SweepOutlook(1001, 1e5, 1e5, 100.0)
    assert many.limit_cn_db(3e5, 0.2)[0] < few.limit_cn_db(3e5, 0.2)[0] - 3.0
    assert few.limit_cn_db(3e5, 0.2, 0.99)[0] > few.limit_cn_db(3e5, 0.2, 0.9)[0]
    limit = few.limit_cn_db(3e5, 0.2, 0.95)
    assert few.probability(3e5, 0.2, limit)[0] == pytest.approx(0.95, abs=1e-3)


def test_a_carrier_between_the_points_is_missed_however_strong() -> None:
    outlook = SweepOutlook(1001, 1e6, 3e4, 100.0)
    assert outlook.limit_cn_db(1e5, 0.2)[0] == np.inf
    assert outlook.probability(1e5, 0.2, 30.0)[0] < 0.6


def test_single_reading_of_noise_is_an_exponential() -> None:
    """One reading, one point: P(detect) = Pfa^(1 / (1 + c)) for an exponential (derived)."""
    outlook = SweepOutlook(11, 1e6, 1e4, 1.0, points_share_noise=False, loss_db=0.0)
    shapes = np.zeros((1, 4, len(outlook.windows)))
    shapes[..., 0] = 1.0
    expected = outlook.false_alarm ** (1 / 11.0)
    assert outlook._probability(shapes, np.array([1e5]), np.array([10.0]))[0] == pytest.approx(expected, rel=1e-9)


def test_readings_follow_noise_bandwidth() -> None:
    """Gaussian: noise bandwidth 1.0645 of the 3 dB width (derived in spectra.signal.filters)."""
    from spectra.advice import AnalyserModel

    assert AnalyserModel(1001).readings_per_sweep(1e8, 1e5, 1.0) == pytest.approx(1e5 * ENBW_PER_RBW_GAUSSIAN / 1001)


@pytest.mark.parametrize("seed", range(20))
def test_what_surely_shows_is_found_with_that_probability(seed: int) -> None:
    """`SweepOutlook.probability`, which tries all windows; what is left is asked about as if alone."""
    rng = np.random.default_rng(seed)
    spacing_hz, rbw_hz = 10.0 ** rng.uniform(4.0, 6.3, 2)
    outlook = SweepOutlook(
        int(rng.integers(101, 2002)), spacing_hz, rbw_hz, 10.0 ** rng.uniform(0.0, 2.5), bool(seed % 2)
    )
    rate, roll_off = 10.0 ** rng.uniform(5.0, 7.6, 20), rng.choice([0.05, 0.2, 0.35], 20)
    cn_db = rng.uniform(-8.0, 15.0, 20)
    sure = outlook.surely_shows(rate, roll_off, cn_db, 0.95)
    probability = outlook.probability(rate, roll_off, cn_db)
    assert (probability[sure] >= 0.95).all()
    rest = outlook.probability(rate[~sure], roll_off[~sure], cn_db[~sure]) if not sure.all() else np.empty(0)
    assert np.array_equal(rest, probability[~sure])
