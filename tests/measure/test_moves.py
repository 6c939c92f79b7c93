"""Questions on a stretch of trace, at its limits."""

import numpy as np
import pytest

from spectra.measure.model import evaluate
from spectra.measure.moves import as_carrier, stretch_of
from spectra.measure.scene import CW, RC, Scene
from spectra.measure.work import Work


@pytest.mark.parametrize("kind", [CW, RC])
def test_carrier_that_left_the_span_explains_nothing(scenes, kind) -> None:
    """A CW at the last point may drift beyond it; asked about there, it is worth as much as no carrier at all."""
    setting = scenes.Setting()
    work = Work(scenes.sweep(np.random.default_rng(21), setting, []), 0.01)
    beta = work.trace.basis.approximate(np.full(setting.points, work.trace.y.mean()))
    gone = as_carrier(np.array([1020.0, 1020.0, 0.0, -5.0]), 1.0, work.trace.sigma)
    gone = np.r_[gone, np.zeros(6)]
    scene = Scene(np.array([kind], dtype=np.intp), gone[None], beta, 1.0)
    stretch = stretch_of(work.trace, scene, evaluate(work.trace, scene), np.array([0]), work.margin)
    theta, lost = stretch.best([kind], [gone], 3)
    assert np.array_equal(theta[0], gone)
    assert lost == pytest.approx(stretch.best([], [], 3)[1])
