"""Pieces of one carrier that a transponder's response has parted, put together again.

A response that slopes or ripples makes a fit of raised cosines set two or three side by side, edge to edge, at levels
that hardly differ, or a weak wide one under the carrier. Where one raised cosine with its response leaves nothing else,
and the likelihood misses nothing else, it is one carrier.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spectra.measure.engine import Solution
from spectra.measure.fit import fit_with_response
from spectra.measure.scene import RC, stacked
from spectra.measure.settled import settled
from spectra.measure.shape import shape_verdict
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["mended"]

_GAP = 0.04  # of both widths together, between the 3 dB edges of pieces
_STEP_DB = 1.5  # between the levels of neighbouring pieces
_WEAKER_DB, _WIDE = 4.0, 0.15  # of a piece under a carrier, and its least width over the carrier's
_PRICE = 15.0  # ln(likelihood) that a carrier of its own is worth
_MOST = 6


def mended(solution: Solution) -> Solution:
    """Return the solution with pieces joined where one carrier, seen through a mild response, explains them."""
    refused: set[tuple[int, ...]] = set()
    for _ in range(_MOST):
        for members in _candidates(solution):
            key = tuple(np.round(solution.scene.theta[members, :2]).astype(int).ravel())
            joined = None if key in refused else _joined(solution, members)
            if joined is not None:
                solution = joined
                break
            refused.add(key)
        else:
            break
    return solution


def _candidates(solution: Solution) -> list[list[int]]:
    """Return runs of carriers edge to edge at like levels, the longest first, then carriers with a weak one inside."""
    theta, kind = solution.scene.theta, solution.scene.kind
    if kind.size < 2:
        return []
    left, right, _, level = theta[:, :4].T
    width = right - left
    shared = np.minimum(right[:, None], right) - np.maximum(left[:, None], left)  # (carrier, piece)
    guest = ((shared > 0.8 * width) & (width < 0.5 * width[:, None])).any(axis=0)
    own = np.flatnonzero(~guest & (kind == RC))  # by frequency
    near = np.abs(left[own[1:]] - right[own[:-1]]) < _GAP * (width[own[1:]] + width[own[:-1]]) + 0.5
    alike = np.abs(np.diff(level[own])) < _STEP_DB / DB_PER_NEPER
    runs = np.flatnonzero(np.diff(np.r_[0, (near & alike).astype(int), 0]))
    found = [[int(k) for k in own[a : b + 1]] for a, b in zip(runs[::2], runs[1::2], strict=True)]
    found.sort(key=len, reverse=True)
    inside = (shared > 0.8 * width) & (level < level[:, None] - _WEAKER_DB / DB_PER_NEPER)
    inside &= (width > _WIDE * width[:, None]) & (width < width[:, None]) & (kind == RC) & (kind[:, None] == RC)
    return found + [[int(k), int(j)] for k, j in np.argwhere(inside)]


def _joined(solution: Solution, members: list[int]) -> Solution | None:
    """Return the solution with one carrier in place of some, or None where that is not the whole story."""
    scene, trace = solution.scene, solution.trace
    theta = scene.theta[members]
    width = theta[:, 1] - theta[:, 0]
    strongest = int(np.argmax(theta[:, 3] + np.log(width)))
    low, high = float(theta[:, 0].min()), float(theta[:, 1].max())
    if _overlap(theta) > 0.5:  # one inside the other
        one = theta[strongest].copy()
    else:
        edge = 0.5 * (theta[0, 2] * width[0] + theta[-1, 2] * width[-1])
        level = float(np.log(width @ np.exp(theta[:, 3]) / width.sum()))
        one = np.array([low, high, float(np.clip(edge / (high - low), 0.02, 0.4)), level])
    keep = np.setdiff1d(np.arange(scene.count), members)
    start = scene.with_carriers(np.r_[scene.kind[keep], RC].astype(np.intp), stacked(scene.theta[keep], [one]))
    k = int(np.argmin(np.abs(start.theta[:, :2] - one[:2]).sum(axis=1)))
    found, at = fit_with_response(trace, start, [k], rounds=8, tolerance=5e-3)
    span = one[1] - one[0]
    if abs(found.theta[k, 1] - found.theta[k, 0] - span) > 0.1 * span:
        return None
    told = settled(trace, found, at, solution.law.correlation)
    scores = np.insert(solution.scores[keep], k, float(np.linalg.norm(solution.scores[members])))
    whole = replace(solution, scene=told.scene, at=at, covariance=told.covariance, scores=scores, clouds=told.clouds)
    verdict = shape_verdict(whole, k)
    if verdict.other or at.lost - solution.at.lost - verdict.gain > _PRICE:
        return None
    return whole


def _overlap(theta: FloatArray) -> float:
    """Return the greatest share of a piece's 3 dB width that another covers."""
    left, right = theta[:, 0], theta[:, 1]
    shared = np.minimum(right[:, None], right) - np.maximum(left[:, None], left)
    np.fill_diagonal(shared, 0.0)
    return float((shared / (right - left)).max())
