"""Questions about the carriers of a scene: one or two, wide or narrow, anything or nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure import detect
from spectra.measure.compiled import loops
from spectra.measure.edges import box_of, few_readings
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
_LEAST_CUT = 8  # points of a carrier whose two sides are held against each other
_CUT_SCORE = 3.5  # normal score by which these must differ


def rethink(work: Work) -> bool:
    """Merge neighbours that are one, part what is two, give a CW a width or a narrow carrier none."""
    return bool(sum([_bend(work), _merge(work), _repair(work), _split(work), _rewidth(work), _box(work)]))


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
    total = running(work.at.misfit * work.at.weight)
    weight = running(work.at.weight)
    cuts = _best_cuts(work, total, weight)
    for k in range(work.scene.count):
        low, high, cut, step = cuts[k]
        if cut < 0:
            continue
        left, right, _, level = work.scene.theta[k, :4]
        place = float(work.trace.x[cut]) - 0.5
        share = float((weight[cut] - weight[low]) / (weight[high] - weight[low]))
        one = np.array([left, place, 0.2, level - step * (1.0 - share)])
        two = np.array([place, right, 0.2, level + step * share])
        if work.replace_if([k], [RC, RC], [one, two], 0.5 * work.least**2 + 3.0):
            changed, cuts = True, _best_cuts(work, total, weight)
    return changed


def _best_cuts(work: Work, total: FloatArray, weight: FloatArray) -> list[tuple[int, int, int, float]]:
    """Return each carrier's stretch, where its two sides differ most (-1: hardly), and by how much the second is above.

    `total` and `weight` are running sums of the residuals times their weights, and of the weights.
    """
    theta, x = work.scene.theta, work.trace.x
    low, high = np.searchsorted(x, theta[:, :2].T)
    asked = (work.scene.kind != CW) & (high - low >= _LEAST_CUT)
    compiled = loops()
    if compiled is not None:
        cut, step = compiled.best_cuts(total, weight, low, high, asked, _CUT_SCORE)
    else:
        cut, step = np.full(low.size, -1, dtype=np.intp), np.zeros(low.size)
        for k in np.flatnonzero(asked):
            cut[k], step[k] = _best_cut(total, weight, int(low[k]), int(high[k]))
    return list(zip(low.tolist(), high.tolist(), cut.tolist(), step.tolist(), strict=True))


def _best_cut(total: FloatArray, weight: FloatArray, low: int, high: int) -> tuple[int, float]:
    cut = np.arange(low + 3, high - 3)
    before, after = weight[cut] - weight[low], weight[high] - weight[cut]
    step = (total[high] - total[cut]) / after - (total[cut] - total[low]) / before
    score = np.abs(step) * np.sqrt(before * after / (before + after))
    best = int(np.argmax(score))
    return (int(cut[best]), float(step[best])) if score[best] >= _CUT_SCORE else (-1, 0.0)


def _merge(work: Work) -> bool:
    changed = False
    rbw = work.rbw_hz / work.spacing_hz
    price = 0.5 * work.least**2 + 3.0
    changed |= _bridge(work)
    near, k = _near(work, rbw), 0
    while k + 1 < work.scene.count:
        if near[k]:
            theta, kind = work.scene.theta, work.scene.kind
            one = merged(theta[k], theta[k + 1], (int(kind[k]), int(kind[k + 1])), rbw)
            if work.replace_if([k, k + 1], [RC], [one], -price, hopeless=4.0 * price, bent=True):
                changed, near = True, _near(work, rbw)
                continue
        k += 1
    return changed


def _near(work: Work, rbw: float) -> list[bool]:
    """Say which carriers may be one with the next: little room between them, and no floor to be seen there."""
    theta, tone, trace = work.scene.theta, work.scene.kind == CW, work.trace
    width = np.where(tone, rbw, theta[:, 1] - theta[:, 0])
    end, begin = theta[:-1, 1], theta[1:, 0]
    room = np.where(tone[:-1] | tone[1:], 3.0, 1.2) * rbw + _FEW_POINTS
    close = begin - end <= np.maximum(0.15 * np.maximum(width[:-1], width[1:]), room)
    low, high = np.searchsorted(trace.x, [end + 0.5 * rbw, begin - 0.5 * rbw])
    points, height = np.maximum(high - low, 0), running(trace.y - trace.law.mean)
    depth = points * np.minimum(theta[:-1, 3], theta[1:, 3]) - (height[low + points] - height[low])
    seen = depth * np.sqrt(trace.information / np.maximum(points, 1)) >= _SURE_GAP
    near: list[bool] = (close & ~seen).tolist()
    return near


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


def _box(work: Work) -> bool:
    """Try the edges of a box of one level, where few readings may hold a fit's edges short of them."""
    changed = False
    if few_readings(work.trace):
        for k in np.flatnonzero(work.scene.kind == RC):
            row = box_of(work.trace, work.scene, work.at, int(k))
            changed |= row is not None and work.replace_if([int(k)], [RC], [row], 0.5)
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
