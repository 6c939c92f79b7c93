"""What is no sweep, or could be read in two ways, is refused in one clear message: file, line, found, expected, mend.

No outside source: the contract of the project (style page, error form).
"""

from __future__ import annotations

import contextlib
import gzip
import io
import zipfile
from pathlib import Path

import pytest

from spectra import read_sweep, read_sweeps
from spectra.errors import SpectraError, SweepFormatError, UsageError
from spectra.readers import read_bytes

HEAD = "RBW,100,kHz\nFrequency (MHz),Level (dBm)\n"
ROWS = [f"{1173 + 0.5 * i},{-90 - (i * 7919 % 13) / 10}" for i in range(20)]


def changed(row: int, text: str) -> str:
    return HEAD + "\n".join([*ROWS[:row], text, *ROWS[row + 1 :]]) + "\n"


def german(text: str) -> str:
    return text.replace(",", ";").replace(".", ",")


REFUSED: dict[str, tuple[bytes | str, int | None, str]] = {
    # name: (bytes, line or None, words of the message)
    "empty": (b"", None, "empty file"),
    "white space only": (b" \r\n\t\r\n", None, "empty file"),
    "a letter": ("Dear colleague,\nplease find the sweep attached.\nRegards\n", None, "without rows of numbers"),
    "PNG image": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8, None, "PNG image"),
    "JPEG image": (b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8, None, "JPEG image"),
    "workbook": (b"PK\x03\x04" + bytes(range(256)) * 8, None, "packed document"),
    "random bytes": (bytes((i * 7919 + i // 3) % 256 for i in range(4000)), None, ""),
    "NaN in a row": (changed(7, "1176.5,NaN"), 10, "without a level"),
    "infinity in a row": (changed(7, "1176.5,inf"), 10, "without a level"),
    "dashes in a row": (changed(7, "1176.5,---"), 10, "without a level"),
    "NaN as frequency": (changed(7, "nan,-90.1"), 10, ""),
    "level missing in the middle": (changed(7, "1176.5,"), 10, "a row of 1 cells after rows of 2"),
    "level missing at the end": (HEAD + "\n".join(ROWS) + "\n1183.0", 23, "a row of 1 cells after rows of 2"),
    "a cell too many": (changed(7, "1176.5,-90.1,-90.2"), 10, "a row of 3 cells after rows of 2"),
    "a word as level": (changed(7, "1176.5,low"), 10, ""),
    "number cut": (HEAD + "\n".join(ROWS[:19]) + "\n1182.5,-", 22, ""),
    "last number cut short": (HEAD + "\n".join(f"{r}0" for r in ROWS) + "\n1183.00,-9", 23, "cut"),
    "same frequency twice": (changed(7, ROWS[6]), 10, "the same frequency twice"),
    "halves in the wrong order": (HEAD + "\n".join(ROWS[10:] + ROWS[:10]), 13, "a frequency that falls"),
    "one step back": (changed(7, "1170.0,-90.1"), 10, "a frequency that falls"),
    "decimal marks mixed": (
        german(HEAD) + "\n".join(german(r) for r in ROWS[:9]) + "\n1177.5;-90.1\n" + german(ROWS[10]),
        12,
        "decimal mark",
    ),
    "decimal marks mixed the other way": (
        HEAD.replace(",", ";") + "\n".join(r.replace(",", ";") for r in ROWS[:9]) + "\n1177,5;-90,1\n1178.0;-90.1\n",
        12,
        "decimal mark",
    ),
    "one point": (HEAD + ROWS[0] + "\n", 3, "1 point"),
    "one level": ("Start,1173,MHz\nStop,1175,MHz\nY unit,dBm\n-90.1\n", 4, "1 point"),
    "list of signals with words": (
        "Signal,Frequency (MHz),Level (dBm),Remark\n1,1173.4,-81.2,strong\n2,1181.9,-84.0,weak\n3,1190.2,-85,\n",
        None,
        "signals",
    ),
    "list of signals without words": (
        "Signal,Frequency (MHz),Level (dBm),Bandwidth (MHz)\n1,1173.4,-81.2,1.2\n2,1181.9,-84,4.9\n3,1190.2,-85,0.3\n",
        None,
        "signals",
    ),
    "list of peaks by frequency": (
        "Peak table\nFrequency (MHz),Level (dBm)\n1173.41,-81.2\n1181.92,-84\n1182.07,-85.1\n1199.5,-80.2\n1231,-85\n",
        None,
        "found signals",
    ),
    "list of peaks without a title": (
        "Frequency (MHz),Level (dBm)\n1173.41,-81.2\n1181.92,-84.0\n1182.07,-85.1\n1199.5,-80.2\n1231,-85\n",
        2,
        "found signals",
    ),
    "carrier table": (
        "satellite,polarisation,rf_mhz,symbol_rate_kbd\nAlpha,H,11723.4,27500\nAlpha,V,11763.1,27500\nAlpha,H,11801,3000\n",
        None,
        "",
    ),
    "level unit not told": ("Frequency (MHz),Amplitude\n" + "\n".join(ROWS), 2, "level_unit"),
    "levels are ratios": ("Frequency (MHz),Gain (dB)\n" + "\n".join(ROWS), 2, "a ratio"),
    "levels are field strengths": ("Frequency (MHz),Level (dBuV/m)\n" + "\n".join(ROWS), 2, "level_unit"),
    "levels are densities": ("Frequency (MHz),Level (dBm/Hz)\n" + "\n".join(ROWS), 2, "level_unit"),
    "frequency unit not told": ("Frequency,Level (dBm)\n" + "\n".join(ROWS), 2, "frequency_unit"),
    "level-only rows without an axis": (
        "RBW: 100 kHz\nUnit: dBm\n" + "\n".join(r.split(",")[1] for r in ROWS),
        3,
        "without frequencies",
    ),
    "level-only rows fewer than points": (
        "Start: 1173 MHz\nStop: 1182.5 MHz\nPoints: 30\nUnit: dBm\n" + "\n".join(r.split(",")[1] for r in ROWS),
        24,
        "20 levels where the preamble states 30",
    ),
    "level-only rows, stop at start": (
        "Start: 1173 MHz\nStop: 1173 MHz\nUnit: dBm\n" + "\n".join(r.split(",")[1] for r in ROWS),
        4,
        "a stop above",
    ),
    "frequencies alone": ("Frequency (MHz)\n" + "\n".join(r.split(",")[0] for r in ROWS), 2, "without levels"),
    "a quote inside a number": ("MHz,dBm\n" + "".join(f'{1000 + i},-90.{i}"1\n' for i in range(30)), None, ""),
    "one quote inside a number": (changed(7, '1176.5,"-90.0"1'), 10, ""),
    "a blank inside a number": (changed(7, "1176.5,-90 .5"), 10, ""),
    "a blank after the point": (changed(7, "1176.5,-90. 5"), 10, ""),
    "a unit inside a number": (
        "\n".join(f"{1000 + i} MHz;-90.5 dBm" if i != 7 else "10MHz07;-90.5 dBm" for i in range(30)),
        8,
        "",
    ),
    "absurd level": (changed(7, "1176.5,-9051.3"), 10, "a level of"),
    "binary with numbers": (b"\x00\x01\x02\x03" * 200 + ROWS[0].encode(), None, ""),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_in_one_message(name: str, tmp_path: Path) -> None:
    data, line, words = REFUSED[name]
    path = tmp_path / "bad.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    with pytest.raises(SweepFormatError) as caught:
        read_sweep(path)
    problem = caught.value
    assert problem.source == "bad.csv"
    if line is not None:
        assert problem.line == line, str(problem)
    assert words in str(problem)
    assert problem.found
    assert problem.expected
    assert problem.mend
    assert "\n" not in str(problem)
    with pytest.raises(SweepFormatError):
        read_sweeps(path)


@pytest.mark.parametrize(("unit", "shift"), [("dBm", 0.0), ("dBuV", -106.98970004336019), ("dBmV", -46.98970004336019)])
def test_a_stated_level_unit_reads_what_was_refused(unit: str, shift: float, tmp_path: Path) -> None:
    """Constants: 10 log10(U^2/R / 1 mW) at 50 ohm (derived)."""
    path = tmp_path / "ratio.csv"
    path.write_text("Frequency (MHz),Gain (dB)\n" + "\n".join(ROWS), encoding="utf-8")
    sweep = read_sweep(path, level_unit=unit)
    assert sweep.level_dbm[0] == pytest.approx(-90.0 + shift, abs=1e-9)
    assert any(w.startswith("quality.stated_differently") for w in sweep.origin.warnings)


def test_missing_file_and_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(SweepFormatError, match=r"gone\.csv: found no readable file"):
        read_sweep(tmp_path / "gone.csv")
    with pytest.raises(SweepFormatError, match="a folder"):
        read_sweep(tmp_path)


@pytest.mark.parametrize(
    "options",
    [
        {"level_unit": "dB"},
        {"frequency_unit": "THz"},
        {"rbw_hz": 0.0},
        {"rbw_hz": float("nan")},
        {"detector": "fast"},
        {"averages": 0},
        {"impedance_ohm": -50.0},
    ],
)
def test_options_that_make_no_sense(options: dict, tmp_path: Path) -> None:
    path = tmp_path / "good.csv"
    path.write_text(HEAD + "\n".join(ROWS), encoding="utf-8")
    with pytest.raises(UsageError, match="option " + next(iter(options))):
        read_sweep(path, **options)


def zipped(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


GOOD = (HEAD + "\n".join(ROWS) + "\n").encode()


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("bomb.csv.gz", gzip.compress(bytes(50_000_000))),
        ("bomb of text.csv.gz", gzip.compress(GOOD + b"1183.0,-90.1\n" * 3_000_000)),
        ("cut.csv.gz", gzip.compress(GOOD)[:-30]),
        ("damaged.csv.gz", gzip.compress(GOOD)[:20] + b"\x00\xff" * 20),
        ("bomb.zip", zipped({"a.csv": bytes(50_000_000)})),
        ("damaged.zip", zipped({"a.csv": GOOD})[:60]),
        ("nothing.zip", zipped({"notes.toml": b"port = 'co'"})),
    ],
    ids=lambda value: value if isinstance(value, str) else "",  # packed bytes hold the time of day
)
def test_packed_files_with_faults_are_refused(name: str, data: bytes, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(SweepFormatError) as caught:
        read_sweep(path)
    assert caught.value.source.startswith(name)


def test_packed_files_read_in_place(tmp_path: Path) -> None:
    plain, packed, both = tmp_path / "a.csv", tmp_path / "a.csv.gz", tmp_path / "a.zip"
    plain.write_bytes(GOOD)
    packed.write_bytes(gzip.compress(GOOD))
    both.write_bytes(zipped({"one.csv": GOOD, "sub/two.csv": GOOD, "one.csv.toml": b"port = 'co'"}))
    sweep = read_sweep(plain)
    assert (read_sweep(packed).level_dbm == sweep.level_dbm).all()
    assert read_sweep(packed).origin.sha256 != sweep.origin.sha256  # the bytes on the disk, not those inside
    two = read_sweeps(both)
    assert [s.origin.file for s in two] == ["a.zip/one.csv", "a.zip/sub/two.csv"]
    with pytest.raises(SweepFormatError, match="read_sweeps"):
        read_sweep(both)


@pytest.mark.parametrize(
    "text",
    [
        "9" * 5001 + ",5\n1,2\n2,3\n",
        "MHz,dBm\n" + "9" * 5001 + ",5\n1,2\n",
        "1000,1010,10,1e999,-90,-91\n",
        "Points: 1e999\nStart: 1 GHz\nStop: 2 GHz\nUnit: dBm\n-90\n-91\n-92\n",
        "Trace," + "1" * 5001 + "\nMHz,dBm\n1,-90\n2,-91\n",
        "Trace,²\nMHz,dBm\n1,-90\n2,-91\n3,-90\n",
        "Averages," + "7" * 5001 + "\nMHz,dBm\n1,-90\n2,-91\n3,-90\n",
    ],
    ids=["long_pair", "long_cell", "endless_count", "endless_points", "long_trace", "raised_trace", "long_averages"],
)
def test_numbers_beyond_any_sense_never_break_the_reader(text: str) -> None:
    """Found by the fuzz campaign: whatever comes of them, it is a sweep or an error of ours."""
    with contextlib.suppress(SpectraError):
        assert all(sweep.points >= 2 for sweep in read_bytes(text.encode(), "x.csv"))


@pytest.mark.parametrize("averages", [float("inf"), float("nan"), 2.5, 0])
def test_impossible_averages_are_refused(averages: float) -> None:
    with pytest.raises(SpectraError, match="averages"):
        read_bytes(b"MHz,dBm\n1,-90\n2,-91\n3,-90\n", "x.csv", averages=averages)
