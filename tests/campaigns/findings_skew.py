"""Skew from isolations: error with an ideal feed at 25 dB, coverage with impure feeds and satellites.

Leak ratios are drawn, not swept: |tan(angle) + x|^2 with x of 27 to 40 dB and random phase, one for all carriers that
go the same way or one for each, plus the measuring noise of a pair of good sweeps. As a script it writes
`findings_skew.csv` beside itself: ``python tests/campaigns/findings_skew.py [pairs] [seed]``.
"""

from __future__ import annotations

import csv
import itertools
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np

from spectra import __version__
from spectra.findings.polarisation_levels import Shape
from spectra.findings.polarisation_pair import CarrierIsolation
from spectra.findings.polarisation_skew import fit_skew

COLUMNS = ("case", "carriers", "noise", "pairs", "coverage_95", "mean_width_deg", "rms_error_deg", "worst_error_deg")


def carriers(ratios: Any, noise: float) -> list[CarrierIsolation]:
    """Return carriers whose leaks have these power ratios, every other one going the other way."""
    shape = Shape(1.2e9, 10e6)
    return [
        CarrierIsolation(
            ("reference", "other")[k % 2], shape, shape, 1e8, 1e4, r * 1e8, noise * 1e8, None, None, None, True, True
        )
        for k, r in enumerate(ratios)
    ]


def drawn(case: str, count: int, noise: float, rng: np.random.Generator) -> tuple[float, Any]:
    """Return a true angle and the ratios that a pair shows."""
    if case == "ideal feed at 25 dB":
        angle = math.degrees(math.atan(10.0 ** (-25.0 / 20.0)))
        x = np.zeros(count, dtype=complex)
    else:
        angle = float(rng.uniform(0.0, 8.0))
        size = 10.0 ** (-rng.uniform(27.0, 40.0) / 20.0)
        phase = rng.uniform(0.0, 2.0 * np.pi, count)
        if case == "feed":
            phase = phase[:2][np.arange(count) % 2] if count > 1 else phase
        x = size * np.exp(1j * phase)
    ratios = np.abs(np.tan(np.radians(angle)) + x) ** 2 + rng.normal(0.0, noise, count)
    return angle, ratios


def run(case: str, count: int, noise: float, pairs: int, seed: int) -> dict[str, Any]:
    """Return the figures of one case."""
    rng = np.random.default_rng((seed, count, round(noise * 1e6), len(case)))
    hits, widths, errors = 0, [], []
    for _ in range(pairs):
        angle, ratios = drawn(case, count, noise, rng)
        skew = fit_skew(carriers(ratios, noise))
        assert skew is not None
        hits += skew.low_deg <= angle <= skew.high_deg
        widths.append(skew.high_deg - skew.low_deg)
        errors.append(skew.angle_deg - angle)
    return {
        "case": case,
        "carriers": count,
        "noise": noise,
        "pairs": pairs,
        "coverage_95": round(float(hits) / pairs, 4),
        "mean_width_deg": round(float(np.mean(widths)), 3),
        "rms_error_deg": round(float(np.sqrt(np.mean(np.square(errors)))), 3),
        "worst_error_deg": round(float(np.abs(errors).max()), 3),
    }


def main() -> None:
    """Run the campaign and write its table."""
    pairs = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with Path(__file__).with_suffix(".csv").open("w", newline="", encoding="utf-8") as file:
        file.write(f"# sweepmuster {__version__}, seed {seed}, {pairs} pairs a case\n")
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for case, count, noise in itertools.product(("ideal feed at 25 dB", "feed", "satellite"), (2, 6), (2e-4, 6e-4)):
            record = run(case, count, noise, pairs, seed)
            writer.writerow(record)
            file.flush()
            sys.stdout.write(f"{record}\n")


if __name__ == "__main__":
    main()
