"""Inspection: which line gave what, what was assumed and ignored, a sketch, quality against table and chain."""

import json
import os
import subprocess
import sys
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from spectra import schemas
from spectra.cli import main
from spectra.cli.sketch import sketch_lines


def _validate(kind: str, text: str) -> dict:
    value = json.loads(text)
    jsonschema.Draft202012Validator(schemas.load(kind)).validate(value)
    return value


def _with_unknown_lines(sweep_file: Path) -> None:
    text = sweep_file.read_text(encoding="utf-8")
    sweep_file.write_text("Berth,Quay 4\n" + text, encoding="utf-8")


def test_says_which_line_gave_what(sweep_file: Path, capsys) -> None:
    _with_unknown_lines(sweep_file)
    assert main(["inspect", str(sweep_file)]) == 0
    out = capsys.readouterr().out
    rbw = next(line for line in out.splitlines() if "RBW,100,kHz" in line)
    assert rbw.split()[:2] == ["line", "2"]
    assert "rbw 100 kHz" in rbw
    assert "801 points, 1210 to 1290 MHz, one every 100 kHz, RBW 100 kHz" in out
    assert "does not say: VBW" in out
    assert "Quay 4" not in out
    assert "--all" in out
    assert main(["inspect", str(sweep_file), "--all"]) == 0
    out = capsys.readouterr().out
    assert any(line.split()[:2] == ["line", "1"] and "Quay 4" in line for line in out.splitlines())


def test_the_heading_of_the_rows_is_shown_with_its_text(tmp_path: Path, capsys) -> None:
    path = tmp_path / "sweep.csv"
    rows = "".join(f"{1000 + i};-9{i % 7},5\n" for i in range(40))
    path.write_text(f"Frequenzbereich;39;MHz\nFrequenz (MHz);Pegel (dBm)\n{rows}", encoding="utf-8")
    assert main(["inspect", str(path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert any("Frequenz (MHz);Pegel (dBm)" in line and "names of the columns" in line for line in lines)
    assert any("Frequenzbereich" in line and "span 39 MHz" in line for line in lines)


def test_sweeps_of_a_zip_bear_their_names(tmp_path: Path, capsys) -> None:
    rows = "Frequency (MHz),Level (dBm)\n" + "".join(f"{1000 + i},-9{i % 7}.5\n" for i in range(40))
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as packed:
        for name in ("co.csv", "cross.csv"):
            packed.writestr(name, rows)
    assert main(["inspect", str(tmp_path / "two.zip")]) == 0
    out = capsys.readouterr().out
    assert "Sweep 1 (co.csv): 40 points" in out
    assert "Sweep 2 (cross.csv): 40 points" in out


@pytest.mark.parametrize(("unit", "code"), [("mV", 0), ("dBW", 0), ("dBm/Hz", 2), ("MV", 0), ("V/m", 2)])
def test_units_that_can_be_stated(unit: str, code: int, tmp_path: Path, capsys) -> None:
    """Lower and upper case are one here: no analyser reads megavolts."""
    path = tmp_path / "sweep.csv"
    path.write_text("Frequency (MHz),Y\n" + "".join(f"{1000 + i},1.{i % 7}\n" for i in range(40)), encoding="utf-8")
    assert main(["inspect", str(path), "--level-unit", unit]) == code
    told = capsys.readouterr()
    assert ("converted to dBm" in told.out) == (code == 0)
    assert ("none of dBm" in told.err) == (code == 2)


def test_json_keeps_its_schema(sweep_file: Path, capsys) -> None:
    _with_unknown_lines(sweep_file)
    assert main(["inspect", str(sweep_file), "--json"]) == 0
    value = _validate("inspection", capsys.readouterr().out)
    assert {use["setting"]: use["line"] for use in value["used"]}["detector"] == 3
    assert [use["line"] for use in value["ignored"]] == [1]
    assert value["sweeps"][0]["points"] == 801
    assert main(["inspect", str(sweep_file), str(sweep_file), "--json"]) == 0
    batch = _validate("batch", capsys.readouterr().out)
    assert len(batch["results"]) == 2


def test_a_file_that_cannot_be_read_says_why(tmp_path: Path, sweep_file: Path, capsys) -> None:
    bare = tmp_path / "bare.csv"
    bare.write_text("Model,none\n" + "".join(f"{1.2e9 + k * 1e5:.0f},{-80.0 - k % 3}\n" for k in range(40)))
    assert main(["inspect", str(bare)]) == 2
    assert "--level-unit" in capsys.readouterr().out
    assert main(["inspect", str(bare), "--json"]) == 2
    value = _validate("inspection", capsys.readouterr().out)
    assert value["error"]["file"] == "bare.csv"
    assert value["sweeps"] == []
    assert main(["inspect", str(bare), str(sweep_file), "--json"]) == 2
    batch = _validate("batch", capsys.readouterr().out)
    assert len(batch["failed"]) == 1
    # stated by option, or by the sidecar
    assert main(["inspect", str(bare), "--level-unit", "dBm"]) == 0
    bare.with_name("bare.csv.toml").write_text('level_unit = "dBm"\n', encoding="utf-8")
    assert main(["inspect", str(bare)]) == 0
    assert main(["inspect", str(tmp_path / "missing.csv")]) == 2


def test_quality_against_table_and_chain(sweep_file, table_file, chain_file, capsys) -> None:
    words = ["inspect", str(sweep_file), "--json", "--chain", str(chain_file)]
    assert main([*words, "--table", str(table_file), "--rbw", "5MHz", "--satellite", "Nimbus Test"]) == 0
    findings = {f["code"]: f for f in _validate("inspection", capsys.readouterr().out)["findings"]}
    # row 4 is the narrowest, 3 MBd at IF 1253 MHz
    assert findings["quality.rbw_too_wide"]["subjects"]["rows"] == [4]
    assert findings["quality.if_not_covered"]["evidence"][0]["value"] == 950e6
    assert main([*words, "--lo-state", "middle"]) == 2
    assert main(["inspect", str(sweep_file), "--table", str(table_file)]) == 2
    assert "--chain" in capsys.readouterr().err


def test_own_noise_from_a_capture_of_it_beside(sweep_file: Path, tmp_path: Path, capsys) -> None:
    own = tmp_path / "own.csv"
    own.write_bytes(sweep_file.read_bytes())
    own.with_name("own.csv.toml").write_text('role = "analyser_floor"\n', encoding="utf-8")
    assert main(["inspect", str(sweep_file), str(own)]) == 0
    out = capsys.readouterr().out
    assert out.count("quality.analyser_floor)") == 1
    assert "Caution, voltage on the coax" in out


def test_a_clock_that_is_wrong(sweep_file: Path, capsys) -> None:
    """Sweep 9 h later than its file; told with the sidecar's clock_error_s (clock minus true) it is none."""
    sidecar = sweep_file.with_name("noon.csv.toml")
    saved = datetime(2026, 3, 14, 12, 0, 20, tzinfo=UTC).timestamp()
    os.utime(sweep_file, (saved, saved))
    sidecar.write_text("captured_at = 2026-03-14T21:00:00Z\n", encoding="utf-8")
    assert main(["inspect", str(sweep_file)]) == 0
    assert "clock.wrong_by_zone" in capsys.readouterr().out
    sidecar.write_text("captured_at = 2026-03-14T21:00:00Z\nclock_error_s = 32400\n", encoding="utf-8")
    assert main(["inspect", str(sweep_file)]) == 0
    assert "clock." not in capsys.readouterr().out


def test_sketch_without_and_with_braille() -> None:
    level = np.full(400, -90.0)
    level[200] = -60.0
    for braille, width in ((True, 50), (False, 50)):
        lines = sketch_lines(level, width, 5, braille=braille)
        assert len(lines) == 5
        # the one high point is seen although eight points share a column, in the right place
        assert len(lines[0].replace("\u2800", " ").strip()) == 1
        assert abs(len(lines[0]) - 26) <= 1
        assert len(lines[-1]) == width
    assert set("".join(sketch_lines(level, 50, braille=False))) <= set(" '-.|")


@pytest.mark.parametrize("points", [2, 7, 50, 5000])
def test_sketch_of_any_length(points: int) -> None:
    level = np.linspace(-90.0, -60.0, points)
    lines = sketch_lines(level, 30, 4)
    assert len(lines) == 4
    assert max(map(len, lines)) == 30
    flat = sketch_lines(np.zeros(points), 30, 4)
    assert len(flat[0]) == 30


def test_console_that_lacks_braille(sweep_file: Path) -> None:
    """A console of a one-byte code page gets plain marks, not question marks."""
    code = (
        "import io, sys; sys.stdout = io.TextIOWrapper(sys.stdout.buffer, encoding='cp1252'); "
        "sys.stdout.reconfigure = lambda **k: None; from spectra.cli import main; "
        f"sys.exit(main(['inspect', {str(sweep_file)!r}]))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    text = done.stdout.decode("cp1252")
    assert done.returncode == 0, done.stderr
    assert "Highest" in text
    assert "?" not in text


@pytest.mark.parametrize("width", [80, 60, 40])
def test_every_line_fits_a_narrow_terminal(
    width: int, sweep_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a name of a sweep file that is rather long.csv"
    head = "# Remark of the technician: behind the second splitter\n# Resolution bandwidth as set by hand: 100 kHz\n"
    path.write_text(head + sweep_file.read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("spectra.cli.console.terminal_width", lambda: width)
    main(["inspect", path.name, "--all"])
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= width
    assert any(line.startswith("    line ") for line in lines)


def test_options_of_sidecar_and_command_line_are_told(
    sweep_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = sweep_file.read_text(encoding="utf-8").splitlines()
    path = tmp_path / "bare.csv"
    path.write_text("\n".join(line for line in lines if line[:1].isdigit()) + "\n", encoding="utf-8")
    sidecar = tmp_path / "bare.csv.toml"
    sidecar.write_text('level_unit = "dBm"\nfrequency_unit = "Hz"\nrbw_hz = 100000.0\n', encoding="utf-8")
    assert main(["inspect", str(path), "--rbw", "300kHz"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Stated in bare.csv.toml: level_unit = dBm, frequency_unit = Hz." in out
    assert "Stated on the command line: rbw_hz = 300000.0." in out
    sidecar.write_text('level_unit = "dBq"\n', encoding="utf-8")
    assert main(["inspect", str(path)]) == 2
    assert "bare.csv.toml: found level_unit = 'dBq'" in capsys.readouterr().err
