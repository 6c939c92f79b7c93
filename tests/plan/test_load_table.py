"""Tables as spreadsheets leave them: encodings, delimiters, decimal marks, headers, printed digits."""

import shutil
import subprocess

import numpy as np
import pandas as pd
import pytest

from spectra.errors import TableError
from spectra.plan import CarrierTable, load_table, save_table

PLAIN = """\
satellite,orbital_longitude_deg,beam,polarisation,rf_mhz,symbol_rate_kbd,bandwidth_khz,roll_off,service,remark
Kittiwake 2,13.5,Spot A,H,11720.5,27500,33000,0.2,yes,first
Möwe 1,-5,,V,11740,2200.125,,0.35,,second
"""
SEMICOLON = PLAIN.replace(",", ";").replace(".", ",")


def test_values_in_inner_units(csv_file):
    table = load_table(csv_file(PLAIN))
    row = table.row(0)
    assert (row.line, row.satellite, row.beam, row.polarisation) == (2, "Kittiwake 2", "Spot A", "H")
    assert (row.rf_hz, row.symbol_rate_bd, row.bandwidth_hz) == (11720.5e6, 27.5e6, 33e6)
    assert (row.orbital_longitude_deg, row.roll_off, row.service, row.remark) == (13.5, 0.2, True, "first")
    second = table.row(1)
    assert second.symbol_rate_bd == 2200125.0
    assert second.beam is None and second.bandwidth_hz is None and second.service is False
    assert table.warnings == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("text", [PLAIN, SEMICOLON, PLAIN.replace(",", "\t")], ids=["comma", "semicolon", "tab"])
def test_every_spreadsheet_dialect_gives_the_same_table(csv_file, encoding, newline, text):
    table = load_table(csv_file(text, encoding=encoding, newline=newline))
    assert table.sha256 == load_table(csv_file(PLAIN, name="other.csv")).sha256
    assert table.text["satellite"].tolist() == ["Kittiwake 2", "Möwe 1"]
    assert table.rf_hz.tolist() == [11720.5e6, 11740e6]
    assert table.line.tolist() == [2, 3]


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "sep=,\n" + text,
        lambda text: text.replace("rf_mhz", " RF (MHz) ").replace("roll_off", "Roll-off"),
        lambda text: text.replace("polarisation", "Polarization").replace("satellite,", "SATELLITE,"),
        lambda text: text.replace("11720.5", "11720.50").replace(",0.2,", ",0.200,"),
        lambda text: text.replace("\n", ",,\n").replace("remark,,", "remark,,", 1),
        lambda text: text + ",,,,,,,,,\n\n",
        lambda text: '"' + text.replace("\n", '"\n"').replace(",", '","')[:-1],
        lambda text: text.replace("second", "'second").replace("'second", "second"),
    ],
    ids=["sep line", "brackets", "spelling", "zeros", "empty columns", "empty rows", "all quoted", "as is"],
)
def test_hash_ignores_what_a_spreadsheet_changes(csv_file, change):
    assert load_table(csv_file(change(PLAIN))).sha256 == load_table(csv_file(PLAIN, name="other.csv")).sha256


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("11740", "11741"),
        ("second", "seconds"),
        (",V,", ",H,"),
        (",yes,", ",,"),
        ("0.35", "0.25"),
        ("Spot A", "Spot B"),
    ],
)
def test_hash_covers_every_value(csv_file, old, new):
    assert load_table(csv_file(PLAIN.replace(old, new))).sha256 != load_table(csv_file(PLAIN, name="o.csv")).sha256


def test_hash_covers_the_order_of_rows_and_unknown_columns(csv_file):
    head, first, second, _ = PLAIN.split("\n")
    plain = load_table(csv_file(PLAIN, name="a.csv")).sha256
    assert load_table(csv_file("\n".join([head, second, first]), name="b.csv")).sha256 != plain
    more = load_table(csv_file(f"{head},mine\n{first},7\n{second},\n", name="c.csv"))
    assert more.sha256 != plain
    assert more.unknown_columns == ("mine",)
    assert more.text["mine"].tolist() == ["7", ""]
    assert more.row(0).extra == (("mine", "7"),)


def test_column_order_is_free(csv_file):
    head, *rows = [line.split(",") for line in PLAIN.strip().split("\n")]
    order = np.random.default_rng(3).permutation(len(head))
    shuffled = "\n".join(",".join(row[k] for k in order) for row in [head, *rows])
    assert load_table(csv_file(shuffled)).sha256 == load_table(csv_file(PLAIN, name="other.csv")).sha256


@pytest.mark.parametrize(
    ("cells", "steps"),
    [
        (["11720", "11720.5"], [1e6, 1e5]),
        (["11720.50", "11720.500"], [1e4, 1e3]),
        (["11720.0", "11740.5"], [1e5, 1e5]),
        (["11720.0", "11740.0"], [1e6, 1e6]),  # how programs print whole numbers: the zero says nothing
        (["11720.000", "11740.000"], [1e3, 1e3]),
        (["1.17205E+04", "11 740"], [1e5, 1e6]),
    ],
)
def test_rounding_step_from_printed_digits(csv_file, cells, steps):
    rows = "".join(f"Kittiwake 2,H,{cell}\n" for cell in cells)
    assert load_table(csv_file("satellite,polarisation,rf_mhz\n" + rows)).rf_step_hz.tolist() == steps


def test_zeros_that_say_nothing_are_told(csv_file):
    head = "satellite,polarisation,rf_mhz"
    (warning,) = load_table(csv_file(f"{head}\nKittiwake 2,H,11720.0\nKittiwake 2,H,11740.0\n")).warnings
    assert (warning.line, warning.column) == (2, "rf_mhz")
    stated = load_table(csv_file(f"{head},rf_step_khz\nKittiwake 2,H,11720.0,1\n", name="b.csv"))
    assert stated.warnings == () and stated.rf_step_hz.tolist() == [1e3]


def test_rounding_step_stated(csv_file):
    text = "satellite;polarisation;rf_mhz;rf_step_khz\nKittiwake 2;H;11720;0,5\nKittiwake 2;H;11730;\n"
    table = load_table(csv_file(text))
    assert table.rf_step_hz.tolist() == [500.0, 1e6]
    assert table.unknown_columns == ()


@pytest.mark.parametrize(
    ("header", "cell", "rf_hz", "step_hz"),
    [
        ("rf_ghz", "11.7205", 11720.5e6, 1e5),
        ("rf_khz", "11720500", 11720.5e6, 1e3),
        ("RF [Hz]", "11720500000", 11720.5e6, 1.0),
    ],
)
def test_other_units_in_the_header(csv_file, header, cell, rf_hz, step_hz):
    table = load_table(csv_file(f"satellite,polarisation,{header},symbol_rate_mbd\nKittiwake 2,H,{cell},27.5\n"))
    assert table.rf_hz.tolist() == [rf_hz]
    assert table.rf_step_hz.tolist() == [step_hz]
    assert table.symbol_rate_bd.tolist() == [27.5e6]


def test_cell_over_lines_keeps_the_line_numbers(csv_file):
    text = 'satellite,polarisation,rf_mhz,remark\nKittiwake 2,H,11720,"one\ntwo"\n\nKittiwake 2,V,11740,x\n'
    table = load_table(csv_file(text))
    assert table.line.tolist() == [2, 5]
    assert table.text["remark"].tolist() == ["one\ntwo", "x"]


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("h", "H"),
        ("Horizontal", "H"),
        ("vert", "V"),
        ("LHCP", "L"),
        ("right-hand circular", "R"),
        ("linear vertical", "V"),
    ],
)
def test_polarisation_words_are_understood_and_told(csv_file, word, meant):
    table = load_table(csv_file(f"satellite,polarisation,rf_mhz\nKittiwake 2,{word},11720\n"))
    assert table.text["polarisation"].tolist() == [meant]
    assert len(table.warnings) == (0 if word.upper() == meant else 1)


def test_warnings_of_one_kind_are_told_once(csv_file):
    table = load_table(csv_file("satellite,polarisation,rf_mhz\n" + "Kittiwake 2,vertical,11720\n" * 50))
    (warning,) = table.warnings
    assert warning.line == 2
    assert "49 more lines" in warning.found


@pytest.mark.parametrize(
    "cell",
    ["04-Mar", "3-Apr", "04. Mrz", "4. März", "Mar-04", "2026-03-04", "2026/03/04", "4/3/2026", "03.04.2026", "46085"],
)
def test_code_rate_that_a_spreadsheet_took_for_a_date(csv_file, cell):
    """3/4 as spreadsheets of several countries save it (seen with Gnumeric 1.12: 2026/03/04; others from memory)."""
    table = load_table(csv_file(f"satellite,polarisation,rf_mhz,code_rate\nKittiwake 2,H,11720,{cell}\n"))
    assert table.text["code_rate"].tolist() == ["3/4"]
    assert "date" in table.warnings[0].mend


@pytest.mark.parametrize(
    ("cell", "iso", "told"),
    [
        ("2026-01-05", "2026-01-05", False),
        ("2026/01/05", "2026-01-05", False),
        ("2026-01-05T12:00Z", "2026-01-05T12:00:00Z", False),
        ("2026/01/05 12:00:00", "2026-01-05T12:00:00Z", False),
        ("2026-01-05T13:00:00+01:00", "2026-01-05T12:00:00Z", False),
        ("5.1.2026", "2026-01-05", True),
        ("25/1/2026", "2026-01-25", True),
        ("1/25/2026", "2026-01-25", True),
        ("46027", "2026-01-05", True),
    ],
)
def test_dates_as_spreadsheets_write_them(csv_file, cell, iso, told):
    table = load_table(csv_file(f"satellite,polarisation,rf_mhz,valid_from\nKittiwake 2,H,11720,{cell}\n"))
    assert table.text["valid_from"].tolist() == [iso]
    assert bool(table.warnings) is told


def test_a_spreadsheet_program_keeps_the_table(csv_file, tmp_path):
    """Outside check: Gnumeric opens what we save and writes it again; the table and its hash stay."""
    program = shutil.which("ssconvert")
    if program is None:
        pytest.skip("no spreadsheet converter here (Debian: apt-get install gnumeric)")
    rows = [
        {"satellite": "Kittiwake 2", "polarisation": "H", "rf_mhz": 11720.0, "rf_step_khz": 1.0, "code_rate": "3/4"}
        | {"valid_from": "2026-01-05", "network_id": "0042", "remark": "=1+1", "mine": "1.50"},
        {"satellite": "Möwe 1", "polarisation": "L", "rf_mhz": 3920.25, "symbol_rate_kbd": 1234.567, "roll_off": 0.05}
        | {"valid_to": "2026-12-31T12:00:00Z", "remark": 'a "quoted", cell', "orbital_longitude_deg": -5.0},
    ]
    table = CarrierTable.from_rows(rows)
    save_table(table, tmp_path / "ours.csv")
    subprocess.run([program, tmp_path / "ours.csv", tmp_path / "theirs.csv"], check=True, capture_output=True)
    again = load_table(tmp_path / "theirs.csv")
    assert (tmp_path / "theirs.csv").read_bytes() != (tmp_path / "ours.csv").read_bytes()
    assert again.sha256 == table.sha256
    assert again.rf_step_hz.tolist() == table.rf_step_hz.tolist()


def test_numbers_agree_with_pandas(csv_file):
    """Outside check: pandas.read_csv on the same file, decimal commas included."""
    path = csv_file(SEMICOLON)
    frame = pd.read_csv(path, sep=";", decimal=",")
    table = load_table(path)
    assert table.rf_hz.tolist() == (frame["rf_mhz"] * 1e6).round(3).tolist()
    assert table.roll_off.tolist() == frame["roll_off"].tolist()
    assert table.to_frame()["rf_mhz"].tolist() == frame["rf_mhz"].tolist()


def test_arrays_are_read_only_and_errors_are_ours(csv_file):
    table = load_table(csv_file(PLAIN))
    with pytest.raises(ValueError, match="read-only"):
        table.rf_hz[0] = 1.0
    with pytest.raises(TableError):
        load_table("no such file.csv")
