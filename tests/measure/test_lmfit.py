import numpy as np
import pytest

from spectra.measure import measure
from spectra.signal.blurred import carrier_shape

lmfit = pytest.importorskip("lmfit", reason="lmfit is the outside reference of this check")


def model(f, centre, rate, roll_off, cn, floor):
    shape = carrier_shape(f, centre * 1e6, rate * 1e6, roll_off, 100e3 / 2.354820045)
    return floor + 10.0 * np.log10(1.0 + 10.0 ** (cn / 10.0) * shape)


def test_fit_agrees_with_lmfit_on_the_same_trace(scenes):
    """lmfit's least squares in dB (100 readings, so nearly normal) must agree within a standard uncertainty."""
    setting = scenes.Setting(readings=100)
    sweep = scenes.sweep(np.random.default_rng(21), setting, [scenes.Signal(1552e6, 20e6, 0.25, 9.0)])
    (carrier,) = measure(sweep).carriers
    fitted = lmfit.Model(model, independent_vars=["f"])
    start = {"centre": 1551.5, "rate": 19.0, "roll_off": 0.2, "cn": 8.0, "floor": -95.5}
    parameters = fitted.make_params(**start)
    parameters["roll_off"].set(min=0.01, max=0.6)
    result = fitted.fit(sweep.level_dbm, parameters, f=sweep.frequency_hz)
    values, stderr = result.best_values, {name: p.stderr for name, p in result.params.items()}
    assert abs(carrier.centre_hz / 1e6 - values["centre"]) < stderr["centre"]
    assert abs(carrier.symbol_rate_bd / 1e6 - values["rate"]) < stderr["rate"]
    assert abs(carrier.roll_off - values["roll_off"]) < stderr["roll_off"]
    assert abs(carrier.cn_db - values["cn"]) < 1.5 * stderr["cn"]
    assert carrier.centre_std_hz / 1e6 == pytest.approx(stderr["centre"], rel=0.15)
    assert carrier.symbol_rate_std_bd / 1e6 == pytest.approx(stderr["rate"], rel=0.15)
