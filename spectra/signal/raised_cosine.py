"""The raised-cosine power spectrum of a digital carrier, its widths, and what an RBW filter makes of it.

A carrier shaped by a root-raised-cosine filter (ETSI EN 302 307-1 clause 5.6, EN 300 421 clause 4.5; clauses from
memory) shows the square of that filter on an analyser: a raised cosine, 3.01 dB down at half the symbol rate for
every roll-off.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from spectra.units import FloatArray

__all__ = ["occupied_fraction", "raised_cosine", "x_db_fraction"]


def raised_cosine(offset: ArrayLike, roll_off: float) -> FloatArray:
    """Return the power spectrum at `offset` (in symbol rates from the centre), 1 on the plateau, area 1.

    Parameters
    ----------
    offset : array_like
        Frequency from the centre over the symbol rate.
    roll_off : float
        0 to 1.
    """
    x = np.abs(np.asarray(offset, dtype=np.float64))
    if roll_off <= 0.0:
        return np.where(x < 0.5, 1.0, np.where(x > 0.5, 0.0, 0.5))
    t = np.clip((x - 0.5 * (1.0 - roll_off)) / roll_off, 0.0, 1.0)
    return np.asarray(0.5 * (1.0 + np.cos(math.pi * t)), dtype=np.float64)


def x_db_fraction(roll_off: ArrayLike, x_db: ArrayLike) -> FloatArray:
    """Return the width at `x_db` below the plateau over the symbol rate, (1 - a) + (2a/pi) acos(2 10^(-x/10) - 1).

    Derived from the shape of EN 302 307-1 clause 5.6 (clause from memory); x-dB bandwidth as in ITU-R SM.328.
    """
    share = 2.0 / math.pi * np.arccos(2.0 * 10.0 ** (np.asarray(x_db, dtype=np.float64) / -10.0) - 1.0)
    return np.asarray(1.0 + (share - 1.0) * np.asarray(roll_off, dtype=np.float64))


def occupied_fraction(roll_off: float, share: float = 0.99) -> float:
    """Return the width that holds `share` of the power over the symbol rate, the rest split equally.

    Raises
    ------
    ValueError
        If the roll-off is outside 0..1 or the share outside 0..1.

    References
    ----------
    .. [1] ITU Radio Regulations, No. 1.153: occupied bandwidth, beta/2 = 0.5 % on each side.
    .. [2] Recommendation ITU-R SM.443, beta-% method.
    """
    if not 0.0 <= roll_off <= 1.0 or not 0.0 < share < 1.0:
        raise ValueError(f"roll-off {roll_off!r} or share {share!r} out of range")
    tail = 0.5 * (1.0 - share)
    if 0.5 * roll_off <= tail:
        return share  # the limit lies on the plateau, where the area grows linearly
    # Power beyond t roll-offs past the plateau's end: roll_off (1 - t) / 2 - roll_off sin(pi t) / (2 pi) = tail.
    t_low, t_high = 0.0, 1.0
    for _ in range(60):
        t = 0.5 * (t_low + t_high)
        outside = 0.5 * roll_off * ((1.0 - t) - math.sin(math.pi * t) / math.pi)
        t_low, t_high = (t, t_high) if outside > tail else (t_low, t)
    return (1.0 - roll_off) + 2.0 * roll_off * 0.5 * (t_low + t_high)
