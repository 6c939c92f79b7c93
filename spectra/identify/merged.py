"""Neighbours that a sweep measures as one carrier, because its filter does not resolve the gap between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["MergedRows", "merged_rows"]

_WIDEST_GAP_HZ = 3e6  # no filter in use leaves a wider gap unresolved
_SHIFT = 0.04  # of the common width, by which unlike levels pull the centre
_RATE_STD = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class MergedRows:
    """Runs of two or three neighbouring slots as one carrier each; arrays of shape (m,).

    `first` is the index of the first row, `slot` and `last` the slots it begins and ends with, `rate_bd` the width from
    outer edge to outer edge (half power), `gap_hz` the widest gap inside.
    """

    first: IntArray
    slot: IntArray
    last: IntArray
    if_hz: FloatArray
    rate_bd: FloatArray
    gap_hz: FloatArray

    @property
    def shift_hz(self) -> FloatArray:
        """Standard deviation of the common centre from unlike levels."""
        return _SHIFT * self.rate_bd

    @property
    def log_rate_std(self) -> FloatArray:
        """Standard deviation of the common width, relative."""
        return np.full(self.rate_bd.size, _RATE_STD)


def merged_rows(slot_start: IntArray, slot_hyp: IntArray, if_hz: FloatArray, log_rate: FloatArray) -> MergedRows:
    """Return every run of two or three slots of one hypothesis whose gaps are narrow.

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
    found: list[tuple[IntArray, ...]] = []
    gaps: list[FloatArray] = []
    between = low[1:] - high[:-1]
    # a comparison with NaN is false: rows without a rate join nobody
    near = (
        (slot_hyp[1:] == slot_hyp[:-1])
        & (between < _WIDEST_GAP_HZ)
        & (between > -0.3 * np.minimum(rate[1:], rate[:-1]))
    )
    pair = np.flatnonzero(near)
    found.append((pair, pair + 1))
    gaps.append(between[pair])
    triple = np.flatnonzero(near[1:] & near[:-1]) if near.size > 1 else np.empty(0, np.intp)
    found.append((triple, triple + 2))
    gaps.append(np.maximum(between[triple], between[triple + 1]) if triple.size else np.empty(0))
    slot, last = (np.concatenate(each) for each in zip(*found, strict=True))
    outer_low, outer_high = low[slot], high[last]
    return MergedRows(
        first=slot_start[slot],
        slot=slot,
        last=last,
        if_hz=0.5 * (outer_low + outer_high),
        rate_bd=outer_high - outer_low,
        gap_hz=np.concatenate(gaps),
    )
