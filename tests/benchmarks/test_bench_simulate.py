"""How fast sweeps are simulated, beside the bare drawing of the same normal numbers in the same run.

Named sizes: `wide` 1001 points over 1200 MHz at RBW 300 kHz, 10 readings x 10 averages, 20 carriers; `close` 1001
points over 60 MHz at RBW 100 kHz, the same count. Seeds are fixed. Run with ``pytest tests/benchmarks
--benchmark-enable``.
"""

import numpy as np
import pytest

from spectra.simulate import Analyser, Spectrum, sweep_spectrum
from spectra.simulate.sweeper import _Front

SIZES = {"wide": (950e6, 2150e6, 300e3), "close": (1200e6, 1260e6, 100e3)}


def _setting(size, mode):
    start, stop, rbw = SIZES[size]
    spectrum = Spectrum(-140.0).with_tone(start + 0.31 * (stop - start), 75.0)
    for number in range(20):
        centre = start + (stop - start) * (number + 0.5) / 20
        spectrum = spectrum.with_carrier(centre, (stop - start) / 50, 0.2, 10.0)
    return spectrum, Analyser(start, stop, 1001, rbw, readings=10, averages=10, mode=mode)


@pytest.mark.parametrize("mode", ["fast", "slow"])
@pytest.mark.parametrize("size", SIZES)
def test_bench_simulate(benchmark, size, mode):
    benchmark.group = f"simulate {size}"
    spectrum, analyser = _setting(size, mode)
    sweep = benchmark(sweep_spectrum, spectrum, analyser, 1)
    assert sweep.points == 1001


@pytest.mark.parametrize("size", SIZES)
def test_bench_reference_draws(benchmark, size):
    """The least that the fast mode can cost: its normal numbers, nothing done with them."""
    benchmark.group = f"simulate {size}"
    cells = _Front.of(*_setting(size, "fast")).cells
    drawn = benchmark(lambda: np.random.default_rng(1).standard_normal((100, cells, 2)))
    assert drawn.shape == (100, cells, 2)
