"""Conversion: what is written reads back the same, raw files stay, nothing is written over unasked."""

from pathlib import Path

import numpy as np
import pytest

from spectra.capture import read_context
from spectra.cli import main
from spectra.readers import read_sweep, read_sweeps


def _convert(*words) -> int:
    return main(["convert", *map(str, words)])


def test_own_csv_reads_back_identical(tmp_path: Path, sweep_file: Path, capsys) -> None:
    sidecar = sweep_file.with_name("noon.csv.toml")
    sidecar.write_text('port = "co"\nlo_state = "low"\nlevel_unit = "dBm"\nberth = 4\n', encoding="utf-8")
    raw = sweep_file.read_bytes()
    out = tmp_path / "new" / "folder"
    assert _convert(sweep_file, "--out", out) == 0
    assert capsys.readouterr().out.splitlines() == [str(out / "noon.csv")]
    before, after = read_sweep(sweep_file), read_sweep(out / "noon.csv")
    assert np.array_equal(before.frequency_hz, after.frequency_hz)
    assert np.array_equal(before.level_dbm, after.level_dbm)
    assert before.settings == after.settings
    context = read_context(out / "noon.csv.toml")
    # what told how to read the raw file does not go along, what nobody knows does
    assert (context.port, context.lo_state, dict(context.extra)) == ("co", "low", {"berth": 4})
    assert sweep_file.read_bytes() == raw


def test_stated_settings_go_into_the_file(tmp_path: Path, capsys) -> None:
    rows = "\n".join(f"{1.2e9 + 1e5 * k:.0f},{-90 + 0.1 * (k % 7):.1f}" for k in range(50))
    (tmp_path / "bare.csv").write_text(rows + "\n", encoding="utf-8")
    words = ("--level-unit", "dBm", "--rbw", "100kHz", "--detector", "rms", "--averages", "4")
    assert _convert(tmp_path / "bare.csv", "--out", tmp_path / "out", *words) == 0
    settings = read_sweep(tmp_path / "out" / "bare.csv").settings
    assert (settings.rbw_hz, settings.detector, settings.averages) == (1e5, "rms", 4)
    assert not (tmp_path / "out" / "bare.csv.toml").exists()


def test_nothing_is_written_over_unasked(tmp_path: Path, sweep_file: Path, capsys) -> None:
    out = tmp_path / "out"
    assert _convert(sweep_file, "--out", out) == 0
    (out / "noon.csv").write_text("mine", encoding="utf-8")
    assert _convert(sweep_file, "--out", out) == 2
    assert "--force" in capsys.readouterr().err
    assert (out / "noon.csv").read_text(encoding="utf-8") == "mine"
    assert _convert(sweep_file, "--out", out, "--force") == 0
    assert read_sweep(out / "noon.csv").points == 801


@pytest.mark.parametrize("force", [[], ["--force"]])
def test_never_over_the_raw_file(tmp_path: Path, sweep_file: Path, capsys, force) -> None:
    raw = sweep_file.read_bytes()
    assert _convert(sweep_file, "--out", sweep_file.parent, *force) == 2
    assert "raw file" in capsys.readouterr().err
    assert sweep_file.read_bytes() == raw


def test_two_files_of_one_name_and_one_that_is_none(tmp_path: Path, sweep_file: Path, capsys) -> None:
    other = tmp_path / "other" / "noon.csv"
    other.parent.mkdir()
    other.write_bytes(sweep_file.read_bytes())
    broken = tmp_path / "broken.csv"
    broken.write_text("nothing of that kind\n", encoding="utf-8")
    assert _convert(sweep_file, broken, other, "--out", tmp_path / "out") == 2
    out, err = capsys.readouterr()
    assert len(out.splitlines()) == 1
    assert "broken.csv" in err
    assert "folders of their own" in err


def test_several_sweeps_get_numbers(tmp_path: Path, capsys) -> None:
    rows = [
        f"2026-03-14 12:0{k}:00," + ",".join(f"{-80 - 0.1 * ((i + k) % 5):.1f}" for i in range(40)) for k in range(2)
    ]
    head = "Start frequency,1200000000,Hz\nStop frequency,1203900000,Hz\nRBW,100000,Hz\nUnit,dBm\n"
    path = tmp_path / "two.csv"
    path.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    assert len(read_sweeps(path)) == 2
    assert _convert(path, "--out", tmp_path / "out") == 0
    assert [Path(line).name for line in capsys.readouterr().out.splitlines()] == ["two_1.csv", "two_2.csv"]


def test_an_rf_axis_goes_back_to_if(tmp_path: Path, sweep_file: Path, chain_file: Path, capsys) -> None:
    """Low side, LO 9750 MHz: IF = RF - LO."""
    lines = []
    for line in sweep_file.read_text(encoding="utf-8").splitlines():
        cells = line.split(",")
        lines.append(f"{float(cells[0]) + 9.75e9:.0f},{cells[1]}" if cells[0][:1].isdigit() else line)
    path = tmp_path / "offset.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    words = ("--to-if", "--chain", chain_file, "--out", tmp_path / "out")
    assert _convert(path, sweep_file, *words) == 0
    assert "at IF already" in capsys.readouterr().err
    back, plain = read_sweep(tmp_path / "out" / "offset.csv"), read_sweep(tmp_path / "out" / "noon.csv")
    assert np.allclose(back.frequency_hz, plain.frequency_hz, atol=1.0)
    assert np.array_equal(back.level_dbm, plain.level_dbm)
    assert any("RF" in text for text in back.origin.assumptions)
    assert _convert(path, "--to-if", "--out", tmp_path / "out") == 2
    assert "--chain" in capsys.readouterr().err


def test_exchange_file_says_what_it_is_not(tmp_path: Path, sweep_file: Path, chain_file: Path, capsys) -> None:
    out = tmp_path / "out"
    assert _convert(sweep_file, "--format", "sm1809", "--out", out) == 2
    assert "--latitude" in capsys.readouterr().err
    sweep_file.with_name("noon.csv.toml").write_text(
        'vessel = "Test Ship"\nlatitude_deg = 54.5\nlongitude_deg = -3.25\nlo_state = "low"\n'
        "captured_at = 2026-03-14T12:00:00Z\n",
        encoding="utf-8",
    )
    assert _convert(sweep_file, "--format", "sm1809", "--out", out) == 2
    assert "noon.csv: found a sweep without sweep_time_s" in capsys.readouterr().err
    words = ("--sweep-time", "0.5", "--chain", chain_file)
    assert _convert(sweep_file, "--format", "sm1809", "--out", out, *words) == 0
    text = (out / "noon.txt").read_text(encoding="ascii")
    assert "intended to follow Rec. ITU-R SM.1809" in text
    assert "not checked against the text" in text
    assert "LO_kHz=9750000; side=low" in text
    assert "Latitude 54.30.00N" in text
    assert "Longitude 003.15.00W" in text
    back = read_sweep(out / "noon.txt")
    assert np.allclose(back.level_dbm, read_sweep(sweep_file).level_dbm, atol=0.051)
    assert read_context(out / "noon.txt.toml").vessel == "Test Ship"


def test_a_folder_that_cannot_be_made(tmp_path: Path, sweep_file: Path, capsys) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    assert _convert(sweep_file, "--out", tmp_path / "taken") == 2
    assert _convert(sweep_file, "--out", tmp_path / "out", "--sweep-time", "-1") == 2
    assert "--sweep-time" in capsys.readouterr().err
