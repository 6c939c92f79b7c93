"""A small table, chain and scene in a folder, shared by the tests of scenes and layouts."""

import pytest

CHAIN = """
[chain]
name = "bench"
if_min_mhz = 950
if_max_mhz = 2150

[[lo_state]]
name = "one V"
lo_mhz = 9750
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
polarisation = "V"

[[lo_state]]
name = "two H"
lo_mhz = 10600
injection = "low"
rf_min_mhz = 11550
rf_max_mhz = 12750
polarisation = "H"
"""

TABLE = """satellite,orbital_longitude_deg,polarisation,rf_mhz,kind,symbol_rate_kbd,roll_off,reference_cn_db
Alder,10.0,V,10950,modulated,20000,0.2,11
Alder,10.0,V,11000,cw,,,
Alder,10.0,H,10980,modulated,5000,0.25,9
Birch,13.0,V,11020,modulated,8000,0.35,12
"""

SCENE = """
[scene]
name = "bench"
seed = 9
table = "carriers.csv"
chain = "chain.toml"

[sky]
satellite = "Alder"
leakage_db = 20

[receive]
lo_state = "one V"
lo_error_khz = 250
density_dbm_hz = -140

[context]
vessel = "Test bed"

[analyser.wide]
start_mhz = 1150
stop_mhz = 1300
points = 301
rbw_khz = 500
averages = 4
readings = 5

[[sweep]]
file = "wide.csv"
analyser = "wide"
captured_at = 2026-05-04T10:00:00Z
port = "co"
"""


@pytest.fixture
def scene_file(tmp_path):
    """Write table, chain and a scene made of SCENE (edited by the keyword `edit`), return the scene's path."""
    (tmp_path / "carriers.csv").write_text(TABLE, encoding="utf-8")
    (tmp_path / "chain.toml").write_text(CHAIN, encoding="utf-8")

    def make(old="", new="", more=""):
        assert old in SCENE
        path = tmp_path / "scene.toml"
        path.write_text(SCENE.replace(old, new, 1) + more, encoding="utf-8")
        return path

    return make
