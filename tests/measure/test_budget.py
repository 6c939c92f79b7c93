import dataclasses
import math

import numpy as np
import pytest

from spectra.errors import MeasurementError
from spectra.measure import measure
from spectra.measure.budget import QUANTITIES, Instrument, budget


@pytest.fixture(scope="module")
def measurement(scenes):
    setting = scenes.Setting(readings=30, ripple_db=1.5)
    signals = [scenes.Signal(1552e6, 27.5e6, 0.2, 10.0), scenes.Signal(1520.03e6, 0.0, 0.0, 14.0)]
    return measure(scenes.sweep(np.random.default_rng(5), setting, signals))


def test_combined_is_what_the_measurement_states(measurement):
    lines = budget(measurement)
    told = {(b.carrier, b.quantity) for b in lines}
    for k, carrier in enumerate(measurement.carriers):
        for quantity, (std, _) in QUANTITIES.items():
            assert ((k, quantity) in told) == (getattr(carrier, std) is not None)
    for one in lines:
        stated = getattr(measurement.carriers[one.carrier], QUANTITIES[one.quantity][0])
        assert one.combined_std == pytest.approx(stated, rel=1e-9)
        assert one.expanded == pytest.approx(2.0 * stated)
        for c in one.components:
            assert c.contribution == pytest.approx(abs(c.sensitivity) * c.value / c.divisor)


def test_declared_terms_are_added_as_squares(measurement):
    """10 ppm either way at 1552 MHz, rectangular: 15.52 kHz / sqrt(3) (JCGM 100 clause 4.3.7, from memory)."""
    with_papers = budget(measurement, Instrument(10.0, 1.5, 1e3, 0.01))
    plain = {(b.carrier, b.quantity): b for b in budget(measurement)}
    for one in with_papers:
        own = plain[one.carrier, one.quantity].combined_std
        added = math.sqrt(sum(c.contribution**2 for c in one.components if c.declared))
        assert one.combined_std == pytest.approx(math.hypot(own, added))
    (centre,) = [b for b in with_papers if b.quantity == "centre_hz" and b.value > 1540e6]
    (term,) = [c for c in centre.components if c.name == "reference"]
    assert term.contribution == pytest.approx(centre.value * 1e-5 / math.sqrt(3.0))
    (power,) = [b for b in with_papers if b.quantity == "power_dbm" and b.carrier == centre.carrier]
    assert {"level_accuracy", "noise_bandwidth", "statistical"} <= {c.name for c in power.components}
    (ratio,) = [b for b in with_papers if b.quantity == "cn_db"]
    assert "level_accuracy" not in {c.name for c in ratio.components}  # a ratio of two levels of one trace
    assert {"floor", "statistical"} <= {c.name for c in ratio.components}


def test_known_roll_off_would_narrow_the_rate(measurement):
    (rate,) = [b for b in budget(measurement) if b.quantity == "symbol_rate_bd"]
    parts = {c.name: c.contribution for c in rate.components}
    assert 0.0 < parts["roll_off"] < rate.combined_std


def test_stored_measurement_has_one_line(measurement):
    carriers = tuple(dataclasses.replace(c, parts=None) for c in measurement.carriers)
    for one in budget(dataclasses.replace(measurement, carriers=carriers)):
        assert one.combined_std == pytest.approx(one.stated_std)


def test_negative_accuracy_is_refused():
    with pytest.raises(MeasurementError, match="without a sign"):
        Instrument(reference_ppm=-1.0)
