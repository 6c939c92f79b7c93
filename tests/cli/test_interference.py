"""``sweepmuster report interference`` on the demo's interfered sweep, from files and from an archive.

Invented data, so the truth is that of the scene; what the report must hold is the Radio Regulations' Appendix 10 list
of fields (from memory).
"""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.archive import add_paths, open_archive
from spectra.cli import main
from spectra.cli.demo import demo_folder

PLAN = ["--table", str(demo_folder() / "carriers.csv"), "--chain", str(demo_folder() / "chain.toml")]
SWEEP = str(next(demo_folder().rglob("6_interfered.csv")))
CW_RF_HZ = 12297.3e6
BURST_IF_HZ = 1651.2e6


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> str:
    where = str(tmp_path_factory.mktemp("archive") / "store.db")
    with open_archive(where) as archive:
        add_paths(archive, [SWEEP], table=PLAN[1], chain=PLAN[3], processes=1)
    return where


def report(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["report", "interference", *words]) == 0
    return capsys.readouterr().out


def test_list_and_reports_keep_their_schemas_and_the_scene_s_truth(capsys: pytest.CaptureFixture[str]) -> None:
    log = json.loads(report([SWEEP, *PLAN, "--list", "--json"], capsys))
    jsonschema.Draft202012Validator(schemas.load("emissions")).validate(log)
    (tone,) = [e for e in log["emissions"] if e["width_hz"] == 0.0]
    (seen,) = tone["sightings"]
    assert seen["rf_hz"] == pytest.approx(CW_RF_HZ, abs=4 * seen["rf_std_hz"] + 5e3)
    assert any(abs(e["if_hz"] - BURST_IF_HZ) < 1e5 for e in log["emissions"])
    batch = json.loads(report([SWEEP, *PLAN, "--json"], capsys))
    jsonschema.Draft202012Validator(schemas.load("batch")).validate(batch)
    for value in batch["results"]:
        jsonschema.Draft202012Validator(schemas.load("interference-report")).validate(value)
    assert len(batch["results"]) == len(log["emissions"])
    one = json.loads(report([SWEEP, *PLAN, "--json", "--emission", str(tone["number"])], capsys))
    jsonschema.Draft202012Validator(schemas.load("interference-report")).validate(one)
    assert one["sections"]["What is disturbed"]["Name or identification"] == "Fairlead 2, row 46"
    assert one["sections"]["What is disturbed"]["Frequency measured"] is not None
    assert one["sections"]["Where it was received"]["Level of the wanted emission"] is not None


def test_text_leaves_open_what_a_receiver_cannot_know(capsys: pytest.CaptureFixture[str]) -> None:
    text = report([SWEEP, *PLAN, "--emission", "1"], capsys)
    assert "Class of station and nature of service: (to be completed)" in text
    assert "not leave to transmit" in text and "not that form" in text


def test_stored_captures_give_the_same_log_without_measuring_again(
    capsys: pytest.CaptureFixture[str], place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh = json.loads(report([SWEEP, *PLAN, "--list", "--json"], capsys))

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a stored result was measured again")

    monkeypatch.setattr("spectra.measure.measure", refuse)
    stored = json.loads(report(["--archive", place, "--list", "--json"], capsys))
    jsonschema.Draft202012Validator(schemas.load("emissions")).validate(stored)
    assert len(stored["emissions"]) == len(fresh["emissions"])
    for one, other in zip(stored["emissions"], fresh["emissions"], strict=True):
        for name in ("frame", "width_hz", "power_dbm", "cause", "first_seen", "vessels"):
            assert one[name] == other[name], name
        assert one["sightings"] == other["sightings"]
    told = json.loads(report(["--archive", place, "--json", "--emission", "1"], capsys))
    assert told["sections"]["What is disturbed"]["Name or identification"] == "Fairlead 2, row 46"


def test_captures_or_archive_but_not_both_and_not_neither(capsys: pytest.CaptureFixture[str], place: str) -> None:
    assert main(["report", "interference"]) == 2
    assert main(["report", "interference", SWEEP, "--archive", place]) == 2
    assert main(["report", "interference", "--archive", place, "--emission", "99"]) == 2
    err = capsys.readouterr().err
    assert "Traceback" not in err and "1 to" in err


def test_a_bad_file_does_not_stop_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = tmp_path / "broken.csv"
    broken.write_text("nothing here\n", encoding="utf-8")
    assert main(["report", "interference", SWEEP, str(broken), *PLAN, "--json"]) == 2
    captured = capsys.readouterr()
    assert len(json.loads(captured.out)["failed"]) == 1 and "broken.csv" in captured.err


def test_pictures_over_time_of_two_states(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The demo's own terminal by the cable: the page holds timeline, picture over time and envelope, nothing remote."""
    files = [str(demo_folder() / f"8_own_terminal_{number}.csv") for number in (1, 2, 3)]
    page = tmp_path / "seen.html"
    assert main(["report", "interference", *files, *PLAN, "--list", "--plot", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    for words in ("When each interferer was seen", "Level over frequency and time", "Greatest, mean and least level"):
        assert words in text
    assert "<script src=" not in text and "by the cable" in capsys.readouterr().out
    other = tmp_path / "states.html"
    assert main(["compare", *files, *PLAN, "--plot", str(other)]) == 0
    assert "Level over frequency and time" in other.read_text(encoding="utf-8")
    assert main(["report", "interference", *files, *PLAN, "--plot", "seen.png"]) == 2


def test_stored_captures_have_a_timeline(place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "seen.html"
    assert main(["report", "interference", "--archive", place, "--list", "--plot", str(page)]) == 0
    assert "When each interferer was seen" in page.read_text(encoding="utf-8")
