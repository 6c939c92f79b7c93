"""Rules and places: moments of a normal law, and posteriors whose every moment is known."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from spectra.measure import places
from spectra.measure.cloud import ln_prior, normalised


def test_the_rule_is_exact_to_the_fifth_degree():
    """Moments of a normal law: 1 of each square, 3 of each fourth power, 1 of products of squares, 0 of odd ones."""
    for at, share in places._RULES:
        assert np.all(share > 0.0)
        for powers in np.ndindex(6, 6, 6):
            if sum(powers) <= 5:
                expected = np.prod([0.0 if p % 2 else (1.0, 1.0, 3.0)[p // 2] for p in powers])
                assert share @ np.prod(at ** np.array(powers), axis=1) == pytest.approx(expected, abs=1e-12), powers


@dataclass
class Carriers:
    """One carrier, 40 points wide."""

    which = np.array([0])
    theta = np.array([[30.0, 70.0, 0.2, 1.0]])
    trace = SimpleNamespace(sigma=1.0)
    sharp: np.ndarray

    def some(self, rows):
        return self


def asked_of(monkeypatch, loss, sharp=False):
    """Return a carrier 40 points wide whose likelihood is a function of its parameters' differences (s, 4)."""
    monkeypatch.setattr(places, "losses", lambda asked, moved: np.array([loss(row) for row in moved]))
    return Carriers(np.array([sharp]))


def told(asked, begin, spread):
    at, ln_weight = places.weighted_places(asked, begin[None], spread[None])
    weight, moved = normalised(ln_weight)[0], at[0] - asked.theta
    mean = weight @ moved
    return mean, ((moved - mean) * weight[:, None]).T @ (moved - mean)


SPREAD = np.array(
    [
        [0.04, -0.01, 0.002, 0.001],
        [-0.01, 0.04, -0.002, 0.001],
        [0.002, -0.002, 9e-4, 0.0002],
        [0.001, 0.001, 0.0002, 0.01],
    ]
)


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize("wrong", [0.6, 1.0, 1.6])
def test_a_normal_likelihood(monkeypatch, wrong, sharp):
    """Mean and covariance come out, though another spread and another mean were foretold.

    The far places that sharp steps ask for make a normal law some tenth wider, no narrower.
    """
    precision, middle = np.linalg.inv(SPREAD), np.array([0.1, -0.15, 0.02, 0.08])
    asked = asked_of(monkeypatch, lambda d: 0.5 * (((d - middle) @ precision) * (d - middle)).sum(axis=1), sharp)
    mean, covariance = told(asked, np.zeros(4), wrong * SPREAD)
    std = np.sqrt(np.diag(SPREAD))
    assert np.abs((mean - middle) / std).max() < 0.08
    growth = np.sqrt(np.diag(covariance)) / std
    assert growth.min() > 0.94
    assert growth.max() < (1.2 if sharp else 1.06)
    assert covariance[0, 1] / covariance[0, 0] == pytest.approx(SPREAD[0, 1] / SPREAD[0, 0], abs=0.06)


def test_a_crooked_likelihood(monkeypatch):
    """A roll-off of a gamma law, edges on a parabola about it: moments in closed form (scipy.stats.gamma)."""
    law = stats.gamma(6.0, scale=0.0125)  # of the roll-off less 0.12: mean 0.075, skewness 0.82
    std = 0.1

    def loss(d):
        t = d[:, 2] + 0.08
        off = np.maximum(t, 1e-9) - law.mean()
        path = np.stack((2.0 * off + 20.0 * off**2, -2.0 * off - 20.0 * off**2, 0.0 * off), axis=1)
        return np.where(t > 0.0, 0.5 * (((d[:, [0, 1, 3]] - path) / std) ** 2).sum(axis=1) - law.logpdf(t), 1e3)

    mean, covariance = told(asked_of(monkeypatch, loss), np.zeros(4), np.diag([0.02, 0.02, 1e-3, 0.02]))
    bent = 20.0 * law.var()
    assert mean[2] + 0.08 == pytest.approx(law.mean(), abs=0.1 * law.std())
    assert np.sqrt(covariance[2, 2]) == pytest.approx(law.std(), rel=0.08)
    assert mean[:2] == pytest.approx([bent, -bent], abs=0.05 * np.sqrt(covariance[0, 0]))
    square = stats.gamma.moment(2, 6.0, scale=0.0125) - law.mean() ** 2
    third, fourth = (law.expect(lambda t, n=n: (t - law.mean()) ** n) for n in (3, 4))
    variance = std**2 + 4.0 * square + 80.0 * third + 400.0 * (fourth - square**2)
    assert covariance[0, 0] == pytest.approx(variance, rel=0.12)
    assert covariance[3, 3] == pytest.approx(std**2, rel=0.1)


def test_a_flat_likelihood_tells_what_was_likely_beforehand(monkeypatch):
    """Nothing is seen of the roll-off: even over 0.05 to 0.35, little beyond (as `ln_prior`)."""
    rest = np.array([0.05, 0.05, 0.1])
    asked = asked_of(monkeypatch, lambda d: 0.5 * ((d[:, [0, 1, 3]] / rest) ** 2).sum(axis=1))
    spread = np.diag([rest[0] ** 2, rest[1] ** 2, 0.12**2, rest[2] ** 2])
    mean, covariance = told(asked, np.zeros(4), spread)
    line = np.linspace(0.0005, 0.5995, 600)
    prior = np.exp(ln_prior(line))
    prior /= prior.sum()
    expected = prior @ line
    assert expected == pytest.approx(0.2, abs=0.02)
    assert mean[2] + 0.2 == pytest.approx(expected, abs=0.015)
    assert covariance[2, 2] == pytest.approx(prior @ (line - expected) ** 2, rel=0.25)
