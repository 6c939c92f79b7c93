"""An RF axis goes back to IF: low side IF = RF - LO, high side IF = LO - RF with the spectrum turned round."""

from pathlib import Path

import numpy as np
import pytest

from spectra import identify, load_chain, load_table, measure, read_sweep
from spectra.errors import SweepFormatError, UsageError
from spectra.findings import sweep_at_if, sweep_to_if
from spectra.findings.axis import rf_note
from spectra.findings.quality import axis_is_rf
from spectra.readers.rf_axis import taken_back
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


def test_the_offset_that_a_file_states_counts_before_any_lo_state(chain) -> None:
    """9750.4 MHz were added, perhaps the LO as it was once measured; it also parts states that fit equally."""
    sweep = _sweep(11.72e9, 11.88e9)
    told = Sweep(sweep.frequency_hz, sweep.level_dbm, Settings(rbw_hz=1e5, extra={"frequency_offset": "9,750.4 MHz"}))
    for name in (None, "high H"):
        back = sweep_to_if(told, chain, name)
        assert back.start_hz == pytest.approx(1.9696e9, abs=1e-3)
    assert "the file states" in back.origin.assumptions[-1]
    # rows that stand at IF already, and an offset that leads nowhere, change nothing
    at_if = Sweep(np.linspace(1e9, 2e9, 11), np.arange(11.0), told.settings)
    assert sweep_to_if(at_if, chain) is at_if
    odd = Sweep(sweep.frequency_hz, sweep.level_dbm, Settings(rbw_hz=1e5, extra={"frequency_offset": "10 MHz"}))
    assert sweep_to_if(odd, chain, "high H").start_hz == pytest.approx(1.12e9)


def test_whoever_measures_gets_an_if_axis_or_the_sweep_as_it_is(chain) -> None:
    one = _sweep(10.7e9, 11.6e9)
    # the state commanded is another than the one whose LO was added; one that the chain lacks
    for state in (None, "high H", "sideways", "low H"):
        assert sweep_at_if(one, chain, state).start_hz == pytest.approx(0.95e9)
    both = _sweep(11.72e9, 11.88e9)
    assert sweep_at_if(both, chain) is both
    assert sweep_at_if(both, chain, "high H").start_hz == pytest.approx(1.12e9)
    assert sweep_at_if(one, None) is one
    (note,) = axis_is_rf(sweep_at_if(one, chain), ())
    assert (note.severity, note.code) == ("note", "quality.axis_is_rf")
    assert rf_note(one) is None


def test_a_stored_sweep_is_taken_back_as_it_was_measured(chain) -> None:
    for sweep in (_sweep(10.7e9, 11.6e9), _sweep(3.7e9, 4.2e9)):
        back = sweep_to_if(sweep, chain)
        again = taken_back(sweep, back.start_hz, back.origin.assumptions)
        assert np.allclose(again.frequency_hz, back.frequency_hz, rtol=0.0, atol=1e-3)
        assert np.array_equal(again.level_dbm, back.level_dbm)
        assert taken_back(again, back.start_hz, back.origin.assumptions) is again
        assert taken_back(sweep, sweep.start_hz, ()) is sweep


def test_two_states_that_fit_must_be_told_apart(chain) -> None:
    sweep = _sweep(11.72e9, 11.88e9)
    with pytest.raises(SweepFormatError, match="LO state"):
        sweep_to_if(sweep, chain)
    assert sweep_to_if(sweep, chain, "high H").start_hz == pytest.approx(1.12e9)
    with pytest.raises(UsageError, match="sideways"):
        sweep_to_if(sweep, chain, "sideways")


def test_identify_says_so_where_an_rf_axis_was_not_taken_back() -> None:
    """Whoever measures in Python has to take the axis back; the demo's own sweep with the LO of its state added."""
    demo = Path(__file__).parents[2] / "captures_demo"
    table, chain = load_table(demo / "carriers.csv"), load_chain(demo / "chain.toml")
    at_if = read_sweep(demo / "2_right_wide.csv")
    at_rf = Sweep(at_if.frequency_hz + 10.6e9, at_if.level_dbm, at_if.settings)
    lost = identify(measure(at_rf), table, chain)
    assert lost.verdict == "unidentified"
    assert "sweep_to_if" in lost.findings[0].next_steps[0].text
    found = identify(measure(sweep_to_if(at_rf, chain)), table, chain)
    assert (found.verdict, found.best.satellite) == ("confirmed", "Fairlead 2")
    assert not any("sweep_to_if" in step.text for finding in found.findings for step in finding.next_steps)
