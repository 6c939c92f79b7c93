"""``archive`` end to end: add, list, show, export, import, recheck."""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cli import main


@pytest.fixture
def place(sweep_file: Path, table_file: Path, chain_file: Path, tmp_path: Path, capsys) -> str:
    sweep_file.with_name("noon.csv.toml").write_text('vessel = "Example"\nlo_state = "low"\n', encoding="utf-8")
    place = str(tmp_path / "desk" / "archive.sqlite")
    words = ["archive", "add", str(sweep_file), "--archive", place, "--processes", "1"]
    assert main([*words, "--table", str(table_file), "--chain", str(chain_file)]) == 0
    assert "1 stored, 0 there already" in capsys.readouterr().out
    return place


def _json(kind: str, capsys) -> dict:
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load(kind)).validate(value)
    return value


def test_found_shown_and_handed_over(place: str, sweep_file: Path, tmp_path: Path, capsys) -> None:
    assert main(["archive", "list", "--archive", place, "--vessel", "Ex*", "--carrier", "10985MHz"]) == 0
    assert "Nimbus Test H" in capsys.readouterr().out
    assert main(["archive", "list", "--archive", place, "--json", "--since", "2026-01-01"]) == 0
    assert _json("archive-list", capsys)["captures"] == []  # the sweep does not tell when
    assert main(["archive", "list", "--archive", place, "--json"]) == 0
    (row,) = _json("archive-list", capsys)["captures"]
    assert main(["archive", "show", row["key"][:8], "--archive", place, "--raw", str(tmp_path / "raw")]) == 0
    assert "Nimbus Test" in capsys.readouterr().out
    assert (tmp_path / "raw" / "noon.csv").read_bytes() == sweep_file.read_bytes()
    assert main(["archive", "show", row["key"], "--archive", place, "--json"]) == 0
    _json("archive-capture", capsys)
    bundle = str(tmp_path / "out.zip")
    assert main(["archive", "export", bundle, "--archive", place, "--json"]) == 0
    assert _json("export", capsys)["captures"] == 1
    other = str(tmp_path / "other.sqlite")
    assert main(["archive", "import", bundle, "--archive", other, "--json"]) == 0
    assert _json("import", capsys)["stored"] == 1
    assert main(["archive", "recheck", "--archive", other, "--processes", "1"]) == 0
    assert "1 recomputed, 0 with changes" in capsys.readouterr().out


def test_recheck_is_a_check(place: str, table_file: Path, capsys) -> None:
    table_file.write_text(table_file.read_text().replace("11003.0", "11023.0"), encoding="utf-8")
    words = ["archive", "recheck", "--archive", place, "--processes", "1", "--json", "--table", str(table_file)]
    assert main(words) == 1
    (capture,) = _json("recheck", capsys)["captures"]
    assert any("11023.000" in change["what"] for change in capture["changes"])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["list", "--archive", "{missing}"], "archive add"),
        (["list", "--archive", "{place}", "--verdict", "sure"], "confirmed"),
        (["list", "--archive", "{place}", "--since", "soon"], "'soon'"),
        (["list", "--archive", "{place}", "--limit", "0"], "1 or more"),
        (["show", "zz", "--archive", "{place}"], "no capture"),
        (["export", "x.doc", "--archive", "{place}"], ".parquet"),
        (["import", "{missing}", "--archive", "{place}"], "bundle"),
        (["add", "{missing}", "--archive", "{place}"], "nothing of that name"),
        (["add", "{place}", "--archive", "{place}", "--processes", "0"], "--processes"),
        (["list", "--archive", "mysql://x/y"], "another kind"),
    ],
)
def test_bad_usage_is_told(words, told, place: str, tmp_path: Path, capsys) -> None:
    filled = [word.format(missing=tmp_path / "missing", place=place) for word in words]
    assert main(["archive", *filled]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "missing").exists()
