"""Import of the open DVB scan-file text. No satellite of the installed files is named here."""

import re

import numpy as np
import pytest

from spectra.errors import TableError
from spectra.plan import check_rows, import_scan_file, load_scan_folder, load_table, save_table
from spectra.plan.scanfile import satellite_of_name

BLOCKS = """# Kittiwake 2, 13.5E
# freq pol sr fec

# first multiplex
[CHANNEL]
\tDELIVERY_SYSTEM = DVBS2
\tFREQUENCY = 11720000
\tPOLARIZATION = HORIZONTAL
\tSYMBOL_RATE = 27500000
\tINNER_FEC = 3/4
\tROLLOFF = 20
\tMODULATION = PSK/8
\tINVERSION = AUTO

[CHANNEL]
\tDELIVERY_SYSTEM = DVBS
\tFREQUENCY = 11727480
\tPOLARIZATION = LEFT
\tSYMBOL_RATE = 4167000
\tINNER_FEC = AUTO
\tINVERSION = AUTO
"""
LINES = """# Kittiwake 2
S 12551500 V 22000000 5/6
S2 11720000 H 27500000 3/4 20 8PSK
S1 3920000 R 3000000 AUTO
"""


def test_blocks():
    table = import_scan_file(BLOCKS, satellite="Kittiwake 2", orbital_longitude_deg=13.5)
    first, second = table
    assert (first.satellite, first.orbital_longitude_deg, first.line) == ("Kittiwake 2", 13.5, 5)
    assert (first.rf_hz, first.rf_step_hz, first.polarisation) == (11720e6, 1e6, "H")
    assert (first.symbol_rate_bd, first.roll_off, first.modulation, first.code_rate) == (27.5e6, 0.2, "8PSK", "3/4")
    assert first.remark == "first multiplex"
    assert dict(first.extra) == {"delivery_system": "DVB-S2"}
    assert (second.rf_hz, second.rf_step_hz, second.polarisation) == (11727.48e6, 1e4, "L")
    # DVB-S has the one roll-off 0.35 and QPSK: EN 300 421 clause 4.5 (from memory)
    assert (second.roll_off, second.modulation, second.code_rate) == (0.35, "QPSK", None)
    assert second.remark is None
    assert table.warnings == ()


def test_lines():
    rows = list(import_scan_file(LINES, satellite="Kittiwake 2"))
    assert [(row.line, row.rf_hz, row.polarisation, row.symbol_rate_bd, row.code_rate) for row in rows] == [
        (2, 12551.5e6, "V", 22e6, "5/6"),
        (3, 11720e6, "H", 27.5e6, "3/4"),
        (4, 3920e6, "R", 3e6, None),
    ]
    assert [row.roll_off for row in rows] == [0.35, 0.2, 0.35]
    assert rows[1].modulation == "8PSK"


def test_streams_of_one_carrier_are_one_row():
    block = BLOCKS.split("\n\n")[1]
    text = "\n\n".join(f"{block}\n\tSTREAM_ID = {number}" for number in (1, 2, 3))
    table = import_scan_file(text, satellite="Kittiwake 2")
    assert len(table) == 1
    assert dict(table.row(0).extra)["stream_id"] == "1 + 2 + 3"


@pytest.mark.parametrize(
    ("old", "new", "key", "count"),
    [
        ("FREQUENCY = 11720000", "FREQUENCY = 11720", "FREQUENCY", 2),
        ("SYMBOL_RATE = 27500000", "SYMBOL_RATE = 27500", "SYMBOL_RATE", 2),
        ("POLARIZATION = HORIZONTAL", "POLARIZATION = OFF", "POLARIZATION", 1),
        ("DELIVERY_SYSTEM = DVBS2", "DELIVERY_SYSTEM = DVBT", "DELIVERY_SYSTEM", 1),
        ("FREQUENCY = 11720000", "FREQUENCY = 0", "FREQUENCY", 1),
        ("\tSYMBOL_RATE = 27500000\n", "", "SYMBOL_RATE", 1),
    ],
)
def test_entries_that_are_odd_are_told(old, new, key, count):
    table = import_scan_file(BLOCKS.replace(old, new, 1), satellite="Kittiwake 2")
    (warning,) = table.warnings
    assert (warning.line, warning.column) == (5, key)
    assert len(table) == count
    if count == 2:
        assert (table.rf_hz[0], table.symbol_rate_bd[0]) == (11720e6, 27.5e6)


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("Kittiwake-2-13.5E", ("Kittiwake-2", 13.5)),
        ("Kittiwake2_C-105.0W", ("Kittiwake2_C", -105.0)),
        ("Skua5_5.0W", ("Skua5", -5.0)),
        ("Tern-3-16E", ("Tern-3", 16.0)),
        ("Tern-3-16E.conf", ("Tern-3", 16.0)),
        ("Tern", ("Tern", None)),
        ("Tern.conf", ("Tern", None)),
    ],
)
def test_satellite_and_longitude_from_the_name(name, meant):
    assert satellite_of_name(name) == meant


def test_what_is_given_wins_over_the_name(tmp_path):
    path = tmp_path / "Kittiwake-2-13.5E"
    path.write_text(BLOCKS, encoding="utf-8")
    assert import_scan_file(path).row(0).orbital_longitude_deg == 13.5
    row = import_scan_file(path, satellite="Skua", orbital_longitude_deg=-1.0).row(0)
    assert (row.satellite, row.orbital_longitude_deg) == ("Skua", -1.0)


def test_folder_parts_and_joins_equal_names(tmp_path):
    for name, text in {
        "Kittiwake-2-13.5E": BLOCKS,
        "Kittiwake-2-13.6E": BLOCKS.replace("11720000", "11740000"),
        "Kittiwake-2-40.0W": LINES,
        "Skua-7.0W": LINES,
        "readme": "no scan file",
    }.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    table = load_scan_folder(tmp_path)
    satellites = {(one.satellite, one.orbital_longitude_deg) for one in table.lists}
    assert {name for name, _ in satellites} == {"Kittiwake-2 (13.5E)", "Kittiwake-2 (40W)", "Skua"}
    east = table.take(table.text["satellite"] == "Kittiwake-2 (13.5E)")
    assert sorted(east.rf_hz.tolist()) == [11720e6, 11727.48e6, 11740e6]  # the second file's own carrier is added
    assert table.line.tolist() == list(range(2, len(table) + 2))
    assert dict(east.row(0).extra)["source"] == "Kittiwake-2-13.5E:5"


def test_what_is_no_scan_file(tmp_path):
    with pytest.raises(TableError, match="no carrier"):
        import_scan_file("hello\nworld\n", satellite="Kittiwake 2")
    with pytest.raises(TableError, match="no satellite"):
        import_scan_file(BLOCKS)
    with pytest.raises(TableError):
        import_scan_file(tmp_path / "none-1.0E")
    with pytest.raises(TableError, match="no scan file"):
        load_scan_folder(tmp_path)


def test_all_installed_satellites_as_one_table(scan_folder, tmp_path):
    """Outside check: what is imported agrees with a plain count of the keys in the files."""
    names = [path for path in scan_folder.iterdir() if re.search(r"[-_]\d+(\.\d+)?[EW]$", path.name)]
    entries, exact = 0, set()
    for path in names:
        text = path.read_text(encoding="utf-8")
        entries += text.count("DELIVERY_SYSTEM =")
        exact |= {int(value) for value in re.findall(r"FREQUENCY = (\d{7,8})$", text, flags=re.MULTILINE)}
    table = load_scan_folder(scan_folder)
    assert len(names) >= 100
    assert 0.9 * entries < len(table) <= entries  # streams and repeats of one carrier are joined
    assert exact <= {round(value / 1e3) for value in table.rf_hz.tolist()}
    assert len({one.satellite for one in table.lists}) > 0.9 * len(names)
    assert np.isfinite(table.symbol_rate_bd).all()
    assert np.mean(table.rf_step_hz == 1e6) > 0.95
    assert len(table.warnings) < 10
    save_table(table, tmp_path / "all.csv")
    again = load_table(tmp_path / "all.csv")
    assert again.sha256 == table.sha256
    codes = {problem.code for problem in check_rows(table)}
    assert codes <= {"table.overlap", "table.contradiction", "table.name_spelling", "table.longitudes"}
