"""The LO error over time: readings with their intervals, the fit, the tolerance, steps, temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.figures.base import Drawing, scatter, text
from spectra.findings.date_axis import DATE_AXIS, DATE_HOVER

if TYPE_CHECKING:
    from collections.abc import Sequence

    import plotly.graph_objects as go

    from dashboard.look import Look
    from spectra.findings.trend import Trend, TrendPoint

__all__ = ["oscillator_figure", "oscillator_words"]

_COVERAGE = 2.0
MINUS = "\u2212"
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross")


def oscillator_words(trend: Trend) -> str:
    """Return the picture in words."""
    used = [p for p in trend.points if p.used and p.lo_error_hz is not None]
    if not used:
        return "No reading of the LO error could be used."
    first, last = min(used, key=_when), max(used, key=_when)
    tolerance = "" if trend.tolerance_hz is None else f", tolerance ±{trend.tolerance_hz / 1e3:g} kHz"
    return (
        f"{len(used)} readings through LO state {trend.lo_state or 'not known'}{tolerance}: from "
        f"{(first.lo_error_hz or 0.0) / 1e3:+.0f} kHz on {first.captured_at:%Y-%m-%d} to "
        f"{(last.lo_error_hz or 0.0) / 1e3:+.0f} kHz on {last.captured_at:%Y-%m-%d}. Bars are 95 % intervals."
    )


def _when(point: TrendPoint) -> Any:
    return point.captured_at


def oscillator_figure(trend: Trend, look: Look) -> go.Figure:
    """Return the figure of a trend; readings of different LNBs have marks of different shape."""
    warm = [p for p in trend.points if p.temperature_c is not None and p.captured_at is not None]
    figure = Drawing(look, uirevision="oscillator", legend={"y": -0.24})
    timed = sorted((p for p in trend.points if p.captured_at is not None and p.lo_error_hz is not None), key=_when)
    lnbs = list(dict.fromkeys(p.lnb for p in timed))
    for k, lnb in enumerate(lnbs):
        _readings(figure, [p for p in timed if p.used and p.lnb == lnb], look, lnb or "reading", _SYMBOLS[k % 5], True)
    _readings(figure, [p for p in timed if not p.used], look, "left out", "circle-open", False)
    fitted = [p for p in timed if p.fitted_hz is not None]
    if len(fitted) > 1:
        figure.add(
            scatter(
                x=[p.captured_at for p in fitted],
                y=[(p.fitted_hz or 0.0) / 1e3 for p in fitted],
                name="fit",
                mode="lines",
                line={"color": look.model, "width": 2},
                hovertemplate="fit %{y:.1f} kHz<extra></extra>",
            )
        )
    _tolerance(figure, trend, look)
    _steps(figure, trend, look)
    _crossing(figure, trend, look)
    if warm:
        figure.add(
            scatter(
                x=[p.captured_at for p in sorted(warm, key=_when)],
                y=[p.temperature_c for p in sorted(warm, key=_when)],
                name="temperature at the LNB",
                mode="lines+markers",
                line={"color": look.floor, "width": 1.4, "dash": "dot"},
                marker={"symbol": "line-ew-open", "size": 8},
                yaxis="y2",
                hovertemplate="%{y:.1f} °C<extra></extra>",
            )
        )
    figure.lay_out(
        xaxis={
            "title": "taken (UTC)",
            "anchor": "y2" if warm else "y",
            "type": "date",
            "tickangle": 0,
            "nticks": 5,
            **DATE_AXIS,
        },
        yaxis={"title": "LO error / kHz", "domain": (0.32, 1.0) if warm else (0.0, 1.0)},
    )
    if warm:
        figure.lay_out(
            yaxis2={
                "title": "°C",
                "domain": (0.0, 0.22),
                "anchor": "x",
                "nticks": 4,
            }
        )
    return figure.figure()


def _readings(figure: Drawing, points: Sequence[TrendPoint], look: Look, name: str, symbol: str, counts: bool) -> None:

    if not points:
        return
    colour = look.ink if counts else look.soft
    figure.add(
        scatter(
            x=[p.captured_at for p in points],
            y=[(p.lo_error_hz or 0.0) / 1e3 for p in points],
            error_y={
                "type": "data",
                "array": [_COVERAGE * (p.lo_error_std_hz or 0.0) / 1e3 for p in points],
                "color": colour,
                "thickness": 1.3,
                "width": 4,
            },
            name=text(name),
            mode="markers",
            marker={"symbol": symbol, "size": 8, "color": colour},
            hovertext=[f"{text(p.capture)}<br>{text(p.why)}" if p.why else text(p.capture) for p in points],
            hovertemplate="%{hovertext}<br>%{y:.1f} kHz<br>%{x|" + DATE_HOVER + "}<extra></extra>",
        )
    )


def _tolerance(figure: Drawing, trend: Trend, look: Look) -> None:
    if trend.tolerance_hz is None:
        return
    for sign in (1, -1):
        khz = sign * trend.tolerance_hz / 1e3
        line = {"color": look.bad, "width": 1.6, "dash": "dash"}
        figure.shape(type="line", x0=0, x1=1, y0=khz, y1=khz, xref="x domain", yref="y", line=line)
        figure.note(
            x=0,
            y=khz,
            xref="x domain",
            yref="y",
            xanchor="left",
            yanchor="top" if sign > 0 else "bottom",
            text=f"tolerance {'+' if sign > 0 else MINUS}{trend.tolerance_hz / 1e3:g} kHz",
            font={"color": look.bad, "size": 12},
        )


def _steps(figure: Drawing, trend: Trend, look: Look) -> None:
    # in the half that the readings leave free, above the words of the tolerance; neighbours one above the other
    for place, step in enumerate(trend.steps):
        figure.shape(
            type="rect", x0=step.after, x1=step.before, y0=0, y1=1, xref="x", yref="y domain", layer="below",
            fillcolor=look.mark, opacity=0.12, line={"width": 0},
        )  # fmt: skip
        figure.note(
            x=step.before, y=0.13 + 0.1 * (place % 3), xref="x", yref="y domain",
            text=f"{step.size_hz / 1e3:+.0f} kHz", font={"color": look.mark, "size": 12}, xanchor="left",
            yanchor="bottom", xshift=3,
        )  # fmt: skip


def _crossing(figure: Drawing, trend: Trend, look: Look) -> None:
    crossing = trend.crossing
    if crossing is None or crossing.expected is None or crossing.outside:
        return
    if crossing.earliest is not None and crossing.latest is not None:
        figure.shape(
            type="rect", x0=crossing.earliest, x1=crossing.latest, y0=0, y1=1, xref="x", yref="y domain",
            layer="below", fillcolor=look.bad, opacity=0.08, line={"width": 0},
        )  # fmt: skip
    figure.shape(
        type="line", x0=crossing.expected, x1=crossing.expected, y0=0, y1=1, xref="x", yref="y domain",
        line={"color": look.bad, "width": 1.4, "dash": "dot"},
    )  # fmt: skip
    figure.note(
        x=crossing.expected, y=0.02, xref="x", yref="y domain", text="leaves its tolerance",
        font={"color": look.bad, "size": 12}, xanchor="right", yanchor="bottom", xshift=-4,
    )  # fmt: skip
