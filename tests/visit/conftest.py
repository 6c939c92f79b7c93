"""A visit in a folder, all invented: sweeps drawn from the gamma law of an RMS average of noise and carriers."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from spectra.signal.raised_cosine import raised_cosine

CARRIERS = ((10970.0, 5e6, 0.2), (10985.0, 8e6, 0.2), (11003.0, 3e6, 0.35), (11015.5, 6e6, 0.25), (11030.0, 4.5e6, 0.2))
TABLE = """satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd,roll_off,service,network_id
Nimbus Test,10.0,H,10970.0,5000,0.2,,
Nimbus Test,10.0,H,10985.0,8000,0.2,yes,N7
Nimbus Test,10.0,H,11003.0,3000,0.35,,
Nimbus Test,10.0,H,11015.5,6000,0.25,,
Nimbus Test,10.0,H,11030.0,4500,0.2,,
Stratus Test,13.0,H,10966.0,6000,0.2,,
Stratus Test,13.0,H,10981.0,5000,0.2,,
Stratus Test,13.0,H,10999.5,9000,0.25,,
Stratus Test,13.0,H,11022.0,3000,0.35,,
Stratus Test,13.0,V,10975.0,5000,0.2,,
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


def sweep_text(
    lo_error_hz=150e3, seed=3, start_hz=1.21e9, stop_hz=1.29e9, points=801, carriers=CARRIERS, cn_db=12.0
) -> str:
    """Return a sweep of the first satellite of TABLE as CSV text: RMS, 40 readings a point."""
    f = np.linspace(start_hz, stop_hz, points)
    power = np.ones(points)
    for rf_mhz, rate, roll_off in carriers:
        centre = rf_mhz * 1e6 - 9.75e9 - lo_error_hz
        power += 10 ** (cn_db / 10) * raised_cosine((f - centre) / rate, roll_off)
    power *= np.random.default_rng(seed).gamma(40.0, 1 / 40.0, points)
    level = -90.0 + 10 * np.log10(power)
    rows = "\n".join(f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(f, level, strict=True))
    return f"RBW,100,kHz\nDetector,RMS\nAverages,4\nFrequency (Hz),Level (dBm)\n{rows}\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """One sweep that shows the wanted satellite, its sidecar, table and chain."""
    root = tmp_path / "stick"
    root.mkdir()
    (root / "carriers.csv").write_text(TABLE, encoding="utf-8")
    (root / "chain.toml").write_text(CHAIN, encoding="utf-8")
    (root / "noon.csv").write_text(sweep_text(), encoding="utf-8")
    (root / "noon.csv.toml").write_text(
        'captured_at = 2026-03-14T12:00:00Z\nlo_state = "low"\nexpected_satellite = "Nimbus Test"\n'
        'vessel = "Example"\n',
        encoding="utf-8",
    )
    return root


@pytest.fixture
def more_sweeps(folder: Path) -> Callable[..., Path]:
    """Write another sweep with its sidecar into the folder."""

    def write(name: str, sidecar: str = "", **options) -> Path:
        path = folder / name
        path.write_text(sweep_text(**options), encoding="utf-8")
        if sidecar:
            path.with_name(name + ".toml").write_text(sidecar, encoding="utf-8")
        return path

    return write
