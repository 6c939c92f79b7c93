"""A capture against its baseline: the common part, what departs from it, a floor raised in one place."""

import math
from dataclasses import replace

import numpy as np
import pytest

from spectra.findings.line_baseline import baseline_changes, baseline_findings, floor_rises
from spectra.measure import measure
from spectra.measure.measurement import Carrier, Floor
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum


def carriers(*power: float) -> tuple[Carrier, ...]:
    return tuple(
        Carrier(
            "modulated", 1.21e9 + 2e7 * k, 1e4, 1e7, 1e5, 0.2, 0.02, 1.07e7, 1e5,
            power_dbm=p, power_std_db=0.1, cn_db=12.0, cn_std_db=0.2,
        )
        for k, p in enumerate(power)
    )  # fmt: skip


def with_floor(measurement, change_db: np.ndarray):
    floor = measurement.floor
    level = floor.level_dbm + change_db
    raised = Floor(
        float(np.median(level)),
        (floor.density_dbm_hz or 0.0) + float(np.median(change_db)),
        floor.density_std_db,
        0.0,
        level,
        floor.std_db,
        floor.observed,
    )
    return replace(measurement, floor=raised)


def test_common_part_and_one_that_departs(make_measurement) -> None:
    then = replace(make_measurement(file="then.csv"), carriers=carriers(-50.0, -52.0, -51.0, -55.0, -49.0))
    now = replace(make_measurement(file="now.csv"), carriers=carriers(-53.1, -55.0, -54.0, -54.0, -52.1))
    change = baseline_changes(now, then)
    assert change is not None
    assert change.common_db == pytest.approx(-3.05, abs=0.1)
    findings = baseline_findings(now, then)
    assert [f.code for f in findings] == ["line.level_changed", "line.carrier_changed"]
    assert "pointing" in findings[0].explanation
    assert findings[1].subjects.carriers == (3,)
    assert baseline_findings(then, then) == ()


def test_gain_takes_the_floor_along(make_measurement) -> None:
    then = replace(make_measurement(file="then.csv"), carriers=carriers(-50.0, -52.0, -51.0, -55.0))
    now = with_floor(replace(then, carriers=carriers(-53.0, -55.0, -54.0, -58.0)), np.full(1001, -3.0))
    (finding,) = baseline_findings(now, then)
    assert "gain of LNB or line" in finding.explanation


def test_raised_floor_with_its_extent_and_carrier_to_interference(make_measurement) -> None:
    """3 dB of rise: half of the floor is new, so the added noise lies 3 dB below it: C/I = C/N + 3 dB (arithmetic)."""
    then = replace(make_measurement(file="then.csv"), carriers=carriers(-50.0, -52.0, -51.0, -55.0))
    f = then.sweep.frequency_hz
    now = with_floor(then, np.where((f > 1.22e9) & (f < 1.24e9), 3.0103, 0.0))
    (rise,) = floor_rises(now, then)
    assert (rise.start_hz, rise.stop_hz) == (pytest.approx(1.22e9, abs=3e5), pytest.approx(1.24e9, abs=3e5))
    assert rise.rise_db == pytest.approx(3.01, abs=0.01)
    assert rise.c_over_i_db == pytest.approx(12.0 - 10.0 * math.log10(0.5), abs=0.01)
    assert [x.code for x in baseline_findings(now, then)] == ["line.floor_raised"]
    assert floor_rises(then, then) == ()


def test_a_floor_up_over_the_whole_span_is_noise_and_no_gain(make_measurement) -> None:
    """Carriers kept their level, so C/N fell by what the floor rose (arithmetic)."""
    then = replace(make_measurement(file="then.csv"), carriers=carriers(-50.0, -52.0, -51.0, -55.0))
    (finding,) = baseline_findings(with_floor(then, np.full(1001, 4.0)), then)
    assert finding.code == "line.floor_changed"
    assert finding.evidence[0].value == pytest.approx(4.0, abs=0.05)
    assert baseline_findings(with_floor(then, np.full(1001, 0.5)), then) == ()


def test_a_hump_that_was_not_there_is_a_raised_floor() -> None:
    """Simulated: 4 dB of rise over 60 MHz, a carrier of 12 dB C/N in it keeps 12 - 10 log10(10^0.4 - 1) = 10.2 dB.

    An error of the rise counts 10^0.4 / (10^0.4 - 1) = 1.66 times in that (derived).
    """
    spectrum = Spectrum(-140.0).with_carrier(1.24e9, 5e6, 0.2, 12.0).with_carrier(1.36e9, 2e7, 0.2, 12.0)
    hump = Emission(1.25e9, 6e7, 1.0, spectrum.power_for_cn(10.0 * math.log10(10.0**0.4 - 1.0), 6e7))
    analyser = Analyser(1.15e9, 1.4e9, 501, 5e5, averages=100, readings=1, mode="slow")
    then = measure(sweep_spectrum(spectrum, analyser, 1))
    now = measure(sweep_spectrum(replace(spectrum, emissions=(*spectrum.emissions, hump)), analyser, 2))
    (rise,) = floor_rises(now, then)
    assert rise.rise_db == pytest.approx(4.0, abs=3.0 * rise.rise_std_db)
    assert rise.start_hz < 1.24e9 < 1.26e9 < rise.stop_hz
    assert rise.c_over_i_db == pytest.approx(10.2, abs=3.0 * 1.66 * rise.rise_std_db)
    assert floor_rises(measure(sweep_spectrum(spectrum, analyser, 3)), then) == ()
