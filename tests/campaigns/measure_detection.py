"""False carriers on noise alone and in crowded spans, splits and merges, and recall against the Neyman-Pearson limit.

The limit counts the floor's own parameters as nuisance: of a carrier's information only the part is left that the
floor cannot take up. Two floors are given: a straight line, which is what the scene has, and the spline that the
measurement grants a floor, at the stiffness of a decibel of ripple, which it must not mistake for a carrier.

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
from spectra.measure.measurement import Carrier
from spectra.signal.detectors import point_law
from spectra.signal.limits import carrier_limit_cn_db

SEED = 20261129
S = scenes.Setting
WIDE = {"span_hz": 1200e6, "rbw_hz": 1.2e6}
NOISE = (
    ("flat, 1 reading", S(readings=1)),
    ("flat, 10 readings", S(readings=10)),
    ("flat, 100 readings, 1200 MHz", S(**WIDE, readings=100)),
    ("tilt 10 dB, 100 readings, 1200 MHz", S(**WIDE, readings=100, tilt_db=10.0)),
    ("ripple 2 dB/60 MHz, tilt 3 dB", S(**WIDE, readings=100, tilt_db=3.0, ripple_db=2.0)),
    ("ripple 2 dB/20 MHz", S(**WIDE, readings=30, ripple_db=2.0, period_hz=20e6)),
    ("ripple 2 dB/200 MHz, tilt 10 dB", S(**WIDE, tilt_db=10.0, ripple_db=2.0, period_hz=200e6)),
    ("log average of 10", S(average="log")),
    ("peak of 10", S(average="peak")),
    ("correlated, RBW 5 spacings", S(rbw_hz=500e3, correlated=True)),
)
CROWDS = (
    ("16 carriers on 60 %, 10 readings", S(**WIDE), 16, 0.6),
    ("16 carriers on 60 %, log average of 10", S(**WIDE, average="log"), 16, 0.6),
    ("16 carriers on 60 %, 100 readings, tilt 10 dB", S(**WIDE, readings=100, tilt_db=10.0), 16, 0.6),
    ("16 carriers on 60 %, 100 readings, ripple 2 dB/60 MHz", S(**WIDE, readings=100, ripple_db=2.0), 16, 0.6),
    ("24 carriers on 80 %, 10 readings", S(**WIDE), 24, 0.8),
    ("8 carriers on 70 % of 100 MHz, 10 readings", S(), 8, 0.7),
    ("8 carriers on 60 % of 100 MHz, RBW 3 spacings, fast", S(rbw_hz=300e3, correlated=True), 8, 0.6),
)
RECALL = ((1e6, 10), (5e6, 10), (20e6, 10), (5e6, 1), (5e6, 100))
ABOVE_DB = (-1.0, 0.0, 1.0, 1.5, 3.0)
SURE_DB = 6.0  # above which a carrier is not to come out as two, or two as one


def false_carriers(rng: np.random.Generator, setting: scenes.Setting, trials: int) -> int:
    """Return how many carriers `trials` sweeps of noise show."""
    return sum(len(measure(scenes.sweep(rng, setting, [])).carriers) for _ in range(trials))


def judged(signals: list[scenes.Signal], carriers: tuple[Carrier, ...], setting: scenes.Setting) -> dict[str, int]:
    """Return counts of one crowded sweep: false carriers, resolved ones, found, parted in two, joined with another.

    Resolved: three RBW and five points of symbol rate. Two whose 3 dB edges are less than two RBW apart count as
    `touching`, not as joined: their spectra need not show where one ends.
    """
    least = max(3.0 * setting.rbw_hz, 5.0 * setting.span_hz / (setting.points - 1))
    at = np.array([carrier.centre_hz for carrier in carriers])
    width = np.array([carrier.width_hz for carrier in carriers])
    count = dict.fromkeys(("false", "resolved", "found", "sure", "split", "merged", "touching"), 0)
    reach = np.array([0.5 * s.symbol_rate_bd * (1.0 + s.roll_off) + setting.rbw_hz for s in signals])
    centre = np.array([s.centre_hz for s in signals])
    count["false"] = int(sum(np.all(np.abs(f - centre) > reach) for f in at))
    for k, signal in enumerate(signals):
        if signal.symbol_rate_bd < least:
            continue
        own = np.abs(at - signal.centre_hz) < 0.5 * signal.symbol_rate_bd
        count["resolved"] += 1
        count["found"] += bool(own.any())
        if signal.cn_db < SURE_DB:
            continue
        count["sure"] += 1
        count["split"] += int(own.sum()) > 1
        near = [j for j in (k - 1, k + 1) if 0 <= j < len(signals) and signals[j].symbol_rate_bd >= least]
        for j in near:
            both = np.abs(at - 0.5 * (signal.centre_hz + signals[j].centre_hz))
            if not np.any(both + 0.5 * abs(signal.centre_hz - signals[j].centre_hz) < 0.5 * width):
                continue
            gap = abs(signal.centre_hz - signals[j].centre_hz) - 0.5 * (
                signal.symbol_rate_bd + signals[j].symbol_rate_bd
            )
            count["touching" if gap < 2.0 * setting.rbw_hz else "merged"] += 1
            break
    return count


def crowded(rng: np.random.Generator, setting: scenes.Setting, count: int, fill: float, trials: int) -> dict[str, int]:
    """Return the counts of `judged`, summed over `trials` crowded sweeps."""
    total: dict[str, int] = {}
    for _ in range(trials):
        signals = scenes.crowd(rng, setting, count, fill)
        for name, value in judged(signals, measure(scenes.sweep(rng, setting, signals)).carriers, setting).items():
            total[name] = total.get(name, 0) + value
    return total


def left_over(setting: scenes.Setting, rate: float, bends: bool) -> float:
    """Return the part of a carrier's information that a floor to be fitted leaves, on average over its place."""
    f = setting.frequency_hz / setting.span_hz * (setting.points - 1)
    information = point_law(setting.average, setting.readings).information
    if bends:
        from spectra.measure.floor import floor_basis

        basis = floor_basis(f - f[0], setting.span_hz / (setting.points - 1))
        design = np.array([basis.spline(row) for row in np.eye(basis.size)]).T
        second = np.diff(np.eye(basis.size), 2, axis=0)
        inner = information * design.T @ design + basis.prior_strength * second.T @ second
    else:
        design = np.column_stack((np.ones(f.size), f - f.mean()))
        inner = information * design.T @ design
    shares = []
    for place in np.linspace(-0.3, 0.3, 13) * setting.span_hz:
        shape = scenes.smeared(setting.frequency_hz - 1550e6 - place, rate, 0.2, setting.rbw_hz * scenes.SIGMA_PER_RBW)
        cross = design.T @ shape
        taken = information * float(cross @ np.linalg.solve(inner, cross))
        shares.append(1.0 - taken / float(shape @ shape))
    return float(np.mean(shares))


def limits(setting: scenes.Setting, rate: float) -> tuple[float, float]:
    """Return the least C/N in dB (Pd 0.99, Pfa 0.01 over 3 x points tests) over a straight and over a bending floor."""
    points = rate / (setting.span_hz / (setting.points - 1))
    information = point_law(setting.average, setting.readings).information
    straight, bending = (
        carrier_limit_cn_db(points * left_over(setting, rate, bends), information, 0.01 / (3.0 * setting.points), 0.99)
        for bends in (False, True)
    )
    return straight, bending


def recall(rng: np.random.Generator, above_db: float, rate: float, readings: int, trials: int) -> tuple[int, float]:
    """Return how often a carrier so far above the limit with a straight floor is found, and that limit's C/N."""
    setting = scenes.Setting(readings=readings)
    limit = limits(setting, rate)[0]
    hits = 0
    for _ in range(trials):
        signal = scenes.Signal(1550e6 + rng.uniform(-30e6, 30e6), rate, rng.uniform(0.05, 0.35), limit + above_db)
        found = measure(scenes.sweep(rng, setting, [signal])).carriers
        hits += any(abs(c.centre_hz - signal.centre_hz) < 0.5 * rate for c in found)
    return hits, limit


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    arguments = parser.parse_args()
    trials, seed = arguments.trials, arguments.seed
    rows = []
    for k, (name, setting) in enumerate(NOISE):
        count = false_carriers(np.random.default_rng([seed, k]), setting, trials)
        rows.append(["noise alone", name, "", str(trials), f"{count} false", f"{count / trials:.4f} a sweep"])
        sys.stdout.write(" | ".join(rows[-1]) + "\n")
    for k, (name, setting, number, fill) in enumerate(CROWDS):
        got = crowded(np.random.default_rng([seed, 50, k]), setting, number, fill, trials // 2)
        sure = max(got["sure"], 1)
        told = (
            f"{got['false']} false, {got['found']} of {got['resolved']} found; of {got['sure']} above {SURE_DB:g} dB "
        )
        told += f"{got['split']} split, {got['merged']} merged, {got['touching']} touching merged"
        rate = f"{got['false'] / (trials // 2):.4f} a sweep, {100 * (got['split'] + got['merged']) / sure:.2f} %"
        rows.append(["crowded", name, "", str(trials // 2), told, rate])
        sys.stdout.write(" | ".join(rows[-1]) + "\n")
    for j, (rate_bd, readings) in enumerate(RECALL):
        straight, bending = limits(scenes.Setting(readings=readings), rate_bd)
        for i, above in enumerate(ABOVE_DB):
            hits, _ = recall(np.random.default_rng([seed, 100, j, i]), above, rate_bd, readings, trials // 4)
            what = (
                f"{rate_bd / 1e6:g} MBd, {readings} readings, limit {straight:.1f} dB (bending floor {bending:.1f} dB)"
            )
            rows.append(
                ["recall", what, f"{above:+.1f}", str(trials // 4), f"{hits} found", f"{hits / (trials // 4):.3f}"]
            )
            sys.stdout.write(" | ".join(rows[-1]) + "\n")
    header = ["part", "case", "dB over limit", "sweeps", "count", "rate"]
    title = (
        "False carriers, splits and merges, and recall (limit: floor fitted, Pd 0.99, Pfa 0.01 over 3 x points tests)"
    )
    scenes.write_table(Path(__file__).with_suffix(".md"), title, header, rows, seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
