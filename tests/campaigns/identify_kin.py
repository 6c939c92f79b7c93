"""What the odds against kin are fitted on: the evidence of sweeps with and without the true satellite in the table.

Every draw of `identify_sweeps` (swept as usual, carefully, on both ports) and every trial of `identify_trials` (drawn,
usual and careful in turn) gives two records: the best answer with the whole table, and with every list of the true
position left out. A record holds the terms of `spectra.identify.kin.evidence`. As a script it writes `identify_kin.csv`
beside itself, fits the regression, and shows how the log odds that the code gives came true:

    python tests/campaigns/identify_kin.py COUNT SEED [COUNT SEED] + COUNT SEED [COUNT SEED] [FOLDER]

with draws before the plus and trials behind it.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator, Sequence
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parent))
import identify_simulated as simulated
import identify_sweeps as sweeps
import identify_trials as trials

from spectra import __version__
from spectra.capture import Context
from spectra.identify import engine, kin, odds
from spectra.identify.evidence import gather
from spectra.identify.expectation import expectation
from spectra.identify.knowledge import knowledge
from spectra.identify.prepared import prepare

TERMS = (
    "one", "roll_call", "lead", "second_lead", "rates", "centres", "matches", "distinct_rates", "off_raster", "half",
    "conflicts", "common_factor", "common_shift", "fineness",
)  # fmt: skip
COLUMNS = (
    "source", "trial", "kind", "absent", "right", "twin", "far_twin", "none", "next", "matched", *TERMS, "log_odds",
)  # fmt: skip
HINTED, UNHINTED = slice(0, 9), [0, 9, 10, 7, 8]
START = np.array([-5.37, 1.3, 2.06, 1.91, 0.59, 0.31, -2.7, 0.87, 1.11, 2.21, 1.0, 0.5, 1.5, 1.5])
LEAST = (None, 0.0, 0.0, 0.0, 0.0, 0.0, None, 0.0, 0.0, None, 0.0, 0.0, 0.0, 0.0)
EDGES = (-20.0, -8.0, -5.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 20.0)


def swept(world: Any, count: int, seed: int, folder: Path | None) -> Iterator[dict[str, Any]]:
    """Yield the records of draws that are swept and measured."""
    for draw in islice(sweeps.kept(world, 0, seed, folder), count):
        band, state, plan = world.seen[draw.place]
        chain = trials.chain_of(band, world.tolerance_hz)
        trial = trials.Trial(draw.sweeps["usual"][0], chain, plan, state, draw.lo_error_hz, draw.listed, float("nan"))
        for kind, measurements in draw.sweeps.items():
            both = (Context(port="co"), Context(port="cross")) if len(measurements) > 1 else (Context(),)
            yield from _records(world, trial, measurements, both, {"source": seed, "trial": draw.number, "kind": kind})


def drawn(world: Any, count: int, seed: int) -> Iterator[dict[str, Any]]:
    """Yield the records of trials without a trace."""
    for number in range(count):
        kind = ("usual", "careful")[number % 2]
        setting = (trials.USUAL, trials.CAREFUL)[number % 2]
        trial = trials.draw(world, np.random.default_rng((seed, number)), setting=setting)
        head = {"source": seed, "trial": number, "kind": f"{kind}, drawn"}
        yield from _records(world, trial, [trial.measurement], (Context(),), head)


def _records(
    world: Any, trial: Any, measurements: Sequence[Any], contexts: Any, head: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    twin, far_twin = trials.shared(world, trial)
    for absent in (0, 1):
        table = trials.rest(world, trial.plan) if absent else world.table
        found = _evidence(tuple(measurements), contexts, table, trial)
        if found is not None:
            yield {**head, "absent": absent, "twin": round(twin, 2), "far_twin": round(far_twin, 2), **found}


def _evidence(measurements: tuple[Any, ...], contexts: Any, table: Any, trial: Any) -> dict[str, Any] | None:
    expected = expectation(None, None, contexts, table, trial.chain)
    prepared = prepare(table, trial.chain)
    known = knowledge(prepared, contexts, measurements, expected)
    solution = engine._solve(prepared, known, gather(measurements, contexts, None), expected)
    ranking = solution.ranking
    if not ranking.answers:
        return None
    best = ranking.answers[0]
    leads = odds.leads_of(prepared, solution.scorings, ranking.answers, ranking.log_chance - ranking.log_prior)
    terms = kin.evidence(prepared, solution.scorings, best.best, leads)
    ahead = ranking.odds_next(best)
    named = (best.satellite, best.polarisation, prepared.states[best.state].name)
    return {
        "right": int(named == (trial.plan.satellite, trial.plan.polarisation, trial.state.name)),
        "none": simulated.rounded(ranking.odds_none(best), 2),
        "next": simulated.rounded(ahead, 2),
        "matched": sum(option.matched for option in best.best.options),
        **{name: round(float(value), 3) for name, value in zip(TERMS, terms, strict=True)},
        "log_odds": round(kin._log_odds(terms), 3),
    }


def log_odds(weights: np.ndarray, terms: np.ndarray) -> np.ndarray:
    """Return the log odds that weights (nine of the regression, five without a hint) give, before they are mapped."""
    hinted = terms[:, HINTED] @ weights[:9]
    unhinted = terms[:, UNHINTED] @ weights[9:] + np.minimum(terms[:, 4], 0.0)
    return np.asarray(terms[:, 11:].sum(axis=1) - np.logaddexp(-hinted, -unhinted))


def fit(records: Sequence[dict[str, Any]]) -> np.ndarray:
    """Fit the weights by maximum likelihood, both kinds of records at even weight.

    With the whole table, trials with a twin (70 % of the rows) stay out; with the true position left out they stay in.
    """
    use = [r for r in records if int(r["absent"]) or (int(r["right"]) and float(r["twin"]) < 0.7)]
    terms = np.array([[float(r[name]) for name in TERMS] for r in use])
    sign = np.array([-1.0 if int(r["absent"]) else 1.0 for r in use])
    weight = np.where(sign > 0, 0.5 / (sign > 0).sum(), 0.5 / (sign < 0).sum())

    def loss(weights: np.ndarray) -> float:
        pull = 1e-4 * float(np.sum((weights - START) ** 2))
        return float(np.sum(weight * np.logaddexp(0.0, -sign * log_odds(weights, terms)))) + pull

    return np.asarray(minimize(loss, START, method="L-BFGS-B", bounds=[(low, None) for low in LEAST]).x)


def held(records: Sequence[dict[str, Any]]) -> list[dict[str, float]]:
    """Return how the log odds that the code gives came true, twins and all, in bins."""
    use = [r for r in records if int(r["right"]) or int(r["absent"])]
    odds_of = np.array([float(r["log_odds"]) for r in use])
    absent = np.array([int(r["absent"]) for r in use])
    bins = []
    for low, high in pairwise(EDGES):
        mine = (odds_of >= low) & (odds_of < high)
        there, gone = int((mine & (absent == 0)).sum()), int((mine & (absent == 1)).sum())
        true = float(np.log((there + 0.5) / (gone + 0.5)))
        claimed = float(odds_of[mine].mean()) if mine.any() else float("nan")
        bins.append({"from": low, "to": high, "claimed": claimed, "true": true, "there": there, "absent": gone})
    return bins


def read(path: Path) -> list[dict[str, Any]]:
    """Return the records of a table."""
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def write(path: Path, records: Sequence[dict[str, Any]], note: str) -> None:
    """Write the table; on top the weights that fit it best, and how the odds of the code as it is came true."""
    weights = fit(records)
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(f"# sweepmuster {__version__}, {note}\n")
        out.write(f"# weights: {' '.join(f'{w:.2f}' for w in weights)}\n")
        for each in held(records):
            out.write("# " + ", ".join(f"{name} {value:.4g}" for name, value in each.items()) + "\n")
        writer = csv.DictWriter(out, COLUMNS)
        writer.writeheader()
        writer.writerows(records)


def main(arguments: list[str]) -> None:
    """Collect, fit and write the table: pairs of a count and a seed, those of draws first, ``+`` between the kinds."""
    world = trials.World.build(trials.load_plans())
    records: list[dict[str, Any]] = []
    folder = Path(arguments.pop()) if arguments and not arguments[-1].isdigit() else None
    where = arguments.index("+")
    for kind, numbers in (("draws", arguments[:where]), ("trials", arguments[where + 1 :])):
        for count, seed in zip(numbers[::2], numbers[1::2], strict=True):
            if kind == "draws":
                records += swept(world, int(count), int(seed), folder)
            else:
                records += drawn(world, int(count), int(seed))
    write(Path(__file__).with_suffix(".csv"), records, " ".join(arguments))


if __name__ == "__main__":
    main(sys.argv[1:])
