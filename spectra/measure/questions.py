"""Questions about the carriers of a scene: one or two, wide or narrow, anything or nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure import detect
from spectra.measure.compiled import loops
from spectra.measure.floor import WIDEST_CARRIER_HZ
from spectra.measure.moves import WIDTH_GAIN, as_carrier, as_tone, merged, stretch_of
from spectra.measure.response import best_orders, shows_shape, with_orders
from spectra.measure.scene import CW, RC
from spectra.measure.sums import running
from spectra.measure.work import Work
from spectra.units import FloatArray

__all__ = ["drop", "rethink"]

_FEW_POINTS = 1.5  # that noise may push down between the halves of one carrier
_SURE_GAP = 8.0  # normal score of a gap that is no accident


def rethink(work: Work) -> bool:
    """Merge neighbours that are one, part what is two, give a CW a width or a narrow carrier none."""
    return bool(sum([_bend(work), _merge(work), _repair(work), _split(work), _rewidth(work)]))


def _bend(work: Work) -> bool:
    """Give carriers the response that their residuals ask for, or take away one that they ask for no more."""
    which = np.flatnonzero(shows_shape(work.trace, work.scene, work.law.correlated_points))
    theta = with_orders(work.scene.theta, which, best_orders(work.trace, work.scene, work.at, which))
    if np.array_equal(theta, work.scene.theta):
        return False
    work.scene = replace(work.scene, theta=theta)
    work.refit(4)
    return True


def _split(work: Work) -> bool:
    """Part carriers whose two sides stand at different levels."""
    changed = False
    residual = work.at.misfit * work.at.weight
    total = running(residual)
    weight = running(work.at.weight)
    for k in range(work.scene.count):
        left, right, _, level = work.scene.theta[k, :4]
        low, high = np.clip(np.searchsorted(work.trace.x, [left, right]), 0, work.trace.x.size)
        if work.scene.kind[k] == CW or high - low < 8:
            continue
        cut, score, step = _best_cut(total, weight, int(low), int(high))
        if score < 3.5:
            continue
        place = float(work.trace.x[cut]) - 0.5
        share = float((weight[cut] - weight[low]) / (weight[high] - weight[low]))
        one = np.array([left, place, 0.2, level - step * (1.0 - share)])
        two = np.array([place, right, 0.2, level + step * share])
        changed |= work.replace_if([k], [RC, RC], [one, two], 0.5 * work.least**2 + 3.0)
    return changed


def _best_cut(total: FloatArray, weight: FloatArray, low: int, high: int) -> tuple[int, float, float]:
    """Return where the two sides of a stretch differ most, the score of that, and the step from left to right.

    `total` and `weight` are running sums of the residuals times their weights, and of the weights.
    """
    compiled = loops()
    if compiled is not None:
        place, most, rise = compiled.best_cut(total, weight, low, high)
        return int(place), float(most), float(rise)
    cut = np.arange(low + 3, high - 3)
    before, after = weight[cut] - weight[low], weight[high] - weight[cut]
    step = (total[high] - total[cut]) / after - (total[cut] - total[low]) / before
    score = np.abs(step) * np.sqrt(before * after / (before + after))
    best = int(np.argmax(score))
    return int(cut[best]), float(score[best]), float(step[best])


def _merge(work: Work) -> bool:
    changed = False
    rbw = work.rbw_hz / work.spacing_hz
    price = 0.5 * work.least**2 + 3.0
    changed |= _bridge(work)
    k = 0
    while k + 1 < work.scene.count:
        if _near(work, k, rbw):
            theta, kind = work.scene.theta, work.scene.kind
            one = merged(theta[k], theta[k + 1], (int(kind[k]), int(kind[k + 1])), rbw)
            if work.replace_if([k, k + 1], [RC], [one], -price, hopeless=4.0 * price, bent=True):
                changed = True
                continue
        k += 1
    return changed


def _near(work: Work, k: int, rbw: float) -> bool:
    """Say whether carriers k and k + 1 may be one: little room between them, and no floor to be seen there."""
    theta, kind = work.scene.theta[k : k + 2], work.scene.kind[k : k + 2]
    width = np.where(kind == RC, theta[:, 1] - theta[:, 0], rbw)
    gap = theta[1, 0] - theta[0, 1]
    if gap > max(0.15 * float(width.max()), (3.0 if (kind == CW).any() else 1.2) * rbw + _FEW_POINTS):
        return False
    low, high = np.searchsorted(work.trace.x, [theta[0, 1] + 0.5 * rbw, theta[1, 0] - 0.5 * rbw])
    if high <= low:
        return True
    depth = float(theta[:, 3].min()) - (work.trace.y[low:high] - work.trace.law.mean)
    return float(depth.sum()) * math.sqrt(work.trace.information / float(high - low)) < _SURE_GAP


def _bridge(work: Work) -> bool:
    """Make one of two carriers that only a CW, or a narrow carrier on top, seems to part."""
    changed = False
    price = 0.5 * work.least**2 + 3.0
    for k in range(1, work.scene.count - 1):
        theta, kind = work.scene.theta, work.scene.kind
        if k + 1 >= kind.size or kind[k - 1] != RC or kind[k + 1] != RC:
            continue
        bare = theta[k + 1, 0] - theta[k - 1, 1] - (theta[k, 1] - theta[k, 0])
        if bare > 12.0 * work.trace.sigma + 4.0:
            continue
        least = min(theta[k - 1, 1] - theta[k - 1, 0], theta[k + 1, 1] - theta[k + 1, 0])
        on_top = theta[k, 3] > max(theta[k - 1, 3], theta[k + 1, 3]) and theta[k, 1] - theta[k, 0] < 0.4 * least
        if kind[k] == RC and not on_top:
            continue
        one, top = merged(theta[k - 1], theta[k + 1], (RC, RC), work.rbw_hz / work.spacing_hz), theta[k].copy()
        if kind[k] == RC:  # what it shows above the one it stands on
            top[3] += np.log(max(1.0 - np.exp(one[3] - top[3]), 0.05))
        changed |= work.replace_if(
            [k - 1, k, k + 1], [RC, int(kind[k])], [one, top], -price, hopeless=4.0 * price, bent=True
        )
    return changed


def _repair(work: Work) -> bool:
    """Where the trace lies below the model: move the edge that is too far out, or part the carrier there."""
    changed = False
    rbw = work.rbw_hz / work.spacing_hz
    odd = work.windows(work.asks)[:12] if work.scene.count else []
    for window in odd:
        if window.score > 0.0:
            changed |= _extend(work, window)
            continue
        middle = float(work.trace.x[min((window.first + window.last) // 2, work.trace.x.size - 1)])
        theta, kind = work.scene.theta, work.scene.kind
        inside = np.flatnonzero((kind == RC) & (theta[:, 0] - rbw < middle) & (middle < theta[:, 1] + rbw))
        if inside.size == 0:
            continue
        k = int(inside[np.argmax(theta[inside, 3])])
        changed |= _part(work, k, float(work.trace.x[window.first]), float(work.trace.x[window.last - 1]))
    return changed


def _extend(work: Work, window: detect.Window) -> bool:
    """Try the edge of a carrier beyond a stretch beside it that stands too high."""
    low, high = float(work.trace.x[window.first]) - 0.5, float(work.trace.x[window.last - 1]) + 0.5
    theta = work.scene.theta
    width = theta[:, 1] - theta[:, 0]
    for k in np.flatnonzero((work.scene.kind == RC) & (width > 3.0)):
        wider = theta[k].copy()
        wider[2] = 0.2
        if theta[k, 1] - 0.3 * width[k] < low < theta[k, 1] + 0.15 * width[k] and high > theta[k, 1]:
            wider[1] = high
        elif theta[k, 0] - 0.15 * width[k] < high < theta[k, 0] + 0.3 * width[k] and low < theta[k, 0]:
            wider[0] = low
        else:
            continue
        if wider[1] - wider[0] < 2.0 * width[k] and work.replace_if([int(k)], [RC], [wider], 0.5):
            return True
    return False


def _part(work: Work, k: int, low: float, high: float) -> bool:
    """Try a carrier without the stretch low..high: cut short on either side, or parted in two."""
    whole = work.scene.theta[k]
    left, right = whole.copy(), whole.copy()
    left[4:] = right[4:] = 0.0
    left[1], right[0] = low - 0.5, high + 0.5
    left[2] = right[2] = 0.2
    if low - whole[0] < high - whole[0] and whole[1] - high > 2.0 and work.replace_if([k], [RC], [right], 1.0):
        return True
    if low - whole[0] > 2.0 and work.replace_if([k], [RC], [left], 1.0):
        return True
    if low - whole[0] > 2.0 and whole[1] - high > 2.0:
        return work.replace_if([k], [RC, RC], [left, right], 0.5 * work.least**2 + 3.0)
    return False


def _rewidth(work: Work) -> bool:
    changed = False
    rbw = work.rbw_hz / work.spacing_hz
    for k in range(work.scene.count):
        theta = work.scene.theta[k]
        if work.scene.kind[k] == CW:
            wider = work.replace_if([k], [RC], [as_carrier(theta, rbw, work.trace.sigma)], WIDTH_GAIN)
            # a carrier of no visible width still scatters like noise, a CW does not
            changed |= wider or work.replace_if([k], [RC], [as_carrier(theta, 0.3 * rbw, work.trace.sigma)], WIDTH_GAIN)
        elif theta[1] - theta[0] < 1.5 * rbw:
            changed |= work.replace_if([k], [CW], [as_tone(theta, work.trace.sigma)], -WIDTH_GAIN)
    return changed


def drop(work: Work) -> bool:
    """Drop carriers whose presence does not explain enough, the weakest first; say whether any went."""
    before = work.scene.count
    _drop_impossible(work)
    while work.scene.count:
        score = work.scores()
        sliver = _slivers(work)
        weak = [int(k) for k in np.argsort(score) if score[k] < work.least + 1.0 or sliver[k]]
        for k in weak:
            if score[k] < work.least or _needless(work, k):
                work.put([k], [], [])
                break
        else:
            break
        work.refit(3)
    return work.scene.count < before


def _drop_impossible(work: Work) -> None:
    """Drop what cannot be told from floor: wider than any carrier or than most of the span, or outside it."""
    theta = work.scene.theta
    width, centre = theta[:, 1] - theta[:, 0], 0.5 * (theta[:, 0] + theta[:, 1])
    last = float(work.trace.x[-1])
    out = (width > min(1.2 * WIDEST_CARRIER_HZ / work.spacing_hz, 0.85 * last)) | (centre < 0.0) | (centre > last)
    if out.any():
        work.put(list(np.flatnonzero(out)), [], [])
        work.refit(8)


def _slivers(work: Work) -> NDArray[np.bool_]:
    """Say which carriers are narrow ones at the edge of, or inside, a much wider and stronger one."""
    theta, reach = work.scene.theta, 3.0 * work.trace.sigma
    width = theta[:, 1] - theta[:, 0]
    half = 0.5 * theta[:, 2] * width + reach
    touch = (theta[:, None, 0] - half[:, None] < theta[None, :, 1] + half) & (
        theta[:, None, 1] + half[:, None] > theta[None, :, 0] - half
    )
    small = (width[:, None] < 0.2 * width) & (theta[:, None, 3] < theta[:, 3])
    return np.asarray((touch & small).any(axis=1))


def _needless(work: Work, k: int) -> bool:
    """Say whether the neighbours could do without carrier `k`."""
    key = ("need", *np.round(work.scene.theta[k, :2]).astype(int))
    if key in work.asked:
        return False
    work.asked.add(key)
    stretch = stretch_of(work.trace, work.scene, work.at, work.around([k]), work.margin)
    others = [j for j in range(stretch.members.size) if stretch.members[j] != k]
    now = stretch.best(list(stretch.kind), list(stretch.theta), 0)[1]
    less = stretch.best(
        [int(stretch.kind[j]) for j in others], [stretch.theta[j] for j in others], 6, None, now + 0.5 * work.least**2
    )[1]
    return less - now < 0.5 * work.least**2
