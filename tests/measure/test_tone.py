"""CW or a narrow carrier: told by its scatter where a slow sweep shows it often, left open where the trace cannot tell.

Terminals detect carriers down to 300 kHz (common practice, no source): none of these may be called unmodulated.
"""

import numpy as np
import pytest

from spectra.measure import measure


def kinds(scenes, setting, rate_bd, trials, seed):
    found = []
    for k in range(trials):
        rng = np.random.default_rng([seed, k])
        excess_db = 10.0 * np.log10(setting.rbw_hz / rate_bd) if rate_bd else 0.0  # the same peak for all
        signal = scenes.Signal(1550e6 + rng.uniform(-2e6, 2e6), rate_bd, 0.2, 14.0 + excess_db)
        carriers = measure(scenes.sweep(rng, setting, [signal])).carriers
        found += [c for c in carriers if abs(c.centre_hz - signal.centre_hz) < setting.rbw_hz]
    assert len(found) >= trials - 1
    return found


@pytest.mark.parametrize(("span_hz", "correlated"), [(1200e6, False), (600e6, True), (200e6, True)])
def test_a_carrier_of_300_kbd_is_not_called_a_cw_where_nothing_tells(scenes, span_hz, correlated):
    setting = scenes.Setting(span_hz=span_hz, rbw_hz=1e6, readings=30, correlated=correlated)
    for rate_bd in (300e3, 0.0):
        found = kinds(scenes, setting, rate_bd, 6, 51)
        assert [c.kind for c in found].count("cw") <= 1
        assert all("below_resolution" in c.flags and c.symbol_rate_bd is None for c in found if c.kind == "unresolved")


def test_a_slow_sweep_tells_them_apart(scenes):
    """Five independent points in a filter's width, ten readings: a CW of 14 dB scatters a fifth of what noise does."""
    setting = scenes.Setting(span_hz=200e6, rbw_hz=1e6, readings=10)
    tones = [c.kind for c in kinds(scenes, setting, 0.0, 12, 52)]
    carriers = [c.kind for c in kinds(scenes, setting, 300e3, 12, 53)]
    assert tones.count("cw") >= 5
    assert carriers.count("cw") <= 2
    assert carriers.count("unresolved") >= 9
