"""Neighbours that a sweep measures as one carrier, because its filter does not resolve the gap between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["OVERLAP", "MergedRows", "merged_rows"]

OVERLAP = 0.3
"""Part of the narrower one by which two rows must overlap to be one another's alternatives rather than neighbours."""

_WIDEST_GAP_HZ = 6e6  # skirts of wide carriers and coarse filters leave such gaps unresolved now and then
_LONGEST = 8  # slots
# how far the common centre and width lie off those of the outer edges, beyond what the sweep says of them: of simulated
# sweeps at 1 MHz and 300 kHz, and for narrow ones of their width, by unlike levels
_SHIFT, _SHIFT_HZ = 0.03, 0.25e6
_RATE_STD, _RATE_STD_HZ = 0.06, 0.4e6
_LEAST_RATE_STD = 0.015


@dataclass(frozen=True, slots=True, eq=False)
class MergedRows:
    """Runs of neighbouring slots as one carrier each; arrays of shape (m,).

    `first` is the index of the first row, `slot` and `last` the slots it begins and ends with, `rate_bd` the width from
    outer edge to outer edge (half power), `inner_hz` the widest gap inside.
    """

    first: IntArray
    slot: IntArray
    last: IntArray
    if_hz: FloatArray
    rate_bd: FloatArray
    inner_hz: FloatArray

    @property
    def shift_hz(self) -> FloatArray:
        """Standard deviation of the common centre from unlike levels."""
        return np.minimum(_SHIFT * self.rate_bd, _SHIFT_HZ)

    @property
    def log_rate_std(self) -> FloatArray:
        """Standard deviation of the common width, relative."""
        return np.clip(_RATE_STD_HZ / self.rate_bd, _LEAST_RATE_STD, _RATE_STD)


def merged_rows(slot_start: IntArray, slot_hyp: IntArray, if_hz: FloatArray, log_rate: FloatArray) -> MergedRows:
    """Return every run of two to eight slots of one hypothesis whose gaps are narrow.

    Parameters
    ----------
    slot_start : ndarray of int, shape (s,)
        First row of each slot.
    slot_hyp : ndarray of int, shape (s,)
    if_hz, log_rate : ndarray, shape (r,)
        Of the rows; slots come by rising IF within a hypothesis.
    """
    centre, rate = if_hz[slot_start], np.exp(log_rate[slot_start])
    low, high = centre - 0.5 * rate, centre + 0.5 * rate
    between = low[1:] - high[:-1]
    # a comparison with NaN is false: rows without a rate join nobody
    near = (
        (slot_hyp[1:] == slot_hyp[:-1])
        & (between < _WIDEST_GAP_HZ)
        & (between > -OVERLAP * np.minimum(rate[1:], rate[:-1]))
    )
    found: list[tuple[IntArray, IntArray, FloatArray]] = []
    begin = np.flatnonzero(near)
    end, widest = begin + 1, between[begin]
    for _ in range(_LONGEST - 1):
        found.append((begin, end, widest))
        on = np.flatnonzero(np.append(near, False)[end])
        begin, widest = begin[on], np.maximum(widest[on], between[end[on]])
        end = end[on] + 1
    slot, last, inner = (np.concatenate(each) for each in zip(*found, strict=True))
    outer_low, outer_high = low[slot], high[last]
    return MergedRows(
        first=slot_start[slot],
        slot=slot,
        last=last,
        if_hz=0.5 * (outer_low + outer_high),
        rate_bd=outer_high - outer_low,
        inner_hz=inner,
    )
