"""Distance to mismatch from ripple: right within 3 % or half a metre, and nothing claimed of straight lines.

Run as a script it takes minutes and writes `interference_ripple.csv` beside itself. A full IF of 1200 MHz in 1201
points, RBW 500 kHz, some sixteen carriers, tilt and filter edges; two mismatches 0.6 to 30 m apart (period of 4
points at least).
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

import spectra
from spectra.findings.line_ripple import distance_m, find_ripples, period_hz
from spectra.measure import measure
from spectra.measure.measurement import Measurement
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum

SEED = 20261129
START_HZ, STOP_HZ, POINTS, RBW_HZ, FACTOR = 950e6, 2150e6, 1201, 5e5, 0.83
CELLS = ((0.5, 100), (1.5, 10), (0.0, 100), (0.0, 10))


def swept(rng: np.random.Generator, ripple_db: float, averages: int, length_m: float, seed: int) -> Measurement:
    """Return the measurement of one sweep through such a line."""
    line = ReceiveLine(
        START_HZ,
        STOP_HZ,
        tilt_db=float(rng.uniform(-8.0, 0.0)),
        ripple_db=ripple_db,
        ripple_period_hz=period_hz(length_m, FACTOR),
        ripple_phase_rad=float(rng.uniform(0.0, 6.28)),
        low_edge_hz=925e6,
        high_edge_hz=2185e6,
        edge_width_hz=40e6,
    )
    spectrum, place = Spectrum(-140.0, line), START_HZ + float(rng.uniform(5e6, 40e6))
    while True:
        rate, roll_off = float(10.0 ** rng.uniform(6.5, 7.5)), float(rng.choice([0.05, 0.2, 0.25, 0.35]))
        width = rate * (1.0 + roll_off)
        if place + width > STOP_HZ - 5e6:
            break
        spectrum = spectrum.with_carrier(place + 0.5 * width, rate, roll_off, float(rng.uniform(6.0, 16.0)))
        place += width + float(rng.uniform(10e6, 90e6))
    analyser = Analyser(START_HZ, STOP_HZ, POINTS, RBW_HZ, averages=averages, readings=1, mode="slow")
    return measure(sweep_spectrum(spectrum, analyser, seed))


def count(ripple_db: float, averages: int, sweeps: int) -> tuple[int, int]:
    """Return in how many sweeps the distance was right (or, without ripple, nothing claimed), and any was claimed."""
    rng = np.random.default_rng([SEED, round(10 * ripple_db), averages])
    right = claimed = 0
    for number in range(sweeps):
        length = float(10.0 ** rng.uniform(np.log10(0.6), np.log10(0.98 * distance_m(4e6, FACTOR))))
        found = find_ripples(swept(rng, ripple_db, averages, length, SEED + number), FACTOR)
        claimed += bool(found)
        if ripple_db:
            right += bool(found) and abs(found[0].length_m - length) <= max(0.03 * length, 0.5)
        else:
            right += not found
    return right, claimed


def main(sweeps: int = 20) -> None:
    """Write the table."""
    with Path(__file__).with_suffix(".csv").open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(["version", "seed", "ripple_db", "averages", "right", "claimed", "of"])
        for ripple_db, averages in CELLS:
            often = sweeps if ripple_db else 3 * sweeps
            row = [spectra.__version__, SEED, ripple_db, averages, *count(ripple_db, averages, often), often]
            writer.writerow(row)
            handle.flush()
            sys.stdout.write(" ".join(str(x) for x in row[2:]) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
