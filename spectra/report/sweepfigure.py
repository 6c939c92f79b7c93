"""One sweep as a picture: the trace, the floor, the fit, every carrier under it, every row that was called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.report.picture import (
    STYLES,
    Anchor,
    Label,
    Picture,
    Polyline,
    Rectangle,
    decimate,
    free_places,
    nice_ticks,
    text_width,
)
from spectra.report.words import Wording
from spectra.units import FloatArray

if TYPE_CHECKING:
    from spectra.identify.identification import Identification, RollCallEntry
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import ReceiveChain

__all__ = ["sweep_picture"]

_WIDTH = 700.0
_LEFT, _RIGHT, _TOP = 40.0, 6.0, 24.0
_PLOT = 205.0
_LANE = 16.0
_COLUMNS = 900
_HEADROOM_DB = 2.0


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where frequencies and levels lie in the picture."""

    start_hz: float
    stop_hz: float
    low_dbm: float
    high_dbm: float

    def x(self, hz: float | FloatArray) -> FloatArray:
        share = (np.asarray(hz, float) - self.start_hz) / (self.stop_hz - self.start_hz)
        return np.asarray(_LEFT + share * (_WIDTH - _LEFT - _RIGHT), float)

    def y(self, dbm: float | FloatArray) -> FloatArray:
        share = (self.high_dbm - np.asarray(dbm, float)) / (self.high_dbm - self.low_dbm)
        return np.asarray(_TOP + share * _PLOT, float)

    @property
    def bottom(self) -> float:
        return _TOP + _PLOT


def sweep_picture(
    measurement: Measurement,
    wording: Wording,
    *,
    identification: Identification | None = None,
    chain: ReceiveChain | None = None,
    index: int = 0,
) -> Picture:
    """Draw one sweep.

    Parameters
    ----------
    measurement : Measurement
    wording : Wording
        Language of the labels.
    identification : Identification or None
        Puts the rows of the roll call under the carriers, and RF above the trace.
    chain : ReceiveChain or None
        For the RF axis.
    index : int
        Place of this sweep in the identification's evidence.
    """
    frame = _frame(measurement)
    items: list[Polyline | Rectangle | Label] = [*_axes(frame, wording)]
    items += _rf_axis(frame, identification, chain, wording)
    items += _lines(frame, measurement)
    entries = [] if identification is None else [e for e in identification.roll_call if e.sweep == index]
    explained = {e.carrier for e in entries if e.status == "present" and e.carrier is not None}
    lane = frame.bottom + 24.0
    items += _carriers(frame, measurement.carriers, explained, identification is not None, lane, wording)
    height = lane + 2.2 * _LANE
    shown = [e for e in entries if e.expected_if_hz is not None and frame.start_hz <= e.expected_if_hz <= frame.stop_hz]
    if shown:
        items += _rows(frame, shown, height, wording)
        height += 1.6 * _LANE
    words = wording(
        "figure.words",
        start=f"{frame.start_hz / 1e6:.1f}",
        stop=f"{frame.stop_hz / 1e6:.1f}",
        carriers=len(measurement.carriers),
    )
    return Picture(_WIDTH, height + 4.0, tuple(items), words)


def _frame(measurement: Measurement) -> _Frame:
    sweep, floor = measurement.sweep, measurement.floor.level_dbm
    lowest = float(min(np.percentile(sweep.level_dbm, 0.5), floor.min()))
    highest = float(max(sweep.level_dbm.max(), measurement.model_dbm.max()))
    highest = max(highest, lowest + 6.0)  # an empty trace must not look like mountains
    return _Frame(sweep.start_hz, sweep.stop_hz, lowest - _HEADROOM_DB, highest + _HEADROOM_DB)


def _axes(frame: _Frame, wording: Wording) -> list[Polyline | Rectangle | Label]:
    items: list[Polyline | Rectangle | Label] = []
    right = _WIDTH - _RIGHT
    for dbm in nice_ticks(frame.low_dbm, frame.high_dbm, 5):
        y = float(frame.y(dbm))
        items.append(Polyline(np.array([[_LEFT, y], [right, y]]), "rule"))
        items.append(Label(_LEFT - 6.0, y + 4.0, f"{dbm:g}".replace("-", "−"), "tick", "end"))
    items.append(Label(2.0, _TOP - 12.0, wording("figure.level"), "tick"))
    items.append(Polyline(np.array([[_LEFT, frame.bottom], [right, frame.bottom]]), "axis"))
    for mhz in nice_ticks(frame.start_hz / 1e6, frame.stop_hz / 1e6, 8):
        x = float(frame.x(mhz * 1e6))
        items.append(Polyline(np.array([[x, frame.bottom], [x, frame.bottom + 4.0]]), "axis"))
        items.append(Label(x, frame.bottom + 15.0, f"{mhz:g}", "tick", _anchor(x)))
    return items


def _anchor(x: float) -> Anchor:
    if x > _WIDTH - _RIGHT - 20.0:
        return "end"
    return "start" if x < _LEFT + 6.0 else "middle"


def _rf_axis(
    frame: _Frame, identification: Identification | None, chain: ReceiveChain | None, wording: Wording
) -> list[Polyline | Rectangle | Label]:
    """RF above the trace, where the LO state is known well enough to say so."""
    if identification is None or chain is None or identification.best.lo_state is None:
        return []
    state = next((s for s in chain.lo_states if s.name == identification.best.lo_state), None)
    if state is None:
        return []
    rf = sorted(float(state.rf_from_if(hz)) for hz in (frame.start_hz, frame.stop_hz))
    items: list[Polyline | Rectangle | Label] = []
    for mhz in nice_ticks(rf[0] / 1e6, rf[1] / 1e6, 6):
        x = float(frame.x(float(state.if_from_rf(mhz * 1e6))))
        if x < _LEFT + 64.0:
            continue  # the names of the axes stand there
        items.append(Polyline(np.array([[x, _TOP - 4.0], [x, _TOP]]), "axis"))
        items.append(Label(x, _TOP - 8.0, f"{mhz:g}", "tick", _anchor(x)))
    items.append(Label(_LEFT + 2.0, _TOP - 12.0, wording("figure.rf"), "tick"))
    return items


def _lines(frame: _Frame, measurement: Measurement) -> list[Polyline | Rectangle | Label]:
    f = measurement.sweep.frequency_hz
    items: list[Polyline | Rectangle | Label] = []
    for level, style, columns in (
        (measurement.sweep.level_dbm, "trace", _COLUMNS),
        (_shown_floor(measurement), "floor", 120),
        (measurement.model_dbm, "model", _COLUMNS),
    ):
        x, y = decimate(f, np.clip(level, frame.low_dbm, frame.high_dbm), columns)
        items.append(Polyline(np.column_stack([frame.x(x), frame.y(y)]), style))
    return items


def _shown_floor(measurement: Measurement) -> FloatArray:
    """Return the floor as the detector shows it: the model beside all carriers, where it is nothing but floor."""
    floor = measurement.floor.level_dbm
    return np.asarray(floor + np.percentile(measurement.model_dbm - floor, 2.0), float)


def _carriers(
    frame: _Frame, carriers: Sequence[Carrier], explained: set[int], called: bool, y: float, wording: Wording
) -> list[Polyline | Rectangle | Label]:
    """Bars as wide as the carriers, numbered as in the table; what no row explains is hollow and marked."""
    items: list[Polyline | Rectangle | Label] = [Label(2.0, y + 8.0, wording("figure.found"), "tick")]
    taken: list[tuple[float, float]] = [(0.0, _LEFT - 8.0)]
    for number, carrier in enumerate(carriers):
        half = max(carrier.width_hz / 2.0, 0.0)
        low, high = (float(frame.x(hz)) for hz in (carrier.centre_hz - half, carrier.centre_hz + half))
        low, high = max(low, _LEFT), min(high, _WIDTH - _RIGHT)
        if high - low < 3.0:
            middle = float(frame.x(carrier.centre_hz))
            low, high = middle - 1.5, middle + 1.5
        odd = called and number not in explained
        style = "unlisted" if odd else "listed" if called else "plain"
        items.append(Rectangle(low, y, high - low, 8.0, style))
        text = f"{number + 1}" + ("?" if odd else "")
        middle, half_text = (low + high) / 2.0, text_width(text, STYLES["strong"].size) / 2.0
        place = (middle - half_text, middle + half_text)
        if free_places(taken, place):
            items.append(Label(middle, y + 20.0, text, "odd" if odd else "strong", "middle"))
            taken.append(place)
    return items


def _rows(
    frame: _Frame, entries: Sequence[RollCallEntry], y: float, wording: Wording
) -> list[Polyline | Rectangle | Label]:
    """Return marks where the table expects carriers: a stroke where one answers, a cross where none does."""
    items: list[Polyline | Rectangle | Label] = [Label(2.0, y + 9.0, wording("figure.table"), "tick")]
    taken: list[tuple[float, float]] = [(0.0, _LEFT - 8.0)]
    for entry in entries:
        assert entry.expected_if_hz is not None
        x = float(frame.x(entry.expected_if_hz))
        if entry.status == "present":
            items.append(Polyline(np.array([[x, y], [x, y + 10.0]]), "present"))
        elif entry.status == "absent":
            items += [
                Polyline(np.array([[x - 4.0, y + 1.0], [x + 4.0, y + 9.0]]), "absent"),
                Polyline(np.array([[x - 4.0, y + 9.0], [x + 4.0, y + 1.0]]), "absent"),
            ]
        else:
            items.append(Polyline(np.array([[x, y], [x, y + 10.0]]), "hidden"))
        text = str(entry.row)
        half = text_width(text, STYLES["tick"].size) / 2.0
        if free_places(taken, (x - half, x + half)):
            items.append(Label(x, y + 21.0, text, "odd" if entry.status == "absent" else "tick", "middle"))
            taken.append((x - half, x + half))
    return items
