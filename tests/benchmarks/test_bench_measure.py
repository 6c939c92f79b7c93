"""Cost of a measurement at named sizes, and its ratio to a least-squares fit of the same model by lmfit.

Run: python -m pytest tests/benchmarks/test_bench_measure.py --benchmark-enable
"""

import importlib.util
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from spectra.measure import measure
from spectra.signal.blurred import carrier_shape

_PATH = Path(__file__).parents[1] / "campaigns" / "measure_scenes.py"
_SPEC = importlib.util.spec_from_file_location("measure_scenes", _PATH)
scenes = importlib.util.module_from_spec(_SPEC)
sys.modules["measure_scenes"] = scenes
_SPEC.loader.exec_module(scenes)

SIZES = {
    "1001 points, 20 carriers": (1001, 1e6, 20),
    "10001 points, 40 carriers": (10001, 300e3, 40),
    "100001 points, 40 carriers": (100001, 100e3, 40),
}


def made(points, rbw_hz, count):
    setting = scenes.Setting(span_hz=1200e6, points=points, rbw_hz=rbw_hz)
    rng = np.random.default_rng(1)
    signals = scenes.crowd(rng, setting, count, 0.6)
    return setting, signals, scenes.sweep(rng, setting, signals)


@pytest.mark.parametrize("name", SIZES)
def test_measure(benchmark, name):
    _, signals, sweep = made(*SIZES[name])
    found = benchmark.pedantic(measure, args=(sweep,), rounds=3, warmup_rounds=1)
    assert abs(len(found.carriers) - len(signals)) <= 2


def test_ratio_to_lmfit(benchmark):
    """The same model of three carriers by lmfit, from starting points as near; the ratio is kept, not judged."""
    lmfit = pytest.importorskip("lmfit", reason="lmfit is the outside reference of this ratio")
    setting = scenes.Setting(readings=30)
    truth = [scenes.Signal(1520e6, 12e6, 0.2, 9.0), scenes.Signal(1545e6, 20e6, 0.2, 11.0)]
    sweep = scenes.sweep(np.random.default_rng(2), setting, truth)
    sigma = setting.rbw_hz / 2.354820045

    def model(f, floor, **values):
        total = np.ones(f.size)
        for k in range(len(truth)):
            shape = carrier_shape(f, values[f"c{k}"] * 1e6, values[f"r{k}"] * 1e6, values[f"a{k}"], sigma)
            total += 10.0 ** (values[f"n{k}"] / 10.0) * shape
        return floor + 10.0 * np.log10(total)

    fitted = lmfit.Model(model, independent_vars=["f"])
    start = {"floor": -95.3}
    for k, s in enumerate(truth):
        start |= {f"c{k}": s.centre_hz / 1e6 + 0.2, f"r{k}": s.symbol_rate_bd / 1e6 * 0.97, f"a{k}": 0.25}
        start |= {f"n{k}": s.cn_db - 0.5}
    parameters = lmfit.Parameters()
    for name, value in start.items():
        parameters.add(name, value)
    begun = time.perf_counter()
    fitted.fit(sweep.level_dbm, parameters, f=sweep.frequency_hz)
    by_lmfit = time.perf_counter() - begun
    found = benchmark.pedantic(measure, args=(sweep,), rounds=3, warmup_rounds=1)
    assert len(found.carriers) == 2
    if benchmark.stats is not None:
        benchmark.extra_info["lmfit_over_measure"] = by_lmfit / benchmark.stats.stats.min
