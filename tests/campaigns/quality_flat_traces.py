"""Traces that are no live ones told as such, and true sweeps that are not: by kind of sweep and step of the levels.

Run: python tests/campaigns/quality_flat_traces.py [--trials N] [--seed N]; writes quality_flat_traces.md beside this
file. The thresholds were chosen on draws of seed 20261129: the table kept is of another. True
sweeps are drawn reading by reading (measure_scenes), with video smoothing, max hold, wide RBW and very many averages;
a sweep whose levels are all alike in steps that coarse is counted apart: nothing tells it from a stored line.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import measure_scenes as scenes

from spectra.measure.quality import RULES
from spectra.sweep import Sweep

SEED = 415263
KINDS = ("power", "log", "peak", "sample", "video", "max hold", "1e3 readings", "1e4 readings", "1e5 readings")
STEPS_DB = (0.0, 0.001, 0.01, 0.1, 0.5, 1.0)
POINTS = 1001
FLAT = next(rule.run for rule in RULES if rule.code == "quality.flat_trace")


def told(level: np.ndarray, rbw_hz: float | None, span_hz: float = 100e6) -> bool:
    """Say whether the rule tells a trace."""
    axis = np.linspace(1500e6, 1500e6 + span_hz, level.size)
    return any(True for _ in FLAT(sweep=Sweep.from_arrays(axis, level, rbw_hz=rbw_hz)))


def rounded(level: np.ndarray, step_db: float) -> np.ndarray:
    return np.round(level / step_db) * step_db if step_db else level


def true_sweep(rng: np.random.Generator, kind: str) -> tuple[scenes.Setting, np.ndarray]:
    """Draw a sweep of a kind, with some carriers or none, over some span, points and RBW."""
    span, points = float(rng.choice([5e6, 20e6, 100e6, 500e6, 1200e6])), int(rng.choice([201, 401, 1001, 2001]))
    rbw = span / (points - 1) * float(rng.choice([0.1, 0.3, 1.0, 3.0, 10.0, 30.0]))
    average = {"video": "sample", "max hold": "peak"}.get(kind, "power" if "readings" in kind else kind)
    setting = scenes.Setting(
        span_hz=span,
        points=points,
        rbw_hz=rbw,
        readings={"sample": 1, "video": 1, "max hold": 30}.get(kind, int(rng.choice([5, 20, 100]))),
        average=average,
        tilt_db=float(rng.choice([0.0, 1.0, 6.0])),
        ripple_db=float(rng.choice([0.0, 1.5])),
        correlated=bool(rng.integers(2)),
    )
    fill = float(rng.uniform(0.1, 0.9))
    signals = [] if rng.random() < 0.25 else scenes.crowd(rng, setting, int(rng.integers(1, 12)), fill)
    if "readings" in kind:
        count = float(kind.split()[0])
        noise, _ = scenes.means(setting, signals)
        return setting, 10.0 * np.log10(noise * rng.gamma(count, 1.0 / count, points))
    level = scenes.draw(rng, setting, signals)
    if kind == "video":  # a one-pole filter on the dB scale
        share = 1.0 / float(rng.choice([3.0, 10.0, 50.0, 200.0]))
        weights = share * (1.0 - share) ** np.arange(level.size)
        level = level[0] + np.convolve(level - level[0], weights)[: level.size]
    return setting, level


def dead_traces(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return traces that no analyser swept: lines, stairs, repeats, points worked out from others."""
    at = np.arange(POINTS)

    def noise(count: int) -> np.ndarray:
        return -90.0 + 10.0 * np.log10(rng.gamma(10.0, 0.1, count))

    slope, bend = rng.uniform(1.0, 40.0) / POINTS, int(rng.integers(100, 900))
    rise = rng.uniform(0.005, 0.05)
    fine = int(rng.integers(2, 21))
    return {
        "constant": np.full(POINTS, -90.0),
        "straight line": -95.0 + slope * at,
        "two straight lines": -95.0 + np.where(at < bend, rise * at, rise * bend - 0.5 * rise * (at - bend)),
        "stairs of 3 to 12 levels": np.repeat(rng.uniform(-95.0, -65.0, (c := int(rng.integers(3, 13)))), POINTS // c),
        "half of it stuck": np.r_[noise(POINTS // 2), np.full(POINTS - POINTS // 2, -90.0)],
        "repeated piece": np.tile(noise(c := int(rng.integers(20, 450))), POINTS // c + 1)[:POINTS],
        "every row twice": np.repeat(noise(POINTS // 2 + 1), 2)[:POINTS],
        "lines between every 2 to 20 points": np.interp(
            at, fine * np.arange(POINTS // fine + 2), noise(POINTS // fine + 2)
        ),
        "stretched from 101 to 461 points": np.interp(
            np.linspace(0.0, 1.0, POINTS), np.linspace(0.0, 1.0, (c := int(rng.integers(101, 462)))), noise(c)
        ),
    }


def run(trials: int, seed: int = SEED) -> tuple[Counter[tuple[str, float]], Counter[tuple[str, float]]]:
    """Return how often each kind was told at each step, true sweeps and dead traces; "alike" counts true ones apart."""
    rng = np.random.default_rng(seed)
    true: Counter[tuple[str, float]] = Counter()
    dead: Counter[tuple[str, float]] = Counter()
    for _ in range(trials):
        for kind in KINDS:
            setting, level = true_sweep(rng, kind)
            known = setting.rbw_hz if rng.random() < 0.7 else None
            for step_db in STEPS_DB:
                shown = rounded(level, step_db)
                if np.ptp(shown) == 0.0:
                    true["alike", step_db] += 1
                elif told(shown, known, setting.span_hz):
                    true[kind, step_db] += 1
        for kind, level in dead_traces(rng).items():
            for step_db in STEPS_DB:
                dead[kind, step_db] += told(rounded(level, step_db), 100e3)
    return true, dead


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    trials = options.trials
    true, dead = run(trials, options.seed)
    header = ["told of " + str(trials), *(f"{step:g} dB" if step else "unrounded" for step in STEPS_DB)]
    rows = [[f"true: {kind}", *(str(true[kind, step]) for step in STEPS_DB)] for kind in KINDS]
    rows.append(["true, but all levels alike (of all)", *(str(true["alike", step]) for step in STEPS_DB)])
    kinds = list(dead_traces(np.random.default_rng(0)))
    rows += [[f"no live trace: {kind}", *(str(dead[kind, step]) for step in STEPS_DB)] for kind in kinds]
    title = "How often quality.flat_trace is told, by step of the levels"
    scenes.write_table(Path(__file__).with_suffix(".md"), title, header, rows, options.seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
