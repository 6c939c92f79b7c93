"""``sweepmuster trend`` on the demo's twelve days: printed, as JSON, as a picture, and refusals."""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cli import main
from spectra.cli.demo import demo_folder

PLAN = ["--table", str(demo_folder() / "carriers.csv"), "--chain", str(demo_folder() / "chain.toml")]


def files() -> list[str]:
    return [str(path) for path in sorted(demo_folder().glob("7_drift_*.csv"))]


def test_json_keeps_the_contract_and_finds_the_drift(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The scene's LNB ages by 21 kHz a day; its tolerance is 1500 kHz."""
    picture = tmp_path / "trend.html"
    assert main(["trend", *files(), *PLAN, "--json", "--plot", str(picture)]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("trend")).validate(value)
    assert value["answer"] == "drift" and value["tolerance_hz"] == 1.5e6
    assert value["rate_hz_per_day"] == pytest.approx(21e3, abs=3.5 * value["rate_std_hz_per_day"])
    assert value["crossing"]["expected"] is not None
    assert "leaves its tolerance" in picture.read_text(encoding="utf-8")


def test_few_captures_claim_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trend", *files()[:2], *PLAN]) == 0
    out = capsys.readouterr().out
    assert "too few to tell a drift" in out and "not leave to transmit" in out


def test_a_bad_file_does_not_stop_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = tmp_path / "broken.csv"
    broken.write_text("nothing here\n", encoding="utf-8")
    assert main(["trend", files()[0], str(broken), *PLAN, "--json"]) == 2
    captured = capsys.readouterr()
    assert json.loads(captured.out)["answer"] == "too_few" and "broken.csv" in captured.err


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("kept") / "kept.sqlite"
    assert main(["archive", "add", *files(), *PLAN, "--archive", str(place)]) == 0
    return place


@pytest.mark.parametrize("named", [True, False])
def test_an_archive_tells_the_same_as_its_files(
    named: bool, archive: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Stored results and table, no file measured anew; in order of time."""
    assert main(["trend", *files(), *PLAN, "--json"]) == 0
    fresh = json.loads(capsys.readouterr().out)
    picture = tmp_path / "kept.html"
    place = ["--archive", str(archive)] if named else [str(archive)]
    assert main(["trend", *place, "--json", "--plot", str(picture)]) == 0
    kept = json.loads(capsys.readouterr().out)
    assert [p["capture"] for p in kept["points"]] == [p["capture"] for p in fresh["points"]]
    assert kept["answer"] == "drift"
    assert kept["rate_hz_per_day"] == pytest.approx(fresh["rate_hz_per_day"], rel=1e-6)
    assert kept["crossing"]["expected"] == fresh["crossing"]["expected"]
    assert picture.exists()


def test_an_archive_is_narrowed_and_refusals_say_how(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trend", str(archive), "--until", "2026-05-07", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["answer"] == "too_few"
    assert main(["trend", str(archive), "--vessel", "Nobody"]) == 2
    assert "archive list" in capsys.readouterr().err
    assert main(["trend", str(archive), files()[0]]) == 2
    assert "one archive" in capsys.readouterr().err
    assert main(["trend"]) == 2
    assert "--archive PLACE" in capsys.readouterr().err


def test_table_and_chain_are_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trend", files()[0]]) == 2
    assert "--table" in capsys.readouterr().err
