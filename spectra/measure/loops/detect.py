"""Windows that stand out and edges, compiled: see `spectra.measure.detect`."""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.special import Flags, Index, compiled
from spectra.units import FloatArray

__all__ = ["edges_found", "windows_found"]


@compiled
def _sums(values: FloatArray) -> FloatArray:
    """Return running sums, the first 0."""
    total = np.zeros(values.size + 1)
    for i in range(values.size):
        total[i + 1] = total[i] + values[i]
    return total


@compiled
def _greatest_sum(total: FloatArray, width: int) -> float:
    """Return the greatest sum of `width` values in a row."""
    most, ahead = 0.0, np.uintp(width)
    for i in range(np.uintp(total.size - width)):
        value = total[i + ahead] - total[i]
        most = max(most, value)
    return most


@compiled
def _beyond(total: FloatArray, excess: FloatArray, width: int, low: float, high: float, out: Flags) -> None:
    """Say which windows have a mean excess under `low` or over `high`."""
    ahead = np.uintp(width)
    for i in range(np.uintp(total.size - width)):
        weight, over = total[i + ahead] - total[i], excess[i + ahead] - excess[i]
        out[i] = (over > high * weight) | (over < low * weight)


@compiled
def _standing_out(
    total: FloatArray, excess: FloatArray, width: int, shape: float, side: float, least: float
) -> tuple[Index, FloatArray]:
    """Return the windows of one width whose normal score passes `least` in size, and their scores."""
    most = _greatest_sum(total, width) * shape
    high = (1.0 + (least / 3.0 - 1.0 / (9.0 * math.sqrt(most))) / math.sqrt(most)) ** 3 - 1.0
    low = max(1.0 + (-least / 3.0 - 1.0 / (9.0 * math.sqrt(most))) / math.sqrt(most), 0.0) ** 3 - 1.0
    hot = np.empty(total.size - width, np.bool_)
    _beyond(total, excess, width, low, high, hot)
    found, size = np.flatnonzero(hot), 0
    scores = np.empty(found.size)
    for i in found:
        weight = total[i + width] - total[i]
        deviation = math.sqrt(weight * shape)
        root = np.cbrt(max(1.0 + (excess[i + width] - excess[i]) / weight, 1e-9))
        score = side * ((root - 1.0) * deviation + (1.0 / 9.0) / deviation)
        if abs(score) > least:
            found[size], scores[size] = i, score
            size += 1
    return found[:size], scores[:size]


@compiled
def windows_found(
    ratio: FloatArray, share: FloatArray, widths: Index, shapes: FloatArray, side: float, least: float, most: int
) -> tuple[Index, Index, FloatArray]:
    """Return first points, widths and scores of the windows that `spectra.measure.detect.scan` keeps, best first.

    `shapes` are the law's for each width; `most` windows of one width are looked at.
    """
    total, excess = _sums(share), _sums(share * (ratio - 1.0))
    room = most * widths.size
    first, width, score, size = np.empty(room, np.intp), np.empty(room, np.intp), np.empty(room), 0
    for j in range(widths.size):
        found, own = _standing_out(total, excess, widths[j], shapes[j], side, least)
        if found.size > most:
            best = np.argsort(-np.abs(own))[:most]
            found, own = found[best], own[best]
        for i in range(found.size):
            first[size], width[size], score[size] = found[i], widths[j], own[i]
            size += 1
    taken, kept, count = np.zeros(ratio.size, np.bool_), np.empty(size, np.intp), 0
    for i in np.argsort(-np.abs(score[:size]), kind="mergesort"):
        low, high = first[i], first[i] + width[i]
        if not np.any(taken[low:high]):
            taken[low:high] = True
            kept[count] = i
            count += 1
    kept = kept[:count]
    return first[kept], width[kept], score[kept]


@compiled
def edges_found(y: FloatArray, variance: float, inflations: FloatArray, widths: Index, least: float) -> Index:
    """Return the points at which the level steps, as `spectra.measure.detect.find_edges`."""
    n = y.size
    total = np.zeros(n + 1)
    for i in range(n):
        total[i + 1] = total[i] + y[i]
    edge, blocked = np.zeros(n + 1, np.bool_), np.empty(n + 1, np.bool_)
    for which in range(widths.size):
        width = widths[which]
        if 2 * width >= n:
            break
        count = n + 1 - 2 * width
        size, hot = np.empty(count), np.empty(count, np.bool_)
        share = 1.0 / (width * math.sqrt(2.0 * variance * inflations[which] / width))
        for k in range(count):
            size[k] = abs(total[k + 2 * width] - 2.0 * total[k + width] + total[k]) * share
        reach, margin = max(1, width // 2), max(1, round(0.6 * width))
        blocked[:] = False
        for old in range(n + 1):
            if edge[old]:
                blocked[max(0, old - margin) : old + margin + 1] = True
        for k in range(count):
            hot[k] = size[k] > least
            step = 1
            while hot[k] and step <= reach:  # most have a greater one close by
                hot[k] = size[k] >= size[max(k - step, 0)] and size[k] >= size[min(k + step, count - 1)]
                step += 1
        found = np.flatnonzero(hot)
        for k in found[np.argsort(-size[found])]:
            at = k + width
            if not blocked[at]:
                edge[at] = True
                blocked[max(0, at - margin) : at + margin + 1] = True
    return np.flatnonzero(edge)
