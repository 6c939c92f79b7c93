"""The demo visit gives the verdicts its scenes call for (invented data: no check against the outside)."""

import json
import shutil
import tomllib
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cli import main
from spectra.cli.demo import demo_folder, load_steps, run_steps


@pytest.fixture(scope="module")
def answers() -> list:
    return list(run_steps(demo_folder()))


def script() -> dict:
    return tomllib.loads((demo_folder() / "demo.toml").read_text(encoding="utf-8"))


def test_every_step_gives_its_verdict(answers: list) -> None:
    for step, given in answers:
        answer = given.identification if step.command == "compare" else given
        if step.verdict is not None:
            assert answer.verdict == step.verdict, step.title
        if step.satellite is not None:
            assert answer.satellite == step.satellite, step.title


def test_lo_errors_are_those_of_the_scenes(answers: list) -> None:
    """The truth is in the scenes; three standard uncertainties and half a printed digit of the table are allowed."""
    told = {}
    for scene in (demo_folder() / "scenes").glob("*.toml"):
        value = tomllib.loads(scene.read_text(encoding="utf-8"))
        for sweep in value["sweep"]:
            told[sweep["file"]] = 1e3 * sweep.get("lo_error_khz", value.get("receive", {}).get("lo_error_khz", 0.0))
    for step, answer in answers:
        if step.command == "identify" and answer.lo_error_hz is not None:
            truth = told[step.files[0]]
            assert answer.lo_error_hz == pytest.approx(truth, abs=3 * answer.lo_error_std_hz + 500.0)
        if step.command == "trend":
            for point in answer.points:
                assert point.lo_error_hz == pytest.approx(told[point.capture], abs=4 * point.lo_error_std_hz + 1e3)


def test_isolation_drift_and_findings_are_those_of_the_scenes(answers: list) -> None:
    wanted = {entry["title"]: entry for entry in script()["step"]}
    for step, answer in answers:
        entry = wanted[step.title]
        if "finding" in entry:
            (told,) = [f for f in answer.findings if f.code == entry["finding"]]
            values = {e.name: e.value for e in told.evidence}
            if "if_mhz" in entry:
                assert values["if"] == pytest.approx(1e6 * entry["if_mhz"], abs=5e4)
            if "metres" in entry:
                assert values["distance"] == pytest.approx(entry["metres"], rel=0.03)
        if "isolation_db" in entry:
            whole = answer.polarisation
            assert whole.isolation_db == pytest.approx(entry["isolation_db"], abs=3.5 * whole.isolation_std_db)
        if step.command == "trend":
            fit = answer.fit
            assert fit.answer == entry["answer"]
            assert fit.rate == pytest.approx(1e3 * entry["rate_khz_per_day"], abs=3.5 * fit.rate_std)
            assert fit.per_kelvin == pytest.approx(1e3 * entry["khz_per_kelvin"], abs=3.5 * fit.per_kelvin_std)
            assert answer.crossing.expected is not None


def test_printed_demo_tells_verdicts_and_disclaimer(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo"]) == 0
    out = capsys.readouterr().out
    _, steps = load_steps(demo_folder())
    assert all(step.title in out for step in steps)
    assert "not leave to transmit" in out
    assert "Traceback" not in out


def test_demo_json_keeps_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("batch")).validate(value)
    for result in value["results"]:
        jsonschema.Draft202012Validator(schemas.load(result["schema"].split("/")[1])).validate(result)


def test_scenes_can_be_simulated_by_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = demo_folder() / "scenes" / "1_off_satellite.toml"
    assert main(["simulate", str(scene), "--out", str(tmp_path / "out"), "--truth"]) == 0
    written = sorted(item.name for item in (tmp_path / "out").iterdir())
    assert "1_off_satellite.csv" in written
    assert all(Path(line).exists() for line in capsys.readouterr().out.splitlines())
    broken = tmp_path / "broken.toml"
    broken.write_text(scene.read_text(encoding="utf-8").replace("points = 1001", 'points = "many"'))
    shutil.copy(demo_folder() / "carriers.csv", tmp_path.parent / "carriers.csv")
    shutil.copy(demo_folder() / "chain.toml", tmp_path.parent / "chain.toml")
    assert main(["simulate", str(broken), "--out", str(tmp_path / "none")]) == 2
    err = capsys.readouterr().err
    assert "points" in err
    assert "Traceback" not in err
    assert not (tmp_path / "none").exists() or not list((tmp_path / "none").glob("*.csv"))
