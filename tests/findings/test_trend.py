"""The oscillator over time: drift, step, swing, warm-up, outliers, crossing; series drawn here, truth known."""

import math
from datetime import UTC, datetime, timedelta

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra import schemas
from spectra.findings.figures import trend_figure
from spectra.findings.trend import TrendPoint, crossing_of, trend_of_points
from spectra.findings.trend_series import FALSE_ALARM, SeriesFit, fit_series
from spectra.plan.chain import LoState

START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
STATE = LoState("high V", 10.6e9, "low", 11.55e9, 12.75e9, "V", 13.0, True, 500e3)
DAYS = np.arange(30.0)


def points(value, day=DAYS, std=20e3, **extra) -> list[TrendPoint]:
    return [
        TrendPoint(f"{k}.csv", START + timedelta(days=float(t)), float(v), std, **{n: c[k] for n, c in extra.items()})
        for k, (t, v) in enumerate(zip(day, value, strict=True))
    ]


def noise(seed: int, n: int = 30, std: float = 20e3) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, std, n)


def codes(trend) -> dict:
    return {finding.code: finding for finding in trend.findings}


def test_least_squares_slope_and_its_uncertainty() -> None:
    """Against numpy.polyfit with known uncertainties (NumPy, cov='unscaled')."""
    y = 5e3 * DAYS + noise(1)
    fit = fit_series(DAYS, y, np.full(30, 20e3))
    expected, cov = np.polyfit(DAYS, y, 1, w=np.full(30, 1 / 20e3), cov="unscaled")
    assert fit.answer == "drift"
    assert fit.rate == pytest.approx(expected[0], rel=1e-9)
    assert fit.rate_std == pytest.approx(math.sqrt(cov[0, 0]), rel=1e-6)
    # textbook form of the limit: std / sqrt(sum (t - mean)^2) (derived)
    assert fit.rate_std == pytest.approx(20e3 / math.sqrt(float(np.sum((DAYS - DAYS.mean()) ** 2))), rel=1e-6)


def test_drift_gives_rate_date_and_interval() -> None:
    told = trend_of_points(points(100e3 + 4e3 * DAYS + noise(2)), STATE)
    assert told.fit.answer == "drift"
    low, high = told.fit.rate_interval95
    assert low < 4e3 < high
    truth = START + timedelta(days=(500e3 - 100e3) / 4e3)
    assert told.crossing.earliest < truth < told.crossing.latest
    finding = codes(told)["oscillator.drift"]
    assert finding.answer == "yes" and "leaves its tolerance" in finding.explanation


def test_drift_downwards_crosses_the_lower_limit() -> None:
    """Sign: true LO minus nominal falls; the limit it meets is minus the tolerance."""
    told = trend_of_points(points(-100e3 - 4e3 * DAYS + noise(3)), STATE)
    truth = START + timedelta(days=(500e3 - 100e3) / 4e3)
    assert told.fit.rate < 0.0 and told.crossing.earliest < truth < told.crossing.latest


def test_step_is_a_step() -> None:
    told = trend_of_points(points(np.where(DAYS < 17, 0.0, 150e3) + noise(4)), STATE)
    assert told.fit.answer == "step" and len(told.steps) == 1
    (step,) = told.steps
    assert step.after < START + timedelta(days=16.5) < step.before
    assert step.size_hz == pytest.approx(150e3, abs=4 * step.size_std_hz)
    assert told.crossing is None and codes(told)["oscillator.drift"].answer == "no"


def test_two_steps_are_found() -> None:
    value = np.where(DAYS < 9, 0.0, 200e3) - np.where(DAYS < 21, 0.0, 120e3)
    told = trend_of_points(points(value + noise(5)), STATE)
    assert [round(s.size_hz / 1e5) for s in told.steps] == [2, -1]


@pytest.mark.parametrize("noted", [True, False])
def test_a_daily_swing_does_not_hide_a_drift(noted: bool) -> None:
    rng = np.random.default_rng(6)
    day = DAYS + rng.uniform(0.0, 1.0, 30)
    swing = np.sin(2 * np.pi * day)
    value = 4e3 * day + 100e3 * swing + noise(7)
    extra = {"temperature_c": (25.0 + 10.0 * swing).tolist()} if noted else {}
    told = trend_of_points(points(value, day, **extra), STATE)
    assert told.fit.answer == "drift"
    assert told.fit.rate == pytest.approx(4e3, abs=4 * told.fit.rate_std)
    finding = codes(told)["oscillator.temperature"]
    if noted:
        assert told.fit.per_kelvin == pytest.approx(10e3, abs=4 * told.fit.per_kelvin_std) and "kHz/K" in finding.title
    else:
        assert told.fit.swing == pytest.approx(200e3, abs=4 * told.fit.swing_std)


def test_local_hours_of_a_moving_vessel() -> None:
    """The swing goes with the sun: 15 degrees of longitude an hour."""
    rng = np.random.default_rng(8)
    day = DAYS + rng.uniform(0.0, 1.0, 30)
    longitude = np.linspace(-170.0, 170.0, 30)
    value = 150e3 * np.sin(2 * np.pi * (day + 9.0 / 24.0 + longitude / 360.0)) + noise(9)
    assert trend_of_points(points(value, day, longitude_deg=longitude.tolist()), STATE).fit.swing is not None


def test_outliers_are_left_out_and_listed() -> None:
    value = 4e3 * DAYS + noise(10)
    value[[6, 20]] += 900e3, -700e3
    told = trend_of_points(points(value), STATE)
    assert [p.capture for p in told.points if not p.used] == ["6.csv", "20.csv"]
    assert told.fit.answer == "drift" and told.fit.rate == pytest.approx(4e3, abs=4 * told.fit.rate_std)
    assert "6.csv" in codes(told)["oscillator.captures_left_out"].explanation


def test_warm_up_is_no_ageing() -> None:
    day = np.arange(30) * 4.0 / 1440.0
    value = 300e3 * np.exp(-day * 1440.0 / 20.0) + noise(11)
    told = trend_of_points(points(value, day), STATE)
    assert told.fit.answer == "warm_up" and told.crossing is None
    assert told.fit.time_constant_days * 1440.0 == pytest.approx(20.0, rel=0.4)
    assert "oscillator.drift" not in codes(told)


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few_captures_claim_nothing(count: int) -> None:
    told = trend_of_points(points(5e4 * DAYS[:count], DAYS[:count]), STATE)
    assert told.fit.answer == "too_few" and told.fit.rate is None and told.crossing is None
    finding = codes(told)["oscillator.drift"]
    assert finding.answer == "cannot_tell" and finding.next_steps


def test_scatter_beyond_the_uncertainties_widens_the_rate() -> None:
    told = fit_series(DAYS, noise(12, std=60e3), np.full(30, 20e3))
    assert told.excess == pytest.approx(math.sqrt(60e3**2 - 20e3**2), rel=0.5)
    assert told.rate_std > 2.0 * 422.0


def test_another_lnb_starts_anew() -> None:
    names = ["old"] * 15 + ["new"] * 15
    value = np.where(DAYS < 15, 300e3, 0.0) + noise(13)
    told = trend_of_points(points(value, lnb=names), STATE)
    assert told.fit.answer == "none" and "oscillator.lnb_exchanged" in codes(told)
    assert sum(p.used for p in told.points) == 15


def test_crossing_against_the_normal_ratio() -> None:
    """With a rate known exactly the wait is normal: (limit - level)/rate, 1.96 std/rate either side (derived)."""
    fit = SeriesFit("drift", rate=1e3, level=100e3, covariance=np.array([[10e3**2, 0.0], [0.0, 1e-6]]))
    crossing = crossing_of(fit, START, 200e3)
    assert (crossing.expected - START).days == pytest.approx(100, abs=1)
    assert (crossing.latest - crossing.earliest).days == pytest.approx(2 * 1.96 * 10, abs=2)
    assert crossing_of(SeriesFit("drift", rate=1.0, level=3e5, covariance=np.eye(2)), START, 2e5).outside


def test_constant_oscillators_seldom_drift_and_rates_are_covered() -> None:
    """Thinned; the campaign has the figures. 300 series: binomial 3-sigma limits about 4 % and 95 %."""
    changed = covered = 0
    for seed in range(300):
        fit = fit_series(DAYS, noise(1000 + seed), np.full(30, 20e3))
        changed += fit.answer != "none"
        covered += fit.rate_interval95[0] <= 0.0 <= fit.rate_interval95[1]
    assert changed / 300 < FALSE_ALARM + 0.034
    assert 0.91 < covered / 300 < 0.99


def test_json_and_picture() -> None:
    for value in (4e3 * DAYS + noise(2), np.where(DAYS < 17, 0.0, 150e3) + noise(4), noise(1)):
        told = trend_of_points(points(value), STATE)
        jsonschema.Draft202012Validator(schemas.load("trend")).validate(told.to_dict())
        names = [trace.name for trace in trend_figure(told).data]
        assert "LO error" in names and "fit" in names
        assert ("leaves its tolerance" in names) == (told.crossing is not None)
    jsonschema.Draft202012Validator(schemas.load("trend")).validate(trend_of_points([], None).to_dict())


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(-1e6, 1e6), st.floats(-1e4, 1e4))
def test_laws_of_shift_and_order(seed: int, level: float, days: float) -> None:
    """Adding a constant or moving the clock by whole days changes no rate; the order of readings does not matter."""
    y = 3e3 * DAYS + noise(seed)
    std = np.full(30, 20e3)
    plain = fit_series(DAYS, y, std)
    moved = fit_series(DAYS + round(days), y + level, std)
    mixed = np.random.default_rng(seed).permutation(30)
    other = fit_series(DAYS[mixed], y[mixed], std)
    assert moved.answer == plain.answer == other.answer
    assert moved.rate == pytest.approx(plain.rate, rel=1e-6, abs=1e-3)
    assert other.rate == pytest.approx(plain.rate, rel=1e-9, abs=1e-6)


def test_a_reading_without_a_temperature_spoils_not_the_rest() -> None:
    """5 kHz/K over ten kelvin, noted at 18 of 20 readings; the drift's limit is least squares' with both columns."""
    rng = np.random.default_rng(4)
    day = np.arange(20.0) + rng.uniform(0.0, 0.5, 20)
    kelvin = rng.uniform(-5.0, 5.0, 20)
    value = 8e3 * day + 5e3 * kelvin + rng.normal(0.0, 5e3, 20)
    noted = np.where(np.isin(np.arange(20), (3, 11)), np.nan, 20.0 + kelvin)
    fit = fit_series(day, value, np.full(20, 5e3), temperature=noted)
    assert fit.per_kelvin == pytest.approx(5e3, abs=4.0 * fit.per_kelvin_std)
    assert fit.answer == "drift" and fit.rate == pytest.approx(8e3, abs=4.0 * fit.rate_std)
    assert fit.rate_std < 1.5 * 5e3 / float(np.sqrt(np.sum((day - day.mean()) ** 2)))


def test_a_first_reading_far_off_is_left_out_and_turns_no_slope() -> None:
    """One reading 760 kHz below a drift that begins the day after; limit of the rate: least squares (derived)."""
    day = np.array([0.0, 1.25, 1.9, 3.0, 4.5, 5.3, 6.0, 7.0, 7.9, 8.9, 10.0, 11.5, 12.6])
    std = np.full(day.size, 12e3)
    value = 1.14e6 + 20e3 * day + np.random.default_rng(8).normal(0.0, 12e3, day.size)
    value[0] = 384e3
    fit = fit_series(day, value, std)
    assert fit.used is not None and not fit.used[0] and fit.used[1:].all()
    assert fit.answer == "drift"
    limit = 12e3 / float(np.sqrt(np.sum((day[1:] - day[1:].mean()) ** 2)))
    assert fit.rate == pytest.approx(20e3, abs=4.0 * limit)
    assert fit.rate_std == pytest.approx(limit, rel=0.1)


def series_of_both(rate: float, size: float, seed: int, count: int = 24):
    rng = np.random.default_rng([63, seed])
    day = np.arange(count) + rng.uniform(0.0, 0.3, count)
    at = rng.uniform(8.0, 16.0)
    return day, rng.normal(0.0, 15e3, count) + rate * day + size * (day > at), at


@pytest.mark.parametrize("size", [-700e3, 400e3])
def test_a_step_beside_a_drift_is_told_as_both(size: float) -> None:
    """Rate and size are those of the series; least squares with both columns gives their uncertainties (derived)."""
    for seed in range(10):
        day, value, at = series_of_both(15e3, size, seed)
        fit = fit_series(day, value, np.full(day.size, 15e3))
        assert fit.answer == "step" and fit.drift_beside_step
        (one,) = fit.steps
        assert one.after_day <= at <= one.before_day
        assert one.size == pytest.approx(size, abs=4.0 * one.size_std)
        assert fit.rate == pytest.approx(15e3, abs=4.0 * fit.rate_std)


@pytest.mark.parametrize(("rate", "size"), [(15e3, 0.0), (4e3, 0.0), (0.0, 400e3), (0.0, 90e3), (0.0, 0.0)])
def test_one_of_the_two_is_not_told_as_both(rate: float, size: float) -> None:
    """Noise makes a second one in less than one series of a thousand: none in 60."""
    for seed in range(100, 160):
        day, value, _ = series_of_both(rate, size, seed)
        assert not fit_series(day, value, np.full(day.size, 15e3)).drift_beside_step


def test_both_are_said_with_rate_size_and_date() -> None:
    day, value, _ = series_of_both(15e3, -700e3, 3)
    told = trend_of_points(points(value + 100e3, day, 15e3), STATE)
    found = codes(told)
    assert "oscillator.step" in found
    assert found["oscillator.drift"].answer == "yes"
    assert found["oscillator.drift"].title.startswith("Beside the step the oscillator drifts by")
    assert told.to_dict()["drift_beside_step"] is True and told.crossing is not None
