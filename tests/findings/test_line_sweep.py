"""The sweep that next-sweep plans for the receive line shows what it promises. Simulated lines."""

import pytest

from spectra.findings.line_ripple import distance_m, find_ripples, period_hz
from spectra.findings.line_sweep import line_sweep, line_sweep_words
from spectra.measure import measure
from spectra.plan.chain import Cable, LoState, ReceiveChain
from spectra.simulate import Analyser, ReceiveLine, Spectrum, sweep_spectrum

STATE = LoState("low H", 9.75e9, "low", 1.07e10, 1.19e10)


def chain_with(cable: Cable | None) -> ReceiveChain:
    return ReceiveChain("test", 950e6, 2150e6, (STATE,), cable=cable)


@pytest.mark.parametrize(("length", "factor", "seed"), [(42.0, 0.83, 1), (80.0, 0.66, 2), (15.0, 0.83, 3)])
def test_planned_sweep_shows_half_a_decibel_at_the_cable_s_length(length: float, factor: float, seed: int) -> None:
    """Within 3 % or half a metre, and the ripple as it was before the filter within its uncertainty."""
    wanted = line_sweep(chain_with(Cable(length, factor)))
    assert wanted is not None
    assert wanted.longest_m > length
    line = ReceiveLine(950e6, 2150e6, tilt_db=-4.0, ripple_db=0.5, ripple_period_hz=period_hz(length, factor))
    spectrum = Spectrum(-140.0, line)
    for k, rate in enumerate((27.5e6, 8e6, 22e6, 3e6, 30e6)):
        spectrum = spectrum.with_carrier(1010e6 + 180e6 * k, rate, 0.2, 8.0 + k)
    analyser = Analyser(
        wanted.start_hz,
        wanted.stop_hz,
        wanted.points,
        wanted.rbw_hz,
        averages=wanted.averages,
        readings=1,
        mode="slow",
    )
    found = find_ripples(measure(sweep_spectrum(spectrum, analyser, seed)), factor)
    assert abs(found[0].length_m - length) < max(0.03 * length, 0.5)
    assert found[0].peak_to_peak_db == pytest.approx(0.5, abs=3.5 * found[0].peak_to_peak_std_db)


def test_points_and_filter_are_a_quarter_of_the_period() -> None:
    """42 m at 0.83: the period is 2.96 MHz (0.83 c / 84 m; arithmetic)."""
    wanted = line_sweep(chain_with(Cable(42.0, 0.83)))
    assert wanted is not None
    period = period_hz(42.0, 0.83)
    assert period == pytest.approx(2.962e6, rel=1e-3)
    assert (wanted.stop_hz - wanted.start_hz) / (wanted.points - 1) <= period / 4.0
    assert wanted.rbw_hz <= period / 4.0
    assert wanted.longest_m <= distance_m(3.0 * wanted.rbw_hz, 0.83)
    assert "44 m apart" in line_sweep_words(wanted)


def test_no_cable_no_sweep() -> None:
    assert line_sweep(chain_with(None)) is None
    assert line_sweep(chain_with(Cable(42.0, 0.83)), 1001, (3e6,)) is None
