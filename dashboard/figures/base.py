"""What all figures share: their ground, few rules and no lattice, hover, letters.

A figure is put together as plain values and becomes a plotly figure at the end, in one step: setting its parts one by
one costs more than all the rest of a page.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.look import Look

__all__ = ["FONT", "Drawing", "axis_style", "scatter", "text"]

FONT = '"Segoe UI", -apple-system, "Helvetica Neue", "Noto Sans", "Nimbus Sans", system-ui, sans-serif'


def text(value: object) -> str:
    """Return a text from outside as it may stand in a figure: its own tags do not count."""
    return escape(str(value), quote=False)


def scatter(**values: Any) -> dict[str, Any]:
    """Return a line or marks, under plotly's names."""
    return {"type": "scatter", **values}


def axis_style(look: Look, *, across: bool) -> dict[str, Any]:
    """Return the look of an axis: few pale rules across, none down, ticks outside."""
    style: dict[str, Any] = {
        "linecolor": look.edge,
        "tickcolor": look.edge,
        "tickfont": {"color": look.soft, "size": 12},
        "zeroline": False,
        "tickangle": 0,  # else every label is measured, to see whether it has to be turned
        "ticks": "outside",
        "ticklen": 4,
        "minexponent": 9,
        "exponentformat": "none",
        "showgrid": across,
        "showline": not across,
        "nticks": 6 if across else 9,
    }
    return {**style, "gridcolor": look.line, "griddash": "dot"} if across else style


class Drawing:
    """A figure in the making."""

    def __init__(self, look: Look, **layout: Any) -> None:
        self._look = look
        self._traces: list[dict[str, Any]] = []
        self._layout: dict[str, Any] = {
            "template": {"layout": {}},  # else that of plotly comes along, colours and all
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": FONT, "size": 13, "color": look.ink},
            "margin": {"l": 58, "r": 14, "t": 34, "b": 46},
            "hoverlabel": {"bgcolor": look.paper, "bordercolor": look.edge, "font": {"color": look.ink, "size": 13}},
            "legend": {"orientation": "h", "x": 0, "y": -0.16, "yanchor": "top", "font": {"size": 12.5}},
            "showlegend": True,
            "hovermode": "closest",
            "dragmode": "zoom",
            "separators": ". ",
            "shapes": [],
            "annotations": [],
        }
        self.lay_out(**layout)

    def add(self, trace: dict[str, Any]) -> None:
        """Add a trace."""
        self._traces.append(trace)

    def shape(self, **values: Any) -> None:
        """Add a shape."""
        self._layout["shapes"].append(values)

    def note(self, **values: Any) -> None:
        """Add words at a place."""
        self._layout["annotations"].append({"showarrow": False, **values})

    def lay_out(self, **values: Any) -> None:
        """Set parts of the layout; those that hold parts themselves are set part by part."""
        for name, value in values.items():
            held = self._layout.get(name)
            self._layout[name] = {**held, **value} if isinstance(held, dict) and isinstance(value, dict) else value

    def figure(self) -> go.Figure:
        """Return the figure."""
        import plotly.graph_objects as go

        layout = dict(self._layout)
        for name in ("xaxis", "yaxis"):
            layout.setdefault(name, {})
        for name, values in layout.items():
            if name.startswith(("xaxis", "yaxis")):
                made = {**axis_style(self._look, across=name[0] == "y"), **values}
                if isinstance(made.get("title"), str):
                    title = {"text": made["title"], "font": {"color": self._look.soft, "size": 12.5}}
                    made["title"] = {**title, "standoff": made.pop("standoff", 6)}
                layout[name] = made
        # the values are our own and tested; checking each again at every drawing would take most of the time
        return go.Figure({"data": self._traces, "layout": layout}, _validate=False)
