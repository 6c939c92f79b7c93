"""Saved shapes: each read back by pandas with what the shape says, and by the project's own readers."""

import io

import numpy as np
import pandas as pd
import pytest

from spectra.errors import SceneError
from spectra.readers import read_sweep
from spectra.simulate import Analyser, Spectrum, load_scene, simulate, sweep_spectrum
from spectra.simulate.layouts import encode_sweep
from spectra.simulate.scene import LAYOUTS

SPECTRUM = Spectrum(-140.0).with_carrier(1200e6, 20e6, 0.2, 10.0)
ANALYSER = Analyser(
    1150e6,
    1250e6,
    401,
    300e3,
    vbw_hz=1e6,
    detector="log_average",
    averages=8,
    readings=4,
    reference_level_dbm=-40.0,
    attenuation_db=5.0,
    sweep_time_s=0.25,
)
SWEEP = sweep_spectrum(SPECTRUM, ANALYSER, 1, also=("max_hold", "min_hold"))

# How pandas has to be told to read each shape: encoding, separator, decimal mark, unit of frequency.
TOLD = {
    "plain": ("utf-8", ",", ".", 1.0),
    "preamble": ("utf-8", ",", ".", 1.0),
    "three-traces": ("utf-8", ",", ".", 1.0),
    "decimal-comma": ("utf-8-sig", ";", ",", 1e6),
    "utf16-tab": ("utf-16", "\t", ".", 1e6),
}


@pytest.mark.parametrize("layout", sorted(TOLD))
def test_pandas_reads_frequencies_and_levels(layout):
    encoding, separator, decimal, unit = TOLD[layout]
    lines = encode_sweep(SWEEP, layout).decode(encoding).splitlines()
    title = next(number for number, line in enumerate(lines) if line.lower().startswith("frequency"))
    frame = pd.read_csv(io.StringIO("\n".join(lines[title:])), sep=separator, decimal=decimal)
    assert len(frame) == SWEEP.points
    assert np.abs(frame.iloc[:, 0].to_numpy() * unit - SWEEP.frequency_hz).max() < 0.51
    assert np.abs(frame.iloc[:, 1].to_numpy() - SWEEP.level_dbm).max() < 0.0051


def test_levels_only_has_as_many_rows_as_points():
    lines = encode_sweep(SWEEP, "levels").decode("utf-8").splitlines()
    rows = [float(line) for line in lines if line and line[0] in "-0123456789"]
    assert rows == pytest.approx(SWEEP.level_dbm, abs=0.0051)
    assert "# Start frequency: 1150000000 Hz" in lines and "# Points: 401" in lines


@pytest.mark.parametrize("layout", LAYOUTS)
def test_our_own_readers_give_the_sweep_back(layout, tmp_path):
    path = tmp_path / "sweep.csv"
    path.write_bytes(encode_sweep(SWEEP, layout))
    found = read_sweep(path)
    assert np.abs(found.frequency_hz - SWEEP.frequency_hz).max() < 0.51
    assert found.level_dbm == pytest.approx(SWEEP.level_dbm, abs=0.0051)
    if layout != "plain":  # which tells no settings
        settings = found.settings
        assert (settings.rbw_hz, settings.vbw_hz, settings.averages) == (300e3, 1e6, 8)
        assert (settings.detector, settings.trace_mode) == ("log_average", "average")
        assert (settings.reference_level_dbm, settings.attenuation_db, settings.sweep_time_s) == (-40.0, 5.0, 0.25)


@pytest.mark.parametrize(
    "detector", ["rms", "sample", "log_average", "voltage_average", "peak", "negative_peak", "normal"]
)
def test_our_own_readers_know_the_words_for_detectors(detector, tmp_path):
    sweep = sweep_spectrum(SPECTRUM, Analyser(1150e6, 1250e6, 101, 1e6, detector=detector), 1)
    path = tmp_path / "sweep.csv"
    path.write_bytes(encode_sweep(sweep, "preamble"))
    assert read_sweep(path).settings.detector == detector


def test_holds_lie_around_the_average_of_the_same_sweeps(scene_file, tmp_path):
    scene = load_scene(scene_file(old='file = "wide.csv"', new='file = "wide.csv"\nlayout = "three-traces"'))
    (path,) = simulate(scene, tmp_path / "out")
    lines = path.read_text(encoding="utf-8").splitlines()
    title = next(number for number, line in enumerate(lines) if line.startswith("Frequency ("))
    frame = pd.read_csv(io.StringIO("\n".join(lines[title:])))
    assert (frame["Max hold (dBm)"] >= frame["Average (dBm)"]).all()
    assert (frame["Min hold (dBm)"] <= frame["Average (dBm)"]).all()
    assert (frame["Max hold (dBm)"] > frame["Min hold (dBm)"]).mean() > 0.99


def test_unknown_layouts_and_missing_traces_are_refused():
    with pytest.raises(SceneError, match="decimal-comma"):
        encode_sweep(SWEEP, "fancy")
    with pytest.raises(SceneError, match="max_hold"):
        encode_sweep(sweep_spectrum(SPECTRUM, ANALYSER, 1), "three-traces")
