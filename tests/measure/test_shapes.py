"""Signals that are no raised cosine, and raised cosines that must not be taken for one of them."""

import dataclasses
import pickle

import numpy as np
import pytest
from scipy import stats

from spectra.measure import measure
from spectra.measure.shape import FALSE_ALARM


@pytest.fixture(scope="module")
def shapes(campaign):
    return campaign("measure_shapes")


@pytest.mark.parametrize("name", ["triangle", "cosine squared", "Gaussian"])
def test_other_shapes_are_told_and_measured_without_a_model(shapes, name):
    """Truth: centroid, 99 % bandwidth (RR No. 1.153) and C/N in it, integrated from the density's definition."""
    setting = dataclasses.replace(shapes.SETTINGS["power"], readings=100)
    cn_db = 15.0 if name == "Gaussian" else 8.0
    got = shapes.told(name, setting, cn_db, 8, [41])
    assert got["told"] >= 0.6
    for key, scores in got["scores"].items():
        assert scores.size >= 4
        assert np.mean(np.abs(scores)) < 2.5, key


def test_width_without_a_model_is_not_biased(shapes):
    """Several standard uncertainties of bias at 15 dB come from pieces that are not those the residuals belong to.

    Mean of six scores under 1.5: by chance alone 2 in 10,000.
    """
    setting = dataclasses.replace(shapes.SETTINGS["power"], readings=100)
    scores = shapes.told("cosine squared", setting, 15.0, 6, [42])["scores"]["occupied_bandwidth_hz"]
    assert scores.size >= 5
    assert abs(float(np.mean(scores))) < 1.5


def test_an_other_carrier_has_no_symbol_rate(shapes):
    setting = dataclasses.replace(shapes.SETTINGS["power"], readings=100)
    swept = shapes.shaped(np.random.default_rng(4), setting, shapes.SHAPES["cosine squared"], 20e6, 12.0)
    measurement = measure(swept)
    (carrier,) = [c for c in measurement.carriers if c.kind == "other"]
    assert carrier.symbol_rate_bd is None
    assert carrier.roll_off is None
    assert carrier.es_n0_db is None
    assert carrier.roll_off_weights is None
    assert carrier.x_db_bandwidth_hz is not None
    # x-dB width of cos^2(pi u): (2/pi) acos(10^(-x/20)) widths (derived)
    wanted = 2.0 / np.pi * np.arccos(10.0 ** (-carrier.x_db / 20.0)) * 20e6
    assert abs(carrier.x_db_bandwidth_hz - wanted) < 4.0 * carrier.x_db_bandwidth_std_hz
    assert "quality.no_raised_cosine" in {f.code for f in measurement.findings}
    assert pickle.loads(pickle.dumps(carrier)) == carrier


def test_clean_carriers_are_hardly_ever_called_other(shapes):
    """A thousandth at most, by the binomial law: of 75 no more than 2 (0.6 in a thousand)."""
    count = other = 0
    for k, name in enumerate(("power, 100 readings", "log, RBW 2 spacings", "power, 2 dB ripple")):
        got = shapes.clean(np.random.default_rng([8, k]), shapes.SETTINGS[name], 25)
        count, other = count + got["count"], other + got["other"]
    assert other <= stats.binom.isf(1e-3, count, FALSE_ALARM)


@pytest.mark.parametrize(
    ("name", "fitted"),
    [
        ("slope of 1 dB", 9),
        ("slope of 3 dB", 11),
        ("ripple of 1 dB, one period", 6),
        ("ripple of 1.5 dB, 1.3 periods", 11),
    ],
)
def test_a_response_keeps_the_carrier_whole(shapes, name, fitted):
    """A response of the transponder (common practice, no source) is fitted; centre and rate stay the carrier's own.

    Truth by integration of the density's definition. A response that a roll-off can imitate stays unseen, so the
    median score is judged, not each.
    """
    setting = dataclasses.replace(shapes.SETTINGS["power"], readings=100)
    got = shapes.clean(np.random.default_rng([9, 1]), setting, 12, shapes.RESPONSES[name])
    assert got["count"] >= 11
    assert got["other"] <= 1
    assert got["fitted"] >= fitted
    for key in ("centre_hz", "symbol_rate_bd", "cn_db", "occupied_bandwidth_hz"):
        scores = np.abs(got["scores"][key])
        assert np.median(scores) < 1.35, key  # 0.67 if all were normal
        assert np.mean(scores > 4.0) <= 0.2, key


def test_no_response_is_fitted_where_there_is_none(shapes):
    """ln(odds) of 3 against one: less than one clean carrier in twenty takes one (binomial law, 1 in 1000)."""
    got = shapes.clean(np.random.default_rng(10), shapes.SETTINGS["power, 100 readings"], 40)
    assert got["fitted"] <= stats.binom.isf(1e-3, got["count"], 0.05)


def test_weights_of_the_standard_roll_offs_are_honest(shapes):
    """Bayes' rule: of the roll-offs given weight w, w are right. Sum of (right - w) within 4 binomial deviations."""
    told = shapes.weights(np.random.default_rng(6), shapes.SETTINGS["power"], 60)
    weight, right = np.array([w for w, _ in told]), np.array([r for _, r in told])
    assert weight.sum() == pytest.approx(weight.size / 6.0)
    for low, high in ((0.0, 0.1), (0.1, 0.5), (0.5, 1.01)):
        here = (weight >= low) & (weight < high)
        spread = np.sqrt(np.sum(weight[here] * (1.0 - weight[here])) + 0.25)
        assert abs(np.sum(right[here] - weight[here])) < 4.0 * spread, (low, high)
