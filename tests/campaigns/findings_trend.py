"""Drift, step, or not told apart: series with known truth, thirty daily captures of 20 kHz uncertainty each.

The column `both` counts the series (of those answered `step`) that are told to drift besides.

As a script it writes `findings_trend.csv` beside itself: ``python tests/campaigns/findings_trend.py [series] [seed]``.
The least-squares limit of the rate is std / sqrt(sum (t - mean)^2) (textbook, derived): 0.42 kHz a day for thirty.

On top of the table stands what no rule can better: how often the drift would be named by one that knows its rate
and the step's size beforehand and calls one step of 200 a drift (the likelihood ratio of the two, which is the best
test there is by Neyman and Pearson), and how often by one that knows of neither more than that it may have any size
between one and twenty-five single uncertainties over the series.
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
WORLDS = ("constant", "drift", "step", "step of 40 kHz", "step of 90 kHz", "drift and step")
BOTH_HZ = 5e3, 200e3  # a day, and at once
STEPS_HZ = {"step": STEP_HZ, "step of 40 kHz": 40e3, "step of 90 kHz": 90e3}
DRIFT_FOUND = 1.98  # score of the slope from which on a change is told at all (as in the rule)
SWINGS = ("none", "not noted", "noted")
COLUMNS = (
    "swing",
    "truth",
    "series",
    "drift",
    "step",
    "not_told_apart",
    "none",
    "both",
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
    elif truth == "drift and step":
        rate = BOTH_HZ[0] * rng.choice([-1.0, 1.0])
        step = BOTH_HZ[1] * rng.choice([-1.0, 1.0]) * (day > rng.uniform(COUNT / 3.0, 2.0 * COUNT / 3.0))
        value += rate * day + step
    elif truth in STEPS_HZ:
        value += STEPS_HZ[truth] * rng.choice([-1.0, 1.0]) * (day > rng.uniform(COUNT / 3.0, 2.0 * COUNT / 3.0))
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
    covered, both, squares = 0, 0, []
    for _ in range(count):
        day, value, temperature, rate = series(truth, swing, rng)
        fit = fit_series(day, value, np.full(COUNT, STD_HZ), temperature=temperature)
        answers[fit.answer] += 1
        both += fit.drift_beside_step
        assert fit.rate is not None and fit.rate_interval95 is not None
        covered += fit.rate_interval95[0] <= rate <= fit.rate_interval95[1]
        squares.append(((fit.rate - rate) / (STD_HZ / np.sqrt(np.sum((day - day.mean()) ** 2)))) ** 2)
    return {
        "swing": swing,
        "truth": truth,
        "series": count,
        **{name: round(answers[name] / count, 4) for name in ("drift", "step", "not_told_apart", "none")},
        "both": round(both / count, 4),
        "rate_coverage_95": round(float(covered) / count, 4),
        "rate_rmse_over_limit": round(float(np.sqrt(np.mean(squares))), 3),
    }


def best_possible(count: int, seed: int, allowed: float = 0.005) -> tuple[float, float]:
    """Return the share of drifts that could be named where `allowed` of the steps are: sizes known, and not known."""
    ratios: dict[str, Any] = {}
    for truth in ("drift", "step"):
        rng = np.random.default_rng((seed, 99, WORLDS.index(truth)))
        ratios[truth] = np.array([_log_ratios(*series(truth, "none", rng)[:2]) for _ in range(count)])
    found = ratios["drift"][:, 2] > DRIFT_FOUND
    limits = np.quantile(ratios["step"][:, :2], allowed, axis=0)
    known, unknown = (float(np.mean(found & (ratios["drift"][:, k] < limits[k]))) for k in (0, 1))
    return known, unknown


def _log_ratios(day: Any, value: Any) -> tuple[float, float, float]:
    """Return ln(step over drift) with sizes known and not known, and the slope's score."""
    steps = (np.arange(COUNT)[:, None] >= np.arange(2, COUNT - 1)[None, :]).astype(float)
    columns = np.column_stack((day, steps))
    columns -= columns.mean(axis=0)
    pull, information = columns.T @ value / STD_HZ**2, (columns**2).sum(axis=0) / STD_HZ**2
    third = slice(1 + COUNT // 3 - 2, 1 + 2 * COUNT // 3 - 1)
    size = np.geomspace(1.0, 25.0, 20)[:, None] * STD_HZ
    known = _log_mean(pull[third], information[third], STEP_HZ) - _log_mean(pull[:1], information[:1], DRIFT_HZ)
    unknown = _log_mean(pull[1:], information[1:], size) - _log_mean(pull[:1], information[:1], size / COUNT)
    return known, unknown, float(abs(pull[0]) / np.sqrt(information[0]))


def _log_mean(pull: Any, information: Any, size: Any) -> float:
    """Return ln of the mean likelihood over places, sizes and both signs, against none."""
    log = np.logaddexp(size * pull, -size * pull) - 0.5 * size**2 * information
    return float(log.max() + np.log(np.mean(np.exp(log - log.max()))))


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1500
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    path = Path(__file__).with_suffix(".csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(
            f"# sweepmuster {__version__}, seed {seed}, {count} series a case, stated false alarm {FALSE_ALARM}\n"
        )
        known, unknown = best_possible(2 * count, seed)
        file.write(f"# drifts that the best rule names, sizes known: {known:.3f}, not known: {unknown:.3f}\n")
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for swing, truth in itertools.product(SWINGS, WORLDS):
            record = run(truth, swing, count, seed)
            writer.writerow(record)
            file.flush()
            sys.stdout.write(f"{record}\n")


if __name__ == "__main__":
    main()
