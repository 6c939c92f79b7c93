"""Intermodulation from sweeps: is it named for true third-order products, and not for strangers at random places?

A plan of some eight listed carriers, two or three of them strong; in one sweep the third-order product of two of them,
in the other a stranger as wide at a random free place. Sweeps are simulated, measured, identified, and the rules of one
capture run. As a script it writes `interference_swept_products.csv` beside itself:
``python tests/campaigns/interference_swept_products.py [trials] [seed]``.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from keeping import keep

from spectra.capture import Context
from spectra.findings import capture_findings
from spectra.identify import identify
from spectra.measure import measure
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

STATE = LoState("one", 10.6e9, "low", 11.55e9, 12.75e9, "H", 18.0, True, 1e6)
CHAIN = ReceiveChain("campaign", 950e6, 2150e6, (STATE,), reference_ppm=0.5)
START, STOP, POINTS, RBW = 1250e6, 1850e6, 1201, 500e3
DENSITY = -140.0
COLUMNS = ("trial", "what", "at_mhz", "rate_mbd", "below_parents_db", "seen", "named")
Row = tuple[float, float, float, float]


def plan(rng: np.random.Generator) -> list[Row]:
    """Return carriers (IF, symbol rate, roll-off, C/N), the first two or three of them strong."""
    rows: list[Row] = []
    strong = int(rng.integers(2, 4))
    while len(rows) < 8:
        rate = float(rng.choice([1e6, 2e6, 3e6])) if len(rows) < strong else float(rng.choice([2e6, 5e6, 10e6]))
        at, cn = float(rng.uniform(START + 15e6, STOP - 15e6)), float(rng.uniform(26.0, 32.0))
        if len(rows) >= strong:
            cn = float(rng.uniform(8.0, 14.0))
        if free(at, rate, rows):
            rows.append((round(at / 1e4) * 1e4, rate, 0.25, cn))
    return rows


def free(at_hz: float, rate_bd: float, rows: list[Row]) -> bool:
    """Say whether nothing stands there."""
    return all(abs(at_hz - c) > 0.65 * (rate_bd + r) + 3.0 * RBW for c, r, _, _ in rows)


def guest(rng: np.random.Generator, rows: list[Row], true: bool) -> tuple[Row, float] | None:
    """Return a product of the two strongest carriers, or a stranger; and how far it lies below the weaker parent."""
    first, second = sorted(rows, key=lambda row: -row[3] - 10.0 * math.log10(row[1]))[:2]
    if rng.random() < 0.5:
        first, second = second, first
    at = 2.0 * first[0] - second[0] if true else float(rng.uniform(START + 20e6, STOP - 20e6))
    # three flat spectra convolved hold 99 % of their power within some 0.72 of the summed width (derived)
    rate = 0.72 * 1.15 / 1.1 * (2.0 * first[1] + second[1])
    if not START + 20e6 < at < STOP - 20e6 or not free(at, rate, rows):
        return None
    weaker = min(row[3] + 10.0 * math.log10(row[1]) for row in (first, second))
    below = float(rng.uniform(12.0, 18.0))
    return (at, rate, 0.35, weaker - below - 10.0 * math.log10(rate)), below


def run(count: int, seed: int) -> Iterator[dict[str, object]]:
    """Yield one record a trial, true products and strangers in turn."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        made = None
        while made is None:
            rows = plan(rng)
            made = guest(rng, rows, number % 2 == 0)
        stranger, below = made
        error = float(rng.normal(0.0, 200e3))
        emissions = tuple(
            Emission(at - error, rate, roll_off, DENSITY + cn + 10.0 * math.log10(rate))
            for at, rate, roll_off, cn in rows
        )
        # products of carriers that are off by the oscillator's error are off by as much: 2 f1 - f2
        at, rate, roll_off, cn = stranger
        emissions += (Emission(at - error, rate, roll_off, DENSITY + cn + 10.0 * math.log10(rate)),)
        analyser = Analyser(START, STOP, POINTS, RBW, averages=20, readings=5)
        measurement = measure(sweep_spectrum(Spectrum(DENSITY, emissions=emissions), analyser, seed * 100_000 + number))
        table = CarrierTable.from_rows(
            {
                "satellite": "Campaign 1",
                "polarisation": "H",
                "rf_mhz": (c + STATE.lo_hz) / 1e6,
                "symbol_rate_kbd": r / 1e3,
                "roll_off": a,
                "reference_cn_db": round(n, 1),
            }
            for c, r, a, n in rows
        )
        context = Context(lo_state=STATE.name, expected_satellite="Campaign 1", expected_polarisation="H")
        result = identify(measurement, table, CHAIN, context=context)
        findings = capture_findings(measurement, table=table, chain=CHAIN, context=context, identification=result)
        here = {k for k, c in enumerate(measurement.carriers) if abs(c.centre_hz - at + error) < 0.3 * rate}
        named = [f for f in findings if f.code == "interference.intermodulation" and here & set(f.subjects.carriers)]
        yield {
            "trial": number,
            "what": "product" if number % 2 == 0 else "stranger",
            "at_mhz": round(at / 1e6, 3),
            "rate_mbd": round(rate / 1e6, 2),
            "below_parents_db": round(below, 1),
            "seen": int(bool(here)),
            "named": int(bool(named)),
        }


def summary(records: list[dict[str, object]]) -> dict[str, float]:
    """Return the figures, of what the sweep shows."""
    seen = [r for r in records if r["seen"]]
    products = [int(str(r["named"])) for r in seen if r["what"] == "product"]
    strangers = [int(str(r["named"])) for r in seen if r["what"] == "stranger"]
    return {
        "products seen": len(products),
        "products named": float(np.mean(products)) if products else math.nan,
        "strangers seen": len(strangers),
        "strangers named": float(np.mean(strangers)) if strangers else math.nan,
    }


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    records = list(run(count, seed))
    keep(__file__, COLUMNS, records, summary(records), f"{count} trials", seed)


if __name__ == "__main__":
    main()
