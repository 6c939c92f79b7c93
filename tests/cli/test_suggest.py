"""``table suggest`` end to end: a diff for review, row by row acceptance, the previous version kept.

Expected edits are derived from the scene: the sweeps differ from the table in one rate, one new and one silent carrier.
"""

import io
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from spectra import schemas
from spectra.cli import main
from spectra.cli.suggest import accepted_numbers
from spectra.errors import UsageError
from spectra.plan import load_table
from spectra.signal.raised_cosine import raised_cosine

ROWS = [(10965.0, 5e6), (10977.0, 8e6), (10989.0, 3e6), (10998.5, 6e6), (11012.0, 4.5e6), (11021.0, 2.5e6),
        (11029.0, 5e6), (11038.5, 3.5e6), (11046.0, 2e6), (11055.0, 6e6)]  # fmt: skip
SILENT, CHANGED, NEW = 6, 4, (11062.5, 2.2e6)


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    lines = ["satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd,roll_off"]
    lines += [f"Nimbus Test,10.0,H,{rf},{rate / 1e3:.0f},0.2" for rf, rate in ROWS]
    rng = np.random.default_rng(5)
    lines += [
        f"Stratus Test,13.0,H,{rf:.1f},{rng.choice([2500, 4000, 6500])},0.2" for rf in rng.uniform(10960, 11070, 9)
    ]
    path = tmp_path / "plan" / "table.csv"
    path.parent.mkdir()
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Three sweeps of three days, each with a sidecar that tells the date."""
    folder = tmp_path / "stick"
    folder.mkdir()
    f = np.linspace(1.205e9, 1.325e9, 1201)
    for day in (1, 2, 3):
        power = np.ones(f.size)
        for index, (rf, rate) in enumerate([*ROWS, NEW]):
            if index == SILENT:
                continue
            actual = 0.7 * rate if index == CHANGED else rate
            power += 10**1.3 * raised_cosine((f - (rf * 1e6 - 9.75e9 - 100e3)) / actual, 0.2)
        power *= np.random.default_rng(day).gamma(60.0, 1 / 60.0, f.size)
        rows = "\n".join(f"{hz:.0f},{10 * np.log10(p) - 90:.2f}" for hz, p in zip(f, power, strict=True))
        path = folder / f"day{day}.csv"
        path.write_text(f"RBW,100,kHz\nDetector,RMS\nAverages,6\nFrequency (Hz),Level (dBm)\n{rows}\n")
        path.with_name(path.name + ".toml").write_text(
            f'vessel = "Example"\ncaptured_at = 2026-03-0{day}T12:00:00Z\nlo_state = "low"\n'
        )
    return folder


@pytest.fixture
def words(plan_file: Path, chain_file: Path, stick: Path) -> list[str]:
    return ["table", "suggest", str(plan_file), str(stick), "--chain", str(chain_file)]


def _told(capsys: pytest.CaptureFixture[str]) -> dict:
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("table_suggest")).validate(value)
    return value


def test_a_diff_is_shown_and_nothing_changed(words: list[str], plan_file: Path, capsys) -> None:
    before = plan_file.read_bytes()
    assert main(words) == 0
    out, err = capsys.readouterr()
    assert "[1] change line 6: Nimbus Test/H 11012 MHz" in out
    assert "- symbol_rate_kbd = 4500" in out
    assert "add new row" in out
    assert f"remove line {SILENT + 2}" in out
    assert "seen in 3 of 3 confirmed visits" in out
    assert "Nothing was changed." in out
    assert "3 of 3 identified" in err
    assert plan_file.read_bytes() == before
    assert len(list(plan_file.parent.iterdir())) == 1


def test_accepted_edits_are_written_and_the_old_version_kept(words: list[str], plan_file: Path, capsys) -> None:
    before = plan_file.read_bytes()
    assert main([*words, "--json", "--accept", "1,3"]) == 0
    told = _told(capsys)
    assert [e["action"] for e in told["edits"]] == ["change", "add", "remove"]
    assert [e["accepted"] for e in told["edits"]] == [True, False, True]
    assert told["edits"][0]["changes"]["symbol_rate_kbd"]["new"] == pytest.approx(0.7 * 4500, rel=0.03)
    assert told["edits"][1]["rf_mhz"] == pytest.approx(NEW[0], abs=0.1)
    assert (told["identified"], told["confirmed"], told["failed"]) == (3, 3, [])
    assert Path(told["written"]["kept"]).read_bytes() == before
    edited = load_table(plan_file)
    assert edited.sha256 == told["written"]["sha256"]
    assert len(edited) == len(ROWS) + 9 - 1
    assert [item.name for item in sorted(plan_file.parent.iterdir())] == ["table.1.csv", "table.csv"]


def test_all_into_another_file(words: list[str], plan_file: Path, tmp_path: Path, capsys) -> None:
    before = plan_file.read_bytes()
    out = tmp_path / "new.csv"
    assert main([*words, "--accept", "all", "--out", str(out)]) == 0
    assert "3 edits made" in capsys.readouterr().out
    assert plan_file.read_bytes() == before
    assert len(load_table(out)) == len(ROWS) + 9


def test_row_by_row_on_a_terminal(words: list[str], plan_file: Path, capsys, monkeypatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", Terminal("what\nn\ny\nq\n"))
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    assert main(words) == 0
    assert "1 edit made" in capsys.readouterr().out
    assert len(load_table(plan_file)) == len(ROWS) + 9 + 1


def test_sweeps_of_one_day_are_one_visit(words: list[str], stick: Path, capsys) -> None:
    for path in stick.glob("*.toml"):
        path.write_text('vessel = "Example"\ncaptured_at = 2026-03-01T12:00:00Z\n')
    assert main([*words, "--json"]) == 0
    told = _told(capsys)
    assert "remove" not in {e["action"] for e in told["edits"]}
    assert {e["visits"] for e in told["edits"]} == {1}


def test_from_an_archive(words: list[str], stick: Path, plan_file: Path, chain_file: Path, tmp_path, capsys) -> None:
    place = str(tmp_path / "archive.sqlite")
    assert main(["archive", "add", str(stick), "--archive", place, "--processes", "1", "--table", str(plan_file),
                 "--chain", str(chain_file)]) == 0  # fmt: skip
    capsys.readouterr()
    assert main([*words, "--json"]) == 0
    from_files = _told(capsys)
    stored = ["table", "suggest", str(plan_file), "--chain", str(chain_file), "--archive", place, "--json"]
    assert main(stored) == 0
    assert _told(capsys) == from_files
    assert main([*stored, "--vessel", "Nobody"]) == 0
    assert _told(capsys)["identified"] == 0
    assert main([*stored, "--since", "sometime"]) == 2


@pytest.mark.parametrize("text", ["", "0", "9", "one", "1,,2", "3-1", "-1", "1" * 5000, "all,1", "²"])
def test_numbers_that_name_no_edit(text: str) -> None:
    with pytest.raises(UsageError, match="--accept"):
        accepted_numbers(text, 3)


def test_numbers_as_people_write_them() -> None:
    assert accepted_numbers("all", 3) == [1, 2, 3]
    assert accepted_numbers(" 3, 1-2 ", 3) == [1, 2, 3]
    assert accepted_numbers("ALL", 0) == []


def test_rubbish(words: list[str], stick: Path, plan_file: Path, chain_file: Path, tmp_path: Path, capsys) -> None:
    before = plan_file.read_bytes()
    (stick / "bad.csv").write_bytes(b"\x00\x01 not a sweep")
    assert main([*words, "--json"]) == 2  # the rest is still done
    told = _told(capsys)
    assert len(told["failed"]) == 1
    assert len(told["edits"]) == 3
    assert main(["table", "suggest", str(plan_file), "--chain", str(chain_file)]) == 2
    assert main([*words, "--unseen-in", "0"]) == 2
    assert main([*words, "--accept", "9"]) == 2
    assert main([*words, "--archive", str(tmp_path / "none.sqlite")]) == 2
    assert main(["table", "suggest", str(tmp_path / "none.csv"), str(stick), "--chain", str(chain_file)]) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert plan_file.read_bytes() == before
