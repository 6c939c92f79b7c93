"""The uncertainty that a fitted standing wave adds to the floor."""

import numpy as np
import pytest

from spectra.measure import measure, standing
from spectra.measure.engine import solve
from spectra.measure.standing import wave_variance


@pytest.fixture(scope="module")
def rippled(scenes):
    """A ripple of 2 dB and 60 MHz, of which a span of 100 MHz shows a period and a half."""
    setting = scenes.Setting(ripple_db=2.0, readings=100)
    return setting, [scenes.sweep(np.random.default_rng([31, k]), setting, _one(scenes)) for k in range(40)]


def _one(scenes):
    return [scenes.Signal(1552e6, 27.5e6, 0.2, 10.0)]


def test_variance_as_by_plain_matrices(rippled) -> None:
    """Size, phase and period beside the spline: the difference of two dense inverses, to 1 % of its greatest value."""
    at = solve(rippled[1][0], 0.01).at
    basis, x = at.trace.basis, at.trace.x
    ((omega, cosine, sine),) = basis.waves
    spline = np.array([basis.spline(row) for row in np.eye(basis.size)]).T
    c, s = np.cos(omega * x), np.sin(omega * x)
    wave = np.column_stack((c, s, (x - x.mean()) / x.size * (sine * c - cosine * s)))
    second = np.diff(np.eye(basis.size), 2, axis=0)
    weight = at.weight * at.by_noise**2
    both = np.hstack((spline, wave))
    inner = (both.T * weight) @ both
    inner[: basis.size, : basis.size] += at.scene.strength * second.T @ second
    alone = inner[: basis.size, : basis.size]
    more = np.einsum("ij,jk,ik->i", both, np.linalg.inv(inner), both)
    less = np.einsum("ij,jk,ik->i", spline, np.linalg.inv(alone), spline)
    assert wave_variance(at) == pytest.approx(more - less, rel=0.02, abs=0.01 * float((more - less).max()))


def test_cn_through_a_rippled_line_keeps_its_interval(rippled) -> None:
    """40 sweeps: sum of squares of error over uncertainty under the upper 0.1 % of chi-square of 40, 73.4."""
    pulls = []
    for sweep in rippled[1]:
        (carrier,) = measure(sweep).carriers
        pulls.append((carrier.cn_db - 10.0) / carrier.cn_std_db)
    assert float(np.sum(np.square(pulls))) < 73.4


def test_a_standing_wave_that_cannot_be_fitted_is_not_kept(scenes, monkeypatch):
    """Its fit breaks down: the sweep is measured without it."""
    setting = scenes.Setting(span_hz=1200e6, rbw_hz=1.2e6, readings=100, ripple_db=2.0)
    sweep = scenes.sweep(np.random.default_rng(3), setting, [scenes.Signal(1550e6, 30e6, 0.2, 12.0)])

    def broken(work):
        raise np.linalg.LinAlgError("information matrix not positive")

    monkeypatch.setattr(standing, "reshape", broken)
    assert len(solve(sweep, 0.01).trace.basis.waves) == 0
    monkeypatch.undo()
    assert len(solve(sweep, 0.01).trace.basis.waves) == 1
