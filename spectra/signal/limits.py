"""Detection limits after Neyman and Pearson: the weakest signal that a sweep can show.

Sums of gamma variates are gamma variates, so the limits are exact for power averages and good for the others when
`shape` is the information of the point (see `spectra.signal.detectors`).
"""

from __future__ import annotations

import math

__all__ = ["carrier_limit_cn_db", "cw_limit_db"]


def carrier_limit_cn_db(points: float, readings: float, false_alarm: float = 1e-6, detection: float = 0.99) -> float:
    """Return the least C/N in dB at which a flat carrier over a known floor is found.

    Parameters
    ----------
    points : float
        Independent trace points that the carrier fills.
    readings : float
        Independent readings in each.
    false_alarm, detection : float
        Probabilities of one test.

    Notes
    -----
    The sum over the carrier is Gamma(points * readings); its threshold at `false_alarm` must be passed with
    probability `detection` when the mean is higher by 1 + C/N.
    """
    from scipy.special import gammainccinv, gammaincinv

    shape = points * readings
    return 10.0 * math.log10(float(gammainccinv(shape, false_alarm) / gammaincinv(shape, 1.0 - detection)) - 1.0)


def cw_limit_db(readings: float, false_alarm: float = 1e-6, detection: float = 0.99) -> float:
    """Return the least level of a CW over the local mean power (floor or carrier) at which one point shows it.

    Notes
    -----
    Twice the summed power is chi-square of 2 `readings` degrees of freedom, non-central under the CW.
    """
    from scipy.special import chndtr, gammainccinv

    threshold = 2.0 * float(gammainccinv(readings, false_alarm))
    low, high = 1e-9, 1e4 + 10.0 * threshold
    for _ in range(200):
        middle = 0.5 * (low + high)
        missed = float(chndtr(threshold, 2.0 * readings, middle))
        low, high = (middle, high) if missed > 1.0 - detection else (low, middle)
        if high - low < 1e-12 * high:
            break
    return 10.0 * math.log10(0.5 * (low + high) / (2.0 * readings))
