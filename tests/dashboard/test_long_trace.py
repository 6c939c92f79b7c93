"""A trace of 100 001 points in a real browser: few are drawn, all of them closely looked at, pulled along by the mouse.

Expected: counting on the trace itself. The measurement is made up: what is tested is how it is shown.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from spectra import load_capture
from spectra.archive import open_archive
from spectra.archive.record import records_of
from spectra.archive.store import VisitRow
from spectra.measure.measurement import Floor, Measurement
from spectra.visit.analysis import CaptureReview
from spectra.visit.visit import VisitCapture
from spectra.visit.visitfile import CaptureEntry

pytestmark = pytest.mark.slow
N = 100_001
SPIKE = 40_321


@pytest.fixture(scope="module")
def long(browse: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    home = tmp_path_factory.mktemp("long")
    level = np.random.default_rng(11).normal(-90.0, 0.4, N)
    level[SPIKE] = -60.0  # one point alone: no envelope may lose it
    frequency = np.linspace(950e6, 2150e6, N)
    path = home / "long.csv"
    rows = (f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(frequency, level, strict=True))
    path.write_text("frequency_hz,level_dbm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    capture = load_capture(path)
    flat = np.full(N, -90.0)
    floor = Floor(-90.0, None, None, 0.0, flat, np.full(N, 0.1), np.ones(N, bool))
    review = CaptureReview(
        VisitCapture(capture, (path,), reading=({},)),
        (Measurement(capture.sweeps[0], floor, (), 100.0, 1.0, 1.0, flat),),
    )
    entry = CaptureEntry((path,), {})
    record = records_of(entry, [review], plan_sha256=None, chain=None, made_at=datetime.now(UTC))
    with open_archive(home / "a.sqlite") as archive:
        archive.add(record, visit=VisitRow("e" * 64, "long", "Example", "A", '{"head": {}, "limits": {}}'))
    browser = browse(home / "a.sqlite")
    browser.open(f"/visit/{'e' * 16}/sweep/{record.captures[0].key[:16]}")
    browser.idle()
    return browser


def _drawn(browser: Any) -> dict[str, Any]:
    """Return how many points the trace has in the browser, how many lie in view, its top, and the range of the axis."""
    script = """
        const g = document.querySelector('#sweep-figure .js-plotly-plot');
        const t = g._fullData.find(t => t.name === 'trace');
        const [a, b] = g._fullLayout.xaxis.range, x = Array.from(t.x), y = Array.from(t.y);
        return {all: x.length, inside: x.filter(v => v >= a && v <= b).length, top: Math.max(...y), from: a, to: b};"""
    return browser.driver.execute_script(script)


def _pull(browser: Any, by: int) -> None:
    """Drag the picture along with the mouse, in many small moves."""
    script = "const r = document.querySelector('#sweep-figure .nsewdrag').getBoundingClientRect();"
    box = browser.driver.execute_script(script + "return [r.x, r.y, r.width, r.height]")
    x, y = box[0] + box[2] / 2, box[1] + box[3] / 2
    moves = [("mousePressed", x), *(("mouseMoved", x + by * k / 30) for k in range(1, 31)), ("mouseReleased", x + by)]
    for kind, at in moves:
        event = {"type": kind, "x": at, "y": y, "button": "left", "buttons": 1, "clickCount": 1}
        browser.driver.execute_cdp_cmd("Input.dispatchMouseEvent", event)


def test_whole_trace_is_an_envelope_that_loses_nothing(long: Any) -> None:
    drawn = _drawn(long)
    assert 1000 < drawn["all"] <= 2 * 1100 + 2 and drawn["inside"] == drawn["all"]
    assert drawn["top"] == pytest.approx(-60.0)


def test_closer_by_drag_shows_every_point_and_pulling_brings_the_neighbours(long: Any) -> None:
    whole = _drawn(long)
    _pull(long, 12)  # a narrow choice: about 1 % of the picture
    long.wait(lambda: _drawn(long)["to"] - _drawn(long)["from"] < 0.05 * (whole["to"] - whole["from"]), "the zoom")
    step = 1200.0 / (N - 1)
    long.wait(
        lambda: abs(_drawn(long)["inside"] - (_drawn(long)["to"] - _drawn(long)["from"]) / step) <= 2, "every point"
    )
    before = _drawn(long)
    long.one('[data-toggles="sweep-show"][data-value="pull"]').click()
    pan = "return document.querySelector('#sweep-figure .js-plotly-plot')._fullLayout.dragmode"
    long.wait(lambda: long.driver.execute_script(pan) == "pan", "the other way to drag")
    _pull(long, -250)
    long.wait(lambda: _drawn(long)["from"] > before["from"] + 1e-6, "the picture to move")
    long.wait(lambda: "from=" in long.driver.current_url, "the address")
    # it moved by what was pulled, kept its width, and is whole again: every point, and the sides
    after = _drawn(long)
    assert after["to"] - after["from"] == pytest.approx(before["to"] - before["from"], rel=1e-6)
    long.wait(
        lambda: (
            abs(_drawn(long)["inside"] - (after["to"] - after["from"]) / step) <= 2
            and _drawn(long)["all"] > 2.5 * _drawn(long)["inside"]
        ),
        "every point again",
    )
    assert long.complaints() == []
