"""The picture of a measurement: trace, floor, fitted carriers, and what the fit leaves over."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

from spectra.measure.measurement import Carrier, Measurement
from spectra.units import FloatArray, format_frequency, format_value

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["measurement_figure"]

# Apart in lightness and in dash, so that print in grey and colour-blind eyes tell them apart.
_TRACE, _MODEL, _FLOOR, _MARK = "#7a8793", "#0b3c5d", "#b3541e", "#1d2d35"
_SYMBOLS = {"modulated": "circle", "cw": "triangle-up", "other": "square", "unresolved": "diamond"}


def _label(carrier: Carrier) -> str:
    """Return the hover text of a carrier."""
    lines = [
        carrier.kind,
        "centre " + format_frequency(carrier.centre_hz, carrier.centre_std_hz, "MHz"),
        "symbol rate " + format_value(carrier.symbol_rate_bd, carrier.symbol_rate_std_bd, "MBd", 1e6),
        "occupied " + format_value(carrier.occupied_bandwidth_hz, carrier.occupied_bandwidth_std_hz, "MHz", 1e6),
        "power " + format_value(carrier.power_dbm, carrier.power_std_db, "dBm"),
        "C/N " + format_value(carrier.cn_db, carrier.cn_std_db, "dB"),
    ]
    if carrier.cn_lower_bound_db is not None:
        lines.append(f"C/N above {carrier.cn_lower_bound_db:.1f} dB")
    return "<br>".join([*lines, *carrier.flags])


def _shown_floor(measurement: Measurement) -> tuple[FloatArray, FloatArray]:
    """Return the floor as the detector shows it, where it is seen and where it is not."""
    sweep = measurement.sweep
    # The model is the trace as shown; where no carrier adds, it is the floor as shown.
    shift = float(np.min(measurement.model_dbm - measurement.floor.level_dbm))
    level = measurement.floor.level_dbm + shift
    seen = measurement.floor.observed
    if seen.shape != sweep.level_dbm.shape:
        seen = np.ones(sweep.level_dbm.shape, dtype=bool)
    return np.where(seen, level, np.nan), np.where(seen, np.nan, level)


def measurement_figure(measurement: Measurement) -> go.Figure:
    """Return a plotly figure of a measurement.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    plotly.graph_objects.Figure
        Above the trace, the floor (dotted where no gap shows it), the fitted model and a mark per carrier; below the
        residuals, trace minus model. Frequency in MHz, levels in dBm.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    sweep = measurement.sweep
    mhz = sweep.frequency_hz / 1e6
    seen, unseen = _shown_floor(measurement)
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, row_heights=[0.76, 0.24], vertical_spacing=0.05)
    lines = (
        ("trace", sweep.level_dbm, {"color": _TRACE, "width": 1.0}),
        ("floor", seen, {"color": _FLOOR, "width": 2.0, "dash": "dash"}),
        ("floor, not seen here", unseen, {"color": _FLOOR, "width": 2.0, "dash": "dot"}),
        ("fit", measurement.model_dbm, {"color": _MODEL, "width": 2.0}),
    )
    for name, level, line in lines:
        if np.isfinite(level).any():
            figure.add_trace(go.Scatter(x=mhz, y=level, name=name, mode="lines", line=line), row=1, col=1)
    _mark_carriers(figure, measurement)
    figure.add_trace(
        go.Scatter(
            x=mhz,
            y=sweep.level_dbm - measurement.model_dbm,
            name="trace minus fit",
            mode="markers",
            marker={"color": _TRACE, "size": 3},
        ),
        row=2,
        col=1,
    )
    figure.add_hline(y=0.0, line={"color": _MODEL, "width": 1.0}, row=2, col=1)
    _lay_out(figure, measurement)
    return figure


def _lay_out(figure: go.Figure, measurement: Measurement) -> None:
    """Give the figure its axes, title and legend."""
    figure.update_xaxes(title_text="frequency / MHz", row=2, col=1)
    figure.update_yaxes(title_text="level / dBm", row=1, col=1)
    figure.update_yaxes(title_text="residual / dB", row=2, col=1)
    figure.update_xaxes(showgrid=False)
    figure.update_yaxes(showgrid=True, gridcolor="#e9edf0", zeroline=False, nticks=6)
    count, floor_dbm = len(measurement.carriers), measurement.floor.median_dbm
    name = escape(measurement.sweep.origin.file)
    figure.update_layout(
        # plotly renders a few tags in titles: a file name must not bring its own
        title=f"{count} carrier{'' if count == 1 else 's'}, floor {floor_dbm:.1f} dBm: {name}",
        template="plotly_white",
        legend={"orientation": "h", "y": -0.15},
        margin={"l": 60, "r": 20, "t": 60, "b": 60},
    )


def _mark_carriers(figure: go.Figure, measurement: Measurement) -> None:
    """Put a mark over every carrier, its shape telling the kind."""
    import plotly.graph_objects as go

    sweep = measurement.sweep
    for kind, symbol in _SYMBOLS.items():
        here = [(k, c) for k, c in enumerate(measurement.carriers) if c.kind == kind]
        if not here:
            continue
        centre = np.array([c.centre_hz for _, c in here])
        at = np.clip(np.searchsorted(sweep.frequency_hz, centre), 0, sweep.points - 1)
        figure.add_trace(
            go.Scatter(
                x=centre / 1e6,
                y=measurement.model_dbm[at] + 1.5,
                name=kind,
                mode="markers+text",
                text=[str(k + 1) for k, _ in here],
                textposition="top center",
                marker={"symbol": symbol, "color": _MARK, "size": 8},
                cliponaxis=False,
                hovertext=[_label(c) for _, c in here],
                hoverinfo="text",
            ),
            row=1,
            col=1,
        )
