import numpy as np

from spectra.measure import measure
from spectra.measure.figure import measurement_figure


def test_figure_shows_trace_floor_fit_and_residuals(scenes):
    setting = scenes.Setting(average="log")
    signals = [scenes.Signal(1552e6, 20e6, 0.2, 10.0), scenes.Signal(1520e6, 0.0, 0.0, 18.0)]
    measurement = measure(scenes.sweep(np.random.default_rng(5), setting, signals))
    figure = measurement_figure(measurement)
    traces = {t.name: t for t in figure.data}
    assert {"trace", "floor", "fit", "modulated", "cw", "trace minus fit"} <= set(traces)
    assert np.allclose(traces["trace"].x, setting.frequency_hz / 1e6)
    assert np.array_equal(traces["trace"].y, measurement.sweep.level_dbm)
    # The floor is drawn as the detector shows it: 2.51 dB under its power here (derived).
    assert abs(np.nanmedian(traces["floor"].y) - (measurement.floor.median_dbm - 2.507)) < 0.1
    assert figure.layout.xaxis2.title.text == "frequency / MHz"
    # Colour is never the only sign: kinds have marks of their own, lines dashes of their own.
    assert traces["modulated"].marker.symbol != traces["cw"].marker.symbol
    assert traces["floor"].line.dash != traces["fit"].line.dash


def test_figure_of_noise_alone(scenes):
    measurement = measure(scenes.sweep(np.random.default_rng(5), scenes.Setting(), []))
    assert "0 carriers" in measurement_figure(measurement).layout.title.text
