"""Shoulders of third-order regrowth: none claimed of clean carriers, and how often those of a cubic stage are found.

Run as a script it takes minutes and writes `interference_shoulders.csv` beside itself. Clean: 500 MHz in 1601 points,
RBW 300 kHz, 10 or 100 averages, some six carriers of C/N 12 to 25 dB on a tilted floor; then the same with a ripple
of 1 to 3 dB, and with noise of a transponder, wider than the carrier, under one of them (which may pass for shoulders,
as the finding says). Compressed: Gaussian noise of one carrier's spectrum, C/N 24 dB,
through ``x (1 - c |x|^2)``, as in the tests.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from keeping import keep

from spectra.findings.line_shoulders import find_shoulders
from spectra.measure import measure
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum

SEED = 20261130
RATES_BD, ROLL_OFFS = (4e6, 8e6, 12e6, 22e6, 27.5e6), (0.05, 0.1, 0.2, 0.25, 0.35)
CASES = (("clean", False, False), ("transponder noise", True, False), ("ripple", False, True))
CUBIC = (0.03, 0.04, 0.05, 0.08)


def clean(number: int, humped: bool = False, rippled: bool = False) -> int:
    """Return how many carriers of a clean sweep were told to have shoulders."""
    rng = np.random.default_rng([SEED, number])
    line = ReceiveLine(tilt_db=float(rng.uniform(-6.0, 2.0)))
    if rippled:
        line = replace(line, ripple_db=float(rng.uniform(1.0, 3.0)), ripple_period_hz=float(rng.uniform(10e6, 60e6)))
    spectrum = Spectrum(-140.0, line)
    place = 955e6 + float(rng.uniform(10e6, 30e6))
    first = True
    while place < 1.40e9:
        rate, roll_off = float(rng.choice(RATES_BD)), float(rng.choice(ROLL_OFFS))
        spectrum = spectrum.with_carrier(place, rate, roll_off, float(rng.uniform(12.0, 25.0)))
        if humped and first:  # noise that the transponder sends along with its carrier, 1.4 to 1.8 times as wide
            spectrum = spectrum.with_carrier(place, rate * float(rng.uniform(1.4, 1.8)), 0.1, float(rng.uniform(-6, 0)))
        first = False
        place += rate * float(rng.uniform(2.0, 6.0)) + 10e6
    averages = int(rng.choice([10, 100]))
    analyser = Analyser(950e6, 1450e6, 1601, 3e5, averages=averages, readings=1, mode="slow")
    return len(find_shoulders(measure(sweep_spectrum(spectrum, analyser, SEED + number))))


def main(sweeps: int = 200) -> None:
    """Write the table."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "findings"))
    from test_line_shoulders import measured

    records: list[dict[str, object]] = []
    figures: dict[str, float] = {}
    for case, (name, humped, rippled) in enumerate(CASES):
        told = sum(clean(number + 10_000 * case, humped, rippled) > 0 for number in range(sweeps))
        records.append({"case": name, "told": told, "of": sweeps})
        figures[f"sweeps told, {name}"] = told / sweeps
    often = max(10, sweeps // 4)
    for cubic in CUBIC:
        true_db = 20.0 * math.log10(cubic / (1.0 - 2.0 * cubic))
        found = [shown[0] for k in range(often) if (shown := find_shoulders(measured(cubic, SEED + k)))]
        off = [(one.level_db - true_db) / one.level_std_db for one in found]
        records.append({"case": f"cubic {cubic:g}, {true_db:.1f} dB", "told": len(found), "of": often})
        figures[f"found at {true_db:.1f} dB"] = len(found) / often
        if off:
            figures[f"mean of error over uncertainty at {true_db:.1f} dB"] = float(np.mean(off))
            figures[f"rms of error over uncertainty at {true_db:.1f} dB"] = float(np.sqrt(np.mean(np.square(off))))
    keep(__file__, ("case", "told", "of"), records, figures, f"{sweeps} sweeps, {often} of each cubic", SEED)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
