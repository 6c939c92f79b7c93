import math

import numpy as np
import pytest

from spectra.errors import MeasurementError
from spectra.measure import measure
from spectra.measure.margin import against_modem, margin
from spectra.measure.measurement import Carrier


def test_margin_against_the_table(scenes):
    """8PSK 3/4 needs 7.91 dB (EN 302 307-1 table 13, transcription): 10 dB leave 2.09 dB."""
    setting = scenes.Setting(readings=50)
    swept = scenes.sweep(np.random.default_rng(7), setting, [scenes.Signal(1550e6, 20e6, 0.2, 10.0)])
    (carrier,) = measure(swept).carriers
    plain = margin(carrier, "8PSK", "3/4")
    assert abs(plain.margin_db - 2.09) < 4.0 * plain.margin_std_db
    assert plain.margin_std_db == carrier.es_n0_std_db
    real = margin(carrier, "8PSK", "3/4", implementation_loss_db=1.0)
    assert real.margin_db == pytest.approx(plain.margin_db - 1.0)
    told = real.to_dict()
    assert told["upper_limit"] is True
    assert "upper limit" in told["note"]
    assert "transcription" in told["requirement_source"]


def test_margin_is_a_bound_where_no_gap_shows_the_floor():
    bound = margin(Carrier("modulated", 1.5e9, cn_lower_bound_db=9.0), "QPSK", "3/4")
    assert bound.margin_db is None
    assert bound.margin_above_db == pytest.approx(9.0 - 4.03)
    assert margin(Carrier("cw", 1.5e9), "QPSK", "3/4") is None
    assert margin(Carrier("modulated", 1.5e9, es_n0_db=9.0), "QPSK", "12/13") is None


def test_impossible_loss_is_refused():
    with pytest.raises(MeasurementError, match="0 to 10 dB"):
        margin(Carrier("modulated", 1.5e9), "QPSK", "3/4", implementation_loss_db=-1.0)


def test_what_the_modem_sees_and_the_sweep_does_not():
    """Noise of equal power inside the transponder costs 3.01 dB (powers add, derived)."""
    carrier = Carrier("modulated", 1.5e9, es_n0_db=12.0, es_n0_std_db=0.1)
    lower = against_modem(carrier, 12.0 - 10.0 * math.log10(2.0))
    assert lower.difference_db == pytest.approx(3.0103, abs=1e-4)
    assert lower.difference_std_db == pytest.approx(math.hypot(0.1, 0.5))
    assert "0.0 dB" in lower.suggests
    assert "agree" in against_modem(carrier, 11.5).suggests
    assert "lower than the modem" in against_modem(carrier, 14.0).suggests
    assert against_modem(Carrier("cw", 1.5e9), 12.0) is None
