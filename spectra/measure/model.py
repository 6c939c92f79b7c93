"""The model of a trace: carriers through the RBW filter over a spline floor.

Everything is in point spacings (frequency) and nepers of power (level). A carrier has four parameters: its lower and
upper 3 dB edges, its roll-off and ln(plateau power); a CW has its frequency and ln(peak power). Where a transponder's
response bends a carrier, ln(plateau power) is a sum of Legendre polynomials over its 3 dB width, the level their mean.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spectra.measure.floor import FloorBasis
from spectra.signal.blurred import edge
from spectra.signal.detectors import PointLaw
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = [
    "BENDS",
    "BEND_PRECISION",
    "CW",
    "MOST_ROLL_OFF",
    "RC",
    "Evaluation",
    "Scene",
    "Trace",
    "bends",
    "evaluate",
    "stacked",
]

RC, CW = 0, 1
MOST_ROLL_OFF = 0.6
BENDS = 6
"""Legendre polynomials that a response may have, of degree 1 and up."""

BEND_PRECISION: FloatArray = np.arange(1, BENDS + 1) * (0.5 / DB_PER_NEPER) ** -2.0
"""Of the coefficients before the trace is seen: 0.5 dB over the root of the degree (common practice, no source)."""

_SMOOTH_REACH = 1.4  # half widths to which slope and bow go on beyond the edges; higher degrees stay as they end
_REACH = 6.0  # standard deviations of the filter beyond an edge
_SKIRT_TOLERANCE = 0.03  # relative uncertainty of the filter's width, as it acts on skirts


@dataclass(frozen=True, slots=True)
class Trace:
    """What is fitted: points `x` (spacings), `y` (nepers), the filter's sigma, law and information per point.

    `line` is ln of the line's response where carriers come through one that is not flat.
    """

    x: FloatArray
    y: FloatArray
    sigma: float
    law: PointLaw
    information: float
    basis: FloorBasis
    line: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """Carriers in any order, and floor: `kind` (k,), `theta` (k, 4 + BENDS), `beta` (m,), `strength`.

    A row of `theta` has the four parameters, then the response's coefficients in nepers, zero for most carriers.
    """

    kind: NDArray[np.intp]
    theta: FloatArray
    beta: FloatArray
    strength: float

    @property
    def count(self) -> int:
        """Number of carriers."""
        return int(self.kind.size)

    def with_carriers(self, kind: NDArray[np.intp], theta: FloatArray) -> Scene:
        """Return the same floor with other carriers, sorted by frequency."""
        order = np.argsort(theta[:, 0] + theta[:, 1], kind="stable")
        return replace(self, kind=kind[order], theta=theta[order])


def stacked(*rows: FloatArray | list[FloatArray] | list[list[float]]) -> FloatArray:
    """Return carriers one below the other, shape (k, 4 + BENDS); those given by four parameters are not bent."""
    every = [np.asarray(row, dtype=np.float64) for some in rows for row in some]
    theta = np.zeros((len(every), 4 + BENDS))
    for row, values in zip(theta, every, strict=True):
        row[: values.size] = values
    return theta


def bends(u: FloatArray) -> FloatArray:
    """Return the polynomials of a response at places `u` (half widths from the centre), shape (BENDS, n)."""
    beyond = np.minimum(np.maximum(u, -_SMOOTH_REACH), _SMOOTH_REACH)
    inside = np.minimum(np.maximum(u, -1.0), 1.0)
    rows = np.empty((BENDS, u.size))
    one, two = np.ones(u.size), inside
    for j in range(1, BENDS):  # Bonnet's recurrence
        one, two = two, ((2 * j + 1) * inside * two - j * one) / (j + 1)
        rows[j] = two
    rows[0] = beyond
    rows[1] = 1.5 * beyond * beyond - 0.5
    return rows


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The model at one scene.

    Per point: `eta` (ln of mean power as shown), `weight`, `misfit`, and `deviance`, its share in minus ln(likelihood)
    at unit weight. A pair is a carrier and a point within its reach: carrier k has ``start[k] .. start[k + 1]``,
    at the points ``index``, which run from ``first[k]`` to ``last[k]``; `jacobian` is (4, pairs). `bent` is the
    penalty of floor and responses, `lost` minus ln(likelihood) with it, up to a constant, for comparing models.
    """

    eta: FloatArray
    total: FloatArray
    noise: FloatArray
    floor: FloatArray
    weight: FloatArray
    misfit: FloatArray
    by_noise: FloatArray
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    start: NDArray[np.intp]
    index: NDArray[np.intp]
    jacobian: FloatArray
    power: FloatArray
    deviance: FloatArray
    bent: float
    lost: float


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Each point within reach of a carrier: first and last point by carrier, where its pairs start, point and owner."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    start: NDArray[np.intp]
    index: NDArray[np.intp]
    owner: NDArray[np.intp]


def _pairs(trace: Trace, scene: Scene) -> _Pairs:
    left, right, roll_off = scene.theta[:, 0], scene.theta[:, 1], scene.theta[:, 2]
    reach = _REACH * trace.sigma + 0.5 * roll_off * (right - left)
    first = np.searchsorted(trace.x, left - reach)
    last = np.maximum(np.searchsorted(trace.x, right + reach), first)
    length = last - first
    start = np.zeros(length.size + 1, dtype=np.intp)
    np.cumsum(length, out=start[1:])
    owner = np.repeat(np.arange(scene.count), length)
    index = np.arange(start[-1]) - np.repeat(start[:-1] - first, length)
    return _Pairs(first, last, start, index, owner)


def _shapes(trace: Trace, scene: Scene, pairs: _Pairs) -> tuple[FloatArray, ...]:
    """Return power, its derivatives by the four parameters (4, pairs), and by ln(sigma), for every pair."""
    owner, sigma = pairs.owner, trace.sigma
    left, right, roll_off, level = scene.theta[:, :4].T
    width = right - left
    half = 0.5 * roll_off * width
    x = trace.x[pairs.index]
    n = x.size
    beyond = np.empty((2, n))
    np.subtract(x, left[owner], out=beyond[0])
    np.subtract(x, right[owner], out=beyond[1])
    half_of = np.empty((2, n))
    half_of[:] = half[owner]
    value, slope, by_half = edge(beyond, half_of, sigma)
    jacobian = np.empty((4, n))
    turn = by_half[0] - by_half[1]
    own_turn = (0.5 * roll_off)[owner] * turn
    np.subtract(-slope[0], own_turn, out=jacobian[0])
    np.add(slope[1], own_turn, out=jacobian[1])
    np.multiply((0.5 * width)[owner], turn, out=jacobian[2])
    np.subtract(value[0], value[1], out=jacobian[3])
    by_sigma = beyond[1] * slope[1] - beyond[0] * slope[0] - half_of[0] * turn
    tone = np.flatnonzero((scene.kind == CW)[owner])
    if tone.size:
        u = beyond[0, tone] / sigma
        peak = np.exp(-0.5 * u * u)
        jacobian[:, tone] = 0.0
        jacobian[0, tone] = peak * u / sigma
        jacobian[3, tone] = peak
        by_sigma[tone] = peak * u * u
    if trace.line is None:
        plateau = np.exp(level)[owner]
    else:  # the level is that at the carrier's centre
        at_centre = np.interp(0.5 * (left + right), trace.x, trace.line)
        plateau = np.exp((level - at_centre)[owner] + trace.line[pairs.index])
    bent = np.flatnonzero(scene.theta[:, 4:].any(axis=1))
    for k in bent:
        own = slice(int(pairs.start[k]), int(pairs.start[k + 1]))
        u = (2.0 * x[own] - left[k] - right[k]) / width[k]
        plateau[own] *= np.exp(scene.theta[k, 4:] @ bends(u))
    jacobian *= plateau
    return jacobian[3].copy(), jacobian, by_sigma * plateau


def _tone_bias(law: PointLaw, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how a CW of power `ratio` over the noise shifts ln(level) against noise of the same power, and d/dratio.

    Noise averaged in dB reads low, a CW does not: E ln(power) = ln(S) + E1(S/N) (derived from the Rice distribution). A
    voltage average is biased as the relative variance of the power, a peak as its root. The law of a point also grows
    narrower; its mode moves towards its mean, which the log-gamma form counts in `turn`.
    """
    shift, slope = np.zeros(ratio.shape), np.zeros(ratio.shape)
    there = np.flatnonzero(ratio > 1e-4)
    if law.average == "power" or there.size == 0:
        return shift, slope
    r = ratio[there]
    spread = (1.0 + 2.0 * r) / (1.0 + r) ** 2
    by_r = -2.0 * r / (1.0 + r) ** 3
    if law.average in ("log", "negative_peak"):
        bias = special.exp1(r) + np.log(r / (1.0 + r)) + np.euler_gamma
        steep = -np.expm1(-r) / r - 1.0 / (1.0 + r)
    elif law.average == "voltage":
        bias, steep = law.mean * (spread - 1.0), law.mean * by_r
    else:
        root = np.sqrt(spread)
        bias, steep = law.mean * (root - 1.0), 0.5 * law.mean * by_r / root
    shape = law.shape / spread
    turn = np.log(shape) - special.digamma(shape) - (np.log(law.shape) - special.digamma(law.shape))
    by_spread = -1.0 / spread + shape / spread * special.polygamma(1, shape)
    shift[there] = bias + law.scale * turn
    slope[there] = steep + law.scale * by_spread * by_r
    return shift, slope


def evaluate(trace: Trace, scene: Scene) -> Evaluation:
    """Return the model, its Jacobian, weights and misfits at a scene."""
    pairs = _pairs(trace, scene)
    index = pairs.index
    power, jacobian, by_sigma = _shapes(trace, scene, pairs)
    n, law = trace.x.size, trace.law
    floor: FloatArray = np.exp(trace.basis.floor(scene.beta))
    noise: FloatArray
    total: FloatArray
    by_noise: FloatArray
    tone_pair = (scene.kind == CW)[pairs.owner]
    if tone_pair.any():
        noise = floor + np.bincount(index, np.where(tone_pair, 0.0, power), n)
        tone = np.bincount(index, np.where(tone_pair, power, 0.0), n)
        total, ratio = noise + tone, tone / noise
        shift, slope = _tone_bias(law, ratio)
        eta = np.log(total) + shift
        by_noise = 1.0 / total - slope * ratio / noise
        by_tone = 1.0 / total + slope / noise
        jacobian *= np.where(tone_pair, by_tone[index], by_noise[index])
        spread: FloatArray | float = (1.0 + 2.0 * ratio) / (1.0 + ratio) ** 2
    else:
        noise = floor + np.bincount(index, power, n)
        total = noise
        eta, by_noise = np.log(total), 1.0 / total
        jacobian *= by_noise[index]
        spread = 1.0
    doubt = np.bincount(index, by_sigma, n) / total
    weight: FloatArray = trace.information / (spread + (trace.information * _SKIRT_TOLERANCE**2) * doubt * doubt)
    u = np.minimum(np.maximum((trace.y - eta - law.offset) / law.scale, -30.0), 4.0)
    growth = np.exp(u)
    deviance = law.scale**2 * (growth - 1.0 - u)
    bent = 0.5 * float((scene.theta[:, 4:] ** 2 @ BEND_PRECISION).sum())
    if scene.beta.size:
        bent += 0.5 * scene.strength * float(scene.beta @ trace.basis.bend(scene.beta))
    # A sharper law at a point pays for itself in the normalising constant; only comparisons of models need it.
    sharper = 0.5 * float(np.log(weight / trace.information).sum()) * trace.information / law.information
    return Evaluation(
        eta,
        total,
        noise,
        floor,
        weight,
        law.scale * (growth - 1.0),
        by_noise * floor,
        pairs.first,
        pairs.last,
        pairs.start,
        index,
        jacobian,
        power,
        deviance,
        bent,
        float(weight @ deviance) + bent - sharper,
    )
