"""The joint fit of a scene: Fisher scoring with damping on all parameters together."""

from __future__ import annotations

import math
from dataclasses import replace
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.information import Information, information, refreshed
from spectra.measure.model import Evaluation, evaluate, from_loops, to_loops
from spectra.measure.pairs import Pairs
from spectra.measure.response import bend_round, best_orders, with_orders
from spectra.measure.scene import CW, LEAST_ROLL_OFF, MOST_ROLL_OFF, Scene, Trace
from spectra.units import FloatArray

__all__ = ["fit", "fit_with_response", "turned"]


_LIKE = 1.0  # in ln(likelihood), that a step may gain without changing the information by much
_KEPT = 4.0  # a step seldom gains more than its promise, and what is left after some steps not so many times as much
_NOTHING = 0.05  # of the tolerance: a step that promises less is not worth taking
_MOST_MOVE = np.array([np.inf, np.inf, 0.25, 1.5])  # of a roll-off and of ln(plateau), in one step


def _step(scene: Scene, here: Information, damping: float) -> FloatArray:
    """Return the step of all parameters; roll-offs that would leave their range go to its end, the rest accordingly."""
    raised = damping * here.diagonal
    step, _ = here.band.solve(here.gradient, here.free, raised)
    roll_offs = slice(2, 4 * scene.count, 4)
    wanted = scene.theta[:, 2] + step[roll_offs]
    over = (wanted < LEAST_ROLL_OFF) | (wanted > MOST_ROLL_OFF)
    if not over.any():
        return step
    known = np.zeros(step.size)
    known[roll_offs][over] = (np.clip(wanted, LEAST_ROLL_OFF, MOST_ROLL_OFF) - scene.theta[:, 2])[over]
    free = here.free.copy()
    free[roll_offs] &= ~over
    step, _ = here.band.solve(here.gradient - here.band.times(known), free, raised)
    return step + known


def _moved(scene: Scene, step: FloatArray) -> Scene:
    """Return the scene after a step, which is shortened for carriers that it would move far."""
    k, compiled = scene.count, loops()
    beta = scene.beta + np.minimum(np.maximum(step[4 * k :], -1.0), 1.0)
    if compiled is not None:
        return Scene(scene.kind, compiled.moved(scene.kind, scene.theta, step), beta, scene.strength)
    theta = scene.theta.copy()
    tone = scene.kind == CW
    most = np.broadcast_to(_MOST_MOVE, (k, 4)).copy()
    most[:, :2] = np.where(tone, 1.2, np.maximum(0.3 * (theta[:, 1] - theta[:, 0]), 0.5))[:, None]
    move = step[: 4 * k].reshape(k, 4)
    theta[:, :4] += move / np.maximum(np.abs(move / most).max(axis=1, initial=1.0), 1.0)[:, None]
    theta[:, 2] = np.minimum(np.maximum(theta[:, 2], LEAST_ROLL_OFF), MOST_ROLL_OFF)
    theta[tone, 1] = theta[tone, 0]
    theta[tone, 2] = 0.0
    narrow = ~tone & (theta[:, 1] - theta[:, 0] < 0.05)
    theta[narrow, 1] = theta[narrow, 0] + 0.05
    return replace(scene, theta=theta, beta=beta)


def turned(scene: Scene, here: Information, which: NDArray[np.intp], roll_off: FloatArray | float) -> Scene:
    """Return the scene with other roll-offs of some carriers, all else as the information foretells it."""
    known = np.zeros(here.gradient.size)
    known[4 * which + 2] = roll_off - scene.theta[which, 2]
    step, _ = here.band.solve(-here.band.times(known), here.free)
    moved = _moved(scene, step)
    moved.theta[which, 2] = roll_off
    return moved


def fit(
    trace: Trace,
    scene: Scene,
    *,
    rounds: int = 12,
    tolerance: float = 1e-3,
    frozen: NDArray[np.bool_] | None = None,
    start: Evaluation | None = None,
    least: float = math.inf,
) -> tuple[Scene, Evaluation]:
    """Return the scene after damped Fisher scoring, and the model there.

    Parameters
    ----------
    trace, scene : Trace, Scene
    rounds : int
        Steps at most.
    tolerance : float
        Of ln(likelihood), by which a last step may gain.
    frozen : ndarray of bool, shape (k,), optional
        Carriers whose roll-off stays.
    start : Evaluation, optional
        At this scene or one like it, if there is one already.
    least : float
        Minus ln(likelihood) that is of use; a fit that does not promise to come so low is given up.
    """
    at = start if start is not None and start.trace is trace and start.scene is scene else None
    at = evaluate(trace, scene, start) if at is None else at
    compiled = loops()
    if compiled is not None:
        return _fitted(compiled, at, rounds, tolerance, frozen, least)
    damping = 1e-3
    here: Information | None = None
    for _ in range(rounds):
        fresh = here is None
        here = information(at, frozen) if here is None else refreshed(here, at, frozen)
        gain = 0.0
        for _ in range(5):
            step = _step(scene, here, damping)
            promise = 0.5 * float(step @ here.gradient)
            if promise < _NOTHING * tolerance or at.lost - _KEPT * promise > least:
                break
            trial = _moved(scene, step)
            there = evaluate(trace, trial, at)
            # The weights belong to the scene that the step starts from, as in iterated weighting.
            gain = float(at.weight @ (at.deviance - there.deviance)) + at.bent - there.bent
            if gain >= -1e-3 * tolerance:
                scene, at = trial, there
                damping = max(damping * 0.1, 1e-6)
                break
            if fresh:
                damping = max(damping * 10.0, 1e-2)
            else:
                here, fresh = information(at, frozen), True
        if gain > _LIKE:  # far enough that the information changed
            here = None
        if scene.theta[:, 4:].any():
            scene, at, more = bend_round(trace, scene, at, frozen)
            gain += more
            here = None
        if gain < tolerance:
            break
    return scene, at


def _fitted(
    loops: ModuleType, at: Evaluation, rounds: int, tolerance: float, frozen: NDArray[np.bool_] | None, least: float
) -> tuple[Scene, Evaluation]:
    """Return what `fit` does, by compiled loops."""
    trace, scene, pairs = at.trace, at.scene, at.pairs
    held = np.zeros(scene.count, dtype=np.bool_) if frozen is None else frozen
    begun = (to_loops(at), at.lost, at.bent, pairs.first, pairs.last, pairs.start)
    theta, beta, made, lost, bent, first, last, start, steps, renewed = loops.fitted(
        trace.packed, scene.kind, scene.theta, scene.beta, scene.strength, held, rounds, tolerance, least, *begun
    )
    if steps == 0:
        return scene, at
    if renewed:
        centre = 0.5 * (theta[:, 0] + theta[:, 1])
        pairs = Pairs(first, last, start, centre, pairs.x, pairs.interval, pairs.penalty)
    scene = Scene(scene.kind, theta, beta, scene.strength)
    return scene, from_loops(trace, scene, pairs, made, lost, bent)


def fit_with_response(
    trace: Trace, scene: Scene, which: list[int], *, rounds: int, tolerance: float, least: float = math.inf
) -> tuple[Scene, Evaluation]:
    """Return the scene after a fit in which some carriers may take the response that the evidence asks for."""
    scene, at = fit(trace, scene, rounds=rounds, tolerance=tolerance)
    some = np.array(which, dtype=np.intp)
    for _ in range(2):
        theta = with_orders(scene.theta, some, best_orders(trace, scene, at, some))
        if np.array_equal(theta, scene.theta):
            break
        scene, at = fit(trace, replace(scene, theta=theta), rounds=rounds, tolerance=tolerance, start=at, least=least)
    return scene, at
