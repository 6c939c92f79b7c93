"""A measurement made by hand, a table and a chain; all invented."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from spectra.measure.measurement import Floor, Measurement
from spectra.plan import load_chain, load_table
from spectra.sweep import Origin, Settings, Sweep

CHAIN = """[chain]
name = "test chain"
if_min_mhz = 950
if_max_mhz = 2150

[[lo_state]]
name = "low H"
lo_mhz = 9750
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
polarisation = "H"

[[lo_state]]
name = "high H"
lo_mhz = 10600
injection = "low"
rf_min_mhz = 11700
rf_max_mhz = 12750
polarisation = "H"

[[lo_state]]
name = "upside down"
lo_mhz = 5150
injection = "high"
rf_min_mhz = 3600
rf_max_mhz = 4200
polarisation = "L"
"""
TABLE = """satellite,polarisation,rf_mhz,kind,symbol_rate_kbd,roll_off,reference_cn_db
Nimbus Test,H,10970,modulated,5000,0.2,9
Nimbus Test,H,11003,modulated,300,0.2,6
Nimbus Test,H,11600,modulated,27500,0.2,12
Stratus Test,H,11010,modulated,100,0.2,
"""


@pytest.fixture
def chain(tmp_path: Path):
    path = tmp_path / "chain.toml"
    path.write_text(CHAIN, encoding="utf-8")
    return load_chain(path)


@pytest.fixture
def table(tmp_path: Path):
    path = tmp_path / "table.csv"
    path.write_text(TABLE, encoding="utf-8")
    return load_table(path)


@pytest.fixture
def make_measurement() -> Callable[..., Measurement]:
    def make(
        start_hz: float = 1200e6,
        stop_hz: float = 1300e6,
        points: int = 1001,
        rbw_hz: float | None = 1e5,
        density_dbm_hz: float | None = -140.0,
        readings: float | None = 100.0,
        file: str = "noon.csv",
        **settings,
    ) -> Measurement:
        frequency = np.linspace(start_hz, stop_hz, points)
        level = np.full(points, -90.0)
        sweep = Sweep(frequency, level, Settings(rbw_hz=rbw_hz, **{"detector": "rms", **settings}), Origin(file=file))
        floor = Floor(-90.0, density_dbm_hz, 0.05, 0.0, level, np.full(points, 0.1), np.ones(points, bool))
        return Measurement(sweep, floor, (), readings, 1.0, 1.4, level)

    return make
