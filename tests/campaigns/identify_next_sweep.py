"""Trials of the next sweep: what an answer left open asks for is swept, and both sweeps are explained together.

As a script it writes `identify_next_sweep.csv` beside itself:

    python tests/campaigns/identify_next_sweep.py [trials] [seed]

Half of the trials show two to four listed carriers, half five or more; measurements are drawn as in `identify_trials`.
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

from spectra.capture import Context
from spectra.identify import identify

COLUMNS = ("trial", "listed", "verdict", "right", "opposite_port", "rivals", "expected_gain", "gain_next", "gain_kin",
           "verdict_together", "right_together")  # fmt: skip
OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}


def run(world: Any, count: int, seed: int) -> Iterator[dict[str, Any]]:
    """Yield one record for every trial whose answer leaves something open and asks for a sweep."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        trial = trials.draw(world, rng, **({"least": 2, "most": 4} if number % 2 else {"least": 5}))
        first = identify(trial.measurement, world.table, trial.chain)
        if first.next_sweeps:
            yield _record(world, rng, number, trial, first)


def _record(world: Any, rng: np.random.Generator, number: int, trial: Any, first: Any) -> dict[str, Any]:
    wish = first.next_sweeps[0]
    # what is swept is the truth, through the LO state asked for, on the port asked for
    second = _swept(world, rng, trial, wish)
    port = "cross" if wish.opposite_port else "co"
    contexts = [Context(lo_state=first.lo_state, port="co"), Context(lo_state=wish.lo_state, port=port)]
    both = identify([trial.measurement, second], world.table, trial.chain, context=contexts)
    return {
        "trial": number, "listed": trial.listed, "verdict": first.verdict, "right": int(_is(first, trial)),
        "opposite_port": int(wish.opposite_port), "rivals": len(wish.against),
        "expected_gain": round(wish.expected_gain_log10, 2),
        "gain_next": _gain(first.log10_odds_next, both.log10_odds_next),
        "gain_kin": _gain(first.log10_odds_kin, both.log10_odds_kin),
        "verdict_together": both.verdict, "right_together": int(_is(both, trial)),
    }  # fmt: skip


def _swept(world: Any, rng: np.random.Generator, trial: Any, wish: Any) -> Any:
    table, state = world.table, trial.chain.state(wish.lo_state)
    letter = OPPOSITE[trial.plan.polarisation] if wish.opposite_port else trial.plan.polarisation
    mine = (table.text["satellite"] == trial.plan.satellite) & (table.text["polarisation"] == letter)
    rows = np.flatnonzero(mine & (table.rf_hz >= state.rf_min_hz) & (table.rf_hz <= state.rf_max_hz))
    rows = rows[rng.random(rows.size) >= 0.12]
    count = rng.binomial(max(1, rows.size), 0.15)
    error = trial.lo_error_hz if state.lo_hz == trial.state.lo_hz else float(rng.uniform(-1e6, 1e6))
    rf = np.concatenate([table.rf_hz[rows], rng.uniform(state.rf_min_hz, state.rf_max_hz, count)])
    rate = np.concatenate([table.symbol_rate_bd[rows], rng.choice(table.symbol_rate_bd, count)])
    if_hz = state.sign * (rf - state.lo_hz - error)
    listed = np.arange(rf.size) < rows.size
    return trials._measure(if_hz, rate, listed, wish.start_hz, wish.stop_hz, wish.rbw_hz, rng, trials.USUAL)[0]


def _gain(before: float | None, after: float | None) -> float | str:
    return "" if before is None or after is None else round(after - before, 2)


def _is(answer: Any, trial: Any) -> bool:
    return (answer.satellite, answer.polarisation) == (trial.plan.satellite, trial.plan.polarisation)


def summary(records: list[dict[str, Any]]) -> dict[str, float]:
    """Return the figures of a campaign, of the answers that were right at first."""
    right = [r for r in records if r["right"]]
    kin = [r for r in right if not r["rivals"] and r["gain_kin"] != ""]
    probable = [r for r in right if r["verdict"] == "probable"]
    return {
        "answers that ask for a sweep": len(records),
        "right at first": len(right),
        "right together": float(np.mean([r["right_together"] for r in right])),
        "probable become confirmed": float(np.mean([r["verdict_together"] == "confirmed" for r in probable])),
        "wrongly confirmed": sum(r["verdict_together"] == "confirmed" and not r["right_together"] for r in records),
        "against kin: expected gain, median": float(np.median([r["expected_gain"] for r in kin])),
        "against kin: gain, median": float(np.median([r["gain_kin"] for r in kin])),
        "against kin: gained": float(np.mean([r["gain_kin"] > 0.0 for r in kin])),
    }


def main(arguments: list[str]) -> None:
    """Run and write the table."""
    count = int(arguments[0]) if arguments else 300
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    world = trials.World.build(trials.load_plans())
    note = f"seed {seed}, {count} trials, those that ask for a sweep"
    records = counts.keep(Path(__file__).with_suffix(".csv"), note, COLUMNS, run(world, count, seed))
    for name, value in summary(records).items():
        sys.stdout.write(f"{name}: {value:g}\n")
    sys.stdout.write(f"{Counter((r['verdict'], r['verdict_together'], r['right_together']) for r in records)}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
