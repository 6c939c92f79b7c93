"""Figures are pure: what goes in is what is drawn. Expected: the library's own results, and counting."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

import spectra
from dashboard.figures.base import text
from dashboard.figures.detail import drawn_points, shown_points, within
from dashboard.figures.rollcall import rollcall_figure, rollcall_words
from dashboard.figures.sweep import View, level_at, sweep_figure, sweep_words
from dashboard.look import SCHEMES, look
from spectra.archive import list_captures, restore_capture


@pytest.fixture(scope="module")
def review(desk):
    rows = {row["name"]: row["key"] for row in list_captures(desk.archive)}
    return restore_capture(desk.archive, desk.archive.capture(rows["5_co_port.csv"]))


@pytest.fixture(scope="module")
def state(desk):
    rows = list_captures(desk.archive)
    return next(s for s in desk.capture(rows[0]["key"]).chain.lo_states if s.name == "high V")


def _by_name(figure) -> dict:
    return {trace.name: trace for trace in figure.data}


@pytest.mark.parametrize("n", [1, 2, 7, 2200, 2201, 100_001])
def test_envelope_keeps_every_extreme(n: int) -> None:
    level = np.random.default_rng(5).normal(size=n)
    at = shown_points(level, 1100)
    assert (np.diff(at) > 0).all() and at[0] == 0 and at[-1] == n - 1
    assert at.size <= 2 * 1100 + 2
    if n <= 2200:
        assert at.size == n
    edges = np.linspace(0, n, 1101).astype(int)
    for low, high in itertools.pairwise(edges):
        if high > low:
            kept = level[at[(at >= low) & (at < high)]]
            assert kept.max() == level[low:high].max() and kept.min() == level[low:high].min()


def test_envelope_shows_one_line_among_a_hundred_thousand_points() -> None:
    level = np.full(100_001, -80.0)
    level[61_803] = -20.0
    assert 61_803 in shown_points(level, 1100)


def test_within_takes_one_more_on_either_side() -> None:
    f = np.arange(10.0)
    assert f[within(f, 2.5, 5.5)].tolist() == [2.0, 3.0, 4.0, 5.0, 6.0]
    assert f[within(f, -5.0, 50.0)].tolist() == f.tolist()


def test_sweep_figure_draws_trace_fit_floor_and_every_carrier(review) -> None:
    (measurement,) = review.measurements
    drawn = _by_name(sweep_figure(measurement, look("light")))
    sweep = measurement.sweep
    assert drawn["trace"].x == pytest.approx(sweep.frequency_hz / 1e6)
    assert drawn["trace"].y == pytest.approx(sweep.level_dbm, abs=1e-4)
    assert drawn["fit"].y == pytest.approx(measurement.model_dbm, abs=1e-4)
    marks = [k for kind in ("modulated", "cw", "other", "unresolved") if kind in drawn for k in drawn[kind].customdata]
    assert sorted(marks) == list(range(len(measurement.carriers)))
    left = drawn["trace minus fit"]
    assert left.y == pytest.approx(sweep.level_dbm - measurement.model_dbm, abs=1e-3)


def test_rf_axis_runs_with_the_lo(review, state) -> None:
    (measurement,) = review.measurements
    figure = sweep_figure(measurement, look("light"), View(start_hz=1.5e9, stop_hz=1.6e9), state)
    assert list(figure.layout.xaxis.range) == [1500.0, 1600.0]
    # low side: RF = IF + LO (design, signs)
    assert list(figure.layout.xaxis2.range) == pytest.approx([1500.0 + state.lo_hz / 1e6, 1600.0 + state.lo_hz / 1e6])


def test_zoom_brings_back_all_points(review) -> None:
    (measurement,) = review.measurements
    f = measurement.sweep.frequency_hz
    drawn = _by_name(sweep_figure(measurement, look("dark"), View(start_hz=float(f[100]), stop_hz=float(f[200]))))
    x = np.asarray(drawn["trace"].x) * 1e6
    assert np.count_nonzero((x >= f[100] - 1) & (x <= f[200] + 1)) == 101
    # and as much again on either side, for when the picture is pulled along: as far as the sweep goes
    assert x[0] == pytest.approx(f[0]) and f[290] < x[-1] < f[310]


@pytest.mark.parametrize(("start", "stop"), [(0, 100_001), (0, 5_000), (40_000, 60_000), (99_000, 100_001)])
def test_points_beside_the_view_are_few_and_in_order(start: int, stop: int) -> None:
    level = np.random.default_rng(6).normal(size=100_001)
    at = drawn_points(level, slice(start, stop))
    assert (np.diff(at) > 0).all() and at.size <= 2 * (1100 + 2 * 550) + 6
    inside = at[(at >= start) & (at < stop)]
    assert level[inside].max() == level[start:stop].max() and level[inside].min() == level[start:stop].min()


def test_cursor_reads_the_nearest_point(review) -> None:
    sweep = review.measurements[0].sweep
    hz, dbm = level_at(sweep, float(sweep.frequency_hz[40]) + 0.4 * sweep.spacing_hz)
    assert (hz, dbm) == (sweep.frequency_hz[40], sweep.level_dbm[40])
    assert level_at(sweep, 0.0)[0] == sweep.start_hz and level_at(sweep, 1e12)[0] == sweep.stop_hz


def test_words_say_what_the_picture_shows(review) -> None:
    (measurement,) = review.measurements
    words = sweep_words(measurement)
    assert f"{len(measurement.carriers)} carriers" in words and "1420 to 2060 MHz, 1001 points" in words


def test_roll_call_ties_each_present_row_to_its_carrier(review) -> None:
    (measurement,) = review.measurements
    roll = review.identification.roll_call
    figure = rollcall_figure(measurement, roll, look("light"))
    present = [e for e in roll if e.status == "present"]
    ties = next(t for t in figure.data if t.yaxis == "y2" and t.mode == "lines" and t.name is None)
    assert [x for x in ties.x if x is not None][0::2] == pytest.approx([e.centre_hz / 1e6 for e in present])
    listed = {row for t in figure.data if t.mode == "markers" for row in t.customdata}
    in_span = [e for e in roll if e.expected_if_hz and 1420e6 <= e.expected_if_hz <= 2060e6]
    assert listed == {e.row for e in in_span}
    assert f"{len(present)} are present" in rollcall_words(roll, len(measurement.carriers), 1)


def test_text_from_outside_is_no_markup(review) -> None:
    assert text('<a href="javascript:alert(1)">x</a>') == '&lt;a href="javascript:alert(1)"&gt;x&lt;/a&gt;'
    (measurement,) = review.measurements
    evil = "<b>evil</b>"
    figure = sweep_figure(measurement, look("light"), View(overlays={evil: measurement.sweep}))
    assert evil not in figure.to_json() and "&lt;b&gt;evil" in figure.to_json()


@pytest.mark.parametrize("scheme", SCHEMES)
def test_figures_use_the_colours_of_the_scheme_alone(review, state, scheme: str) -> None:
    colours = {value.lower() for value in vars_of(look(scheme)).values()}
    (measurement,) = review.measurements
    drawn = sweep_figure(measurement, look(scheme), View(chosen=1, cursors=(1.5e9, 1.6e9)), state).to_json().lower()
    import re

    assert set(re.findall(r"#[0-9a-f]{6,8}", drawn)) <= colours


def vars_of(one) -> dict:
    return {name: getattr(one, name) for name in one.__dataclass_fields__}


def test_sweep_without_carriers_is_drawn_flat() -> None:
    f = np.linspace(1e9, 1.1e9, 401)
    level = -90.0 + np.random.default_rng(1).normal(scale=0.3, size=f.size)
    measurement = spectra.measure(spectra.Sweep.from_arrays(f, level, rbw_hz=3e5, detector="rms"))
    low, high = sweep_figure(measurement, look("light")).layout.yaxis.range
    assert high - low >= 12.0
