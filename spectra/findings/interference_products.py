"""Frequencies that can be computed: intermodulation of strong carriers, combs, harmonics of a reference.

Coincidences are judged by how often chance would make them: products are ranked by their expected power, and the chance
counts every product up to and including the one that fits.

References
----------
.. [1] Third order 2 f1 - f2 and f1 + f2 - f3, fifth order 3 f1 - 2 f2 (textbook; from memory). A product of modulated
   carriers is as wide as their widths together, each counted as often as it enters (convolution; derived).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise, permutations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from spectra.measure.measurement import Carrier

__all__ = [
    "MOST_CHANCE",
    "Comb",
    "Product",
    "binomial_tail",
    "find_comb",
    "match_product",
    "products",
    "reference_harmonics",
]

MOST_CHANCE = 0.02
"""Chance up to which a coincidence is named for what it fits."""
_STRONGEST = 6
_LEAST_BELOW_DB = 6.0  # a product is weaker than the weakest of its parents by this at least (common practice)
_WIDTH_LOW, _WIDTH_HIGH = 0.45, 1.25  # measured over summed width: tails of a convolution are not seen (derived)


@dataclass(frozen=True, slots=True)
class Product:
    """One product: its parents (0-based, in the list given), words, order, frequency, width, relative power."""

    parents: tuple[int, ...]
    words: str
    order: int
    centre_hz: float
    std_hz: float
    width_hz: float
    relative_db: float


@dataclass(frozen=True, slots=True)
class Comb:
    """Lines at equal distances: which (0-based, in the list given), spacing, first line, chance."""

    members: tuple[int, ...]
    spacing_hz: float
    first_hz: float
    chance: float


def binomial_tail(hits: int, trials: int, probability: float) -> float:
    """Return the probability of `hits` or more in so many trials."""
    from scipy.special import betainc

    if hits <= 0:
        return 1.0
    if hits > trials:
        return 0.0
    return float(betainc(hits, trials - hits + 1, min(max(probability, 0.0), 1.0)))


def products(
    carriers: Sequence[Carrier], strongest: int = _STRONGEST, span_hz: tuple[float, float] | None = None
) -> list[Product]:
    """Return the third- and fifth-order products of the strongest carriers, the strongest product first.

    With `span_hz` only those between its ends.

    Relative power is that of the parents' levels multiplied (2 P1 + P2 and so on, in dBm), less 6 dB less where three
    different carriers meet (their third-order product is 6 dB up; derived), fifth order 20 dB down (common practice).
    """
    known = [k for k, c in enumerate(carriers) if c.power_dbm is not None]
    top = sorted(known, key=lambda k: -(carriers[k].power_dbm or 0.0))[:strongest]
    wanted: list[tuple[tuple[tuple[int, int], ...], int, float]] = []
    for a, b in permutations(top, 2):
        wanted.append((((a, 2), (b, -1)), 3, 0.0))
        wanted.append((((a, 3), (b, -2)), 5, -20.0))
    for a, b in combinations(top, 2):
        wanted += [(((a, 1), (b, 1), (c, -1)), 3, 6.0) for c in top if c not in (a, b)]
    low, high = (-math.inf, math.inf) if span_hz is None else span_hz
    centre = {k: carriers[k].centre_hz for k in top}
    made = [_product(carriers, *one) for one in wanted if low <= sum(n * centre[k] for k, n in one[0]) <= high]
    return sorted(made, key=lambda p: -p.relative_db)


def could_explain(carrier: Carrier, carriers: Sequence[Carrier]) -> bool:
    """Say whether a carrier is weak enough to be a product of any of the others: at least two stand well above it."""
    if carrier.power_dbm is None:
        return False
    limit = carrier.power_dbm + _LEAST_BELOW_DB
    return sum(c.power_dbm is not None and c.power_dbm >= limit for c in carriers) >= 2


def _product(carriers: Sequence[Carrier], terms: tuple[tuple[int, int], ...], order: int, extra_db: float) -> Product:
    centre = sum(n * carriers[k].centre_hz for k, n in terms)
    variance = sum((n * (carriers[k].centre_std_hz or 0.0)) ** 2 for k, n in terms)
    width = sum(abs(n) * carriers[k].width_hz for k, n in terms)
    mean = sum(abs(n) * (carriers[k].power_dbm or 0.0) for k, n in terms) / order
    return Product(
        tuple(k for k, _ in terms),
        _words(tuple(n for _, n in terms)),
        order,
        centre,
        math.sqrt(variance),
        width,
        mean * order + extra_db,
    )


@lru_cache(maxsize=64)
def _words(times: tuple[int, ...]) -> str:
    """Return a product in words, from how often each parent enters."""
    words = "".join(f" {'+' if n > 0 else '-'} {'' if abs(n) == 1 else abs(n)}f{i}" for i, n in enumerate(times, 1))
    return words.strip("+ ")


def match_product(
    carrier: Carrier, made: Sequence[Product], carriers: Sequence[Carrier], start_hz: float, stop_hz: float
) -> tuple[Product, float] | None:
    """Return the likeliest product at a carrier and the chance of such a coincidence; None where chance would do.

    Parameters
    ----------
    carrier : Carrier
        What is to be explained.
    made : sequence of Product
        Of `products(carriers)`.
    carriers : sequence of Carrier
        The parents' list; a product never explains one of its own parents.
    start_hz, stop_hz : float
        The span in which products could have fallen.
    """
    span = stop_hz - start_hz
    count = 0.0
    for product in made:
        if not start_hz <= product.centre_hz <= stop_hz or not _could_be(carrier, product, carriers):
            continue
        own = carrier.centre_std_hz or 0.0
        tolerance = 3.0 * math.hypot(own, product.std_hz) + 0.002 * product.width_hz
        count += 2.0 * tolerance / span
        if -math.expm1(-count) > MOST_CHANCE:
            return None
        if abs(carrier.centre_hz - product.centre_hz) <= tolerance:
            return product, -math.expm1(-count)
    return None


def _could_be(carrier: Carrier, product: Product, carriers: Sequence[Carrier]) -> bool:
    """Say whether width and level allow it: as wide as the parents together, weaker than each."""
    if carrier.power_dbm is None:
        return False
    weakest = min(carriers[k].power_dbm or 0.0 for k in product.parents)
    if carrier.power_dbm > weakest - _LEAST_BELOW_DB:
        return False
    if any(abs(carrier.centre_hz - carriers[k].centre_hz) < 1.0 for k in product.parents):
        return False
    if product.width_hz == 0.0:
        return carrier.width_hz == 0.0
    return _WIDTH_LOW * product.width_hz <= carrier.width_hz <= _WIDTH_HIGH * product.width_hz


def _tolerances(lines: Sequence[Carrier], ppm: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.array([3.0 * math.hypot(c.centre_std_hz or 0.0, 1e-6 * ppm * c.centre_hz) + 500.0 for c in lines])


def find_comb(lines: Sequence[Carrier], ppm: float = 1.0) -> Comb | None:
    """Return the comb that most of the unmodulated lines lie on, None where chance would do.

    At least four lines; every pair of neighbours proposes its distance, and halves and thirds of it.
    """
    if len(lines) < 4:
        return None
    f = np.array([c.centre_hz for c in lines])
    tolerance = _tolerances(lines, ppm)
    best: Comb | None = None
    order = np.argsort(f)
    trials = 3 * (f.size - 1)
    for i, j in pairwise(order.tolist()):
        for part in (1, 2, 3):
            spacing = float(f[j] - f[i]) / part
            if spacing < 10.0 * float(np.median(tolerance)):
                continue
            number = np.round((f - f[i]) / spacing)
            # a spacing read off one pair is known to its own error, which grows with the distance
            allowed = tolerance + np.abs(number) * float(tolerance[i] + tolerance[j]) / (3.0 * part)
            on = np.abs(f - f[i] - number * spacing) <= allowed
            others = np.delete(np.minimum(1.0, 2.0 * allowed / spacing), [i, j])
            chance = trials * binomial_tail(int(on.sum()) - 2, f.size - 2, float(others.mean()))
            if on.sum() >= 4 and chance <= MOST_CHANCE and (best is None or chance < best.chance):
                members = tuple(int(k) for k in np.flatnonzero(on))
                best = Comb(members, spacing, float(f[members[0]]), chance)
    return best


def reference_harmonics(lines: Sequence[Carrier], reference_hz: float = 10e6, ppm: float = 1.0) -> Comb | None:
    """Return the lines that lie on harmonics of a reference, None where chance would put as many there."""
    if not lines:
        return None
    f = np.array([c.centre_hz for c in lines])
    tolerance = _tolerances(lines, ppm)
    on = np.abs(f - np.round(f / reference_hz) * reference_hz) <= tolerance
    chance = binomial_tail(int(on.sum()), f.size, float(np.mean(2.0 * tolerance / reference_hz)))
    if not on.any() or chance > MOST_CHANCE:
        return None
    return Comb(tuple(int(k) for k in np.flatnonzero(on)), reference_hz, float(f[on].min()), chance)
