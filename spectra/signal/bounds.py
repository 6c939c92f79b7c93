"""The Cramer-Rao bound for carriers on a trace: the least variance that any unbiased measurement can reach.

Every detector is a scale family in power (see `spectra.signal.detectors`), so a trace tells of its parameters only
through ln(mean power): F = J sum_i d_i d_i', with d_i the gradient of ln(mean) at point i and J the information of one
point. Strict where points are independent; where neighbours share noise, J over the number of points that do is a good
count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from spectra.signal.blurred import edge
from spectra.signal.filters import SIGMA_PER_RBW
from spectra.signal.raised_cosine import occupied_fraction
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["carrier_bounds", "mean_log_gradient"]


def mean_log_gradient(
    frequency_hz: FloatArray, carriers: Sequence[tuple[float, float, float, float]], rbw_hz: float
) -> FloatArray:
    """Return d ln(mean) / d parameters at every point, for carriers on a floor with a tilt.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
    carriers : sequence of (centre_hz, symbol_rate_bd, roll_off, cn_db)
        C/N in a noise bandwidth equal to the symbol rate.
    rbw_hz : float
        3 dB width of a Gaussian filter.

    Returns
    -------
    ndarray, shape (n, 4 k + 2)
        Centre (Hz), symbol rate (Bd), roll-off, C/N (dB) of each carrier, then floor (dB) and tilt (dB over the span).
    """
    sigma = rbw_hz * SIGMA_PER_RBW
    total = np.ones(frequency_hz.size)
    columns: list[FloatArray] = []
    for centre, rate, roll_off, cn_db in carriers:
        a = 0.5 * roll_off * rate
        low = edge(frequency_hz - centre + 0.5 * rate, a, sigma)
        high = edge(frequency_hz - centre - 0.5 * rate, a, sigma)
        ratio = 10.0 ** (cn_db / 10.0)
        by_a = low[2] - high[2]
        total = total + ratio * (low[0] - high[0])
        columns += [
            ratio * (high[1] - low[1]),
            ratio * (0.5 * (low[1] + high[1]) + 0.5 * roll_off * by_a),
            ratio * 0.5 * rate * by_a,
            ratio * (low[0] - high[0]) / DB_PER_NEPER,
        ]
    # C/N is over the floor: raising the floor raises all, tilting it turns floor and carriers about mid-span.
    turn = (frequency_hz - frequency_hz.mean()) / (frequency_hz[-1] - frequency_hz[0])
    result = np.column_stack([column / total for column in columns] + [np.ones(total.size) / DB_PER_NEPER] * 2)
    result[:, -1] *= turn
    return result


def carrier_bounds(
    frequency_hz: FloatArray,
    carriers: Sequence[tuple[float, float, float, float]],
    rbw_hz: float,
    information: float,
) -> list[dict[str, float]]:
    """Return for each carrier the bound on the standard deviation of every quantity.

    Parameters
    ----------
    frequency_hz, carriers, rbw_hz
        As in `mean_log_gradient`.
    information : float
        Information about ln(power) in one point, over the number of points that share their noise.

    Returns
    -------
    list of dict
        Keys ``centre_hz, symbol_rate_bd, roll_off, cn_db, occupied_bandwidth_hz, floor_db``; the last is that of the
        floor at mid-span.
    """
    gradient = mean_log_gradient(frequency_hz, carriers, rbw_hz)
    scale = np.sqrt((gradient**2).sum(axis=0))
    scaled = gradient / scale
    covariance = np.linalg.pinv(information * scaled.T @ scaled, hermitian=True) / np.outer(scale, scale)
    found = []
    for k, (_, rate, roll_off, _) in enumerate(carriers):
        own = covariance[4 * k : 4 * k + 4, 4 * k : 4 * k + 4]
        share = occupied_fraction(roll_off)
        step = min(1e-3, 0.5 * roll_off) if roll_off > 0.0 else 1e-3
        slope = (occupied_fraction(roll_off + step) - occupied_fraction(max(roll_off - step, 0.0))) / (
            step + min(step, roll_off)
        )
        g = np.array([0.0, share, rate * slope, 0.0])
        std = np.sqrt(np.maximum(np.diag(own), 0.0))
        found.append(
            {
                "centre_hz": float(std[0]),
                "symbol_rate_bd": float(std[1]),
                "roll_off": float(std[2]),
                "cn_db": float(std[3]),
                "occupied_bandwidth_hz": math.sqrt(max(float(g @ own @ g), 0.0)),
                "floor_db": math.sqrt(float(covariance[-2, -2])),
            }
        )
    return found
