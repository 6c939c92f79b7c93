"""From a sweep to a fitted scene: first floor, first guesses, joint fit, what the residuals hold, what to drop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from spectra.measure.cloud import Clouds
from spectra.measure.detect import Window
from spectra.measure.floor import KNOT_HZ, first_floors
from spectra.measure.model import Evaluation, evaluate
from spectra.measure.questions import drop, rethink
from spectra.measure.ripple import EVIDENCE_MARGIN, reconsider, strengthen, unbend
from spectra.measure.scene import Scene, Trace, stacked
from spectra.measure.seeds import seed_carriers, seed_window
from spectra.measure.settled import settled
from spectra.measure.standing import doubt_waves, reshape, settle_waves
from spectra.measure.statistics import TraceLaw
from spectra.measure.work import Work
from spectra.sweep import Sweep
from spectra.units import FloatArray

__all__ = ["Solution", "solve"]


_HOPELESS = 100.0  # in ln(evidence) behind another first floor after two steps: seldom more than 60 are caught up


@dataclass(frozen=True, slots=True)
class Solution:
    """A fitted scene with all that the results need.

    Attributes
    ----------
    trace, scene, at : Trace, Scene, Evaluation
        The fit, the scene at the means of its parameters.
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
    clouds : Clouds
    merged : int
        Points of the sweep that were averaged into one.
    floor_doubt : ndarray, shape (n,), optional
        Variance of ln(floor), since its stiffness is not known, nor whether it ripples.
    gain : ndarray, shape (n,), optional
        ln(gain) of the chain's shoulders, which was taken out of the trace.
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
    clouds: Clouds
    merged: int = 1
    gain: FloatArray | None = None
    floor_doubt: FloatArray | None = None

    def shown(self, level: FloatArray) -> FloatArray:
        """Return ln(levels) of the fit as the trace shows them, with the shoulders put back."""
        return level if self.gain is None else level + self.gain

    def at_points(self, values: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        """Return values given at the fitted points at the points of the sweep (the same unless points were merged)."""
        if values.size == frequency_hz.size:
            return values
        return np.interp(frequency_hz, self.origin_hz + self.trace.x * self.spacing_hz, values)


def _start(work: Work) -> None:
    """Make the first scene; once more where its residuals tell of a law much unlike the one assumed.

    Edges make the first law a little too wide, which costs nothing but some first guesses; one that is too narrow takes
    noise for carriers.
    """
    _first(work)
    before = work.trace.information
    work.relaw()
    if not 0.7 < work.trace.information / before < 2.5:
        work.asked.clear()
        _first(work)
        work.relaw()


def _first(work: Work) -> None:
    basis, trace = work.trace.basis, work.trace
    begun: list[tuple[float, Scene, Evaluation]] = []
    for beta, strength in first_floors(basis, trace.x, trace.y, trace.law, trace.information, work.spacing_hz):
        kind, theta = seed_carriers(trace, basis.floor(beta), work.law.correlation, work.least, work.widest)
        scene = Scene(np.empty(0, dtype=np.intp), stacked(), beta, strength)
        work.scene = scene.with_carriers(kind, theta)
        work.at = evaluate(work.trace, work.scene)
        work.refit(2)
        begun.append((work.worth(), work.scene, work.at))
    ahead = max(worth for worth, _, _ in begun) - _HOPELESS
    best: tuple[float, Scene, Evaluation] | None = None
    for worth, work.scene, work.at in begun:
        if worth < ahead:
            continue
        work.refit(6)
        worth = work.worth() if len(begun) > 1 else 0.0
        if best is None or worth > best[0]:
            best = (worth, work.scene, work.at)
    assert best is not None
    work.scene, work.at = best[1], best[2]


def _add(work: Work, windows: list[Window]) -> bool:
    """Add a carrier for every window that stands too high, the best twelve of them; say whether there was any."""
    fresh = [seed_window(work.trace, work.at.eta, w) for w in windows if w.score > 0.0][:12]
    if not fresh:
        return False
    kind = np.r_[work.scene.kind, np.array([k for k, _ in fresh], dtype=np.intp)]
    theta = stacked(work.scene.theta, [t for _, t in fresh])
    work.scene = work.scene.with_carriers(kind, theta)
    work.refit(8)
    return True


def _rework(work: Work, windows: list[Window]) -> bool:
    """Add what stands out, rethink and drop; say whether another round may find more."""
    added = _add(work, windows)
    changed = rethink(work)
    dropped = drop(work)
    if added or changed or dropped:
        work.refit(3)
        work.relaw()
    return added or changed


def _settle(work: Work, rounds: int) -> None:
    """Add, rethink and drop until nothing changes."""
    for _ in range(rounds):
        if not _rework(work, work.windows(work.least)):
            return


def _stiffen(work: Work) -> None:
    """Take the strength of the floor's penalty from the trace, and look again at what a stiffer floor leaves standing.

    A soft floor rises under a narrow carrier that stands alone, and hides it. The stiff one was taken though others
    explain the trace better by up to a margin, which what it leaves standing must make good; what is wider than the
    floor's knots are apart may be the floor itself, of which the evidence was asked.
    """
    narrow = KNOT_HZ / work.spacing_hz
    sure = math.sqrt(work.least**2 + 2.0 * EVIDENCE_MARGIN)
    for _ in range(3):
        before = work.scene.strength
        strengthen(work)
        if work.scene.strength == before:
            return
        work.refit(5)
        work.relaw()
        left = [window for window in work.windows(sure) if window.score > 0.0 and window.width < narrow]
        if left:
            work.asked.clear()
            _rework(work, left)


def _solution(work: Work) -> Solution:
    found = settled(work.trace, work.scene, work.at, work.law.correlation)
    return Solution(
        work.trace,
        found.scene,
        work.at,
        work.law,
        found.covariance,
        work.scores(),
        work.tests,
        work.spacing_hz,
        work.sweep.start_hz,
        work.reference_dbm,
        work.rbw_hz,
        work.rbw_known,
        found.clouds,
        work.merged,
        work.gain,
        work.floor_doubt + doubt_waves(work),
    )


def solve(sweep: Sweep, false_alarms: float) -> Solution:
    """Fit a scene to a sweep."""
    work = Work(sweep, false_alarms)
    _start(work)
    reshape(work)
    _settle(work, 8)
    if reconsider(work):
        work.relaw()
        _settle(work, 3)
    if settle_waves(work):
        work.asked.clear()  # what looked like two may have been one through a rippled line
        work.relaw()
        _settle(work, 2)
    if unbend(work):
        _settle(work, 2)
    _stiffen(work)
    work.relaw(final=True)
    reshape(work)
    work.refit(10, 5e-3)
    return _solution(work)
