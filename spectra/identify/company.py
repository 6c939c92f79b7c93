"""Carriers of the company: other lists at the same orbital position, which the antenna sees as well.

Beams and co-located satellites fill one polarisation together. A carrier that a neighbouring list of the position
explains is no clutter to the list in question; nor does it speak for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spectra.identify.evidence import Group
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["company_of", "explained_by_company"]


def company_of(prepared: Prepared, hyp: int) -> IntArray:
    """Return the other hypotheses of the same position, polarisation and LO state."""
    plan = prepared.lists[prepared.hyp_list[hyp]]
    same = prepared.hyp_place == prepared.hyp_place[hyp]
    same[hyp] = False
    others = np.flatnonzero(same)
    if plan.orbital_longitude_deg is None:
        names = np.array([prepared.lists[k].satellite == plan.satellite for k in prepared.hyp_list[others]], dtype=bool)
        return others[names] if others.size else others
    return others


def explained_by_company(
    prepared: Prepared, group: Group, hyp: int, offset_hz: float, left: IntArray, valid: NDArray[np.bool_] | None
) -> int:
    """Return how many of the carriers `left` over lie where a list of the company has a row, rate and all."""
    others = company_of(prepared, hyp)
    if not others.size or not left.size:
        return 0
    rows = np.concatenate([np.arange(prepared.hyp_start[each], prepared.hyp_start[each + 1]) for each in others])
    if valid is not None:
        rows = rows[valid[rows]]
    apart = group.if_hz[left][:, None] - (prepared.if_hz[rows][None, :] + offset_hz)
    rounding = np.maximum(prepared.coarse_hz[rows], prepared.round_hz[rows])
    near = np.abs(apart) < 3.0 * np.hypot(group.std_hz[left][:, None], rounding[None, :])
    rate = group.log_rate[left][:, None] - prepared.log_rate[rows][None, :]
    std: FloatArray = np.hypot(group.log_rate_std[left][:, None], 0.02)
    near &= ~(np.abs(rate) > 3.0 * std)  # an unknown rate is no difference
    return int(np.count_nonzero(near.any(axis=1)))
