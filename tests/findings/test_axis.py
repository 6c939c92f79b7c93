"""An RF axis goes back to IF: low side IF = RF - LO, high side IF = LO - RF with the spectrum turned round."""

import numpy as np
import pytest

from spectra.errors import SweepFormatError, UsageError
from spectra.findings import sweep_to_if
from spectra.sweep import Settings, Sweep


def _sweep(start: float, stop: float) -> Sweep:
    level = np.arange(11.0)
    return Sweep(np.linspace(start, stop, 11), level, Settings(rbw_hz=1e5), traces={"max": level + 1.0})


def test_low_side(chain) -> None:
    sweep = _sweep(10.7e9, 11.6e9)
    back = sweep_to_if(sweep, chain, "low H")
    assert np.allclose(back.frequency_hz, sweep.frequency_hz - 9.75e9)
    assert np.array_equal(back.level_dbm, sweep.level_dbm)
    assert "9750.000000 MHz" in back.origin.assumptions[-1]


def test_high_side_turns_the_spectrum_round(chain) -> None:
    sweep = _sweep(3.7e9, 4.2e9)
    back = sweep_to_if(sweep, chain)
    assert (back.start_hz, back.stop_hz) == (0.95e9, 1.45e9)
    assert np.array_equal(back.level_dbm, sweep.level_dbm[::-1])
    assert np.array_equal(back.traces["max"], sweep.traces["max"][::-1])


def test_an_if_axis_stays(chain) -> None:
    sweep = _sweep(0.95e9, 2.15e9)
    assert sweep_to_if(sweep, chain) is sweep


def test_two_states_that_fit_must_be_told_apart(chain) -> None:
    sweep = _sweep(11.72e9, 11.88e9)
    with pytest.raises(SweepFormatError, match="LO state"):
        sweep_to_if(sweep, chain)
    assert sweep_to_if(sweep, chain, "high H").start_hz == pytest.approx(1.12e9)
    with pytest.raises(UsageError, match="sideways"):
        sweep_to_if(sweep, chain, "sideways")
