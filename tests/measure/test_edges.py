"""Edges on few points: intervals against the scene's truth, where curvature alone promises too much (derived)."""

import numpy as np
import pytest

from spectra.measure import measure
from spectra.signal.raised_cosine import occupied_fraction


@pytest.mark.parametrize(("average", "readings", "correlated"), [("log", 3, True), ("power", 2, False)])
def test_centres_of_sharp_edges_read_few_times(scenes, average, readings, correlated):
    """Of 120 of each at least 90 % lie in their 95 % intervals: 0.95 less 2.5 binomial deviations of 120."""
    setting = scenes.Setting(
        span_hz=300e6, points=301, rbw_hz=1e6, readings=readings, average=average, correlated=correlated
    )
    names, inside, count = ("centre_hz", "symbol_rate_bd", "occupied_bandwidth_hz"), np.zeros(3), np.zeros(3)
    for seed in range(30):
        rng = np.random.default_rng([seed, 31])
        signals = [
            scenes.Signal(1550e6 + (k - 1.5) * 70e6 + rng.uniform(-9e6, 9e6), rng.uniform(6e6, 14e6), 0.1, 12.0)
            for k in range(4)
        ]
        found = measure(scenes.sweep(rng, setting, signals)).carriers
        for true in signals:
            near = [c for c in found if abs(c.centre_hz - true.centre_hz) < 0.3 * true.symbol_rate_bd]
            if not near:
                continue
            occupied = true.symbol_rate_bd * occupied_fraction(true.roll_off)
            for j, value in enumerate((true.centre_hz, true.symbol_rate_bd, occupied)):
                told = getattr(near[0], names[j])
                if told is not None:
                    std = getattr(near[0], names[j].replace("_hz", "_std_hz").replace("_bd", "_std_bd"))
                    count[j] += 1
                    inside[j] += abs(told - value) < 1.96 * std
    assert np.all(count > 110)
    assert np.all(inside / count > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / count)), inside / count


def test_wide_carriers_read_once(scenes):
    """One reading a point: the roll-off is hardly told, and where the edges are depends on it."""
    setting = scenes.Setting(span_hz=600e6, points=501, rbw_hz=1e6, readings=1)
    inside, count = np.zeros(2), 0
    for seed in range(30):
        rng = np.random.default_rng([seed, 32])
        signals = [
            scenes.Signal(
                1550e6 + (k - 1.5) * 130e6 + rng.uniform(-9e6, 9e6),
                rng.uniform(20e6, 45e6),
                rng.uniform(0.05, 0.35),
                9.0,
            )
            for k in range(4)
        ]
        found = measure(scenes.sweep(rng, setting, signals)).carriers
        for true in signals:
            near = [c for c in found if abs(c.centre_hz - true.centre_hz) < 0.3 * true.symbol_rate_bd]
            if near and near[0].symbol_rate_bd is not None:
                count += 1
                inside[0] += abs(near[0].centre_hz - true.centre_hz) < 1.96 * near[0].centre_std_hz
                inside[1] += abs(near[0].symbol_rate_bd - true.symbol_rate_bd) < 1.96 * near[0].symbol_rate_std_bd
    assert count > 110
    assert np.all(inside / count > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / count)), inside / count
