"""``visit`` and ``report`` end to end: a folder in, an answer, a report and its evidence out."""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cautions import DISCLAIMER
from spectra.cli import main


@pytest.fixture
def stick(sweep_file: Path, table_file: Path, chain_file: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "stick"
    folder.mkdir()
    sweep_file.rename(folder / "noon.csv")
    table_file.rename(folder / "carriers.csv")
    chain_file.rename(folder / "chain.toml")
    (folder / "visit.toml").write_text(
        '[visit]\nvessel = "Example"\nexpected_satellite = "Nimbus Test"\n[acceptance]\nlo_error_max_khz = 500\n'
        '[[capture]]\nfile = "noon.csv"\nlo_state = "low"\ncaptured_at = 2026-03-14T12:00:00Z\n',
        encoding="utf-8",
    )
    return folder


def test_visit_answers_and_writes_the_report(stick: Path, tmp_path: Path, capsys) -> None:
    page = tmp_path / "out.html"
    assert main(["visit", str(stick), "--report", str(page), "--check"]) == 0
    out, err = capsys.readouterr()
    # what is still missing comes before the answer
    assert out.index("Still missing") < out.index("Accepted with")
    assert "Nimbus Test, polarisation H, confirmed" in out
    assert DISCLAIMER in out
    assert str(page) in err
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "Nimbus Test" in text
    evidence = json.loads(page.with_suffix(".json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas.load("evidence")).validate(evidence)


def test_visit_json_and_failing_check(stick: Path, capsys) -> None:
    visit = stick / "visit.toml"
    visit.write_text(visit.read_text().replace("lo_error_max_khz = 500", "lo_error_max_khz = 50"))
    assert main(["visit", str(stick), "--json", "--check"]) == 1
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("visit")).validate(value)
    assert value["statement"]["answer"] == "not accepted"
    assert value["numbers"]["lo_error_hz"] == pytest.approx(150e3, abs=20e3)
    assert main(["visit", str(stick), "--json"]) == 0  # without --check the answer is no failure


def test_visit_with_one_bad_file_goes_on(stick: Path, capsys) -> None:
    (stick / "bad.csv").write_text("nothing\n")
    assert main(["visit", str(stick)]) == 2
    out, err = capsys.readouterr()
    assert "bad.csv" in err
    assert "bad.csv could not be used" in out or "bad.csv" in out
    assert "Nimbus Test" in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["visit", "{missing}"], "missing"),
        (["visit", "{stick}", "--report", "{missing}.txt"], ".html"),
        (["visit", "{stick}", "--table", "{missing}.csv"], "missing.csv"),
        (["visit", "{stick}", "--processes", "0"], "--processes"),
        (["visit", "{stick}", "--report", "{missing}/x.html"], "cannot be written"),
        (["visit", "{stick}", "--report", "x.html", "--language", "xx"], "'xx'"),
        (["report", "verify", "{missing}.html"], "missing.json"),
        (["report", "make", "{missing}", "--out", "x.html"], "missing"),
        (["report"], "WHAT"),
    ],
)
def test_bad_usage_is_told(words, told, stick: Path, tmp_path: Path, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    filled = [word.format(missing=tmp_path / "missing", stick=stick) for word in words]
    assert main(filled) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "x.html").exists()


def test_report_made_and_verified(stick: Path, tmp_path: Path, capsys) -> None:
    page = tmp_path / "bericht.html"
    assert main(["report", "make", str(stick), "--out", str(page), "--language", "de"]) == 0
    assert "Was gefragt war" in page.read_text(encoding="utf-8")
    capsys.readouterr()
    assert main(["report", "verify", str(page)]) == 0
    assert "5 of 5 files" in capsys.readouterr().out
    raw = stick / "noon.csv"
    raw.write_text(raw.read_text().replace("-90", "-91", 1))
    assert main(["report", "verify", str(page), "--json"]) == 1
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("verification")).validate(value)
    assert [f["path"] for f in value["files"] if f["status"] == "changed"] == ["noon.csv"]
