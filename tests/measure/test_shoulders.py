"""Sweeps beyond the ends of the first IF, 950 to 2150 MHz (common practice, no source): the chain's gain falls away.

Truth: the gain laid over a simulated trace; a maximally flat response of order 4 (Butterworth) down to the analyser's
own noise, and a straight fall of a low band's end.
"""

import numpy as np
import pytest

from spectra.measure import measure
from spectra.measure.shoulders import shoulders
from spectra.sweep import Sweep

SPAN_HZ = 1300e6  # 900 to 2200 MHz
_OWN_NOISE = 10.0**-1.8  # of the analyser, under that of the chain


def butterworth(hz):
    beyond = np.maximum(950e6 - hz, hz - 2150e6)
    power = 1.0 / (1.0 + np.clip((beyond + 12e6) / 12e6, 0.0, None) ** 8)
    return 10.0 * np.log10((power + _OWN_NOISE) / (1.0 + _OWN_NOISE))


def low_band(hz):
    return -0.2 * np.clip((hz - 1960e6) / 1e6, 0.0, None)


def through(scenes, setting, signals, gain_db, seed):
    plain = scenes.sweep(np.random.default_rng(seed), setting, signals)
    level = plain.level_dbm + gain_db(plain.frequency_hz)
    return Sweep.from_arrays(
        plain.frequency_hz, level, rbw_hz=setting.rbw_hz, detector="rms", averages=setting.readings
    )


@pytest.mark.parametrize("gain_db", [butterworth, low_band])
@pytest.mark.parametrize(("readings", "rbw_hz"), [(10, 1e6), (100, 3e6)])
def test_a_shoulder_is_no_carrier(scenes, gain_db, readings, rbw_hz):
    setting = scenes.Setting(span_hz=SPAN_HZ, rbw_hz=rbw_hz, readings=readings, tilt_db=3.0)
    signals = [scenes.Signal(1250e6, 27.5e6, 0.2, 9.0), scenes.Signal(1900e6, 36e6, 0.25, 8.0)]
    false = 0
    for seed in range(5):
        swept = through(scenes, setting, signals if seed % 2 else [], gain_db, [61, seed])
        found = measure(swept).carriers
        hits = [c for c in found if any(abs(c.centre_hz - s.centre_hz) < 3e6 for s in signals)]
        assert len(hits) == (2 if seed % 2 else 0)
        false += len(found) - len(hits)
    assert false <= 2  # before shoulders were known: one to three a sweep


def test_levels_are_those_of_the_trace_with_the_shoulder_in(scenes):
    """C/N does not know of the gain, floor and power do."""
    setting = scenes.Setting(span_hz=SPAN_HZ, rbw_hz=1e6, readings=30)
    signals = [scenes.Signal(1250e6, 27.5e6, 0.2, 9.0), scenes.Signal(2020e6, 20e6, 0.2, 10.0)]
    measurement = measure(through(scenes, setting, signals, low_band, 62))
    inside, outside = measurement.carriers
    assert outside.cn_db == pytest.approx(10.0, abs=4.0 * outside.cn_std_db)
    apart = outside.power_dbm - inside.power_dbm - 10.0 * np.log10(20e6 / 27.5e6) - 1.0
    assert apart == pytest.approx(float(low_band(np.array(2020e6))), abs=0.6)
    hz = measurement.sweep.frequency_hz
    wanted = -95.0 + low_band(hz)
    assert np.abs(measurement.floor.level_dbm - wanted).max() < 1.5
    assert np.sqrt(np.mean((measurement.floor.level_dbm - wanted) ** 2)) < 0.3


@pytest.mark.parametrize("occupied", [0.0, 0.5, 0.9, 0.97])
@pytest.mark.parametrize("span_hz", [1200e6, SPAN_HZ])
def test_none_is_seen_where_there_is_none(scenes, occupied, span_hz):
    """Neither on noise nor where carriers fill the span and leave the floor to its ends."""
    for seed in range(6):
        setting = scenes.Setting(span_hz=span_hz, rbw_hz=1e6, readings=10 if seed % 2 else 100, tilt_db=3.0)
        rng = np.random.default_rng([63, seed])
        signals = scenes.crowd(rng, setting, 20, occupied) if occupied else []
        swept = scenes.sweep(rng, setting, signals)
        y = swept.level_dbm / 4.342944819
        assert shoulders(swept.frequency_hz, y, 1.0 / np.sqrt(setting.readings)) is None
