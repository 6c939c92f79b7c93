"""Pictures of interference: time against frequency, envelope of many sweeps, timeline of emissions; pure functions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.errors import UsageError
from spectra.findings.date_axis import DATE_AXIS
from spectra.findings.emissions import Emissions
from spectra.findings.interference_sets import entry_of
from spectra.units import DB_PER_NEPER, FloatArray

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from spectra.findings.interference_guests import Guest
    from spectra.measure.measurement import Measurement
    from spectra.sweep import Sweep

__all__ = ["envelope_figure", "time_frequency_figure", "timeline_figure", "under_carrier_figure"]

# apart in lightness and in dash or symbol, so that print in grey and colour-blind eyes tell them apart
_DARK, _WARM, _PALE, _GRID = "#0b3c5d", "#b3541e", "#8a97a3", "#e9edf0"
_WAY = {
    "cable": ("square", _WARM, "by the cable"),
    "antenna": ("circle", _DARK, "through the antenna"),
    "cannot_tell": ("x", _PALE, "way in not known"),
}
_MOST_COLUMNS = 1500
_MOST_CELLS = 400  # across a heat map: with more than the page has pixels a lone line may fall between them
_ROW_PX = 34


def _layout(figure: go.Figure, x: str, y: str) -> go.Figure:
    figure.update_layout(
        template="none",
        font={"family": "system-ui, sans-serif", "size": 13},
        margin={"l": 70, "r": 20, "t": 30, "b": 95},
        # below, where neither the curves nor the picture's own buttons cover it, however narrow the page
        legend={"orientation": "h", "yref": "container", "y": 0.0, "yanchor": "bottom", "x": 0.0},
        hovermode="closest",
    )
    figure.update_xaxes(title_text=x, showgrid=False, zeroline=False)
    figure.update_yaxes(title_text=y, gridcolor=_GRID, zeroline=False, automargin=True, title_standoff=14)
    return figure


def _common_axis(sweeps: Sequence[Sweep], most: int = _MOST_COLUMNS) -> tuple[FloatArray, FloatArray]:
    """Return the axis that all sweeps share (the coarsest one, cut to the overlap) and levels (k, n) on it."""
    if not sweeps:
        raise UsageError("sweeps", None, "none", "one or more", "Name at least one capture.")
    start, stop = max(s.start_hz for s in sweeps), min(s.stop_hz for s in sweeps)
    if stop <= start:
        raise UsageError("sweeps", None, "spans that do not overlap", "one span in common", "Leave the others out.")
    step = max(max(s.spacing_hz for s in sweeps), (stop - start) / most)
    axis: FloatArray = np.arange(start, stop + 0.5 * step, step)
    rows = np.empty((len(sweeps), axis.size))
    for k, sweep in enumerate(sweeps):
        # the greatest level in each column: a line between two columns must not vanish
        column = np.clip(np.round((sweep.frequency_hz - start) / step).astype(int), -1, axis.size)
        keep = (column >= 0) & (column < axis.size)
        rows[k] = np.interp(axis, sweep.frequency_hz, sweep.level_dbm)
        np.maximum.at(rows[k], column[keep], sweep.level_dbm[keep])
    return axis, rows


def time_frequency_figure(sweeps: Sequence[Sweep]) -> go.Figure:
    """Return level over frequency (MHz) and time, one row a sweep; those without a time keep their order.

    Raises
    ------
    UsageError
        If there is no sweep, or the spans do not overlap.
    """
    import plotly.graph_objects as go

    timed = all(s.origin.captured_at is not None for s in sweeps)
    order = sorted(sweeps, key=lambda s: s.origin.captured_at) if timed else list(sweeps)  # type: ignore[arg-type, return-value]  # all have one
    axis, rows = _common_axis(order, _MOST_CELLS)
    when: list[Any] = [s.origin.captured_at if timed else s.origin.file for s in order]
    figure = go.Figure(
        go.Heatmap(
            x=axis / 1e6,
            y=when,
            z=rows,
            colorscale="Cividis",
            colorbar={"title": {"text": "dBm"}, "thickness": 14},
            hovertemplate="%{x:.3f} MHz<br>%{y}<br>%{z:.1f} dBm<extra></extra>",
        )
    )
    if timed:
        figure.update_yaxes(**DATE_AXIS)
    return _layout(figure, "IF / MHz", "captured at" if timed else "capture")


def envelope_figure(sweeps: Sequence[Sweep]) -> go.Figure:
    """Return the greatest, the mean (of powers) and the least level at every frequency of many sweeps.

    Raises
    ------
    UsageError
        If there is no sweep, or the spans do not overlap.
    """
    import plotly.graph_objects as go

    axis, rows = _common_axis(sweeps)
    mean = DB_PER_NEPER * np.log(np.mean(np.exp(rows / DB_PER_NEPER), axis=0))
    figure = go.Figure()
    for name, level, colour, dash in (
        ("greatest", rows.max(axis=0), _WARM, "solid"),
        ("mean", mean, _DARK, "dash"),
        ("least", rows.min(axis=0), _PALE, "dot"),
    ):
        figure.add_trace(
            go.Scatter(x=axis / 1e6, y=level, mode="lines", name=name, line={"color": colour, "width": 1, "dash": dash})
        )
    return _layout(figure, "IF / MHz", "level / dBm")


def timeline_figure(log: Emissions) -> go.Figure:
    """Return when each emission was seen: one line an emission, a mark a sighting, by the way it comes in.

    Captures that could have shown it and did not have a tick of their own.
    """
    import plotly.graph_objects as go

    figure = go.Figure()
    shown: set[str] = set()
    looked_x: list[Any] = []
    looked_y: list[str] = []
    for emission in log.emissions:
        way = entry_of(emission, log).way
        symbol, colour, words = _WAY[way]
        x: list[Any] = [log.looks[s.look].captured_at or log.looks[s.look].name for s in emission.sightings]
        label = f"{emission.number}: {emission.if_hz / 1e6:.3f} MHz"
        figure.add_trace(
            go.Scatter(
                x=x,
                y=[label] * len(x),
                mode="lines+markers",
                name=words,
                legendgroup=way,
                showlegend=way not in shown,
                marker={"symbol": symbol, "color": colour, "size": 8},
                line={"color": colour, "width": 1, "dash": "dot"},
                customdata=[s.power_dbm for s in emission.sightings],
                hovertemplate="%{y}<br>%{x}<br>%{customdata:.1f} dBm<extra></extra>",
            )
        )
        shown.add(way)
        missed = [k for k in emission.looks if all(s.look != k for s in emission.sightings)]
        looked_x += [log.looks[k].captured_at or log.looks[k].name for k in missed]
        looked_y += [label] * len(missed)
    if looked_x:
        figure.add_trace(
            go.Scatter(
                x=looked_x,
                y=looked_y,
                mode="markers",
                name="looked for, not seen",
                marker={"symbol": "line-ns-open", "color": _PALE, "size": 10, "line": {"width": 1.5}},
                hovertemplate="%{y}<br>%{x}<br>not seen<extra></extra>",
            )
        )
    if all(look.captured_at is not None for look in log.looks):
        figure.update_xaxes(**DATE_AXIS)
    _layout(figure, "captured at", "emission (IF)")
    figure.update_layout(height=200 + _ROW_PX * max(2, len(log.emissions)))
    return figure


def under_carrier_figure(measurement: Measurement, guests: Sequence[Guest]) -> go.Figure:
    """Return a sweep with its model, and a mark at everything that stands on a carrier."""
    import plotly.graph_objects as go

    sweep = measurement.sweep
    figure = go.Figure()
    for name, level, colour, width in (
        ("level", sweep.level_dbm, _PALE, 1),
        ("floor and carriers", measurement.model_dbm, _DARK, 2),
    ):
        figure.add_trace(
            go.Scatter(
                x=sweep.frequency_hz / 1e6, y=level, mode="lines", name=name, line={"color": colour, "width": width}
            )
        )
    if guests:
        place = np.array([guest.centre_hz for guest in guests])
        figure.add_trace(
            go.Scatter(
                x=place / 1e6,
                y=np.interp(place, sweep.frequency_hz, sweep.level_dbm),
                mode="markers+text",
                name="stands on a carrier",
                text=[f"C/I {guest.c_over_i_db:.1f} dB" for guest in guests],
                textposition="top center",
                marker={"symbol": "triangle-down", "color": _WARM, "size": 11},
            )
        )
    return _layout(figure, "IF / MHz", "level / dBm")
