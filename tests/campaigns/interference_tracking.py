"""The log over 200 captures with LO drift: are emissions followed without splits and merges?

Run as a script it writes `interference_tracking.csv` beside itself. Sightings are drawn, not swept: IF-fixed and RF-
fixed interferers, some bursty, some 150 kHz apart, seen in two LO states whose oscillators drift by hundreds of
kilohertz; the offset of each capture is known to some hundred hertz, as an identification gives it. Where drift puts
two emitters within 50 kHz of each other no sweep could part them, and that sighting counts for neither.
"""

from __future__ import annotations

import csv
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

import spectra
from spectra.findings.emissions import Look, Sighting, track

SEED = 20260502
STATES = (9.75e9, 10.6e9)


def trial(rng: np.random.Generator, captures: int = 200, emitters: int = 6) -> bool:
    """Say whether every emitter came out as exactly one emission of its own."""
    fixed_rf = rng.random(emitters) < 0.5
    place = np.sort(rng.uniform(1.2e9, 1.9e9, emitters))
    if rng.random() < 0.5:
        place[1] = place[0] + 150e3
    duty = rng.choice([1.0, 0.6, 0.2], emitters)
    drift = np.cumsum(rng.normal(0.0, 30e3, captures))
    began = datetime(2026, 3, 1, tzinfo=UTC)
    looks, sightings, owner = [], [], []
    state = 0
    for k in range(captures):
        if rng.random() < 0.2:
            state = 1 - state
        lo = STATES[state]
        looks.append(Look(f"{k:03d}.csv", 0.95e9, 2.15e9, began + timedelta(hours=3 * k), lo))
        ifs = np.where(fixed_rf, STATES[0] + place - lo + drift[k], place)
        for e in range(emitters):
            if rng.random() > duty[e]:
                continue
            std = float(rng.uniform(1e3, 5e3))
            offset_std = 300.0
            true_if = ifs[e]
            if not 0.95e9 < true_if < 2.15e9:
                continue
            seen = true_if + rng.normal(0.0, std)
            told_rf = seen - drift[k] + rng.normal(0.0, offset_std) + lo
            sightings.append(Sighting(k, seen, std, told_rf, float(np.hypot(std, offset_std))))
            alone = np.sort(np.abs(ifs - true_if))[1] > 50e3
            owner.append(e if alone else -1)
    found = track(looks, sightings)
    truth = {id(s): e for s, e in zip(sightings, owner, strict=True)}
    members = [{truth[id(s)] for s in emission.sightings} - {-1} for emission in found.emissions]
    members = [m for m in members if m]
    return len(members) == len(set(owner) - {-1}) and all(len(m) == 1 for m in members)


def main(trials: int = 200) -> None:
    """Write the table."""
    rng = np.random.default_rng(SEED)
    good = sum(trial(rng) for _ in range(trials))
    path = Path(__file__).with_suffix(".csv")
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(["version", "seed", "captures", "trials", "without_split_or_merge"])
        writer.writerow([spectra.__version__, SEED, 200, trials, good])
    sys.stdout.write(f"{good} of {trials} without split or merge\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
