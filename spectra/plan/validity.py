"""Which rows of a table hold at a moment: `valid_from` and `valid_to` against a date."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, date, datetime, time

import numpy as np
from numpy.typing import NDArray

__all__ = ["moment_of", "valid_mask"]

_DAY_S = 86400.0


def moment_of(cell: str, *, end: bool = False) -> float:
    """Return seconds since 1970 of a date or time cell (NaN where empty or no date).

    A date without a time begins at 0:00 UTC and, as an end, lasts through its day. A time without a zone is UTC.
    """
    if not cell:
        return math.nan
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        return math.nan
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    if end and len(cell) <= len("2026-W01-1") and moment.time() == time.min:
        return moment.timestamp() + _DAY_S
    return moment.timestamp()


def valid_mask(valid_from: Sequence[str], valid_to: Sequence[str], when: date) -> NDArray[np.bool_]:
    """Return which rows hold at `when`.

    Parameters
    ----------
    valid_from, valid_to : sequence of str, length n
        ISO 8601; an empty cell sets no bound. A date as `valid_to` includes its whole day (UTC).
    when : datetime or date
        Without a zone it is UTC; a date stands for its noon.
    """
    if not isinstance(when, datetime):
        when = datetime.combine(when, time(12))
    if when.tzinfo is None:
        when = when.replace(tzinfo=UTC)
    now = when.timestamp()
    begin = {cell: moment_of(cell) for cell in set(valid_from)}
    end = {cell: moment_of(cell, end=True) for cell in set(valid_to)}
    # a comparison with NaN is false, so an empty cell never excludes a row
    late = np.array([begin[cell] > now for cell in valid_from], dtype=np.bool_)
    over = np.array([end[cell] <= now for cell in valid_to], dtype=np.bool_)
    return ~(late | over)
