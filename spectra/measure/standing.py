"""The line's own response: a slope and standing waves, which the floor shows and carriers come through as well.

Two mismatches at the ends of a cable make its gain ripple as a sine of frequency (the sum of reflections, to first
order). A spline needs two coefficients for each period of it, a sine three for all, so it is found where a spline would
rather stay straight. Between fits the sine is kept fixed; its own uncertainty is added to the floor's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from spectra.measure.floor import with_waves
from spectra.measure.linear import solve_narrow
from spectra.measure.model import Evaluation, evaluate
from spectra.measure.work import Work
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["doubt_waves", "reshape", "settle_waves", "wave_variance"]

_SHORTEST_HZ, _LONGEST_HZ = 1.5e6, 300e6
_LEAST_POINTS, _LEAST_RBW, _LEAST_PERIODS = 4.0, 3.0, 1.5
_SIZE_NEPERS = 0.08  # of a sine, standard deviation beforehand: 0.7 dB peak to peak (our choice)
_BEFOREHAND = math.log(4.0)  # ln(odds) against: one line in five ripples so (our choice)
_RELUCTANCE = 1.6  # ln(odds) for a sine that is taken: one that is not there costs more than one that is overlooked
_LEAST_DOUBT = 0.5  # chance that there is a sine, below which the floor is not doubted
_LEAST_CHANCE = 2e-3  # of one sine, to be counted as a doubt
_HOPELESS = 100.0  # in ln(evidence) behind after a first fit
_MOST_NEPERS = 0.7  # a mismatch that ripples by 6 dB peak to peak is no line any more
_MOST_WAVES = 2
_STIFF = 1e4  # over the strength that stands for a decibel of ripple
_SLOPE_STD = 0.05 / DB_PER_NEPER / 1e6  # nepers per Hz, what a line and its LNB may slope (common practice)


def reshape(work: Work) -> None:
    """Give the carriers the slope and ripple that the floor shows."""
    trace, basis = work.trace, work.trace.basis
    weight, x = work.at.weight * work.at.by_noise**2, trace.x
    total = max(float(weight.sum()), 1e-12)
    offset = x - float(weight @ x) / total
    spread = float(weight @ offset**2)
    slope = float((weight * offset) @ basis.spline(work.scene.beta)) / (spread + (_SLOPE_STD * work.spacing_hz) ** -2)
    work.trace = replace(trace, line=slope * offset if basis.wave is None else slope * offset + basis.wave)
    work.at = evaluate(work.trace, work.scene, work.at)


def settle_waves(work: Work) -> bool:
    """Look for standing waves and keep those that the evidence asks for; say whether there was one."""
    found, work.may_ripple = False, False
    for _ in range(_MOST_WAVES):
        likely = _likely(work)
        if likely is None:
            break
        work.may_ripple = likely.chance > _LEAST_DOUBT
        if likely.gain < likely.price + _RELUCTANCE:
            break
        before, worth = (work.trace, work.scene, work.at), work.worth()
        _take(work, np.vstack([work.trace.basis.waves, [likely.omega, 0.0, 0.0]]))
        if not _fitted(work, worth - _HOPELESS) or work.worth() - likely.price - _RELUCTANCE <= worth:
            work.trace, work.scene, work.at = before
            break
        found = True
    return found


def doubt_waves(work: Work) -> FloatArray:
    """Return the variance of ln(floor) at each point since a standing wave may be there that was not taken.

    Each sine moves the floor by so much, with the chance that it is there: what it explains beside a straight line,
    against its price and against what the floor's own bends explain.
    """
    likely = _likely(work, doubt=True) if work.may_ripple else None
    return np.zeros(work.trace.x.size) if likely is None else likely.doubt


def wave_variance(at: Evaluation) -> FloatArray:
    """Return by how much the variance of ln(floor) grows at each point since its sines are not known but fitted.

    Size, phase and period of each, with the spline free beside them: the Schur complement of their information in that
    of both, all from the points that show the floor.
    """
    trace, basis = at.trace, at.trace.basis
    if not len(basis.waves):
        return np.zeros(trace.x.size)
    x, weight = trace.x - float(trace.x.mean()), at.weight * at.by_noise**2
    rows = []
    for omega, cosine, sine in basis.waves:
        c, s = np.cos(omega * trace.x), np.sin(omega * trace.x)
        rows += [c, s, x * (sine * c - cosine * s)]
    design = np.array(rows)
    design /= np.sqrt(np.maximum((design * design) @ weight, 1e-12))[:, None]
    band = basis.gram(weight) + at.scene.strength * basis.penalty
    band[0] += 1e-9 * float(band[0].max())
    beside = np.array([basis.spline(solve_narrow(band, basis.project(weight * row))[0]) for row in design])
    rest = design - beside
    left = (rest * weight) @ design.T
    left = 0.5 * (left + left.T) + 1e-9 * np.eye(len(rows))
    return np.asarray((rest * np.linalg.solve(left, rest)).sum(axis=0))


def _fitted(work: Work, least: float) -> bool:
    """Fit sines and carriers in turn; say whether sines that a line may have come out, and evidence over `least`."""
    try:
        for _ in range(2):
            reshape(work)
            work.refit(6)
            if work.worth() < least:
                return False
            _take(work, work.trace.basis.waves)
        reshape(work)
        work.refit(6)
    except np.linalg.LinAlgError:  # floor, sines and carriers that do the same
        return False
    return bool(np.hypot(*work.trace.basis.waves[:, 1:].T).max() < _MOST_NEPERS)


def _response(work: Work) -> tuple[FloatArray, FloatArray]:
    """Return each point's information about ln(floor), and that times what the point says ln(floor) is."""
    at, level = work.at, work.trace.basis.floor(work.scene.beta)
    weight = at.weight * at.by_noise**2
    return weight, weight * level + at.weight * at.by_noise * at.misfit


@dataclass(frozen=True, slots=True)
class _Likely:
    """A sine that explains much beside a straight line.

    `omega` is its angular frequency per point spacing, `gain` what it explains in ln(likelihood), `price` the ln(odds)
    against it beforehand, `chance` that this sine is there, or another, and `doubt` the variance of ln(floor) by that.
    """

    omega: float
    gain: float
    price: float
    chance: float
    doubt: FloatArray


def _likely(work: Work, doubt: bool = False) -> _Likely | None:
    """Return the likeliest sine, None where the sweep has no room for one."""
    trace, n = work.trace, work.trace.x.size
    weight, says = _response(work)
    if trace.basis.wave is not None:
        says = says - weight * trace.basis.wave
    place = np.round(trace.x).astype(np.intp)
    size = 4 * (1 << int(n - 1).bit_length())
    x = np.arange(size) - 0.5 * n
    grid = [np.bincount(place, values, size) for values in (weight, says)]
    w, z, wx = (np.fft.rfft(values) for values in (grid[0], grid[1], grid[0] * x))
    spacing = work.spacing_hz
    shortest = max(_LEAST_POINTS, _LEAST_RBW * work.rbw_hz / spacing, _SHORTEST_HZ / spacing)
    longest = min(float(n) / _LEAST_PERIODS, _LONGEST_HZ / spacing)
    first, last = int(np.ceil(size / longest)), int(size / shortest)
    if last <= first:
        return None
    k = np.arange(first, min(last, size // 4) + 1)
    total, first_moment, second = float(grid[0].sum()), float(grid[0] @ x), float(grid[0] @ (x * x))
    line = np.array([[total, first_moment], [first_moment, second]]) + 1e-9 * (total + second) * np.eye(2)
    straight_right = np.array([float(grid[1].sum()), float(grid[1] @ x)])
    straight = np.linalg.solve(line, straight_right)
    # The sine's cosine and sine beside the line: Schur complement of the line's information, (k, 2, 2).
    beside = np.array([[w[k].real, -w[k].imag], [wx[k].real, -wx[k].imag]]).transpose(2, 0, 1)
    tilt = np.linalg.solve(line, beside)
    c, d, e = 0.5 * (total + w[2 * k].real), -0.5 * w[2 * k].imag, 0.5 * (total - w[2 * k].real)
    c = c - (beside[:, :, 0] * tilt[:, :, 0]).sum(axis=1) + 1e-9 * total
    d = d - (beside[:, :, 0] * tilt[:, :, 1]).sum(axis=1)
    e = e - (beside[:, :, 1] * tilt[:, :, 1]).sum(axis=1) + 1e-9 * total
    right = np.stack((z[k].real, -z[k].imag), axis=1) - straight @ beside
    sine = np.stack((e * right[:, 0] - d * right[:, 1], c * right[:, 1] - d * right[:, 0]), axis=1)
    sine /= np.maximum(c * e - d * d, 1e-18 * total * total)[:, None]
    gain = 0.5 * (right * sine).sum(axis=1)
    # One line in five has one, any period of a decade as likely as another of it, and of some size: the odds against a
    # sine of one period are its share of all periods, and what its size and phase take of the room they have.
    cycles = k * float(n) / size
    known = 0.5 * total * _SIZE_NEPERS**2
    price = np.log(cycles * math.log(cycles[-1] / cycles[0] + 1.0)) + math.log1p(known) + _BEFOREHAND
    best = int(np.argmax(gain - price))
    bent = _bent_gain(work, says, weight, 0.5 * float(straight @ straight_right)) if doubt else 0.0
    chance = np.exp(np.minimum(gain - price - bent, 50.0)) * (cycles[1] - cycles[0] if k.size > 1 else 1.0)
    chance /= 1.0 + chance.sum()
    moved = np.zeros(n)
    for j in np.flatnonzero(chance > _LEAST_CHANCE) if doubt else ():
        turn, turned = (2.0 * np.pi * k[j] / size) * place, tilt[j] @ sine[j]
        apart = sine[j, 0] * np.cos(turn) + sine[j, 1] * np.sin(turn) - turned[0] - turned[1] * (place - 0.5 * n)
        moved += chance[j] * apart**2
    omega = float(2.0 * np.pi * k[best] / size)
    return _Likely(omega, float(gain[best]), float(price[best]), float(chance.sum()), moved)


def _bent_gain(work: Work, says: FloatArray, weight: FloatArray, straight: float) -> float:
    """Return what the floor's own bends explain in ln(likelihood) beyond a straight line, which explains `straight`."""
    level = work.trace.basis.spline(work.scene.beta)
    return max(float(says @ level) - 0.5 * float(weight @ level**2) - straight, 0.0)


def _take(work: Work, waves: FloatArray) -> None:
    """Fit sines beside a straight line to what the points say of the floor, one step, and take them and the line."""
    trace = work.trace
    weight, says = _response(work)
    columns = [np.ones(trace.x.size), trace.x]
    for omega, cosine, sine in waves:
        c, s = np.cos(omega * trace.x), np.sin(omega * trace.x)
        columns += [c, s, trace.x * (sine * c - cosine * s)]
    design = np.array(columns)
    scale = 1.0 / np.sqrt(np.maximum((design * design) @ weight, 1e-12))
    scaled = design * scale[:, None]
    left = (scaled * weight) @ scaled.T + 1e-9 * np.eye(scale.size)
    step = np.linalg.solve(left, scaled @ says) * scale
    fresh = waves.copy()
    for j in range(len(waves)):
        fresh[j, 1:] = step[2 + 3 * j : 4 + 3 * j]
        if np.any(waves[j, 1:]):  # a sine's frequency is told once its size is
            most = 0.5 / trace.x[-1]
            fresh[j, 0] += float(np.clip(step[4 + 3 * j], -most, most))
    basis = with_waves(trace.basis, trace.x, fresh)
    strength = _STIFF * basis.prior_strength
    work.trace = replace(trace, basis=basis)
    line = step[0] + step[1] * trace.x
    beta = basis.approximate(line + (0.0 if basis.wave is None else basis.wave))
    work.scene = replace(work.scene, beta=beta, strength=strength)
    work.at = evaluate(work.trace, work.scene, work.at)
