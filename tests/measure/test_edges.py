"""Edges on few points: intervals against the scene's truth, where curvature alone promises too much (derived)."""

import numpy as np
import pytest

from spectra.measure import measure


@pytest.mark.parametrize(("average", "readings", "correlated"), [("log", 3, True), ("power", 2, False)])
def test_centres_of_sharp_edges_read_few_times(scenes, average, readings, correlated):
    """Of 120 centres at least 90 % lie in their 95 % intervals: 0.95 less 2.5 binomial deviations of 120."""
    setting = scenes.Setting(
        span_hz=300e6, points=301, rbw_hz=1e6, readings=readings, average=average, correlated=correlated
    )
    inside = count = 0
    for seed in range(30):
        rng = np.random.default_rng([seed, 31])
        signals = [
            scenes.Signal(1550e6 + (k - 1.5) * 70e6 + rng.uniform(-9e6, 9e6), rng.uniform(6e6, 14e6), 0.1, 12.0)
            for k in range(4)
        ]
        found = measure(scenes.sweep(rng, setting, signals)).carriers
        for true in signals:
            near = [c for c in found if abs(c.centre_hz - true.centre_hz) < 0.3 * true.symbol_rate_bd]
            if near:
                count += 1
                inside += abs(near[0].centre_hz - true.centre_hz) < 1.96 * near[0].centre_std_hz
    assert count > 110
    assert inside / count > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / count)
