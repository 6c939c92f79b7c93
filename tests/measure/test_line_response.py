"""Slope and standing waves of the line: readings drawn one by one through a line whose gain slopes and ripples.

The truth is the scene's own (no source needed); the intervals are judged by the binomial law.
"""

import numpy as np
import pytest

from spectra.measure import measure


def test_ripple_alone_is_no_carrier(scenes):
    """2 dB of ripple over 60 MHz under 3 dB of slope: floor only, and known to a tenth of a decibel."""
    setting = scenes.Setting(span_hz=1200e6, rbw_hz=1.2e6, readings=100, ripple_db=2.0, tilt_db=3.0)
    for seed in range(3):
        found = measure(scenes.sweep(np.random.default_rng(seed), setting, []))
        assert not found.carriers
        assert np.abs(found.floor.level_dbm - scenes.floor_dbm(setting)).max() < 0.2


@pytest.mark.parametrize("period_hz", [20e6, 60e6, 180e6])
def test_ripple_under_carriers(scenes, period_hz):
    """1.5 dB of ripple, half of the span occupied: the floor follows it where gaps show it."""
    setting = scenes.Setting(
        span_hz=1200e6, points=2001, rbw_hz=1e6, readings=20, ripple_db=1.5, period_hz=period_hz, tilt_db=-4.0
    )
    rng = np.random.default_rng(7)
    signals = scenes.crowd(rng, setting, 12, 0.45)
    found = measure(scenes.sweep(rng, setting, signals))
    assert len(found.carriers) == 12
    apart = np.abs(found.floor.level_dbm - scenes.floor_dbm(setting))
    assert np.sqrt(np.mean(apart[found.floor.observed] ** 2)) < 0.1


def test_rates_and_ratios_through_a_rippled_line(scenes):
    """The line's ripple inside a carrier's width is not its own shape: pulls of all quantities stay honest."""
    pulls = {"centre": [], "rate": [], "cn": []}
    setting = scenes.Setting(span_hz=600e6, points=1001, rbw_hz=500e3, readings=30, ripple_db=0.8, period_hz=45e6)
    for seed in range(8):
        rng = np.random.default_rng([seed, 21])
        signals = [
            scenes.Signal(1550e6 + (k - 2) * 110e6 + rng.uniform(-5e6, 5e6), 22e6, 0.25, rng.uniform(6.0, 14.0))
            for k in range(5)
        ]
        found = measure(scenes.sweep(rng, setting, signals))
        assert len(found.carriers) == 5
        for one, true in zip(found.carriers, signals, strict=True):
            pulls["centre"].append((one.centre_hz - true.centre_hz) / one.centre_std_hz)
            pulls["rate"].append((one.symbol_rate_bd - true.symbol_rate_bd) / one.symbol_rate_std_bd)
            pulls["cn"].append((one.cn_db - true.cn_db) / one.cn_std_db)
    for values in pulls.values():  # 40 pulls: rms 1 within three of its deviations, mean 0 within three
        assert np.sqrt(np.mean(np.square(values))) < 1.0 + 3.0 / np.sqrt(80.0)
        assert abs(np.mean(values)) < 3.0 / np.sqrt(40.0)


def test_slope_does_not_move_the_centre(scenes):
    """A slope of 0.05 dB a megahertz would shift the edges by 0.2 % of the width if it were the carrier's own."""
    pulls = []
    for seed in range(10):
        rng = np.random.default_rng([seed, 22])
        setting = scenes.Setting(span_hz=200e6, points=1001, rbw_hz=300e3, readings=50, tilt_db=-10.0)
        true = scenes.Signal(1550e6 + rng.uniform(-20e6, 20e6), 36e6, 0.2, 12.0)
        found = measure(scenes.sweep(rng, setting, [true])).carriers
        assert len(found) == 1
        pulls.append((found[0].centre_hz - true.centre_hz) / found[0].centre_std_hz)
    assert abs(np.mean(pulls)) < 3.0 / np.sqrt(10.0)
    assert np.sqrt(np.mean(np.square(pulls))) < 1.7
