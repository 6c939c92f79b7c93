"""From a sweep to a fitted scene: first floor, first guesses, joint fit, what the residuals hold, what to drop."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure import detect
from spectra.measure.floor import WIDEST_CARRIER_HZ, first_floors, floor_basis, humps, lower_envelope
from spectra.measure.linear import evidence, inverse
from spectra.measure.model import (
    CW,
    RC,
    Evaluation,
    Scene,
    Trace,
    active_parameters,
    evaluate,
    fit,
    normal_equations,
    plan_of,
)
from spectra.measure.moves import WIDTH_GAIN, as_carrier, as_tone, merged, stretch_of
from spectra.measure.profile import RollOffProfile, profiles
from spectra.measure.seeds import seed_carriers, seed_stretch, seed_window
from spectra.measure.statistics import TraceLaw, assumed_average, first_law, refined_law
from spectra.signal.detectors import Average
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.sweep import Sweep
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["Solution", "solve"]


_MANY_POINTS = 5000
_MERGED_WIDTH = 0.4  # of an RBW, over which points may be merged
_RIPPLE_LEVEL = 0.0  # ln(plateau / floor) below which a wide carrier may be ripple (0 dB: 3 dB of ripple)
_RIPPLE_WIDTH_HZ = 3e6
_RIPPLE_ODDS = 3.0  # ln(odds) that one hump alone is a carrier rather than ripple
_MOST_HUMPS = 5
_HUMP_LEVEL = 0.05  # nepers of floor over its own lower envelope that may be a carrier
_EVIDENCE_MARGIN = 1.5  # in ln(likelihood): a floor bends only where the trace asks for it


@dataclass(frozen=True, slots=True)
class Solution:
    """A fitted scene with all that the results need.

    Attributes
    ----------
    trace, scene, at : Trace, Scene, Evaluation
    law : TraceLaw
    covariance : ndarray, shape (p, p)
        Of four parameters per carrier, then the floor's coefficients; zero where a parameter was not free.
    scores : ndarray, shape (k,)
        Normal score of each carrier against its absence.
    tests : float
        Independent tests that the scan amounts to.
    spacing_hz, origin_hz, reference_dbm : float
        What turns points and nepers into hertz and dBm.
    rbw_known : bool
    profiles : dict of int to RollOffProfile
    merged : int
        Points of the sweep that were averaged into one.
    """

    trace: Trace
    scene: Scene
    at: Evaluation
    law: TraceLaw
    covariance: FloatArray
    scores: FloatArray
    tests: float
    spacing_hz: float
    origin_hz: float
    reference_dbm: float
    rbw_hz: float
    rbw_known: bool
    profiles: dict[int, RollOffProfile]
    merged: int = 1

    def at_points(self, values: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        """Return values given at the fitted points at the points of the sweep (the same unless points were merged)."""
        if values.size == frequency_hz.size:
            return values
        return np.interp(frequency_hz, self.origin_hz + self.trace.x * self.spacing_hz, values)


def _merged_points(x: FloatArray, y: FloatArray, count: int, average: Average) -> tuple[FloatArray, FloatArray]:
    """Return points far closer than the RBW merged by `count`, averaged as the detector averages."""
    n = x.size // count * count
    levels = y[:n].reshape(-1, count)
    if average == "power":
        merged = np.log(np.exp(levels).mean(axis=1))
    elif average == "voltage":
        merged = 2.0 * np.log(np.exp(0.5 * levels).mean(axis=1))
    else:
        merged = levels.mean(axis=1)
    return x[:n].reshape(-1, count).mean(axis=1), merged


class _Work:
    """One measurement under way (the only mutable thing here; it does not outlive `solve`)."""

    def __init__(self, sweep: Sweep, false_alarms: float) -> None:
        self.sweep = sweep
        self.spacing_hz = sweep.spacing_hz
        self.reference_dbm = float(np.median(sweep.level_dbm))
        x = (sweep.frequency_hz - sweep.frequency_hz[0]) / self.spacing_hz
        y = (sweep.level_dbm - self.reference_dbm) / DB_PER_NEPER
        rbw_hz = sweep.settings.rbw_hz
        self.rbw_known = rbw_hz is not None
        self.rbw_hz = rbw_hz if rbw_hz is not None else self.spacing_hz
        sigma = self.rbw_hz * SIGMA_PER_RBW / self.spacing_hz
        self.merged = int(_MERGED_WIDTH * self.rbw_hz / self.spacing_hz) if sweep.points > _MANY_POINTS else 1
        if self.merged > 1:
            x, y = _merged_points(x, y, self.merged, assumed_average(sweep.settings)[0])
            self.spacing_hz *= self.merged
            x = x / self.merged
            sigma = math.hypot(sigma / self.merged, math.sqrt(1.0 / 12.0))
        self.law = first_law(y, self.spacing_hz, sweep.settings)
        self.trace = Trace(x, y, sigma, self.law.law, self.law.information, floor_basis(x, self.spacing_hz))
        rbw = self.rbw_hz / self.spacing_hz
        self.widest = min(WIDEST_CARRIER_HZ / self.spacing_hz, 0.9 * x.size)
        self.widths = detect.ladder(rbw, self.widest)
        self.tests = detect.independent_tests(x.size, self.widths, self.law.correlated_points)
        self.least = detect.threshold(false_alarms, self.tests)
        self._asked: set[tuple[object, ...]] = set()  # questions answered with no
        self.scene: Scene
        self.at: Evaluation

    def start(self) -> None:
        """Make the first scene; once more where its residuals tell of a law much unlike the one assumed."""
        self._first()
        before = self.trace.information
        self.relaw()
        if not 0.7 < self.trace.information / before < 1.4:
            self._asked.clear()
            self._first()
            self.relaw()

    def _first(self) -> None:
        basis, trace = self.trace.basis, self.trace
        best: tuple[float, Scene, Evaluation] | None = None
        for beta, strength in first_floors(basis, trace.x, trace.y, trace.law, trace.information, self.spacing_hz):
            kind, theta = seed_carriers(trace, basis.floor(beta), self.law.correlation, self.least, self.widest)
            scene = Scene(np.empty(0, dtype=np.intp), np.empty((0, 4)), beta, strength)
            self.scene = scene.with_carriers(kind, theta)
            self.refit(8)
            worth = self._worth()
            if best is None or worth > best[0]:
                best = (worth, self.scene, self.at)
        assert best is not None
        self.scene, self.at = best[1], best[2]

    def refit(self, rounds: int, tolerance: float = 0.05) -> None:
        self.scene, self.at = fit(self.trace, self.scene, rounds=rounds, tolerance=tolerance)

    def relaw(self) -> None:
        """Take the law of the points from the residuals."""
        residual = self.trace.y - self.at.eta
        usable = self.at.weight > 0.5 * self.trace.information
        usable &= self.at.weight < 1.5 * self.trace.information
        lost = 4.0 * self.scene.count + 3.0
        self.law = refined_law(self.law, residual, usable, lost, self.spacing_hz, self.sweep.settings)
        self.trace = replace(self.trace, law=self.law.law, information=self.law.information)
        self.at = evaluate(self.trace, self.scene)

    def windows(self, least: float | None = None) -> list[detect.Window]:
        """Return what the residuals hold."""
        ratio = self.trace.law.normal_ratio(self.trace.y - self.at.eta)
        share = np.maximum(self.at.weight / self.trace.information, 1e-6)
        return detect.scan(ratio, share, self.trace.law, self.law.correlation, self.widths, least or self.least)

    def add(self) -> bool:
        """Add a carrier for every window that stands out; say whether there was any."""
        fresh = [seed_window(self.trace, self.at.eta, w) for w in self.windows() if w.score > 0.0][:12]
        if not fresh:
            return False
        kind = np.r_[self.scene.kind, np.array([k for k, _ in fresh], dtype=np.intp)]
        theta = np.vstack([self.scene.theta, np.array([t for _, t in fresh])])
        self.scene = self.scene.with_carriers(kind, theta)
        self.refit(8)
        return True

    def drop(self) -> bool:
        """Drop carriers whose presence does not explain enough, the weakest first; say whether any went."""
        before = self.scene.count
        self._drop_impossible()
        while self.scene.count:
            score = self.scores()
            sliver = self._slivers()
            weak = [int(k) for k in np.argsort(score) if score[k] < self.least + 1.0 or sliver[k]]
            for k in weak:
                if score[k] < self.least or self._needless(k):
                    self._replace([k], [], [])
                    break
            else:
                break
            self.refit(3)
        return self.scene.count < before

    def _drop_impossible(self) -> None:
        """Drop what cannot be told from floor: wider than any carrier or than most of the span, or outside it."""
        theta = self.scene.theta
        width, centre = theta[:, 1] - theta[:, 0], 0.5 * (theta[:, 0] + theta[:, 1])
        last = float(self.trace.x[-1])
        out = (width > min(1.2 * WIDEST_CARRIER_HZ / self.spacing_hz, 0.85 * last)) | (centre < 0.0) | (centre > last)
        if out.any():
            self._replace(list(np.flatnonzero(out)), [], [])
            self.refit(8)

    def _slivers(self) -> NDArray[np.bool_]:
        """Say which carriers are narrow ones at the edge of, or inside, a much wider and stronger one."""
        theta, reach = self.scene.theta, 3.0 * self.trace.sigma
        width = theta[:, 1] - theta[:, 0]
        half = 0.5 * theta[:, 2] * width + reach
        touch = (theta[:, None, 0] - half[:, None] < theta[None, :, 1] + half) & (
            theta[:, None, 1] + half[:, None] > theta[None, :, 0] - half
        )
        small = (width[:, None] < 0.2 * width) & (theta[:, None, 3] < theta[:, 3])
        return np.asarray((touch & small).any(axis=1))

    def _needless(self, k: int) -> bool:
        """Say whether the neighbours could do without carrier `k`."""
        key = ("need", *np.round(self.scene.theta[k, :2]).astype(int))
        if key in self._asked:
            return False
        self._asked.add(key)
        stretch = stretch_of(self.trace, self.scene, self.at, self._around([k]), self._margin)
        others = [j for j in range(stretch.members.size) if stretch.members[j] != k]
        now = stretch.best(list(stretch.kind), list(stretch.theta), 0)[1]
        less = stretch.best([int(stretch.kind[j]) for j in others], [stretch.theta[j] for j in others], 6)[1]
        return less - now < 0.5 * self.least**2

    @property
    def _margin(self) -> float:
        return 8.0 * self.trace.sigma + 3.0

    def _around(self, which: list[int]) -> NDArray[np.intp]:
        """Return these carriers and those that overlap them."""
        first, last = self.at.first, self.at.last
        hit = np.zeros(self.scene.count, dtype=bool)
        for k in which:
            hit |= (first < last[k]) & (last > first[k])
        hit[which] = True
        return np.flatnonzero(hit)

    def _replace(self, out: list[int], kind: list[int], theta: list[FloatArray]) -> None:
        """Put other carriers in place of some."""
        keep = ~np.isin(np.arange(self.scene.count), out)
        kinds = np.r_[self.scene.kind[keep], np.array(kind, dtype=np.intp)].astype(np.intp)
        thetas = np.vstack([self.scene.theta[keep], np.array(theta, dtype=np.float64).reshape(-1, 4)])
        self.scene = self.scene.with_carriers(kinds, thetas)
        self.at = evaluate(self.trace, self.scene)

    def _try(
        self, out: list[int], kind: list[int], theta: list[FloatArray], gain: float, hopeless: float = 50.0
    ) -> bool:
        """Replace carriers where that gains more than `gain` in ln(likelihood) (negative: loses less).

        A guess that still loses more than `hopeless` after a few steps is not pursued.
        """
        key = ("try", *(tuple(np.round(t[:2]).astype(int)) for t in (*self.scene.theta[out], *theta)), *kind)
        if key in self._asked:
            return False
        self._asked.add(key)
        stretch = stretch_of(self.trace, self.scene, self.at, self._around(out), self._margin)
        rest = [j for j in range(stretch.members.size) if stretch.members[j] not in out]
        kinds = kind + [int(stretch.kind[j]) for j in rest]
        guess = theta + [stretch.theta[j] for j in rest]
        now = stretch.best(list(stretch.kind), list(stretch.theta), 0)[1]
        found, then = stretch.best(kinds, guess, 3)
        if then - now > hopeless:
            return False
        found, then = stretch.best(kinds, list(found), 8)
        if now - then <= gain:
            return False
        self._replace([int(j) for j in stretch.members], kinds, list(found))
        return True

    def rethink(self) -> bool:
        """Merge neighbours that are one, part what is two, give a CW a width or a narrow carrier none."""
        return bool(sum([self._merge(), self._repair(), self._split(), self._rewidth()]))

    def _split(self) -> bool:
        """Part carriers whose two sides stand at different levels."""
        changed = False
        residual = self.at.misfit * self.at.weight
        total = np.r_[0.0, np.cumsum(residual)]
        weight = np.r_[0.0, np.cumsum(self.at.weight)]
        for k in range(self.scene.count):
            left, right, _, level = self.scene.theta[k]
            low, high = np.clip(np.searchsorted(self.trace.x, [left, right]), 0, self.trace.x.size)
            if self.scene.kind[k] == CW or high - low < 8:
                continue
            cut = np.arange(low + 3, high - 3)
            before, after = weight[cut] - weight[low], weight[high] - weight[cut]
            step = (total[high] - total[cut]) / after - (total[cut] - total[low]) / before
            score = np.abs(step) * np.sqrt(before * after / (before + after))
            best = int(np.argmax(score))
            if score[best] < 3.5:
                continue
            place = float(self.trace.x[cut[best]]) - 0.5
            share = float(before[best] / (before[best] + after[best]))
            one = np.array([left, place, 0.2, level - step[best] * (1.0 - share)])
            two = np.array([place, right, 0.2, level + step[best] * share])
            changed |= self._try([k], [RC, RC], [one, two], 0.5 * self.least**2 + 3.0)
        return changed

    def _merge(self) -> bool:
        changed = False
        rbw = self.rbw_hz / self.spacing_hz
        price = 0.5 * self.least**2 + 3.0
        changed |= self._bridge()
        k = 0
        while k + 1 < self.scene.count:
            theta, kind = self.scene.theta, self.scene.kind
            width = np.where(kind == RC, theta[:, 1] - theta[:, 0], rbw)[k : k + 2]
            gap = theta[k + 1, 0] - theta[k, 1]
            near = gap < max(0.15 * float(width.max()), 2.5 * rbw if (kind[k : k + 2] == CW).any() else 0.8 * rbw)
            if near:
                one = merged(theta[k], theta[k + 1], (int(kind[k]), int(kind[k + 1])), rbw)
                if self._try([k, k + 1], [RC], [one], -price, hopeless=4.0 * price):
                    changed = True
                    continue
            k += 1
        return changed

    def _bridge(self) -> bool:
        """Make one of two carriers that only a CW seems to part."""
        changed = False
        for k in range(1, self.scene.count - 1):
            theta, kind = self.scene.theta, self.scene.kind
            if k + 1 >= kind.size or list(kind[k - 1 : k + 2]) != [RC, CW, RC]:
                continue
            if theta[k + 1, 0] - theta[k - 1, 1] > 12.0 * self.trace.sigma + 4.0:
                continue
            one = merged(theta[k - 1], theta[k + 1], (RC, RC), self.rbw_hz / self.spacing_hz)
            price = 0.5 * self.least**2 + 3.0
            changed |= self._try([k - 1, k, k + 1], [RC, CW], [one, theta[k]], -price, hopeless=4.0 * price)
        return changed

    def _repair(self) -> bool:
        """Where the trace lies below the model: move the edge that is too far out, or part the carrier there."""
        changed = False
        rbw = self.rbw_hz / self.spacing_hz
        # about one window of noise a sweep is questioned in vain
        odd = self.windows(detect.threshold(1.0, self.tests))[:12] if self.scene.count else []
        for window in odd:
            if window.score > 0.0:
                changed |= self._extend(window)
                continue
            middle = float(self.trace.x[min((window.first + window.last) // 2, self.trace.x.size - 1)])
            theta, kind = self.scene.theta, self.scene.kind
            inside = np.flatnonzero((kind == RC) & (theta[:, 0] - rbw < middle) & (middle < theta[:, 1] + rbw))
            if inside.size == 0:
                continue
            k = int(inside[np.argmax(theta[inside, 3])])
            changed |= self._part(k, float(self.trace.x[window.first]), float(self.trace.x[window.last - 1]))
        return changed

    def _extend(self, window: detect.Window) -> bool:
        """Try the edge of a carrier beyond a stretch beside it that stands too high."""
        low, high = float(self.trace.x[window.first]) - 0.5, float(self.trace.x[window.last - 1]) + 0.5
        theta = self.scene.theta
        width = theta[:, 1] - theta[:, 0]
        for k in np.flatnonzero((self.scene.kind == RC) & (width > 3.0)):
            wider = theta[k].copy()
            wider[2] = 0.2
            if theta[k, 1] - 0.3 * width[k] < low < theta[k, 1] + 0.15 * width[k] and high > theta[k, 1]:
                wider[1] = high
            elif theta[k, 0] - 0.15 * width[k] < high < theta[k, 0] + 0.3 * width[k] and low < theta[k, 0]:
                wider[0] = low
            else:
                continue
            if wider[1] - wider[0] < 2.0 * width[k] and self._try([int(k)], [RC], [wider], 0.5):
                return True
        return False

    def _part(self, k: int, low: float, high: float) -> bool:
        """Try a carrier without the stretch low..high: cut short on either side, or parted in two."""
        whole = self.scene.theta[k]
        left, right = whole.copy(), whole.copy()
        left[1], right[0] = low - 0.5, high + 0.5
        left[2] = right[2] = 0.2
        if low - whole[0] < high - whole[0] and whole[1] - high > 2.0 and self._try([k], [RC], [right], 1.0):
            return True
        if low - whole[0] > 2.0 and self._try([k], [RC], [left], 1.0):
            return True
        if low - whole[0] > 2.0 and whole[1] - high > 2.0:
            return self._try([k], [RC, RC], [left, right], 0.5 * self.least**2 + 3.0)
        return False

    def _rewidth(self) -> bool:
        changed = False
        rbw = self.rbw_hz / self.spacing_hz
        for k in range(self.scene.count):
            theta = self.scene.theta[k]
            if self.scene.kind[k] == CW:
                wider = self._try([k], [RC], [as_carrier(theta, rbw, self.trace.sigma)], WIDTH_GAIN)
                # a carrier of no visible width still scatters like noise, a CW does not
                changed |= wider or self._try([k], [RC], [as_carrier(theta, 0.3 * rbw, self.trace.sigma)], WIDTH_GAIN)
            elif theta[1] - theta[0] < 1.5 * rbw:
                changed |= self._try([k], [CW], [as_tone(theta, self.trace.sigma)], -WIDTH_GAIN)
        return changed

    def settle(self, rounds: int) -> None:
        """Add, rethink and drop until nothing changes."""
        for _ in range(rounds):
            added = self.add()
            changed = self.rethink()
            dropped = self.drop()
            if added or changed or dropped:
                self.refit(3)
            self.relaw()
            if not (added or changed):
                return

    def scores(self) -> FloatArray:
        """Return each carrier's score: root of twice the gain in likelihood, the rest held (an upper estimate)."""
        gains = np.zeros(self.scene.count)
        law, at = self.trace.law, self.at
        for k in range(self.scene.count):
            low, high = int(at.first[k]), int(at.last[k])
            if high <= low:
                continue
            less = np.maximum(at.total[low:high] - at.power[at.start[k] : at.start[k + 1]], 1e-3 * at.floor[low:high])
            y = self.trace.y[low:high]
            with_it = law.normal_ratio(y - at.eta[low:high])
            without = np.minimum(law.normal_ratio(y - np.log(less)), 1e3)
            weight = at.weight[low:high]
            plain = np.minimum(weight, self.trace.information)
            change = plain * (without - 1.0 - np.log(without)) - weight * (with_it - 1.0 - np.log(with_it))
            sharper = 0.5 * np.log(weight / plain) * (self.trace.information / law.information)
            gains[k] = float(change.sum()) * law.scale**2 + float(sharper.sum())
        return np.asarray(np.sqrt(2.0 * np.maximum(gains, 0.0)))

    def strengthen(self) -> None:
        """Take the strength of the floor's penalty from the trace, by restricted maximum likelihood."""
        hessian, gradient = normal_equations(self.trace, self.scene, self.at)
        active = active_parameters(self.scene, gradient)
        basis, scene = self.trace.basis, self.scene
        m, penalty = basis.size, basis.penalty
        known, pull = hessian, gradient
        known[-m:, -m:] -= scene.strength * penalty
        pull[-m:] += scene.strength * (penalty @ scene.beta)
        grid = basis.prior_strength * 10.0 ** np.linspace(-1.5, 6.0, 11)
        value = evidence(known, pull, penalty, scene.beta, grid, plan_of(self.trace, scene, self.at, active))
        enough = np.flatnonzero(value >= value.max() - _EVIDENCE_MARGIN)
        self.scene = replace(scene, strength=float(grid[enough[-1]]))

    def unbend(self) -> bool:
        """Ask whether humps of the floor are carriers that it swallowed, by the evidence of both readings."""
        basis = self.trace.basis
        level = basis.floor(self.scene.beta)
        below = lower_envelope(self.trace.x, level, WIDEST_CARRIER_HZ / self.spacing_hz)
        changed = False
        # where the floor is known to ripple, one more crest is no news
        doubt = 1.0 if self.scene.strength > 5.0 * basis.prior_strength else 1.0 + 2.0 * _RIPPLE_ODDS
        for a, b in humps(level - below, _HUMP_LEVEL)[:_MOST_HUMPS]:
            within_reach = 0.5 * self.trace.information * float(((level - below)[a:b] ** 2).sum())
            if (b - a) * self.spacing_hz < _RIPPLE_WIDTH_HZ or within_reach < 0.5 * self.least**2:
                continue
            before, worth = (self.scene, self.at), self._worth()
            flat = basis.floor(self.scene.beta)
            flat[a:b] = below[a:b]
            beta = basis.approximate(flat)
            kind, theta = seed_stretch(self.trace, basis.floor(beta), a, b)
            self.scene = replace(self.scene, beta=beta).with_carriers(
                np.r_[self.scene.kind, kind].astype(np.intp), np.vstack([self.scene.theta, theta])
            )
            self.refit(8)
            if self._worth() > worth + doubt:
                changed = True
            else:
                self.scene, self.at = before
        return changed

    def reconsider(self) -> bool:
        """Ask whether weak wide carriers are ripple of the floor, by the evidence of both readings of the trace."""
        basis, scene = self.trace.basis, self.scene
        if scene.count == 0:
            return False
        theta = scene.theta
        middle = np.clip(np.round(0.5 * (theta[:, 0] + theta[:, 1])).astype(int), 0, self.trace.x.size - 1)
        over = theta[:, 3] - basis.floor(scene.beta)[middle]
        wide = (theta[:, 1] - theta[:, 0]) * self.spacing_hz > _RIPPLE_WIDTH_HZ
        suspect = (scene.kind == RC) & (over < _RIPPLE_LEVEL) & wide
        if not suspect.any():
            return False
        before, worth = (self.scene, self.at), self._worth()
        self.scene = replace(
            scene, kind=scene.kind[~suspect], theta=theta[~suspect], strength=0.3 * basis.prior_strength
        )
        self.refit(6)
        self.strengthen()
        self.refit(4)
        if self._worth() > worth:
            return True
        self.scene, self.at = before
        return False

    def _worth(self) -> float:
        """Return ln(evidence) of the scene: likelihood, the floor's Occam factor, and a price per carrier."""
        basis, at = self.trace.basis, self.at
        matrix = basis.gram(at.weight * at.by_noise**2) + self.scene.strength * basis.penalty
        matrix[np.diag_indices(basis.size)] += 1e-9
        occam = 0.5 * (basis.size - 2) * np.log(self.scene.strength) - 0.5 * float(np.linalg.slogdet(matrix)[1])
        return float(-at.lost + occam - self.scene.count * (0.5 * self.least**2 - _RIPPLE_ODDS))

    def solution(self) -> Solution:
        hessian, gradient = normal_equations(self.trace, self.scene, self.at)
        active = active_parameters(self.scene, gradient)
        covariance = np.zeros_like(hessian)
        covariance[np.ix_(active, active)] = inverse(hessian[np.ix_(active, active)])
        return Solution(
            self.trace,
            self.scene,
            self.at,
            self.law,
            covariance,
            self.scores(),
            self.tests,
            self.spacing_hz,
            self.sweep.start_hz,
            self.reference_dbm,
            self.rbw_hz,
            self.rbw_known,
            profiles(self.trace, self.scene, self.at, covariance),
            self.merged,
        )


def solve(sweep: Sweep, false_alarms: float) -> Solution:
    """Fit a scene to a sweep."""
    work = _Work(sweep, false_alarms)
    work.start()
    work.settle(4)
    if work.reconsider():
        work.relaw()
        work.settle(3)
    if work.unbend():
        work.settle(2)
    for _ in range(3):
        before = work.scene.strength
        work.strengthen()
        if work.scene.strength == before:
            break
        work.refit(4)
    work.relaw()
    work.refit(10, 5e-3)
    return work.solution()
