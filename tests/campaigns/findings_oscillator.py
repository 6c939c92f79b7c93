"""The oscillator from simulated sweeps: LO error against its bound, wrong states, mirrored spectra, other polarisation.

A plan of up to 36 carriers is drawn for every trial and swept by the simulator; the sweep is measured, identified, and
the rules of one capture run. As a script it writes `findings_oscillator.csv` beside itself:
``python tests/campaigns/findings_oscillator.py [trials] [seed]``.

LO error: the limit is that of the matched carriers, (sum of 1/std^2)^-1/2 with the uncertainties that the Cramer-Rao
bound gives each (`spectra.signal.bounds`), and the table's rounding.
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
from spectra.capture import Context
from spectra.findings import capture_findings
from spectra.findings.identified import oscillator_of
from spectra.identify import identify
from spectra.measure import measure
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.signal.bounds import carrier_bounds
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

STATES = tuple(
    LoState(f"{band} {pol}", lo, "low", rf_min, rf_max, pol, volt, tone, 500e3)
    for band, lo, rf_min, rf_max, tone in (
        ("low", 9.75e9, 10.7e9, 11.9e9, False),
        ("high", 10.6e9, 11.55e9, 12.75e9, True),
    )
    for pol, volt in (("V", 13.0), ("H", 18.0))
)
CHAIN = ReceiveChain("campaign", 950e6, 2150e6, STATES, reference_ppm=1.0)
START, STOP, POINTS, RBW = 1250e6, 1850e6, 801, 1e6
DENSITY = -140.0
CASES = ("right", "wrong state", "other polarisation", "mirrored")
COLUMNS = (
    "trial", "case", "verdict", "lo_error_hz", "found_hz", "std_hz", "limit_hz", "wrong_state", "other_polarisation",
    "inverted", "answer", "shown",
)  # fmt: skip


def plan(rng: np.random.Generator) -> CarrierTable:
    """Return the lists of one satellite: up to nine carriers in each band and polarisation within the span."""
    rows = []
    for state in STATES:
        at = START + float(rng.uniform(10e6, 40e6))
        for _ in range(9):
            rate = float(rng.choice([4e6, 8e6, 15e6, 27.5e6]))
            roll_off = float(rng.choice([0.2, 0.25, 0.35]))
            at += 0.5 * rate * (1.0 + roll_off)
            if at > STOP - 30e6:
                break
            rows.append(
                {
                    "satellite": "Campaign 1",
                    "polarisation": state.polarisation,
                    "rf_mhz": round((at + state.lo_hz) / 1e6, 2),
                    "symbol_rate_kbd": rate / 1e3,
                    "roll_off": roll_off,
                    "reference_cn_db": round(float(rng.uniform(8.0, 15.0)), 1),
                }
            )
            at += 0.5 * rate * (1.0 + roll_off) + float(rng.uniform(5e6, 60e6))
    return CarrierTable.from_rows(rows)


def swept(
    table: CarrierTable, state: LoState, mirrored: bool, lo_error_hz: float, ppm: float, seed: int
) -> tuple[Any, Any]:
    """Sweep what the LNB in a state shows; return measurement and the carriers that the sweep holds whole."""
    emissions, shown = [], []
    for row in table:
        if row.polarisation != state.polarisation or not state.rf_min_hz < row.rf_hz < state.rf_max_hz:
            continue
        # the true frequency lies anywhere within the rounding of the listed one
        true = row.rf_hz + float(np.random.default_rng((seed, row.line)).uniform(-5e3, 5e3))
        centre = true - state.lo_hz - lo_error_hz
        if mirrored:  # about the middle of the IF range, as an LO on the other side of the same RF range does
            centre = state.rf_min_hz + state.rf_max_hz - 2.0 * state.lo_hz - centre
        assert row.symbol_rate_bd is not None and row.roll_off is not None and row.reference_cn_db is not None
        half = 0.5 * row.symbol_rate_bd * (1.0 + row.roll_off)
        if not START + half < centre < STOP - half:
            continue
        emissions.append(
            Emission(
                centre,
                row.symbol_rate_bd,
                row.roll_off,
                DENSITY + row.reference_cn_db + 10.0 * math.log10(row.symbol_rate_bd),
            )
        )
        shown.append((centre, row.symbol_rate_bd, row.roll_off, row.reference_cn_db))
    analyser = Analyser(START, STOP, POINTS, RBW, averages=10, readings=3, reference_ppm=ppm)
    return measure(sweep_spectrum(Spectrum(DENSITY, emissions=tuple(emissions)), analyser, seed)), shown


def limit_hz(shown: Any, ppm_std: float) -> float:
    """Return the least standard uncertainty of the LO error from these carriers."""
    f = np.linspace(START, STOP, POINTS)
    correlated = max(1.0, 1.41 * 1.0645 * RBW / (f[1] - f[0]))
    found = carrier_bounds(f, shown, RBW, 30.0 / correlated)
    weight = sum(1.0 / (one["centre_hz"] ** 2 + (10e3**2) / 12.0) for one in found)
    middle = float(np.mean([one[0] for one in shown]))
    return math.hypot(weight**-0.5, ppm_std * middle * 1e-6)


def run(count: int, seed: int) -> Iterator[dict[str, Any]]:
    """Yield one record a trial, the cases in turn, every other one right."""
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        case = CASES[(number // 2) % 3 + 1] if number % 2 else "right"
        table = plan(rng)
        commanded = STATES[int(rng.integers(4))]
        actual = commanded
        if case == "wrong state":
            actual = next(s for s in STATES if s.polarisation == commanded.polarisation and s is not commanded)
        elif case == "other polarisation":
            actual = next(s for s in STATES if s.lo_hz == commanded.lo_hz and s is not commanded)
        error, ppm = float(rng.normal(0.0, 200e3)), float(rng.normal(0.0, 1.0))
        chain = CHAIN
        measurement, shown = swept(table, actual, case == "mirrored", error, ppm, 1000 * seed + number)
        context = Context(
            lo_state=commanded.name, expected_satellite="Campaign 1", expected_polarisation=commanded.polarisation
        )
        result = identify(measurement, table, chain, context=context)
        findings = {
            f.code: f
            for f in capture_findings(measurement, table=table, chain=chain, context=context, identification=result)
        }
        fit = oscillator_of(result, [measurement], table, chain)
        right = fit is not None and fit.state.name == actual.name and len(shown) >= 5
        yield {
            "trial": number,
            "case": case,
            "verdict": result.verdict,
            "lo_error_hz": round(error),
            "found_hz": round(fit.lo_error_hz) if right and fit is not None else "",
            "std_hz": round(fit.lo_error_std_hz) if right and fit is not None else "",
            "limit_hz": round(limit_hz(shown, 1.0)) if right else "",
            "wrong_state": int("oscillator.wrong_state" in findings),
            "other_polarisation": int("polarisation.other_than_expected" in findings),
            "inverted": int("oscillator.inverted_spectrum" in findings),
            "answer": findings["oscillator.out_of_tolerance"].answer
            if "oscillator.out_of_tolerance" in findings
            else "",
            "shown": len(shown),
        }


def summary(records: list[dict[str, Any]]) -> dict[str, float]:
    """Return the figures of a campaign."""
    told = [r for r in records if r["found_hz"] != "" and r["case"] == "right"]
    error = np.array([r["found_hz"] - r["lo_error_hz"] for r in told])
    std = np.array([r["std_hz"] for r in told])
    limit = np.array([r["limit_hz"] for r in told])
    sure = [r for r in told if r["answer"] in ("yes", "no")]
    wrong = [r for r in sure if (r["answer"] == "yes") != (abs(r["lo_error_hz"]) > 500e3)]

    def share(case: str) -> float:
        mine = [r for r in records if r["case"] == case]
        return float(np.mean([r["wrong_state"] for r in mine])) if mine else math.nan

    return {
        "right": len([r for r in records if r["case"] == "right"]),
        "lo error told": len(told),
        "std over limit, median": float(np.median(std / limit)),
        "rms error over limit": float(np.sqrt(np.mean((error / limit) ** 2))),
        "coverage 95": float(np.mean(np.abs(error) <= 1.96 * std)),
        "tolerance answered": len(sure) / max(len(told), 1),
        "tolerance answered wrongly": len(wrong),
        "wrong state found": share("wrong state"),
        "other polarisation found (as wrong state)": share("other polarisation"),
        "false wrong state": sum(
            r["wrong_state"] + r["other_polarisation"] + r["inverted"] for r in records if r["case"] == "right"
        ),
        "mirrored: confirmed as if it were not": sum(
            r["case"] == "mirrored" and r["verdict"] == "confirmed" and not r["inverted"] for r in records
        ),
        "mirrored: told": float(np.mean([r["inverted"] for r in records if r["case"] == "mirrored"] or [math.nan])),
    }


def main() -> None:
    """Run the campaign and write its table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    records = list(run(count, seed))
    figures = summary(records)
    with Path(__file__).with_suffix(".csv").open("w", newline="", encoding="utf-8") as file:
        file.write(f"# sweepmuster {__version__}, seed {seed}, {count} trials\n")
        for name, value in figures.items():
            file.write(f"# {name}: {value:.4g}\n")
            sys.stdout.write(f"{name}: {value:.4g}\n")
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        writer.writerows(records)


if __name__ == "__main__":
    main()
