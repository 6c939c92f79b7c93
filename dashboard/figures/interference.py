"""Interference: level over frequency and time, the envelope over captures, what was followed through them.

The pictures are the library's own; here they get the colours of a scheme.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dashboard.figures.base import FONT, axis_style, text
from spectra.findings.interference_figures import envelope_figure, time_frequency_figure, timeline_figure

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.look import Look
    from spectra.findings.emissions import Emissions
    from spectra.plan.chain import LoState
    from spectra.sweep import Sweep

__all__ = ["emissions_figure", "envelope", "time_frequency"]


def _dressed(figure: go.Figure, look: Look) -> go.Figure:
    """Return a figure of the library in the colours of a scheme."""
    figure.update_layout(
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": FONT, "size": 13, "color": look.ink},
        hoverlabel={"bgcolor": look.paper, "bordercolor": look.edge, "font": {"color": look.ink}},
        margin={"l": 70, "r": 14, "t": 20, "b": 46},
        legend={"orientation": "h", "x": 0, "y": -0.24, "yanchor": "top", "yref": "paper", "font": {"size": 12.5}},
        separators=". ",
    )
    title = {"title_font": {"color": look.soft, "size": 12.5}, "title_standoff": 6}
    figure.update_xaxes(**axis_style(look, across=False), **title)
    figure.update_yaxes(**axis_style(look, across=True), **title)
    return figure


def _with_rf(figure: go.Figure, look: Look, state: LoState | None, span_hz: tuple[float, float]) -> go.Figure:
    """Add an RF axis above, by an LO state's nominal LO frequency."""
    import plotly.graph_objects as go

    figure.update_xaxes(range=[hz / 1e6 for hz in span_hz])
    if state is None:
        return figure
    rf = [float(state.rf_from_if(hz)) / 1e6 for hz in span_hz]
    axis = {**figure.layout.xaxis.to_plotly_json(), "range": rf, "tickmode": "auto", "nticks": 5}
    axis["title"] = {**axis.get("title", {}), "text": "RF / MHz", "standoff": 2}
    figure.update_layout(xaxis2={**axis, "overlaying": "x", "side": "top", "fixedrange": True}, margin={"t": 64})
    figure.add_trace(go.Scatter(x=rf, y=[None, None], xaxis="x2", showlegend=False, hoverinfo="skip"))
    return figure


def _span(sweeps: Sequence[Sweep]) -> tuple[float, float]:
    return max(s.start_hz for s in sweeps), min(s.stop_hz for s in sweeps)


def time_frequency(sweeps: Sequence[Sweep], look: Look, state: LoState | None = None) -> go.Figure:
    """Return level over frequency and time, dark to light in the colours of the scheme."""
    figure = time_frequency_figure(sweeps)
    scale: list[Any] = [[0.0, look.sunk], [0.35, look.line], [0.7, look.model], [1.0, look.ink]]
    bar = {"title": {"text": "dBm"}, "outlinewidth": 0, "tickfont": {"color": look.soft}, "thickness": 12}
    figure.update_traces(colorscale=scale, colorbar=bar, selector={"type": "heatmap"})
    figure = _dressed(figure, look)
    figure.update_yaxes(showgrid=False)
    return _with_rf(figure, look, state, _span(sweeps))


def envelope(sweeps: Sequence[Sweep], look: Look, state: LoState | None = None) -> go.Figure:
    """Return the greatest, the mean and the least level over captures."""
    figure = _dressed(envelope_figure(sweeps), look)
    colours = {"greatest": look.floor, "mean": look.model, "least": look.trace}
    figure.for_each_trace(lambda trace: trace.update(line_color=colours.get(trace.name, look.ink)))
    return _with_rf(figure, look, state, _span(sweeps))


def emissions_figure(log: Emissions, look: Look) -> go.Figure:
    """Return when each emission was seen, by the way it comes in."""
    figure = _dressed(timeline_figure(log), look)
    colours = {"cable": look.floor, "antenna": look.model, "cannot_tell": look.soft}
    figure.for_each_trace(
        lambda trace: trace.update(
            marker_color=colours.get(trace.legendgroup, look.ink),
            line_color=colours.get(trace.legendgroup, look.ink),
            name=text(trace.name),
        )
    )
    figure.update_layout(height=None, yaxis={"title_text": None, "automargin": True, "tickmode": "linear", "dtick": 1})
    return figure
