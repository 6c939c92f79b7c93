"""Trials of the whole way from a simulated sweep to the verdict, over open carrier plans.

The plans (see `identify_trials`) are on air with an unknown LO error, swept by the simulator, measured and identified,
once with the whole table and once with every list of the true orbital position left out. As a script it writes
`identify_simulated.csv` beside itself:

    python tests/campaigns/identify_simulated.py [trials] [seed] [every] [first] [folder]

With `every` = 3 the table holds every third satellite by name (110 of them) and the file is
`identify_simulated_every_3.csv`. With `first` above 0 the trials from that number on are added to the file that is
there: a long campaign in pieces. With a folder the measurements are kept there, a hundred trials a file, and used
again: sweeping and measuring take most of the time, and a change of the identification leaves them as they are.
"""

from __future__ import annotations

import csv
import pickle
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import identify_counts as counts
import identify_trials as trials

from spectra import __version__
from spectra.identify import identify
from spectra.measure import measure
from spectra.simulate import Analyser, Emission, ReceiveLine, Spectrum, sweep_spectrum

COLUMNS = (
    "trial",
    "listed",
    "verdict",
    "right",
    "named",
    "error_hz",
    "std_hz",
    "carriers",
    "twin",
    "kin",
    "probability",
    "absent_verdict",
    "absent_twin",
    "absent_kin",
    "absent_probability",
)
PIECE = 100  # trials in one file of kept measurements


def _sweep(chain: Any, sky: Any, rng: np.random.Generator) -> Any:
    """Sweep the sky as it is usually done: 1001 points, averaged over ten."""
    start, stop, rbw, spectrum, listed = scene(chain, sky, rng)
    analyser = Analyser(start_hz=start, stop_hz=stop, points=1001, rbw_hz=rbw, detector="rms", averages=10)
    return sweep_spectrum(spectrum, analyser, int(rng.integers(2**31))), listed


def scene(chain: Any, sky: Any, rng: np.random.Generator) -> tuple[float, float, float, Spectrum, int]:
    """Return span, RBW, spectrum, and how many listed carriers the span holds whole.

    Noise of -145 dBm/Hz, tilt and ripple, C/N of 11 +- 3 dB, carriers that do not overlap.
    """
    wide = rng.random() < 0.7
    start, stop = chain.if_min_hz, chain.if_max_hz
    if not wide:
        start = float(rng.uniform(start, stop - 500e6))
        stop = start + 500e6
    rbw = float(rng.choice([0.3e6, 1e6])) if not wide else 1e6
    line = ReceiveLine(
        start, stop, float(rng.uniform(-4, 4)), float(rng.uniform(0, 1.5)), float(rng.uniform(30e6, 90e6))
    )
    taken: list[tuple[float, float]] = []
    emissions, shown = [], []
    for index in np.argsort(~sky.listed, kind="stable").tolist():
        f = float(sky.if_hz[index])
        rate = float(np.nan_to_num(sky.symbol_rate_bd[index], nan=5e6))
        roll_off = float(rng.choice([0.2, 0.25, 0.35]))
        width = rate * (1.0 + roll_off)
        if any(abs(f - g) < 0.45 * (width + w) for g, w in taken):
            continue
        cn_db = float(np.clip(rng.normal(11.0, 3.0), 4.0, 20.0))
        taken.append((f, width))
        emissions.append(Emission(f, rate, roll_off, -145.0 + 10.0 * np.log10(rate) + cn_db))
        shown.append(bool(sky.listed[index]) and start + 0.5 * width < f < stop - 0.5 * width)
    return start, stop, rbw, Spectrum(-145.0, line, tuple(emissions)), int(sum(shown))


def run(
    world: Any, count: int, seed: int, least: int = 5, first: int = 0, folder: Path | None = None
) -> Iterator[dict[str, Any]]:
    """Yield one record a trial; sweeps with fewer listed carriers than `least` are drawn again."""
    if folder is None:
        for number in range(first, first + count):
            yield judged(world, *measured(world, number, seed, least))
        return
    for start in range(first, first + count, PIECE):
        for number, measurement, place, sky, listed in _kept(world, start, seed, least, folder)[
            : first + count - start
        ]:
            band, state, plan = world.seen[place]
            yield judged(
                world, number, measurement, trials.chain_of(band, world.tolerance_hz), state, plan, sky, listed
            )


def _kept(world: Any, start: int, seed: int, least: int, folder: Path) -> list[tuple[Any, ...]]:
    """Return a piece of measured trials from the folder, measured now if it is not there."""
    path = folder / f"measured_{len(world.seen)}_{seed}_{least}_{start:05d}.pickle"
    if path.is_file():
        found: list[tuple[Any, ...]] = pickle.loads(path.read_bytes())
        return found
    found = []
    for number in range(start, start + PIECE):
        _, measurement, _, state, plan, sky, listed = measured(world, number, seed, least)
        place = next(i for i, (_, other, seen) in enumerate(world.seen) if seen is plan and other == state)
        found.append((number, measurement, place, sky, listed))
    path.write_bytes(pickle.dumps(found))
    return found


def measured(world: Any, number: int, seed: int, least: int = 5) -> tuple[Any, ...]:
    """Draw, sweep and measure one trial."""
    rng = np.random.default_rng((seed, number))
    while True:
        band, state, plan = world.seen[rng.integers(len(world.seen))]
        chain = trials.chain_of(band, world.tolerance_hz)
        sky = trials.draw_sky(world.table, rng, state, plan, 0.12, 0.15, (0.1e6, 1e6, 3e6))
        sweep, listed = _sweep(chain, sky, rng)
        if listed >= least:
            break
    return number, measure(sweep), chain, state, plan, sky, listed


def judged(
    world: Any, number: int, measurement: Any, chain: Any, state: Any, plan: Any, sky: Any, listed: int
) -> dict[str, Any]:
    """Identify one trial with the whole table and without the true position, and hold both against the truth."""
    trial = trials.Trial(measurement, chain, plan, state, sky.lo_error_hz, listed, float("nan"))
    any_twin, far_twin = trials.shared(world, trial)
    result = identify(measurement, world.table, chain)
    absent = identify(measurement, trials.rest(world, plan), chain)
    best = result.candidates[0] if result.candidates else None
    right = best is not None and is_true(best, plan, state)
    return {
        "trial": number,
        "listed": listed,
        "verdict": result.verdict,
        "right": int(right),
        "named": int(any(is_true(each, plan, state) for each in result.candidates[:5])),
        "error_hz": round(best.lo_error_hz - sky.lo_error_hz) if right and best is not None else "",
        "std_hz": round(best.lo_error_std_hz) if right and best is not None else "",
        "carriers": len(measurement.carriers),
        "twin": round(any_twin, 2),
        "kin": rounded(result.log10_odds_kin, 2),
        "probability": rounded(result.probability, 5),
        "absent_verdict": absent.verdict,
        "absent_twin": round(far_twin, 2),
        "absent_kin": rounded(absent.log10_odds_kin, 2),
        "absent_probability": rounded(absent.probability, 5),
    }


def rounded(value: float | None, digits: int) -> float | str:
    return "" if value is None else round(value, digits)


def is_true(candidate: Any, plan: Any, state: Any) -> bool:
    return (candidate.satellite, candidate.polarisation, candidate.lo_state) == (
        plan.satellite,
        plan.polarisation,
        state.name,
    )


def summary(records: list[dict[str, Any]], twins_from: float = 0.7) -> dict[str, float]:
    """Return the figures of a campaign."""
    alone = [r for r in records if r["twin"] < twins_from]
    far = [r for r in records if r["absent_twin"] < twins_from]
    return {
        "trials": len(records),
        "first": float(np.mean([r["right"] for r in records])),
        "first without twins": float(np.mean([r["right"] for r in alone])),
        "confirmed and right without twins": float(
            np.mean([r["right"] and r["verdict"] == "confirmed" for r in alone])
        ),
        "wrongly confirmed": sum(r["verdict"] == "confirmed" and not r["right"] for r in records),
        "probable or better": float(np.mean([r["verdict"] in ("confirmed", "probable") for r in records])),
        "absent: unidentified": float(np.mean([r["absent_verdict"] == "unidentified" for r in records])),
        "absent: confirmed": sum(r["absent_verdict"] == "confirmed" for r in records),
        "absent, no twin elsewhere: confirmed": sum(r["absent_verdict"] == "confirmed" for r in far),
        "absent, no twin elsewhere: trials": len(far),
        "absent, no twin elsewhere: unidentified": float(np.mean([r["absent_verdict"] == "unidentified" for r in far])),
    }


def _thinned(table: Any, every: int) -> Any:
    """Return the table with every so manieth satellite by name."""
    names = table.text["satellite"].astype(str)
    return trials.without(table, ~np.isin(names, np.unique(names)[::every])) if every > 1 else table


def main(arguments: list[str]) -> None:
    """Run and write the table."""
    count = int(arguments[0]) if arguments else 300
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    every = int(arguments[2]) if len(arguments) > 2 else 1
    first = int(arguments[3]) if len(arguments) > 3 else 0
    folder = Path(arguments[4]) if len(arguments) > 4 else None
    world = trials.World.build(_thinned(trials.load_plans(), every))
    name = "identify_simulated" + (f"_every_{every}" if every > 1 else "")
    path = Path(__file__).with_name(f"{name}.csv")
    with path.open("a" if first else "w", encoding="utf-8", newline="") as out:
        out.write(f"# sweepmuster {__version__}, seed {seed}, {count} trials from number {first}\n")
        writer = csv.DictWriter(out, COLUMNS)
        if not first:
            writer.writeheader()
        for record in run(world, count, seed, first=first, folder=folder):
            writer.writerow(record)
            out.flush()
    records = read(path)
    for name, value in summary(records).items():
        sys.stdout.write(f"{name}: {value:g}\n")
    for line in counts.reliability(records):
        sys.stdout.write(", ".join(f"{name} {value:.4g}" for name, value in line.items()) + "\n")


def read(path: Path) -> list[dict[str, Any]]:
    """Return the records of a kept table, whatever pieces it was made in."""
    with path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return [{**row, "right": int(row["right"]), **{n: float(row[n]) for n in ("twin", "absent_twin")}} for row in rows]


if __name__ == "__main__":
    main(sys.argv[1:])
