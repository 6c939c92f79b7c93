"""Is it one carrier or two, a CW or a narrow carrier, or nothing? Fits of a few carriers on a stretch of trace tell.

Each question compares two models by twice the gain in ln(likelihood); the more complex one must earn its parameters and
the search that found it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.fit import fit, fit_with_response
from spectra.measure.floor import fixed_floor
from spectra.measure.model import Evaluation, evaluate
from spectra.measure.scene import RC, Scene, Trace, stacked
from spectra.units import FloatArray

__all__ = ["WIDTH_GAIN", "Stretch", "as_carrier", "as_tone", "merged", "stretch_of"]

_TOLERANCE = 0.02  # of ln(likelihood), by which a last step may gain

WIDTH_GAIN = 2.0
"""Gain in ln(likelihood) that a width must bring over none (two standard deviations for one more parameter)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of trace around some carriers, all else held as it is.

    Attributes
    ----------
    trace : Trace
        Its points, over a fixed floor that holds all other carriers.
    kind, theta : ndarray, shape (k,) and (k, 4 + BENDS)
        The carriers in question.
    members : ndarray of int, shape (k,)
        Their indices in the whole scene.
    """

    trace: Trace
    kind: NDArray[np.intp]
    theta: FloatArray
    members: NDArray[np.intp]

    def best(
        self,
        kind: list[int],
        theta: list[FloatArray],
        rounds: int = 10,
        bent: list[int] | None = None,
        least: float = math.inf,
    ) -> tuple[FloatArray, float]:
        """Return parameters and ln(likelihood) lost (objective) after fitting these carriers instead.

        Those listed in `bent` may take a response. A fit that does not promise to lose as little as `least` is
        given up.
        """
        compiled = loops()
        if compiled is not None:
            carriers = self.trace.packed, np.array(kind, dtype=np.intp), stacked(theta)
            found: tuple[FloatArray, float] = compiled.best_within(
                *carriers, rounds, _TOLERANCE, least, np.array(bent or [], dtype=np.intp)
            )
            return found
        scene = Scene(np.array(kind, dtype=np.intp), stacked(theta), np.empty(0), 0.0)
        alone = evaluate(self.trace, scene)
        if alone.index.size == 0:  # no carriers, or none within reach of any point: beyond the end of the span
            return scene.theta, alone.lost
        if bent:
            scene, at = fit_with_response(self.trace, scene, bent, rounds=rounds, tolerance=_TOLERANCE, least=least)
        else:
            scene, at = fit(self.trace, scene, rounds=rounds, tolerance=_TOLERANCE, least=least, start=alone)
        return scene.theta, at.lost


def stretch_of(trace: Trace, scene: Scene, at: Evaluation, members: NDArray[np.intp], margin: float) -> Stretch:
    """Return the stretch of `margin` points around these carriers."""
    theta = scene.theta[members]
    half = 0.5 * theta[:, 2] * (theta[:, 1] - theta[:, 0])
    low = int(np.searchsorted(trace.x, float((theta[:, 0] - half).min()) - margin))
    high = int(np.searchsorted(trace.x, float((theta[:, 1] + half).max()) + margin, side="right"))
    low, high = max(0, min(low, trace.x.size - 4)), min(trace.x.size, max(high, low + 4))
    rest = at.floor[low:high].copy()
    inside = np.zeros(scene.count, dtype=bool)
    inside[members] = True
    for k in np.flatnonzero(~inside & (at.last > low) & (at.first < high)):
        a, b = max(int(at.first[k]), low), min(int(at.last[k]), high)
        if a < b:
            begin = int(at.start[k]) - int(at.first[k])
            rest[a - low : b - low] += at.power[begin + a : begin + b]
    local = Trace(
        trace.x[low:high],
        trace.y[low:high],
        trace.sigma,
        trace.law,
        trace.information,
        fixed_floor(np.log(rest)),
        None if trace.line is None else trace.line[low:high],
    )
    return Stretch(local, scene.kind[members], theta, members)


def merged(first: FloatArray, second: FloatArray, kinds: tuple[int, int], rbw: float) -> FloatArray:
    """Return one carrier in place of two neighbours."""
    widths = [
        max(float(t[1] - t[0]), rbw) if kind == RC else rbw for t, kind in zip((first, second), kinds, strict=True)
    ]
    low = min(float(first[0]), float(second[0]), float(first[0] + first[1] - widths[0]) / 2)
    high = max(float(first[1]), float(second[1]), float(second[0] + second[1] + widths[1]) / 2)
    level = np.log((widths[0] * np.exp(first[3]) + widths[1] * np.exp(second[3])) / sum(widths))
    return np.array([low, high, 0.2, float(level)])


def as_carrier(theta: FloatArray, width: float, sigma: float) -> FloatArray:
    """Return a CW as a carrier of some width and the same power."""
    centre = 0.5 * float(theta[0] + theta[1])
    level = float(theta[3]) + np.log(max(1.0, np.sqrt(2.0 * np.pi) * sigma / width))
    return np.array([centre - 0.5 * width, centre + 0.5 * width, 0.2, level])


def as_tone(theta: FloatArray, sigma: float) -> FloatArray:
    """Return a narrow carrier as a CW of the same power."""
    centre = 0.5 * float(theta[0] + theta[1])
    width = max(float(theta[1] - theta[0]), 1e-3)
    level = float(theta[3]) + np.log(min(1.0, width / (np.sqrt(2.0 * np.pi) * sigma)))
    return np.array([centre, centre, 0.0, level])
