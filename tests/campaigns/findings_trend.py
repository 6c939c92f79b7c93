"""Drift, step, or not told apart: series with known truth, thirty daily captures of 20 kHz uncertainty each.

As a script it writes `findings_trend.csv` beside itself: ``python tests/campaigns/findings_trend.py [series] [seed]``.
The least-squares limit of the rate is std / sqrt(sum (t - mean)^2) (textbook, derived): 0.42 kHz a day for thirty.
"""

from __future__ import annotations

import csv
import itertools
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from spectra import __version__
from spectra.findings.trend_series import FALSE_ALARM, fit_series

COUNT, STD_HZ, DRIFT_HZ, STEP_HZ, SWING_HZ = 30, 20e3, 1.5e3, 60e3, 200e3
WORLDS = ("constant", "drift", "step")
SWINGS = ("none", "not noted", "noted")
COLUMNS = (
    "swing",
    "truth",
    "series",
    "drift",
    "step",
    "not_told_apart",
    "none",
    "rate_coverage_95",
    "rate_rmse_over_limit",
)


def series(truth: str, swing: str, rng: np.random.Generator) -> tuple[Any, Any, Any, float]:
    """Return days, readings, temperatures (or None) and the true rate."""
    day = np.arange(COUNT) + rng.uniform(0.0, 1.0 if swing != "none" else 0.3, COUNT)
    value = rng.normal(0.0, STD_HZ, COUNT)
    rate = 0.0
    if truth == "drift":
        rate = DRIFT_HZ * rng.choice([-1.0, 1.0])
        value += rate * day
    elif truth == "step":
        value += STEP_HZ * rng.choice([-1.0, 1.0]) * (day > rng.uniform(COUNT / 3.0, 2.0 * COUNT / 3.0))
    temperature = None
    if swing != "none":
        wave = np.sin(2.0 * np.pi * day + rng.uniform(0.0, 2.0 * np.pi))
        value += 0.5 * SWING_HZ * wave
        temperature = 25.0 + 10.0 * wave if swing == "noted" else None
    return day, value, temperature, rate


def run(truth: str, swing: str, count: int, seed: int) -> dict[str, Any]:
    """Return the figures of one case."""
    rng = np.random.default_rng((seed, WORLDS.index(truth), SWINGS.index(swing)))
    answers: Counter[str] = Counter()
    covered, squares = 0, []
    for _ in range(count):
        day, value, temperature, rate = series(truth, swing, rng)
        fit = fit_series(day, value, np.full(COUNT, STD_HZ), temperature=temperature)
        answers[fit.answer] += 1
        assert fit.rate is not None and fit.rate_interval95 is not None
        covered += fit.rate_interval95[0] <= rate <= fit.rate_interval95[1]
        squares.append(((fit.rate - rate) / (STD_HZ / np.sqrt(np.sum((day - day.mean()) ** 2)))) ** 2)
    return {
        "swing": swing,
        "truth": truth,
        "series": count,
        **{name: round(answers[name] / count, 4) for name in ("drift", "step", "not_told_apart", "none")},
        "rate_coverage_95": round(float(covered) / count, 4),
        "rate_rmse_over_limit": round(float(np.sqrt(np.mean(squares))), 3),
    }


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1500
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    path = Path(__file__).with_suffix(".csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(
            f"# sweepmuster {__version__}, seed {seed}, {count} series a case, stated false alarm {FALSE_ALARM}\n"
        )
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for swing, truth in itertools.product(SWINGS, WORLDS):
            record = run(truth, swing, count, seed)
            writer.writerow(record)
            file.flush()
            sys.stdout.write(f"{record}\n")


if __name__ == "__main__":
    main()
