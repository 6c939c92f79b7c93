import numpy as np
import pytest

from spectra.measure import measure
from spectra.sweep import Sweep


@pytest.fixture(scope="module")
def scene(scenes):
    setting = scenes.Setting(readings=10)
    signals = [scenes.Signal(1530e6, 12e6, 0.25, 9.0), scenes.Signal(1565e6, 20e6, 0.1, 12.0)]
    return scenes.sweep(np.random.default_rng(12), setting, signals)


@pytest.mark.parametrize("seed", range(3))
def test_level_offset_and_frequency_shift_go_straight_through(scene, seed):
    """Exact but for rounding: the trace is measured from its own median and first frequency."""
    rng = np.random.default_rng(seed)
    up_db, shift_hz = float(rng.uniform(-60.0, 60.0)), float(np.round(rng.uniform(-4e8, 4e8)))
    moved = Sweep(scene.frequency_hz + shift_hz, scene.level_dbm + up_db, scene.settings)
    here, there = measure(scene), measure(moved)
    assert len(here.carriers) == len(there.carriers)
    assert there.floor.median_dbm - here.floor.median_dbm == pytest.approx(up_db, abs=1e-6)
    for a, b in zip(here.carriers, there.carriers, strict=True):
        assert b.centre_hz - a.centre_hz == pytest.approx(shift_hz, abs=1.0)
        assert b.power_dbm - a.power_dbm == pytest.approx(up_db, abs=1e-5)
        assert b.cn_db == pytest.approx(a.cn_db, abs=1e-5)
        assert b.symbol_rate_bd == pytest.approx(a.symbol_rate_bd, rel=1e-6)
        assert b.flags == a.flags


def test_scaling_the_frequency_axis_scales_the_answer(scenes):
    """Carriers of a tenth, swept with a tenth of everything, differ in hertz only."""
    setting = scenes.Setting(span_hz=10e6, rbw_hz=10e3)
    signals = [scenes.Signal(1550e6, 2e6, 0.2, 10.0)]
    wide = scenes.Setting(span_hz=100e6, rbw_hz=100e3)
    small = measure(scenes.sweep(np.random.default_rng(3), setting, signals)).carriers[0]
    large = measure(scenes.sweep(np.random.default_rng(3), wide, [scenes.Signal(1550e6, 20e6, 0.2, 10.0)])).carriers[0]
    assert large.symbol_rate_bd / small.symbol_rate_bd == pytest.approx(10.0, rel=1e-3)
    assert large.cn_db == pytest.approx(small.cn_db, abs=0.1)


@pytest.mark.parametrize("average", ["power", "log", "voltage", "peak"])
@pytest.mark.parametrize(("points", "rbw_hz"), [(601, 200e3), (2001, 100e3)])
def test_the_same_scene_gives_the_same_answer_however_swept(scenes, average, points, rbw_hz):
    """Truth within four standard uncertainties for every detector, RBW and number of points."""
    setting = scenes.Setting(average=average, points=points, rbw_hz=rbw_hz, readings=20)
    signal = scenes.Signal(1552e6, 20e6, 0.25, 9.0)
    (found,) = measure(scenes.sweep(np.random.default_rng(points), setting, [signal])).carriers
    assert abs(found.centre_hz - signal.centre_hz) < 4.0 * found.centre_std_hz
    assert abs(found.symbol_rate_bd - signal.symbol_rate_bd) < 4.0 * found.symbol_rate_std_bd
    assert abs(found.cn_db - signal.cn_db) < 4.0 * found.cn_std_db
