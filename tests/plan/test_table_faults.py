"""What is wrong with a table is told with file, line, column, found, expected and how to mend it."""

import json
import pickle

import pytest

from spectra.errors import TableError
from spectra.plan import check_table, load_table

HEAD = (
    "satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd,bandwidth_khz,roll_off,valid_from,valid_to\n"
)
GOOD = "Kittiwake 2,13.5,H,11720,27500,33000,0.2,,\n"


def only(check, code):
    found = [problem for problem in check if problem.code == code]
    assert len(found) == 1, [problem.code for problem in check]
    return found[0]


@pytest.mark.parametrize(
    ("row", "code", "column", "meant"),
    [
        ("Kittiwake 2,13.5,H,11.72,27500,,0.2,,", "table.unit_slip", "rf_mhz", "write 11720"),
        ("Kittiwake 2,13.5,H,11720000,27500,,0.2,,", "table.unit_slip", "rf_mhz", "write 11720"),
        ("Kittiwake 2,13.5,H,11720000000,27500,,0.2,,", "table.unit_slip", "rf_mhz", "write 11720"),
        ("Kittiwake 2,13.5,H,11730,27500000,,0.2,,", "table.unit_slip", "symbol_rate_kbd", "write 27500"),
        ("Kittiwake 2,13.5,H,11730,27500,33000000,0.2,,", "table.unit_slip", "bandwidth_khz", "write 33000"),
        ("Kittiwake 2,13.5,H,11760,27500,33000,20,,", "table.unit_slip", "roll_off", "write 0.2"),
        ("Kittiwake 2,13.5,H,11760,27500,33000,-0.2,,", "table.out_of_range", "roll_off", "0 to 1"),
        ("Kittiwake 2,13.5,X,11760,27500,33000,0.2,,", "table.unknown_polarisation", "polarisation", "H or V"),
        (
            "Kittiwake 2,13.5,circular,11760,27500,,0.2,,",
            "table.unknown_polarisation",
            "polarisation",
            "one row for each",
        ),
        ("Kittiwake 2,13.5,LH,11760,27500,,0.2,,", "table.unknown_polarisation", "polarisation", "write L or H"),
        ("Kittiwake 2,13.5,,11760,27500,33000,0.2,,", "table.unknown_polarisation", "polarisation", "Write the pol"),
        ("Kittiwake 2,400,H,11760,27500,33000,0.2,,", "table.out_of_range", "orbital_longitude_deg", "east positive"),
        ("Kittiwake 2,13.5,H,11760 MHz,27500,33000,0.2,,", "table.unit_in_cell", "rf_mhz", "MHz"),
        ("Kittiwake 2,13.5,H,eleven,27500,33000,0.2,,", "table.not_a_number", "rf_mhz", "number"),
        ("Kittiwake 2,13.5,H,nan,27500,33000,0.2,,", "table.not_a_number", "rf_mhz", "frequency"),
        ("Kittiwake 2,13.5,H,inf,27500,33000,0.2,,", "table.not_a_number", "rf_mhz", "digits"),
        ("Kittiwake 2,13.5,H,1_1760,27500,33000,0.2,,", "table.not_a_number", "rf_mhz", "digits"),
        ('Kittiwake 2,13.5,H,"11760,5",27500,33000,0.2,,', "table.mixed_decimal_marks", "rf_mhz", "11760.5"),
        ('Kittiwake 2,13.5,H,"11,760.5",27500,33000,0.2,,', "table.grouped_digits", "rf_mhz", "without grouping"),
        ("Kittiwake 2,13.5,H,,27500,33000,0.2,,", "table.empty_cell", "rf_mhz", "Fill the cell"),
        (",13.5,H,11760,27500,33000,0.2,,", "table.empty_cell", "satellite", "Fill the cell"),
        ("Kittiwake 2,13.5,H,11760,27500,33000,0.2,5/1/2026,", "table.date", "valid_from", "Day and month"),
        ("Kittiwake 2,13.5,H,11760,27500,33000,0.2,31.2.2026,", "table.date", "valid_from", "no such day"),
        ("Kittiwake 2,13.5,H,11760,27500,33000,0.2,soon,", "table.date", "valid_from", "year-month-day"),
        ("Kittiwake 2,13.5,H,11760,27500,33000,0.2,,,,surplus", "table.too_many_cells", None, "quotation marks"),
    ],
)
def test_a_fault_stops_loading_and_says_where(csv_file, row, code, column, meant):
    path = csv_file(HEAD + GOOD + row + "\n")
    problem = only(check_table(path), code)
    assert (problem.severity, problem.line, problem.column) == ("fault", 3, column)
    assert meant in f"{problem.expected} {problem.mend}"
    with pytest.raises(TableError) as caught:
        load_table(path)
    assert (caught.value.source, caught.value.line) == ("plan.csv", 3)
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)


@pytest.mark.parametrize(
    ("rows", "code", "severity", "column", "meant"),
    [
        (["Kittiwake 2,13.5,H,11760,27500,33,0.2,,"], "table.unit_slip", "fault", "bandwidth_khz", "write 33000"),
        (["Kittiwake 2,13.5,H,11760,27.5,33000,0.2,,"], "table.unit_slip", "fault", "symbol_rate_kbd", "write 27500"),
        (["Kittiwake 2,13.5,H,11760,27500,20000,0.2,,"], "table.rate_bandwidth", "fault", "bandwidth_khz", "Correct"),
        (
            ["Kittiwake 2,13.5,H,11760,2750,33000,0.2,,"],
            "table.rate_bandwidth",
            "warning",
            "bandwidth_khz",
            "transponder",
        ),
        (["Kittiwake 2,13.5,H,11760,27.5,,0.2,,"], "table.unit_slip", "warning", "symbol_rate_kbd", "write 27500"),
        (["Kittiwake 2,13.5,H,1350,27500,,0.2,,"], "table.looks_like_if", "warning", "rf_mhz", "add the LO"),
        (["Kittiwake 2,13.5,H,11760,,,,2026-02-01,2026-01-01"], "table.dates_fall", "fault", "valid_to", "never holds"),
        (["kittiwake  2,13.5,H,11760,,,,,"], "table.name_spelling", "warning", "satellite", "'Kittiwake 2'"),
        (["Kittiwake-2,13.5,H,11760,,,,,"], "table.name_spelling", "warning", "satellite", "'Kittiwake 2'"),
        (["Kittiwake 2,13.6,H,11760,,,,,"], "table.longitudes", "warning", "orbital_longitude_deg", "Correct"),
        (["Kittiwake 2,31.5,H,11760,,,,,"], "table.longitudes", "fault", "orbital_longitude_deg", "different names"),
        ([GOOD.strip()], "table.duplicate", "warning", "rf_mhz", "Take one"),
        (["Kittiwake 2,13.5,H,11720,22000,33000,0.2,,"], "table.contradiction", "warning", "rf_mhz", "true"),
        (["Kittiwake 2,13.5,H,11740,27500,33000,0.2,,"], "table.overlap", "warning", "rf_mhz", "beams"),
        (["Kittiwake 2,13.5E,H,11760,,,,,"], "table.longitude_letter", "warning", "orbital_longitude_deg", "13.5"),
        (["Kittiwake 2,13.5,H,11760,,,20%,,"], "table.percent", "warning", "roll_off", "0.2"),
        (["Kittiwake 2,13.5,H,11760,n/a,,,,"], "table.empty_word", "warning", "symbol_rate_kbd", "empty"),
        (["Kittiwake 2,13.5,H,11760,0,,,,"], "table.zero", "warning", "symbol_rate_kbd", "Read as empty"),
        (["Kittiwake 2,13.5,H,11760,27 500,,,,"], "table.grouped_digits", "warning", "symbol_rate_kbd", "27500"),
    ],
)
def test_what_does_not_stop_loading(csv_file, rows, code, severity, column, meant):
    path = csv_file(HEAD + GOOD + "\n".join(rows) + "\n")
    problem = only(check_table(path), code)
    assert (problem.severity, problem.line, problem.column) == (severity, 3, column)
    assert meant in f"{problem.found} {problem.expected} {problem.mend}"
    assert len(load_table(path)) == 2


@pytest.mark.parametrize(
    "row",
    [
        "Kittiwake 2,13.5,V,11720,27500,33000,0.2,,",  # the other polarisation
        "Kittiwake 3,13.5,H,11720,27500,33000,0.2,,",  # another satellite at the same place
        "Kittiwake 2,13.5,H,11759,27500,33000,0.2,,",  # beside it
        "Kittiwake 2,13.5,H,11740,6000,7000,0.2,,",  # beside it, narrow
        "Kittiwake 2,13.5,H,11760,64,80,0.2,,",  # a narrow carrier borne out by its bandwidth
        "Kittiwake 2,13.5,H,11780,27500,36000,0.2,,",  # bandwidth of its transponder
    ],
)
def test_what_is_right_is_not_blamed(csv_file, row):
    check = check_table(csv_file(HEAD + GOOD + row + "\n"))
    assert check.problems == ()
    assert check.ok and check.loads and check.sha256


def test_rows_of_different_times_do_not_collide(csv_file):
    rows = "Kittiwake 2,13.5,H,11720,27500,,,,2026-01-31\nKittiwake 2,33.5,H,11725,22000,,,2026-02-01,\n"
    assert check_table(csv_file(HEAD + rows)).problems == ()
    again = rows.replace("2026-02-01", "2026-01-31")
    codes = [problem.code for problem in check_table(csv_file(HEAD + again, name="b.csv"))]
    assert codes == ["table.longitudes"]


def test_rounding_is_no_overlap(csv_file):
    """Two carriers 2.0 MHz apart, 2.1 MHz wide, listed to the whole MHz: rounding alone explains it."""
    rows = "Kittiwake 2,13.5,H,11720,2100,,,,\nKittiwake 2,13.5,H,11722,2100,,,,\n"
    assert check_table(csv_file(HEAD + rows)).problems == ()
    exact = rows.replace("11720", "11720.00").replace("11722", "11722.00")
    assert [problem.code for problem in check_table(csv_file(HEAD + exact, name="b.csv"))] == ["table.overlap"]


def test_column_of_ghz_with_mhz_in_it(csv_file):
    path = csv_file("satellite,polarisation,rf_ghz\nKittiwake 2,H,11.72\nKittiwake 2,H,11720\n")
    problem = only(check_table(path), "table.unit_slip")
    assert (problem.line, problem.column) == (3, "rf_ghz")
    assert "MHz in a column of GHz: write 11.72" in problem.mend


def test_columns_are_named_as_the_file_names_them(csv_file):
    problem = only(check_table(csv_file("Satellite;Pol;RF (MHz)\nKittiwake 2;H;11,72\n")), "table.unit_slip")
    assert problem.column == "RF (MHz)"


def test_all_faults_at_once(csv_file):
    rows = "Kittiwake 2,13.5,X,11720,27500,33000,0.2,,\nKittiwake 2,13.5,H,nine,27500,33000,2,,\n"
    path = csv_file(HEAD + rows)
    check = check_table(path)
    assert [(problem.line, problem.column) for problem in check.faults] == [
        (2, "polarisation"),
        (3, "rf_mhz"),
        (3, "roll_off"),
    ]
    assert not check.ok and not check.loads and check.sha256 is None
    with pytest.raises(TableError, match="2 more"):
        load_table(path)


def test_json_of_the_check(csv_file):
    check = check_table(csv_file(HEAD + GOOD + "Kittiwake 2,13.5,X,11760,,,,,\n"))
    told = json.loads(json.dumps(check.to_dict()))
    assert told["schema"] == "sweepmuster/table_check/1"
    assert (told["rows"], told["faults"], told["warnings"], told["ok"]) == (2, 1, 0, False)
    assert set(told["problems"][0]) == {
        "code", "severity", "line", "column", "found", "expected", "mend", "stops_loading"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("raw", "found", "line"),
    [
        (b"", "an empty file", None),
        (b"\n \n", "an empty file", None),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "no text", None),
        (b"PK\x03\x04\x14\x00\x06\x00", "workbook", None),
        (b"\xff\xfea", "unknown encoding", None),
        (b"just some words\nand more\n", "no column satellite", 1),
        (b"satellite,polarisation,frequency\nKittiwake 2,H,11720\n", "no column rf_mhz", 1),
        (b"satellite,polarisation,rf_mhz,rf_ghz\nKittiwake 2,H,11720,11.72\n", "a second column rf_mhz", 1),
        (b"satellite,polarisation,rf_mhz\n", "no rows", None),
        (b'satellite,polarisation,rf_mhz\nA,H,11720\n"Kittiwake 2,H,11720\n', "cannot be read", 3),
    ],
)
def test_files_that_are_no_table(tmp_path, raw, found, line):
    path = tmp_path / "plan.csv"
    path.write_bytes(raw)
    with pytest.raises(TableError) as caught:
        load_table(path)
    assert found in caught.value.found
    assert caught.value.line == line
    assert caught.value.mend


def test_missing_column_says_which_one_is_probably_meant(csv_file):
    with pytest.raises(TableError, match="'frequency' is meant"):
        load_table(csv_file("satellite,polarisation,frequency\nKittiwake 2,H,11720\n"))


def test_a_folder_is_no_table(tmp_path):
    with pytest.raises(TableError):
        load_table(tmp_path)


def test_a_first_line_without_end_is_told(csv_file) -> None:
    """A cell longer than the csv library takes is refused with its line."""
    path = csv_file("x" * 300_000 + "\n1,2\n")
    with pytest.raises(TableError, match=":1"):
        load_table(path)
