"""Weighted least squares on a few columns of a series, with what is no news projected out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.units import FloatArray

__all__ = ["SIDE", "Series", "projected", "slope_column", "solve", "step_columns"]

SIDE = 2
"""Readings that a step needs on either side."""


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Readings in order of time, and the columns that are no news."""

    day: FloatArray
    value: FloatArray
    std: FloatArray
    known: FloatArray  # (n, m), the constant first
    names: tuple[str, ...]

    def take(self, keep: NDArray[np.bool_]) -> Series:
        """Return the readings that are kept."""
        return Series(self.day[keep], self.value[keep], self.std[keep], self.known[keep], self.names)

    def widened(self, excess: float) -> Series:
        """Return the readings with their uncertainties widened by an excess scatter."""
        return Series(self.day, self.value, np.hypot(self.std, excess), self.known, self.names)


def projected(series: Series, columns: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return information and pull of each column with the known ones projected out, and chi-square without any."""
    w = 1.0 / series.std
    q, _ = np.linalg.qr(series.known * w[:, None])
    y = series.value * w
    y = y - q @ (q.T @ y)
    x = columns * w[:, None]
    x = x - q @ (q.T @ x)
    return np.asarray((x**2).sum(axis=0)), np.asarray(x.T @ y), float(y @ y)


def solve(series: Series, extra: FloatArray | None = None) -> tuple[FloatArray, FloatArray, float]:
    """Return coefficients (known columns first), covariance and chi-square."""
    design = series.known if extra is None else np.column_stack((series.known, extra))
    w = 1.0 / series.std
    x = design * w[:, None]
    scale = np.sqrt((x**2).sum(axis=0))
    scale = np.where(scale > 0.0, scale, 1.0)
    inverse = np.linalg.pinv(x / scale)
    theta = inverse @ (series.value * w) / scale
    residual = series.value * w - x @ theta
    return theta, (inverse @ inverse.T) / np.outer(scale, scale), float(residual @ residual)


def slope_column(day: FloatArray) -> FloatArray:
    """Return the column of a slope, 0 at the last reading."""
    return np.asarray(day - day[-1], dtype=np.float64)


def step_columns(n: int) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return every step with enough readings on either side, and the first reading after it."""
    first = np.arange(SIDE, n - SIDE + 1)
    return (np.arange(n)[:, None] >= first[None, :]).astype(np.float64), first
