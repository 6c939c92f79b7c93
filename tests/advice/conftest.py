"""Table and chain of an invented terminal."""

from collections.abc import Callable
from pathlib import Path

import pytest

from spectra.plan import load_chain, load_table
from spectra.plan.chain import ReceiveChain
from spectra.plan.table import CarrierTable

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
supply_v = 18
tone_22khz = false
tolerance_khz = 1000

[[lo_state]]
name = "upside down"
lo_mhz = 13000
injection = "high"
rf_min_mhz = 11200
rf_max_mhz = 11700
polarisation = "V"
"""
ROWS = """Nimbus Test,H,10970,modulated,5000,,0.2,9
Nimbus Test,H,11003,modulated,300,,0.2,
Nimbus Test,H,11100,modulated,,36000,0.2,12
Nimbus Test,H,11300,modulated,27500,,0.2,-6
Nimbus Test,H,11450,cw,,,,
Nimbus Test,V,11300,modulated,5000,,0.2,9
Stratus Test,H,12300,modulated,5000,,0.2,9
"""


@pytest.fixture
def chain(tmp_path: Path) -> ReceiveChain:
    path = tmp_path / "chain.toml"
    path.write_text(CHAIN, encoding="utf-8")
    return load_chain(path)


@pytest.fixture
def make_table(tmp_path: Path) -> Callable[[str], CarrierTable]:
    def make(rows: str = ROWS) -> CarrierTable:
        path = tmp_path / "table.csv"
        head = "satellite,polarisation,rf_mhz,kind,symbol_rate_kbd,bandwidth_khz,roll_off,reference_cn_db\n"
        path.write_text(head + rows, encoding="utf-8")
        return load_table(path)

    return make
