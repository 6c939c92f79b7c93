"""What is fitted, and what it is fitted with: a trace, and a scene of carriers over a floor.

Everything is in point spacings (frequency) and nepers of power (level).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.floor import FloorBasis
from spectra.signal.detectors import PointLaw
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = [
    "BENDS",
    "BEND_PRECISION",
    "CW",
    "LEAST_ROLL_OFF",
    "MOST_ROLL_OFF",
    "RC",
    "Scene",
    "Trace",
    "stacked",
]

RC, CW = 0, 1
_NONE = np.empty(0)
_AVERAGES = {"power": 0, "log": 1, "negative_peak": 1, "voltage": 2}  # 3: a peak
LEAST_ROLL_OFF, MOST_ROLL_OFF = 1e-3, 0.6
"""Of a carrier that is fitted. At nought itself a roll-off changes nothing to first order, and would never leave."""

BENDS = 6
"""Legendre polynomials that a response may have, of degree 1 and up."""

BEND_PRECISION: FloatArray = np.arange(1, BENDS + 1) * (0.5 / DB_PER_NEPER) ** -2.0
"""Of the coefficients before the trace is seen: 0.5 dB over the root of the degree (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Trace:
    """What is fitted: points `x` (spacings), `y` (nepers), the filter's sigma, law and information per point.

    `line` is ln of the line's response where carriers come through one that is not flat; `packed` is the trace as the
    compiled loops want it, see `spectra.measure.loops.model.Points`.
    """

    x: FloatArray
    y: FloatArray
    sigma: float
    law: PointLaw
    information: float
    basis: FloorBasis
    line: FloatArray | None = None
    packed: tuple[object, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        law, basis = self.law, self.basis
        line, level, wave = (_NONE if array is None else array for array in (self.line, basis.level, basis.wave))
        numbers = (law.offset, law.scale, self.information, law.information, _AVERAGES.get(law.average, 3))
        arrays = (self.x, self.y, line, level, wave, basis.values, basis.interval)
        object.__setattr__(self, "packed", (*arrays, self.sigma, (*numbers, law.mean, law.shape)))


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
