"""The command line end to end: answers, JSON by its schema, exit codes."""

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from spectra import __version__, schemas
from spectra.cautions import DISCLAIMER
from spectra.cli import main
from spectra.cli.options import frequency


def _validate(kind: str, text: str) -> dict:
    value = json.loads(text)
    jsonschema.Draft202012Validator(schemas.load(kind)).validate(value)
    return value


def test_overview_version_and_unknown_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    assert "measure" in capsys.readouterr().out
    assert main([]) == 2
    assert main(["--version"]) == 0
    assert __version__ in capsys.readouterr().out
    assert main(["polish"]) == 2
    assert "'polish'" in capsys.readouterr().err
    assert main(["measure", "--nonsense"]) == 2
    assert main(["measure", "--help"]) == 0


def test_module_and_script_are_the_same_program() -> None:
    out = subprocess.run([sys.executable, "-m", "spectra", "--version"], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == f"sweepmuster {__version__}"


def test_measure_prints_and_gives_json(sweep_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(sweep_file)]) == 0
    out = capsys.readouterr().out
    assert out.count("modulated") == 5
    assert main(["measure", str(sweep_file), "--json"]) == 0
    value = _validate("measurement", capsys.readouterr().out)
    assert value["sweep"]["file"].endswith("noon.csv")
    assert [round(c["centre_hz"] / 1e6, 1) for c in value["carriers"]] == pytest.approx(
        [1219.85, 1234.85, 1252.85, 1265.35, 1279.85], abs=0.1
    )


def test_many_files_give_a_batch(sweep_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bad.csv").write_text("nothing\n")
    assert main(["measure", "--json", str(sweep_file), str(tmp_path / "bad.csv")]) == 2
    value = _validate("batch", capsys.readouterr().out)
    assert len(value["results"]) == 1
    assert value["failed"][0]["file"].endswith("bad.csv")
    _validate("measurement", json.dumps(value["results"][0]))


def test_plot_is_one_file_without_a_request(sweep_file: Path, tmp_path: Path) -> None:
    picture = tmp_path / "noon.html"
    assert main(["measure", str(sweep_file), "--plot", str(picture)]) == 0
    text = picture.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert 'src="http' not in text
    assert main(["measure", str(sweep_file), "--plot", str(sweep_file)]) == 2
    assert main(["measure", str(sweep_file), "--plot", str(tmp_path / "missing" / "noon.html")]) == 2


@pytest.mark.parametrize(
    ("expect", "verdict", "code"),
    [("Nimbus Test", "confirmed", 0), ("Nimbus Test/H", "confirmed", 0), ("Stratus Test", "contradicted", 1)],
)
def test_identify_against_an_expectation(expect, verdict, code, sweep_file, table_file, chain_file, capsys) -> None:
    words = ["identify", str(sweep_file), "--table", str(table_file), "--chain", str(chain_file), "--expect", expect]
    assert main([*words, "--json"]) == 0
    value = _validate("identification", capsys.readouterr().out)
    assert (value["verdict"], value["satellite"]) == (verdict, "Nimbus Test")
    assert value["lo_error_hz"] == pytest.approx(150e3, abs=5 * value["lo_error_std_hz"] + 1e3)
    # low side: minus the IF offset, but for the analyser's own part of it
    assert value["if_offset_hz"] == pytest.approx(-value["lo_error_hz"], abs=value["lo_error_std_hz"])
    assert main([*words, "--check"]) == code
    out = capsys.readouterr().out
    assert verdict.capitalize() in out
    assert DISCLAIMER in out


def test_identify_together_answers_once(sweep_file: Path, table_file: Path, chain_file: Path, capsys) -> None:
    words = ["--table", str(table_file), "--chain", str(chain_file), "--together", "--json"]
    assert main(["identify", str(sweep_file), str(sweep_file), *words]) == 0
    value = _validate("identification", capsys.readouterr().out)
    assert len(value["sweeps"]) == 2


def test_check_needs_an_expectation_and_the_state_must_exist(sweep_file, table_file, chain_file, capsys) -> None:
    words = ["identify", str(sweep_file), "--table", str(table_file), "--chain", str(chain_file)]
    assert main([*words, "--check"]) == 2
    assert "--expect" in capsys.readouterr().err
    assert main([*words, "--lo-state", "middle"]) == 2
    assert "low" in capsys.readouterr().err


def test_expectation_from_the_sidecar(sweep_file, table_file, chain_file, capsys) -> None:
    sweep_file.with_name("noon.csv.toml").write_text('expected_satellite = "Stratus Test"\nlo_state = "low"\n')
    words = ["identify", str(sweep_file), "--table", str(table_file), "--chain", str(chain_file)]
    assert main([*words, "--check", "--json"]) == 1
    assert _validate("identification", capsys.readouterr().out)["verdict"] == "contradicted"


def test_folder_passes_over_its_carrier_table(tmp_path, sweep_file, table_file, chain_file, capsys) -> None:
    assert main(["identify", str(tmp_path), "--table", str(table_file), "--chain", str(chain_file)]) == 0
    assert main(["measure", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    assert "noon.csv" in out
    assert "passed over" in err


def test_table_check(table_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", "check", str(table_file)]) == 0
    table_file.write_text("satellite,polarisation,rf_mhz\nNimbus Test,H,11.720\n")
    assert main(["table", "check", str(table_file)]) == 1
    assert "2" in capsys.readouterr().out
    assert main(["table", "check", str(table_file), "--json"]) == 1
    assert _validate("table_check", capsys.readouterr().out)["faults"] == 1
    assert main(["table", "check", str(table_file.with_name("missing.csv"))]) == 2
    assert main(["table"]) == 2


@pytest.mark.parametrize(
    ("text", "hertz"), [("300000", 3e5), ("300k", 3e5), ("300 kHz", 3e5), ("0,3MHz", 3e5), ("1.2GHz", 1.2e9)]
)
def test_frequencies_as_people_write_them(text: str, hertz: float) -> None:
    assert frequency(text) == pytest.approx(hertz)


@pytest.mark.parametrize("text", ["", "wide", "3 parsecs", "--"])
def test_what_is_no_frequency(text: str, sweep_file: Path) -> None:
    assert main(["measure", str(sweep_file), f"--rbw={text}"]) == 2


@pytest.mark.parametrize(
    "options",
    [["--impedance", "0"], ["--averages", "0"], ["--rbw", "0"], ["--false-alarms", "2"], ["--level-unit", "dB"]],
)
def test_impossible_options(options: list[str], sweep_file: Path) -> None:
    assert main(["measure", str(sweep_file), *options]) == 2


def test_tables_can_be_merged(tmp_path: Path, table_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    second = tmp_path / "second.csv"
    second.write_text(
        "satellite,polarisation,rf_mhz,symbol_rate_kbd\n"
        "Nimbus Test,H,10970.0,5500\nNimbus Test,H,11045.0,2000\nNimbus Test,H,10985.0,8000\n"
    )
    before = table_file.read_bytes()
    assert main(["table", "merge", str(table_file), str(second)]) == 0
    out = capsys.readouterr().out
    assert "1 added" in out
    assert "1 in conflict" in out
    merged = tmp_path / "merged.csv"
    assert main(["table", "merge", str(table_file), str(second), "--out", str(merged), "--json"]) == 0
    assert _validate("table_merge", capsys.readouterr().out)["rows"] == 11
    assert table_file.read_bytes() == before
    assert main(["table", "check", str(merged)]) == 0


def test_open_scan_files_become_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scan = tmp_path / "Nimbus-10.0E"
    scan.write_text(
        "[CHANNEL]\n\tDELIVERY_SYSTEM = DVBS2\n\tFREQUENCY = 11720500\n\tPOLARIZATION = HORIZONTAL\n"
        "\tSYMBOL_RATE = 27500000\n\tINNER_FEC = 3/4\n\tMODULATION = PSK/8\n\tROLLOFF = 20\n"
    )
    table = tmp_path / "t.csv"
    assert main(["table", "import", str(scan), "--out", str(table)]) == 0
    assert "1 rows" in capsys.readouterr().out
    assert "Nimbus" in table.read_text()
    assert main(["table", "import", str(tmp_path / "missing"), "--out", str(table)]) == 2


def test_what_an_unlisted_carrier_is_likely_to_be(sweep_file, table_file, chain_file, capsys) -> None:
    """The sweep's last carrier is taken out of the table: a digital carrier in free spectrum is a new one."""
    table_file.write_text(table_file.read_text().replace("Nimbus Test,10.0,H,11030.0,4500,0.2\n", ""))
    words = ["identify", str(sweep_file), "--table", str(table_file), "--chain", str(chain_file)]
    assert main(words) == 0
    assert "new carrier: a digital carrier of its own" in capsys.readouterr().out
    assert main([*words, "--json"]) == 0
    told = _validate("identification", capsys.readouterr().out)
    assert [carrier["likely"] for carrier in told["unlisted"]] == ["new carrier"]
    assert told["unlisted"][0]["likely_row"] is None
    assert all(entry["changes"] == [] for entry in told["roll_call"])
