"""Isolation of simulated pairs of ports: numbers where they can be had, bounds elsewhere, reuse never counted.

Every pair is drawn anew: carriers, rates, C/N, leakage; both ports are swept by the simulator, measured, and compared
with a table that lists every carrier (the identification is left out: the comparison is scored). As a script it writes
`findings_isolation.csv` beside itself: ``python tests/campaigns/findings_isolation.py [pairs] [seed]``.

The bound is that of an estimator that knows every shape, place and the law of the readings, and finds from the same
points what nobody tells it: height and slope of the floor, and the leaks beside this one (derived: weighted least
squares at the true means; isolation is a ratio to the floor of each port, because the ports' gain difference is not
known). That estimator is also run on each sweep itself: what it tells is the best that sweep allows.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from keeping import keep

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
    "best_std_ratio", "best_db", "least_std_db", "best_bound_db", "counts",
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


def best_of(
    measurement: Any, shapes: list[Shape], masked: list[Shape], truth_hz: list[float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return what the best estimator tells of the strengths (C/N0, Hz) on a sweep, and their least uncertainties.

    Parameters
    ----------
    measurement : Measurement
        Only its trace is used.
    shapes, masked : list of Shape
        What is looked for, together; and what is left out.
    truth_hz : list of float
        True strengths: they give the weights.
    """
    sweep = measurement.sweep
    f = sweep.frequency_hz
    free = np.ones(f.size, dtype=bool)
    for other in masked:
        free &= np.abs(f - other.centre_hz) > other.half_width_hz + RBW
    columns = [
        carrier_shape(f, s.centre_hz, s.symbol_rate_bd or 1.0, s.roll_off, RBW * SIGMA_PER_RBW)
        / (s.symbol_rate_bd or 1.0)
        for s in shapes
    ]
    u = (f - f.mean()) / (f[-1] - f[0])
    design = np.column_stack([np.ones_like(f), u, *columns])
    mean = (1.0 + sum(t * c for t, c in zip(truth_hz, columns, strict=True)))[free]
    floor_dbm = DENSITY + 10.0 * math.log10(ENBW_PER_RBW_GAUSSIAN * RBW)
    q = (10.0 ** ((sweep.level_dbm - floor_dbm) / 10.0))[free]
    x = design[free] / mean[:, None]
    scale = np.sqrt((x**2).sum(axis=0))
    scale = np.where(scale > 0.0, scale, 1.0)
    share = max(1.0, 1.41 * ENBW_PER_RBW_GAUSSIAN * RBW / ((STOP - START) / (POINTS - 1)))
    inverse = np.linalg.pinv((x / scale).T @ (x / scale), hermitian=True)
    theta = inverse @ ((x / scale).T @ (q / mean)) / scale
    covariance = inverse / np.outer(scale, scale) * share / (AVERAGES * READINGS)
    value, std = np.empty(len(shapes)), np.empty(len(shapes))
    for k, shape in enumerate(shapes):
        at = (shape.centre_hz - f.mean()) / (f[-1] - f[0])
        height = theta[0] + at * theta[1]
        value[k] = theta[2 + k] / height
        along = np.zeros(theta.size)
        along[2 + k], along[0], along[1] = 1.0, -truth_hz[k], -truth_hz[k] * at
        std[k] = math.sqrt(along @ covariance @ along)
    return value, std


def of_port(
    carriers: list[tuple[Shape, float, str, bool]], home: str, isolation_db: float, measured: dict[str, Any]
) -> dict[Shape, tuple[float, float, float, float]]:
    """Return of each carrier at home on a port: best isolation and least std in dB, leak and its least std in Hz."""
    far = "other" if home == "reference" else "reference"
    mine = [(s, cn) for s, cn, h, _ in carriers if h == home]
    truth = [10.0 ** (0.1 * cn) * (s.symbol_rate_bd or 1.0) for s, cn in mine]
    shapes = [s for s, _ in mine]
    if not shapes:
        return {}
    reuse_here = [s for s, _, h, r in carriers if h == far and r]
    masked = [s for s, _, h, r in carriers if h == far or r]
    guests = [(s, cn) for s, cn, h, r in carriers if h == far and not r]
    weak = [10.0 ** (0.1 * (cn - isolation_db)) * (s.symbol_rate_bd or 1.0) for s, cn in guests]
    strong, strong_std = best_of(measured[home], [*shapes, *(s for s, _ in guests)], reuse_here, [*truth, *weak])
    quiet = [k for k, (s, _) in enumerate(mine) if s not in masked]
    if not quiet:
        return {}
    leaks = [truth[k] * 10.0 ** (-0.1 * isolation_db) for k in quiet]
    found, std = best_of(measured[far], [shapes[k] for k in quiet], masked, leaks)
    told = {}
    for position, k in enumerate(quiet):
        ratio = found[position] / strong[k]
        best = -10.0 * math.log10(ratio) if ratio > 0.0 else math.inf
        least = 4.343 * math.hypot(std[position] / leaks[position], strong_std[k] / truth[k])
        upper = max(found[position] + 1.645 * std[position], 0.5 * std[position])
        told[shapes[k]] = (best, least, std[position], 10.0 * math.log10(strong[k] / upper))
    return told


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
        bests = {home: of_port(carriers, home, isolation_db, measured) for home in measured}
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
            leak = 10.0 ** ((cn_db - isolation_db) / 10.0) * (shape.symbol_rate_bd or 1.0)
            if reuse:
                yield {"pair": number, "home": home, "reuse": 1, "counts": int(one.counts)}
                continue
            best, least, bound, best_bound = bests[home][shape]
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
                "best_db": "" if math.isinf(best) else round(best, 3),
                "least_std_db": round(least, 3),
                "best_bound_db": round(best_bound, 3),
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
    least = np.array([r["least_std_db"] for r in given])
    ideal = np.array([(r["best_db"] or math.inf) - r["isolation_db"] for r in given])
    told = np.array([abs(r["estimate_db"] - r["isolation_db"]) <= 1.96 * r["std_db"] for r in given])
    bounds = [r for r in mine if r["bound_db"] != ""]
    best = np.array([r["best_bound_db"] for r in bounds])
    lower = np.array([r["bound_db"] for r in bounds])
    true = np.array([r["bound_db"] <= r["isolation_db"] for r in bounds])
    ideal_true = np.array([r["best_bound_db"] <= r["isolation_db"] for r in bounds])
    return {
        "pairs": len({r["pair"] for r in records}),
        "reuse carriers": len(reuse),
        "reuse counted as leaks": sum(r["counts"] == 1 for r in reuse),
        "carriers missing": sum(r["counts"] == "missing" for r in records),
        "strong leaks": len(strong),
        "given as numbers": len(given) / max(len(strong), 1),
        "rmse db": float(np.sqrt(np.mean(error**2))),
        "rmse over bound": float(np.sqrt(np.mean((error / least) ** 2))),
        "rmse of the best estimator over bound": float(np.sqrt(np.mean((ideal / least) ** 2))),
        "interval coverage": float(told.mean()),
        "bounds": len(bounds),
        "bounds true": float(true.mean()),
        "best bounds true": float(ideal_true.mean()),
        "bound below the best, median db": float(np.median(best - lower)),
        "bound below the best, 95 % of cases db": float(np.quantile(best - lower, 0.95)),
    }


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    records = list(run(count, seed))
    keep(__file__, COLUMNS, records, summary(records), f"{count} pairs", seed)


if __name__ == "__main__":
    main()
