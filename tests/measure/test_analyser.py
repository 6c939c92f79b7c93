import dataclasses
import math

import numpy as np
import pytest

from spectra.errors import MeasurementError
from spectra.measure import measure
from spectra.measure.analyser import without_analyser_noise


def pair(scenes, seed, own_dbm, readings=50, own_rbw=None):
    """A carrier 8 dB over a floor of -95 dBm of which the analyser makes `own_dbm`; and the analyser alone."""
    setting = scenes.Setting(readings=readings)
    alone = scenes.Setting(readings=readings, floor_dbm=own_dbm, rbw_hz=own_rbw or setting.rbw_hz)
    rng = np.random.default_rng(seed)
    line = measure(scenes.sweep(rng, setting, [scenes.Signal(1550e6, 20e6, 0.2, 8.0)]))
    return line, measure(scenes.sweep(rng, alone, []))


def test_truth_is_recovered_within_its_uncertainty(scenes):
    """Powers add: of -95 dBm, -98 dBm are 10^-0.3; C/N over the rest is 8 - 10 log10(1 - 10^-0.3) = 11.02 dB."""
    share = 10.0**-0.3
    truth, pulls, floors = 8.0 - 10.0 * math.log10(1.0 - share), [], []
    for seed in range(12):
        line, alone = pair(scenes, seed, -98.0)
        clean = without_analyser_noise(line, alone)
        (carrier,) = clean.carriers
        pulls.append((carrier.cn_db - truth) / carrier.cn_std_db)
        floors.append(clean.floor.median_dbm + 95.0 - 10.0 * math.log10(1.0 - share))
        assert carrier.power_dbm == line.carriers[0].power_dbm
        assert carrier.cn_std_db > line.carriers[0].cn_std_db
    assert np.mean(np.square(pulls)) < 32.9 / 12  # chi-squared of 12, upper 0.1 %
    assert abs(np.mean(floors)) < 0.1


def test_another_rbw_is_scaled(scenes):
    """A third of the RBW shows a third of the noise."""
    line, alone = pair(scenes, 3, -98.0 - 10.0 * math.log10(3.0), own_rbw=100e3 / 3.0)
    (carrier,) = without_analyser_noise(line, alone).carriers
    assert abs(carrier.cn_db - 11.02) < 4.0 * carrier.cn_std_db


def test_a_floor_that_is_all_the_analysers_bounds_cn(scenes):
    line, alone = pair(scenes, 4, -95.05)
    clean = without_analyser_noise(line, alone)
    (carrier,) = clean.carriers
    assert carrier.cn_db is None
    assert carrier.es_n0_db is None
    assert carrier.cn_lower_bound_db < 8.0 + 0.5
    assert "floor_not_seen" in carrier.flags
    assert clean.to_dict()["analyser_noise"]["share_median"] == pytest.approx(1.0, abs=0.1)
    assert clean.findings[-1].code == "quality.analyser_noise_subtracted"


def test_sweeps_that_do_not_meet_are_refused(scenes):
    line, alone = pair(scenes, 4, -98.0)
    moved = dataclasses.replace(alone.sweep, frequency_hz=alone.sweep.frequency_hz + 1e9)
    with pytest.raises(MeasurementError, match="same span"):
        without_analyser_noise(line, dataclasses.replace(alone, sweep=moved))
