"""The model of a trace and its joint fit: carriers through the RBW filter over a spline floor.

Everything is in point spacings (frequency) and nepers of power (level). A carrier has four parameters: its lower and
upper 3 dB edges, its roll-off and ln(plateau power); a CW has its frequency and ln(peak power). The fit is Fisher
scoring with damping on all parameters together; carriers only meet those they overlap, so the cost is linear.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spectra.measure.floor import FloorBasis
from spectra.measure.linear import Layout, layout, solve_damped
from spectra.signal.blurred import edge
from spectra.signal.detectors import PointLaw
from spectra.units import FloatArray

__all__ = [
    "CW",
    "MOST_ROLL_OFF",
    "RC",
    "Evaluation",
    "Scene",
    "Trace",
    "evaluate",
    "fit",
    "normal_equations",
    "plan_of",
]

RC, CW = 0, 1
MOST_ROLL_OFF = 0.6
_REACH = 6.0  # standard deviations of the filter beyond an edge
_SKIRT_TOLERANCE = 0.03  # relative uncertainty of the filter's width, as it acts on skirts


@dataclass(frozen=True, slots=True)
class Trace:
    """What is fitted: points `x` (spacings), `y` (nepers), the filter's sigma, law and information per point."""

    x: FloatArray
    y: FloatArray
    sigma: float
    law: PointLaw
    information: float
    basis: FloorBasis


@dataclass(frozen=True, slots=True)
class Scene:
    """Carriers (sorted by nothing in particular) and floor: `kind` (k,), `theta` (k, 4), `beta` (m,), `strength`."""

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


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Model at one scene: per point `eta` (ln of mean power as shown), `weight`, `misfit`; per pair the Jacobian.

    `objective` is what the fit lowers, `lost` the same as minus ln(likelihood) up to a constant, for comparing models.
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
    objective: float
    lost: float


def _pairs(trace: Trace, scene: Scene) -> tuple[NDArray[np.intp], ...]:
    """Return first and last point of each carrier, where its pairs start, and point and owner of each pair."""
    left, right, roll_off = scene.theta[:, 0], scene.theta[:, 1], scene.theta[:, 2]
    reach = _REACH * trace.sigma + np.where(scene.kind == RC, 0.5 * roll_off * (right - left), 0.0)
    first = np.searchsorted(trace.x, left - reach)
    last = np.maximum(np.searchsorted(trace.x, np.where(scene.kind == RC, right, left) + reach), first)
    length = last - first
    start = np.zeros(length.size + 1, dtype=np.intp)
    np.cumsum(length, out=start[1:])
    owner = np.repeat(np.arange(scene.count), length)
    index = np.arange(start[-1]) - np.repeat(start[:-1] - first, length)
    return first, last, start, index, owner


def _shapes(trace: Trace, scene: Scene, index: NDArray[np.intp], owner: NDArray[np.intp]) -> tuple[FloatArray, ...]:
    """Return power, its derivatives by the four parameters, and by ln(sigma), for every pair."""
    left, right, roll_off, level = scene.theta[owner].T
    x, sigma = trace.x[index], trace.sigma
    width = right - left
    half = 0.5 * roll_off * width
    jacobian = np.zeros((index.size, 4))
    plateau = np.exp(level)
    is_rc = scene.kind[owner] == RC
    both = edge(np.concatenate([x - left, x - right]), np.concatenate([half, half]), sigma)
    n = index.size
    value = both[0][:n] - both[0][n:]
    lower, upper = both[1][:n], both[1][n:]
    by_half = both[2][:n] - both[2][n:]
    jacobian[:, 0] = -lower - 0.5 * roll_off * by_half
    jacobian[:, 1] = upper + 0.5 * roll_off * by_half
    jacobian[:, 2] = 0.5 * width * by_half
    by_sigma = -((x - left) * lower - (x - right) * upper + half * by_half)
    if not is_rc.all():
        tone = ~is_rc
        u = (x[tone] - left[tone]) / sigma
        peak = np.exp(-0.5 * u * u)
        value[tone] = peak
        jacobian[tone] = 0.0
        jacobian[tone, 0] = peak * u / sigma
        by_sigma[tone] = peak * u * u
    jacobian[:, 3] = value
    return plateau * value, plateau[:, None] * jacobian, plateau * by_sigma


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
    first, last, start, index, owner = _pairs(trace, scene)
    power, jacobian, by_sigma = _shapes(trace, scene, index, owner)
    n = trace.x.size
    floor: FloatArray = np.exp(trace.basis.floor(scene.beta))
    noise: FloatArray
    total: FloatArray
    skirt = np.bincount(index, by_sigma, n)
    tone_pair = scene.kind[owner] == CW
    by_noise: FloatArray
    if tone_pair.any():
        noise = floor + np.bincount(index, np.where(tone_pair, 0.0, power), n)
        tone = np.bincount(index, np.where(tone_pair, power, 0.0), n)
        total, ratio = noise + tone, tone / noise
        shift, slope = _tone_bias(trace.law, ratio)
        eta = np.log(total) + shift
        by_noise = 1.0 / total - slope * ratio / noise
        by_tone = 1.0 / total + slope / noise
        jacobian *= np.where(tone_pair, by_tone[index], by_noise[index])[:, None]
        spread = (1.0 + 2.0 * ratio) / (1.0 + ratio) ** 2
    else:
        noise = floor + np.bincount(index, power, n)
        total = noise
        eta, by_noise = np.log(total), 1.0 / total
        jacobian *= by_noise[index][:, None]
        spread = np.ones(n)
    tolerance = (_SKIRT_TOLERANCE * skirt / total) ** 2
    weight: FloatArray = trace.information / (spread + trace.information * tolerance)
    law = trace.law
    u = np.minimum(np.maximum((trace.y - eta - law.offset) / law.scale, -30.0), 4.0)
    growth = np.exp(u)
    deviance = growth - 1.0 - u
    beta = scene.beta
    objective = float(weight @ deviance) * law.scale**2 + 0.5 * scene.strength * float(
        beta @ trace.basis.penalty @ beta
    )
    misfit = law.scale * (growth - 1.0)
    # A sharper law at a point pays for itself in the normalising constant; only comparisons of models need it.
    sharper = 0.5 * float(np.log(weight / trace.information).sum()) * trace.information / law.information
    return Evaluation(
        eta,
        total,
        noise,
        floor,
        weight,
        misfit,
        by_noise * floor,
        first,
        last,
        start,
        index,
        jacobian,
        power,
        objective,
        objective - sharper,
    )


def normal_equations(trace: Trace, scene: Scene, at: Evaluation) -> tuple[FloatArray, FloatArray]:
    """Return the information matrix and the gradient of all parameters: four per carrier, then the floor's."""
    k, basis = scene.count, trace.basis
    size = 4 * k + basis.size
    hessian, gradient = np.zeros((size, size)), np.zeros(size)
    weighted = at.jacobian * at.weight[at.index][:, None]
    pull = at.misfit * at.weight
    for i in range(k):
        a, b = at.start[i], at.start[i + 1]
        own, mine = at.jacobian[a:b], slice(4 * i, 4 * i + 4)
        hessian[mine, mine] = own.T @ weighted[a:b]
        gradient[mine] = pull[at.first[i] : at.last[i]] @ own
        for j in range(i + 1, k):
            low, high = max(at.first[i], at.first[j]), min(at.last[i], at.last[j])
            if low >= high:
                if at.first[j] >= at.last[i] and scene.theta[j, 0] > scene.theta[i, 1]:
                    break
                continue
            here = weighted[a + low - at.first[i] : a + high - at.first[i]]
            c = at.start[j] - at.first[j]
            block = here.T @ at.jacobian[c + low : c + high]
            hessian[mine, 4 * j : 4 * j + 4] = block
            hessian[4 * j : 4 * j + 4, mine] = block.T
    if basis.size == 0:
        return hessian, gradient
    floor = slice(4 * k, size)
    hessian[floor, floor] = basis.gram(at.weight * at.by_noise**2) + scene.strength * basis.penalty
    gradient[floor] = basis.project(pull * at.by_noise) - scene.strength * (basis.penalty @ scene.beta)
    if at.index.size:
        _couple(hessian, basis, at, weighted, k)
    return hessian, gradient


def _couple(hessian: FloatArray, basis: FloorBasis, at: Evaluation, weighted: FloatArray, k: int) -> None:
    """Fill in the information shared by carriers and floor."""
    interval = basis.interval[at.index]
    owner = np.repeat(np.arange(k), np.diff(at.start))
    fresh = np.ones(interval.size, dtype=bool)
    fresh[1:] = (interval[1:] != interval[:-1]) | (owner[1:] != owner[:-1])
    cut = np.flatnonzero(fresh)
    scaled = weighted * at.by_noise[at.index][:, None]
    values = basis.values[at.index]
    rows = 4 * owner[cut]
    columns = 4 * k + interval[cut]
    for p in range(4):
        for q in range(4):
            sums = np.add.reduceat(scaled[:, p] * values[:, q], cut)
            hessian[rows + p, columns + q] += sums
    hessian[4 * k :, : 4 * k] = hessian[: 4 * k, 4 * k :].T


def active_parameters(
    scene: Scene, gradient: FloatArray | None = None, frozen: NDArray[np.bool_] | None = None
) -> NDArray[np.intp]:
    """Return the parameters that are free: no roll-off frozen or at a bound that pulls outward, no width of a CW."""
    free = np.ones((scene.count, 4), dtype=bool)
    free[scene.kind == CW, 1:3] = False
    if frozen is not None:
        free[frozen, 2] = False
    if gradient is not None and scene.count:
        slope = gradient[: 4 * scene.count].reshape(-1, 4)[:, 2]
        roll_off = scene.theta[:, 2]
        free[(roll_off <= 0.0) & (slope <= 0.0), 2] = False
        free[(roll_off >= MOST_ROLL_OFF) & (slope >= 0.0), 2] = False
    every = np.ones(free.size + scene.beta.size, dtype=bool)
    every[: free.size] = free.ravel()
    return np.flatnonzero(every)


def _moved(scene: Scene, step: FloatArray) -> Scene:
    """Return the scene after a step, kept within bounds."""
    k = scene.count
    move = step[: 4 * k].reshape(k, 4)
    theta = scene.theta.copy()
    width = np.where(scene.kind == RC, theta[:, 1] - theta[:, 0], 4.0)
    most = np.maximum(0.3 * width, 0.5)
    theta[:, :2] += np.clip(move[:, :2], -most[:, None], most[:, None])
    theta[:, 2] = np.clip(theta[:, 2] + np.clip(move[:, 2], -0.2, 0.2), 0.0, MOST_ROLL_OFF)
    theta[:, 3] += np.clip(move[:, 3], -1.5, 1.5)
    tone = scene.kind == CW
    theta[tone, 1] = theta[tone, 0]
    theta[tone, 2] = 0.0
    narrow = ~tone & (theta[:, 1] - theta[:, 0] < 0.05)
    theta[narrow, 1] = theta[narrow, 0] + 0.05
    return replace(scene, theta=theta, beta=scene.beta + np.clip(step[4 * k :], -1.0, 1.0))


def plan_of(trace: Trace, scene: Scene, at: Evaluation, active: NDArray[np.intp]) -> Layout:
    """Return the layout of the free parameters along the frequency axis."""
    knot = float(trace.x[-1] - trace.x[0]) / max(scene.beta.size - 3, 1)
    knots: FloatArray = trace.x[0] + (np.arange(scene.beta.size) - 1.0) * knot
    centre = 0.5 * (scene.theta[:, 0] + scene.theta[:, 1])
    last = trace.x.size - 1
    low = trace.x[np.minimum(at.first, last)] - 2.5 * knot
    high = trace.x[np.clip(at.last - 1, 0, last)] + 2.5 * knot
    overlap = (at.first[:, None] < at.last) & (at.last[:, None] > at.first)
    low = np.minimum(np.minimum(low, centre), np.where(overlap, centre, np.inf).min(axis=1, initial=np.inf))
    high = np.maximum(np.maximum(high, centre), np.where(overlap, centre, -np.inf).max(axis=1, initial=-np.inf))
    four = np.repeat(np.arange(scene.count), 4)
    return layout(
        active,
        np.concatenate((centre[four], knots)),
        np.concatenate((low[four], knots - 3.5 * knot)),
        np.concatenate((high[four], knots + 3.5 * knot)),
    )


def fit(
    trace: Trace,
    scene: Scene,
    *,
    rounds: int = 12,
    tolerance: float = 1e-3,
    frozen: NDArray[np.bool_] | None = None,
) -> tuple[Scene, Evaluation]:
    """Return the scene after damped Fisher scoring, and the model there; roll-offs that are `frozen` stay."""
    at = evaluate(trace, scene)
    damping = 1e-3
    plan: Layout | None = None
    known = np.empty(0, dtype=np.intp)
    for turn in range(rounds):
        hessian, gradient = normal_equations(trace, scene, at)
        active = active_parameters(scene, gradient, frozen)
        if plan is None or turn % 3 == 0 or not np.array_equal(active, known):
            plan, known = plan_of(trace, scene, at, active), active
        band = plan.band(hessian)
        gain = 0.0
        for _ in range(5):
            trial = _moved(scene, solve_damped(band, gradient, damping, plan))
            there = evaluate(trace, trial)
            gain = at.objective - there.objective
            if gain >= -1e-9 * abs(at.objective):
                scene, at = trial, there
                damping = max(damping * 0.1, 1e-6)
                break
            damping = max(damping * 10.0, 1e-2)
        if gain < tolerance:
            break
    return scene, at
