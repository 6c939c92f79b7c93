"""A CW inside a carrier, at the Neyman-Pearson limit and 1 dB above it, and sweeps full of clean carriers.

Run as a script it takes minutes and writes `interference_cw.csv` beside itself. Carriers of 6 to 20 dB C/N fill the
span side by side; the tone stands on a point of the trace, anywhere on a plateau at least 10 RBW wide. `found` counts
what is told as standing on a carrier; `told` also what is told as a carrier of its own there.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import spectra
from spectra.findings.interference_guests import under_carriers
from spectra.measure import measure
from spectra.signal.limits import cw_limit_db
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum

SEED = 20261130
RBW_HZ = 3e5
POINTS = 501
START_HZ = 1.2e9


@dataclass(frozen=True)
class Cell:
    """One line of the table: readings per point, points per RBW, whether neighbours share their noise."""

    readings: int
    points_per_rbw: float
    mode: str


CELLS = (Cell(10, 1.0, "slow"), Cell(100, 1.0, "slow"), Cell(10, 2.0, "fast"), Cell(100, 2.0, "fast"))


def full_band(
    rng: np.random.Generator, cell: Cell
) -> tuple[Analyser, Spectrum, list[tuple[float, float, float, float]]]:
    """Return analyser, spectrum and carriers (centre, symbol rate, roll-off, C/N)."""
    span = (POINTS - 1) * RBW_HZ / cell.points_per_rbw
    analyser = Analyser(
        START_HZ, START_HZ + span, POINTS, RBW_HZ, averages=cell.readings, readings=1, mode=cell.mode,  # type: ignore[arg-type]  # one of the two modes
    )  # fmt: skip
    line = ReceiveLine(START_HZ, START_HZ + span, tilt_db=1.5, ripple_db=0.4, ripple_period_hz=6e7)
    spectrum, carriers = Spectrum(-140.0, line), []
    place = START_HZ + 0.01 * span
    while True:
        rate = float(10.0 ** rng.uniform(np.log10(20.0 * RBW_HZ), np.log10(3e7)))
        roll_off, cn = float(rng.choice([0.05, 0.2, 0.25, 0.35])), float(rng.uniform(6.0, 20.0))
        width = rate * (1.0 + roll_off)
        if place + width > START_HZ + 0.99 * span:
            return analyser, spectrum, carriers
        spectrum = spectrum.with_carrier(place + 0.5 * width, rate, roll_off, cn)
        carriers.append((place + 0.5 * width, rate, roll_off, cn))
        place += width * float(rng.uniform(1.02, 1.3))


def count(cell: Cell, sweeps: int, over_db: tuple[float, ...] = (0.0, 1.0)) -> dict[str, int]:
    """Return how many tones were found at each level over the limit, and in how many clean sweeps any was claimed."""
    limit = cw_limit_db(cell.readings, 0.01 / POINTS, 0.95)
    rng = np.random.default_rng([SEED, cell.readings, round(10 * cell.points_per_rbw)])
    found = {f"{word}_{over:+.0f}_db": 0 for word in ("found", "told") for over in over_db} | {"clean_with_a_claim": 0}
    for number in range(sweeps):
        analyser, spectrum, carriers = full_band(rng, cell)
        seed = SEED + number
        claimed = under_carriers(measure(sweep_spectrum(spectrum, analyser, seed)), false_alarms=0.01)
        found["clean_with_a_claim"] += bool(claimed)
        centre, rate, roll_off, cn = carriers[int(rng.integers(len(carriers)))]
        tone = centre + float(rng.uniform(-0.45, 0.45)) * rate * (1.0 - roll_off)
        tone = float(analyser.frequency_hz[np.argmin(np.abs(analyser.frequency_hz - tone))])
        local = 10.0 * np.log10((1.0 + 10.0 ** (cn / 10.0)) * 1.0645 * RBW_HZ)
        for over in over_db:
            swept = sweep_spectrum(spectrum.with_tone(tone, float(local) + limit + over), analyser, seed)
            measured = measure(swept)
            on = any(abs(g.centre_hz - tone) < RBW_HZ for g in under_carriers(measured, false_alarms=0.01))
            alone = any(abs(c.centre_hz - tone) < RBW_HZ and c.width_hz < 10.0 * RBW_HZ for c in measured.carriers)
            found[f"found_{over:+.0f}_db"] += on
            found[f"told_{over:+.0f}_db"] += on or alone
    return found


def main(sweeps: int = 40) -> None:
    """Write the table."""
    with Path(__file__).with_suffix(".csv").open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(["version", "seed", "readings", "points_per_rbw", "mode", "limit_db", "what", "count", "of"])
        for cell in CELLS:
            limit = round(cw_limit_db(cell.readings, 0.01 / POINTS, 0.95), 2)
            for what, number in count(cell, sweeps).items():
                row = [spectra.__version__, SEED, cell.readings, cell.points_per_rbw, cell.mode, limit, what, number]
                writer.writerow([*row, sweeps])
                sys.stdout.write(" ".join(str(x) for x in row[2:]) + f" of {sweeps}\n")
                handle.flush()


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
