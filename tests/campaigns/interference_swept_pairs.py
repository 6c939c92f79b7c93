"""Two-state pairs from sweeps: does what `follow` makes of two measured sweeps tell cable from antenna?

Each pair is drawn anew: a plan of some ten carriers, two LO states 150 MHz apart whose oscillators are off by hundreds
of kilohertz, and one to four signals that nobody lists, each fixed in IF or in RF, a line or modulated, in a gap of
both sweeps. Sweeps are simulated, measured and identified; nothing but the table, the chain and the LO state told by
the capture is known. As a script it writes `interference_swept_pairs.csv` beside itself:
``python tests/campaigns/interference_swept_pairs.py [pairs] [seed]``.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from keeping import keep

from spectra.capture import Capture, Context
from spectra.findings.emissions import Emissions
from spectra.findings.interference_sets import entry_of, follow
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

STATES = (
    LoState("one", 10.60e9, "low", 11.55e9, 12.75e9, "H", 18.0, True, 1e6),
    LoState("two", 10.75e9, "low", 11.70e9, 12.90e9, "H", 18.0, False, 1e6),
)
CHAIN = ReceiveChain("campaign", 950e6, 2150e6, STATES, reference_ppm=0.5)
START, STOP, POINTS, RBW = 1250e6, 1850e6, 801, 1e6
DENSITY = -140.0
COLUMNS = ("pair", "signal", "fixed", "kind", "above_db", "seen_in", "verdicts", "answer")


@dataclass(frozen=True)
class Guest:
    """A signal that nobody lists: true IF in the first state (its oscillator's error left out), and what it is."""

    place_hz: float
    by_rf: bool
    rate_bd: float | None
    above_db: float

    def at(self, state: LoState, error_hz: float) -> float:
        """Return its IF in a state."""
        return self.place_hz - (state.lo_hz - STATES[0].lo_hz) - error_hz if self.by_rf else self.place_hz

    @property
    def half_hz(self) -> float:
        """Return half of what it takes up."""
        return 0.6 * (self.rate_bd or RBW)


def plan(rng: np.random.Generator) -> list[tuple[float, float, float, float]]:
    """Return carriers (RF, symbol rate, roll-off, C/N) that fill some half of the two spans."""
    rows, at = [], STATES[0].lo_hz + START + float(rng.uniform(2e6, 30e6))
    while at < STATES[1].lo_hz + STOP:
        rate = float(rng.choice([4e6, 8e6, 15e6, 27.5e6]))
        roll_off = float(rng.choice([0.2, 0.25, 0.35]))
        half = 0.5 * rate * (1.0 + roll_off)
        rows.append((round((at + half) / 1e4) * 1e4, rate, roll_off, float(rng.uniform(8.0, 15.0))))
        at += 2.0 * half + float(rng.uniform(8e6, 50e6))
    return rows


def listed(rows: list[tuple[float, float, float, float]]) -> CarrierTable:
    """Return the plan as a table."""
    return CarrierTable.from_rows(
        {
            "satellite": "Campaign 1",
            "polarisation": "H",
            "rf_mhz": rf / 1e6,
            "symbol_rate_kbd": rate / 1e3,
            "roll_off": roll_off,
            "reference_cn_db": round(cn, 1),
        }
        for rf, rate, roll_off, cn in rows
    )


def free(guest: Guest, rows: list[tuple[float, float, float, float]], others: list[Guest]) -> bool:
    """Say whether a signal stands in a gap of both sweeps, clear of the other ones."""
    for state in STATES:
        at = guest.at(state, 0.0)
        if not START + 5e6 < at < STOP - 5e6:
            return False
        taken = [(rf - state.lo_hz, 0.5 * rate * (1.0 + roll_off)) for rf, rate, roll_off, _ in rows]
        taken += [(one.at(state, 0.0), one.half_hz) for one in others]
        if any(abs(at - centre) < half + guest.half_hz + 2.0 * RBW for centre, half in taken):
            return False
    return True


def strangers(rng: np.random.Generator, rows: list[tuple[float, float, float, float]]) -> list[Guest]:
    """Return one to four signals that the table does not list."""
    made: list[Guest] = []
    wanted = int(rng.integers(1, 5))
    for _ in range(300):
        rate = None if rng.random() < 0.5 else float(rng.choice([1.5e6, 3e6, 6e6]))
        guest = Guest(float(rng.uniform(START, STOP)), bool(rng.random() < 0.5), rate, float(rng.uniform(7.0, 18.0)))
        if free(guest, rows, made):
            made.append(guest)
        if len(made) == wanted:
            break
    return made


def captured(
    rng: np.random.Generator, rows: list[tuple[float, float, float, float]], guests: list[Guest], seed: int
) -> tuple[list[Capture], list[float]]:
    """Sweep both states; return the captures and the errors of the oscillator in each."""
    captures, errors = [], []
    ppm = float(rng.normal(0.0, 0.5))
    for k, state in enumerate(STATES):
        error = float(rng.normal(0.0, 300e3))
        emissions = []
        for rf, rate, roll_off, cn in rows:
            centre, half = rf - state.lo_hz - error, 0.5 * rate * (1.0 + roll_off)
            if START - half < centre < STOP + half:
                emissions.append(Emission(centre, rate, roll_off, DENSITY + cn + 10.0 * math.log10(rate)))
        spectrum = Spectrum(DENSITY, emissions=tuple(emissions))
        for guest in guests:
            at = guest.at(state, error)
            if guest.rate_bd is None:
                spectrum = spectrum.with_tone(at, guest.above_db + 10.0 * math.log10(1.0645 * RBW))
            else:
                spectrum = spectrum.with_carrier(at, guest.rate_bd, 0.25, guest.above_db)
        analyser = Analyser(START, STOP, POINTS, RBW, averages=20, readings=3, reference_ppm=ppm)
        sweep = sweep_spectrum(spectrum, analyser, 2 * seed + k, file=f"{k}.csv")
        context = Context(lo_state=state.name, expected_satellite="Campaign 1", expected_polarisation="H")
        captures.append(Capture((sweep,), context, f"{k}.csv"))
        errors.append(error)
    return captures, errors


def answer(guest: Guest, errors: list[float], log: Emissions) -> tuple[int, str, str]:
    """Return in how many sweeps a signal was seen, as how many emissions, and what was told of its way in."""
    mine = []
    for k, state in enumerate(STATES):
        at = guest.at(state, errors[k])
        near = [
            (abs(s.if_hz - at), number)
            for number, emission in enumerate(log.emissions)
            for s in emission.sightings
            if s.look == k and abs(s.if_hz - at) < 0.5 * (guest.rate_bd or 0.0) + RBW
        ]
        if near:
            mine.append(min(near)[1])
    ways = {entry_of(log.emissions[number], log).way for number in mine}
    told = ways - {"cannot_tell"}
    true = "antenna" if guest.by_rf else "cable"
    if not mine:
        return 0, "", "not seen"
    if told == {true}:
        return len(mine), "/".join(sorted(ways)), "right"
    return len(mine), "/".join(sorted(ways)), "wrong" if told else "open"


def run(count: int, seed: int) -> Iterator[dict[str, object]]:
    """Yield one record a signal."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        rows = plan(rng)
        guests = strangers(rng, rows)
        captures, errors = captured(rng, rows, guests, seed * 100_000 + number)
        log = follow(captures, table=listed(rows), chain=CHAIN)
        for place, guest in enumerate(guests):
            seen, ways, told = answer(guest, errors, log)
            yield {
                "pair": number,
                "signal": place,
                "fixed": "rf" if guest.by_rf else "if",
                "kind": "cw" if guest.rate_bd is None else f"{guest.rate_bd / 1e6:g} MBd",
                "above_db": round(guest.above_db, 1),
                "seen_in": seen,
                "verdicts": ways,
                "answer": told,
            }


def summary(records: list[dict[str, object]]) -> dict[str, float]:
    """Return the figures; a pair is right where every signal of it that both sweeps show is."""
    both = [r for r in records if r["seen_in"] == 2]
    told = Counter(str(r["answer"]) for r in both)
    wrong_pairs = {r["pair"] for r in both if r["answer"] != "right"}
    pairs = {r["pair"] for r in both}
    return {
        "signals": len(records),
        "seen in both sweeps": len(both),
        "right": told["right"] / max(len(both), 1),
        "wrong": told["wrong"],
        "open": told["open"],
        "pairs": len(pairs),
        "pairs with all right": 1.0 - len(wrong_pairs) / max(len(pairs), 1),
        "seen in one or none and told wrongly": sum(r["answer"] == "wrong" for r in records if r["seen_in"] != 2),
    }


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    records = list(run(count, seed))
    keep(__file__, COLUMNS, records, summary(records), f"{count} pairs", seed)


if __name__ == "__main__":
    main()
