"""The measurement under way: the scene as it stands, and the ways to change it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure import detect
from spectra.measure.fit import fit
from spectra.measure.floor import WIDEST_CARRIER_HZ, floor_basis
from spectra.measure.linear import solve_narrow
from spectra.measure.model import Evaluation, evaluate, reweighed
from spectra.measure.moves import stretch_of
from spectra.measure.response import shows_shape
from spectra.measure.sandwich import points_lost
from spectra.measure.scene import RC, Scene, Trace, stacked
from spectra.measure.shoulders import shoulders
from spectra.measure.statistics import assumed_average, filter_lags, first_law, refined_law
from spectra.signal.detectors import Average
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.sweep import Sweep
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["RIPPLE_ODDS", "Work"]

_MANY_POINTS = 5000
_MERGED_WIDTH = 0.4  # of an RBW, over which points may be merged
_BENT_PRICE = 8.0  # in ln(likelihood): a response explains much, and a step between two carriers as well
_SHARPER = 1.15  # information of a point over that when questions were asked, for which they are asked again
RIPPLE_ODDS = 3.0  # ln(odds) that one hump alone is a carrier rather than ripple


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


class Work:
    """One measurement under way: trace, law, and the scene as it stands (the only mutable thing in this room).

    It does not outlive `spectra.measure.engine.solve`.
    """

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
        self.gain = shoulders(sweep.frequency_hz[0] + x * self.spacing_hz, y, math.sqrt(self.law.law.variance))
        if self.gain is not None:
            y = y - self.gain
            self.law = first_law(y, self.spacing_hz, sweep.settings)
        self.trace = Trace(x, y, sigma, self.law.law, self.law.information, floor_basis(x, self.spacing_hz))
        rbw = min(self.rbw_hz / self.spacing_hz, 0.9 * x.size)
        self.widest = min(WIDEST_CARRIER_HZ / self.spacing_hz, 0.9 * x.size)
        self.widths = detect.ladder(rbw, self.widest)
        self.tests = detect.independent_tests(x.size, self.widths, self.law.correlated_points)
        self.least = detect.threshold(false_alarms, self.tests)
        self.asked: set[tuple[object, ...]] = set()  # questions answered with no
        self._asked_at = self.trace.information
        # about one window of noise a sweep passes the lower threshold, and is questioned in vain
        self.asks = min(self.least, detect.threshold(1.0, self.tests))
        self._seen: tuple[Evaluation, list[detect.Window]] | None = None
        self.floor_doubt = np.zeros(x.size)  # variance of ln(floor), since its stiffness is not known
        self.may_ripple = False  # a standing wave may be there that was not taken
        self.scene: Scene
        self.at: Evaluation

    def refit(self, rounds: int, tolerance: float = 0.5) -> None:
        """Fit all parameters together."""
        self.scene, self.at = fit(self.trace, self.scene, rounds=rounds, tolerance=tolerance, start=self.at)

    def relaw(self, final: bool = False) -> None:
        """Take the law of the points from the residuals; while the scene may lack something, from the quieter ones."""
        residual = self.trace.y - self.at.eta
        usable = self.at.weight > 0.5 * self.trace.information
        usable &= self.at.weight < 1.5 * self.trace.information
        lags = filter_lags(residual.size, self.spacing_hz, self.sweep.settings.rbw_hz).size
        lost = points_lost(self.scene, self.trace.sigma, self.law.correlation, lags)
        self.law = refined_law(self.law, residual, usable, lost, self.spacing_hz, self.sweep.settings, not final)
        self.trace = replace(self.trace, law=self.law.law, information=self.law.information)
        self.at = reweighed(self.trace, self.at)
        if self.trace.information > _SHARPER * self._asked_at:  # what was no under a blunter law may be yes
            self.asked.clear()
            self._asked_at = self.trace.information

    def windows(self, least: float) -> list[detect.Window]:
        """Return what the residuals hold that passes a score of `least`, `asks` or more; the best first."""
        if self._seen is None or self._seen[0] is not self.at:
            ratio = self.trace.law.normal_ratio(self.trace.y - self.at.eta)
            share = np.maximum(self.at.weight / self.trace.information, 1e-6)
            found = detect.scan(ratio, share, self.trace.law, self.law.correlation, self.widths, self.asks)
            self._seen = self.at, found
        return [window for window in self._seen[1] if abs(window.score) > least]

    @property
    def margin(self) -> float:
        """Points around carriers in question that a local fit takes in."""
        return 8.0 * self.trace.sigma + 3.0

    def around(self, which: list[int]) -> NDArray[np.intp]:
        """Return these carriers and those that overlap them."""
        first, last = self.at.first, self.at.last
        hit = np.zeros(self.scene.count, dtype=bool)
        for k in which:
            hit |= (first < last[k]) & (last > first[k])
        hit[which] = True
        return np.flatnonzero(hit)

    def put(self, out: list[int], kind: list[int], theta: list[FloatArray]) -> None:
        """Put other carriers in place of some."""
        keep = np.ones(self.scene.count, dtype=bool)
        keep[out] = False
        kinds = np.concatenate((self.scene.kind[keep], np.array(kind, dtype=np.intp)))
        thetas = stacked(self.scene.theta[keep], theta)
        self.scene = self.scene.with_carriers(kinds, thetas)
        self.at = evaluate(self.trace, self.scene, self.at)

    def replace_if(
        self,
        out: list[int],
        kind: list[int],
        theta: list[FloatArray],
        gain: float,
        hopeless: float = 50.0,
        bent: bool = False,
    ) -> bool:
        """Replace carriers where that gains more than `gain` in ln(likelihood) (negative: loses less).

        A guess that still loses more than `hopeless` after a few steps is not pursued. The first of the new
        carriers may take a response where `bent`.
        """
        key = ("try", *(tuple(np.round(t[:2]).astype(int)) for t in (*self.scene.theta[out], *theta)), *kind)
        if key in self.asked:
            return False
        self.asked.add(key)
        stretch = stretch_of(self.trace, self.scene, self.at, self.around(out), self.margin)
        rest = [j for j in range(stretch.members.size) if stretch.members[j] not in out]
        kinds = kind + [int(stretch.kind[j]) for j in rest]
        guess = theta + [stretch.theta[j] for j in rest]
        now = stretch.best(list(stretch.kind), list(stretch.theta), 0)[1]
        which = [0] if bent and self.shows_shape(theta[0]) else None
        found, then = stretch.best(kinds, guess, 3, which, now - gain)
        if then - now > hopeless:
            return False
        found, then = stretch.best(kinds, list(found), 8, which, now - gain)
        if now - then <= gain + (_BENT_PRICE if which and found[0, 4:].any() else 0.0):
            return False
        self.put([int(j) for j in stretch.members], kinds, list(found))
        return True

    def shows_shape(self, row: FloatArray) -> bool:
        """Say whether a carrier of such parameters would show enough of itself for its shape to be judged."""
        alone = replace(self.scene, kind=np.array([RC], dtype=np.intp), theta=stacked([row]))
        return bool(shows_shape(self.trace, alone, self.law.correlated_points)[0])

    def scores(self) -> FloatArray:
        """Return each carrier's score: root of twice the gain in likelihood, the rest held (an upper estimate)."""
        gains = np.zeros(self.scene.count)
        law, at = self.trace.law, self.at
        shown = np.flatnonzero(np.diff(at.start))
        if shown.size:
            index, information = at.index, self.trace.information
            with_it = law.normal_ratio(self.trace.y - at.eta)
            plain = np.minimum(at.weight, information)
            held = at.weight * (with_it - 1.0 - np.log(with_it)) * law.scale**2
            held -= 0.5 * np.log(at.weight / plain) * (information / law.information)
            less = np.maximum(at.total[index] - at.power, 1e-3 * at.floor[index])
            without = np.minimum(law.normal_ratio(self.trace.y[index] - np.log(less)), 1e3)
            change = (plain * law.scale**2)[index] * (without - 1.0 - np.log(without)) - held[index]
            gains[shown] = np.add.reduceat(change, at.start[:-1][shown])
        return np.asarray(np.sqrt(2.0 * np.maximum(gains, 0.0)))

    def worth(self) -> float:
        """Return ln(evidence) of the scene: likelihood, the floor's Occam factor, and a price per carrier."""
        basis, at = self.trace.basis, self.at
        band = basis.gram(at.weight * at.by_noise**2) + self.scene.strength * basis.penalty
        band[0] += 1e-9
        determinant = solve_narrow(band, np.zeros(basis.size))[1]
        occam = 0.5 * (basis.size - 2) * np.log(self.scene.strength) - 0.5 * determinant
        return float(-at.lost + occam - self.scene.count * (0.5 * self.least**2 - RIPPLE_ODDS))
