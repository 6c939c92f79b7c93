"""What all figures share: their ground, few rules and no lattice, hover, letters."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.look import Look

__all__ = ["FONT", "MINUS", "mhz", "new_figure", "style_axes", "text"]

FONT = '"Segoe UI", -apple-system, "Helvetica Neue", "Noto Sans", "Nimbus Sans", system-ui, sans-serif'
MINUS = "\u2212"


def text(value: object) -> str:
    """Return a text from outside as it may stand in a figure: its own tags do not count."""
    return escape(str(value), quote=False)


def mhz(hz: float) -> float:
    """Return MHz."""
    return hz / 1e6


def new_figure(look: Look, **layout: Any) -> go.Figure:
    """Return an empty figure in the colours of a scheme."""
    import plotly.graph_objects as go

    figure = go.Figure()
    figure.update_layout(
        template="none",
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": FONT, "size": 13, "color": look.ink},
        margin={"l": 58, "r": 14, "t": 34, "b": 46},
        hoverlabel={"bgcolor": look.paper, "bordercolor": look.edge, "font": {"color": look.ink, "size": 13}},
        legend={"orientation": "h", "x": 0, "y": -0.16, "yanchor": "top", "font": {"color": look.ink, "size": 12.5}},
        showlegend=True,
        hovermode="closest",
        dragmode="zoom",
        separators=". ",
    )
    figure.update_layout(**layout)
    return figure


def style_axes(figure: go.Figure, look: Look) -> None:
    """Give the axes their look: few pale rules across, none down, ticks outside."""
    common = {
        "linecolor": look.edge,
        "tickcolor": look.edge,
        "tickfont": {"color": look.soft, "size": 12},
        "title_font": {"color": look.soft, "size": 12.5},
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "minexponent": 9,
        "exponentformat": "none",
    }
    figure.update_xaxes(**common, showgrid=False, showline=True, nticks=9)
    figure.update_yaxes(**common, showgrid=True, gridcolor=look.line, griddash="dot", showline=False, nticks=6)
