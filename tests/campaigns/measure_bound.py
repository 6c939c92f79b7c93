"""Efficiency of the measurement against the Cramer-Rao bound, roll-off drawn continuously, no snapping.

Run: python tests/campaigns/measure_bound.py [--trials N]; writes measure_bound.md beside this file.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import measure_scenes as scenes

from spectra.measure import measure
from spectra.signal.bounds import carrier_bounds
from spectra.signal.detectors import point_law
from spectra.signal.raised_cosine import occupied_fraction

SEED = 20260301
QUANTITIES = ("centre_hz", "symbol_rate_bd", "roll_off", "cn_db", "occupied_bandwidth_hz", "floor_db")
RATE = 27.5e6


def cells() -> list[tuple[str, int, float, float]]:
    """Return (average, readings, C/N, RBW in spacings): those whose bound on the roll-off stays under 0.05."""
    return [
        (average, readings, cn_db, 1.0)
        for average in ("power", "log")
        for readings in (1, 10, 100)
        for cn_db in (0.0, 6.0, 12.0, 20.0)
        if not (readings == 1 and cn_db < 12.0)
        and not (readings == 10 and cn_db < 6.0)
        and (readings, average) != (1, "log")
    ]


def trial(
    rng: np.random.Generator, cell: tuple[str, int, float, float]
) -> dict[str, tuple[float, float] | None] | None:
    """Return error over bound, and error over stated uncertainty, of every quantity (None where null or not found)."""
    average, readings, cn_db, ratio = cell
    setting = scenes.Setting(readings=readings, average=average, rbw_hz=ratio * 100e3)
    signal = scenes.Signal(1550e6 + rng.uniform(-8e6, 8e6), RATE, rng.uniform(0.05, 0.35), cn_db)
    sweep = scenes.sweep(rng, setting, [signal])
    measurement = measure(sweep)
    found = [c for c in measurement.carriers if abs(c.centre_hz - signal.centre_hz) < 0.4 * RATE]
    if len(found) != 1:
        return None
    carrier = found[0]
    bound = carrier_bounds(
        setting.frequency_hz,
        [(signal.centre_hz, RATE, signal.roll_off, cn_db)],
        setting.rbw_hz,
        point_law(average, readings).information,
    )[0]
    truth = {
        "centre_hz": signal.centre_hz,
        "symbol_rate_bd": RATE,
        "roll_off": signal.roll_off,
        "cn_db": cn_db,
        "occupied_bandwidth_hz": RATE * occupied_fraction(signal.roll_off),
    }
    result: dict[str, tuple[float, float] | None] = {}
    for name, value in truth.items():
        stem, _, unit = name.rpartition("_")
        std = getattr(carrier, {"roll_off": "roll_off_std"}.get(name, f"{stem}_std_{unit}"))
        got = getattr(carrier, name)
        result[name] = None if got is None else ((got - value) / bound[name], (got - value) / max(std or 0.0, 1e-12))
    middle = setting.points // 2
    error = float(measurement.floor.level_dbm[middle]) - setting.floor_dbm
    result["floor_db"] = (error / bound["floor_db"], error / max(float(measurement.floor.std_db[middle]), 1e-6))
    return result


def run(trials: int, seed: int = SEED, which: list[tuple[str, int, float, float]] | None = None) -> list[dict]:
    """Return a summary per cell and quantity."""
    summary = []
    for k, cell in enumerate(which or cells()):
        rng = np.random.default_rng([seed, k])
        results = [trial(rng, cell) for _ in range(trials)]
        found = [r for r in results if r is not None]
        for name in QUANTITIES:
            pairs = np.array([r[name] for r in found if r[name] is not None])
            error = pairs[:, 0]
            summary.append(
                {
                    "cell": cell,
                    "quantity": name,
                    "efficiency": float(1.0 / np.mean(error**2)),
                    "bias": float(error.mean() / np.sqrt(np.mean(error**2))),
                    "bad": float(np.mean(np.abs(error) > 5.0)),
                    "within68": float(np.mean(np.abs(pairs[:, 1]) < 1.0)),
                    "within95": float(np.mean(np.abs(pairs[:, 1]) < 1.96)),
                    "null": 1.0 - len(pairs) / max(len(found), 1),
                    "lost": 1.0 - len(found) / trials,
                }
            )
    return summary


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    trials = parser.parse_args().trials
    rows = [
        [
            s["cell"][0],
            str(s["cell"][1]),
            f"{s['cell'][2]:.0f}",
            s["quantity"],
            f"{s['efficiency']:.2f}",
            f"{s['bias']:+.2f}",
            f"{100 * s['bad']:.1f}",
            f"{100 * s['within68']:.0f}",
            f"{100 * s['within95']:.0f}",
            f"{100 * s['null']:.0f}",
            f"{100 * s['lost']:.1f}",
        ]
        for s in run(trials)
    ]
    header = ["average", "readings", "C/N dB", "quantity", "efficiency", "bias/RMSE", "bad %", "in 68 %", "in 95 %"]
    title = (
        f"Efficiency against the Cramer-Rao bound, {trials} sweeps a cell (27.5 MBd, 100 MHz, 1001 points, RBW 100 kHz)"
    )
    scenes.write_table(Path(__file__).with_suffix(".md"), title, [*header, "null %", "not found once %"], rows, SEED)
    return 0


if __name__ == "__main__":
    sys.exit(main())
