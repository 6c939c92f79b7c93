"""Carriers of the company: other lists at the same orbital position, which the antenna sees as well.

Beams and co-located satellites fill one polarisation together. A carrier that a neighbouring list of the position
explains is no clutter to the list in question; nor does it speak for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spectra.identify.evidence import Group
from spectra.identify.prepared import Prepared

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

__all__ = ["company_of", "company_rows", "explained_by_company"]


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


def company_rows(prepared: Prepared, hyp: int, valid: NDArray[np.bool_] | None) -> IntArray:
    """Return the rows of the company's lists."""
    others = company_of(prepared, hyp)
    if not others.size:
        return np.empty(0, np.intp)
    rows = np.concatenate([np.arange(prepared.hyp_start[each], prepared.hyp_start[each + 1]) for each in others])
    return rows if valid is None else rows[valid[rows]]


def explained_by_company(prepared: Prepared, group: Group, rows: IntArray, offset_hz: float, left: IntArray) -> int:
    """Return how many of the carriers `left` over lie where one of the company's rows is, rate and all."""
    if not rows.size or not left.size:
        return 0
    apart = group.if_hz[left][:, None] - (prepared.if_hz[rows][None, :] + offset_hz)
    rounding = np.maximum(prepared.coarse_hz[rows], prepared.round_hz[rows])
    near = np.abs(apart) < 3.0 * np.hypot(group.std_hz[left][:, None], rounding[None, :])
    carrier, row = np.nonzero(near)
    rate = group.log_rate[left[carrier]] - prepared.log_rate[rows[row]]
    std = np.hypot(group.log_rate_std[left[carrier]], 0.02)
    same = carrier[~(np.abs(rate) > 3.0 * std)]  # an unknown rate is no difference
    return int(np.count_nonzero(np.bincount(same, minlength=left.size)))
