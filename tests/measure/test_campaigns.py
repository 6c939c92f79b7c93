"""Thinned, seeded parts of the campaigns, with tolerances from the binomial law."""

import numpy as np
import pytest
from scipy import stats


def test_efficiency_against_the_bound(campaign):
    """Mean square error over the bound is chi-square/24 if efficient; 0.1 % tail, and 0.8 allowed for."""
    trials = 24
    found = campaign("measure_bound").run(trials, which=[("power", 10, 12.0, 1.0)])
    least = 0.8 * trials / stats.chi2.isf(0.001, trials)
    for summary in found:
        assert summary["lost"] == 0.0
        assert summary["bad"] == 0.0
        assert summary["efficiency"] > least, summary["quantity"]


@pytest.mark.parametrize("cell", [("power", 10, 12.0, 1.0), ("log", 10, 12.0, 3.0), ("power", 100, 15.0, 5.0, 5e6)])
def test_coverage_of_the_intervals(campaign, cell):
    """20 sweeps a cell, four quantities: no fewer within 95 % than the binomial law lets pass once in a thousand."""
    found = campaign("measure_coverage").run(20, which=[cell])
    for summary in found:
        hits = round(summary["within95"] * summary["count"])
        assert hits >= stats.binom.ppf(0.001, summary["count"], 0.93), summary["quantity"]


def test_noise_alone_shows_no_carrier(campaign):
    """At 0.01 a sweep, 24 sweeps show more than two once in 2000 such runs (Poisson)."""
    module = campaign("measure_detection")
    count = sum(module.false_carriers(np.random.default_rng([3, k]), module.NOISE[k][1], 4) for k in (0, 1, 3, 4, 7, 8))
    assert count <= 2


@pytest.mark.parametrize("which", [0, 3])
def test_crowded_spans_are_told_carrier_by_carrier(campaign, which):
    """At 0.02 false a sweep and 0.5 % of 52 strong ones split or merged, more than 1 and 2 are 1 in 330 and 400."""
    module = campaign("measure_detection")
    _, setting, count, fill = module.CROWDS[which]
    got = module.crowded(np.random.default_rng([7, which]), setting, count, fill, 4)
    assert got["false"] <= 1
    assert got["split"] + got["merged"] <= 2
    assert got["found"] >= got["resolved"] - 2


@pytest.mark.parametrize(("rate", "readings"), [(5e6, 10), (20e6, 10)])
def test_carriers_above_the_limit_are_found(campaign, rate, readings):
    """3 dB over the Neyman-Pearson limit the floor is no longer the issue: 12 of 12, or 11."""
    hits, _ = campaign("measure_detection").recall(np.random.default_rng(5), 3.0, rate, readings, 12)
    assert hits >= 11
