"""The score's own covariance where neighbours share noise, held against plain matrices (White 1982, from memory)."""

import numpy as np
import pytest

from spectra.measure import measure, sandwich, settled


@pytest.fixture
def seen(monkeypatch):
    """What the engine hands to the sandwich, and what it gets."""
    calls = []
    true = settled.narrowed

    def kept(at, covariance, correlation):
        calls.append((at, covariance, correlation, true(at, covariance, correlation)))
        return calls[-1][-1]

    monkeypatch.setattr(settled, "narrowed", kept)
    return calls


def _matrices(at, covariance: np.ndarray, correlation: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weighted Jacobian of every parameter, floor and neighbours with it, and the points' correlation."""
    n, count = at.eta.size, at.scene.count
    jacobian = np.zeros((n, len(covariance)))
    for k in range(count):
        own = slice(at.start[k], at.start[k + 1])
        jacobian[at.index[own], 4 * k : 4 * k + 4] = at.jacobian[:, own].T
    basis = at.trace.basis
    jacobian[:, 4 * count :] = np.array([basis.spline(row) for row in np.eye(basis.size)]).T * at.by_noise[:, None]
    jacobian *= np.sqrt(at.weight)[:, None]
    shared = np.eye(n) + sum(r * (np.eye(n, k=k) + np.eye(n, k=-k)) for k, r in enumerate(correlation, start=1))
    return jacobian, shared


def _dense(at, covariance: np.ndarray, correlation: np.ndarray) -> np.ndarray:
    """C - C J'(I - R/c)J C of every parameter."""
    jacobian, shared = _matrices(at, covariance, correlation)
    n = at.eta.size
    less = jacobian.T @ (np.eye(n) - shared / (1.0 + 2.0 * correlation.sum())) @ jacobian
    return covariance - covariance @ less @ covariance


def test_fast_sweep_as_by_plain_matrices(scenes, seen, monkeypatch) -> None:
    """Standard deviations of edges and levels to 1 %; an edge as sharp as the filter is known a tenth better."""
    monkeypatch.setattr(sandwich, "_LAW_VARIANCE", 0.0)
    setting = scenes.Setting(rbw_hz=500e3, correlated=True, readings=100)
    signals = [scenes.Signal(1530e6, 5e6, 0.1, 12.0), scenes.Signal(1560e6, 12e6, 0.3, 9.0)]
    measure(scenes.sweep(np.random.default_rng(11), setting, signals))
    at, covariance, correlation, got = seen[0]
    assert correlation.size > 3
    exact = np.sqrt(np.diag(_dense(at, covariance, correlation))[: 4 * at.scene.count])
    found = np.sqrt(np.diag(got)[: 4 * at.scene.count])
    free = np.diag(covariance)[: 4 * at.scene.count] > 0.0
    assert found[free] == pytest.approx(exact[free], rel=0.01)
    assert np.all(found[:2] < 0.9 * np.sqrt(np.diag(covariance)[:2]))


def test_independent_points_change_nothing(scenes, seen) -> None:
    setting = scenes.Setting()
    measure(scenes.sweep(np.random.default_rng(12), setting, [scenes.Signal(1530e6, 5e6, 0.1, 12.0)]))
    _, covariance, correlation, got = seen[0]
    assert correlation.size == 0
    assert got is covariance


@pytest.mark.parametrize(("rate", "roll_off", "rbw"), [(27.5e6, 0.2, 750e3), (5e6, 0.05, 750e3), (2e6, 0.35, 300e3)])
def test_points_that_a_fit_takes_as_by_plain_matrices(scenes, seen, rate, roll_off, rbw) -> None:
    """tr(C J'RJ) to a seventh: the residuals of a linear fit lack as much (textbook); the parameters number 6."""
    setting = scenes.Setting(rbw_hz=rbw, correlated=True, readings=30)
    measure(scenes.sweep(np.random.default_rng(13), setting, [scenes.Signal(1550e6, rate, roll_off, 12.0)]))
    at, covariance, correlation, _ = seen[0]
    jacobian, shared = _matrices(at, covariance, correlation)
    exact = float(np.trace(covariance @ jacobian.T @ shared @ jacobian))
    assert sandwich.points_lost(at.scene, at.trace.sigma, correlation)[0] == pytest.approx(exact, rel=0.15)
    assert sandwich.points_lost(at.scene, at.trace.sigma, np.empty(0))[0] == 6.0


@pytest.mark.parametrize(("readings", "tolerance"), [(10, 0.09), (1, 0.07)])
def test_law_of_correlated_points_is_that_of_the_readings(scenes, monkeypatch, readings, tolerance) -> None:
    """40 fast sweeps: a point's information against known readings and filter, to three standard deviations of it.

    Its scatter from sweep to sweep is 18 and 8 %, so that the mean is known to 3 and 1.3 %, and the fit sharpens it by
    2 to 3 %; a fit that took its residuals for the noise itself would be 15 % off, single readings by their logarithms
    23 %. The filter's correlation is exp(-d^2 / 4 sigma^2) (derived in METHOD.md).
    """
    kept = []
    true = settled.narrowed
    monkeypatch.setattr(settled, "narrowed", lambda *args: kept.append(args[0].trace.information) or true(*args))
    ratio = 7.5 if readings > 1 else 3.0
    setting = scenes.Setting(rbw_hz=ratio * 100e3, correlated=True, readings=readings)
    rng = np.random.default_rng(14)
    for _ in range(40):
        measure(scenes.sweep(rng, setting, [scenes.Signal(1550e6, 27.5e6, rng.uniform(0.05, 0.35), 12.0)]))
    sigma = ratio / 2.354820045
    count = np.exp(-((np.arange(-60, 61) / (2.0 * sigma)) ** 2)).sum()
    assert np.mean(kept) == pytest.approx(readings / count, rel=tolerance)
