"""Is a fitted carrier a raised cosine? A test of its residuals against smooth departures of shape.

The departures are twelve: six multiplicative ones that a transponder's response makes (Legendre polynomials over the
carrier's 3 dB width), and three local ones at each edge, which no response makes but another pulse shape does. What
the fit could take up itself (its four parameters, and the width of the filter) is taken out by a Schur complement, so
the statistic is the efficient score (Rao 1948, from memory), chi-square of as many degrees as departures were left.
Points of few readings have heavy tails: the law is matched to the statistic's own mean and variance (Satterthwaite
1946, from memory; variance of a quadratic form of variates with excess kurtosis, derived).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spectra.measure.engine import Solution
from spectra.measure.model import bends
from spectra.measure.response import order_of, shows_shape, swing_db
from spectra.measure.scene import BENDS
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["FALSE_ALARM", "ShapeVerdict", "shape_verdict", "shape_verdicts"]

FALSE_ALARM = 0.001
"""Of one clean raised cosine being called `other` (half to each of the two tests)."""

_HATS = (-1.0, 0.0, 1.0)
_OWN = 5  # directions that the fit of a carrier without a response takes up
_DIAGONAL = np.arange(_OWN + BENDS + 2 * len(_HATS))
_LEAST_INFORMATION = 0.02  # of a departure's own, that the fit cannot take up
_RESPONSE_DB = 1.0  # peak to peak over the carrier, that a transponder's response may have (common practice, no source)
_MOST_ROLL_OFF = 0.45  # standards end at 0.35, older modems at 0.40 (common practice)
_U = np.linspace(-0.9, 0.9, 19)
_RESPONSE = bends(_U)
_MOST_RESPONSE_DB = 4.0  # peak to peak, of a response that was fitted (common practice, no source)


@dataclass(frozen=True, slots=True)
class ShapeVerdict:
    """What the residuals of one carrier say.

    Attributes
    ----------
    probability : float
        Of residuals so far from nought if the carrier is a raised cosine.
    per_degree : float
        Chi-square per degree of freedom.
    response_db : float
        Peak-to-peak of the transponder's response that would explain them, less twice its standard uncertainty.
    misfit : bool
        The raised cosine is rejected.
    other : bool
        And no mild response of a transponder explains it.
    gain : float
        In ln(likelihood), if the departures were fitted.
    """

    probability: float
    per_degree: float
    response_db: float
    misfit: bool
    other: bool
    gain: float = 0.0

    @property
    def inflation(self) -> float:
        """By how much the variances of a carrier that stays a raised cosine are to be raised."""
        return max(1.0, self.per_degree) if self.misfit else 1.0


_FINE = ShapeVerdict(1.0, 1.0, 0.0, False, False)


def _departures(solution: Solution) -> FloatArray:
    """Return the fit's own directions, then the departures, each as change of ln(mean power), of every pair."""
    at, pairs = solution.at, solution.at.pairs
    left, right, roll_off = at.scene.theta[:, :3].T  # where the residuals are those of, not the means of the edges
    width, shown = right - left, np.flatnonzero(np.diff(at.start))
    reach = np.maximum(np.maximum(0.5 * roll_off * width, 1.5 * solution.trace.sigma), np.maximum(1.0, 0.04 * width))
    plateau = np.zeros(width.size)
    plateau[shown] = np.maximum(np.maximum.reduceat(at.jacobian[3], at.start[:-1][shown]), 0.0)
    x, owner = solution.trace.x[at.index], pairs.owner
    turn = at.jacobian[2] / np.maximum(0.5 * width, 1e-9)[owner]
    from_left, from_right, half = x - left[owner], x - right[owner], (0.5 * roll_off)[owner]
    rows = np.empty((_OWN + BENDS + 2 * len(_HATS), x.size))
    rows[:4] = at.jacobian
    low, high = -rows[0] - half * turn, rows[1] - half * turn  # slopes of the two edges
    rows[4] = from_right * high - from_left * low - half * width[owner] * turn
    rows[_OWN : _OWN + BENDS] = bends((from_left + from_right) / np.maximum(width, 1e-9)[owner])
    rows[_OWN : _OWN + BENDS] *= rows[3]
    every = rows[_OWN + BENDS :].reshape(2, len(_HATS), -1)
    per_reach, plateau = (1.0 / reach)[owner], plateau[owner]
    for some, outward in zip(every, (-from_left * per_reach, from_right * per_reach), strict=True):
        for row, hat in zip(some, _HATS, strict=True):
            row[:] = np.maximum(1.0 - np.abs(outward - hat), 0.0) * plateau
    return rows


def _score(
    information: FloatArray, score: FloatArray, taken_up: int, use: slice
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.intp]]:
    """Return the whitened scores of some departures, the whitening, and the matrix that takes out the fit's own.

    Of many carriers at once, along the first axis. Directions that the fit can take up are whitened to nought; how many
    are left comes last.
    """
    own = slice(0, taken_up)
    taken = np.linalg.solve(information[:, own, own], information[:, own, use])
    left = information[:, use, use] - information[:, use, own] @ taken
    value, vector = np.linalg.eigh(0.5 * (left + left.transpose(0, 2, 1)))
    kept = value > _LEAST_INFORMATION
    whiten = vector * np.where(kept, 1.0 / np.sqrt(np.where(kept, value, 1.0)), 0.0)[:, None, :]
    rest = score[:, use] - np.einsum("koa,ko->ka", taken, score[:, own])
    found = np.asarray(np.einsum("kab,ka->kb", whiten, rest))
    return found, np.asarray(whiten), np.asarray(taken), np.count_nonzero(kept, axis=1)


def _tail(statistic: float, degrees: int, extra: float) -> float:
    """Return the upper tail of a quadratic form of mean `degrees` and variance 2 `degrees` + `extra`."""
    scale = (2.0 * degrees + max(extra, 0.0)) / (2.0 * degrees)
    return float(special.chdtrc(degrees / scale, max(statistic, 0.0) / scale))


def shape_verdict(solution: Solution, k: int) -> ShapeVerdict:
    """Return what the residuals of carrier `k` of the scene say."""
    scene = replace(solution.scene, kind=solution.scene.kind[k : k + 1], theta=solution.scene.theta[k : k + 1])
    shared = max(solution.law.correlated_points, 1.0)
    return _verdict(solution, k, _departures(solution)) if shows_shape(solution.trace, scene, shared)[0] else _FINE


def _systems(
    solution: Solution, which: NDArray[np.intp], departures: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return information and score of all directions, each direction's own information 1, and what brings it there."""
    at = solution.at
    usable = at.weight * (at.total < 1.05 * at.noise)  # not where a CW stands
    q = len(departures)
    information, score = np.empty((which.size, q, q)), np.empty((which.size, q))
    for j, k in enumerate(which):
        rows = departures[:, at.start[k] : at.start[k + 1]]
        points = slice(int(at.first[k]), int(at.last[k]))
        weighted = rows * usable[points]
        information[j], score[j] = weighted @ rows.T, weighted @ at.misfit[points]
    scale = 1.0 / np.sqrt(np.maximum(information[:, _DIAGONAL, _DIAGONAL], 1e-12))
    information *= scale[:, :, None] * scale[:, None, :]
    information[:, _DIAGONAL, _DIAGONAL] += 1e-9
    return information, score * scale, scale


def _suspects(solution: Solution, judged: NDArray[np.intp], departures: FloatArray) -> NDArray[np.intp]:
    """Return those of some carriers whose residuals would be unlikely, were the points' law a normal one.

    Heavy tails only make such residuals likelier, so that no other carrier need be looked at closely.
    """
    information, score, _ = _systems(solution, judged, departures)
    order = order_of(solution.scene.theta[judged])
    odd = np.zeros(judged.size, dtype=bool)
    for each in np.unique(order):
        some = np.flatnonzero(order == each)
        found, _, _, degrees = _score(information[some], score[some], _OWN + int(each), slice(_OWN + int(each), None))
        total = (found * found).sum(axis=1)
        odd[some] = (total > degrees) & (special.chdtrc(np.maximum(degrees, 1), total) < 0.5 * FALSE_ALARM)
    return judged[odd]


def _verdict(solution: Solution, k: int, departures: FloatArray) -> ShapeVerdict:
    at, law = solution.at, solution.law
    scene, shared = solution.scene, max(law.correlated_points, 1.0)
    pairs = slice(int(at.start[k]), int(at.start[k + 1]))
    index = slice(int(at.first[k]), int(at.last[k]))
    information, score, scale = _systems(solution, np.array([k]), departures)
    rows = departures[:, pairs] * scale[0][:, None]
    order = int(order_of(scene.theta[k : k + 1])[0])
    taken_up = _OWN + order
    every, response = slice(taken_up, len(rows)), slice(taken_up, _OWN + BENDS)
    found, whiten, taken, left = _score(information, score, taken_up, every)
    total, degrees = float((found * found).sum()), int(left[0])
    if degrees == 0:
        return _FINE
    if total < degrees:  # most are fine: no need to go on
        return ShapeVerdict(0.5, total / degrees, 0.0, False, False, 0.5 * total)
    weight = at.weight[index] * (at.total[index] < 1.05 * at.noise[index])
    shown = whiten[0].T @ (rows[every] - taken[0].T @ rows[:taken_up])
    leverage = (shown * shown).sum(axis=0) * weight
    kurtosis = 6.0 / law.law.shape * shared * float(leverage @ leverage)
    relative = 0.0 if law.readings_std is None else law.readings_std / max(law.law.readings, 1.0)
    extra = kurtosis + (relative * degrees) ** 2
    probability = _tail(total, degrees, extra)
    if probability > 0.5 * FALSE_ALARM:
        return ShapeVerdict(probability, total / degrees, 0.0, False, False, 0.5 * total)
    mild, mild_whiten, _, mild_degrees = _score(information, score, taken_up, response)
    edges = max(degrees - int(mild_degrees[0]), 1)
    strange = _tail(total - float((mild * mild).sum()), edges, extra * edges / degrees) < 0.5 * FALSE_ALARM
    swing = _swing(mild[0], mild_whiten[0], rows[response], _RESPONSE[order:], at.jacobian[3, pairs])
    other = bool(strange or swing > _RESPONSE_DB)
    return ShapeVerdict(probability, total / degrees, swing, True, other, 0.5 * total)


def _swing(mild: FloatArray, whiten: FloatArray, rows: FloatArray, response: FloatArray, share: FloatArray) -> float:
    """Return the peak-to-peak response in dB that the residuals ask for, less twice its uncertainty."""
    size = np.abs(rows).max(axis=1) / max(float(share.max()), 1e-12)
    turn = (whiten * size[:, None]).T @ response  # (kept, points of _U)
    curve = mild @ turn
    high, low = int(np.argmax(curve)), int(np.argmin(curve))
    std = float(np.linalg.norm(turn[:, high] - turn[:, low]))
    return DB_PER_NEPER * (float(curve[high] - curve[low]) - 2.0 * std)


def _rounder_than_any(solution: Solution, inflation: FloatArray) -> NDArray[np.bool_]:
    """Say which carriers have a roll-off that no standard has, beyond doubt."""
    scene = solution.scene
    left, right, roll_off = scene.theta[:, :3].T
    index = 4 * np.arange(scene.count) + 2
    std = np.sqrt(np.maximum(np.diag(solution.covariance)[index], 0.0) * inflation)
    least = float(special.ndtri(1.0 - 0.5 * FALSE_ALARM))
    beyond = (std > 0.0) & (roll_off - least * std > _MOST_ROLL_OFF)
    clouds = solution.clouds  # of these, what the trace alone says
    even = replace(clouds, weight=clouds.even)
    mean, spread = even.spread(clouds.theta[:, :, 2])
    beyond[clouds.which] = mean - least * spread > _MOST_ROLL_OFF
    seen = 0.5 * roll_off * (right - left) > 1.5 * solution.trace.sigma
    judged = shows_shape(solution.trace, scene, solution.law.correlated_points)
    return np.asarray(beyond & seen & judged)


def shape_verdicts(solution: Solution) -> list[ShapeVerdict]:
    """Return a verdict for each carrier of the scene.

    A raised cosine is called `other` at most `FALSE_ALARM` of the time. Carriers that the sweep does not resolve, or
    that are cut by the span, are not judged.
    """
    scene = solution.scene
    judged = shows_shape(solution.trace, scene, max(solution.law.correlated_points, 1.0))
    verdicts = [_FINE] * scene.count
    if judged.any():
        departures = _departures(solution)
        for k in _suspects(solution, np.flatnonzero(judged), departures):
            verdicts[k] = _verdict(solution, int(k), departures)
    round_ones = _rounder_than_any(solution, np.array([v.inflation for v in verdicts]))
    for k in np.flatnonzero(scene.theta[:, 4:].any(axis=1)):
        round_ones[k] |= swing_db(scene.theta[k]) > _MOST_RESPONSE_DB
    return [
        replace(v, probability=min(v.probability, FALSE_ALARM), misfit=True, other=True) if odd else v
        for v, odd in zip(verdicts, round_ones, strict=True)
    ]
