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
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the whitened score of some departures, the whitening, and the matrix that takes out the fit's own."""
    own = slice(0, taken_up)
    taken = np.linalg.solve(information[own, own], information[own, use])
    left = information[use, use] - information[use, own] @ taken
    value, vector = np.linalg.eigh(0.5 * (left + left.T))
    kept = value > _LEAST_INFORMATION
    whiten = vector[:, kept] / np.sqrt(value[kept])
    return np.asarray(whiten.T @ (score[use] - taken.T @ score[own])), np.asarray(whiten), np.asarray(taken)


def _tail(statistic: float, degrees: int, extra: float) -> float:
    """Return the upper tail of a quadratic form of mean `degrees` and variance 2 `degrees` + `extra`."""
    scale = (2.0 * degrees + max(extra, 0.0)) / (2.0 * degrees)
    return float(special.chdtrc(degrees / scale, max(statistic, 0.0) / scale))


def shape_verdict(solution: Solution, k: int) -> ShapeVerdict:
    """Return what the residuals of carrier `k` of the scene say."""
    scene = replace(solution.scene, kind=solution.scene.kind[k : k + 1], theta=solution.scene.theta[k : k + 1])
    shared = max(solution.law.correlated_points, 1.0)
    return _verdict(solution, k, _departures(solution)) if shows_shape(solution.trace, scene, shared)[0] else _FINE


def _verdict(solution: Solution, k: int, departures: FloatArray) -> ShapeVerdict:
    at, law = solution.at, solution.law
    scene, shared = solution.scene, max(law.correlated_points, 1.0)
    pairs = slice(int(at.start[k]), int(at.start[k + 1]))
    index = slice(int(at.first[k]), int(at.last[k]))
    weight = at.weight[index] * (at.total[index] < 1.05 * at.noise[index])  # not where a CW stands
    rows = departures[:, pairs]
    rows = rows / np.sqrt(np.maximum((rows * rows) @ weight, 1e-12))[:, None]
    information = (rows * weight) @ rows.T
    information[_DIAGONAL, _DIAGONAL] += 1e-9
    score = rows @ (weight * at.misfit[index])
    order = int(order_of(scene.theta[k : k + 1])[0])
    taken_up = _OWN + order
    every, response = slice(taken_up, len(rows)), slice(taken_up, _OWN + BENDS)
    found, whiten, taken = _score(information, score, taken_up, every)
    total, degrees = float(found @ found), found.size
    if degrees == 0:
        return _FINE
    if total < degrees:  # most are fine: no need to go on
        return ShapeVerdict(0.5, total / degrees, 0.0, False, False, 0.5 * total)
    shown = whiten.T @ (rows[every] - taken.T @ rows[:taken_up])
    leverage = (shown * shown).sum(axis=0) * weight
    kurtosis = 6.0 / law.law.shape * shared * float(leverage @ leverage)
    relative = 0.0 if law.readings_std is None else law.readings_std / max(law.law.readings, 1.0)
    extra = kurtosis + (relative * degrees) ** 2
    probability = _tail(total, degrees, extra)
    if probability > 0.5 * FALSE_ALARM:
        return ShapeVerdict(probability, total / degrees, 0.0, False, False, 0.5 * total)
    mild, mild_whiten, _ = _score(information, score, taken_up, response)
    edges = max(degrees - mild.size, 1)
    strange = _tail(total - float(mild @ mild), edges, extra * edges / degrees) < 0.5 * FALSE_ALARM
    return ShapeVerdict(
        probability,
        total / degrees,
        swing := _swing(mild, mild_whiten, rows[response], _RESPONSE[order:], at.jacobian[3, pairs]),
        True,
        bool(strange or swing > _RESPONSE_DB),
        0.5 * total,
    )


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
    for k, profile in solution.profiles.items():
        below = float(profile.weight[profile.roll_off <= _MOST_ROLL_OFF].sum())
        beyond[k] = below < 0.5 * FALSE_ALARM
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
    departures = _departures(solution) if judged.any() else np.empty((0, 0))
    verdicts = [_verdict(solution, k, departures) if judged[k] else _FINE for k in range(scene.count)]
    round_ones = _rounder_than_any(solution, np.array([v.inflation for v in verdicts]))
    bent = np.flatnonzero(scene.theta[:, 4:].any(axis=1))
    round_ones[bent] |= np.array([swing_db(scene.theta[k]) > _MOST_RESPONSE_DB for k in bent], dtype=bool)
    return [
        replace(v, probability=min(v.probability, FALSE_ALARM), misfit=True, other=True) if odd else v
        for v, odd in zip(verdicts, round_ones, strict=True)
    ]
