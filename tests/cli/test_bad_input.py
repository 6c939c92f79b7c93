"""Rubbish in: one clear message on stderr, exit code 2, nothing written, the rest still done."""

import struct
import zlib
from pathlib import Path

import pytest

from spectra.cli import main

HEAD = "RBW,100,kHz\nDetector,RMS\nFrequency (Hz),Level (dBm)\n"


def _png() -> bytes:
    body = b"IHDR" + struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body)) + bytes(400)


RUBBISH = {
    "empty": b"",
    "blank": b"\n\n \n",
    "prose": b"Dear all,\nthe antenna was fine at noon.\nRegards\n",
    "image": _png(),
    "cut_row": (HEAD + "1000000000,-90.1\n1000100000,-90.2\n1000200000,\n").encode(),
    "nan": (HEAD + "1000000000,-90.1\n1000100000,nan\n1000200000,-90.3\n").encode(),
    "infinite": (HEAD + "1000000000,-90.1\n1000100000,-inf\n1000200000,-90.3\n").encode(),
    "twice": (HEAD + "1000000000,-90.1\n1000100000,-90.2\n1000100000,-90.3\n1000200000,-90\n").encode(),
    "falling": (HEAD + "1000000000,-90.1\n1000200000,-90.2\n1000100000,-90.3\n1000300000,-90\n").encode(),
    "mixed_marks": (HEAD + "1000000000;-90,1\n1000100000;-90.2\n1000200000;-90,3\n")
    .replace("y (Hz),", "y (Hz);")
    .encode(),
    "one_point": (HEAD + "1000000000,-90.1\n").encode(),
}


@pytest.fixture(params=sorted(RUBBISH))
def rubbish(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    folder = tmp_path / "stick"
    folder.mkdir()
    path = folder / f"{request.param}.csv"
    path.write_bytes(RUBBISH[request.param])
    return path


def _says_it_once(err: str, path: Path) -> None:
    assert "Traceback" not in err
    lines = [line for line in err.splitlines() if path.name in line]
    assert len(lines) == 1, err
    assert "found" in lines[0]
    assert "expected" in lines[0]
    assert lines[0].rstrip().endswith((".", "!", ")"))


def test_measure_tells_what_is_wrong(rubbish: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = rubbish.read_bytes()
    assert main(["measure", str(rubbish)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    _says_it_once(err, rubbish)
    assert rubbish.read_bytes() == before
    assert [item.name for item in rubbish.parent.iterdir()] == [rubbish.name]


def test_one_bad_file_does_not_stop_the_rest(rubbish: Path, sweep_file: Path, capsys, table_file, chain_file) -> None:
    words = [str(sweep_file), str(rubbish), "--table", str(table_file), "--chain", str(chain_file)]
    assert main(["identify", *words]) == 2
    out, err = capsys.readouterr()
    assert sweep_file.name in out
    assert "Nimbus Test" in out
    _says_it_once(err, rubbish)


def test_folder_of_rubbish_and_a_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    assert main(["measure", str(tmp_path / "empty")]) == 2
    assert "no sweep files" in capsys.readouterr().err
    assert main(["measure", str(tmp_path / "missing.csv")]) == 2
    _says_it_once(capsys.readouterr().err, tmp_path / "missing.csv")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("satellite,polarisation\nA,H\n", "rf_mhz"),
        ("", "found"),
        ("satellite,polarisation,rf_mhz\nA,H,eleven\n", "rf_mhz"),
        ("satellite,polarisation,rf_mhz\nA,sideways,11000\n", "polarisation"),
    ],
)
def test_table_that_cannot_be_used(text, words, tmp_path: Path, sweep_file: Path, chain_file: Path, capsys) -> None:
    table = tmp_path / "bad_table.csv"
    table.write_text(text)
    assert main(["identify", str(sweep_file), "--table", str(table), "--chain", str(chain_file)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "bad_table.csv" in err
    assert words in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("if_min_mhz = 950", "if_min_mhz = 2950", "if_m"),
        ("rf_min_mhz = 10700", "rf_min_mhz = 12700", "rf_m"),
        ("lo_mhz = 9750", "lo_mhz = -1", "lo_mhz"),
        ('injection = "low"', 'injection = "left"', "injection"),
        ("tolerance_khz = 1000", "tolerance_khz = -5", "tolerance_khz"),
        ("[chain]", "[[chain]", ""),
    ],
)
def test_chain_that_cannot_be(old, new, words, tmp_path, sweep_file, table_file, chain_file, capsys) -> None:
    chain_file.write_text(chain_file.read_text().replace(old, new))
    assert main(["identify", str(sweep_file), "--table", str(table_file), "--chain", str(chain_file)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "chain.toml" in err
    assert words in err
    assert "Traceback" not in err
