"""The demo's commissioning visit: judged, reported, kept. Invented data; the truth is that of the scenes."""

import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.archive import Search, add_paths, list_captures, open_archive
from spectra.cli import main
from spectra.cli.demo import demo_folder
from spectra.visit import load_visit, review_visit

FOLDER = demo_folder() / "commissioning"


@pytest.fixture(scope="module")
def review():
    return review_visit(load_visit(FOLDER), processes=1)


def test_the_answer_rests_on_the_isolation_alone(review) -> None:
    """The feed is skewed by 4.5 degrees: 22 dB, where the visit wants 25; the rest is in order."""
    assert not review.visit.failed
    assert review.statement.answer == "not accepted"
    assert [c.name for c in review.criteria if c.answer != "yes"] == ["Isolation of the polarisations"]
    numbers = review.numbers()
    assert numbers["satellite"] == "Fairlead 2" and numbers["polarisation"] == "V"
    assert numbers["isolation_db"] == pytest.approx(22.0, abs=3.5 * numbers["isolation_std_db"])
    codes = {f.code for f in review.findings}
    assert {"interference.enters_by_cable", "polarisation.skew_error", "interference.cw_under_carrier"} <= codes
    jsonschema.Draft202012Validator(schemas.load("visit")).validate(review.to_dict())


def test_steps_ask_for_no_sweep_that_the_visit_holds(review) -> None:
    texts = [step.step.text for step in review.next_steps]
    assert any(text.startswith("Turn the feed") for text in texts)
    assert any("officer of the watch" in text for text in texts)
    assert not any("other polarisation port" in text or "in the other LO state" in text for text in texts)


def test_wrong_state_is_told_once(review) -> None:
    (found,) = [c for c in review.captures if c.name == "3_wrong_lo_state.csv"]
    codes = [f.code for f in found.findings]
    assert codes.count("oscillator.wrong_state") == 1 and "identification.other_lo_state" not in codes


def test_report_and_its_evidence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "visit.html"
    assert main(["visit", str(FOLDER), "--processes", "1", "--report", str(page), "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["emissions"]["emissions"]
    assert page.stat().st_size < 6e6
    text = page.read_text(encoding="utf-8")
    assert "Not accepted" in text and "enters by the cable" in text
    assert main(["report", "verify", str(page), "--folder", str(FOLDER)]) == 0


def test_the_whole_demo_goes_into_an_archive_once(tmp_path: Path) -> None:
    """The visit names sweeps beside its folder: they must not come in a second time as loose files."""
    small = tmp_path / "demo"
    small.mkdir()
    for name in ("carriers.csv", "chain.toml", "5_co_port.csv", "5_co_port.csv.toml", "10_cable_mismatch.csv"):
        (small / name).write_bytes((demo_folder() / name).read_bytes())
    (small / "visit").mkdir()
    (small / "visit" / "visit.toml").write_text(
        '[visit]\ntable = "../carriers.csv"\nchain = "../chain.toml"\n[[capture]]\nfile = "../5_co_port.csv"\n',
        encoding="utf-8",
    )
    with open_archive(tmp_path / "store.db") as archive:
        result = add_paths(archive, [small], processes=1)
        assert (result.stored, result.known, result.failed) == (2, 0, [])
        names = {row["name"] for row in list_captures(archive, Search(replaced=True))}
    assert names == {"5_co_port.csv", "10_cable_mismatch.csv"}


def test_what_meets_the_unmet_point_comes_first(review) -> None:
    assert "polarisation.skew_error" in review.next_steps[0].because
