"""Coverage of the stated intervals, with and without correlated points, alone and in crowded spans.

Run: python tests/campaigns/measure_coverage.py [--trials N] [--jobs N]; writes measure_coverage.md beside this file.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import measure_scenes as scenes

from spectra.measure import measure
from spectra.measure.measurement import Carrier
from spectra.signal.raised_cosine import occupied_fraction

SEED = 20261129
QUANTITIES = ("centre_hz", "symbol_rate_bd", "cn_db", "occupied_bandwidth_hz")


RATE_HZ = 27.5e6
Cell = tuple[str, int, float | None, float] | tuple[str, int, float | None, float, float]


def cells() -> list[Cell]:
    """Return (average, readings, C/N or None for a crowded span, RBW in spacings; above 1 neighbours share noise).

    A fifth member is the symbol rate: carriers of a few RBW, whose edges are as narrow as the filter.
    """
    alone = [
        (average, readings, cn_db, ratio)
        for average in ("power", "log")
        for readings in (10, 100)
        for cn_db in (3.0, 12.0)
        for ratio in (1.0, 3.0, 7.5)
    ]
    return [
        *alone,
        ("power", 1, 12.0, 1.0),
        ("power", 1, 12.0, 3.0),
        ("power", 10, None, 1.0),
        ("log", 10, None, 1.0),
        ("power", 100, None, 1.0),
        ("power", 10, None, 3.0),
        ("power", 10, 12.0, 7.5, 5e6),
        ("power", 100, 12.0, 3.0, 5e6),
        ("power", 100, 15.0, 5.0, 5e6),
        ("power", 100, 12.0, 7.5, 12e6),
        ("power", 30, 12.0, 3.0, 2e6),
        ("log", 30, 12.0, 3.0, 5e6),
    ]


Score = tuple[float, bool]


def scores(carrier: Carrier, signal: scenes.Signal) -> dict[str, Score | None]:
    """Return each error over its stated standard uncertainty, and whether the stated 95 % interval holds the truth.

    Where no interval is stated it is 1.96 standard uncertainties either way.
    """
    truth = {
        "centre_hz": (signal.centre_hz, carrier.centre_std_hz),
        "symbol_rate_bd": (signal.symbol_rate_bd, carrier.symbol_rate_std_bd),
        "cn_db": (signal.cn_db, carrier.cn_std_db),
        "occupied_bandwidth_hz": (
            signal.symbol_rate_bd * occupied_fraction(signal.roll_off),
            carrier.occupied_bandwidth_std_hz,
        ),
    }
    result: dict[str, Score | None] = {}
    for name, (value, std) in truth.items():
        got = getattr(carrier, name)
        if got is None or std is None:
            result[name] = None
            continue
        low, high = (carrier.interval95 or {}).get(name, (got - 1.96 * std, got + 1.96 * std))
        result[name] = (got - value) / std, low <= value <= high
    return result


def trial(rng: np.random.Generator, cell: Cell) -> list[dict[str, Score | None]]:
    average, readings, cn_db, ratio = cell[:4]
    rate = cell[4] if len(cell) > 4 else RATE_HZ
    if cn_db is None:
        setting = scenes.Setting(
            span_hz=1200e6, rbw_hz=1.2e6 * ratio, readings=readings, average=average, correlated=ratio > 1.0
        )
        signals = scenes.crowd(rng, setting, 16, 0.6)
    else:
        setting = scenes.Setting(readings=readings, average=average, rbw_hz=ratio * 100e3, correlated=ratio > 1.0)
        signals = [scenes.Signal(1550e6 + rng.uniform(-8e6, 8e6), rate, rng.uniform(0.05, 0.35), cn_db)]
    carriers = measure(scenes.sweep(rng, setting, signals)).carriers
    found = []
    for signal in signals:
        near = [c for c in carriers if abs(c.centre_hz - signal.centre_hz) < 0.3 * signal.symbol_rate_bd]
        if len(near) == 1 and signal.symbol_rate_bd > 3.0 * setting.rbw_hz:
            found.append(scores(near[0], signal))
    return found


def _cell(work: tuple[int, int, int, Cell]) -> list[dict]:
    """Return the lines of one cell; `work` is seed, its number, trials and the cell."""
    seed, k, trials, cell = work
    rng = np.random.default_rng([seed, k])
    count = trials if cell[2] is not None else max(1, trials // 10)
    found = [s for _ in range(count) for s in trial(rng, cell)]
    lines = []
    for name in QUANTITIES:
        told = [s[name] for s in found if s[name] is not None]
        z, held = np.array([one for one, _ in told]), np.array([one for _, one in told])
        lines.append(
            {
                "cell": cell,
                "quantity": name,
                "count": z.size,
                "within68": float(np.mean(np.abs(z) < 1.0)),
                "within95": float(np.mean(np.abs(z) < 1.96)),
                "interval95": float(np.mean(held)),
                "rms": float(np.sqrt(np.mean(np.clip(z, -4.0, 4.0) ** 2))),
                "null": 1.0 - z.size / max(len(found), 1),
            }
        )
    return lines


def run(trials: int, seed: int = SEED, which: list | None = None, jobs: int = 1) -> list[dict]:
    work = [(seed, k, trials, cell) for k, cell in enumerate(which or cells())]
    if jobs == 1:
        return [line for one in work for line in _cell(one)]
    with ProcessPoolExecutor(jobs) as pool:
        return [line for lines in pool.map(_cell, work) for line in lines]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=1)
    told = parser.parse_args()
    rows = [
        [
            s["cell"][0],
            str(s["cell"][1]),
            "crowded" if s["cell"][2] is None else f"{s['cell'][2]:.0f}",
            f"{s['cell'][3]:g}",
            "1 to 36" if s["cell"][2] is None else f"{(s['cell'][4] if len(s['cell']) > 4 else RATE_HZ) / 1e6:g}",
            s["quantity"],
            str(s["count"]),
            f"{100 * s['within68']:.1f}",
            f"{100 * s['within95']:.1f}",
            f"{100 * s['interval95']:.1f}",
            f"{s['rms']:.2f}",
            f"{100 * s['null']:.1f}",
        ]
        for s in run(told.trials, jobs=told.jobs)
    ]
    header = [
        "average",
        "readings",
        "C/N dB",
        "RBW/spacing",
        "MBd",
        "quantity",
        "count",
        "in 68 %",
        "in 95 %",
        "in interval95",
        "rms z",
        "null %",
    ]
    title = "Coverage of the stated standard uncertainties (1 and 1.96 of them)"
    scenes.write_table(Path(__file__).with_suffix(".md"), title, header, rows, SEED)
    return 0


if __name__ == "__main__":
    sys.exit(main())
