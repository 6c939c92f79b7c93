"""Pictures of interference, tested on their data; and bursts from a max hold."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from spectra.errors import UsageError
from spectra.findings import interference_unlisted
from spectra.findings.emissions import Look, Sighting, track
from spectra.findings.interference_bursts import bursts, bursts_by_carrier, find_bursts
from spectra.findings.interference_causes import explain_unlisted
from spectra.findings.interference_figures import envelope_figure, time_frequency_figure, timeline_figure
from spectra.measure import measure
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum
from spectra.sweep import Origin, Settings, Sweep

START = datetime(2026, 3, 1, tzinfo=UTC)


def trace(number: int, tone: int | None = None) -> Sweep:
    level = np.full(201, -80.0)
    if tone is not None:
        level[tone] = -60.0
    origin = Origin(file=f"{number}.csv", captured_at=START + timedelta(hours=number))
    return Sweep(np.linspace(1.2e9, 1.3e9, 201), level, Settings(rbw_hz=5e5, detector="rms"), origin)


def test_time_frequency_is_in_order_of_time_and_keeps_lines() -> None:
    figure = time_frequency_figure([trace(2, 50), trace(0), trace(1, 120)])
    (heat,) = figure.data
    assert list(heat.y) == [START + timedelta(hours=k) for k in range(3)]
    assert [float(row.max()) for row in np.asarray(heat.z)] == [-80.0, -60.0, -60.0]
    assert heat.x[int(np.argmax(np.asarray(heat.z)[2]))] == pytest.approx(1225.0, abs=0.3)


def test_envelope_mean_is_of_powers() -> None:
    """Mean of -60 and -80 dBm is 10 log10((1e-6 + 1e-8) / 2) = -62.97 dBm (arithmetic)."""
    figure = envelope_figure([trace(0, 50), trace(1)])
    at = {one.name: float(np.asarray(one.y)[50]) for one in figure.data}
    assert at["greatest"] == -60.0
    assert at["least"] == -80.0
    assert at["mean"] == pytest.approx(-62.967, abs=1e-3)


def test_spans_without_overlap_are_refused() -> None:
    far = Sweep(np.linspace(1.5e9, 1.6e9, 101), np.full(101, -80.0))
    with pytest.raises(UsageError):
        envelope_figure([trace(0), far])
    with pytest.raises(UsageError):
        time_frequency_figure([])


def test_timeline_has_a_line_an_emission() -> None:
    looks = [Look(f"{k}.csv", 1e9, 2e9, START + timedelta(hours=k), 1.06e10 + 1.5e8 * k) for k in range(2)]
    seen = [Sighting(k, 1.638e9, 3e3, 1.638e9 + looks[k].lo_hz, 3e3, power_dbm=-70.0) for k in range(2)]
    figure = timeline_figure(track(looks, seen))
    (line,) = figure.data
    assert line.name == "by the cable"
    assert list(line.x) == [START, START + timedelta(hours=1)]


def test_timeline_marks_where_it_was_looked_for_and_not_seen() -> None:
    looks = [Look(f"{k}.csv", 1e9, 2e9, START + timedelta(hours=k), 1.06e10) for k in range(3)]
    seen = [Sighting(k, 1.638e9, 3e3, 1.638e9 + 1.06e10, 3e3, power_dbm=-70.0) for k in (0, 2)]
    _, missed = timeline_figure(track(looks, seen)).data
    assert missed.name == "looked for, not seen" and list(missed.x) == [START + timedelta(hours=1)]


def test_bursts_of_a_terminal_show_in_the_max_hold() -> None:
    """A burst of 5 % duty some 20 dB over the floor; noise alone and a steady tone make no claim."""
    burst = Emission(1.651e9, 4.5e5, 0.25, -62.0, through_line=False, duty=0.05)
    analyser = Analyser(1.6e9, 1.7e9, 501, 3e5, averages=100, readings=1, mode="slow")
    spectrum = Spectrum(-140.0, emissions=(burst,)).with_carrier(1.63e9, 2e7, 0.2, 12.0)
    sweep = sweep_spectrum(spectrum, analyser, 3, also=("max_hold",))
    (found,) = find_bursts(sweep)
    assert found.centre_hz == pytest.approx(1.651e9, abs=3e5)
    assert found.duty_low < 0.08
    assert found.duty_high > 0.02
    (finding,) = bursts(sweep)
    assert any("officer of the watch" in step.text for step in finding.next_steps)
    clean = Spectrum(-140.0).with_carrier(1.63e9, 2e7, 0.2, 12.0).with_tone(1.67e9, 75.0)
    assert [find_bursts(sweep_spectrum(clean, analyser, k, also=("max_hold",))) for k in range(5)] == [()] * 5
    assert find_bursts(sweep_spectrum(spectrum, analyser, 3)) == ()


def test_a_lone_line_is_wider_than_a_page_is_fine() -> None:
    """No more cells than a narrow page has pixels, or a line may fall between two of them."""
    level = np.full(4001, -80.0)
    level[2000] = -60.0
    sweep = Sweep(np.linspace(1.2e9, 1.3e9, 4001), level, Settings(rbw_hz=5e4, detector="rms"))
    (heat,) = time_frequency_figure([sweep, sweep]).data
    assert np.asarray(heat.z).shape[1] <= 402
    assert float(np.asarray(heat.z).max()) == -60.0


def test_timeline_grows_with_what_it_shows_and_legends_stand_below() -> None:
    looks = [Look("a.csv", 1e9, 2e9, START), Look("b.csv", 1e9, 2e9, START + timedelta(hours=1))]
    heights = []
    for count in (1, 12):
        seen = [Sighting(k, 1.2e9 + 3e7 * n, 3e3) for n in range(count) for k in range(2)]
        figure = timeline_figure(track(looks, seen))
        heights.append(figure.layout.height)
        assert figure.layout.legend.yref == "container"
    assert heights[1] > heights[0] + 200


@pytest.mark.parametrize("there", [2, 5, 12])
def test_duty_of_bursts_lies_within_its_bounds(there: int) -> None:
    """Made by hand: exponential powers of 8 readings a point and sweep, 40 sweeps, a burst of 15 dB in some of them."""
    rng = np.random.default_rng(there)
    power = rng.gamma(8.0, 1.0 / 8.0, (40, 401))
    power[:there, 200:203] += 10.0**1.5 * rng.gamma(8.0, 1.0 / 8.0, (there, 3))
    settings = Settings(rbw_hz=5e5, detector="rms", trace_mode="average", averages=40)
    sweep = Sweep(
        np.linspace(1.2e9, 1.4e9, 401),
        -80.0 + 10.0 * np.log10(power.mean(axis=0)),
        settings,
        traces={"max hold": -80.0 + 10.0 * np.log10(power.max(axis=0))},
    )
    (burst,) = find_bursts(sweep)
    assert burst.duty_low < there / 40 < burst.duty_high
    assert burst.duty_high < 4.0 * burst.duty_low


@pytest.mark.parametrize("width_hz", [1e6, 8e6])
def test_bursts_that_the_average_shows_are_told_once(width_hz: float) -> None:
    """One emission that is on in a tenth of the sweeps: one finding, though it is a carrier of the average too."""
    analyser = Analyser(1.4e9, 1.8e9, 1001, 1e6, averages=30, readings=4)
    seen = 0
    for seed in range(8):
        burst = Emission(1.65e9, width_hz, 0.2, -138.0 + 10.0 * math.log10(width_hz) + 22.0, duty=0.1)
        spectrum = Spectrum(-138.0, emissions=(Emission(1.5e9, 2e7, 0.2, -55.0), burst))
        sweep = sweep_spectrum(spectrum, analyser, seed, also=("max_hold",))
        if not find_bursts(sweep):
            continue
        seen += 1
        measurement = measure(sweep)
        (told,) = bursts_by_carrier(measurement)
        assert told[0].centre_hz == pytest.approx(1.65e9, abs=0.6 * width_hz)
        place = next((k for k, c in enumerate(measurement.carriers) if abs(c.centre_hz - 1.65e9) < 2e6), None)
        assert told[1] == place
        (finding,) = bursts(sweep, (told,))
        assert finding.subjects.carriers == (() if place is None else (place,))
        unlisted = explain_unlisted(measurement, None, None, None)
        mine = [one for one in unlisted if one.index == place]
        for rule, more in ((interference_unlisted.newcomer, ((),)), (interference_unlisted.by_the_cable, ())):
            assert list(rule(mine, measurement, *more, (told,))) == []
    assert seen >= 3
