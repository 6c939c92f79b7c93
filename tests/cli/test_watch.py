"""Watching a folder: finished files only, each once, half-written ones not, interrupted with 130."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.cli import main
from spectra.cli.watching import PATIENCE, FolderWatch


def _touch(path: Path, text: str, stamp: float) -> None:
    path.write_text(text, encoding="utf-8")
    os.utime(path, (stamp, stamp))


def test_a_file_is_ready_at_the_second_look_without_change(tmp_path: Path) -> None:
    watch = FolderWatch(tmp_path)
    path = tmp_path / "noon.csv"
    assert watch.look() == []
    assert watch.settled
    _touch(path, "", 1000.0)
    assert watch.look() == []  # empty: only just opened
    _touch(path, "1,2\n", 1001.0)
    assert watch.look() == []
    _touch(path, "1,2\n3,4\n", 1001.0)  # grows within the clock's step: the size tells
    assert watch.look() == []
    _touch(path, "1,2\n3,5\n", 1003.0)  # same size, later time
    assert watch.look() == []
    assert not watch.settled
    assert watch.look() == [path]
    watch.done(path)
    assert watch.look() == []
    assert watch.settled
    _touch(path, "1,2\n3,6\n", 1004.0)
    assert watch.look() == []
    assert watch.look() == [path]
    # a sidecar saved later asks for a new answer
    watch.done(path)
    _touch(tmp_path / "noon.csv.toml", 'port = "co"\n', 1005.0)
    assert watch.look() == []
    assert watch.look() == [path]


def test_a_file_that_cannot_be_read_is_tried_again_then_given_up(tmp_path: Path) -> None:
    watch = FolderWatch(tmp_path)
    path = tmp_path / "noon.csv"
    _touch(path, "half", 1000.0)
    watch.look()
    for _ in range(PATIENCE - 1):
        assert watch.look() == [path]
        assert not watch.failed(path)
    assert watch.look() == [path]
    assert watch.failed(path)
    assert watch.look() == []
    _touch(path, "half and the rest", 1001.0)
    watch.look()
    assert watch.look() == [path]


def test_what_is_left_out(tmp_path: Path) -> None:
    _touch(tmp_path / "table.csv", "satellite,polarisation,rf_mhz\n", 1000.0)
    _touch(tmp_path / "plan.csv", "x", 1000.0)
    _touch(tmp_path / ".noon.csv.part", "x", 1000.0)
    _touch(tmp_path / "noon.png", "x", 1000.0)
    watch = FolderWatch(tmp_path, leave_out=[tmp_path / "plan.csv"])
    watch.look()
    assert watch.look() == []
    assert watch.settled


def test_a_stick_that_is_pulled_and_put_back(tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    _touch(stick / "noon.csv", "x", 1000.0)
    watch = FolderWatch(stick)
    watch.look()
    (away,) = watch.look()
    watch.done(away)
    stick.rename(tmp_path / "pulled")
    assert watch.look() == []
    (tmp_path / "pulled").rename(stick)
    watch.look()
    assert watch.look() == [away]


def test_present_files_can_be_passed_over(tmp_path: Path) -> None:
    _touch(tmp_path / "old.csv", "x", 1000.0)
    watch = FolderWatch(tmp_path)
    watch.pass_over_present()
    _touch(tmp_path / "new.csv", "x", 1000.0)
    watch.look()
    assert watch.look() == [tmp_path / "new.csv"]


def test_once_waits_for_a_file_that_is_being_written(tmp_path: Path, sweep_file: Path, capsys) -> None:
    """A thread writes a sweep line by line; the answer is that of the whole file, given once."""
    folder = tmp_path / "stick"
    folder.mkdir()
    text = sweep_file.read_text(encoding="utf-8")
    target = folder / "slow.csv"
    started = threading.Event()

    def write() -> None:
        with target.open("w", encoding="utf-8") as stream:
            for start in range(0, len(text), 1500):
                stream.write(text[start : start + 1500])
                stream.flush()
                started.set()
                time.sleep(0.04)

    writer = threading.Thread(target=write)
    writer.start()
    started.wait()
    code = main(["watch", str(folder), "--once", "--interval", "0.15", "--json"])
    writer.join()
    assert code == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 1
    value = json.loads(lines[0])
    jsonschema.Draft202012Validator(schemas.load("measurement")).validate(value)
    assert value["sweep"]["points"] == 801


def test_once_tells_what_cannot_be_read_and_does_the_rest(tmp_path: Path, sweep_file: Path, capsys) -> None:
    sweep_file.with_name("broken.csv").write_text("no sweep at all\n", encoding="utf-8")
    assert main(["watch", str(tmp_path), "--once", "--interval", "0.01", "--json"]) == 2
    out, err = capsys.readouterr()
    values = [json.loads(line) for line in out.splitlines()]
    assert sorted(value["schema"] for value in values) == ["sweepmuster/batch/1", "sweepmuster/measurement/1"]
    assert "broken.csv" in err
    assert main(["watch", str(tmp_path), "--once", "--interval", "0.01"]) == 2
    assert "noon.csv" in capsys.readouterr().out


def test_identifies_with_table_and_chain(tmp_path, sweep_file, table_file, chain_file, capsys) -> None:
    words = ["--table", str(table_file), "--chain", str(chain_file), "--once", "--interval", "0.01"]
    assert main(["watch", str(tmp_path), *words, "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas.load("identification")).validate(value)
    assert value["satellite"] == "Nimbus Test"
    assert "quality.if_not_covered" in {finding["code"] for finding in value["findings"]}
    assert main(["watch", str(tmp_path), *words, "--lo-state", "low", "--expect", "Nimbus Test/H"]) == 0
    assert "Confirmed" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["missing folder"], "no folder"),
        (["{}", "--interval", "0"], "--interval"),
        (["{}", "--table", "t.csv"], "--chain"),
        (["{}", "--lo-state", "low"], "--lo-state"),
        (["{}", "--once", "--new"], "--new"),
        (["{}", "--table", "{t}", "--chain", "{c}", "--lo-state", "middle"], "low"),
    ],
)
def test_what_makes_no_sense_is_refused(tmp_path, table_file, chain_file, capsys, words, told) -> None:
    words = [word.replace("{t}", str(table_file)).replace("{c}", str(chain_file)) for word in words]
    assert main(["watch", *[word.replace("{}", str(tmp_path)) for word in words]]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="an interrupt cannot be sent to one process there")
def test_runs_until_interrupted(tmp_path: Path, sweep_file: Path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    words = [sys.executable, "-m", "spectra", "watch", str(folder), "--interval", "0.1", "--json"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert "watching" in process.stderr.readline()
        (folder / "noon.csv").write_bytes(sweep_file.read_bytes())
        assert json.loads(process.stdout.readline())["schema"] == "sweepmuster/measurement/1"
        (folder / "later.csv").write_bytes(sweep_file.read_bytes())
        assert json.loads(process.stdout.readline())["sweep"]["file"].endswith("later.csv")
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=20) == 130
        assert "Traceback" not in process.stderr.read()


def test_stores_what_it_answers_once_and_goes_on(
    tmp_path: Path, sweep_file: Path, table_file, chain_file, capsys
) -> None:
    folder, place = tmp_path / "stick", tmp_path / "kept.sqlite"
    folder.mkdir()
    (folder / "noon.csv").write_bytes(sweep_file.read_bytes())
    (folder / "bad.csv").write_text("no sweep at all\n", encoding="utf-8")
    words = ["watch", str(folder), "--once", "--interval", "0.02", "--archive", str(place)]
    plans = ["--table", str(table_file), "--chain", str(chain_file)]
    assert main([*words, *plans]) == 2  # the bad file is told, the good one answered and stored
    told = capsys.readouterr().err
    assert "bad.csv" in told
    assert "noon.csv: stored" in told
    assert main(["archive", "list", "--archive", str(place), "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)["captures"]
    assert len(listed) == 1
    assert listed[0]["verdict"] is not None  # with table and chain it was identified too
    (folder / "bad.csv").unlink()
    assert main([*words, *plans]) == 0
    assert "noon.csv: in the archive already" in capsys.readouterr().err
    main(["archive", "list", "--archive", str(place), "--json"])
    assert len(json.loads(capsys.readouterr().out)["captures"]) == 1


def test_a_half_written_file_is_stored_when_it_is_whole(tmp_path: Path, sweep_file: Path, capsys) -> None:
    folder, place = tmp_path / "stick", tmp_path / "kept.sqlite"
    folder.mkdir()
    whole, path = sweep_file.read_bytes(), folder / "noon.csv"
    path.write_bytes(whole[: len(whole) // 2])

    def finish() -> None:
        for part in range(4):
            time.sleep(0.03)
            path.write_bytes(whole[: len(whole) // 2 + part])
        path.write_bytes(whole)

    writer = threading.Thread(target=finish)
    writer.start()
    assert main(["watch", str(folder), "--once", "--interval", "1", "--archive", str(place)]) == 0
    writer.join()
    main(["archive", "list", "--archive", str(place), "--json"])
    out = capsys.readouterr().out
    assert len(json.loads(out[out.rindex('{\n  "schema": "sweepmuster/archive-list') :])["captures"]) == 1


def test_options_stated_on_the_command_line_reach_the_archive(tmp_path: Path, sweep_file: Path, capsys) -> None:
    folder, place = tmp_path / "stick", tmp_path / "kept.sqlite"
    folder.mkdir()
    lines = sweep_file.read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if line[:1].isdigit()]
    (folder / "bare.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    words = ["watch", str(folder), "--once", "--interval", "0.02", "--archive", str(place)]
    stated = ["--level-unit", "dBm", "--frequency-unit", "Hz", "--rbw", "100kHz", "--detector", "rms"]
    assert main(words) == 2  # neither unit is told
    assert main([*words, *stated]) == 0
    assert "bare.csv: stored" in capsys.readouterr().err
    assert main([*words, *stated]) == 0
    assert "bare.csv: in the archive already" in capsys.readouterr().err
    # stated otherwise, it is another reading of the same file and is stored beside the first
    assert main([*words, *stated[:-4], "--rbw", "300kHz", "--detector", "rms"]) == 0
    assert "bare.csv: stored" in capsys.readouterr().err


def test_a_wrong_clock_is_seen_beside_the_sweeps_answered_before(tmp_path: Path, sweep_file: Path, capsys) -> None:
    noon = 1773489600.0  # 2026-03-14T12:00:00Z
    text = sweep_file.read_text(encoding="utf-8")
    for number, date in enumerate(("2026-03-14 11:58:00", "2026-03-14 11:59:00", "2011-01-01 00:12:00")):
        _touch(sweep_file.with_name(f"{number}.csv"), f"Date,{date}\n{text}", noon)
    sweep_file.unlink()
    assert main(["watch", str(tmp_path), "--once", "--interval", "0.01", "--json"]) == 0
    codes = {
        value["sweep"]["file"]: [f["code"] for f in value["findings"] if f["code"].startswith("clock.")]
        for value in map(json.loads, capsys.readouterr().out.splitlines())
    }
    assert codes == {"0.csv": [], "1.csv": [], "2.csv": ["clock.wrong_by_years"]}


def test_an_rf_axis_is_taken_back_where_the_chain_is_known(
    tmp_path: Path, sweep_file: Path, table_file: Path, chain_file: Path, capsys
) -> None:
    """IF = RF - LO on the low side; the LO error must come out as from the sweep at IF."""
    folder = tmp_path / "stick"
    folder.mkdir()
    lines = sweep_file.read_text(encoding="utf-8").splitlines()
    shifted = [
        f"{float(a) + 9.75e9:.0f},{b}" if (a := line.split(",")[0]).isdigit() else line
        for line in lines
        for b in [line.rpartition(",")[2]]
    ]
    (folder / "rf.csv").write_text("\n".join(shifted) + "\n", encoding="utf-8")
    plan = ["--table", str(table_file), "--chain", str(chain_file), "--json"]
    assert main(["watch", str(folder), "--once", "--interval", "0.01", *plan]) == 0
    watched = json.loads(capsys.readouterr().out)
    assert main(["identify", str(folder / "rf.csv"), *plan]) == 0
    identified = json.loads(capsys.readouterr().out)
    assert main(["identify", str(sweep_file), *plan]) == 0
    at_if = json.loads(capsys.readouterr().out)
    for one in (watched, identified):
        assert one["verdict"] == at_if["verdict"]
        assert one["lo_error_hz"] == pytest.approx(at_if["lo_error_hz"], abs=1.0)
        assert "quality.axis_is_rf" in [finding["code"] for finding in one["findings"]]
    assert main(["inspect", str(folder / "rf.csv"), *plan[2:]]) == 0
    inspected = json.loads(capsys.readouterr().out)
    assert inspected["sweeps"][0]["start_hz"] > 10e9  # what the file says
    assert "quality.axis_is_rf" in [finding["code"] for finding in inspected["findings"]]
