"""What planned sweeps promise, held against simulated readings and the measurement: how often a carrier is found.

Run as a script it takes some minutes and writes `advice_promises.csv` beside itself. Carriers stand at the least C/N
that a planned sweep promises to show with probability 0.95, and 2 dB below it, at random places between the points; in
the busy spectrum they stand in gaps between strong carriers that fill more than half of the span.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import spectra
from spectra.advice import SweepOutlook
from spectra.measure import measure
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum

SEED = 20260314
CERTAINTY = 0.95


@dataclass(frozen=True)
class Cell:
    """One line of the table."""

    rate_bd: float
    rbw_hz: float
    averages: int = 10
    mode: str = "fast"
    busy: bool = False
    points: int = 1001


CELLS = (
    *(Cell(rate, 1e5, busy=busy) for busy in (False, True) for rate in (3e5, 1e6, 5e6)),
    Cell(2.75e7, 3e5),
    Cell(3e5, 1e5, 100),
    Cell(1e6, 3e5),
    Cell(3e5, 1e5, mode="slow"),
    Cell(1e5, 3e4),
    Cell(3e5, 3e4, 5),
)


def found_share(cell: Cell, below_db: float, sweeps: int, seed: int) -> tuple[int, int, int]:
    """Return how many carriers were found, how many there were, and how many more were found than there were."""
    span = (cell.points - 1) * cell.rbw_hz
    start = 1.2e9
    analyser = Analyser(
        *(start, start + span, cell.points, cell.rbw_hz),
        detector="rms",
        averages=cell.averages,
        sweep_time_s=2.5 * span / cell.rbw_hz**2,
        mode=cell.mode,
    )
    outlook = SweepOutlook(
        cell.points, cell.rbw_hz, cell.rbw_hz, float(analyser.readings_per_sweep * cell.averages), cell.mode == "fast"
    )
    cn = float(outlook.limit_cn_db(cell.rate_bd, 0.2, CERTAINTY)[0]) - below_db
    rng = np.random.default_rng([seed, round(cell.rate_bd), round(cell.rbw_hz), cell.averages])
    found = there = more = 0
    for number in range(sweeps):
        places = start + span * np.array([0.17, 0.5, 0.83]) + rng.uniform(-0.02, 0.02, 3) * span
        line = ReceiveLine(start, start + span, tilt_db=1.5, ripple_db=0.5, ripple_period_hz=4e7)
        spectrum = Spectrum(-140.0, line)
        for place in places:
            spectrum = spectrum.with_carrier(float(place), cell.rate_bd, 0.2, cn)
        strong = 0
        if cell.busy:
            for middle in (0.03, 0.335, 0.665, 0.97):
                width = (0.045 if middle in (0.03, 0.97) else 0.18) * span
                spectrum = spectrum.with_carrier(start + middle * span, width / 1.2, 0.2, 12.0)
                strong += 1
        carriers = measure(sweep_spectrum(spectrum, analyser, seed + number)).carriers
        near = 0.6 * max(cell.rate_bd, cell.rbw_hz)
        # a weak one may come out too wide and to one side: found, if its band is where the carrier is
        hits = sum(
            any(abs(one.centre_hz - place) < max(near, 0.6 * one.width_hz) for one in carriers) for place in places
        )
        found, there = found + hits, there + 3
        more += max(0, len(carriers) - hits - strong)
    return found, there, more


def main(sweeps: int = 30) -> None:
    """Write the table."""
    target = Path(__file__).with_suffix(".csv")
    with target.open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(
            [f"sweepmuster {spectra.__version__}", f"seed {SEED}", f"certainty {CERTAINTY}", f"sweeps {sweeps} of 3"]
        )
        names = ("rate_bd", "rbw_hz", "averages", "mode", "busy", "points")
        out.writerow([*names, "found_at_limit", "found_2_db_below", "of", "more_than_there_were"])
        for cell in CELLS:
            at, of, more = found_share(cell, 0.0, sweeps, SEED)
            below, _, more_below = found_share(cell, 2.0, sweeps, SEED)
            row = [*(getattr(cell, name) for name in names), at, below, of, more + more_below]
            out.writerow(row)
            stream.flush()
            sys.stderr.write(" ".join(map(str, row)) + "\n")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
