"""Exchange files intended to follow Rec. ITU-R SM.1809 and our own CSV: reading, writing, round trips.

Source of the exchange format: Rec. ITU-R SM.1809-0 (2007); list of clauses read, field table and syntax from memory.
The example below is the project's own; its check values are derived: spacing (1102000 - 1100000) / 10 kHz.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spectra import Settings, Sweep, read_sweep, read_sweeps
from spectra.errors import SweepFormatError, UsageError
from spectra.readers import write_sm1809, write_sweep
from spectra.readers.layouts.sm1809 import position_deg
from spectra.sweep import DETECTORS, TRACE_MODES, Origin

EXAMPLE = """FileType Standard Data exchange Format 2.0
LocationName Quay 4 test berth
Latitude 54.30.00N
Longitude 003.12.30W
FreqStart 1100000
FreqStop 1102000
AntennaType 1.0 m stabilised offset reflector
FilterBandwidth 30
LevelUnits dBm
Date 2026-03-14
DataPoints 11
ScanTime 0.5
Detector RMS
Note axis=IF; LO_kHz=9750000; side=low; pol=V; VBW_kHz=300; Z_ohm=50
AntennaAzimuth 160.20
Attenuation 0
Multiscan N

13:05:00,-82.1,-82.3,-81.9,-74.0,-71.1,-71.0,-71.2,-74.2,-82.0,-82.2,-82.1
13:05:10,-82.2,-82.0,-82.1,-74.1,-71.0,-71.1,-71.1,-74.0,-82.1,-82.3,-82.0
"""


def put(tmp_path: Path, text: str, name: str = "scan.txt") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8", newline="")
    return path


def test_example_reads_as_told(tmp_path: Path) -> None:
    first, second = read_sweeps(put(tmp_path, EXAMPLE))
    assert first.points == 11
    assert first.frequency_hz[3] == pytest.approx(1_100_600e3)
    assert first.spacing_hz == pytest.approx(200e3)
    assert first.level_dbm[4] == -71.1
    assert first.settings.rbw_hz == 30e3
    assert first.settings.vbw_hz == 300e3
    assert first.settings.detector == "rms"
    assert first.settings.sweep_time_s == 0.5
    assert first.settings.attenuation_db == 0.0
    assert first.origin.captured_at == datetime(2026, 3, 14, 13, 5, tzinfo=UTC)
    assert second.origin.captured_at == datetime(2026, 3, 14, 13, 5, 10, tzinfo=UTC)
    assert first.origin.layout == "sm1809"
    assert not first.origin.warnings
    with pytest.raises(SweepFormatError, match="read_sweeps"):
        read_sweep(put(tmp_path, EXAMPLE))


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.replace("FreqStart ", "freqstart\t").replace("FreqStop ", "FREQSTOP="),
        lambda t: t.replace("Multiscan N\n\n", "Multiscan N\n"),
        lambda t: "\n".join(
            line.replace(".", "#").replace(",", ";").replace("#", ",") if line[:2] == "13" else line
            for line in t.split("\n")
        ),
        lambda t: t.replace("LevelUnits dBm", "LevelUnits dBm\nUnheardOf some value"),
    ],
)
def test_tolerated(change, tmp_path: Path) -> None:
    sweeps = read_sweeps(put(tmp_path, change(EXAMPLE)))
    assert [s.level_dbm[4] for s in sweeps] == [-71.1, -71.0]
    assert sweeps[0].start_hz == 1.1e9


def test_midnight_passes(tmp_path: Path) -> None:
    text = EXAMPLE.replace("13:05:00", "23:59:55").replace("13:05:10", "00:00:05")
    first, second = read_sweeps(put(tmp_path, text))
    assert first.origin.captured_at is not None
    assert second.origin.captured_at is not None
    assert second.origin.captured_at - first.origin.captured_at == timedelta(seconds=10)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("Multiscan N", "Multiscan Y", "Multiscan"),
        ("DataPoints 11", "DataPoints 12", "11 levels"),
        (",-82.2,-82.1\n", "\n", "9 levels"),
        ("LevelUnits dBm", "LevelUnits dBuV/m", "level unit"),
        ("FreqStop 1102000", "FreqStop 1099000", "stop above the start"),
        ("-74.2", "n.a.x", ""),
    ],
)
def test_exchange_faults_are_refused(old: str, new: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(SweepFormatError) as caught:
        read_sweeps(put(tmp_path, EXAMPLE.replace(old, new)))
    assert words in str(caught.value)


@pytest.mark.parametrize(("start", "stop"), [("1100", "1102"), ("1100000000", "1102000000")])
def test_wrong_unit_is_told_never_rescaled(start: str, stop: str, tmp_path: Path) -> None:
    text = EXAMPLE.replace("FreqStart 1100000", f"FreqStart {start}").replace("FreqStop 1102000", f"FreqStop {stop}")
    sweep = read_sweeps(put(tmp_path, text))[0]
    assert sweep.start_hz == float(start) * 1e3
    assert any(w.startswith("quality.frequency_unit_suspect") for w in sweep.origin.warnings)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("54.30.00N", 54.5), ("003.12.30W", -3.208333333333333), ("54.60.00N", None), ("54.5", None)],
)
def test_positions_are_degrees_minutes_seconds(text: str, degrees: float | None) -> None:
    assert position_deg(text) == (None if degrees is None else pytest.approx(degrees, abs=1e-12))


def sweep_at(seconds: int = 0) -> Sweep:
    frequency = 1.1e9 + np.arange(21) * 100e3
    level = -80.0 - np.random.default_rng(seconds).normal(0.0, 2.0, 21).round(1)
    when = datetime(2026, 3, 14, 13, 5, tzinfo=UTC) + timedelta(seconds=seconds)
    return Sweep(
        frequency,
        level,
        Settings(rbw_hz=30e3, vbw_hz=300e3, detector="rms", averages=8, trace_mode="average", sweep_time_s=0.5),
        Origin(file="raw.csv", sha256="ab" * 32, captured_at=when),
    )


WHERE = {"location_name": "Quay 4", "latitude_deg": 54.5, "longitude_deg": -3.20833333}


def test_written_exchange_file_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    sweeps = [sweep_at(0), sweep_at(10)]
    write_sm1809(sweeps, path, **WHERE, note="axis=IF; LO_kHz=9750000")
    text = path.read_text(encoding="ascii")
    assert "Latitude 54.30.00N\nLongitude 003.12.30W\n" in text
    assert "not checked against the text" in text
    back = read_sweeps(path)
    for sweep, again in zip(sweeps, back, strict=True):
        np.testing.assert_allclose(again.frequency_hz, sweep.frequency_hz, rtol=1e-12)
        assert again.level_dbm.tolist() == sweep.level_dbm.tolist()
        assert again.settings.rbw_hz == sweep.settings.rbw_hz
        assert again.settings.vbw_hz == sweep.settings.vbw_hz
        assert again.settings.averages == 8
        assert again.settings.trace_mode == "average"
        assert again.origin.captured_at == sweep.origin.captured_at


@pytest.mark.parametrize(
    "spoil",
    [
        lambda s: [],
        lambda s: [replace(s, settings=replace(s.settings, rbw_hz=None))],
        lambda s: [replace(s, settings=replace(s.settings, detector=None))],
        lambda s: [replace(s, origin=replace(s.origin, captured_at=None))],
        lambda s: [s, s],
        lambda s: [replace(s, frequency_hz=np.sqrt(np.linspace(1e18, 2e18, s.points)))],
        lambda s: [s, replace(sweep_at(5), frequency_hz=s.frequency_hz + 1.0)],
    ],
)
def test_what_the_exchange_format_cannot_say_is_refused(spoil, tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    with pytest.raises(UsageError):
        write_sm1809(spoil(sweep_at()), path, **WHERE)
    assert not path.exists()


@st.composite
def sweeps(draw: st.DrawFn) -> Sweep:
    n = draw(st.integers(2, 30))
    number = st.floats(-299.0, 299.0, allow_nan=False)
    steps = draw(st.lists(st.floats(1e-3, 1e7), min_size=n, max_size=n))
    frequency = draw(st.floats(0.0, 3e9)) + np.cumsum(steps)
    if not (np.diff(frequency) > 0.0).all():
        frequency = 1e9 + np.arange(n) * 1e5
    level = np.array(draw(st.lists(number, min_size=n, max_size=n)))
    positive = st.none() | st.floats(1e-3, 1e9)
    text = st.text(max_size=12)
    return Sweep(
        frequency,
        level,
        Settings(
            rbw_hz=draw(positive),
            vbw_hz=draw(positive),
            detector=draw(st.none() | st.sampled_from(DETECTORS)),
            averages=draw(st.none() | st.integers(1, 10**6)),
            trace_mode=draw(st.none() | st.sampled_from(TRACE_MODES)),
            reference_level_dbm=draw(st.none() | number),
            attenuation_db=draw(st.none() | number),
            sweep_time_s=draw(positive),
            extra=draw(st.dictionaries(text, text, max_size=3)),
        ),
        Origin(captured_at=draw(st.none() | st.datetimes(timezones=st.just(UTC)))),
        dict.fromkeys(draw(st.lists(text, max_size=2, unique=True)), level - 1.0),
    )


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sweep=sweeps())
def test_our_own_csv_reads_back_identical(sweep: Sweep, tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    write_sweep(sweep, path)
    back = read_sweep(path)
    assert back.frequency_hz.tolist() == sweep.frequency_hz.tolist()
    assert back.level_dbm.tolist() == sweep.level_dbm.tolist()
    assert back.settings == sweep.settings
    assert list(back.traces) == list(sweep.traces)
    assert all((back.traces[name] == sweep.traces[name]).all() for name in sweep.traces)
    assert back.origin.captured_at == sweep.origin.captured_at
    assert back.origin.layout == "sweepmuster-csv"


def test_writing_never_touches_the_raw_file(tmp_path: Path) -> None:
    raw = put(tmp_path, "Frequency (MHz),Level (dBm)\n1173,-90.5\n1174,-91.5\n1175,-90.1\n", "raw.csv")
    before = raw.read_bytes()
    sweep = read_sweep(raw)
    with pytest.raises(UsageError, match="raw file"):
        write_sweep(sweep, raw)
    assert raw.read_bytes() == before
    write_sweep(sweep, tmp_path / "own.csv")
    write_sweep(sweep, tmp_path / "own.csv")  # our own file may be written again
    assert sorted(p.name for p in tmp_path.iterdir()) == ["own.csv", "raw.csv"]  # and nothing is left beside it


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(SweepFormatError, match="cannot be written"):
        write_sweep(sweep_at(), tmp_path / "no" / "such" / "folder" / "own.csv")


def test_failing_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "own.csv"
    write_sweep(sweep_at(), path)
    before = path.read_bytes()

    def fail(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(SweepFormatError, match="No space left"):
        write_sweep(sweep_at(10), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["own.csv"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: t.replace("# rbw_hz: 30000.0", "# rbw_hz: 30000.0."),
        lambda t: t.replace("# rbw_hz: 30000.0", '# rbw_hz: "wide"'),
        lambda t: t.replace("# rbw_hz: 30000.0", "# rbw_hz: -1"),
        lambda t: t.replace("frequency_hz,level_dbm", "frequency,level"),
        lambda t: t.replace('"rms"', '"fast"'),
        lambda t: t[:-20],
        lambda t: t.partition("frequency_hz")[0],
        lambda t: t + "not a row\n",
    ],
)
def test_damaged_own_csv_is_refused(spoil, tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    write_sweep(sweep_at(), path)
    path.write_text(spoil(path.read_text(encoding="ascii")), encoding="ascii")
    with pytest.raises(SweepFormatError) as caught:
        read_sweep(path)
    assert caught.value.source == "own.csv"
    assert math.isfinite(caught.value.line or 0)
