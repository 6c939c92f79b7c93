"""The oscillator from simulated sweeps: LO error against its bound, wrong states, mirrored spectra, other polarisation.

A plan of up to 36 carriers is drawn for every trial and swept by the simulator; the sweep is measured, identified, and
the rules of one capture run. In the first part every other trial is a wrong one and the analyser stands as it usually
does; in the second part all are right, and the analyser's settings are drawn too. As a script it writes
`findings_oscillator.csv` beside itself, and goes on where a table of the same seed stops:
``python tests/campaigns/findings_oscillator.py [trials] [seed] [wrong ones]``.

LO error: the limit is that of the matched carriers, (sum of 1/std^2)^-1/2 with the uncertainties that the Cramer-Rao
bound gives each (`spectra.signal.bounds`), and the table's rounding.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
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
    "inverted", "answer", "shown", "rbw_hz", "points", "readings", "mode",
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


@dataclass(frozen=True)
class Setting:
    """How the analyser stands."""

    rbw_hz: float = RBW
    points: int = POINTS
    averages: int = 10
    readings: int = 3
    mode: Any = "fast"


def drawn_setting(rng: np.random.Generator) -> Setting:
    """Return a setting between half and five points a resolution bandwidth, from one reading a point to a thousand."""
    points = int(rng.choice([401, 601, 801, 1001, 1601]))
    rbw = float(rng.choice([300e3, 500e3, 1e6, 2e6, 3e6]))
    while not 0.5 <= rbw / ((STOP - START) / (points - 1)) <= 5.0:
        rbw = float(rng.choice([300e3, 500e3, 1e6, 2e6, 3e6]))
    averages, readings = int(rng.choice([1, 5, 20, 100])), int(rng.choice([3, 10]))
    return Setting(rbw, points, averages, readings, str(rng.choice(["fast", "slow"])))


def swept(
    table: CarrierTable,
    state: LoState,
    mirrored: bool,
    lo_error_hz: float,
    ppm: float,
    seed: int,
    setting: Setting = Setting(),
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
    analyser = Analyser(
        START,
        STOP,
        setting.points,
        setting.rbw_hz,
        averages=setting.averages,
        readings=setting.readings,
        reference_ppm=ppm,
        mode=setting.mode,
    )
    return measure(sweep_spectrum(Spectrum(DENSITY, emissions=tuple(emissions)), analyser, seed)), shown


def limit_hz(shown: Any, ppm_std: float, setting: Setting) -> float:
    """Return the least standard uncertainty of the LO error from these carriers."""
    f = np.linspace(START, STOP, setting.points)
    correlated = max(1.0, 1.41 * 1.0645 * setting.rbw_hz / (f[1] - f[0])) if setting.mode == "fast" else 1.0
    found = carrier_bounds(f, shown, setting.rbw_hz, setting.averages * setting.readings / correlated)
    weight = sum(1.0 / (one["centre_hz"] ** 2 + (10e3**2) / 12.0) for one in found)
    middle = float(np.mean([one[0] for one in shown]))
    return math.hypot(weight**-0.5, ppm_std * middle * 1e-6)


def run(count: int, seed: int, wrong: int | None = None, first: int = 0) -> Iterator[dict[str, Any]]:
    """Yield one record a trial, the cases in turn, every other one right until all wrong ones have been."""
    for number in range(first, count):
        rng = np.random.default_rng((seed, number))
        alternating = wrong is None or number < 2 * wrong
        case = CASES[(number // 2) % 3 + 1] if number % 2 and alternating else "right"
        setting = Setting() if alternating else drawn_setting(np.random.default_rng((seed, number, 1)))
        table = plan(rng)
        commanded = STATES[int(rng.integers(4))]
        actual = commanded
        if case == "wrong state":
            actual = next(s for s in STATES if s.polarisation == commanded.polarisation and s is not commanded)
        elif case == "other polarisation":
            actual = next(s for s in STATES if s.lo_hz == commanded.lo_hz and s is not commanded)
        error, ppm = float(rng.normal(0.0, 200e3)), float(rng.normal(0.0, 1.0))
        chain = CHAIN
        measurement, shown = swept(table, actual, case == "mirrored", error, ppm, 1000 * seed + number, setting)
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
            "limit_hz": round(limit_hz(shown, 1.0, setting)) if right else "",
            "wrong_state": int("oscillator.wrong_state" in findings),
            "other_polarisation": int("polarisation.other_than_expected" in findings),
            "inverted": int("oscillator.inverted_spectrum" in findings),
            "answer": findings["oscillator.out_of_tolerance"].answer
            if "oscillator.out_of_tolerance" in findings
            else "",
            "shown": len(shown),
            "rbw_hz": round(setting.rbw_hz),
            "points": setting.points,
            "readings": setting.averages * setting.readings,
            "mode": setting.mode,
        }


def summary(records: list[dict[str, Any]]) -> dict[str, float]:
    """Return the figures of a campaign; states and sides of sweeps with five listed carriers or more."""
    told = [r for r in records if r["found_hz"] != "" and r["case"] == "right"]
    error = np.array([float(r["found_hz"]) - float(r["lo_error_hz"]) for r in told])
    std = np.array([float(r["std_hz"]) for r in told])
    limit = np.array([float(r["limit_hz"]) for r in told])
    drawn = np.array([(int(r["rbw_hz"]), int(r["points"]), int(r["readings"])) != (RBW, POINTS, 30) for r in told])
    sure = [r for r in told if r["answer"] in ("yes", "no")]
    wrong = [r for r in sure if (r["answer"] == "yes") != (abs(float(r["lo_error_hz"])) > 500e3)]
    many = [r for r in records if int(r["shown"]) >= 5]

    def share(case: str, flag: str) -> float:
        mine = [r for r in many if r["case"] == case]
        return float(np.mean([int(r[flag]) for r in mine])) if mine else math.nan

    def covered(mine: Any) -> float:
        return float(np.mean(np.abs(error[mine]) <= 1.96 * std[mine])) if mine.any() else math.nan

    return {
        "right": len([r for r in records if r["case"] == "right"]),
        "lo error told": len(told),
        "std over limit, median": float(np.median(std / limit)),
        "std over limit, 95 % of trials": float(np.quantile(std / limit, 0.95)),
        "rms error over limit": float(np.sqrt(np.mean((error / limit) ** 2))),
        "coverage 95": covered(np.ones(len(told), dtype=bool)),
        "coverage 95, usual setting": covered(~drawn),
        "coverage 95, drawn settings": covered(drawn),
        "tolerance answered": len(sure) / max(len(told), 1),
        "tolerance answered wrongly": len(wrong),
        "wrong ones of each kind": len([r for r in many if r["case"] == "wrong state"]),
        "wrong state found": share("wrong state", "wrong_state"),
        "other polarisation found (as wrong state)": share("other polarisation", "wrong_state"),
        "mirrored: told": share("mirrored", "inverted"),
        "false claims of any, right ones": sum(
            int(r["wrong_state"]) + int(r["other_polarisation"]) + int(r["inverted"])
            for r in records
            if r["case"] == "right"
        ),
        "mirrored: confirmed as if it were not": sum(
            r["case"] == "mirrored" and r["verdict"] == "confirmed" and not int(r["inverted"]) for r in records
        ),
    }


def standing(path: Path, head: str) -> list[dict[str, Any]]:
    """Return the records of a table that stands there, of the same version, seed and plan."""
    if not path.exists():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    if not lines or lines[0].rpartition(",")[0] != head.rpartition(",")[0]:
        return []
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def main() -> None:
    """Run the campaign and write its table, trial by trial."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2966
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    wrong = int(sys.argv[3]) if len(sys.argv) > 3 else 966
    path = Path(__file__).with_suffix(".csv")
    head = f"# sweepmuster {__version__}, seed {seed}, {wrong} wrong ones, {count} trials"
    records = standing(path, head)[:count]
    for record in run(count, seed, wrong, len(records)):
        records.append(record)
        if len(records) % 50 == 0:
            write(path, head, records)
    write(path, head, records)
    for name, value in summary(records).items():
        sys.stdout.write(f"{name}: {value:.4g}\n")


def write(path: Path, head: str, records: list[dict[str, Any]]) -> None:
    """Write the table as far as it has come."""
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(head + "\n")
        for name, value in summary(records).items():
            file.write(f"# {name}: {value:.4g}\n")
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        writer.writerows(records)


if __name__ == "__main__":
    main()
