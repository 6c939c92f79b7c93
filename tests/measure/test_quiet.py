"""The law of the points while a scene still lacks carriers: simulated sweeps whose readings are known."""

import numpy as np
import pytest

from spectra.measure import measure
from spectra.measure.statistics import filter_lags, first_law, refined_law
from spectra.signal.detectors import power_law
from spectra.sweep import Settings


def test_narrow_neighbours_do_not_hide_each_other(scenes):
    """Combs of four 6 MBd carriers, 3.6 MHz between them at half power, RBW 1 MHz, ten readings, over the whole span.

    Each gap alone is some twenty in ln(likelihood); of all carriers two thirds at least are to be told apart.
    """
    setting = scenes.Setting(span_hz=1200e6, rbw_hz=1e6)
    told, true = 0, 0
    for seed in range(3):
        rng = np.random.default_rng([seed, 71])
        signals = [
            scenes.Signal(970e6 + comb * 66e6 + k * 9.6e6 + rng.uniform(0.0, 1e6), 6e6, 0.25, rng.uniform(9.0, 12.0))
            for comb in range(17)
            for k in range(4)
        ]
        told += len(measure(scenes.sweep(rng, setting, signals)).carriers)
        true += len(signals)
    assert 0.67 * true < told <= 1.02 * true


@pytest.mark.parametrize(("odd", "wanted"), [(0.0, (8.0, 12.5)), (0.25, (8.0, 13.0))])
def test_law_of_the_quieter_stretches(odd, wanted):
    """Ten readings a point (gamma variates); dips of 8 dB in some stretches pass for noise in the law of all alone."""
    rng = np.random.default_rng(7)
    law = power_law(10.0)
    n = 1000
    residual = law.offset + law.scale * np.log(rng.gamma(law.shape, 1.0 / law.shape, n))
    stretch = (np.arange(n) // 100) % 4 == 0 if odd else np.zeros(n, dtype=bool)
    residual[stretch & (np.arange(n) % 9 < 2)] -= 1.8
    settings = Settings(rbw_hz=1e6, detector="rms", averages=10)
    before = first_law(residual, 1.2e6, settings)
    lost = np.full(filter_lags(n, 1.2e6, 1e6).size + 1, 3.0)
    every, quiet = (
        refined_law(before, residual, np.ones(n, bool), lost, 1.2e6, settings, even) for even in (False, True)
    )
    assert wanted[0] < quiet.law.readings < wanted[1]
    assert (every.law.readings < 6.0) == (odd > 0.0)


@pytest.mark.parametrize("room", [8.0, 10.0])
def test_a_weak_narrow_carrier_alone_in_a_gap_is_not_taken_for_floor(scenes, room: float) -> None:
    """A soft floor rises under it, where gaps are few: a stiffer one must be asked what it leaves standing."""
    setting, missed = scenes.Setting(span_hz=1200e6, points=1001, rbw_hz=1e6), 0
    spacing = setting.span_hz / 1000
    for seed in range(200, 220):
        rng = np.random.default_rng(seed)
        place, signals, narrow = 20.0, [], 0.0
        while place < 930.0:
            width = rng.uniform(25.0, 45.0)
            centre = setting.frequency_hz[0] + (place + 0.5 * width) * spacing
            signals.append(scenes.Signal(centre, width * spacing, 0.2, rng.uniform(10.0, 15.0)))
            place += width + room
            if place > 400.0 and not narrow:
                narrow = setting.frequency_hz[0] + place * spacing
                signals.append(scenes.Signal(narrow, 3.2e6, 0.2, 5.0))
            place += room
        carriers = measure(scenes.sweep(rng, setting, signals)).carriers
        missed += min(abs(carrier.centre_hz - narrow) for carrier in carriers) > 2.5e6
    assert missed <= 1
