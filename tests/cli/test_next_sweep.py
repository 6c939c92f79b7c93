"""Sweeps to take next, from the command line."""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cli import main


def _json(capsys, *words) -> dict:
    assert main(["next-sweep", *map(str, words), "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("next_sweep")).validate(value)
    return value


def test_json_keeps_its_schema(table_file: Path, chain_file: Path, capsys) -> None:
    value = _json(capsys, "--table", table_file, "--chain", chain_file, "--satellite", "Nimbus Test")
    (sweep,) = value["sweeps"]
    assert (sweep["lo_state"], sweep["rbw_hz"], sweep["detector"]) == ("low", 1e5, "rms")
    assert [row["row"] for row in sweep["shows"]] == [2, 3, 4, 5, 6]
    # 1200 MHz of IF at 100 kHz with 1001 points: twelve traces at least
    assert len(sweep["segments"]) >= 12
    assert value["table"]["rows"] == 10
    assert value["rows_in_no_sweep"] == []


def test_options_reach_the_engine(table_file: Path, chain_file: Path, capsys) -> None:
    words = ["--table", table_file, "--chain", chain_file]
    wide = _json(capsys, *words, "--narrowest", "3MHz", "--points", "4001")["sweeps"][0]
    assert wide["rbw_hz"] == 1e6
    assert len(wide["segments"]) == 1
    steps = _json(capsys, *words, "--rbw-steps", "50kHz", "200kHz")["sweeps"][0]
    assert (steps["rbw_hz"], steps["vbw_hz"]) == (5e4, 2e5)
    assert [s["purpose"] for s in _json(capsys, *words, "--narrowest", "4MHz")["sweeps"]] == ["all", "narrow"]
    few = _json(capsys, *words, "--only-rows", "--satellite", "Nimbus Test")["sweeps"][0]
    assert len(few["segments"]) < 4
    assert _json(capsys, *words, "--find-only")["sweeps"][0]["rbw_hz"] == 3e5
    sure = _json(capsys, *words, "--certainty", "0.999", "--most-averages", "300")["sweeps"][0]
    assert sure["averages"] >= wide["averages"]
    assert _json(capsys, *words, "--polarisation", "V", "--lo-state", "low")["sweeps"][0]["polarisation"] == "V"


def test_words(table_file: Path, chain_file: Path, capsys) -> None:
    assert main(["next-sweep", "--table", str(table_file), "--chain", str(chain_file)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Take ")
    assert "RBW 100 kHz, VBW 300 kHz, detector RMS" in out
    assert "950.0" in out
    assert "no satellite stated" in out
    assert "Assumed: rows without reference C/N are taken at 3 dB" in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--satellite", "Nimbus"], "Nimbus Test"),
        (["--lo-state", "high"], "low"),
        (["--certainty", "2"], "certainty"),
        (["--narrowest", "0"], "narrowest"),
        (["--rbw-steps", "0"], "--rbw-steps"),
        (["--points", "1"], "points"),
        (["--false-alarms", "-1"], "false alarms"),
        (["--most-averages", "0"], "averages"),
    ],
)
def test_what_makes_no_sense_is_refused(table_file, chain_file, capsys, words, told) -> None:
    assert main(["next-sweep", "--table", str(table_file), "--chain", str(chain_file), *words]) == 2
    assert told in capsys.readouterr().err


def test_after_a_sweep_that_leaves_something_open(sweep_file, table_file, chain_file, tmp_path, capsys) -> None:
    """Four rows of the first satellite are seen; three more that the sweep does not reach are what to look for."""
    table_file.write_text(
        table_file.read_text(encoding="utf-8").replace("Nimbus Test,10.0,H,11030.0,4500,0.2\n", "")
        + "Nimbus Test,10.0,H,11250.0,5000,0.2\nNimbus Test,10.0,H,11262.0,4000,0.2\n"
        + "Nimbus Test,10.0,H,11275.0,4000,0.2\nNimbus Test,10.0,V,11260.0,4000,0.2\n",
        encoding="utf-8",
    )
    words = ["--table", table_file, "--chain", chain_file, "--after", sweep_file]
    value = _json(capsys, *words)
    best = value["sweeps"][0]
    assert value["after"]["sentence"].startswith("Probable: Nimbus Test")
    assert best["expected_gain_log10"] > 0.3
    assert best["against"] == []
    assert {row["row"] for row in best["look_for"]} == {11, 12, 13}
    assert {row["row"] for row in (*best["shows"], *best["cannot_show"])} == {11, 12, 13}
    assert best["segments"][0]["start_hz"] < 1.5e9 < 1.525e9 < best["segments"][-1]["stop_hz"]
    assert best["rbw_hz"] <= 4e6 / 3
    assert main(["next-sweep", *map(str, words)]) == 0
    out = capsys.readouterr().out
    assert "look for row 11, Nimbus Test/H: 11250 MHz" in out
    assert "decades against a satellite outside the table" in out
    bad = tmp_path / "bad.csv"
    bad.write_text("no sweep")
    assert main(["next-sweep", *map(str, words[:4]), "--after", str(bad)]) == 2
    assert main(["next-sweep", *map(str, words), "--satellite", "Nimbus Test"]) == 2


def test_after_a_confirmed_sweep_nothing_is_planned(sweep_file, table_file, chain_file, capsys) -> None:
    words = ["--table", table_file, "--chain", chain_file, "--after", sweep_file]
    value = _json(capsys, *words)
    assert value["after"]["verdict"] == "confirmed"
    assert value["sweeps"] == []
    assert main(["next-sweep", *map(str, words)]) == 0
    assert "No further sweep" in capsys.readouterr().out
