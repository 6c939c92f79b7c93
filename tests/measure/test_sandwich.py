"""The score's own covariance where neighbours share noise, held against plain matrices (White 1982, from memory)."""

import numpy as np
import pytest

from spectra.measure import engine, measure, sandwich


@pytest.fixture
def seen(monkeypatch):
    """What the engine hands to the sandwich, and what it gets."""
    calls = []
    true = engine.narrowed

    def kept(at, covariance, correlation):
        calls.append((at, covariance, correlation, true(at, covariance, correlation)))
        return calls[-1][-1]

    monkeypatch.setattr(engine, "narrowed", kept)
    return calls


def _dense(at, covariance: np.ndarray, correlation: np.ndarray) -> np.ndarray:
    """C - C J'(I - R/c)J C of every parameter, floor and neighbours with it."""
    n, count = at.eta.size, at.scene.count
    jacobian = np.zeros((n, len(covariance)))
    for k in range(count):
        own = slice(at.start[k], at.start[k + 1])
        jacobian[at.index[own], 4 * k : 4 * k + 4] = at.jacobian[:, own].T
    basis = at.trace.basis
    jacobian[:, 4 * count :] = np.array([basis.spline(row) for row in np.eye(basis.size)]).T * at.by_noise[:, None]
    jacobian *= np.sqrt(at.weight)[:, None]
    shared = np.eye(n) + sum(r * (np.eye(n, k=k) + np.eye(n, k=-k)) for k, r in enumerate(correlation, start=1))
    less = jacobian.T @ (np.eye(n) - shared / (1.0 + 2.0 * correlation.sum())) @ jacobian
    return covariance - covariance @ less @ covariance


def test_fast_sweep_as_by_plain_matrices(scenes, seen, monkeypatch) -> None:
    """Standard deviations of edges and levels to 1 %; an edge as sharp as the filter is known a tenth better."""
    monkeypatch.setattr(sandwich, "_BEYOND", 0.0)
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
