"""The joint fit of a scene: Fisher scoring with damping on all parameters together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.information import information
from spectra.measure.model import CW, MOST_ROLL_OFF, RC, Evaluation, Scene, Trace, evaluate
from spectra.units import FloatArray

__all__ = ["fit"]


def _moved(scene: Scene, step: FloatArray) -> Scene:
    """Return the scene after a step, kept within bounds."""
    k = scene.count
    move = step[: 4 * k].reshape(k, 4)
    theta = scene.theta.copy()
    tone = scene.kind == CW
    most = np.where(tone, 1.2, np.maximum(0.3 * (theta[:, 1] - theta[:, 0]), 0.5))[:, None]
    theta[:, :2] += np.minimum(np.maximum(move[:, :2], -most), most)
    theta[:, 2:] += np.minimum(np.maximum(move[:, 2:], _LEAST_MOVE), _MOST_MOVE)
    theta[:, 2] = np.minimum(np.maximum(theta[:, 2], 0.0), MOST_ROLL_OFF)
    theta[tone, 1] = theta[tone, 0]
    theta[tone, 2] = 0.0
    narrow = ~tone & (theta[:, 1] - theta[:, 0] < 0.05)
    theta[narrow, 1] = theta[narrow, 0] + 0.05
    return replace(scene, theta=theta, beta=scene.beta + np.minimum(np.maximum(step[4 * k :], -1.0), 1.0))


_MOST_MOVE = np.array([0.2, 1.5])  # of a roll-off and of ln(plateau), in one step
_LEAST_MOVE = -_MOST_MOVE


def fit(
    trace: Trace,
    scene: Scene,
    *,
    rounds: int = 12,
    tolerance: float = 1e-3,
    frozen: NDArray[np.bool_] | None = None,
) -> tuple[Scene, Evaluation]:
    """Return the scene after damped Fisher scoring, and the model there; roll-offs that are `frozen` stay."""
    at = evaluate(trace, scene)
    damping = 1e-3
    for _ in range(rounds):
        here = information(trace, scene, at, frozen)
        gain = 0.0
        for _ in range(5):
            trial = _moved(scene, here.band.solve(here.gradient, here.free, damping)[0])
            there = evaluate(trace, trial)
            gain = at.objective - there.objective
            if gain >= -1e-9 * abs(at.objective):
                scene, at = trial, there
                damping = max(damping * 0.1, 1e-6)
                break
            damping = max(damping * 10.0, 1e-2)
        if gain < tolerance:
            break
    return scene, at
