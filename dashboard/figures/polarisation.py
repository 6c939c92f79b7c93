"""A pair of ports: both sweeps, the isolation of every carrier with its bounds, and the skew that would explain it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from dashboard.figures.base import Drawing, scatter, text
from dashboard.figures.detail import shown_points

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.look import Look
    from spectra.findings.comparison import Comparison, Pair, Polarisation

__all__ = ["pair_figure", "pair_words", "skew_figure", "skew_words"]

_COVERAGE = 2.0
_MOST_DEG = 15.0


def pair_words(comparison: Comparison) -> str:
    """Return the picture in words."""
    told = [p for p in comparison.pairs if p.isolation_db is not None]
    bounds = [p for p in comparison.pairs if p.isolation_db is None and p.isolation_lower_bound_db is not None]
    first, other = comparison.captures[:2]
    return (
        f"{first} against {other}: isolation measured on {len(told)} carriers, bounded from below on {len(bounds)}. "
        "Bars are 95 % intervals; arrows point up from a lower bound."
    )


def pair_figure(comparison: Comparison, look: Look, limit_db: float | None = None) -> go.Figure:
    """Return both sweeps of a pair above, the isolation of every carrier below."""
    figure = Drawing(look, uirevision="pair", margin={"l": 62})
    looks = ((look.trace, "solid", 1.2), (look.other, "solid", 1.2))
    for name, measured, (colour, dash, width) in zip(comparison.captures, comparison.measurements, looks, strict=False):
        for k, measurement in enumerate(measured):
            f, level = measurement.sweep.frequency_hz, measurement.sweep.level_dbm
            at = shown_points(level)
            _add_line(figure, f[at] / 1e6, level[at], name, colour, dash, width, k == 0)
    _isolation(figure, [p for p in comparison.pairs if p.counts is not False], look, look.model, "counts", "circle")
    _isolation(figure, [p for p in comparison.pairs if p.counts is False], look, look.soft, "does not count", "x")
    whole = comparison.polarisation
    if whole is not None and whole.isolation_db is not None:
        _rule(figure, whole.isolation_db, look.model, f"all together {whole.isolation_db:.1f} dB", "dot")
    if limit_db is not None:
        _rule(figure, limit_db, look.bad, f"wanted {limit_db:g} dB", "dash")
    figure.lay_out(
        xaxis={"title": "IF / MHz", "anchor": "y2"},
        yaxis={"title": "level / dBm", "domain": (0.5, 1.0), "fixedrange": True},
        yaxis2={
            "title": "isolation / dB",
            "domain": (0.0, 0.4),
            "anchor": "x",
            "rangemode": "tozero",
            "fixedrange": True,
        },
    )
    return figure.figure()


def _add_line(
    figure: Drawing, x: np.ndarray, y: np.ndarray, name: str, colour: str, dash: str, width: float, legend: bool
) -> None:

    figure.add(
        scatter(
            x=x,
            y=y.astype(np.float32),
            name=text(name),
            mode="lines",
            line={"color": colour, "width": width, "dash": dash},
            showlegend=legend,
            hovertemplate="%{x:.3f} MHz<br>%{y:.1f} dBm",
        )
    )


def _isolation(figure: Drawing, pairs: Sequence[Pair], look: Look, colour: str, name: str, symbol: str) -> None:

    def place(p: Pair) -> float:
        return (p.reference_centre_hz or p.other_centre_hz or 0.0) / 1e6

    told = [p for p in pairs if p.isolation_db is not None]
    bounds = [p for p in pairs if p.isolation_db is None and p.isolation_lower_bound_db is not None]
    if told:
        figure.add(
            scatter(
                x=[place(p) for p in told],
                y=[p.isolation_db for p in told],
                error_y={
                    "type": "data",
                    "array": [_COVERAGE * (p.isolation_std_db or 0.0) for p in told],
                    "color": colour,
                },
                mode="markers",
                name=f"isolation, {name}",
                marker={"symbol": symbol, "size": 10, "color": colour},
                yaxis="y2",
                hovertext=[text(p.why) for p in told],
                hovertemplate="%{x:.3f} MHz<br>%{y:.1f} dB<br>%{hovertext}<extra></extra>",
            )
        )
    if bounds:
        figure.add(
            scatter(
                x=[place(p) for p in bounds],
                y=[p.isolation_lower_bound_db for p in bounds],
                mode="markers",
                name=f"at least, {name}",
                marker={"symbol": "arrow-up-open", "size": 13, "color": colour, "line": {"width": 2}},
                yaxis="y2",
                hovertext=[text(p.why) for p in bounds],
                hovertemplate="%{x:.3f} MHz<br>at least %{y:.1f} dB<br>%{hovertext}<extra></extra>",
            )
        )


def _rule(figure: Drawing, db: float, colour: str, words: str, dash: str) -> None:
    line = {"color": colour, "width": 1.5, "dash": dash}
    figure.shape(type="line", x0=0, x1=1, y0=db, y1=db, xref="x domain", yref="y2", line=line)
    # its words go into the legend: in the picture they would lie over marks
    figure.add(scatter(x=[None], y=[None], yaxis="y2", mode="lines", name=words, line=line, hoverinfo="skip"))


def skew_words(whole: Polarisation) -> str:
    """Return in words which way the feed is off, and by how much."""
    if whole.skew_deg is None:
        return "The isolation tells no skew: no leak is seen, or it is no matter of alignment."
    size = f"{abs(whole.skew_deg):.1f}"
    between = ""
    if whole.skew_interval95_deg is not None:
        low, high = whole.skew_interval95_deg
        between = f" (95 %: {low:.1f} to {high:.1f})"
    if not whole.skew_signed:
        return f"The feed looks turned by {size} degrees{between}; which way, one pair alone cannot tell."
    way = "clockwise" if whole.skew_deg > 0 else "anticlockwise"
    return (
        f"The feed stands {size} degrees too far {way}{between}, seen from behind the antenna looking at the satellite."
    )


def skew_figure(whole: Polarisation, look: Look) -> go.Figure:
    """Return the feed as a line through a ring, seen from behind the antenna, with the interval of its angle."""
    figure = Drawing(look, showlegend=True, margin={"l": 8, "r": 8, "t": 8, "b": 8}, dragmode=False)
    ring = np.linspace(0.0, 2.0 * np.pi, 181)
    line = {"color": look.edge, "width": 1.2}
    figure.add(scatter(x=np.sin(ring), y=np.cos(ring), mode="lines", line=line, hoverinfo="skip", showlegend=False))
    _spoke(figure, 0.0, look.soft, "where it should stand", "dash", 1.6)
    angle = whole.skew_deg
    if angle is not None:
        # true angles are small: the picture shows them as they are
        ways = (angle,) if whole.skew_signed else (abs(angle), -abs(angle))
        low, high = whole.skew_interval95_deg or (abs(angle), abs(angle))
        for k, way in enumerate(ways):
            sign = math.copysign(1.0, way)
            _wedge(figure, sign * low, sign * high, look, k == 0)
            name = "where it stands" if whole.skew_signed else "one way" if k == 0 else "or the other"
            _spoke(figure, way, look.mark, name, "solid" if k == 0 else "dot", 2.6)
    hidden = {"visible": False, "range": [-1.25, 1.25], "fixedrange": True}
    figure.lay_out(xaxis={**hidden, "scaleanchor": "y"}, yaxis=hidden, legend={"y": -0.02})
    return figure.figure()


def _spoke(figure: Drawing, degrees: float, colour: str, name: str, dash: str, width: float) -> None:

    a = math.radians(degrees)
    figure.add(
        scatter(
            x=[-1.12 * math.sin(a), 1.12 * math.sin(a)],
            y=[-1.12 * math.cos(a), 1.12 * math.cos(a)],
            mode="lines",
            name=name,
            line={"color": colour, "width": width, "dash": dash},
            hovertemplate=f"{degrees:+.1f}°<extra></extra>",
        )
    )


def _wedge(figure: Drawing, low: float, high: float, look: Look, legend: bool) -> None:

    arc = np.radians(np.linspace(low, high, 24))
    x = np.concatenate([[0.0], np.sin(arc), [0.0], -np.sin(arc), [0.0]])
    y = np.concatenate([[0.0], np.cos(arc), [0.0], -np.cos(arc), [0.0]])
    figure.add(
        scatter(
            x=x,
            y=y,
            mode="lines",
            fill="toself",
            fillcolor=look.band,
            line={"width": 0},
            name="95 % interval",
            showlegend=legend,
            hoverinfo="skip",
        )
    )
