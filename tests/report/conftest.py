"""A visit of three captures, judged without measuring: what the reports are made of. All invented."""

import dataclasses
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from spectra.capture import Context
from spectra.finding import Evidence, Finding, step
from spectra.findings.comparison import Common, Comparison, Pair, Polarisation
from spectra.identify.identification import Candidate, Expected, Identification, RollCallEntry
from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.plan import load_chain, load_table
from spectra.readers import load_capture
from spectra.visit import CaptureReview, Limits, Visit, VisitCapture, VisitHead, VisitReview, judge

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
TABLE = """satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd,service
Nimbus Test,10.0,H,10970.0,5000,yes
Nimbus Test,10.0,H,10985.0,8000,
Nimbus Test,10.0,H,11500.0,8000,
"""
CHAIN = """[chain]
name = "test chain"
if_min_mhz = 1210
if_max_mhz = 1290

[[lo_state]]
name = "low"
lo_mhz = 9750
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
tolerance_khz = 1000
"""
FAULT = Finding(
    "line.no_supply",
    "fault",
    "No supply reaches the LNB",
    "The floor is the analyser's own.",
    evidence=(Evidence("floor", -110.0, 0.3, "dBm", -100.0), Evidence("width", 2.5e5, None, "Hz")),
    next_steps=(step("Check the supply of the LNB."),),
)


def written_sweep(folder: Path, name: str, seed: int, points: int = 401) -> Path:
    f = np.linspace(1.21e9, 1.29e9, points)
    level = -90.0 + np.random.default_rng(seed).normal(0.0, 0.5, points)
    rows = "\n".join(f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(f, level, strict=True))
    path = folder / name
    path.write_text(f"RBW,100,kHz\nDetector,RMS\nFrequency (Hz),Level (dBm)\n{rows}\n", encoding="utf-8")
    return path


def reviewed(path: Path, minutes: int = 0, findings=(), identified=True, **context) -> CaptureReview:
    capture = load_capture(path)
    sweep = capture.sweeps[0]
    n = sweep.points
    floor = Floor(-90.0, -140.0, 0.1, 2.0, np.full(n, -90.0), np.full(n, 0.1), np.ones(n, bool))
    carriers = (
        Carrier(
            "modulated",
            1.2198e9,
            2e3,
            5e6,
            2e4,
            0.2,
            0.03,
            5.4e6,
            3e4,
            power_dbm=-70.0,
            power_std_db=0.1,
            cn_db=12.0,
            cn_std_db=0.2,
        ),
        Carrier("cw", 1.25e9, 5e2, power_dbm=-80.0, power_std_db=0.4, flags=("shares_edge",)),
    )
    measurement = Measurement(sweep, floor, carriers, 40.0, 1.0, 1.0, np.full(n, -90.0))
    identification = None
    if identified:
        best = Candidate("Nimbus Test", 10.0, None, "H", "low", "low", -2e5, 4e3, 1.25e9, 2e5, 4e3, matched=1)
        best = dataclasses.replace(best, log10_odds_none=14.0, log10_odds_next=6.5)
        rows = (
            RollCallEntry(2, 10970.0, 1.2198e9, "present", 1.2198e9, 100.0, 12.0, "found where listed", 0),
            RollCallEntry(3, 10985.0, 1.2348e9, "absent", why="should have shown"),
            RollCallEntry(4, 11500.0, None, "not visible", why="outside the span"),
        )
        identification = Identification(
            *("confirmed", best, False, Expected("Nimbus Test", "H"), (best, best), rows, ((0, carriers[1]),), ()),
            *("carriers.csv", "a" * 64, 3, "test chain"),
            sentence="Confirmed: Nimbus Test.",
        )
    told = {"captured_at": NOON + timedelta(minutes=minutes), "lo_state": "low", "expected_satellite": "Nimbus Test"}
    source = VisitCapture(dataclasses.replace(capture, context=Context(**{**told, **context}), name=path.name), (path,))
    return CaptureReview(source, (measurement,), identification, tuple(findings))


def review_in(
    folder: Path, *, head: VisitHead | None = None, names=("co.csv", "cross.csv", "off.csv"), **options
) -> VisitReview:
    (folder / "carriers.csv").write_text(TABLE, encoding="utf-8")
    (folder / "chain.toml").write_text(CHAIN, encoding="utf-8")
    co, cross, off = (written_sweep(folder, name, k, options.get("points", 401)) for k, name in enumerate(names))
    captures = (
        reviewed(co, port="co", findings=options.get("findings", ()), remark=options.get("remark")),
        reviewed(cross, 5, port="cross"),
        reviewed(off, 9, role="off_satellite", identified=False),
    )
    visit = Visit(
        folder,
        head or VisitHead(vessel="Example", terminal="A"),
        tuple(c.source for c in captures),
        load_table(folder / "carriers.csv"),
        load_chain(folder / "chain.toml"),
        Limits(stated=True, isolation_min_db=20.0),
        attachments=options.get("attachments", ()),
        table_path=folder / "carriers.csv",
        chain_path=folder / "chain.toml",
    )
    review = judge(visit, captures)
    pairs = (Pair(1.22e9, 1.22e9, isolation_db=24.0, isolation_std_db=0.5),)
    whole = Polarisation(24.0, 0.5)
    pair = Comparison("polarisation", (co.name, cross.name), pairs, Common(), (), whole)
    return dataclasses.replace(review, comparisons=(pair,))


@pytest.fixture
def make_review():
    return review_in


@pytest.fixture
def fault() -> Finding:
    return FAULT


@pytest.fixture
def review(tmp_path: Path) -> VisitReview:
    folder = tmp_path / "stick"
    folder.mkdir()
    return review_in(folder)
