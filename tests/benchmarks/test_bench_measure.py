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
from spectra.measure.fit import fit
from spectra.measure.floor import first_floors
from spectra.measure.scene import RC, Scene
from spectra.measure.seeds import seed_carriers
from spectra.measure.work import Work
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


def test_joint_fit_beside_lmfit(benchmark):
    """The joint fit alone against lmfit on the same trace, carriers and starting points: the ratio is kept."""
    lmfit = pytest.importorskip("lmfit", reason="lmfit is the outside reference of this ratio")
    sweep = made(*SIZES["1001 points, 20 carriers"])[2]
    work = Work(sweep, 0.01)
    trace = work.trace
    beta, strength = first_floors(trace.basis, trace.x, trace.y, trace.law, trace.information, work.spacing_hz)[0]
    kind, theta = seed_carriers(trace, trace.basis.floor(beta), work.law.correlation, work.least, work.widest)
    keep = kind == RC
    empty = Scene(np.empty(0, dtype=np.intp), np.empty((0, 4)), beta, strength)
    start = empty.with_carriers(kind[keep], theta[keep])
    ours = benchmark.pedantic(fit, args=(trace, start), kwargs={"rounds": 12}, rounds=5, warmup_rounds=1)[0]
    parameters = lmfit.Parameters()
    ends = trace.basis.floor(beta)[[0, -1]]
    parameters.add("low", value=float(ends[0]))
    parameters.add("high", value=float(ends[1]))
    for k, (left, right, roll_off, level) in enumerate(start.theta[:, :4]):
        for name, value, low, high in (
            ("l", left, -np.inf, np.inf),
            ("w", right - left, 0.05, np.inf),
            ("a", roll_off, 0.0, 0.6),
            ("p", level, -np.inf, np.inf),
        ):
            parameters.add(f"{name}{k}", value=float(value), min=low, max=high)

    def residual(values):
        place = trace.x / trace.x[-1]
        total = np.exp(values["low"].value * (1.0 - place) + values["high"].value * place)
        for k in range(start.count):
            left, width = values[f"l{k}"].value, values[f"w{k}"].value
            shape = carrier_shape(trace.x, left + 0.5 * width, width, values[f"a{k}"].value, trace.sigma)
            total = total + np.exp(values[f"p{k}"].value) * shape
        return (trace.y - np.log(total)) * np.sqrt(trace.information)

    begun = time.perf_counter()
    theirs = lmfit.minimize(residual, parameters, method="leastsq", max_nfev=6000)
    by_lmfit = time.perf_counter() - begun
    centres = np.array([theirs.params[f"l{k}"].value + 0.5 * theirs.params[f"w{k}"].value for k in range(start.count)])
    own = 0.5 * (ours.theta[:, 0] + ours.theta[:, 1])
    assert np.median(np.abs(own - centres)) < 0.5  # the same answer, in points
    if benchmark.stats is not None:
        benchmark.extra_info["lmfit_over_fit"] = by_lmfit / benchmark.stats.stats.min


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
