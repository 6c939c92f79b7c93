"""Whether a trace can be an analyser's: noise lies on no lines, repeats nothing, and is no mean of its neighbours.

Every function allows for the step in which levels are written: averaged noise may be smaller than a coarse step. The
thresholds are our choice, proven on fresh draws by the campaign ``quality_flat_traces``.
"""

from __future__ import annotations

import math

import numpy as np

from spectra.sweep import Sweep
from spectra.units import FloatArray

__all__ = ["ON_LINES", "level_step", "only_coarse", "repeats", "share_between", "share_on_lines"]

ON_LINES = 0.7
_COARSE_DB = 0.09
_STEPS_DB = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 5e-3, 2e-3, 1e-3, 1e-4)
_LEAST_BLOCK = 16
_BLOCK = 64
_LEAST_PERIOD = 8
_MOST_PERIODS = 1000
_MOST_TRIES = 64
_PIECE = 1024


def repeats(level: FloatArray) -> bool:
    """Say whether a trace is a piece of at most half its length over and over, an odd point left aside."""
    places = _LEAST_PERIOD + np.flatnonzero(level[_LEAST_PERIOD : 1 + level.size // 2] == level[0])
    front, tried = level[:_LEAST_PERIOD], 0
    for period in places[:_MOST_PERIODS].tolist():
        if not np.array_equal(level[period : period + _LEAST_PERIOD], front):
            continue
        if float(np.mean(level[period:][:_PIECE] == level[:-period][:_PIECE])) < 0.98:  # first a piece
            continue
        same = float(np.mean(level[period:] == level[:-period]))
        beside = float(np.mean(level[period + 1 :] == level[: -period - 1]))  # a level that stays is no period
        tried += 1
        if (same >= 0.98 and beside < 0.9) or tried >= _MOST_TRIES:
            return same >= 0.98 and beside < 0.9
    return False


def level_step(level: FloatArray) -> float:
    """Return the step in dB in which levels are written; 1e-4 for finer ones, far below any noise."""
    values = np.unique(np.round(level - level[0], 7))
    gap = float(np.diff(values).min()) if values.size > 1 else 1.0
    candidates = (gap, *_STEPS_DB) if gap <= 1.0 else _STEPS_DB
    for step_db in candidates:
        steps = values / step_db
        if step_db >= 1e-4 and float(np.abs(steps - np.rint(steps)).max()) <= 1e-3:
            return step_db
    return 1e-4


def only_coarse(level: FloatArray, step_db: float) -> bool:
    """Say whether equal neighbours come from levels written in coarse steps: they move by single steps.

    Where the steps are coarse, averaged noise is smaller and the floor may not move at all; but then the edges of
    carriers pass through levels on which they do not stay, unless half of the trace is stuck and the rest is live.
    """
    moves = np.diff(level)
    moved = np.flatnonzero(moves)
    if not moved.size:
        return False
    runs = np.diff(np.r_[-1, moved, level.size - 1])
    single = float(np.median(np.abs(moves[moved]))) <= 1.5 * step_db
    if step_db < _COARSE_DB:
        return single
    if runs.size >= 16 and any(np.mean(runs[:-1] % count == 0) >= 0.98 for count in range(2, 17)):
        return False  # every row so many times
    back = float(np.mean(moves[moved[1:]] * moves[moved[:-1]] < 0.0)) if moved.size > 3 else 0.0
    if single and (back >= 0.1 or (back <= 0.03 and moved.size >= 24)):
        return back >= 0.1  # noise turns back again and again, a line does not
    longest = int(runs.max())
    rest = 1.0 - moved.size / max(level.size - longest, 1)  # equal neighbours outside the longest run
    return float(np.mean(runs < 8)) >= 0.2 and not (longest >= 0.25 * level.size and rest < 0.3)


def share_on_lines(sweep: Sweep, step_db: float) -> float:
    """Return the share of a trace that lies on straight lines to within the rounding of its levels.

    Looked at in blocks that hold several independent readings (a filter makes its neighbours alike). Noise that is
    smaller than the rounding leaves a block straight too, but then levels go up and down by single steps, where a line
    only rises or only falls.
    """
    level, rbw = sweep.level_dbm, sweep.settings.rbw_hz
    size = max(_LEAST_BLOCK, level.size // 16 if rbw is None else math.ceil(8.0 * rbw / sweep.spacing_hz))
    if level.size < 4 * size:
        least = max(8, 0 if rbw is None else math.ceil(8.0 * rbw / sweep.spacing_hz))
        size = least if level.size >= 3 * least else level.size
        if size < 8 or (rbw is not None and size * sweep.spacing_hz < 8.0 * rbw):
            return 0.0
    count = level.size // size
    blocks = (level[: count * size] - level[0]).reshape(count, size)
    x = np.arange(size) - 0.5 * (size - 1)
    blocks = blocks - blocks.mean(axis=1, keepdims=True)
    slope = blocks @ x / float(x @ x)
    rest = np.abs(blocks - slope[:, None] * x)
    straight = (rest.max(axis=1) <= 0.8 * step_db) & (np.sqrt((rest**2).mean(axis=1)) <= 0.4 * step_db)
    moves = np.diff(blocks, axis=1)
    one_way = (moves.min(axis=1) >= -1e-9) | (moves.max(axis=1) <= 1e-9)
    moving = np.count_nonzero(np.abs(moves) > 1e-9, axis=1)
    if step_db >= _COARSE_DB:  # noise is often smaller than such steps: several in one direction must show a line
        one_way &= moving >= 3
    else:
        one_way &= (moving > 0) | (float(np.mean(moving[straight] > 0)) < 0.1 if straight.any() else False)
    return float(np.mean(straight & one_way))


def share_between(level: FloatArray, step_db: float) -> float:
    """Return the share of points that lie on the line between their neighbours, 0 where that is no pattern.

    A pattern is that such points stand all over the trace beside points that leave the line by several steps.
    """
    bend = np.abs(np.diff(level, 2))
    count = bend.size // _BLOCK
    if count < 4 or step_db >= _COARSE_DB:
        return 0.0
    blocks = bend[: count * _BLOCK].reshape(count, _BLOCK)
    on = blocks <= 1.01 * step_db
    off = blocks > 5.0 * step_db
    share, left = float(on.mean()), float(off.mean())
    few = 1.0 - share - left  # neither on the line nor far off: a smooth trace has many of these
    mixed = float(np.mean((on.mean(axis=1) >= (0.2 if share >= 0.25 else 0.02)) & off.any(axis=1)))
    many = share >= 0.25 or (share >= 0.05 and left >= 0.6)
    return share if many and mixed >= 0.9 and few <= min(0.1, 0.6 * share) else 0.0
