"""``sweepmuster compare`` on the demo's pair: printed, as JSON, as a picture, and refusals."""

import json
import re
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cli import main
from spectra.cli.demo import demo_folder

PAIR = ("5_co_port.csv", "5_cross_port.csv")


def arguments() -> list[str]:
    folder = demo_folder()
    return [
        "compare",
        *(str(folder / name) for name in PAIR),
        "--table",
        str(folder / "carriers.csv"),
        "--chain",
        str(folder / "chain.toml"),
    ]


def test_json_keeps_the_contract_and_finds_the_scene(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The scene's leakage is 22 dB."""
    picture = tmp_path / "pair.html"
    assert main([*arguments(), "--json", "--plot", str(picture), "--isolation-limit", "20"]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("comparison")).validate(value)
    assert value["kind"] == "polarisation"
    whole = value["polarisation"]
    assert whole["isolation_db"] == pytest.approx(22.0, abs=3.5 * whole["isolation_std_db"])
    text = picture.read_text(encoding="utf-8")
    assert "<script src=" not in text and "at least (95 %)" in text


def test_picture_s_white_is_the_page_s_dark(tmp_path: Path) -> None:
    """``invert(a)`` takes a channel x to a (1 - x) + (1 - a) x (CSS Filter Effects; from memory)."""
    picture = tmp_path / "pair.html"
    assert main([*arguments(), "--plot", str(picture)]) == 0
    head = picture.read_text(encoding="utf-8").split("</style>")[0]
    dark = head.split("prefers-color-scheme: dark")[1]
    share = float(re.search(r"\.plotly-graph-div \{ filter: invert\(([.\d]+)\)", dark)[1])
    background = re.search(r"background: #(\w{6})", dark)[1]
    assert {round(255 * (1.0 - share))} == set(bytes.fromhex(background))
    assert "#fbfaf7" in head.split("@media")[0]  # light where nothing else is asked for, and on paper


def test_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments()) == 0
    out = capsys.readouterr().out
    assert (
        "polarisation.skew_error" in out and "neither replaces nor predicts" in out and "not leave to transmit" in out
    )


def test_one_capture_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", str(demo_folder() / PAIR[0])]) == 2
    assert "two or more" in capsys.readouterr().err


@pytest.mark.parametrize("bad", [["--purity", "1", "2", "3"], ["--isolation-limit", "-3"], ["--plot", "pair.png"]])
def test_bad_options_are_refused(bad: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*arguments(), *bad]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_bad_file_stops_the_comparison(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = tmp_path / "broken.csv"
    broken.write_text("nothing here\n", encoding="utf-8")
    assert main(["compare", str(demo_folder() / PAIR[0]), str(broken), "--kind", "polarisation"]) == 2
    assert "broken.csv" in capsys.readouterr().err
