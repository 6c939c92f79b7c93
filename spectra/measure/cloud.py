"""What the likelihood says of a carrier's four parameters where curvature misleads: weighted places, by importance.

The information about a roll-off vanishes where the roll-off does, edges on few points are change points, and symbol
rate and occupied bandwidth lean on both. For carriers whose roll-off is not well inside its range the likelihood itself
is asked at places about the fit (importance sampling: Kloek and van Dijk 1978, from memory), twice, the second time
about the mean and with the spread that the first has found. Floor and neighbours follow each place as the joint
information foretells it. Roll-offs in use are as likely as any other of them beforehand, those beyond less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spectra.measure.compiled import loops
from spectra.measure.fit import fit, turned
from spectra.measure.information import Information, information
from spectra.measure.model import Evaluation, bends, to_loops
from spectra.measure.response import grown_by_bends
from spectra.measure.sandwich import narrowed
from spectra.measure.scene import MOST_ROLL_OFF, RC, Scene, Trace
from spectra.signal.blurred import edge
from spectra.units import FloatArray

__all__ = ["Clouds", "Settled", "settled"]

# Standards have roll-offs of 0.05 to 0.35, older modems 0.40 (common practice): beyond is less likely, by e in so much.
_USUAL, _BELOW, _BEYOND = (0.05, 0.35), 0.02, 0.05
_WELL_KNOWN, _INSIDE = 0.02, 3.0  # a roll-off's deviation, and how many of them it lies inside its range
_LEAST_SEEN, _SEEN = 0.04, (0.12, 0.45)  # below the first, or held at its range's end, a roll-off is asked from there
_ROUNDS = 2
_ROLL_OFF, _ROLL_OFF_STD = 0.2, 0.12  # that a place is sought with
_LEVELS, _FIRST_LEVELS = 7, 4  # roll-offs that are asked about
_SPAN = 3.3  # deviations of a roll-off to either side
_REACH_STD, _REACH_SIGMA, _REACH_POINTS = 3.5, 4.5, 1.0  # of the points about an edge that are asked
_FAR = 3.0  # nepers that floor and neighbours may follow
_MOST_SKEW = 1.0
_SMOOTH = 0.3  # of a deviation, over which a density is smoothed
_EDGE = 0.36 * 0.5  # of roll-off times width: the deviation of a cosine's slope
_NEAR = 0.35
_KEPT = 0.3  # weight of what was foretold beside what was found


def _normalised(ln_weight: FloatArray) -> FloatArray:
    weight = np.exp(ln_weight - ln_weight.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _first_rule() -> tuple[FloatArray, FloatArray]:
    """Return places (8, 3) and weights of a rule of degree 3 for a normal law: a cube's corners."""
    corners = np.array([[a, b, c] for a in (-1.0, 1.0) for b in (-1.0, 1.0) for c in (-1.0, 1.0)])
    return corners, np.full(8, 0.125)


def _rule() -> tuple[FloatArray, FloatArray]:
    """Return places (15, 3) and weights of a rule of degree 5: centre, axes and a cube's corners.

    Of the rules 1 = 2 u + v, axes at 1/sqrt(u) weigh u^2 and corners at (1, 1, 1)/sqrt(v) v^2/8 each (derived: moments
    of a normal law up to the fifth), the one of u = 1/4, whose places are the nearest.
    """
    corners, _ = _first_rule()
    axes = np.concatenate((np.eye(3), -np.eye(3)))
    u = _NEAR
    v = 1.0 - 2.0 * u
    places = np.concatenate((np.zeros((1, 3)), axes / math.sqrt(u), corners / math.sqrt(v)))
    return places, np.r_[1.0 - 6.0 * u * u - v * v, np.full(6, u * u), np.full(8, 0.125 * v * v)]


def _turns(count: int) -> FloatArray:
    """Return rotations that have nothing in common, shape (count, 3, 3)."""
    return np.linalg.qr(np.random.default_rng(5).normal(size=(count, 3, 3)))[0]


_TURNS = _turns(_LEVELS)
_FULL = True


def ln_prior(roll_off: FloatArray) -> FloatArray:
    """Return ln of how likely roll-offs are beforehand, up to a constant; minus infinity beyond the range."""
    inside = np.minimum((roll_off - _USUAL[0]) / _BELOW, 0.0) + np.minimum((_USUAL[1] - roll_off) / _BEYOND, 0.0)
    return np.where((roll_off > 0.0) & (roll_off < MOST_ROLL_OFF), inside, -np.inf)


@dataclass(frozen=True, slots=True)
class Clouds:
    """Weighted places in the parameters of some carriers.

    Attributes
    ----------
    which : ndarray of int, shape (k,)
        The carriers, by their rising index in the scene.
    theta : ndarray, shape (k, s, 4)
        Both edges (points), roll-off and ln(plateau power) at each place.
    weight, even : ndarray, shape (k, s)
        Of each place, normalised; `even` is without what roll-offs were worth beforehand.
    """

    which: NDArray[np.intp]
    theta: FloatArray
    weight: FloatArray
    even: FloatArray

    @classmethod
    def none(cls) -> Clouds:
        """Return clouds of no carrier."""
        return cls(np.empty(0, dtype=np.intp), np.empty((0, 1, 4)), np.empty((0, 1)), np.empty((0, 1)))

    @property
    def mean(self) -> FloatArray:
        """Mean parameters, shape (k, 4)."""
        return np.asarray((self.weight[:, None] @ self.theta)[:, 0])

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the parameters, shape (k, 4, 4)."""
        off = self.theta - self.mean[:, None]
        return np.asarray(np.swapaxes(off * self.weight[:, :, None], 1, 2) @ off)

    def of(self, which: NDArray[np.intp], inflation: FloatArray) -> Clouds:
        """Return the clouds of those of some carriers (rising) that have one, spread as their variances are raised.

        `inflation` is that of the variances of each of `which`.
        """
        rows = np.flatnonzero(np.isin(self.which, which))
        if not rows.size:
            return Clouds.none()
        some = Clouds(self.which[rows], self.theta[rows], self.weight[rows], self.even[rows])
        wider = np.sqrt(inflation[np.searchsorted(which, some.which)])[:, None, None]
        if np.all(wider == 1.0):
            return some
        mean = some.mean[:, None]
        theta = mean + wider * (some.theta - mean)
        theta[:, :, 2] = np.clip(theta[:, :, 2], 0.0, MOST_ROLL_OFF)
        return replace(some, theta=theta)

    def spread(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation of a quantity given at every place, shape (k,) each."""
        mean = (self.weight * values).sum(axis=1)
        return mean, np.sqrt((self.weight * (values - mean[:, None]) ** 2).sum(axis=1))

    def interval(self, values: FloatArray, share: float = 0.95) -> FloatArray:
        """Return the central interval of a quantity that is about normal, shape (k, 2).

        By mean, deviation and skewness (Cornish and Fisher 1937, from memory).
        """
        mean, std = self.spread(values)
        cube = (self.weight * (values - mean[:, None]) ** 3).sum(axis=1)
        skew = np.clip(cube / np.maximum(std, 1e-300) ** 3, -_MOST_SKEW, _MOST_SKEW)
        z = special.ndtri(np.array([0.5 * (1.0 - share), 0.5 * (1.0 + share)]))
        return np.asarray(mean[:, None] + std[:, None] * (z + skew[:, None] * (z * z - 1.0) / 6.0))

    def ranked(self, values: FloatArray, share: float = 0.95) -> FloatArray:
        """Return the central interval of any quantity by the order of its places, shape (k, 2)."""
        order = np.argsort(values, axis=1)
        weight = np.take_along_axis(self.weight, order, axis=1)
        below, rising = np.cumsum(weight, axis=1) - 0.5 * weight, np.take_along_axis(values, order, axis=1)
        ends = np.array([0.5 * (1.0 - share), 0.5 * (1.0 + share)])
        rows = zip(below, rising, strict=True)
        return np.array([np.interp(ends, under, place) for under, place in rows]).reshape(-1, 2)

    def density(self, roll_off: FloatArray) -> FloatArray:
        """Return the density of each carrier's roll-off at some roll-offs (r,), shape (k, r), smoothed a little."""
        mean, std = self.spread(self.theta[:, :, 2])
        place = mean[:, None] + math.sqrt(1.0 - _SMOOTH**2) * (self.theta[:, :, 2] - mean[:, None])
        width = np.maximum(_SMOOTH * std, 1e-6)[:, None, None]
        kernel = np.exp(-0.5 * ((roll_off[:, None] - place[:, None]) / width) ** 2) / width
        return np.asarray((kernel @ self.weight[:, :, None])[:, :, 0])


@dataclass(frozen=True, slots=True)
class Settled:
    """A fit's scene at the means of its parameters, their covariance, and the clouds of those that have one."""

    scene: Scene
    covariance: FloatArray
    clouds: Clouds


def settled(trace: Trace, scene: Scene, at: Evaluation, correlation: FloatArray) -> Settled:
    """Return what a fit says of all its parameters.

    Parameters
    ----------
    trace, scene, at : Trace, Scene, Evaluation
        The fit.
    correlation : ndarray, shape (m,)
        Of a point with its 1st, 2nd, ... m-th neighbour.
    """
    about = _About.of(trace, scene, at, correlation)
    which = _doubtful(trace, scene, about.covariance)
    if which.size == 0:
        return Settled(scene, about.covariance, Clouds.none())
    unseen = _unseen(scene, about.covariance, which)
    if unseen.size:
        about = about.seen_from(unseen, correlation)
    found, follow = about.clouds(which)
    theta = scene.theta.copy()
    theta[which, :4] = found.mean
    covariance, own = about.covariance.copy(), 4 * which[:, None] + np.arange(4)
    for k, (columns, block) in enumerate(zip(own, found.covariance, strict=True)):
        others = follow[k] @ block
        covariance[:, columns], covariance[columns] = others, others.T
    covariance[own[:, :, None], own[:, None, :]] = found.covariance
    return Settled(replace(scene, theta=theta), covariance, found)


def _doubtful(trace: Trace, scene: Scene, covariance: FloatArray) -> NDArray[np.intp]:
    """Return the carriers inside the span whose roll-off is not well inside its range."""
    index = 4 * np.arange(scene.count) + 2
    std = np.sqrt(np.maximum(np.diag(covariance)[index], 0.0))
    left, right, roll_off = scene.theta[:, :3].T
    reach = _INSIDE * std
    known = (std > 0.0) & (std < _WELL_KNOWN) & (roll_off - reach > 0.02) & (roll_off + reach < MOST_ROLL_OFF)
    whole = (left > trace.x[0]) & (right < trace.x[-1])
    return np.flatnonzero((scene.kind == RC) & whole & ~known)


def _unseen(scene: Scene, covariance: FloatArray, which: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return those whose roll-off lies where the trace says little of it, or is held at the end of its range."""
    held = covariance[4 * which + 2, 4 * which + 2] <= 0.0
    return which[held | (scene.theta[which, 2] < _LEAST_SEEN)]


@dataclass(frozen=True, slots=True)
class _About:
    """A scene with what the trace says about it: information, its inverse, and the covariance that it stands for."""

    trace: Trace
    scene: Scene
    at: Evaluation
    here: Information
    inverse: FloatArray
    covariance: FloatArray

    @classmethod
    def of(cls, trace: Trace, scene: Scene, at: Evaluation, correlation: FloatArray) -> _About:
        here = information(at)
        inverse = here.band.inverse(here.free)
        covariance = grown_by_bends(trace, scene, at, narrowed(at, inverse, correlation))
        return cls(trace, scene, at, here, inverse, covariance)

    def seen_from(self, which: NDArray[np.intp], correlation: FloatArray) -> _About:
        """Return the same with some roll-offs where they can be seen, all else fitted again."""
        frozen = np.zeros(self.scene.count, dtype=bool)
        frozen[which] = True
        low, high = _SEEN
        wanted = np.where(self.scene.theta[which, 2] < 0.5 * MOST_ROLL_OFF, low, high)
        start = turned(self.scene, information(self.at, frozen), which, wanted)
        scene, at = fit(self.trace, start, rounds=_ROUNDS, tolerance=0.05, frozen=frozen, start=self.at)
        return _About.of(self.trace, scene, at, correlation)

    def clouds(self, which: NDArray[np.intp]) -> tuple[Clouds, FloatArray]:
        """Return the clouds of some carriers, and how all other parameters follow theirs, shape (k, q, 4)."""
        own = 4 * which[:, None] + np.arange(4)
        raw = self.inverse[own[:, :, None], own[:, None, :]]
        precision = np.linalg.inv(raw)
        follow = self.inverse[:, own].transpose(1, 0, 2) @ precision
        follow[np.arange(which.size)[:, None], own] = 0.0
        target = self.covariance[own[:, :, None], own[:, None, :]]
        sought = np.zeros((4, 4))
        sought[2, 2] = _ROLL_OFF_STD**-2.0
        spread = np.linalg.inv(np.linalg.inv(target) + sought)
        back = _back(raw, target)
        pull = (np.swapaxes(back, 1, 2) @ self.here.gradient[own][:, :, None])[:, :, 0]
        pull[:, 2] += sought[2, 2] * (_ROLL_OFF - self.scene.theta[which, 2])
        begin = (spread @ pull[:, :, None])[:, :, 0]
        asked = _Asked(which, follow, precision, self.here.gradient[own], back, begin, spread)
        moved, ln_weight = _asked(self, asked)
        theta = self.scene.theta[which, None, :4] + moved
        even = ln_weight - ln_prior(theta[:, :, 2])
        followed = self.covariance[:, own].transpose(1, 0, 2) @ np.linalg.inv(target)
        return Clouds(which, theta, _normalised(ln_weight), _normalised(even)), followed


def _back(raw: FloatArray, target: FloatArray) -> FloatArray:
    """Return B, shape (k, 4, 4), with B target B' = raw: what a place stands for under points taken as independent.

    The likelihood there has `raw` for its covariance, the parameters `target`: a composite likelihood adjusted to its
    score's covariance (Chandler and Bate 2007, from memory), with the root that turns the parameters least.
    """
    value, vector = np.linalg.eigh(raw)
    size = np.sqrt(np.maximum(value, 1e-300))[:, None]
    root, inverse = (vector * size) @ np.swapaxes(vector, 1, 2), (vector / size) @ np.swapaxes(vector, 1, 2)
    value, vector = np.linalg.eigh(inverse @ target @ inverse)
    middle = (vector / np.sqrt(np.maximum(value, 1e-12))[:, None]) @ np.swapaxes(vector, 1, 2)
    return np.asarray(root @ middle @ inverse)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Which carriers are asked about, each an array over them.

    `follow` is how all parameters follow a carrier's own, `precision` and `gradient` what the whole trace says of its own
    (raw), `back` what turns a place into what it stands for, `begin` and `spread` mean and covariance of first places.
    """

    which: NDArray[np.intp]
    follow: FloatArray
    precision: FloatArray
    gradient: FloatArray
    back: FloatArray
    begin: FloatArray
    spread: FloatArray


@dataclass(frozen=True, slots=True)
class _Path:
    """Where edges and level lie at a given roll-off: a parabola each, and how they scatter about it.

    Of differences from the scene; `middle` (k,) is the roll-off's, `bend` (k, 3, 3) the powers of the distance from it,
    `root` (k, 3, 3) that of the covariance there, `width` (k,) that of the carrier.
    """

    middle: FloatArray
    bend: FloatArray
    root: FloatArray
    low: FloatArray
    high: FloatArray


def _asked(about: _About, asked: _Asked) -> tuple[FloatArray, FloatArray]:
    """Return places as differences from the scene, shape (k, s, 4), and ln(weight) of each, (k, s)."""
    path = _foretold(about, asked)
    first = _laid(about, asked, path, _FIRST_LEVELS, *(_rule() if _FULL else _first_rule()))
    path = _found(about, asked, path, *first)
    moved, ln_weight, _ = _laid(about, asked, path, _LEVELS, *_rule())
    return moved.reshape(len(moved), -1, 4), ln_weight.reshape(len(moved), -1)


def _range(about: _About, asked: _Asked, middle: FloatArray, std: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the differences of roll-off to ask about, not beyond the range of roll-offs."""
    own = about.scene.theta[asked.which, 2]
    low, high = np.maximum(middle - _SPAN * std, -own), np.minimum(middle + _SPAN * std, MOST_ROLL_OFF - own)
    return np.minimum(low, high - 0.02), high


def _foretold(about: _About, asked: _Asked) -> _Path:
    own, spread = about.scene.theta[asked.which, 2], asked.spread
    std = np.sqrt(spread[:, 2, 2])
    middle = np.clip(asked.begin[:, 2], 0.02 - own, 0.55 - own)
    rest = [0, 1, 3]
    slope = spread[:, rest, 2] / spread[:, 2, 2, None]
    bend = np.zeros((own.size, 3, 3))
    bend[:, 0] = asked.begin[:, rest] + slope * (middle - asked.begin[:, 2])[:, None]
    bend[:, 1] = slope
    left = spread[:, rest][:, :, rest] - slope[:, :, None] * spread[:, None, rest, 2]
    return _Path(middle, bend, np.linalg.cholesky(left), *_range(about, asked, middle, std))


def _growth(about: _About, asked: _Asked, path: _Path, roll_off: FloatArray) -> FloatArray:
    """Return by how much edges scatter more at differences of roll-off (k, l) than in the middle, shape (k, l, 3)."""
    theta = about.scene.theta[asked.which]
    width = (theta[:, 1] - theta[:, 0])[:, None]

    def length(roll_off: FloatArray) -> FloatArray:
        return (_EDGE * np.maximum(roll_off, 0.0) * width) ** 2 + about.trace.sigma**2 + 0.1

    edges = (length(theta[:, 2, None] + roll_off) / length((theta[:, 2] + path.middle)[:, None])) ** 0.25
    return np.stack((edges, edges, np.ones_like(edges)), axis=2)


def _laid(
    about: _About, asked: _Asked, path: _Path, levels: int, rule: FloatArray, share: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places (k, levels, places, 4), ln(weight) of each, and their places in units of the scatter."""
    step = (path.high - path.low) / levels
    roll_off = path.low[:, None] + step[:, None] * (np.arange(levels) + 0.5)
    off = (roll_off - path.middle[:, None])[:, :, None]
    middle = path.bend[:, None, 0] + off * (path.bend[:, None, 1] + off * path.bend[:, None, 2])
    growth = _growth(about, asked, path, roll_off)
    unit = rule @ _TURNS[:levels]
    moved = np.empty((*roll_off.shape, len(rule), 4))
    moved[..., (0, 1, 3)] = middle[:, :, None] + growth[:, :, None] * (unit @ np.swapaxes(path.root, 1, 2)[:, None])
    moved[..., 2] = roll_off[:, :, None]
    shape = moved.shape[:3]
    loss = _losses(about, asked, moved.reshape(len(moved), -1, 4)).reshape(shape)
    ln_weight = np.log(share) + 0.5 * (rule**2).sum(axis=1) - loss
    ln_weight += np.log(growth).sum(axis=2)[:, :, None] + ln_prior(about.scene.theta[asked.which, 2, None] + roll_off)[:, :, None]
    return moved, ln_weight, middle


def _found(
    about: _About, asked: _Asked, path: _Path, moved: FloatArray, ln_weight: FloatArray, foretold: FloatArray
) -> _Path:
    """Return the path as some places tell it."""
    k = len(moved)
    weight = _normalised(ln_weight.reshape(k, -1)).reshape(ln_weight.shape)
    mass = weight.sum(axis=2)
    roll_off = moved[:, :, 0, 2]
    middle = (mass * roll_off).sum(axis=1)
    step = (path.high - path.low) / roll_off.shape[1]
    std = np.sqrt((mass * (roll_off - middle[:, None]) ** 2).sum(axis=1) + step**2 / 12.0)
    rest = moved[..., (0, 1, 3)]
    mean = (weight[..., None] * rest).sum(axis=2) / np.maximum(mass, 1e-12)[..., None]
    # A parabola through the means at each roll-off, in deviations from the middle, beside what was foretold of it.
    t = (roll_off - middle[:, None]) / std[:, None]
    base = np.stack((np.ones_like(t), t, t * t), axis=2)
    weighted = base * mass[:, :, None]
    stiff = _STIFF * np.eye(3)
    change = np.linalg.solve(np.swapaxes(weighted, 1, 2) @ base + stiff, np.swapaxes(weighted, 1, 2) @ (mean - foretold))
    at_middle = (middle - path.middle)[:, None]
    bend = np.empty_like(path.bend)
    bend[:, 0] = path.bend[:, 0] + at_middle * (path.bend[:, 1] + at_middle * path.bend[:, 2]) + change[:, 0]
    bend[:, 1] = path.bend[:, 1] + 2.0 * at_middle * path.bend[:, 2] + change[:, 1] / std[:, None]
    bend[:, 2] = path.bend[:, 2] + change[:, 2] / std[:, None] ** 2
    fresh = replace(path, middle=middle, bend=bend)
    off = (roll_off - middle[:, None])[:, :, None]
    curve = bend[:, None, 0] + off * (bend[:, None, 1] + off * bend[:, None, 2])
    scatter = (rest - curve[:, :, None]) / _growth(about, asked, fresh, roll_off)[:, :, None]
    own = np.swapaxes((scatter * weight[..., None]).reshape(k, -1, 3), 1, 2) @ scatter.reshape(k, -1, 3)
    before = path.root @ np.swapaxes(path.root, 1, 2)
    root = np.linalg.cholesky((own + _KEPT * before) / (1.0 + _KEPT))
    return replace(fresh, root=root, **dict(zip(("low", "high"), _range(about, asked, middle, std), strict=True)))


_STIFF = 0.03


def _losses(about: _About, asked: _Asked, moved: FloatArray) -> FloatArray:
    """Return minus ln(likelihood) at places (k, s, 4), up to a constant of each carrier."""
    reach, compiled = _reach(about, asked), loops()
    if compiled is None:
        return np.array([_stretch(about, asked, row, reach[row]).loss(moved[row]) for row in range(asked.which.size)])
    at = about.at
    said = (asked.follow, asked.precision, asked.gradient, asked.back)
    shown = (to_loops(at), at.first, at.last, at.start, about.scene.theta)
    return np.asarray(compiled.losses(about.trace.packed, *shown, asked.which, *said, reach, moved))


def _reach(about: _About, asked: _Asked) -> FloatArray:
    """Return how far from each edge the likelihood is asked, in points; the rest is taken as quadratic."""
    left, right, roll_off = about.scene.theta[asked.which, :3].T
    std = np.sqrt(np.diagonal(asked.spread, axis1=1, axis2=2))
    half = 0.5 * (right - left) * np.minimum(MOST_ROLL_OFF, roll_off + _REACH_STD * std[:, 2])
    return np.asarray(half + _REACH_SIGMA * about.trace.sigma + _REACH_STD * std[:, :2].max(axis=1) + _REACH_POINTS)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The points about the edges of one carrier, and what all others say of it, to second order."""

    trace: Trace
    theta: FloatArray
    x: FloatArray
    y: FloatArray
    eta: FloatArray
    weight: FloatArray
    total: FloatArray
    rest: FloatArray
    gain: FloatArray
    follow: FloatArray
    back: FloatArray
    beyond: FloatArray
    pull: FloatArray

    def loss(self, moved: FloatArray) -> FloatArray:
        step = moved @ self.back.T
        there = self.theta + step
        width = np.maximum(there[:, 1] - there[:, 0], _LEAST_WIDTH)
        half = 0.5 * np.clip(there[:, 2], 0.0, MOST_ROLL_OFF) * width
        halves = np.broadcast_to(half[:, None], (half.size, self.x.size))
        lower, upper = (edge(self.x - there[:, side, None], halves, self.trace.sigma)[0] for side in (0, 1))
        rest = self.rest * np.exp(np.clip(step @ self.follow.T, -_FAR, _FAR))
        total = rest + np.exp(there[:, 3, None]) * self.gain * np.maximum(lower - upper, 0.0)
        law = self.trace.law
        u = np.clip((self.y - self.eta - np.log(total / self.total) - law.offset) / law.scale, -30.0, 4.0)
        loss = law.scale**2 * ((np.exp(u) - 1.0 - u) @ self.weight)
        loss += 0.5 * ((step @ self.beyond) * step).sum(axis=1) - step @ self.pull
        return np.where(there[:, 1] - there[:, 0] > _LEAST_WIDTH, loss, _HOPELESS)


_LEAST_WIDTH = 0.2
_HOPELESS = 1e3


def _stretch(about: _About, asked: _Asked, row: int, reach: float) -> _Stretch:
    trace, at, k = about.trace, about.at, int(asked.which[row])
    theta = about.scene.theta[k, :4]
    left, right = theta[:2]
    low, high = np.searchsorted(trace.x, (left - reach, right + reach))
    index = np.arange(low, high)
    near = np.minimum(np.abs(trace.x[index] - left), np.abs(trace.x[index] - right)) < reach
    index = index[near]
    n = trace.x.size
    first, last, start = int(at.first[k]), int(at.last[k]), int(at.start[k])
    own, slopes = np.zeros(n), np.zeros((n, 4))
    own[first:last] = at.power[start : start + last - first]
    slopes[first:last] = at.jacobian[:, start : start + last - first].T
    rest = np.maximum(at.total - own, 1e-3 * at.floor)
    follow = np.zeros((n, 4))
    for j in range(about.scene.count):
        a, b = int(at.first[j]), int(at.last[j])
        if j != k and a < last and b > first:
            pairs = slice(int(at.start[j]), int(at.start[j]) + b - a)
            follow[a:b] += at.jacobian[:, pairs].T @ asked.follow[row, 4 * j : 4 * j + 4]
    floor = asked.follow[row, 4 * about.scene.count :]
    within = np.clip(index, first, last - 1)  # beyond, the coefficients are not those of the band
    spline = np.zeros((index.size, 4))
    for m in range(4):
        spline += trace.basis.values[m, within, None] * floor[trace.basis.interval[within] + m]
    follow = follow[index] + spline * at.by_noise[index, None]
    both = follow + slopes[index]
    weighted = both.T * at.weight[index]
    beyond = asked.precision[row] - weighted @ both
    pull = asked.gradient[row] - weighted @ at.misfit[index]
    gain = np.ones(index.size)
    if trace.line is not None:
        gain *= np.exp(trace.line[index] - np.interp(0.5 * (left + right), trace.x, trace.line))
    coefficients = about.scene.theta[k, 4:]
    if coefficients.any():
        gain *= np.exp(coefficients @ bends((2.0 * trace.x[index] - left - right) / (right - left)))
    return _Stretch(
        trace,
        theta,
        trace.x[index],
        trace.y[index],
        at.eta[index],
        at.weight[index],
        at.total[index],
        rest[index],
        gain,
        follow * (at.total / rest)[index, None],
        asked.back[row],
        beyond,
        pull,
    )
