"""Isolation of simulated pairs of ports: numbers where they can be had, bounds elsewhere, reuse never counted.

Every pair is drawn anew: carriers, rates, C/N, leakage; both ports are swept by the simulator, measured, and compared
with a table that lists every carrier (the identification is left out: the comparison is scored). As a script it writes
`findings_isolation.csv` beside itself: ``python tests/campaigns/findings_isolation.py [pairs] [seed]``.

The bound: strength of a known shape over a floor of known shape and free height and slope, all readings independent
within RBW and span (derived: weighted least squares at the true means).
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from spectra import __version__
from spectra.findings.polarisation_levels import Shape
from spectra.findings.polarisation_pair import ListedShape, Port, compare_ports
from spectra.measure import measure
from spectra.signal.blurred import carrier_shape
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN, SIGMA_PER_RBW
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

DENSITY = -140.0
START, STOP, POINTS, RBW = 1200e6, 1280e6, 401, 300e3
AVERAGES, READINGS = 10, 10
COLUMNS = (
    "pair", "home", "reuse", "cn_db", "rate_bd", "isolation_db", "leak_over_std", "estimate_db", "std_db", "bound_db",
    "best_std_ratio", "counts",
)  # fmt: skip


def plan(rng: np.random.Generator) -> tuple[list[tuple[Shape, float, str, bool]], float]:
    """Return carriers (shape, C/N, home, whether the other port has one of its own there) and the isolation."""
    carriers: list[tuple[Shape, float, str, bool]] = []
    at = START + 4e6
    while True:
        rate = float(rng.choice([2e6, 4e6, 6e6, 10e6, 16e6]))
        roll_off = float(rng.choice([0.2, 0.25, 0.35]))
        half = 0.5 * rate * (1.0 + roll_off)
        at += half
        if at + half > STOP - 4e6:
            break
        home = str(rng.choice(["reference", "other"]))
        carriers.append((Shape(at, rate, roll_off), float(rng.uniform(6.0, 16.0)), home, bool(rng.random() < 0.25)))
        at += half + float(rng.uniform(1e6, 6e6))
    return carriers, float(rng.uniform(12.0, 36.0))


def swept(carriers: list[tuple[Shape, float, str, bool]], isolation_db: float, port: str, seed: int) -> Any:
    """Sweep one port and measure it."""
    emissions = []
    for shape, cn_db, home, reuse in carriers:
        assert shape.symbol_rate_bd is not None
        power = DENSITY + cn_db + 10.0 * math.log10(shape.symbol_rate_bd)
        down = 0.0 if home == port or reuse else isolation_db
        emissions.append(Emission(shape.centre_hz, shape.symbol_rate_bd, shape.roll_off, power - down))
    analyser = Analyser(START, STOP, POINTS, RBW, averages=AVERAGES, readings=READINGS)
    return measure(sweep_spectrum(Spectrum(DENSITY, emissions=tuple(emissions)), analyser, seed, file=f"{port}.csv"))


def best_std(shape: Shape, masked: list[Shape], leak_hz: float) -> float:
    """Return the least standard uncertainty (of C/N0, in Hz) of a leak on the free points of a sweep."""
    f = np.linspace(START, STOP, POINTS)
    assert shape.symbol_rate_bd is not None
    column = carrier_shape(f, shape.centre_hz, shape.symbol_rate_bd, shape.roll_off, RBW * SIGMA_PER_RBW)
    free = np.ones(POINTS, dtype=bool)
    for other in masked:
        free &= np.abs(f - other.centre_hz) > other.half_width_hz
    column = column / shape.symbol_rate_bd
    mean = 1.0 + leak_hz * column
    design = (np.column_stack((np.ones(POINTS), f - f.mean(), column)) / mean[:, None])[free]
    design = design / (scale := np.sqrt((design**2).sum(axis=0)))
    share = max(1.0, 1.41 * ENBW_PER_RBW_GAUSSIAN * RBW / ((STOP - START) / (POINTS - 1)))
    covariance = np.linalg.inv(design.T @ design) * share / (AVERAGES * READINGS)
    return float(math.sqrt(covariance[2, 2]) / scale[2])


def run(count: int, seed: int) -> Iterator[dict[str, Any]]:
    """Yield one record a carrier."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        carriers, isolation_db = plan(rng)
        measured = {p: swept(carriers, isolation_db, p, 2 * number + k) for k, p in enumerate(("reference", "other"))}
        listed = {
            port: tuple(ListedShape(shape) for shape, _, home, reuse in carriers if home == port or reuse)
            for port in measured
        }
        ports = [Port(measured[p], listed=listed[p]) for p in ("reference", "other")]
        pair = compare_ports(*ports)
        for shape, cn_db, home, reuse in carriers:
            found = [
                c
                for c in pair.carriers
                if c.home == home and abs(c.shape.centre_hz - shape.centre_hz) < 0.3 * shape.half_width_hz
            ]
            if len(found) != 1:
                yield {"pair": number, "home": home, "reuse": int(reuse), "counts": "missing"}
                continue
            (one,) = found
            masks = [s for s, _, h, r in carriers if s is not shape and (h != home or r)]
            leak = 10.0 ** ((cn_db - isolation_db) / 10.0) * (shape.symbol_rate_bd or 1.0)
            bound = best_std(shape, masks, leak)
            yield {
                "pair": number,
                "home": home,
                "reuse": int(reuse),
                "cn_db": round(cn_db, 2),
                "rate_bd": shape.symbol_rate_bd,
                "isolation_db": round(isolation_db, 3),
                "leak_over_std": round(leak / bound, 3),
                "estimate_db": "" if one.isolation_db is None else round(one.isolation_db, 3),
                "std_db": "" if one.isolation_std_db is None else round(one.isolation_std_db, 3),
                "bound_db": "" if one.lower_bound_db is None else round(one.lower_bound_db, 3),
                "best_std_ratio": "" if one.leak_std_hz is None else round(one.leak_std_hz / bound, 3),
                "counts": int(one.counts),
            }


def summary(records: list[dict[str, Any]]) -> dict[str, float]:
    """Return the figures of a campaign.

    "6.6 uncertainties" is twice (3 dB above) the 3.3 that a known shape at a known place needs for one false number in
    a thousand.
    """
    reuse = [r for r in records if r["reuse"]]
    mine = [r for r in records if not r["reuse"] and r["counts"] != "missing"]
    strong = [r for r in mine if r["leak_over_std"] >= 6.6]
    given = [r for r in strong if r["estimate_db"] != ""]
    error = np.array([r["estimate_db"] - r["isolation_db"] for r in given])
    least = np.array([4.343 / r["leak_over_std"] for r in given])
    told = np.array([abs(r["estimate_db"] - r["isolation_db"]) <= 1.96 * r["std_db"] for r in given])
    bounds = [r for r in mine if r["bound_db"] != ""]
    # the best bound that a sweep allows is the truth's level raised by 1.645 of the least uncertainty
    best = np.array([r["isolation_db"] - 10.0 * math.log10(1.0 + 1.645 / r["leak_over_std"]) for r in bounds])
    lower = np.array([r["bound_db"] for r in bounds])
    true = np.array([r["bound_db"] <= r["isolation_db"] for r in bounds])
    return {
        "pairs": len({r["pair"] for r in records}),
        "reuse carriers": len(reuse),
        "reuse counted as leaks": sum(r["counts"] == 1 for r in reuse),
        "carriers missing": sum(r["counts"] == "missing" for r in records),
        "strong leaks": len(strong),
        "given as numbers": len(given) / max(len(strong), 1),
        "rmse db": float(np.sqrt(np.mean(error**2))),
        "rmse over bound": float(np.sqrt(np.mean((error / least) ** 2))),
        "interval coverage": float(told.mean()),
        "bounds": len(bounds),
        "bounds true": float(true.mean()),
        "bound below the best, median db": float(np.median(best - lower)),
        "bound below the best, 95 % of cases db": float(np.quantile(best - lower, 0.95)),
    }


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    records = list(run(count, seed))
    figures = summary(records)
    path = Path(__file__).with_suffix(".csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# sweepmuster {__version__}, seed {seed}, {count} pairs\n")
        for name, value in figures.items():
            file.write(f"# {name}: {value:.4g}\n")
            sys.stdout.write(f"{name}: {value:.4g}\n")
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        writer.writerows(records)


if __name__ == "__main__":
    main()
