"""What a careful sweep is worth: the trials of `identify_simulated`, each swept as usual, carefully, and on both ports.

Usual: 1001 points over the span, RBW 1 MHz (or 300 kHz over 500 MHz), ten averages. Careful: 4001 points, RBW 300 kHz,
twenty averages, what `sweepmuster next-sweep` and a technician with time take. Both ports: the careful sweep, and one
of the other polarisation's list where the table has one (same LO error, one row in eight silent, one carrier in seven
unlisted), identified together. Each is answered with the whole table and with every list of the true orbital position
left out. As a script it writes `identify_sweeps.csv` beside itself, the figures on top, and goes on where a table of
the same seed stops:

    python tests/campaigns/identify_sweeps.py [trials] [seed] [folder] [first]

With a folder the measurements are kept there and used again: sweeping and measuring take most of the time. With `first`
the draws start at that number: those before may have been used to fit.
"""

from __future__ import annotations

import csv
import pickle
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import identify_simulated as simulated
import identify_trials as trials
from keeping import keep

from spectra import __version__
from spectra.capture import Context
from spectra.identify import identify
from spectra.measure import measure
from spectra.simulate import Analyser, sweep_spectrum

KINDS = ("usual", "careful", "both_ports")
_OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}
BOTH_EVERY = 5  # draws of which one is swept on both ports too
PIECE = 50  # draws in one file of kept measurements
COLUMNS = (
    "trial", "listed", "other_listed", "twin", "far_twin",
    *(
        f"{kind}_{name}"
        for kind in KINDS
        for name in (
            "verdict", "right", "named", "kin", "probability", "error_hz", "std_hz",
            "absent_verdict", "absent_kin", "absent_probability",
        )
    ),
)  # fmt: skip


def careful(start_hz: float, stop_hz: float) -> Analyser:
    """Return the analyser of the careful sweep."""
    return Analyser(start_hz=start_hz, stop_hz=stop_hz, points=4001, rbw_hz=300e3, detector="rms", averages=20)


@dataclass(frozen=True)
class Draw:
    """One draw with its sweeps measured; `place` is the index of the true list in `World.seen`."""

    number: int
    place: int
    lo_error_hz: float
    listed: int
    other_listed: int
    sweeps: dict[str, list[Any]]


def measured(world: Any, number: int, seed: int, least: int = 5, both_every: int = BOTH_EVERY) -> Draw:
    """Draw, sweep and measure one trial: as usual, carefully, and every so many on both ports."""
    rng = np.random.default_rng((seed, number))
    while True:
        place = int(rng.integers(len(world.seen)))
        band, state, plan = world.seen[place]
        chain = trials.chain_of(band, world.tolerance_hz)
        sky = trials.draw_sky(world.table, rng, state, plan, 0.12, 0.15, (0.1e6, 1e6, 3e6))
        start, stop, rbw, spectrum, listed = simulated.scene(chain, sky, rng)
        if listed >= least:
            break
    usual = Analyser(start_hz=start, stop_hz=stop, points=1001, rbw_hz=rbw, detector="rms", averages=10)
    sweeps = {
        "usual": [measure(sweep_spectrum(spectrum, usual, int(rng.integers(2**31))))],
        "careful": [measure(sweep_spectrum(spectrum, careful(start, stop), int(rng.integers(2**31))))],
    }
    other, other_listed = None, 0
    if number % both_every == 0:
        other, other_listed = _other_port(world, band, state, plan, sky, (start, stop), rng)
    if other is not None:
        sweeps["both_ports"] = [sweeps["careful"][0], other]
    return Draw(number, place, sky.lo_error_hz, listed, other_listed, sweeps)


def judged(world: Any, draw: Draw) -> dict[str, Any]:
    """Identify the sweeps of one draw, with the whole table and without the true position."""
    band, state, plan = world.seen[draw.place]
    chain = trials.chain_of(band, world.tolerance_hz)
    trial = trials.Trial(
        next(iter(draw.sweeps.values()))[0], chain, plan, state, draw.lo_error_hz, draw.listed, float("nan")
    )
    twin, far_twin = trials.shared(world, trial)
    record = {
        "trial": draw.number,
        "listed": draw.listed,
        "other_listed": draw.other_listed,
        "twin": round(twin, 2),
        "far_twin": round(far_twin, 2),
    }
    for kind, measurements in draw.sweeps.items():
        answer = _answer(world, chain, plan, state, draw.lo_error_hz, measurements)
        record |= {f"{kind}_{name}": value for name, value in answer.items()}
    return record


def kept(world: Any, number: int, seed: int, folder: Path | None) -> Iterator[Draw]:
    """Yield draws from a number on; with a folder their measurements are kept there, and used again."""
    while True:
        if folder is None:
            yield measured(world, number, seed)
            number += 1
            continue
        start = number - number % PIECE
        path = folder / f"sweeps_{len(world.seen)}_{seed}_{start:05d}.pickle"
        if not path.is_file():
            found = [measured(world, each, seed) for each in range(start, start + PIECE)]
            aside = path.with_suffix(".part")
            aside.write_bytes(pickle.dumps(found))
            aside.rename(path)
        yield from pickle.loads(path.read_bytes())[number - start :]
        number = start + PIECE


def _other_port(
    world: Any, band: str, state: Any, plan: Any, sky: Any, span: tuple[float, float], rng: np.random.Generator
) -> tuple[Any, int]:
    """Return the careful sweep of the other polarisation, and its listed carriers; None where no list is there."""
    wanted = (plan.satellite, plan.orbital_longitude_deg, _OPPOSITE[plan.polarisation])
    lists = [
        seen
        for where, there, seen in world.seen
        if (where, there.name) == (band, state.name)
        and (seen.satellite, seen.orbital_longitude_deg, seen.polarisation) == wanted
    ]
    if not lists:
        return None, 0
    chain = trials.chain_of(band, world.tolerance_hz)
    cross = trials.draw_sky(world.table, rng, state, lists[0], 0.12, 0.15, (0.1e6,))
    # the same oscillator serves both ports
    at_hz = cross.if_hz + state.sign * (cross.lo_error_hz - sky.lo_error_hz)
    cross = trials.DrawnSky(at_hz, cross.symbol_rate_bd, cross.listed, sky.lo_error_hz, cross.rounding_hz)
    *_, spectrum, _ = simulated.scene(chain, cross, rng)
    found = measure(sweep_spectrum(spectrum, careful(*span), int(rng.integers(2**31))))
    inside = (cross.if_hz > span[0]) & (cross.if_hz < span[1])
    return found, int((cross.listed & inside).sum())


def _answer(world: Any, chain: Any, plan: Any, state: Any, lo_error_hz: float, measurements: list[Any]) -> Any:
    contexts = [Context(port="co"), Context(port="cross")] if len(measurements) > 1 else [Context()]
    result = identify(measurements, world.table, chain, context=contexts)
    absent = identify(measurements, trials.rest(world, plan), chain, context=contexts)
    best = result.candidates[0] if result.candidates else None
    right = best is not None and simulated.is_true(best, plan, state)
    told = best if right else None
    limit = result.thresholds.confirmed_next
    near = [c for c in result.candidates if c is best or (c.log10_odds_next or 0.0) >= -limit]
    return {
        "verdict": result.verdict,
        "right": int(right),
        "named": int(any(simulated.is_true(each, plan, state) for each in near)),
        "kin": simulated.rounded(result.log10_odds_kin, 2),
        "probability": simulated.rounded(result.probability, 5),
        "error_hz": "" if told is None else round(told.lo_error_hz - lo_error_hz),
        "std_hz": "" if told is None else round(told.lo_error_std_hz),
        "absent_verdict": absent.verdict,
        "absent_kin": simulated.rounded(absent.log10_odds_kin, 2),
        "absent_probability": simulated.rounded(absent.probability, 5),
    }


def summary(records: list[dict[str, Any]], twins_from: float = 0.7) -> dict[str, float]:
    """Return the figures by kind of sweep."""
    figures: dict[str, float] = {}
    for kind in KINDS:
        mine = [r for r in records if r.get(f"{kind}_verdict")]
        alone = [r for r in mine if float(r["twin"]) < twins_from]
        if not alone:
            continue
        for name, some in (("", alone), (", 8 listed or more", [r for r in alone if int(r["listed"]) >= 8])):
            hit = [int(r[f"{kind}_right"]) and r[f"{kind}_verdict"] == "confirmed" for r in some]
            figures[f"{kind}: confirmed and right without twins{name}"] = float(np.mean(hit)) if hit else float("nan")
        twins = [int(r[f"{kind}_named"]) for r in mine if float(r["twin"]) >= twins_from]
        figures[f"{kind}: twins"] = len(twins)
        figures[f"{kind}: twins, the true one named"] = float(np.mean(twins)) if twins else float("nan")
        figures[f"{kind}: first without twins"] = float(np.mean([int(r[f"{kind}_right"]) for r in alone]))
        wrong = [r[f"{kind}_verdict"] == "confirmed" and not int(r[f"{kind}_right"]) for r in mine]
        figures[f"{kind}: trials"] = len(mine)
        figures[f"{kind}: without twins"] = len(alone)
        figures[f"{kind}: wrongly confirmed"] = sum(wrong)
        gone = [r[f"{kind}_absent_verdict"] for r in mine]
        far = [r[f"{kind}_absent_verdict"] for r in mine if float(r["far_twin"]) < twins_from]
        figures[f"{kind}: true position left out, confirmed"] = gone.count("confirmed")
        figures[f"{kind}: true position left out, no twin elsewhere, confirmed"] = far.count("confirmed")
        figures[f"{kind}: true position left out, no twin elsewhere"] = len(far)
        figures[f"{kind}: true position left out, no twin elsewhere, unidentified"] = far.count("unidentified") / len(
            far
        )
        error = np.array(
            [[float(r[f"{kind}_error_hz"]), float(r[f"{kind}_std_hz"])] for r in mine if r[f"{kind}_error_hz"] != ""]
        )
        figures[f"{kind}: LO error, root mean square over its standard uncertainty"] = float(
            np.sqrt(np.mean((error[:, 0] / error[:, 1]) ** 2))
        )
        figures[f"{kind}: LO error, coverage 95"] = float(np.mean(np.abs(error[:, 0]) < 1.96 * error[:, 1]))
    return figures


def main(arguments: list[str]) -> None:
    """Run the campaign and write its table, trial by trial."""
    count = int(arguments[0]) if arguments else 600
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    folder = Path(arguments[2]) if len(arguments) > 2 else None
    world = trials.World.build(trials.load_plans())
    records: list[dict[str, Any]] = standing(Path(__file__).with_suffix(".csv"), f"seed {seed},")[:count]
    first = int(arguments[3]) if len(arguments) > 3 else 0
    what = f"from number {first}" if first else ""
    for draw in islice(kept(world, first + len(records), seed, folder), count - len(records)):
        records.append(judged(world, draw))
        if len(records) % 250 == 0 or len(records) == count:
            keep(__file__, COLUMNS, records, summary(records), f"{len(records)} trials {what}".strip(), seed)


def standing(path: Path, seed: str) -> list[dict[str, Any]]:
    """Return the records of a table of this version and seed, if one stands there."""
    if not path.exists():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    if f"sweepmuster {__version__}, {seed}" not in lines[0]:
        return []
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


if __name__ == "__main__":
    main(sys.argv[1:])
