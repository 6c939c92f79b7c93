"""What better measuring is worth: the skies of `identify_sweeps`, their carriers handed over without a sweep.

The draws of `identify_sweeps` (same seeds, same skies), but every carrier that lies whole in the span is measured
alone, whatever its neighbours: once nearly exactly (symbol rate to 0.3 %), once with the rates that a usual sweep gives
(3.5 %). What is confirmed of the first is what the odds allow when nothing is left to measure on one polarisation; the
second says how much of the rest the rates cost, and how much the neighbours that a sweep merges. As a script it writes
`identify_exact.csv` beside itself:

    python tests/campaigns/identify_exact.py [draws] [seed]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import identify_simulated as simulated
import identify_trials as trials
from keeping import keep

from spectra.identify import identify
from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.sweep import Sweep

RATE_STD = {"exact": 0.003, "usual_rates": 0.035}
CENTRE_PER_RATE = 0.3  # the centre's uncertainty over the rate's, as in sweeps
NAMES = ("verdict", "right", "kin", "absent_verdict")
COLUMNS = ("trial", "listed", "rates", "twin", "far_twin", *(f"{kind}_{name}" for kind in RATE_STD for name in NAMES))


def run(world: Any, count: int, seed: int, least: int = 5) -> Iterator[dict[str, Any]]:
    """Yield one record a draw."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        while True:
            band, state, plan = world.seen[int(rng.integers(len(world.seen)))]
            chain = trials.chain_of(band, world.tolerance_hz)
            sky = trials.draw_sky(world.table, rng, state, plan, 0.12, 0.15, (0.1e6, 1e6, 3e6))
            start, stop, _, spectrum, listed = simulated.scene(chain, sky, rng)
            if listed >= least:
                break
        yield _record(world, number, (chain, state, plan, sky, listed), (start, stop), spectrum, rng)


def _record(
    world: Any, number: int, truth: tuple[Any, ...], span: tuple[float, float], spectrum: Any, rng: np.random.Generator
) -> dict[str, Any]:
    chain, state, plan, sky, listed = truth
    measured = {kind: _measured(spectrum, span, std, rng) for kind, std in RATE_STD.items()}
    trial = trials.Trial(measured["exact"], chain, plan, state, sky.lo_error_hz, listed, float("nan"))
    twin, far_twin = trials.shared(world, trial)
    rate = np.log(world.table.symbol_rate_bd[plan.rows])
    record: dict[str, Any] = {
        "trial": number, "listed": listed, "rates": np.unique(np.round(rate[np.isfinite(rate)] / 0.08)).size,
        "twin": round(twin, 2), "far_twin": round(far_twin, 2),
    }  # fmt: skip
    for kind, measurement in measured.items():
        answer = identify(measurement, world.table, chain)
        best = answer.candidates[0] if answer.candidates else None
        record |= {
            f"{kind}_verdict": answer.verdict,
            f"{kind}_right": int(best is not None and simulated.is_true(best, plan, state)),
            f"{kind}_kin": simulated.rounded(answer.log10_odds_kin, 2),
            f"{kind}_absent_verdict": identify(measurement, trials.rest(world, plan), chain).verdict,
        }
    return record


def _measured(spectrum: Any, span: tuple[float, float], rate_std: float, rng: np.random.Generator) -> Measurement:
    """Return every carrier of the span as if it stood alone."""
    carriers = []
    for emission in spectrum.emissions:
        half = 0.5 * emission.symbol_rate_bd * (1.0 + emission.roll_off)
        if not span[0] + half < emission.centre_hz < span[1] - half:
            continue
        std = CENTRE_PER_RATE * rate_std * emission.symbol_rate_bd + 5e3
        rate = emission.symbol_rate_bd * (1.0 + rate_std * rng.normal())
        carriers.append(
            Carrier(
                "modulated",
                emission.centre_hz + std * rng.normal(),
                std,
                symbol_rate_bd=rate,
                symbol_rate_std_bd=rate_std * rate,
                occupied_bandwidth_hz=1.08 * rate,
                occupied_bandwidth_std_hz=rate_std * rate,
                cn_db=float(emission.power_dbm - 10.0 * np.log10(emission.symbol_rate_bd) + 145.0),
                cn_std_db=0.2,
            )
        )
    carriers.sort(key=lambda each: each.centre_hz)
    points = 4001
    frequency, flat = np.linspace(*span, points), np.full(points, -80.0)
    sweep = Sweep.from_arrays(frequency, flat, rbw_hz=1e5, detector="rms", averages=100)
    floor = Floor(-80.0, -130.0, 0.1, 0.0, flat, np.full(points, 0.1), np.ones(points, bool))
    return Measurement(sweep, floor, tuple(carriers), 100.0, 1.0, 1.0, flat)


def summary(records: list[dict[str, Any]], twins_from: float = 0.7) -> dict[str, float]:
    """Return the figures: confirmed and right without twins, all and by the rates of the list."""
    alone = [r for r in records if r["twin"] < twins_from]
    figures: dict[str, float] = {"draws": len(records), "without twins": len(alone)}
    for kind in RATE_STD:
        for name, low, high in (("", 0, 999), (", lists of one rate", 0, 1), (", of two", 2, 2), (", of more", 3, 999)):
            hit = [
                r[f"{kind}_right"] and r[f"{kind}_verdict"] == "confirmed" for r in alone if low <= r["rates"] <= high
            ]
            figures[f"{kind}: confirmed and right without twins{name}"] = float(np.mean(hit)) if hit else float("nan")
        wrong = [r[f"{kind}_verdict"] == "confirmed" and not r[f"{kind}_right"] for r in records]
        figures[f"{kind}: wrongly confirmed"] = sum(wrong)
        gone = [r[f"{kind}_absent_verdict"] for r in records]
        figures[f"{kind}: true position left out, confirmed"] = gone.count("confirmed")
    return figures


def main(arguments: list[str]) -> None:
    """Run the campaign and write its table."""
    count = int(arguments[0]) if arguments else 750
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    records = list(run(trials.World.build(trials.load_plans()), count, seed))
    keep(__file__, COLUMNS, records, summary(records), f"{count} draws", seed)


if __name__ == "__main__":
    main(sys.argv[1:])
