"""Shapes that are no raised cosine: how often they are told, how well they are measured; clean carriers called so.

Also carriers through a transponder's response, which is fitted where the trace shows it (symbol rate and centre are
then the carrier's own), and the weights of the standard roll-offs against how often they are right.

Run: python tests/campaigns/measure_shapes.py [--trials N]; writes measure_shapes.md beside this file.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import measure_scenes as scenes

from spectra.measure import measure
from spectra.measure.measurement import Carrier
from spectra.signal.raised_cosine import occupied_fraction
from spectra.sweep import Sweep

SEED = 20260311
WIDTH_HZ = 20e6
STANDARD = (0.05, 0.10, 0.15, 0.20, 0.25, 0.35)
ERROR = {"centre_hz": "centre_std_hz", "occupied_bandwidth_hz": "occupied_bandwidth_std_hz", "cn_db": "cn_std_db"}


def _inside(u: np.ndarray) -> np.ndarray:
    return (np.abs(u) < 0.5).astype(float)


SHAPES = {
    "sinc squared (unshaped)": lambda u: np.sinc(2.0 * u) ** 2,
    "Gaussian": lambda u: np.exp(-4.0 * math.log(2.0) * (1.4 * u) ** 2),
    "trapezoid": lambda u: np.clip((0.5 - np.abs(u)) / 0.25, 0.0, 1.0),
    "triangle": lambda u: np.clip(1.0 - 2.0 * np.abs(u), 0.0, 1.0),
    "cosine squared": lambda u: np.cos(math.pi * u) ** 2 * _inside(u),
    "rectangle, 3 dB of ripple": lambda u: _inside(u) * 10.0 ** (0.15 * np.cos(6.0 * math.pi * u)),
    "two horns (FM by a sine)": lambda u: _inside(u) * 0.16 / np.sqrt(np.maximum(0.26 - u * u, 1e-3)),
}
"""Density over offset in widths; the definitions are the truth."""


def shaped(rng: np.random.Generator, setting: scenes.Setting, density, width: float, cn_db: float) -> Sweep:
    """Return a sweep of one signal of any density (its greatest value `cn_db` over the floor where that is 1)."""
    f, sigma = setting.frequency_hz, setting.rbw_hz * scenes.SIGMA_PER_RBW
    step = min(sigma, width / 200.0) / 6.0
    x = step * np.arange(-round(3.0 * width / step), round(3.0 * width / step) + 1)
    reach = math.ceil(7.0 * sigma / step)
    kernel = np.exp(-0.5 * (step * np.arange(-reach, reach + 1) / sigma) ** 2)
    seen = np.convolve(density(x / width), kernel / kernel.sum(), mode="same")
    noise, tone = scenes.means(setting, [])
    noise = noise * (1.0 + 10.0 ** (cn_db / 10.0) * np.interp(f - 1550e6, x, seen, left=0.0, right=0.0))
    power = np.abs(scenes._phasors(rng, setting, noise) + np.sqrt(tone)) ** 2
    level = 10.0 * np.log10(power.mean(axis=0) if setting.average == "power" else np.exp(np.log(power).mean(axis=0)))
    return Sweep.from_arrays(
        f, level, rbw_hz=setting.rbw_hz, detector=scenes.DETECTORS[setting.average], averages=setting.readings
    )


def truth(density, width: float, cn_db: float) -> dict[str, float]:
    """Return centroid, 99 % bandwidth and C/N in it, by integrating the density."""
    u = np.linspace(-3.0, 3.0, 60001)
    run = np.cumsum(density(u))
    low, high = np.interp([0.005 * run[-1], 0.995 * run[-1]], run, u)
    area = float(run[-1]) * (u[1] - u[0])
    return {
        "centre_hz": 1550e6,
        "occupied_bandwidth_hz": (high - low) * width,
        "cn_db": cn_db + 10.0 * math.log10(area / (high - low)),
    }


def main_one(carriers: tuple[Carrier, ...]) -> Carrier | None:
    """Return the strongest signal near the middle."""
    near = [c for c in carriers if abs(c.centre_hz - 1550e6) < 0.5 * WIDTH_HZ]
    return max(near, key=lambda c: c.cn0_dbhz if c.cn0_dbhz is not None else -math.inf, default=None)


def told(name: str, setting: scenes.Setting, cn_db: float, trials: int, seed: list[int]) -> dict:
    """Return how often a shape is told as `other`, and its errors over their standard uncertainties."""
    density, right, scores = SHAPES[name], 0, {key: [] for key in ERROR}
    wanted = truth(density, WIDTH_HZ, cn_db)
    pieces = 0
    for k in range(trials):
        rng = np.random.default_rng([*seed, k])
        carriers = measure(shaped(rng, setting, density, WIDTH_HZ, cn_db)).carriers
        carrier = main_one(carriers)
        pieces += len(carriers)
        if carrier is None or carrier.kind != "other":
            continue
        right += 1
        for key, std in ERROR.items():
            if getattr(carrier, key) is not None:
                scores[key].append((getattr(carrier, key) - wanted[key]) / getattr(carrier, std))
    return {"told": right / trials, "pieces": pieces / trials, "scores": {k: np.array(v) for k, v in scores.items()}}


def clean(rng: np.random.Generator, setting: scenes.Setting, trials: int, response=None) -> dict:
    """Return counts of clean carriers called `other` or `misfit`, and scores, by truth that each is matched to."""
    count = other = misfit = fitted = 0
    scores: dict[str, list[float]] = {key: [] for key in (*ERROR, "symbol_rate_bd")}
    for _ in range(trials):
        rate, roll_off, cn_db = rng.choice([5e6, 12e6, 27.5e6]), rng.uniform(0.05, 0.35), rng.uniform(3.0, 20.0)
        if response is None:
            signal = scenes.Signal(1550e6 + rng.uniform(-8e6, 8e6), float(rate), roll_off, cn_db)
            swept, centre = scenes.sweep(rng, setting, [signal]), signal.centre_hz
        else:
            rate, centre = 20e6, 1550e6
            swept = shaped(rng, setting, lambda u, a=roll_off: response(u) * _raised(u, a), rate, cn_db)
        near = [c for c in measure(swept).carriers if abs(c.centre_hz - centre) < 0.2 * rate]
        if len(near) != 1:
            continue
        (carrier,) = near
        count += 1
        other += carrier.kind == "other"
        misfit += "misfit" in carrier.flags
        fitted += "response" in carrier.flags
        wanted = {"centre_hz": centre, "occupied_bandwidth_hz": rate * occupied_fraction(roll_off), "cn_db": cn_db}
        wanted["symbol_rate_bd"] = rate
        if response is not None:
            wanted |= _through(response, roll_off, float(rate), cn_db)
        for key, std in (ERROR | {"symbol_rate_bd": "symbol_rate_std_bd"}).items():
            if getattr(carrier, key) is not None:
                scores[key].append((getattr(carrier, key) - wanted[key]) / getattr(carrier, std))
    return {
        "count": count,
        "other": other,
        "misfit": misfit,
        "fitted": fitted,
        "scores": {k: np.array(v) for k, v in scores.items()},
    }


def _through(response, roll_off: float, rate: float, cn_db: float) -> dict[str, float]:
    """Return 99 % bandwidth and C/N (mean over the symbol rate) of a carrier through a response, by integration."""
    u = np.linspace(-0.8, 0.8, 32001)
    run = np.cumsum(response(u) * _raised(u, roll_off))
    low, high = np.interp([0.005 * run[-1], 0.995 * run[-1]], run, u)
    gain = 10.0 * math.log10(float(response(u[np.abs(u) <= 0.5]).mean()))
    return {"occupied_bandwidth_hz": (high - low) * rate, "cn_db": cn_db + gain}


def _raised(u: np.ndarray, roll_off: float) -> np.ndarray:
    t = np.clip((np.abs(u) - 0.5 * (1.0 - roll_off)) / roll_off, 0.0, 1.0)
    return 0.5 * (1.0 + np.cos(math.pi * t))


SETTINGS = {
    "power": scenes.Setting(),
    "power, 100 readings": scenes.Setting(readings=100),
    "power, 1 reading": scenes.Setting(readings=1),
    "log": scenes.Setting(average="log"),
    "log, RBW 2 spacings": scenes.Setting(average="log", rbw_hz=200e3, correlated=True),
    "power, RBW 5 spacings": scenes.Setting(rbw_hz=500e3, readings=50, correlated=True),
    "power, 2 dB ripple": scenes.Setting(ripple_db=2.0, readings=50),
    "log, 2 dB ripple": scenes.Setting(ripple_db=2.0, average="log", readings=100),
}
RESPONSES = {
    "slope of 1 dB": lambda u: 10.0 ** (0.1 * np.clip(u, -0.6, 0.6)),
    "slope of 3 dB": lambda u: 10.0 ** (0.3 * np.clip(u, -0.7, 0.7)),
    "ripple of 1.5 dB, 1.3 periods": lambda u: 10.0 ** (0.075 * np.sin(2.6 * math.pi * u + 0.5)),
    "ripple of 1 dB, one period": lambda u: 10.0 ** (0.05 * np.cos(2.0 * math.pi * u)),
}


def weights(rng: np.random.Generator, setting: scenes.Setting, trials: int) -> list[tuple[float, bool]]:
    """Return the weight given to each standard roll-off and whether it was the true one (drawn evenly from the six)."""
    found = []
    for _ in range(trials):
        roll_off = float(rng.choice(STANDARD))
        signal = scenes.Signal(1550e6 + rng.uniform(-8e6, 8e6), 27.5e6, roll_off, rng.uniform(4.0, 16.0))
        near = [c for c in measure(scenes.sweep(rng, setting, [signal])).carriers if c.roll_off_weights]
        if len(near) == 1:
            found += [(w, name == f"{roll_off:.2f}") for name, w in near[0].roll_off_weights.items()]
    return found


def _shares(scores: np.ndarray) -> str:
    return "-" if scores.size == 0 else f"{100.0 * float(np.mean(np.abs(scores) < 1.96)):.0f}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=20)
    trials = parser.parse_args().trials
    rows = []
    for j, name in enumerate(SHAPES):
        for cn_db, readings in ((8.0, 10), (15.0, 10), (8.0, 100), (15.0, 100)):
            setting = replace(SETTINGS["power"], readings=readings)
            got = told(name, setting, cn_db, trials, [SEED, j, readings, int(cn_db)])
            share = f"{100.0 * got['told']:.0f} % other, {got['pieces']:.1f} signals"
            rows.append([name, f"{cn_db:.0f} dB, {readings} readings", str(trials), share])
            rows[-1] += [*(_shares(got["scores"][key]) for key in ERROR), "-"]
    for j, (name, setting) in enumerate(SETTINGS.items()):
        got = clean(np.random.default_rng([SEED, 100, j]), setting, 10 * trials)
        rows.append(["clean raised cosine", name, str(got["count"]), f"{got['other']} other, {got['misfit']} misfit"])
        rows[-1] += [_shares(got["scores"][key]) for key in (*ERROR, "symbol_rate_bd")]
    for j, (name, response) in enumerate(RESPONSES.items()):
        for readings in (10, 100):
            setting = replace(SETTINGS["power"], readings=readings)
            got = clean(np.random.default_rng([SEED, 200, j, readings]), setting, 3 * trials, response)
            found = f"{got['other']} other, {got['misfit']} misfit, {got['fitted']} response"
            rows.append([name, f"{readings} readings", str(got["count"]), found])
            rows[-1] += [_shares(got["scores"][key]) for key in (*ERROR, "symbol_rate_bd")]
    told_weights = weights(np.random.default_rng([SEED, 300]), SETTINGS["power"], 10 * trials)
    for low, high in ((0.0, 0.02), (0.02, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.01)):
        here = [(w, right) for w, right in told_weights if low <= w < high]
        if here:
            mean, hit = np.mean([w for w, _ in here]), np.mean([r for _, r in here])
            rows.append(["roll-off weight", f"{low:g} to {min(high, 1.0):g}", str(len(here))])
            rows[-1] += [f"mean weight {mean:.3f}, right {hit:.3f}", "", "", "", ""]
    header = ["what", "how", "count", "told", "centre in 95 %", "99 % width in 95 %", "C/N in 95 %", "rate in 95 %"]
    scenes.write_table(
        Path(__file__).with_suffix(".md"), "Shapes that are no raised cosine, and those that are", header, rows, SEED
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
