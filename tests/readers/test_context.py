"""Captures and their sidecars, inspection, contradictions, RF axes. No outside source: contracts of the project."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra import load_capture, read_sweep
from spectra.capture import Context, context_from_mapping, read_context, sidecar_path, write_context
from spectra.errors import ContextError, SweepFormatError, UsageError
from spectra.readers import LoNumbers, inspect_file, to_if_axis

ROWS = "".join(f"{1173 + 0.5 * i},{-90 - (i * 7919 % 13) / 10}\n" for i in range(20))


def put(tmp_path: Path, text: str, sidecar: str | None = None) -> Path:
    path = tmp_path / "noon.csv"
    path.write_text(text, encoding="utf-8")
    if sidecar is not None:
        sidecar_path(path).write_text(sidecar, encoding="utf-8")
    return path


def test_sidecar_gives_context_and_options(tmp_path: Path) -> None:
    path = put(
        tmp_path,
        "Frequency,Amplitude\n" + ROWS,
        'port = "co"\nlevel_unit = "dBuV"\nfrequency_unit = "MHz"\nrbw_hz = 100000.0\ndetector = "rms"\naverages = 16\n'
        'captured_at = 2026-03-14T12:00:00Z\nberth = "4"\n',
    )
    capture = load_capture(path)
    (sweep,) = capture.sweeps
    assert sweep.start_hz == 1173e6
    assert sweep.level_dbm[0] == pytest.approx(-90.0 - 106.98970004336019)
    assert (sweep.settings.rbw_hz, sweep.settings.detector, sweep.settings.averages) == (1e5, "rms", 16)
    assert capture.context.port == "co"
    assert capture.context.captured_at == datetime(2026, 3, 14, 12, tzinfo=UTC)
    assert capture.context.extra["berth"] == "4"
    assert capture.name == "noon.csv"


def test_what_the_caller_states_wins(tmp_path: Path) -> None:
    path = put(tmp_path, "Frequency (MHz),Level (dBm)\n" + ROWS, 'port = "co"\nvessel = "Invented"\naverages = 4\n')
    capture = load_capture(path, port="cross", averages=8)
    assert (capture.context.port, capture.context.vessel) == ("cross", "Invented")
    assert capture.sweeps[0].settings.averages == 8


def test_no_sidecar_is_no_fault(tmp_path: Path) -> None:
    capture = load_capture(put(tmp_path, "Frequency (MHz),Level (dBm)\n" + ROWS), lo_state="low")
    assert capture.context.lo_state == "low"


@pytest.mark.parametrize(
    ("sidecar", "words"),
    [
        ('port = "left"\n', "port"),
        ('level_unit = "dB"\n', "level_unit"),
        ("averages = 0\n", "averages"),
        ('rbw_hz = "wide"\n', "noon.csv.toml"),
        ("port = \n", "no TOML"),
    ],
)
def test_a_faulty_sidecar_is_told(sidecar: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ContextError, match=r"noon\.csv\.toml") as caught:
        load_capture(put(tmp_path, "Frequency (MHz),Level (dBm)\n" + ROWS, sidecar))
    assert words in str(caught.value)


VALUES = st.one_of(
    st.text(max_size=20), st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False, width=64)
)


@settings(max_examples=200, deadline=None)
@given(
    extra=st.dictionaries(
        st.text(max_size=10).map(lambda s: "x" + s), VALUES | st.lists(VALUES, max_size=3), max_size=4
    ),
    remark=st.none() | st.text(max_size=60),
    when=st.none() | st.datetimes(min_value=datetime(1, 1, 2), timezones=st.just(UTC)),
)
def test_written_context_reads_back(
    tmp_path_factory: pytest.TempPathFactory, extra: dict, remark: str | None, when: datetime | None
) -> None:
    """Reference: the standard library's TOML reader."""
    path = tmp_path_factory.mktemp("context") / "noon.csv.toml"
    context = Context(captured_at=when, remark=remark, port="co", pads_db=10.0, dc_block=True, extra=extra)
    write_context(context, path)
    tomllib.loads(path.read_text(encoding="utf-8"))
    back = read_context(path)
    assert back.to_dict() == context.to_dict()


def test_context_that_has_no_form_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ContextError):
        write_context(Context(extra={"x": object()}), tmp_path / "noon.csv.toml")
    assert not list(tmp_path.iterdir())


CONTRADICTIONS = {
    "points": ("Points,40\n", "quality.points_disagree: 40 points stated, 20 rows found"),
    "start": ("Start,1100,MHz\nStop,1182.5,MHz\n", "quality.start_disagrees"),
    "stop": ("Start,1173,MHz\nStop,1200,MHz\n", "quality.stop_disagrees"),
    "centre and span": ("Center,1200,MHz\nSpan,9.5,MHz\n", "quality.span_disagrees"),
    "span against stop": (
        "Start,1173,MHz\nStop,1182.5,MHz\nCenter,1177.75,MHz\nSpan,20,MHz\n",
        "quality.span_disagrees",
    ),
    "step": ("Step,100,kHz\n", "quality.step_disagrees"),
    "RBW stated twice": ("RBW,100,kHz\nRBW,30,kHz\n", "quality.stated_twice"),
    "level units": ("Y unit,dBuV\n", "quality.level_unit_disagrees"),
    "RBW without a unit": ("RBW,100\n", "quality.unit_missing"),
    "a date to be read in two ways": ("Date,03/04/2026\n", "quality.time_unclear"),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_contradictions_are_told_with_a_code(name: str, tmp_path: Path) -> None:
    preamble, code = CONTRADICTIONS[name]
    sweep = read_sweep(put(tmp_path, preamble + "Frequency (MHz),Level (dBm)\n" + ROWS))
    assert [w for w in sweep.origin.warnings if w.startswith(code)], sweep.origin.warnings
    assert sweep.points == 20


@pytest.mark.parametrize(
    "preamble",
    [
        "Points,20\nStart,1173,MHz\nStop,1182.5,MHz\nCenter,1177.75,MHz\nSpan,9.5,MHz\nStep,500,kHz\n",
        "Start,1172.75,MHz\nStop,1182.75,MHz\n",  # the points are centres of bins
        "RBW,100,kHz\nRBW,100,kHz\n",
        "CF Step,10,MHz\n",  # a key's step, not that of the points
    ],
)
def test_what_agrees_is_not_told(preamble: str, tmp_path: Path) -> None:
    assert not read_sweep(put(tmp_path, preamble + "Frequency (MHz),Level (dBm)\n" + ROWS)).origin.warnings


def test_stated_settings_win_with_a_note(tmp_path: Path) -> None:
    path = put(tmp_path, "RBW,100,kHz\nDetector,RMS\nAverages,8\nFrequency (MHz),Level (dBm)\n" + ROWS)
    sweep = read_sweep(path, rbw_hz=3e5, detector="sample", averages=16)
    assert (sweep.settings.rbw_hz, sweep.settings.detector, sweep.settings.averages) == (3e5, "sample", 16)
    assert sum(w.startswith("quality.stated_differently") for w in sweep.origin.warnings) == 3


def test_trace_is_chosen_by_name_number_and_mode(tmp_path: Path) -> None:
    text = "Frequency (MHz),Clear/Write (dBm),Average (dBm),Max hold (dBm)\n" + "".join(
        f"{1173 + i},{-90 - i % 3},{-80 - i % 4},{-70 - i % 5}\n" for i in range(20)
    )
    path = put(tmp_path, text)
    assert read_sweep(path).level_dbm[0] == -80.0
    for trace, level, mode in (
        (1, -90.0, "clear_write"),
        ("Max hold", -70.0, "max_hold"),
        ("max_hold", -70.0, "max_hold"),
        ("live", -90.0, "clear_write"),
        ("2", -80.0, "average"),
    ):
        sweep = read_sweep(path, trace=trace)
        assert (sweep.level_dbm[0], sweep.settings.trace_mode) == (level, mode), trace
        assert len(sweep.traces) == 2
    with pytest.raises(SweepFormatError, match="no trace 'fourth'"):
        read_sweep(path, trace="fourth")


def test_inspection_tells_lines_assumptions_and_the_ignored(tmp_path: Path) -> None:
    path = put(
        tmp_path,
        "Title,Berth 4\nRBW,100,kHz\nDetector,RMS\nTemperature,21\nFrequency (MHz),Level (dBm)\n" + ROWS,
    )
    seen = inspect_file(path)
    assert seen.error is None
    assert {(use.line, use.setting) for use in seen.used} >= {(2, "rbw"), (3, "detector"), (5, "names of the columns")}
    assert {use.line for use in seen.ignored} == {1, 4}
    assert seen.layout == "frequency-level-rows"
    assert 0.0 < seen.certainty <= 1.0
    whole = json.loads(json.dumps(seen.to_dict(), allow_nan=False))
    assert whole["sweeps"][0]["rbw_hz"] == 1e5
    assert whole["used"][0]["text"] == "RBW,100,kHz"


def test_inspection_of_a_refused_file_tells_why(tmp_path: Path) -> None:
    seen = inspect_file(put(tmp_path, "RBW,100,kHz\nFrequency (MHz),Gain (dB)\n" + ROWS))
    assert seen.error is not None
    assert "level_unit" in seen.error.mend
    assert not seen.sweeps
    assert any(use.setting == "rbw" for use in seen.used)
    with pytest.raises(UsageError):
        inspect_file(tmp_path / "noon.csv", level_unit="dB")


def rf_sweep(tmp_path: Path, start_mhz: float):
    rows = "".join(f"{start_mhz + 0.5 * i},{-90 - i / 10}\n" for i in range(20))
    return read_sweep(put(tmp_path, "Frequency (MHz),Level (dBm)\n" + rows))


LOW = LoNumbers(9750e6, "low", 10700e6, 11700e6, "low")
HIGH = LoNumbers(10600e6, "low", 11700e6, 12750e6, "high")


def test_rf_axis_comes_back_to_if(tmp_path: Path) -> None:
    """IF = RF - LO on the low side (derived)."""
    sweep = rf_sweep(tmp_path, 10950.0)
    converted = to_if_axis(sweep, 950e6, 2150e6, [LOW, HIGH])
    assert converted is not None
    np.testing.assert_allclose(converted.frequency_hz, sweep.frequency_hz - 9750e6)
    assert converted.level_dbm.tolist() == sweep.level_dbm.tolist()
    assert "LO 9750.000000 MHz" in converted.origin.assumptions[-1]


def test_rf_axis_of_high_side_injection_is_turned(tmp_path: Path) -> None:
    """IF = LO - RF on the high side: the spectrum is turned round (derived)."""
    sweep = rf_sweep(tmp_path, 3800.0)
    converted = to_if_axis(sweep, 950e6, 2150e6, [(5150e6, "high", 3400e6, 4200e6)])
    assert converted is not None
    assert converted.start_hz == pytest.approx(5150e6 - sweep.stop_hz)
    assert converted.level_dbm.tolist() == sweep.level_dbm.tolist()[::-1]


def test_if_axis_and_foreign_axis_stay(tmp_path: Path) -> None:
    assert to_if_axis(rf_sweep(tmp_path, 1173.0), 950e6, 2150e6, [LOW, HIGH]) is None
    assert to_if_axis(rf_sweep(tmp_path, 18300.0), 950e6, 2150e6, [LOW, HIGH]) is None


def test_rf_axis_that_fits_two_states_is_refused(tmp_path: Path) -> None:
    wide = [LO._replace(rf_min_hz=None, rf_max_hz=None) for LO in (LOW, HIGH)]
    with pytest.raises(SweepFormatError, match="fits LO"):
        to_if_axis(rf_sweep(tmp_path, 11710.0), 950e6, 2150e6, wide)


def test_context_keys_are_checked() -> None:
    with pytest.raises(ContextError, match="port"):
        context_from_mapping({"port": "left"}, "options")
