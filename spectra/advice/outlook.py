"""With what probability a sweep shows a carrier, and how weak a carrier may be: planned sweeps and saved ones alike.

The detector assumed is a sum over the best window of neighbouring points, at a false-alarm rate per sweep; sums of
gamma variates are gamma variates, so its threshold and its detection probability are exact where points are independent
(Neyman and Pearson), and good where they are not, with the number of points reduced to what correlation leaves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spectra.signal.filters import SIGMA_PER_RBW
from spectra.units import FloatArray

__all__ = ["DETECTION_LOSS_DB", "LEAST_RISE_DB", "PLACEMENTS", "SweepOutlook"]

DETECTION_LOSS_DB = 1.0
"""What a real search loses against a known floor and a known shape, in dB of C/N (our allowance)."""

PLACEMENTS = (0.0, 0.25, 0.5, 0.75)
"""Where a carrier's centre may lie between two points, in spacings: each equally likely."""

LEAST_RISE_DB = 2.0
"""What a wide carrier must rise above the floor to be told from ripple and tilt of the line (our allowance)."""

RIPPLE_PERIOD_HZ = 5e6
"""Ripple finer than this does not occur: c v / (2 L) for 20 m of cable at a velocity factor of 0.66 (derived).

Half a period looks like a weak carrier, so carriers as wide as that must rise by `LEAST_RISE_DB`.
"""

_RATE_STEP = 0.01
"""Rates within 1 % count as alike (as C/N within 0.05 dB): neither moves a limit by more than 0.05 dB."""

Places = NDArray[np.intp]

_LEAST_CN_DB, _MOST_CN_DB = -30.0, 60.0


def _windows(most: int) -> tuple[int, ...]:
    """Return window lengths in points, about three to an octave."""
    found, width = [], 1
    while width <= most:
        found.append(width)
        width = max(width + 1, round(width * 1.26))
    return tuple(found)


@lru_cache(maxsize=8192)
def _mean_shape(symbol_rate_bd: float, roll_off: float, points: int, spacing_hz: float, sigma_hz: float) -> FloatArray:
    """Return `SweepOutlook.mean_shape`; readings do not enter, so that sweeps of one grid share it."""
    from spectra.signal.blurred import carrier_shape

    windows = _windows(points)
    reach = 0.5 * (1.0 + roll_off) * symbol_rate_bd + 3.0 * sigma_hz
    most = max(3, min(points, 2 * math.ceil(reach / spacing_hz) + 1))
    usable = [width for width in windows if width <= most]
    means = np.zeros((len(PLACEMENTS), len(windows)))
    steps = np.arange(-(most // 2) - 1, most // 2 + 2)
    for row, placement in enumerate(PLACEMENTS):
        offset = (steps - placement) * spacing_hz
        seen = carrier_shape(offset, 0.0, symbol_rate_bd, max(roll_off, 1e-3), sigma_hz)
        nearest_first = seen[np.argsort(np.abs(offset), kind="stable")]
        running = np.cumsum(nearest_first)
        means[row, : len(usable)] = [running[width - 1] / width for width in usable]
    means.setflags(write=False)
    return means


def _together(*parts: ArrayLike) -> tuple[FloatArray, ...]:
    """Return numbers as columns of one length."""
    return tuple(np.atleast_1d(np.asarray(part, dtype=np.float64)) for part in np.broadcast_arrays(*parts))


def _alike(rate: FloatArray, roll_off: FloatArray, cn_db: FloatArray | float = 0.0) -> tuple[Places, Places]:
    """Return the first of each group of alike carriers and the group of every carrier: each is worked out once."""
    parts = np.broadcast_arrays(np.log(rate) / _RATE_STEP, roll_off / 0.01, np.asarray(cn_db) / 0.05)
    rounded = np.round(np.stack(parts))
    return _grouped(rounded.tobytes(), rounded.shape[1])


@lru_cache(maxsize=256)  # the same rows are asked about in sweep after sweep
def _grouped(rounded: bytes, count: int) -> tuple[Places, Places]:
    columns = np.frombuffer(rounded).reshape(-1, count)
    _, first, back = np.unique(columns, axis=1, return_index=True, return_inverse=True)
    return np.asarray(first, dtype=np.intp), np.asarray(np.ravel(back), dtype=np.intp)


@dataclass(frozen=True)
class SweepOutlook:
    """What one sweep (or one segment) can show.

    Attributes
    ----------
    points : int
    spacing_hz, rbw_hz : float
    readings : float
        Independent readings in one point (for other averages than of power: the point's information).
    points_share_noise : bool
        See `AnalyserModel`.
    false_alarms_per_sweep : float
    loss_db : float
        See `DETECTION_LOSS_DB`.
    """

    points: int
    spacing_hz: float
    rbw_hz: float
    readings: float
    points_share_noise: bool = True
    false_alarms_per_sweep: float = 0.01
    loss_db: float = DETECTION_LOSS_DB

    @property
    def sigma_hz(self) -> float:
        """Standard deviation of the filter's power response, taken as Gaussian."""
        return self.rbw_hz * SIGMA_PER_RBW

    @cached_property
    def windows(self) -> tuple[int, ...]:
        """Window lengths that the search tries, in points."""
        return _windows(self.points)

    @cached_property
    def independent_points(self) -> FloatArray:
        """Independent points in each window: k / (1 + 2 sum (1 - j/k) rho_j).

        Two points d apart share noise with power correlation exp(-d^2 / (4 sigma^2)), the squared overlap of their
        amplitude responses (derived).
        """
        widths = np.array(self.windows, dtype=np.float64)
        if not self.points_share_noise:
            return widths
        reach = min(self.points - 1, math.ceil(6.0 * self.sigma_hz / self.spacing_hz))
        lag = np.arange(1.0, reach + 1.0)
        rho = np.exp(-((lag * self.spacing_hz) ** 2) / (4.0 * self.sigma_hz**2))
        share = np.maximum(0.0, 1.0 - lag / widths[:, None])
        return np.asarray(widths / (1.0 + 2.0 * (share * rho).sum(axis=1)), dtype=np.float64)

    @property
    def false_alarm(self) -> float:
        """False-alarm probability of one window at one place: the sweep's rate, shared by all that are tried.

        Windows of one length overlap and amount to about 2.5 points / length independent tests, points that share
        noise to fewer (as `spectra.measure.detect.independent_tests` counts them).
        """
        widths = np.array(self.windows, dtype=np.float64)
        correlated = float(widths[-1] / self.independent_points[-1])
        tests = 2.5 * float(np.sum(self.points / np.maximum(widths, correlated)))
        return min(0.5, self.false_alarms_per_sweep / max(tests, 1.0))

    @cached_property
    def _thresholds(self) -> tuple[FloatArray, FloatArray]:
        """Gamma shape of each window's sum, and its threshold in units of the floor's sum times the shape."""
        from scipy.special import gammainccinv

        shape = np.maximum(self.independent_points * self.readings, 1e-3)
        return shape, np.asarray(gammainccinv(shape, self.false_alarm), dtype=np.float64)

    def mean_shape(self, symbol_rate_bd: float, roll_off: float) -> FloatArray:
        """Return the mean of a carrier's shape (plateau 1) over each window, shape (placements, windows).

        Windows lie at the points nearest to the centre; those much longer than the carrier are left at 0.
        """
        return _mean_shape(symbol_rate_bd, roll_off, self.points, self.spacing_hz, self.sigma_hz)

    def _shapes(self, symbol_rate_bd: FloatArray, roll_off: FloatArray) -> FloatArray:
        """Return `mean_shape` for every carrier, shape (n, placements, windows)."""
        shapes = np.empty((symbol_rate_bd.size, len(PLACEMENTS), len(self.windows)))
        rounded = np.exp(np.round(np.log(symbol_rate_bd) / _RATE_STEP) * _RATE_STEP)
        for row, (rate, alpha) in enumerate(zip(rounded.tolist(), roll_off.tolist(), strict=True)):
            shapes[row] = self.mean_shape(rate, alpha)
        return shapes

    def surely_shows(
        self, symbol_rate_bd: ArrayLike, roll_off: ArrayLike, cn_db: ArrayLike, certainty: float
    ) -> NDArray[np.bool_]:
        """Return which carriers `probability` gives at least a certainty, as far as one window of each tells that.

        A lower bound, so that no carrier is among them wrongly: the window is that of the best ratio of a carrier to
        the floor's scatter, and the search tries others too. Arguments as for `probability`.
        """
        rate, alpha, cn = _together(symbol_rate_bd, roll_off, cn_db)
        alike, back = _alike(rate, alpha, cn)
        rate, cn = rate[alike], cn[alike]
        shapes = self._shapes(rate, alpha[alike])
        best = (shapes.sum(axis=1) * np.sqrt(self._thresholds[0])).argmax(axis=1)
        return (self._probability(shapes, rate, cn, best[:, None]) >= certainty)[back]

    def _probability(
        self, shapes: FloatArray, symbol_rate_bd: FloatArray, cn_db: FloatArray, windows: Places | None = None
    ) -> FloatArray:
        """Return the probabilities; by the windows (n, k) of each carrier, by all where none are told."""
        from scipy.special import gammaincc

        shape, threshold = self._thresholds
        if windows is not None:
            shapes = np.take_along_axis(shapes, windows[:, None, :], axis=2)
            shape, threshold = shape[windows][:, None, :], threshold[windows][:, None, :]
        excess = 10.0 ** ((cn_db - self.loss_db) / 10.0)
        found = gammaincc(shape, threshold / (1.0 + excess[:, None, None] * shapes)).max(axis=2).mean(axis=1)
        hidden = (symbol_rate_bd >= 0.5 * RIPPLE_PERIOD_HZ) & (1.0 + excess < 10.0 ** (LEAST_RISE_DB / 10.0))
        return np.where(hidden, 0.0, found)

    def probability(self, symbol_rate_bd: ArrayLike, roll_off: ArrayLike, cn_db: ArrayLike) -> FloatArray:
        """Return the probability with which each carrier is found, wherever it lies between the points.

        Parameters
        ----------
        symbol_rate_bd, roll_off, cn_db : array_like, shape (n,)
            C/N in a noise bandwidth equal to the symbol rate.
        """
        rate, alpha, cn = _together(symbol_rate_bd, roll_off, cn_db)
        alike, back = _alike(rate, alpha, cn)
        return self._probability(self._shapes(rate[alike], alpha[alike]), rate[alike], cn[alike])[back]

    def limit_cn_db(self, symbol_rate_bd: ArrayLike, roll_off: ArrayLike, certainty: float = 0.95) -> FloatArray:
        """Return the least C/N at which each carrier is found with probability `certainty`, shape (n,).

        Infinite where even a strong one is missed: it can lie between two points.
        """
        rate, alpha = _together(symbol_rate_bd, roll_off)
        alike, back = _alike(rate, alpha)
        rate = rate[alike]
        shapes = self._shapes(rate, alpha[alike])
        low, high = np.full(rate.shape, _LEAST_CN_DB), np.full(rate.shape, _MOST_CN_DB)
        for _ in range(17):  # to 0.001 dB
            middle = 0.5 * (low + high)
            found = self._probability(shapes, rate, middle) >= certainty
            low, high = np.where(found, low, middle), np.where(found, middle, high)
        return np.where(high >= _MOST_CN_DB, np.inf, high)[back]
