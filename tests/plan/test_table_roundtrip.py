"""What is saved reads back the same, and nothing is lost on the way."""

import io
import os

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spectra.errors import TableError
from spectra.plan import CarrierTable, load_table, save_table, table_text
from spectra.plan.table import COLUMNS

WORDS = st.text(
    st.characters(blacklist_categories=("Cs", "Cc", "Cn", "Co", "Zl", "Zp"), whitelist_characters="\n,;\t\"'=+-@"),
    max_size=12,
)
NAMES = st.sampled_from(["Kittiwake 2", "Kittiwake 3", "Möwe 1", "=Skua", "'Tern", "Fulmar;1"])


def optional(strategy):
    return st.one_of(st.none(), strategy)


ROWS = st.fixed_dictionaries(
    {
        "satellite": NAMES,
        "polarisation": st.sampled_from("HVLR"),
        "rf_hz": st.one_of(
            st.integers(3400, 21000).map(lambda mhz: mhz * 1e6),
            st.integers(3_400_000_000, 21_000_000_000).map(float),
            st.floats(3.4e9, 21e9),
        ),
    },
    optional={
        "rf_step_hz": st.sampled_from([1.0, 1e3, 62.5e3, 1e5, 5e5, 1e6, 5e6]),
        "orbital_longitude_deg": optional(st.floats(-180, 180)),
        "satellite_tilt_deg": optional(st.floats(-45, 45)),
        "beam": optional(WORDS),
        "kind": optional(st.sampled_from(["modulated", "cw", "other"])),
        "symbol_rate_bd": optional(st.floats(1e3, 5e8)),
        "bandwidth_hz": optional(st.floats(1e3, 1e9)),
        "roll_off": optional(st.floats(0, 1)),
        "modulation": optional(WORDS),
        "code_rate": optional(st.sampled_from(["1/2", "3/4", "13/18"])),
        "reference_cn_db": optional(st.floats(-10, 30)),
        "network_id": optional(st.integers(0, 65535).map(str)),
        "service": st.booleans(),
        "valid_from": optional(st.dates().map(lambda day: day.isoformat())),
        "valid_to": optional(st.datetimes().map(lambda moment: moment.isoformat(timespec="seconds"))),
        "remark": optional(WORDS),
        "mine": optional(WORDS),
        "+formula": optional(WORDS),
    },
)


def same(one: CarrierTable, other: CarrierTable) -> None:
    assert one.sha256 == other.sha256
    for name in ("rf_hz", "rf_step_hz", "symbol_rate_bd", "bandwidth_hz", "roll_off", "reference_cn_db"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    for name in ("orbital_longitude_deg", "satellite_tilt_deg", "service"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    assert set(one.text) == set(other.text)
    for name, cells in one.text.items():
        assert cells.tolist() == other.text[name].tolist(), name
    assert one.unknown_columns == other.unknown_columns


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(ROWS, min_size=1, max_size=6), st.sampled_from(",;\t"), st.sampled_from(".,"))
def test_saved_and_loaded_is_identical(tmp_path, rows, delimiter, decimal):
    table = CarrierTable.from_rows(rows)
    path = tmp_path / "plan.csv"
    path.unlink(missing_ok=True)
    save_table(table, path, delimiter=delimiter, decimal=decimal)
    again = load_table(path)
    same(table, again)
    assert CarrierTable.from_rows(list(again)).sha256 == table.sha256
    assert again.line[0] == 2


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(ROWS, min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_hash_survives_another_program(tmp_path, rows, random):
    """Outside check: pandas reads every cell as text, mixes the columns, and writes with another delimiter."""
    table = CarrierTable.from_rows(rows)
    frame = pd.read_csv(io.StringIO(table_text(table)), dtype=str, keep_default_na=False)
    columns = list(frame.columns)
    random.shuffle(columns)
    frame[columns].to_csv(tmp_path / "theirs.csv", sep=";", index=False, encoding="utf-16")
    again = load_table(tmp_path / "theirs.csv")
    assert again.sha256 == table.sha256
    assert again.rf_step_hz.tolist() == table.rf_step_hz.tolist()


def test_formula_cells_are_guarded_and_numbers_are_not():
    rows = [
        {"satellite": "=A1", "polarisation": "H", "rf_mhz": 11720, "remark": "@SUM(1)", "mine": "-5", "other": "-5+3"},
        {"satellite": "B", "polarisation": "H", "rf_mhz": 11721, "orbital_longitude_deg": -13.0, "remark": "'=x"},
    ]
    header, first, second = (line.split(",") for line in table_text(CarrierTable.from_rows(rows)).split("\n")[:3])
    one, two = dict(zip(header, first, strict=True)), dict(zip(header, second, strict=True))
    assert (one["satellite"], one["remark"], one["mine"], one["other"]) == ("'=A1", "'@SUM(1)", "-5", "'-5+3")
    assert (two["orbital_longitude_deg"], two["remark"]) == ("-13", "''=x")


def test_contract_columns_come_first_in_their_order():
    text = table_text(CarrierTable.from_rows([{"satellite": "A", "polarisation": "H", "rf_mhz": 11720, "mine": "x"}]))
    assert text.split("\n")[0].split(",") == [*COLUMNS, "mine"]


def test_previous_versions_are_kept(tmp_path):
    path = tmp_path / "plan.csv"
    tables = [
        CarrierTable.from_rows([{"satellite": "Kittiwake 2", "polarisation": "H", "rf_mhz": 11720 + k}])
        for k in range(4)
    ]
    kept = [save_table(table, path) for table in tables]
    assert kept == [None, tmp_path / "plan.1.csv", tmp_path / "plan.2.csv", tmp_path / "plan.3.csv"]
    order = ["plan.1.csv", "plan.2.csv", "plan.3.csv", "plan.csv"]
    assert [load_table(tmp_path / name).sha256 for name in order] == [table.sha256 for table in tables]
    assert save_table(tables[3], path) is None  # nothing changed: no further version
    (tmp_path / "plan.1.csv").unlink()
    assert save_table(tables[0], path) == tmp_path / "plan.4.csv"  # a number is never used twice
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["plan.2.csv", "plan.3.csv", "plan.4.csv", "plan.csv"]


def test_a_failed_save_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "plan.csv"
    old, new = (
        CarrierTable.from_rows([{"satellite": "Kittiwake 2", "polarisation": "H", "rf_mhz": rf}])
        for rf in (11720, 11730)
    )
    save_table(old, path)

    def fails(*_):
        raise OSError(28, "No space left on device")

    for place, name in ((os, "fsync"), (os, "replace")):
        with monkeypatch.context() as patch:
            patch.setattr(place, name, fails)
            with pytest.raises(TableError, match="no space left"):
                save_table(new, path)
        assert load_table(path).sha256 == old.sha256
        assert [entry.name for entry in tmp_path.iterdir()] == ["plan.csv"]


def test_a_link_is_followed(tmp_path):
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_text("satellite,polarisation,rf_mhz\nKittiwake 2,H,11720\n", encoding="utf-8")
    try:
        link.symlink_to(real)
    except OSError:
        pytest.skip("this system lets no link be made")
    save_table(CarrierTable.from_rows([{"satellite": "Skua", "polarisation": "V", "rf_mhz": 11720}]), link)
    assert link.is_symlink()
    assert load_table(real).row(0).satellite == "Skua"


def test_the_users_dialect_is_kept(tmp_path, csv_file):
    path = csv_file("satellite;polarisation;rf_mhz\nKittiwake 2;H;11720,5\n", encoding="utf-8-sig", newline="\r\n")
    save_table(load_table(path), path)
    text = path.read_text(encoding="utf-8-sig")
    assert "Kittiwake 2;;;;H;11720,5;" in text


def test_a_column_that_would_hide_one_of_ours_is_refused():
    table = CarrierTable.from_rows([{"satellite": "A", "polarisation": "H", "rf_mhz": 11720, "RF (GHz)": "x"}])
    with pytest.raises(TableError, match="RF"):
        table_text(table)


def test_to_frame_has_the_files_units():
    frame = CarrierTable.from_rows(
        [{"satellite": "A", "polarisation": "H", "rf_mhz": 11720.5, "symbol_rate_kbd": 64}]
    ).to_frame()
    assert list(frame.columns[: len(COLUMNS)]) == list(COLUMNS)
    assert frame.loc[2, "rf_mhz"] == 11720.5
    assert frame.loc[2, "symbol_rate_kbd"] == 64
