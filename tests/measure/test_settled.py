"""What a fit says of its parameters where curvature misleads: against the model itself and long random sampling."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from spectra.measure import engine, measure, settled
from spectra.measure.cloud import ln_prior, normalised
from spectra.measure.compiled import loops, use
from spectra.measure.likelihood import losses
from spectra.measure.model import evaluate
from spectra.measure.scene import stacked
from spectra.measure.standards import STANDARD_ROLL_OFFS


def asked_about(monkeypatch, scenes, setting, signals, seed=3):
    """Return what the likelihood of a sweep was asked about, and what came of it."""
    kept, true = [], settled.weighted_places
    monkeypatch.setattr(settled, "weighted_places", lambda *args: kept.append(args) or true(*args))
    solution = engine.solve(scenes.sweep(np.random.default_rng(seed), setting, signals), 0.01)
    return kept[0], solution


def crowded(scenes):
    setting = scenes.Setting(span_hz=300e6, rbw_hz=600e3)
    signals = [scenes.Signal(1550e6 + 9.5e6 * (k - 3), 8e6, 0.12, 9.0 + k) for k in range(6)]
    return setting, signals


def test_the_likelihood_is_that_of_the_model(monkeypatch, scenes):
    """All parameters moved, the model evaluated anew at every point: its own minus ln(likelihood), penalty included.

    Floor and neighbours follow to first order in what is said of the likelihood, and in parameters here: within some
    hundredths at moves of two thirds of a deviation.
    """
    before = loops() is not None
    use(False)  # the compiled inverse is a band: what lies far of the floor does not follow
    (asked, _, _), _ = asked_about(monkeypatch, scenes, *crowded(scenes))
    use(before)
    rng, trace, scene = np.random.default_rng(8), asked.trace, asked.scene
    base = float(asked.at.weight @ asked.at.deviance) + asked.at.bent
    for row, k in enumerate(asked.which):
        moved = 0.67 * rng.normal(size=(12, 4)) @ np.linalg.cholesky(np.linalg.inv(asked.precision[row])).T
        moved = moved[asked.theta[row, 2] + moved[:, 2] > 0.02]
        every = np.zeros((len(asked.which), len(moved), 4))
        every[row] = moved
        none = losses(asked, np.zeros((len(asked.which), 1, 4)))[row, 0]
        got = losses(asked, every)[row] - none
        for own, loss in zip(moved @ asked.back[row].T, got, strict=True):
            change = asked.follow[row] @ own
            theta = scene.theta.copy()
            theta[:, :4] += change[: 4 * scene.count].reshape(-1, 4)
            theta[k, :4] += own
            there = evaluate(trace, replace(scene, theta=theta, beta=scene.beta + change[4 * scene.count :]))
            expected = float(asked.at.weight @ there.deviance) + there.bent - base
            assert loss == pytest.approx(expected, abs=0.05 + 0.06 * abs(expected)), (k, own)


@pytest.mark.parametrize("readings", [6, 30])
def test_places_against_random_ones(monkeypatch, scenes, readings):
    """Reference: 40,000 draws of Student's law about the same carriers, weighted by the same likelihood."""
    setting, signals = crowded(scenes)
    (asked, _, spread), solution = asked_about(monkeypatch, scenes, replace(setting, readings=readings), signals)
    rng, freedom, clouds = np.random.default_rng(2), 5.0, solution.clouds
    count = 40_000
    unit = rng.normal(size=(count, 4)) / np.sqrt(rng.chisquare(freedom, count) / freedom)[:, None]
    ln_drawn = -0.5 * (freedom + 4.0) * np.log1p((unit**2).sum(axis=1) / freedom)
    off, growth = [], []
    for row in range(len(asked.which)):
        theta, weight = clouds.theta[row], clouds.weight[row]
        mean = weight @ theta
        root = np.linalg.cholesky(1.3 * clouds.covariance[row] + 0.02 * spread[row])
        moved = (mean + unit @ root.T - asked.theta[row])[None]
        only = asked.some(np.array([row]))
        ln_weight = ln_prior(asked.theta[row, 2] + moved[0, :, 2]) - losses(only, moved)[0] - ln_drawn
        true = normalised(ln_weight[None])[0]
        assert 1.0 / (true**2).sum() > 2000.0
        expected = true @ moved[0] + asked.theta[row]
        variance = true @ (moved[0] + asked.theta[row] - expected) ** 2
        off.append((mean - expected) / np.sqrt(variance))
        growth.append(np.sqrt(np.diag(clouds.covariance[row]) / variance))
    assert np.sqrt(np.mean(np.square(off), axis=0)).max() < 0.15
    assert np.abs(off).max() < 0.3
    assert np.mean(growth, axis=0) == pytest.approx(np.ones(4), abs=0.06)


def test_only_doubtful_roll_offs_get_a_cloud(scenes):
    """A wide carrier is known by curvature, a narrow one beside it is not."""
    setting = scenes.Setting()
    signals = [scenes.Signal(1540e6, 27.5e6, 0.2, 12.0), scenes.Signal(1570e6, 2e6, 0.2, 12.0)]
    solution = engine.solve(scenes.sweep(np.random.default_rng(1), setting, signals), 0.01)
    assert solution.clouds.which.tolist() == [1]
    wide, narrow = measure(scenes.sweep(np.random.default_rng(1), setting, signals)).carriers
    assert not wide.interval95
    assert set(narrow.interval95) >= {"symbol_rate_bd", "occupied_bandwidth_hz"}


@pytest.mark.parametrize(("readings", "cn_db", "roll_off"), [(1000, 20.0, 0.02), (100, 15.0, 0.02), (300, 15.0, 0.4)])
def test_roll_offs_known_sharply(scenes, readings, cn_db, roll_off):
    """Near the end of their range, or beyond what is likely beforehand: told with an honest spread, by many readings.

    Of 12 each the mean square of error over uncertainty lies within the 0.1 % limits of chi-square of 12 degrees.
    """
    setting, errors = scenes.Setting(readings=readings), []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        signal = scenes.Signal(1550e6 + rng.uniform(-8e6, 8e6), 27.5e6, roll_off, cn_db)
        (carrier,) = measure(scenes.sweep(rng, setting, [signal])).carriers
        errors.append((carrier.symbol_rate_bd - 27.5e6) / carrier.symbol_rate_std_bd)
        errors.append((carrier.roll_off - roll_off) / carrier.roll_off_std)
    for square in np.square(errors).reshape(12, 2).sum(axis=0):
        assert stats.chi2.ppf(0.001, 12) < square < stats.chi2.ppf(0.999, 12)


@pytest.mark.parametrize("roll_off", [0.0, 0.4])
def test_roll_offs_at_the_ends_of_their_range(scenes, roll_off):
    """A box, or an edge rounder than any standard's: told within the range, with a spread."""
    signals = [scenes.Signal(1550e6, 5e6, max(roll_off, 1e-3), 15.0)]
    (carrier,) = measure(scenes.sweep(np.random.default_rng(4), scenes.Setting(readings=30), signals)).carriers
    assert carrier.symbol_rate_bd == pytest.approx(5e6, abs=4.0 * carrier.symbol_rate_std_bd)
    if carrier.roll_off is not None:
        low, high = carrier.interval95["roll_off"]
        assert 0.0 <= low < high <= 0.6


def test_two_carriers_in_one_place(scenes):
    """Of which the trace says only the sum: no number but finite ones."""
    setting = scenes.Setting()
    sweep = scenes.sweep(np.random.default_rng(6), setting, [scenes.Signal(1550e6, 4e6, 0.2, 12.0)])
    solution = engine.solve(sweep, 0.01)
    scene = solution.at.scene
    twice = scene.with_carriers(np.r_[scene.kind, scene.kind], stacked(scene.theta, scene.theta))
    found = settled.settled(solution.trace, twice, evaluate(solution.trace, twice), np.empty(0))
    assert np.all(np.isfinite(found.scene.theta))
    assert np.all(np.isfinite(found.covariance))
    assert np.all(np.isfinite(found.clouds.weight))


def test_weights_of_standard_roll_offs_are_chances(scenes):
    """What the true one weighs is, on average, the mean square of all weights (derived: chances that hold good).

    80 sweeps at a time within three standard deviations of their mean.
    """
    rng, of_true, foretold = np.random.default_rng(12), [], []
    for _ in range(80):
        roll_off = float(rng.choice(STANDARD_ROLL_OFFS))
        signal = scenes.Signal(1550e6 + rng.uniform(-8e6, 8e6), 5e6, roll_off, 12.0)
        (carrier,) = measure(scenes.sweep(rng, scenes.Setting(readings=30), [signal])).carriers
        weights = carrier.roll_off_weights
        of_true.append(weights[f"{roll_off:.2f}"])
        foretold.append(sum(weight**2 for weight in weights.values()))
    apart = np.array(of_true) - foretold
    assert abs(apart.mean()) < 3.0 * apart.std() / np.sqrt(apart.size)
    assert 0.3 < np.mean(of_true) < 0.95
