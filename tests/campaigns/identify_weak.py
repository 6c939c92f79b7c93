"""Trials of weak sweeps: carriers of a C/N about or below 0 dB, of which fewer than five are found singly.

As a script it writes `identify_weak.csv` beside itself:

    python tests/campaigns/identify_weak.py [trials] [seed]

The plans are those of `identify_trials`, the sweeps are simulated; each is identified with the whole table and with
every list of the true orbital position left out.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import identify_counts as counts
import identify_trials as trials

from spectra.identify import identify
from spectra.measure import measure
from spectra.simulate import Analyser, Emission, ReceiveLine, Spectrum, sweep_spectrum

COLUMNS = ("trial", "cn_db", "rows", "carriers", "from_trace", "verdict", "right", "error_hz", "std_hz",
           "absent_from_trace", "absent_verdict")  # fmt: skip
LEAST_ROWS, FEW = 8, 5


def run(world: Any, count: int, seed: int) -> Iterator[dict[str, Any]]:
    """Yield one record a trial; sweeps that show five carriers or more are no weak ones and are left out."""
    number = done = 0
    while done < count:
        rng = np.random.default_rng((seed, number))
        number += 1
        record = _trial(world, rng, number)
        if record is not None:
            done += 1
            yield record


def _trial(world: Any, rng: np.random.Generator, number: int) -> dict[str, Any] | None:
    band, state, plan = world.seen[rng.integers(len(world.seen))]
    chain = trials.chain_of(band)
    sky = trials.draw_sky(world.table, rng, state, plan, 0.12, 0.15, (0.1e6, 1e6, 3e6))
    start, stop = chain.if_min_hz, chain.if_max_hz
    level_db = float(rng.uniform(-3.0, 0.0))
    taken: list[tuple[float, float]] = []
    emissions, rows = [], 0
    for index in np.argsort(~sky.listed, kind="stable").tolist():
        f, rate = float(sky.if_hz[index]), float(np.nan_to_num(sky.symbol_rate_bd[index], nan=5e6))
        roll_off = float(rng.choice([0.2, 0.25, 0.35]))
        width = rate * (1.0 + roll_off)
        if any(abs(f - g) < 0.45 * (width + w) for g, w in taken):
            continue
        taken.append((f, width))
        cn_db = level_db + float(rng.normal(0.0, 1.5))
        emissions.append(Emission(f, rate, roll_off, -145.0 + 10.0 * np.log10(rate) + cn_db))
        rows += bool(sky.listed[index]) and start < f < stop
    if rows < LEAST_ROWS:
        return None
    line = ReceiveLine(start, stop, float(rng.uniform(-4, 4)), float(rng.uniform(0, 1)), float(rng.uniform(30e6, 90e6)))
    analyser = Analyser(start_hz=start, stop_hz=stop, points=1001, rbw_hz=1e6, detector="rms", averages=10)
    measurement = measure(sweep_spectrum(Spectrum(-145.0, line, tuple(emissions)), analyser, int(rng.integers(2**31))))
    if len(measurement.carriers) >= FEW:
        return None
    result = identify(measurement, world.table, chain)
    absent = identify(measurement, trials.rest(world, plan), chain)
    best = result.candidates[0] if result.candidates else None
    truth = (plan.satellite, plan.polarisation, state.name)
    right = best is not None and (best.satellite, best.polarisation, best.lo_state) == truth
    known = right and best is not None
    return {
        "trial": number, "cn_db": round(level_db, 1), "rows": rows, "carriers": len(measurement.carriers),
        "from_trace": int(_from_trace(result)), "verdict": result.verdict, "right": int(right),
        "error_hz": round(best.lo_error_hz - sky.lo_error_hz) if known else "",
        "std_hz": round(best.lo_error_std_hz) if known else "",
        "absent_from_trace": int(_from_trace(absent)), "absent_verdict": absent.verdict,
    }  # fmt: skip


def _from_trace(result: Any) -> bool:
    return any(finding.code == "identification.from_trace" for finding in result.findings)


def summary(records: list[dict[str, Any]]) -> dict[str, float]:
    """Return the figures of a campaign; what is named is `probable` or `ambiguous`."""
    named = [r for r in records if r["from_trace"]]
    z = np.array([r["error_hz"] / r["std_hz"] for r in named if r["right"]])
    return {
        "trials": len(records),
        "named from the trace": len(named) / len(records),
        "of these right": float(np.mean([r["right"] for r in named])) if named else float("nan"),
        "confirmed": sum(r["verdict"] == "confirmed" or r["absent_verdict"] == "confirmed" for r in records),
        "absent: named from the trace": sum(r["absent_from_trace"] for r in records) / len(records),
        "LO error: RMSE over its standard uncertainty": float(np.sqrt(np.mean(z**2))) if z.size else float("nan"),
    }


def main(arguments: list[str]) -> None:
    """Run and write the table."""
    count = int(arguments[0]) if arguments else 300
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    world = trials.World.build(trials.load_plans())
    note = f"seed {seed}, {count} trials"
    records = counts.keep(Path(__file__).with_suffix(".csv"), note, COLUMNS, run(world, count, seed))
    for name, value in summary(records).items():
        sys.stdout.write(f"{name}: {value:g}\n")
    sys.stdout.write(f"{Counter((r['verdict'], r['right']) for r in records)}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
