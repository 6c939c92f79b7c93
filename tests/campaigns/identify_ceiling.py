"""What the roll call alone could confirm: carriers known exactly, shares on air and of clutter known, and the plans.

No trace, no measurement, no LO error: a draw gives which rows of a list show, which are silent and how many carriers no
row explains, at the places and rates that the table prints. The oracle knows that 88 % of the rows are on air and 15 %
are added, and how alike any two lists at different positions of the table are, for lists of one rate, of two and of
more apart: lists of one rate at even spacing have relatives elsewhere far more often. It weighs "this list" against "a
list outside the table, as like it and as often as lists of this table are". How much it confirms while none, or few, of
the draws whose true position is left out are confirmed says what part of the trials no measurement can decide. What
the rest of the table hints at (whether a list is one of a family) it does not use. As a script it writes
`identify_ceiling.csv` beside itself:

    python tests/campaigns/identify_ceiling.py [draws] [seed]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import identify_counts as counts
import identify_trials as trials

COLUMNS = ("trial", "listed", "rates", "twin", "far_twin", "log10_odds", "absent_log10_odds")
ON_AIR, EXTRA = 0.88, 0.15
NEAR_HZ, NEAR_RATE = 1.001e6, 0.02
LEAST_MATCHED = 5
SAME_RATE, MOST_RATES = 0.08, 3
_LEAST_LIKE = 0.1


@dataclass(frozen=True)
class Oracle:
    """Lists with the number of their rates (one, two, more), and how alike lists at two positions are.

    `likeness` holds for each number of rates the shares of rows and of carriers of every pair, and how many lists the
    pairs are of.
    """

    world: Any
    position: np.ndarray
    rates: np.ndarray
    likeness: dict[int, tuple[np.ndarray, int]]

    @classmethod
    def build(cls, world: Any) -> Oracle:
        """Compare every list with every other."""
        names: dict[Any, int] = {}
        position = np.array(
            [
                names.setdefault(
                    plan.satellite if plan.orbital_longitude_deg is None else round(plan.orbital_longitude_deg / 0.3),
                    len(names),
                )
                for _, _, plan in world.seen
            ]
        )
        pairs: dict[int, list[np.ndarray]] = {}
        rates = np.zeros(len(world.seen), int)
        for index, (_, state, _) in enumerate(world.seen):
            rf_hz, log_rate, number = world.columns[state.name]
            mine = number == index
            rates[index] = min(np.unique(np.round(np.nan_to_num(log_rate[mine]) / SAME_RATE)).size, MOST_RATES)
            if mine.sum() < LEAST_MATCHED:
                continue
            rows, carriers = _shares(world, state.name, rf_hz[mine], log_rate[mine], (-np.inf, np.inf))
            use = (position != position[index]) & (np.minimum(rows, carriers) >= _LEAST_LIKE)
            pairs.setdefault(int(rates[index]), []).append(np.column_stack([rows[use], carriers[use]]))
        return cls(world, position, rates, {many: (np.concatenate(each), len(each)) for many, each in pairs.items()})

    def log10_odds(self, rates: np.ndarray, shown: np.ndarray, silent: np.ndarray, left: np.ndarray) -> np.ndarray:
        """Return the odds of lists against their like, from their numbers of rates and the counts of the roll call."""
        odds = np.full(shown.size, np.inf)
        for many, (likeness, lists) in self.likeness.items():
            mine = rates == many
            if mine.any() and likeness.size:
                odds[mine] = _odds(likeness, lists, shown[mine], silent[mine], left[mine])
        return odds

    def relatives(self, share: float) -> dict[int, float]:
        """Return how many lists at other positions a list has that share so much of it both ways, by rates."""
        return {
            many: float(np.count_nonzero(likeness.min(axis=1) >= share)) / lists
            for many, (likeness, lists) in sorted(self.likeness.items())
        }


def _odds(likeness: np.ndarray, lists: int, shown: np.ndarray, silent: np.ndarray, left: np.ndarray) -> np.ndarray:
    rows = shown + silent
    usual = EXTRA * rows
    itself = shown * np.log(ON_AIR) + silent * np.log1p(-ON_AIR) + left * np.log(usual) - usual
    row, carrier = likeness.T
    air = ON_AIR * row[:, None]
    more = (EXTRA * row / carrier + ON_AIR * row * (1.0 / carrier - 1.0))[:, None] * rows
    each = shown * np.log(air) + silent * np.log1p(-air) + left * np.log(more) - more
    top = each.max(axis=0)
    return np.asarray((itself - top - np.log(np.exp(each - top).sum(axis=0) / lists)) / np.log(10.0))


def _shares(
    world: Any, state: str, rf_hz: np.ndarray, log_rate: np.ndarray, span_hz: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return for every list which part of the given rows it has, and which part of its own (in the span) are given."""
    all_rf, all_rate, number = world.columns[state]
    low, high = np.searchsorted(all_rf, span_hz)
    all_rf, all_rate, number = all_rf[low:high], all_rate[low:high], number[low:high]
    near = np.abs(all_rf[:, None] - rf_hz) <= NEAR_HZ
    near &= ~(np.abs(all_rate[:, None] - log_rate) > NEAR_RATE)
    lists = len(world.seen)
    has = np.zeros((lists, rf_hz.size), bool)
    where = np.nonzero(near)
    has[number[where[0]], where[1]] = True
    answered = np.bincount(number[near.any(axis=1)], minlength=lists)
    return has.sum(axis=1) / max(rf_hz.size, 1), answered / np.maximum(np.bincount(number, minlength=lists), 1)


def run(oracle: Oracle, count: int, seed: int, least: int = 5) -> Iterator[dict[str, Any]]:
    """Yield one record a draw."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        record = None
        while record is None:
            record = _draw(oracle, rng, number, least)
        yield record


def _draw(oracle: Oracle, rng: np.random.Generator, number: int, least: int) -> dict[str, Any] | None:
    world = oracle.world
    true = int(rng.integers(len(world.seen)))
    band, state, _ = world.seen[true]
    chain = trials.chain_of(band)
    start, stop = chain.if_min_hz, chain.if_max_hz
    if rng.random() < 0.3:
        start = float(rng.uniform(start, stop - 500e6))
        stop = start + 500e6
    span = tuple(sorted(state.lo_hz + state.sign * np.array([start, stop])))
    rf_hz, log_rate, owner = world.columns[state.name]
    low, high = np.searchsorted(rf_hz, span)
    mine = np.flatnonzero(owner[low:high] == true) + low
    on_air = mine[rng.random(mine.size) < ON_AIR]
    if on_air.size < least:
        return None
    added = int(rng.binomial(mine.size, EXTRA))
    other = rng.integers(0, rf_hz.size, added)
    inside = (rf_hz[other] > span[0]) & (rf_hz[other] < span[1]) & (rng.random(added) < 0.5)
    places = np.concatenate([rf_hz[on_air], np.where(inside, rf_hz[other], rng.uniform(*span, added))])
    rates = np.concatenate([log_rate[on_air], log_rate[other]])
    explained, showing = _shares(world, state.name, places, rates, span)
    rows = np.bincount(owner[low:high], minlength=len(world.seen))
    shown = np.round(showing * rows)
    odds = np.full(rows.size, -99.0)
    able = shown >= LEAST_MATCHED
    left = np.round((1.0 - explained) * places.size)
    odds[able] = oracle.log10_odds(oracle.rates[able], shown[able], (rows - shown)[able], left[able])
    away = oracle.position != oracle.position[true]
    twin = np.minimum(*_shares(world, state.name, rf_hz[mine], log_rate[mine], span))
    twin[true] = 0.0
    return {
        "trial": number,
        "listed": int(on_air.size),
        "rates": int(oracle.rates[true]),
        "twin": round(float(twin.max()), 2),
        "far_twin": round(float((twin * away).max()), 2),
        "log10_odds": round(float(odds[true]), 2),
        "absent_log10_odds": round(float((np.where(away, odds, -99.0)).max()), 2),
    }


def summary(records: list[dict[str, Any]], twins_from: float = 0.7) -> dict[str, float]:
    """Return what is confirmed without twins where none, or few, of the draws without the true position are."""
    alone = np.array([float(r["log10_odds"]) for r in records if float(r["twin"]) < twins_from])
    absent = np.sort([float(r["absent_log10_odds"]) for r in records])[::-1]
    far = np.sort([float(r["absent_log10_odds"]) for r in records if float(r["far_twin"]) < twins_from])[::-1]
    value: dict[str, float] = {"draws": len(records), "without twins": alone.size}
    for name, sample in (("all", absent), ("no twin elsewhere", far)):
        for wrong in (0, 2, 5, 20):
            if wrong < sample.size:
                part = float(np.mean(alone > sample[wrong]))
                value[f"confirmed, {wrong} wrong of {sample.size} ({name})"] = part
    for rates in range(1, MOST_RATES + 1):
        some = [r for r in records if int(r["rates"]) == rates]
        value[f"draws of {rates} rates"] = len(some)
        value[f"draws of {rates} rates with a twin elsewhere"] = float(
            np.mean([r["far_twin"] >= twins_from for r in some])
        )
    return value


def main(arguments: list[str]) -> None:
    """Run and write the table."""
    count = int(arguments[0]) if arguments else 2000
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    oracle = Oracle.build(trials.World.build(trials.load_plans()))
    note = f"seed {seed}, {count} draws"
    records = counts.keep(Path(__file__).with_suffix(".csv"), note, COLUMNS, run(oracle, count, seed))
    for name, value in summary(records).items():
        sys.stdout.write(f"{name}: {value:g}\n")
    for share in (0.5, 0.7, 0.9):
        sys.stdout.write(f"lists elsewhere that share {share:g} of a list, by its rates: {oracle.relatives(share)}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
