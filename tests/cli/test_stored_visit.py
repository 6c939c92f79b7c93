"""A visit kept in an archive: listed, and reported on without measuring anything again. Invented data."""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.archive import add_paths, open_archive
from spectra.cli import main
from spectra.cli.demo import demo_folder


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The demo's port pair and its sweep off the satellite, as a visit of their own."""
    folder = tmp_path_factory.mktemp("stick") / "pair"
    folder.mkdir()
    for name in ("carriers.csv", "chain.toml", "5_co_port.csv", "5_cross_port.csv", "1_off_satellite.csv"):
        for file in (name, name + ".toml"):
            if (demo_folder() / file).is_file():
                (folder / file).write_bytes((demo_folder() / file).read_bytes())
    (folder / "visit.toml").write_text(
        '[visit]\ntitle = "The pair"\ntable = "carriers.csv"\nchain = "chain.toml"\n[acceptance]\n'
        "isolation_min_db = 25\n",
        encoding="utf-8",
    )
    where = str(folder.parent / "store.db")
    with open_archive(where) as archive:
        assert add_paths(archive, [folder], processes=1).stored == 3
    return where


def visits(place: str, capsys: pytest.CaptureFixture[str], *more: str) -> dict:
    assert main(["archive", "list", "--visits", "--archive", place, "--json", *more]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("visit-list")).validate(value)
    return value


def test_visits_are_listed(place: str, capsys: pytest.CaptureFixture[str]) -> None:
    (row,) = visits(place, capsys)["visits"]
    assert row["vessel"] == "Cordwainer Bay" and row["captures"] == 3 and row["last"]["satellite"] == "Fairlead 2"
    assert visits(place, capsys, "--vessel", "Nobody")["visits"] == []
    assert main(["archive", "list", "--visits", "--archive", place]) == 0
    assert "pair" in capsys.readouterr().out
    assert main(["archive", "list", "--visits", "--archive", place, "--satellite", "X"]) == 2


def test_report_from_stored_results(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (row,) = visits(place, capsys)["visits"]

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a stored sweep was measured again")

    monkeypatch.setattr("spectra.measure.measure", refuse)
    page, raw = tmp_path / "pair.html", tmp_path / "raw"
    words = ["report", "make", row["key"][:10], "--archive", place, "--out", str(page), "--raw", str(raw)]
    assert main([*words, "--language", "de"]) == 0
    assert "Not accepted" in capsys.readouterr().out  # the feed is skewed: 22 dB, 25 wanted
    text = page.read_text(encoding="utf-8")
    assert "The pair" in text and "Nicht abgenommen" in text and "<svg" in text
    assert main(["report", "verify", str(page), "--folder", str(raw / "pair")]) == 0
    evidence = json.loads(page.with_suffix(".json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas.load("evidence")).validate(evidence)
    assert evidence["visit_folder"] == "pair"


def test_a_capture_s_key_stands_for_its_visit_and_wrong_words_are_refused(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (row,) = visits(place, capsys)["visits"]
    page = str(tmp_path / "one.html")
    assert main(["report", "make", row["last"]["key"], "--archive", place, "--out", page]) == 0
    assert main(["report", "make", "ffff", "--archive", place, "--out", page]) == 2
    assert main(["report", "make", row["key"], "--archive", place, "--out", page, "--table", "x.csv"]) == 2
    assert main(["report", "make", str(tmp_path), "--raw", str(tmp_path), "--out", page]) == 2
    assert "Traceback" not in capsys.readouterr().err
