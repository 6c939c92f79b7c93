"""What is told from weighted places: against scipy's laws, and what a roll-off is worth beforehand."""

import numpy as np
import pytest
from scipy import stats

from spectra.measure.cloud import Clouds, ln_prior
from spectra.measure.scene import MOST_ROLL_OFF


def cloud_of(roll_off, weight=None, which=3):
    roll_off = np.asarray(roll_off, dtype=float)
    theta = np.stack((10.0 - roll_off, 30.0 + roll_off, roll_off, 0.0 * roll_off), axis=1)[None]
    weight = np.full((1, roll_off.size), 1.0 / roll_off.size) if weight is None else np.asarray(weight)[None]
    return Clouds(np.array([which]), theta, weight, weight)


def evenly(law, count=2001):
    """Return places of a law, as likely as each other."""
    return law.ppf((np.arange(count) + 0.5) / count)


@pytest.mark.parametrize("shape", [9.0, 25.0, 400.0])
def test_intervals_of_a_skewed_law(shape):
    """Reference: scipy.stats.gamma. Chances beyond either end within half a point of 2.5 %."""
    law = stats.gamma(shape)
    one = cloud_of(np.full(2001, 0.2))
    ((low, high),) = one.interval(evenly(law)[None])
    assert law.cdf(low) == pytest.approx(0.025, abs=0.005)
    assert law.sf(high) == pytest.approx(0.025, abs=0.005)


def test_intervals_by_rank():
    """Reference: scipy.stats.uniform, a law without tails."""
    law = stats.uniform(0.05, 0.3)
    one = cloud_of(evenly(law))
    assert one.ranked(one.theta[:, :, 2])[0] == pytest.approx(law.ppf([0.025, 0.975]), abs=1e-3)


@pytest.mark.parametrize("levels", [8, 11])
def test_intervals_by_rank_of_few_levels(levels):
    """Reference: scipy.stats.norm; 15 places at each of a few values, as a cloud has them. Chances within a point."""
    law = stats.norm(0.2, 0.03)
    step = 6.6 * 0.03 / levels
    level = 0.2 + step * (np.arange(levels) - 0.5 * (levels - 1))
    places = np.repeat(level, 15)
    one = cloud_of(places, law.pdf(places) / law.pdf(places).sum())
    ((low, high),) = one.ranked(places[None])
    assert law.cdf(low) == pytest.approx(0.025, abs=0.01)
    assert law.sf(high) == pytest.approx(0.025, abs=0.01)


def test_density_of_a_roll_off():
    """Reference: scipy.stats.norm; straight in its logarithm over steps of 0.8 deviations, at most 0.09 too low."""
    law = stats.norm(0.2, 0.03)
    level = 0.2 + 0.024 * (np.arange(8) - 3.5)
    places = np.repeat(level, 15)
    one = cloud_of(places, law.pdf(places) / law.pdf(places).sum())
    asked = np.array([0.15, 0.17, 0.2, 0.25])
    got = one.ln_density(asked)[0] - law.logpdf(asked)
    assert np.ptp(got) < 0.09
    far = one.ln_density(np.array([0.01, 0.35]))[0]
    assert np.all(far < one.ln_density(np.array([0.1, 0.3]))[0] - 3.0)


def test_raised_variances_widen_a_cloud():
    one = cloud_of(evenly(stats.norm(0.2, 0.02)))
    wide = one.of(np.array([1, 3]), np.array([9.0, 4.0]))
    assert wide.which.tolist() == [3]
    assert wide.covariance == pytest.approx(4.0 * one.covariance)
    assert wide.mean == pytest.approx(one.mean)
    assert one.of(np.array([1, 2]), np.ones(2)).which.size == 0
    far = one.of(np.array([3]), np.array([1e4]))
    assert far.theta[:, :, 2].min() >= 0.0
    assert far.theta[:, :, 2].max() <= MOST_ROLL_OFF


def test_covariance_is_that_of_the_places():
    """Reference: numpy.cov with weights."""
    rng = np.random.default_rng(3)
    theta, weight = rng.normal(size=(2, 50, 4)), rng.uniform(size=(2, 50))
    weight /= weight.sum(axis=1, keepdims=True)
    one = Clouds(np.array([0, 1]), theta, weight, weight)
    for k in range(2):
        assert one.covariance[k] == pytest.approx(np.cov(theta[k].T, aweights=weight[k], ddof=0))


def test_roll_offs_out_of_use_are_less_likely_beforehand():
    """Standards end at 0.05 and 0.35 (EN 302 307-1 and -2, EN 300 421, from memory): even between, less beyond."""
    roll_off = np.linspace(0.001, 0.599, 300)
    worth = ln_prior(roll_off)
    assert np.ptp(worth[(roll_off > 0.05) & (roll_off < 0.35)]) == 0.0
    assert np.all(np.diff(worth[roll_off < 0.05]) > 0.0)
    assert np.all(np.diff(worth[roll_off > 0.35]) < 0.0)
    assert np.all(np.isneginf(ln_prior(np.array([-0.01, MOST_ROLL_OFF]))))
