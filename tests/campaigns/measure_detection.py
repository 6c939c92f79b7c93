"""False carriers on noise alone under tilt and ripple, and recall against the Neyman-Pearson limit.

Run: python tests/campaigns/measure_detection.py [--trials N]; writes measure_detection.md beside this file.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import measure_scenes as scenes

from spectra.measure import measure
from spectra.signal.detectors import point_law
from spectra.signal.limits import carrier_limit_cn_db

SEED = 20260303
S = scenes.Setting
NOISE = (
    ("flat, 1 reading", S(readings=1)),
    ("flat, 10 readings", S(readings=10)),
    ("flat, 100 readings, 1200 MHz", S(span_hz=1200e6, rbw_hz=1.2e6, readings=100)),
    ("tilt 10 dB, 100 readings, 1200 MHz", S(span_hz=1200e6, rbw_hz=1.2e6, readings=100, tilt_db=10.0)),
    ("ripple 2 dB/60 MHz, tilt 3 dB", S(span_hz=1200e6, rbw_hz=1.2e6, readings=100, tilt_db=3.0, ripple_db=2.0)),
    ("ripple 2 dB/20 MHz", S(span_hz=1200e6, rbw_hz=1.2e6, readings=30, ripple_db=2.0, period_hz=20e6)),
    ("ripple 2 dB/200 MHz, tilt 10 dB", S(span_hz=1200e6, rbw_hz=1.2e6, tilt_db=10.0, ripple_db=2.0, period_hz=200e6)),
    ("log average of 10", S(average="log")),
    ("peak of 10", S(average="peak")),
    ("correlated, RBW 5 spacings", S(rbw_hz=500e3, correlated=True)),
)
ABOVE_DB = (-1.5, 0.0, 1.5, 3.0)


def false_carriers(rng: np.random.Generator, setting: scenes.Setting, trials: int) -> int:
    """Return how many carriers `trials` sweeps of noise show."""
    return sum(len(measure(scenes.sweep(rng, setting, [])).carriers) for _ in range(trials))


def recall(rng: np.random.Generator, above_db: float, rate: float, readings: int, trials: int) -> tuple[int, float]:
    """Return how often a carrier so far above the limit is found, and the limit's C/N."""
    setting = scenes.Setting(readings=readings)
    points = rate / (setting.span_hz / (setting.points - 1))
    information = point_law(setting.average, readings).information
    limit = carrier_limit_cn_db(points, information, 0.01 / (3.0 * setting.points), 0.99)
    hits = 0
    for _ in range(trials):
        signal = scenes.Signal(1550e6 + rng.uniform(-30e6, 30e6), rate, rng.uniform(0.05, 0.35), limit + above_db)
        found = measure(scenes.sweep(rng, setting, [signal])).carriers
        hits += any(abs(c.centre_hz - signal.centre_hz) < 0.5 * rate for c in found)
    return hits, limit


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    trials = parser.parse_args().trials
    rows = []
    for k, (name, setting) in enumerate(NOISE):
        count = false_carriers(np.random.default_rng([SEED, k]), setting, trials)
        rows.append(["noise alone", name, "", str(trials), f"{count} false", f"{count / trials:.4f} a sweep"])
    for j, (rate, readings) in enumerate(((1e6, 10), (5e6, 10), (20e6, 10), (5e6, 1), (5e6, 100))):
        for i, above in enumerate(ABOVE_DB):
            hits, limit = recall(np.random.default_rng([SEED, 100, j, i]), above, rate, readings, trials // 4)
            what = f"{rate / 1e6:g} MBd, {readings} readings, limit {limit:.1f} dB"
            rows.append(
                ["recall", what, f"{above:+.1f}", str(trials // 4), f"{hits} found", f"{4 * hits / trials:.3f}"]
            )
    header = ["part", "case", "dB over limit", "sweeps", "count", "rate"]
    title = "False carriers and recall (limit: floor known, Pd 0.99, Pfa 0.01 over 3 x points tests)"
    scenes.write_table(Path(__file__).with_suffix(".md"), title, header, rows, SEED)
    return 0


if __name__ == "__main__":
    sys.exit(main())
