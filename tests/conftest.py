"""For all tests: linear algebra on one thread, as the command line sets it (before anything imports numpy).

Compiled loops are made before the first test: no test, browser or server shall wait for the compiler.
"""

import os

for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


def pytest_configure(config):
    if hasattr(config, "workerinput") or config.option.collectonly:  # a worker finds what its parent compiled
        return
    import numpy as np

    from spectra.measure import measure
    from spectra.measure.compiled import use
    from spectra.sweep import Settings, Sweep

    place = np.arange(200.0)
    level = -90.0 + np.random.default_rng(1).normal(0.0, 0.5, 200) + 10.0 * (abs(place - 100.0) < 20.0)
    if use(True):
        measure(Sweep(1e9 + 1e6 * place, level, Settings(rbw_hz=1e6)))
