"""Pictures of a comparison and of a trend: pure functions that return plotly figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.findings.comparison import Comparison, Pair
from spectra.findings.date_axis import DATE_AXIS

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from spectra.findings.trend import Trend
    from spectra.measure.measurement import Measurement

__all__ = ["comparison_figure", "trend_figure"]

# apart in lightness and in dash or symbol, so that print in grey and colour-blind eyes tell them apart
_FIRST, _SECOND, _MARK, _WEAK, _GRID = "#0b3c5d", "#b3541e", "#1d2d35", "#8a97a3", "#e9edf0"


_BELOW = {"orientation": "h", "yref": "container", "y": 0.0, "yanchor": "bottom", "x": 0.0}


def comparison_figure(comparison: Comparison, *, isolation_limit_db: float | None = None) -> go.Figure:
    """Return a figure of a comparison.

    Parameters
    ----------
    comparison : Comparison
    isolation_limit_db : float, optional
        Drawn into the isolation of a polarisation pair.

    Returns
    -------
    plotly.graph_objects.Figure
        Above the traces of the first two captures; below, of a polarisation pair, the isolation of every carrier (a
        mark with its 95 % interval) or its lower bound (a triangle), else the change of level. Frequency in MHz.
    """
    from plotly.subplots import make_subplots

    polar = comparison.kind == "polarisation"
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, row_heights=[0.55, 0.45], vertical_spacing=0.06)
    for k, (measurements, colour, dash) in enumerate(
        zip(comparison.measurements[:2], (_FIRST, _SECOND), ("solid", "dot"), strict=False)
    ):
        for number, measurement in enumerate(measurements):
            figure.add_trace(_trace(measurement, comparison.captures[k], colour, dash, number == 0), row=1, col=1)
    mine = (
        [pair for pair in comparison.pairs if pair.captures == comparison.pairs[0].captures] if comparison.pairs else []
    )
    lower = _isolation_traces(mine) if polar else _change_traces(mine)
    for trace in lower:
        figure.add_trace(trace, row=2, col=1)
    if not any(len(trace.x) for trace in lower):
        # without a trace of its own a subplot takes up neither the axis nor the words
        figure.add_trace(_nothing(comparison), row=2, col=1)
        figure.update_yaxes(showticklabels=False, row=2, col=1)
    if polar and isolation_limit_db is not None:
        figure.add_hline(
            y=isolation_limit_db,
            line={"color": _MARK, "width": 1, "dash": "dash"},
            annotation_text="limit",
            row=2,
            col=1,
        )
    figure.update_xaxes(showgrid=False)
    figure.update_xaxes(title_text="IF / MHz", row=2, col=1)
    figure.update_yaxes(showgrid=True, gridcolor=_GRID, zeroline=False, nticks=6)
    figure.update_yaxes(title_text="level / dBm", row=1, col=1)
    figure.update_yaxes(title_text="isolation / dB" if polar else "level change / dB", row=2, col=1)
    figure.update_layout(
        title=_title(comparison),
        template="plotly_white",
        height=560,
        legend=_BELOW,
        margin={"l": 60, "r": 20, "t": 60, "b": 100},
    )
    return figure


def _nothing(comparison: Comparison) -> Any:
    """Return the words that stand where no carrier could be compared."""
    import plotly.graph_objects as go

    f = [sweep.frequency_hz for measured in comparison.measurements[:2] for sweep in (m.sweep for m in measured)]
    middle = 0.5 * (min(x[0] for x in f) + max(x[-1] for x in f)) / 1e6 if f else 0.0
    words = "no carrier stands at the same IF in both" if comparison.kind == "lo_state" else "no carrier to compare"
    return go.Scatter(
        x=[middle], y=[0.0], mode="text", text=[words], textfont={"size": 13}, showlegend=False, hoverinfo="skip"
    )


def _title(comparison: Comparison) -> str:
    whole = comparison.polarisation
    names = " against ".join(comparison.captures[:2])
    if whole is None:
        return names
    if whole.isolation_db is not None and whole.isolation_std_db is not None:
        return f"Isolation {whole.isolation_db:.1f} ± {whole.isolation_std_db:.1f} dB: {names}"
    if whole.isolation_lower_bound_db is not None:
        return f"Isolation at least {whole.isolation_lower_bound_db:.1f} dB: {names}"
    return f"Isolation not shown: {names}"


def _trace(measurement: Measurement, name: str, colour: str, dash: str, first: bool) -> Any:
    import plotly.graph_objects as go

    sweep = measurement.sweep
    return go.Scatter(
        x=sweep.frequency_hz / 1e6,
        y=sweep.level_dbm,
        name=name,
        legendgroup=name,
        showlegend=first,
        mode="lines",
        line={"color": colour, "width": 1.2, "dash": dash},
    )


def _hover(pair: Pair) -> str:
    parts = [] if pair.row is None else [f"row {pair.row}"]
    if pair.home is not None:
        parts.append("belongs to the first port" if pair.home == "reference" else "belongs to the second port")
    return "<br>".join([*parts, *([pair.why] if pair.why else [])])


def _place(pair: Pair) -> float:
    return (
        float((pair.reference_centre_hz if pair.reference_centre_hz is not None else pair.other_centre_hz) or 0.0) / 1e6
    )


def _isolation_traces(pairs: list[Pair]) -> list[Any]:
    import plotly.graph_objects as go

    made = []
    for home, colour, symbol, words in (
        ("reference", _FIRST, "circle", "carriers of the first port"),
        ("other", _SECOND, "square", "carriers of the second port"),
    ):
        told = [p for p in pairs if p.home == home and p.isolation_db is not None]
        if told:
            counts = [bool(p.counts) for p in told]
            made.append(
                go.Scatter(
                    x=[_place(p) for p in told],
                    y=[p.isolation_db for p in told],
                    error_y={
                        "type": "data",
                        "array": [1.96 * (p.isolation_std_db or 0.0) for p in told],
                        "thickness": 1.5,
                    },
                    name=words,
                    mode="markers",
                    marker={"color": [colour if c else _WEAK for c in counts], "symbol": symbol, "size": 10},
                    hovertext=[_hover(p) for p in told],
                )
            )
    bounds = [p for p in pairs if p.isolation_db is None and p.isolation_lower_bound_db is not None]
    if bounds:
        made.append(
            go.Scatter(
                x=[_place(p) for p in bounds],
                y=[p.isolation_lower_bound_db for p in bounds],
                name="at least (95 %)",
                mode="markers",
                marker={"color": _MARK, "symbol": "triangle-up-open", "size": 11, "line": {"width": 2}},
                hovertext=[_hover(p) for p in bounds],
            )
        )
    return made


def _change_traces(pairs: list[Pair]) -> list[Any]:
    import plotly.graph_objects as go

    told = [p for p in pairs if p.level_change_db is not None]
    return [
        go.Scatter(
            x=[_place(p) for p in told],
            y=[p.level_change_db for p in told],
            error_y={"type": "data", "array": np.array([1.96 * (p.level_change_std_db or 0.0) for p in told])},
            name="other minus first",
            mode="markers",
            marker={"color": _FIRST, "size": 9},
        )
    ]


def trend_figure(trend: Trend) -> go.Figure:
    """Return a figure of a trend.

    Parameters
    ----------
    trend : Trend

    Returns
    -------
    plotly.graph_objects.Figure
        LO error in kHz over time: readings with 95 % intervals, those left out as crosses, the fit, the tolerance as a
        band, steps as vertical lines, and when the tolerance will be crossed.
    """
    import plotly.graph_objects as go

    figure = go.Figure()
    used = [p for p in trend.points if p.used and p.lo_error_hz is not None]
    out = [p for p in trend.points if not p.used and p.lo_error_hz is not None and p.captured_at is not None]
    for points, name, colour, symbol in ((used, "LO error", _FIRST, "circle"), (out, "left out", _WEAK, "x")):
        if points:
            figure.add_trace(
                go.Scatter(
                    x=[p.captured_at for p in points],
                    y=[(p.lo_error_hz or 0.0) / 1e3 for p in points],
                    error_y={
                        "type": "data",
                        "array": [1.96e-3 * (p.lo_error_std_hz or 0.0) for p in points],
                        "thickness": 1.2,
                    },
                    name=name,
                    mode="markers",
                    marker={"color": colour, "symbol": symbol, "size": 8},
                    hovertext=[f"{p.capture}<br>{p.why}" if p.why else p.capture for p in points],
                )
            )
    fitted = sorted(
        ((p.captured_at, p.fitted_hz) for p in used if p.captured_at and p.fitted_hz is not None), key=lambda q: q[0]
    )
    if fitted:
        figure.add_trace(
            go.Scatter(
                x=[when for when, _ in fitted],
                y=[value / 1e3 for _, value in fitted],
                name="fit",
                mode="lines",
                line={"color": _SECOND, "width": 2, "dash": "dash"},
            )
        )
    if trend.tolerance_hz is not None:
        figure.add_hrect(
            y0=-trend.tolerance_hz / 1e3, y1=trend.tolerance_hz / 1e3, fillcolor=_WEAK, opacity=0.12, line_width=0
        )
    for step in trend.steps:
        middle = step.after + (step.before - step.after) / 2
        figure.add_shape(
            type="line",
            x0=middle,
            x1=middle,
            y0=0,
            y1=1,
            yref="paper",
            line={"color": _MARK, "width": 1, "dash": "dot"},
        )
        figure.add_annotation(x=middle, y=1, yref="paper", text=f"step {step.size_hz / 1e3:+.0f} kHz", showarrow=False)
    if trend.crossing is not None and trend.crossing.expected is not None and trend.tolerance_hz is not None:
        _mark_crossing(figure, trend)
    figure.update_xaxes(showgrid=False, title_text="time (UTC)", **DATE_AXIS)
    figure.update_yaxes(
        showgrid=True,
        gridcolor=_GRID,
        zeroline=False,
        title_text="LO error / kHz (band: tolerance)",
        nticks=7,
        range=_shown_range(trend),
    )
    first = next((f.title for f in trend.findings), "")
    figure.update_layout(
        title=f"{trend.lo_state or 'LO'}: {first}",
        template="plotly_white",
        legend=_BELOW,
        margin={"l": 60, "r": 20, "t": 60, "b": 110},
    )
    return figure


def _shown_range(trend: Trend) -> list[float] | None:
    """Return what the axis shows in kHz: the readings, and the tolerance's ends as far as they lie near or are crossed.

    A band drawn whole would squeeze the readings of an oscillator that stands near one end of it into a line.
    """
    told = [
        ((p.lo_error_hz or 0.0) / 1e3, 1.96e-3 * (p.lo_error_std_hz or 0.0))
        for p in trend.points
        if p.lo_error_hz is not None and p.captured_at is not None
    ]
    if not told:
        return None
    low, high = min(v - s for v, s in told), max(v + s for v, s in told)
    span = max(high - low, 1e-3)
    if trend.tolerance_hz is not None:
        edges = (-trend.tolerance_hz / 1e3, trend.tolerance_hz / 1e3)
        ahead = 0.0
        if trend.crossing is not None and trend.crossing.expected is not None:
            ahead = 1.0 if (trend.fit.rate or 0.0) > 0.0 else -1.0
        for edge, side in zip(edges, (-1.0, 1.0), strict=True):
            if ahead == side or low - span < edge < high + span:
                low, high = min(low, edge), max(high, edge)
    room = 0.06 * (high - low)
    return [low - room, high + room]


def _mark_crossing(figure: go.Figure, trend: Trend) -> None:
    """Draw when the drift leaves the tolerance, with its interval."""
    import plotly.graph_objects as go

    crossing = trend.crossing
    assert crossing is not None and trend.tolerance_hz is not None
    limit = (1.0 if (trend.fit.rate or 0.0) > 0.0 else -1.0) * trend.tolerance_hz / 1e3
    ends = [t for t in (crossing.earliest, crossing.latest) if t is not None]
    last = max((p.captured_at for p in trend.points if p.used and p.captured_at is not None), default=None)
    if last is not None and trend.fit.level is not None:
        figure.add_trace(
            go.Scatter(
                x=[last, crossing.expected],
                y=[trend.fit.level / 1e3, limit],
                name="if it goes on (swing left out)",
                mode="lines",
                line={"color": _SECOND, "width": 1, "dash": "dot"},
            )
        )
    figure.add_trace(
        go.Scatter(x=ends, y=[limit] * len(ends), name="95 % interval", mode="lines", line={"color": _MARK, "width": 3})
    )
    figure.add_trace(
        go.Scatter(
            x=[crossing.expected],
            y=[limit],
            name="leaves its tolerance",
            mode="markers",
            marker={"color": _MARK, "symbol": "diamond", "size": 10},
        )
    )
