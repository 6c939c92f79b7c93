"""Where the likelihood of a carrier is asked: roll-offs one beside the other, and a rule about a path at each.

The likelihood over the roll-off is anything but normal, over edges and level at a given roll-off it nearly is. So
roll-offs lie evenly over the range that is in question, and at each of them edges and level take the places of a rule
for a normal law (A. H. Stroud, Approximate Calculation of Multiple Integrals, 1971, from memory) about a path, a
parabola in the roll-off; a place weighs what the likelihood there is worth over that law. First the path follows from
the joint information, then from what the first places have said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.cloud import ln_prior, normalised
from spectra.measure.likelihood import Asked, losses
from spectra.measure.scene import MOST_ROLL_OFF
from spectra.units import FloatArray

__all__ = ["SLOPE", "weighted_places"]

SLOPE = 0.36 * 0.5
"""Standard deviation of a cosine's slope over roll-off times width (derived)."""

_FIRST, _THEN = 3, 8  # roll-offs that are asked about
_LEAST_RANGE = 1e-3  # of roll-offs, however sharply they are known
_SPAN = 3.3  # deviations of a roll-off to either side
_LEAST, _MOST = 0.02, 0.55  # a roll-off in the middle of them
_SMOOTH, _SHARP = 0.35, 0.38  # which of the rules, see `_rule`: the places of sharp steps have long tails
_STEPS = 0.1  # points squared: an edge is no better known than the points lie
_STIFF = 0.03  # weight of the path foretold beside the one found, and
_KEPT = 0.3  # of the scatter about it
_FEW, _AGAIN, _MILDER = 9.0, 4, 0.4  # places that count, below which others are laid, after weights to this power
_REST = (0, 1, 3)  # edges and level


def _rule(u: float) -> tuple[FloatArray, FloatArray]:
    """Return places (15, 3) and weights of a rule of degree 5: centre, axes and a cube's corners.

    With u + u + v = 1 axes at 1/sqrt(u) weigh u^2 and corners (1, 1, 1)/sqrt(v) v^2/8 each (derived: the moments of a
    normal law up to the fifth). The greater u, the farther the corners.
    """
    v = 1.0 - 2.0 * u
    corners = np.array([[a, b, c] for a in (-1.0, 1.0) for b in (-1.0, 1.0) for c in (-1.0, 1.0)])
    axes = np.concatenate((np.eye(3), -np.eye(3)))
    places = np.concatenate((np.zeros((1, 3)), axes / math.sqrt(u), corners / math.sqrt(v)))
    return places, np.r_[1.0 - 6.0 * u * u - v * v, np.full(6, u * u), np.full(8, 0.125 * v * v)]


_RULES = [_rule(u) for u in (_SMOOTH, _SHARP)]
_LN_OVER = np.array([np.log(share) + 0.5 * (at**2).sum(axis=1) for at, share in _RULES])  # over the normal law
_TURNS = np.linalg.qr(np.random.default_rng(5).normal(size=(_THEN, 3, 3)))[0]
_TURNED = np.array([at @ _TURNS for at, _ in _RULES])  # otherwise at each roll-off


@dataclass(frozen=True, slots=True)
class _Path:
    """Where edges and level lie at a given roll-off, all as differences from the scene, each an array over carriers.

    Attributes
    ----------
    low, middle, high : ndarray, shape (k,)
        The roll-offs asked about, and where `bend` and `root` are taken.
    bend : ndarray, shape (k, 3, 3)
        Powers of the distance from the middle, for each of the three.
    root : ndarray, shape (k, 3, 3)
        Root of their covariance at a given roll-off.
    """

    low: FloatArray
    middle: FloatArray
    high: FloatArray
    bend: FloatArray
    root: FloatArray

    def some(self, rows: NDArray[np.intp]) -> _Path:
        """Return the paths of some of these carriers."""
        return _Path(self.low[rows], self.middle[rows], self.high[rows], self.bend[rows], self.root[rows])

    def at(self, roll_off: FloatArray) -> FloatArray:
        """Return edges and level at roll-offs (k, l), shape (k, l, 3)."""
        off = (roll_off - self.middle[:, None])[:, :, None]
        return np.asarray(self.bend[:, None, 0] + off * (self.bend[:, None, 1] + off * self.bend[:, None, 2]))


def weighted_places(asked: Asked, begin: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return parameters at the places of each carrier, shape (k, s, 4), and ln of what each place weighs, (k, s).

    `begin` (k, 4) and `spread` (k, 4, 4) are mean and covariance that are foretold, of differences from the scene.
    """
    path = _foretold(asked, begin, spread)
    path = _found(asked, path, *_laid(asked, path, _FIRST))
    moved, ln_weight = _laid(asked, path, _THEN)
    for _ in range(_AGAIN):
        few = np.flatnonzero(_effective(ln_weight) < _FEW)
        if not few.size:
            break
        some = asked.some(few)
        moved[few], ln_weight[few] = _laid(some, _found(some, path.some(few), moved[few], ln_weight[few]), _THEN)
    k = asked.which.size
    return asked.theta[:, None] + moved.reshape(k, -1, 4), ln_weight.reshape(k, -1)


def _effective(ln_weight: FloatArray) -> FloatArray:
    """Return how many places of a rule are worth anything, shape (k,)."""
    weight = normalised(ln_weight.reshape(len(ln_weight), -1))
    return np.asarray(1.0 / (weight**2).sum(axis=1))


def _range(asked: Asked, middle: FloatArray, std: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the least and the greatest difference of roll-off to ask about."""
    own = asked.theta[:, 2]
    low, high = np.maximum(middle - _SPAN * std, -own), np.minimum(middle + _SPAN * std, MOST_ROLL_OFF - own)
    return np.minimum(low, high - _LEAST_RANGE), high


def _foretold(asked: Asked, begin: FloatArray, spread: FloatArray) -> _Path:
    """Return the straight path of a normal law."""
    own, rest = asked.theta[:, 2], list(_REST)
    middle = np.clip(begin[:, 2], _LEAST - own, _MOST - own)
    slope = spread[:, rest, 2] / spread[:, 2, 2, None]
    bend = np.zeros((own.size, 3, 3))
    bend[:, 0] = begin[:, rest] + slope * (middle - begin[:, 2])[:, None]
    bend[:, 1] = slope
    left = spread[:, rest][:, :, rest] - slope[:, :, None] * spread[:, None, rest, 2]
    low, high = _range(asked, middle, np.sqrt(spread[:, 2, 2]))
    return _Path(low, middle, high, bend, _root(left))


def _root(covariance: FloatArray) -> FloatArray:
    """Return roots of covariances (k, 3, 3)."""
    value, vector = np.linalg.eigh(covariance)
    return np.asarray(vector * np.sqrt(np.maximum(value, 1e-12 * value[:, -1:] + 1e-300))[:, None])


def _growth(asked: Asked, path: _Path, roll_off: FloatArray) -> FloatArray:
    """Return by how much edges scatter more at roll-offs (k, l) than in the middle, shape (k, l, 3).

    As the root of the length of the edge: so does the bound of its place (derived).
    """
    own, width = asked.theta[:, 2], (asked.theta[:, 1] - asked.theta[:, 0])[:, None]

    def square(change: FloatArray) -> FloatArray:
        cosine = SLOPE * np.maximum(own[:, None] + change, 0.0) * width
        return np.asarray(cosine**2 + asked.trace.sigma**2 + _STEPS)

    edges = (square(roll_off) / square(path.middle[:, None])) ** 0.25
    return np.stack((edges, edges, np.ones_like(edges)), axis=2)


def _laid(asked: Asked, path: _Path, count: int) -> tuple[FloatArray, FloatArray]:
    """Return places at `count` roll-offs (k, count, 15, 4), and ln of what each weighs."""
    step = (path.high - path.low) / count
    roll_off = path.low[:, None] + step[:, None] * (np.arange(count) + 0.5)
    growth = _growth(asked, path, roll_off)
    sharp = asked.sharp.astype(np.intp)
    scatter = _TURNED[sharp, :count] @ np.swapaxes(path.root, 1, 2)[:, None]
    moved = np.empty((*roll_off.shape, scatter.shape[2], 4))
    moved[..., _REST] = path.at(roll_off)[:, :, None] + growth[:, :, None] * scatter
    moved[..., 2] = roll_off[:, :, None]
    loss = losses(asked, moved.reshape(len(moved), -1, 4)).reshape(moved.shape[:3])
    of_level = np.log(growth).sum(axis=2) + ln_prior(asked.theta[:, 2, None] + roll_off)
    return moved, of_level[:, :, None] + _LN_OVER[sharp, None] - loss


def _found(asked: Asked, path: _Path, moved: FloatArray, ln_weight: FloatArray) -> _Path:
    """Return the path that some places tell, beside what was foretold of it."""
    k = len(moved)
    milder = np.where(_effective(ln_weight) < _FEW, _MILDER, 1.0)[:, None, None]
    weight = normalised((milder * ln_weight).reshape(k, -1)).reshape(ln_weight.shape)
    roll_off, mass = moved[:, :, 0, 2], weight.sum(axis=2)
    middle = (mass * roll_off).sum(axis=1)
    step = (path.high - path.low) / roll_off.shape[1]
    std = np.sqrt((mass * (roll_off - middle[:, None]) ** 2).sum(axis=1) + step**2 / 12.0)
    rest = moved[..., _REST]
    mean = (weight[..., None] * rest).sum(axis=2) / np.maximum(mass, 1e-12)[..., None]
    t = (roll_off - middle[:, None]) / std[:, None]
    powers = np.stack((np.ones_like(t), t, t * t), axis=2)
    weighted = np.swapaxes(powers * mass[:, :, None], 1, 2)
    change = np.linalg.solve(weighted @ powers + _STIFF * np.eye(3), weighted @ (mean - path.at(roll_off)))
    change /= np.stack((np.ones(k), std, std**2), axis=1)[:, :, None]
    off = (middle - path.middle)[:, None]
    one, two, three = np.moveaxis(path.bend, 1, 0)
    bend = change + np.stack((one + off * (two + off * three), two + 2.0 * off * three, three), axis=1)
    low, high = _range(asked, middle, std)
    fresh = _Path(low, middle, high, bend, path.root)
    about = (rest - fresh.at(roll_off)[:, :, None]) / _growth(asked, fresh, roll_off)[:, :, None]
    scatter = np.swapaxes((about * weight[..., None]).reshape(k, -1, 3), 1, 2) @ about.reshape(k, -1, 3)
    before = path.root @ np.swapaxes(path.root, 1, 2)
    return replace(fresh, root=_root((scatter + _KEPT * before) / (1.0 + _KEPT)))
