"""IF-fixed against RF-fixed over two LO states, and intermodulation against chance: how often is the answer right?

Run as a script it writes `interference_entries.csv` beside itself. Pairs of captures are drawn as sightings: the
emitter in question among a dozen others, each steady and fixed in IF or in RF, with LO errors of hundreds of kilohertz
known to 0.3 to 3 kHz.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

import spectra
from spectra.findings.emissions import Look, Sighting, track
from spectra.findings.interference_products import match_product, products
from spectra.findings.interference_sets import entry_of
from spectra.measure.measurement import Carrier

SEED = 20260503
LO = (10.6e9, 10.75e9)
BAND = (0.95e9, 2.15e9)


def pair(rng: np.random.Generator, others: int = 12) -> str:
    """Return right, wrong or open for one emitter of one pair of captures in two LO states 150 MHz apart."""
    by_rf = rng.random(others + 1) < 0.5
    place = rng.uniform(*BAND, others + 1)
    place[0] = rng.uniform(1.15e9, 2.1e9)
    offset = rng.normal(0.0, 300e3, 2)
    looks, sightings = [], []
    mine: list[int] = []
    for k, lo in enumerate(LO):
        looks.append(Look(f"{k}.csv", *BAND, None, lo))
        offset_std = float(rng.uniform(300.0, 3e3))
        told = offset[k] + rng.normal(0.0, offset_std)
        for e in range(others + 1):
            there = place[e] - (lo - LO[0]) + offset[k] if by_rf[e] else place[e]
            if not BAND[0] < there < BAND[1]:
                continue
            std = float(rng.uniform(1e3, 2e4))
            seen = there + rng.normal(0.0, std)
            if e == 0:
                mine.append(len(sightings))
            sightings.append(Sighting(k, seen, std, seen - told + lo, float(np.hypot(std, offset_std))))
    log = track(looks, sightings)
    (home,) = [e for e in log.emissions if sightings[mine[0]] in e.sightings]
    way = entry_of(home, log).way
    if way == "cannot_tell":
        return "open"
    return "right" if (way == "antenna") == bool(by_rf[0]) else "wrong"


def carrier(rng: np.random.Generator, centre: float, rate: float, power: float) -> Carrier:
    """Return a carrier as a measurement of it would come out."""
    std = float(rng.uniform(2e3, 2e4))
    width = 1.07 * rate
    return Carrier(
        "modulated", centre + rng.normal(0.0, std), std, rate, 0.01 * rate, 0.2, 0.03, width, 0.01 * width,
        power_dbm=power, power_std_db=0.2, cn_db=10.0, cn_std_db=0.2,
    )  # fmt: skip


def product_trial(rng: np.random.Generator, true: bool) -> bool:
    """Say whether intermodulation was named for a true third-order product, or for a carrier at a random place."""
    while True:
        f = rng.uniform(1.0e9, 2.1e9, 8)
        rate = rng.uniform(0.5e6, 12e6, 8)
        power = np.sort(rng.uniform(-60.0, -40.0, 8))[::-1]
        parents = [carrier(rng, float(a), float(r), float(p)) for a, r, p in zip(f, rate, power, strict=True)]
        a, b = 0, int(rng.integers(1, 3))
        at, width = 2.0 * f[a] - f[b], 2.0 * rate[a] + rate[b]
        if not true:
            at, width = rng.uniform(*BAND), rng.uniform(0.5e6, 36e6)
        if BAND[0] + width < at < BAND[1] - width:
            break
    # three flat spectra convolved hold 99 % of their power within some 0.72 of the summed width (derived)
    found = carrier(rng, float(at), float((0.72 if true else 1.0) * width), float(power[-1]) - 12.0)
    fit = match_product(found, products(parents), parents, *BAND)
    return fit is not None


def main(pairs: int = 2000, trials: int = 2000) -> None:
    """Write the table."""
    rng = np.random.default_rng(SEED)
    told = [pair(rng) for _ in range(pairs)]
    rows = [("two_state_pairs_" + word, told.count(word), pairs) for word in ("right", "wrong", "open")]
    rows.append(("true_products_named", sum(product_trial(rng, True) for _ in range(trials)), trials))
    rows.append(("chance_coincidences_named", sum(product_trial(rng, False) for _ in range(trials)), trials))
    with Path(__file__).with_suffix(".csv").open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(["version", "seed", "what", "count", "of"])
        for what, count, of in rows:
            writer.writerow([spectra.__version__, SEED, what, count, of])
            sys.stdout.write(f"{what}: {count} of {of}\n")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
