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

from spectra.measure.compiled import loops
from spectra.measure.pairs import Pairs, pairs_of
from spectra.measure.scene import BEND_PRECISION, BENDS, CW, Scene, Trace
from spectra.signal.blurred import edge
from spectra.signal.detectors import PointLaw
from spectra.units import FloatArray

__all__ = ["Evaluation", "bends", "evaluate", "from_loops", "reweighed", "to_loops"]

_SMOOTH_REACH = 1.4  # half widths to which slope and bow go on beyond the edges; higher degrees stay as they end
_SKIRT_TOLERANCE = 0.03  # relative uncertainty of the filter's width, as it acts on skirts


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
    penalty of floor and responses, `lost` minus ln(likelihood) with it, up to a constant, for comparing models. `trace`
    and `scene` are what was evaluated, `doubt` is d eta / d ln(width of the filter).
    """

    eta: FloatArray
    total: FloatArray
    noise: FloatArray
    floor: FloatArray
    weight: FloatArray
    misfit: FloatArray
    by_noise: FloatArray
    jacobian: FloatArray
    power: FloatArray
    deviance: FloatArray
    bent: float
    lost: float
    pairs: Pairs
    trace: Trace
    scene: Scene
    doubt: FloatArray

    @property
    def first(self) -> NDArray[np.intp]:
        """First point of each carrier."""
        return self.pairs.first

    @property
    def last(self) -> NDArray[np.intp]:
        """One past the last point of each carrier."""
        return self.pairs.last

    @property
    def start(self) -> NDArray[np.intp]:
        """Where each carrier's pairs start."""
        return self.pairs.start

    @property
    def index(self) -> NDArray[np.intp]:
        """Point of each pair."""
        return self.pairs.index


def _shapes(trace: Trace, scene: Scene, pairs: Pairs) -> tuple[FloatArray, ...]:
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


def evaluate(trace: Trace, scene: Scene, before: Evaluation | None = None) -> Evaluation:
    """Return the model, its Jacobian, weights and misfits at a scene.

    The pairs of an evaluation `before` are kept where they serve.
    """
    if before is not None and before.trace.x is trace.x and before.pairs.serve(trace, scene):
        pairs = before.pairs
    else:
        pairs = pairs_of(trace, scene)
    compiled = loops()
    if compiled is None:
        return _vectorised(trace, scene, pairs)
    carriers = (scene.kind, scene.theta, scene.beta, scene.strength)
    shown = (pairs.first, pairs.last, pairs.start)
    return from_loops(trace, scene, pairs, *compiled.evaluated(trace.packed, *carriers, *shown))


def from_loops(
    trace: Trace, scene: Scene, pairs: Pairs, made: tuple[FloatArray, ...], lost: float, bent: float
) -> Evaluation:
    """Return what the compiled loops have made of a scene as an evaluation."""
    power, jacobian, floor, noise, total, eta, weight, misfit, by_noise, deviance, doubt = made
    return Evaluation(
        eta,
        total,
        noise,
        floor,
        weight,
        misfit,
        by_noise,
        jacobian,
        power,
        deviance,
        bent,
        lost,
        pairs,
        trace,
        scene,
        doubt,
    )


def to_loops(at: Evaluation) -> tuple[FloatArray, ...]:
    """Return an evaluation as the compiled loops want it."""
    first = (at.power, at.jacobian, at.floor, at.noise, at.total, at.eta)
    return (*first, at.weight, at.misfit, at.by_noise, at.deviance, at.doubt)


def _penalty(trace: Trace, scene: Scene) -> float:
    bent = 0.5 * float((scene.theta[:, 4:] ** 2 @ BEND_PRECISION).sum())
    if scene.beta.size:
        bent += 0.5 * scene.strength * float(scene.beta @ trace.basis.bend(scene.beta))
    return bent


def _vectorised(trace: Trace, scene: Scene, pairs: Pairs) -> Evaluation:
    """Return the evaluation by numpy."""
    floor: FloatArray = np.exp(trace.basis.floor(scene.beta))
    bent = _penalty(trace, scene)
    index, n, law = pairs.index, trace.x.size, trace.law
    power, jacobian, by_sigma = _shapes(trace, scene, pairs)
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
    weight = _weights(trace, doubt, spread)
    misfit, deviance = _misfit(trace, eta)
    return Evaluation(
        eta,
        total,
        noise,
        floor,
        weight,
        misfit,
        by_noise * floor,
        jacobian,
        power,
        deviance,
        bent,
        _lost(trace, weight, deviance, bent),
        pairs,
        trace,
        scene,
        doubt,
    )


def reweighed(trace: Trace, at: Evaluation) -> Evaluation:
    """Return an evaluation under another law of the same points."""
    if (at.scene.kind == CW).any():  # what a CW shows depends on the law
        return evaluate(trace, at.scene, at)
    weight = _weights(trace, at.doubt, 1.0)
    misfit, deviance = _misfit(trace, at.eta)
    lost = _lost(trace, weight, deviance, at.bent)
    return replace(at, trace=trace, weight=weight, misfit=misfit, deviance=deviance, lost=lost)


def _weights(trace: Trace, doubt: FloatArray, spread: FloatArray | float) -> FloatArray:
    return np.asarray(trace.information / (spread + (trace.information * _SKIRT_TOLERANCE**2) * doubt * doubt))


def _misfit(trace: Trace, eta: FloatArray) -> tuple[FloatArray, FloatArray]:
    law = trace.law
    u = np.minimum(np.maximum((trace.y - eta - law.offset) / law.scale, -30.0), 4.0)
    growth = np.exp(u)
    return law.scale * (growth - 1.0), law.scale**2 * (growth - 1.0 - u)


def _lost(trace: Trace, weight: FloatArray, deviance: FloatArray, bent: float) -> float:
    # A sharper law at a point pays for itself in the normalising constant; only comparisons of models need it.
    sharper = 0.5 * float(np.log(weight / trace.information).sum()) * trace.information / trace.law.information
    return float(weight @ deviance) + bent - sharper
