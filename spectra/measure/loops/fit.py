"""The joint fit, compiled: see `spectra.measure.fit`."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import numpy as np

from spectra.measure.loops.information import add_to, gradient, information
from spectra.measure.loops.kept import of_these
from spectra.measure.loops.linear import firm, times
from spectra.measure.loops.model import At, Points, evaluated
from spectra.measure.loops.pairs import ordered, reached, within
from spectra.measure.loops.response import orders_asked, response_steps, with_orders
from spectra.measure.loops.special import Flags, Index, compiled, summing
from spectra.measure.scene import CW, LEAST_ROLL_OFF, MOST_ROLL_OFF
from spectra.units import FloatArray

__all__ = ["best_within", "fitted", "kept", "moved"]

_LIKE, _KEPT, _NOTHING = 1.0, 4.0, 0.05  # as in `spectra.measure.fit`


@compiled
def moved(kind: Index, theta: FloatArray, step: FloatArray) -> FloatArray:
    """Return the carriers after a step, as `spectra.measure.fit` shortens it."""
    out = theta.copy()
    for k in range(kind.size):
        reach = 1.2 if kind[k] == CW else max(0.3 * (theta[k, 1] - theta[k, 0]), 0.5)
        most = max(abs(step[4 * k]), abs(step[4 * k + 1])) / reach
        most = max(most, abs(step[4 * k + 2]) / 0.25, abs(step[4 * k + 3]) / 1.5, 1.0)
        for a in range(4):
            out[k, a] += step[4 * k + a] / most
        out[k, 2] = min(max(out[k, 2], LEAST_ROLL_OFF), MOST_ROLL_OFF)
        if kind[k] == CW:
            out[k, 1], out[k, 2] = out[k, 0], 0.0
        elif out[k, 1] - out[k, 0] < 0.05:
            out[k, 1] = out[k, 0] + 0.05
    return out


@compiled
def _free(kind: Index, theta: FloatArray, slope: FloatArray, frozen: Flags) -> Flags:
    """Say which parameters are free, as `spectra.measure.information` does."""
    free = np.ones(slope.size, np.bool_)
    for k in range(kind.size):
        pull, roll_off = slope[4 * k + 2], theta[k, 2]
        outward = (roll_off <= LEAST_ROLL_OFF and pull <= 0.0) or (roll_off >= MOST_ROLL_OFF and pull >= 0.0)
        free[4 * k + 1] = kind[k] != CW
        free[4 * k + 2] = kind[k] != CW and not outward and not frozen[k]
    return free


@compiled
def _step(
    theta: FloatArray, lower: FloatArray, place: Index, slope: FloatArray, free: Flags, damping: FloatArray
) -> FloatArray:
    """Return the step of all parameters, as `spectra.measure.fit` does."""
    step = firm(lower, place, slope, free, damping)
    known, rest, over = np.zeros(step.size), free, False
    for k in range(len(theta)):
        j = 4 * k + 2
        wanted = theta[k, 2] + step[j]
        if wanted < LEAST_ROLL_OFF or wanted > MOST_ROLL_OFF:
            if not over:
                rest, over = free.copy(), True
            known[j], rest[j] = min(max(wanted, LEAST_ROLL_OFF), MOST_ROLL_OFF) - theta[k, 2], False
    if not over:
        return step
    return firm(lower, place, slope - times(lower, place, known), rest, damping) + known


@summing
def _regained(weight: FloatArray, before: FloatArray, after: FloatArray) -> float:
    """Return what a step gains: the weights belong to the scene that it starts from.

    A function of its own, since what is taken from a tuple that changes is counted anew at every point.
    """
    total = 0.0
    for i in range(weight.size):
        total += weight[i] * (before[i] - after[i])
    return total


@compiled
def _response_moved(theta: FloatArray, step: FloatArray, share: float) -> tuple[FloatArray, bool]:
    """Return the carriers after a share of a step of their responses, and whether none became much narrower."""
    out, sound = theta.copy(), True
    for k in range(len(theta)):
        for a in range(theta.shape[1]):
            if step[k, a] != 0.0:
                out[k, a] += share * step[k, a]
        if step[k, 2] != 0.0:
            out[k, 2] = min(max(out[k, 2], LEAST_ROLL_OFF), MOST_ROLL_OFF)
        sound &= out[k, 1] - out[k, 0] > 0.5 * (theta[k, 1] - theta[k, 0])
    return out, sound


@compiled
def fitted(
    points: Points,
    kind: Index,
    theta: FloatArray,
    beta: FloatArray,
    strength: float,
    frozen: Flags,
    rounds: int,
    tolerance: float,
    least: float,
    at: At,
    lost: float,
    bent: float,
    first: Index,
    last: Index,
    start: Index,
) -> tuple[FloatArray, FloatArray, At, float, float, Index, Index, Index, int, bool]:
    """Return carriers, floor and `At` after damped Fisher scoring, as `spectra.measure.fit.fit`.

    Also minus ln(likelihood), the penalty in it, the pairs (first, last, start), how many steps were taken, and whether
    the pairs are other ones.
    """
    x, interval, sigma = points[0], points[6], points[7]
    size = beta.size
    place, width = np.empty(0, np.intp), 0
    lower, diagonal = np.empty((0, 0)), np.empty(0)
    damping, known, stale, renewed, steps = 1e-3, False, True, False, 0
    for _ in range(rounds):
        fresh = not known
        slope = gradient(points, at, first, last, start, beta, strength)
        free = _free(kind, theta, slope, frozen)
        gain = 0.0
        for _ in range(5):
            if not known:
                if stale:
                    centre = 0.5 * (theta[:, 0] + theta[:, 1])
                    place, width = ordered(x, centre, first, last, interval, size)
                    stale = False
                lower = information(points, at, first, last, start, place, width)
                diagonal = lower[:, 0].copy()
                for j in range(size - 2):  # the floor's penalty
                    row = 4 * kind.size + j
                    for a in range(3):
                        for b in range(a + 1):
                            value = strength * (-2.0 if a == 1 else 1.0) * (-2.0 if b == 1 else 1.0)
                            add_to(lower, place[row + a], place[row + b], value)
                known = True
            step = _step(theta, lower, place, slope, free, damping * diagonal)
            promise = 0.0
            for j in range(step.size):
                promise += 0.5 * step[j] * slope[j]
            if promise < _NOTHING * tolerance or lost - _KEPT * promise > least:
                break
            trial, trial_beta = moved(kind, theta, step), beta.copy()
            for j in range(size):
                trial_beta[j] += min(max(step[4 * kind.size + j], -1.0), 1.0)
            other = not within(x, trial, first, last, sigma)
            pairs = reached(x, trial, sigma, 1.0) if other else (first, last, start)
            there, then, then_bent = evaluated(points, kind, trial, trial_beta, strength, pairs[0], pairs[1], pairs[2])
            gain = bent - then_bent + _regained(at[6], at[9], there[9])
            if gain >= -1e-3 * tolerance:
                theta, beta, at, lost, bent = trial, trial_beta, there, then, then_bent
                if other:
                    first, last, start = pairs
                    stale, renewed = True, True
                damping, steps = max(damping * 0.1, 1e-6), steps + 1
                break
            if fresh:
                damping = max(damping * 10.0, 1e-2)
            else:
                known, fresh = False, True
        if gain > _LIKE:
            known = False
        if np.any(theta[:, 4:] != 0.0):  # some have a response
            known = False
            shift = response_steps((x, at[1], at[6], at[7], theta, first, last, start), frozen)
            for share in (1.0, 0.3, 0.1):
                trial, sound = _response_moved(theta, shift, share)
                if not sound:
                    continue
                other = not within(x, trial, first, last, sigma)
                pairs = reached(x, trial, sigma, 1.0) if other else (first, last, start)
                there, then, then_bent = evaluated(points, kind, trial, beta, strength, pairs[0], pairs[1], pairs[2])
                more = bent - then_bent + _regained(at[6], at[9], there[9])
                if more > 0.0:
                    theta, at, lost, bent, gain, steps = trial, there, then, then_bent, gain + more, steps + 1
                    if other:
                        first, last, start = pairs
                        stale, renewed = True, True
                    break
        if gain < tolerance:
            break
    return theta, beta, at, lost, bent, first, last, start, steps, renewed


@compiled
def best_within(
    points: Points, kind: Index, theta: FloatArray, rounds: int, tolerance: float, least: float, bending: Index
) -> tuple[FloatArray, float]:
    """Return carriers and minus ln(likelihood) after a fit over a floor that is known.

    As `spectra.measure.moves.Stretch.best`: those in `bending` may take the response that the evidence asks for.
    """
    x, sigma, none, frozen = points[0], points[7], np.empty(0), np.zeros(kind.size, np.bool_)
    first, last, start = reached(x, theta, sigma, 1.0)
    at, lost, bent = evaluated(points, kind, theta, none, 0.0, first, last, start)
    if start[-1] == 0:  # no carriers, or none within reach of any point: beyond the end of the span
        return theta, lost
    enough = np.inf if bending.size else least
    theta, _, at, lost, bent, first, last, start, _, _ = fitted(
        points, kind, theta, none, 0.0, frozen, rounds, tolerance, enough, at, lost, bent, first, last, start
    )
    for _ in range(2 if bending.size else 0):
        orders = orders_asked((x, at[1], at[6], at[7], theta, first, last, start), bending)
        other = with_orders(theta, bending, orders)
        if np.array_equal(other, theta):
            break
        theta = other
        at, lost, bent = evaluated(points, kind, theta, none, 0.0, first, last, start)
        theta, _, at, lost, bent, first, last, start, _, _ = fitted(
            points, kind, theta, none, 0.0, frozen, rounds, tolerance, least, at, lost, bent, first, last, start
        )
    return theta, lost


def kept() -> bool:
    """Say whether the loops were compiled before, from these very sources, and kept on disk."""
    here = Path(__file__).parent
    sources = [*here.glob("*.py"), here.parent / "scene.py"]  # whose constants are compiled in
    return of_these(sources, Path(cast(Any, fitted).stats.cache_path), "fit.fitted-*.nbi")
