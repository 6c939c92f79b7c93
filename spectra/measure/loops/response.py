"""A transponder's response, compiled: the sums of `spectra.measure.response` number by number."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.linear import stiffened
from spectra.measure.loops.special import Flags, Index, compiled
from spectra.measure.scene import BEND_PRECISION, BENDS, LEAST_ROLL_OFF, MOST_ROLL_OFF
from spectra.units import FloatArray

__all__ = ["Here", "orders_asked", "response_at", "response_steps", "response_sums", "with_orders"]

Here = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, Index, Index, Index]
"""x, jacobian by pair, weight, misfit; carriers, first point of each, one past its last, and where its pairs start."""

_SMOOTH_REACH = 1.4  # as in `spectra.measure.model`
_FAR, _PRICE, _TINY = 3.0, 3.0, 1e-9  # as in `spectra.measure.response`


@compiled
def _bends_at(u: float, out: FloatArray) -> None:
    """Put the polynomials of `spectra.measure.model.bends` at `u` into `out`."""
    beyond = min(max(u, -_SMOOTH_REACH), _SMOOTH_REACH)
    inside = min(max(u, -1.0), 1.0)
    one, two = 1.0, inside
    for j in range(1, BENDS):  # Bonnet's recurrence
        one, two = two, ((2 * j + 1) * inside * two - j * one) / (j + 1)
        out[j] = two
    out[0], out[1] = beyond, 1.5 * beyond * beyond - 0.5


@compiled
def response_at(theta: FloatArray, u: float, room: FloatArray) -> float:
    """Return ln of a carrier's response at `u`; `room` holds BENDS numbers."""
    _bends_at(u, room)
    total = 0.0
    for j in range(BENDS):
        total += theta[4 + j] * room[j]
    return total


@compiled
def response_sums(here: Here, which: Index) -> tuple[FloatArray, FloatArray]:
    """Return information (n, q, q) and gradient (n, q) of some carriers' own parameters and terms, without priors."""
    x, jacobian, weight, misfit, theta, first, last, start = here
    size = 4 + BENDS
    matrix, gradient = np.zeros((which.size, size, size)), np.zeros((which.size, size))
    row, room = np.empty(size), np.empty(BENDS)
    for j in range(which.size):
        k = which[j]
        left, right = theta[k, 0], theta[k, 1]
        for i in range(first[k], last[k]):
            p = start[k] + i - first[k]
            for a in range(4):
                row[a] = jacobian[a, p]
            _bends_at((2.0 * x[i] - left - right) / (right - left), room)
            for a in range(BENDS):
                row[4 + a] = room[a] * row[3]
            for a in range(size):
                value = weight[i] * row[a]
                gradient[j, a] += value * misfit[i]
                for b in range(a + 1):
                    matrix[j, a, b] += value * row[b]
        for a in range(size):
            for b in range(a):
                matrix[j, b, a] = matrix[j, a, b]
    return matrix, gradient


@compiled
def _order_of(row: FloatArray) -> int:
    """Return how many terms a carrier's response has."""
    for j in range(BENDS, 0, -1):
        if row[3 + j] != 0.0:
            return j
    return 0


@compiled
def _system(here: Here, which: Index, frozen: bool) -> tuple[FloatArray, FloatArray]:
    """Return information (q, q) and gradient (q) of one carrier, prior included, its roll-off held where it must be."""
    theta = here[4]
    matrices, gradients = response_sums(here, which)
    matrix, right, k = matrices[0], gradients[0], which[0]
    for j in range(BENDS):
        matrix[4 + j, 4 + j] += BEND_PRECISION[j]
        right[4 + j] -= BEND_PRECISION[j] * theta[k, 4 + j]
    roll_off = theta[k, 2]
    outward = (roll_off <= LEAST_ROLL_OFF and right[2] <= 0.0) or (roll_off >= MOST_ROLL_OFF and right[2] >= 0.0)
    if outward or frozen:
        _hold(matrix, right, 2)
    return matrix, right


@compiled
def _hold(matrix: FloatArray, right: FloatArray, a: int) -> None:
    """Take a parameter out of a system."""
    matrix[a, :], matrix[:, a], right[a] = 0.0, 0.0, 0.0
    matrix[a, a] = 1.0


@compiled
def response_steps(here: Here, frozen: Flags) -> FloatArray:
    """Return the step of every response with its carrier's own parameters, as `spectra.measure.response.bend_round`."""
    theta, first, last, size = here[4], here[5], here[6], 4 + BENDS
    out, which = np.zeros((len(theta), size)), np.empty(1, np.intp)
    for k in range(len(theta)):
        order = _order_of(theta[k])
        if order == 0 or last[k] <= first[k]:
            continue
        which[0] = k
        matrix, right = _system(here, which, frozen[k])
        for a in range(4 + order, size):
            _hold(matrix, right, a)
        step = stiffened(matrix, right)
        for a in range(size):  # where little is known a step may be any size
            out[k, a] = step[a] if a < 3 else min(max(step[a], -_FAR), _FAR)
    return out


@compiled
def orders_asked(here: Here, some: Index) -> Index:
    """Return how many terms the evidence asks for, as `spectra.measure.response.best_orders`."""
    theta, first, last = here[4], here[5], here[6]
    orders, which = np.zeros(some.size, np.intp), np.empty(1, np.intp)
    taken, schur, white = np.empty((BENDS + 1, 4)), np.empty((BENDS, BENDS)), np.empty(BENDS)
    for m in range(some.size):
        k = some[m]
        if last[k] <= first[k]:
            continue
        which[0] = k
        matrix, right = _system(here, which, False)
        own = matrix[:4, :4].copy()
        for t in range(BENDS):
            taken[t] = stiffened(own, matrix[4 + t, :4])
        taken[BENDS] = stiffened(own, right[:4])
        for t in range(BENDS):
            for u in range(BENDS):
                schur[t, u] = matrix[4 + t, 4 + u]
                for a in range(4):
                    schur[t, u] -= 0.5 * (matrix[4 + t, a] * taken[u, a] + matrix[4 + u, a] * taken[t, a])
        worth, most = -_PRICE, 0.0
        for t in range(BENDS):
            white[t] = right[4 + t]
            for a in range(4):
                white[t] -= matrix[4 + t, a] * taken[BENDS, a]
            for u in range(BENDS):
                white[t] += schur[t, u] * theta[k, 4 + u]
        for t in range(BENDS):  # Cholesky's factor in place: its first n rows serve n terms
            for u in range(t + 1):
                for c in range(u):
                    schur[t, u] -= schur[t, c] * schur[u, c]
                schur[t, u] = math.sqrt(schur[t, t]) if u == t else schur[t, u] / schur[u, u]
            for u in range(t):
                white[t] -= schur[t, u] * white[u]
            white[t] /= schur[t, t]
            worth += 0.5 * white[t] ** 2 - math.log(schur[t, t]) + 0.5 * math.log(BEND_PRECISION[t])
            if worth > most:
                most, orders[m] = worth, t + 1
    return orders


@compiled
def with_orders(theta: FloatArray, which: Index, orders: Index) -> FloatArray:
    """Return carriers of which some have responses of so many terms, as `spectra.measure.response.with_orders`."""
    out = theta.copy()
    for m in range(which.size):
        for j in range(BENDS):
            term = theta[which[m], 4 + j]
            if j >= orders[m]:
                out[which[m], 4 + j] = 0.0
            elif term == 0.0:
                out[which[m], 4 + j] = _TINY
    return out
