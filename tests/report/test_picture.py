"""Pictures: nothing that stands out gets lost on the way from the arrays to the page."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spectra.report.picture import Label, Polyline, Rectangle, decimate, nice_ticks
from spectra.report.sweepfigure import sweep_picture
from spectra.report.words import wording
from spectra.sweep import Sweep


@given(st.integers(1, 5000), st.integers(1, 300), st.integers(0, 2**32 - 1))
def test_thinned_line_keeps_every_extreme(n: int, columns: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.arange(n, dtype=float), rng.normal(size=n)
    thin_x, thin_y = decimate(x, y, columns)
    assert (np.diff(thin_x) > 0).all()
    assert thin_x.size <= max(2 * columns + 2, 2)
    assert {thin_y.min(), thin_y.max()} == {y.min(), y.max()}
    assert (y[thin_x.astype(int)] == thin_y).all()
    assert (thin_x[0], thin_x[-1]) == (x[0], x[-1])


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (950.0, 2150.0, 8, [1000, 1200, 1400, 1600, 1800, 2000]),
        (-84.0, -59.0, 5, [-80, -75, -70, -65, -60]),
        (0.0, 1.0, 4, [0.0, 0.25, 0.5, 0.75, 1.0][:5]),
        (1.0, 1.0, 4, []),
    ],
)
def test_ticks_are_round(low, high, most, expected) -> None:
    ticks = nice_ticks(low, high, most)
    assert ticks == pytest.approx(expected)
    assert len(ticks) <= most + 1


def test_picture_draws_what_was_measured(review) -> None:
    capture = review.captures[0]
    picture = sweep_picture(
        capture.measurements[0], wording(), identification=capture.identification, chain=review.visit.chain
    )
    lines = {item.style: item.points for item in picture.items if isinstance(item, Polyline)}
    trace = lines["trace"]
    assert trace.shape[0] == 401
    level = capture.measurements[0].sweep.level_dbm
    # the highest reading is the highest point: y grows downwards
    assert np.argmin(trace[:, 1]) == np.argmax(level)
    bars = [item for item in picture.items if isinstance(item, Rectangle)]
    assert [bar.style for bar in bars] == ["listed", "unlisted"]
    # bar of the modulated carrier: 5.4 of 80 MHz of the plot's width
    assert bars[0].width == pytest.approx(5.4 / 80 * (700 - 46), abs=0.2)
    labels = [item.text for item in picture.items if isinstance(item, Label)]
    assert {"1", "2?", "RF MHz"} <= set(labels)
    # RF above: 1220 MHz IF is 10970 MHz RF on the low side of 9750 MHz
    rf = next(item for item in picture.items if isinstance(item, Label) and item.text == "10980")
    assert rf.x == pytest.approx(40 + (1230 - 1210) / 80 * (700 - 46), abs=0.5)
    for item in picture.items:
        if isinstance(item, Polyline):
            assert np.isfinite(item.points).all()
            assert (item.points[:, 0] >= 0).all()
            assert (item.points[:, 0] <= picture.width).all()
            assert (item.points[:, 1] <= picture.height).all()


def test_flat_trace_and_one_point_wide_sweep(review) -> None:
    measurement = review.captures[0].measurements[0]
    flat = Sweep.from_arrays([1e9, 1.1e9], [-90.0, -90.0])
    short = dataclasses.replace(
        measurement,
        sweep=flat,
        carriers=(),
        model_dbm=np.full(2, -90.0),
        floor=dataclasses.replace(measurement.floor, level_dbm=np.full(2, -90.0)),
    )
    picture = sweep_picture(short, wording())
    assert all(np.isfinite(item.points).all() for item in picture.items if isinstance(item, Polyline))
