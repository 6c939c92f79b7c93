"""A transponder's response over one carrier: of how many terms, if any, and what it costs to have to fit it.

A response multiplies the carrier by exp(sum of c_j P_j(u)), P_j the Legendre polynomials over its 3 dB width. Each c_j
has a normal prior, so that the number of terms follows from the evidence (Laplace's approximation at a linearised
model) and none is taken where the residuals do not ask for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.model import Evaluation, bends, evaluate
from spectra.measure.scene import BEND_PRECISION, BENDS, LEAST_ROLL_OFF, MOST_ROLL_OFF, RC, Scene, Trace
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.signal.raised_cosine import raised_cosine
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = [
    "Bent",
    "bend_round",
    "bent_figures",
    "best_orders",
    "grown_by_bends",
    "order_of",
    "shows_shape",
    "swing_db",
    "with_orders",
]

_FAR = 3.0  # nepers in one step
_TINY = 1e-9  # of a coefficient that is to be fitted and has no value yet
_PRICE = 3.0  # ln(odds) that a carrier has no response worth a word
_LEAST_POINTS = 12.0  # independent ones on a carrier
_LEAST_RBW = 3.0  # widths of the filter in a carrier: less is the filter's own shape
_ROW, _COLUMN = np.tril_indices(4 + BENDS)
_TERMS = np.arange(4, 4 + BENDS)
_PLACES = np.linspace(-0.9, 0.9, 37)


def order_of(theta: FloatArray) -> NDArray[np.intp]:
    """Return how many terms each carrier's response has, shape (k,)."""
    used = theta[:, 4:] != 0.0
    return np.asarray(np.where(used.any(axis=1), BENDS - np.argmax(used[:, ::-1], axis=1), 0), dtype=np.intp)


def swing_db(row: FloatArray) -> float:
    """Return the peak-to-peak response of a carrier over nine tenths of its width, in dB."""
    return DB_PER_NEPER * float(np.ptp(row[4:] @ bends(_PLACES)))


@dataclass(frozen=True, slots=True)
class Bent:
    """What a response does to the figures of a raised cosine.

    Attributes
    ----------
    level : float
        Mean power over the 3 dB width over the fitted level, in nepers.
    occupied, at_x_db : float
        99 % width and width at x dB over those without a response.
    """

    level: float
    occupied: float
    at_x_db: float


def bent_figures(row: FloatArray, x_db: float | None) -> Bent:
    """Return what the response of a carrier changes; 0, 1 and 1 where it has none."""
    if not row[4:].any():
        return Bent(0.0, 1.0, 1.0)
    place = np.linspace(-0.8, 0.8, 6401)  # in symbol rates: roll-offs end at 0.6
    gain = np.exp(row[4:] @ bends(2.0 * place))
    plain = raised_cosine(place, float(row[2]))
    widths = []
    for density in (plain, plain * gain):
        run = np.cumsum(density)
        low, high = np.interp([0.005 * run[-1], 0.995 * run[-1]], run, place)
        above = np.flatnonzero(density > density.max() * 10.0 ** (-0.1 * (x_db or 3.0)))
        widths.append((high - low, float(place[above[-1]] - place[above[0]])))
    level = math.log(float(gain[np.abs(place) <= 0.5].mean()))
    return Bent(level, float(widths[1][0] / widths[0][0]), widths[1][1] / widths[0][1])


def _systems(trace: Trace, scene: Scene, at: Evaluation, which: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Return information (n, q, q) and gradient (n, q) of some carriers, prior included.

    The q parameters are a carrier's own four and all terms of a response.
    """
    compiled = loops()
    if compiled is not None:
        matrix, gradient = compiled.response_sums(_here(trace, scene, at), which)
    else:
        matrix, gradient = _sums(trace, scene, at, which)
    matrix[:, _TERMS, _TERMS] += BEND_PRECISION
    gradient[:, 4:] -= BEND_PRECISION * scene.theta[which, 4:]
    return matrix, gradient


def _here(trace: Trace, scene: Scene, at: Evaluation) -> tuple[object, ...]:
    """Return what the compiled loops want to know, see `spectra.measure.loops.response.Here`."""
    return trace.x, at.jacobian, at.weight, at.misfit, scene.theta, at.first, at.last, at.start


def _sums(trace: Trace, scene: Scene, at: Evaluation, which: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Return information and gradient of the points alone."""
    length = np.diff(at.start)[which]
    begin = np.cumsum(length) - length
    pair = np.arange(int(length.sum())) + np.repeat(at.start[which] - begin, length)
    index, owner = at.index[pair], np.repeat(which, length)
    left, right = scene.theta[:, 0][owner], scene.theta[:, 1][owner]
    rows = np.empty((4 + BENDS, pair.size))
    rows[:4] = at.jacobian[:, pair]
    rows[4:] = bends((2.0 * trace.x[index] - left - right) / (right - left)) * rows[3]
    weighted = rows * at.weight[index]
    gradient = np.add.reduceat(weighted * at.misfit[index], begin, axis=1).T
    sums = np.add.reduceat(rows[_ROW] * weighted[_COLUMN], begin, axis=1)
    matrix = np.empty((which.size, 4 + BENDS, 4 + BENDS))
    matrix[:, _ROW, _COLUMN] = matrix[:, _COLUMN, _ROW] = sums.T
    return matrix, gradient


def _hold(
    scene: Scene,
    which: NDArray[np.intp],
    matrix: FloatArray,
    gradient: FloatArray,
    frozen: NDArray[np.bool_] | None = None,
) -> None:
    """Take roll-offs out of the systems that are frozen or at a bound that they would leave."""
    roll_off, pull = scene.theta[which, 2], gradient[:, 2]
    held = ((roll_off <= LEAST_ROLL_OFF) & (pull <= 0.0)) | ((roll_off >= MOST_ROLL_OFF) & (pull >= 0.0))
    if frozen is not None:
        held |= frozen[which]
    matrix[held, 2, :] = matrix[held, :, 2] = gradient[held, 2] = 0.0
    matrix[held, 2, 2] = 1.0


def _solved(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Return the solutions of symmetric systems (n, q, q) for (n, q, r), slightly stiffened: two may do the same."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(matrix, axis1=1, axis2=2), 1e-12))
    scaled = matrix * scale[:, None] * scale[:, :, None]
    every = np.arange(scale.shape[1])
    scaled[:, every, every] = 1.0 + 1e-7
    return np.asarray(scale[:, :, None] * np.linalg.solve(scaled, scale[:, :, None] * right))


def best_orders(trace: Trace, scene: Scene, at: Evaluation, which: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return how many terms the evidence asks for, for some carriers, shape (n,).

    The likelihood is taken as quadratic around the scene, whose carriers may have a response already.
    """
    compiled = loops()
    if compiled is not None:
        return np.asarray(compiled.orders_asked(_here(trace, scene, at), which))
    orders = np.zeros(which.size, dtype=np.intp)
    seen = np.diff(at.start)[which] > 0
    if not seen.any():
        return orders
    which = which[seen]
    matrix, gradient = _systems(trace, scene, at, which)
    _hold(scene, which, matrix, gradient)
    taken = _solved(matrix[:, :4, :4], np.concatenate((matrix[:, :4, 4:], gradient[:, :4, None]), axis=2))
    schur = matrix[:, 4:, 4:] - matrix[:, 4:, :4] @ taken[:, :, :-1]
    score = gradient[:, 4:, None] - matrix[:, 4:, :4] @ taken[:, :, -1:] + schur @ scene.theta[which, 4:, None]
    factor = np.linalg.cholesky(0.5 * (schur + np.swapaxes(schur, 1, 2)))  # nested: its first n rows serve n terms
    white = np.linalg.solve(factor, score)[:, :, 0]
    determinant = np.log(np.diagonal(factor, axis1=1, axis2=2)) - 0.5 * np.log(BEND_PRECISION)
    worth = np.cumsum(0.5 * white**2 - determinant, axis=1) - _PRICE
    orders[seen] = np.where(worth.max(axis=1) > 0.0, np.argmax(worth, axis=1) + 1, 0)
    return orders


def with_orders(theta: FloatArray, which: NDArray[np.intp], orders: NDArray[np.intp]) -> FloatArray:
    """Return carriers of which some have responses of so many terms; new terms are hardly more than nought."""
    theta = theta.copy()
    used = np.arange(BENDS) < orders[:, None]
    terms = theta[which, 4:]
    theta[which, 4:] = np.where(used, np.where(terms == 0.0, _TINY, terms), 0.0)
    return theta


def shows_shape(trace: Trace, scene: Scene, shared: float) -> NDArray[np.bool_]:
    """Say which carriers show enough of themselves for their shape to be judged.

    They lie whole within the span, are wider than the filter, and hold enough points; `shared` points say what one
    independent point would.
    """
    left, right, roll_off = scene.theta[:, :3].T
    width = right - left
    half = 0.5 * roll_off * width
    whole = (left - half > trace.x[0]) & (right + half < trace.x[-1])
    enough = (width > _LEAST_POINTS * max(shared, 1.0)) & (width > _LEAST_RBW * trace.sigma / SIGMA_PER_RBW)
    return np.asarray((scene.kind == RC) & whole & enough)


def bend_round(
    trace: Trace, scene: Scene, at: Evaluation, frozen: NDArray[np.bool_] | None = None
) -> tuple[Scene, Evaluation, float]:
    """Return the scene after one step of every response with its carrier's own parameters, and the gain."""
    theta, orders = scene.theta, order_of(scene.theta)
    which = np.flatnonzero((orders > 0) & (np.diff(at.start) > 0))
    if which.size == 0:
        return scene, at, 0.0
    matrix, gradient = _systems(trace, scene, at, which)
    _hold(scene, which, matrix, gradient, frozen)
    unused = 4 + np.arange(BENDS) >= 4 + orders[which, None]
    some, term = np.nonzero(unused)
    matrix[some, 4 + term, :] = matrix[some, :, 4 + term] = gradient[some, 4 + term] = 0.0
    matrix[some, 4 + term, 4 + term] = 1.0
    step = np.zeros_like(theta)
    step[which] = _solved(matrix, gradient[:, :, None])[:, :, 0]
    step[:, 3:] = np.minimum(np.maximum(step[:, 3:], -_FAR), _FAR)  # where little is known a step may be any size
    for share in (1.0, 0.3, 0.1):
        moved = theta + share * step
        moved[:, 2] = np.minimum(np.maximum(moved[:, 2], LEAST_ROLL_OFF), MOST_ROLL_OFF)
        if np.all(moved[:, 1] - moved[:, 0] > 0.5 * (theta[:, 1] - theta[:, 0])):
            trial = replace(scene, theta=np.where(step != 0.0, moved, theta))
            there = evaluate(trace, trial, at)
            gain = float(at.weight @ (at.deviance - there.deviance)) + at.bent - there.bent
            if gain > 0.0:
                return trial, there, gain
    return scene, at, 0.0


def grown_by_bends(trace: Trace, scene: Scene, at: Evaluation, covariance: FloatArray) -> FloatArray:
    """Return the covariance of the carriers' parameters when responses are not known but fitted.

    What a response adds is the block inverse of its information and that of its carrier's own parameters, floor and
    neighbours held (they know little of it).
    """
    covariance = covariance.copy()
    orders = order_of(scene.theta)
    for k in np.flatnonzero((orders > 0) & (np.diff(at.start) > 0)):
        matrix = _systems(trace, scene, at, np.array([k]))[0]
        free = np.flatnonzero(np.diag(covariance)[4 * k : 4 * k + 4] > 0.0)
        terms = slice(4, 4 + int(orders[k]))
        taken = _solved(matrix[:, free[:, None], free], matrix[:, free, terms])
        left = matrix[:, terms, terms] - matrix[:, terms, free] @ taken
        grown = taken @ _solved(0.5 * (left + np.swapaxes(left, 1, 2)), np.swapaxes(taken, 1, 2))
        covariance[np.ix_(4 * k + free, 4 * k + free)] += grown[0]
    return covariance
