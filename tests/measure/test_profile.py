"""Profiles of a roll-off: curves between nodes against scipy's interpolation, intervals against exact mixtures."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.stats import norm

from spectra.measure import profile
from spectra.measure.compiled import loops, use

# Reference: scipy.interpolate.PchipInterpolator (the same rule of slopes) and scipy.stats.norm.


@pytest.mark.parametrize("seed", range(20))
def test_curves_between_nodes(seed):
    rng = np.random.default_rng(seed)
    nodes = np.sort(np.r_[0.0, 0.1, 0.22, 0.38, 0.6, rng.uniform(0.03, 0.08)])
    values = rng.normal(size=(3, nodes.size))
    expected = PchipInterpolator(nodes, values, axis=1)(profile._GRID)
    assert profile._through(nodes[:, None], values[:, :, None])[:, 0] == pytest.approx(expected, abs=1e-12)


def profile_of(weight, std=0.0, shared=0.0):
    grid = profile._GRID
    one, stds = (lambda values: np.asarray(values)[None, :]), np.full((1, grid.size), std)
    rows = [one(values) for values in (weight / weight.sum(), 5.0 - 2.0 * grid, 15.0 + 2.0 * grid, 0.0 * grid)]
    return profile.RollOffProfiles(np.array([3]), grid, *rows, stds, stds, np.array([shared]))


@pytest.mark.parametrize("compiled", [True, False])
@pytest.mark.parametrize("std", [0.05, 0.3, 2.0])
def test_interval_of_a_mixture(std, compiled):
    before = loops() is not None
    use(compiled)
    weight = np.exp(-0.5 * ((profile._GRID - 0.25) / 0.1) ** 2)
    weight /= weight.sum()
    values = 10.0 + 4.0 * profile._GRID
    ((low, high),) = profile_of(weight).interval(values[None, :], std)
    use(before)
    below = [float(norm.cdf((end - values) / std) @ weight) for end in (low, high)]
    assert below == pytest.approx([0.025, 0.975], abs=1.5e-3)


def test_interval_of_the_roll_off_itself():
    weight = np.exp(-0.5 * ((profile._GRID - 0.3) / 0.05) ** 2)
    one = profile_of(weight)
    assert one.own_interval()[0] == pytest.approx((0.3 - 1.96 * 0.05, 0.3 + 1.96 * 0.05), abs=2e-3)


def test_widths_and_centres_of_edges_that_scatter():
    """Variances of sum and difference of two correlated numbers (textbook), beside drawn ones."""
    rng = np.random.default_rng(4)
    drawn = rng.multivariate_normal([0.0, 0.0], 0.3**2 * np.array([[1.0, -0.4], [-0.4, 1.0]]), 200_000)
    one = profile_of(np.eye(profile._GRID.size)[20], 0.3, -0.4)
    assert one.width_std[0, 0] == pytest.approx(np.std(drawn[:, 1] - drawn[:, 0]), rel=0.01)
    assert one.centre_std(1.0)[0] == pytest.approx(np.std(drawn.mean(axis=1)), rel=0.01)
    assert one.centre_std(2.25) == pytest.approx(1.5 * one.centre_std(1.0))


def test_raised_variances_flatten_a_likelihood():
    """A normal likelihood whose variance is raised fourfold is a normal one twice as wide (textbook)."""
    one = profile_of(np.exp(-0.5 * ((profile._GRID - 0.2) / 0.02) ** 2))
    wide = one.of(np.array([1, 3]), np.array([9.0, 4.0]))
    assert wide.which.tolist() == [3]
    grid = np.broadcast_to(profile._GRID, wide.weight.shape)
    assert wide.spread(grid)[1] == pytest.approx(4.0 * one.spread(grid)[1], rel=0.01)
    assert one.of(np.array([1, 2]), np.ones(2)).which.size == 0


def test_roll_offs_out_of_use_are_less_likely_beforehand():
    """Standards end at 0.05 and 0.35 (EN 302 307-1 and -2, EN 300 421, from memory): even between, less beyond."""
    one = profile_of(profile._PRIOR)
    within = (profile._GRID > 0.045) & (profile._GRID < 0.355)
    assert np.ptp(one.weight[0][within]) < 1e-12
    assert np.all(np.diff(one.weight[0][profile._GRID > 0.345]) < 0.0)
    assert np.all(np.diff(one.weight[0][profile._GRID < 0.055]) > 0.0)
    assert np.ptp(one.evidence) < 1e-12
    flat = one.of(np.array([3]), np.array([4.0]))
    assert flat.weight == pytest.approx(one.weight)
