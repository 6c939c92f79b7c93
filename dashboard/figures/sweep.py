"""One sweep: trace, floor, fit, a mark for every carrier, what the fit leaves over, an RF axis above the IF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.figures.base import Drawing, scatter, text
from dashboard.figures.detail import COLUMNS, drawn_points, within
from spectra.units import FloatArray, format_frequency, format_value

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.look import Look
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState
    from spectra.sweep import Sweep

__all__ = ["SHAPES", "View", "carrier_lines", "level_at", "shown_floor", "sweep_figure", "sweep_words"]

SHAPES = {"modulated": "circle", "cw": "triangle-up", "other": "square", "unresolved": "diamond"}
_HEADROOM_DB = 4.0
_TOP_ROW, _LOW_ROW = (0.30, 1.0), (0.0, 0.2)


@dataclass(frozen=True, slots=True)
class View:
    """How a sweep is looked at.

    Attributes
    ----------
    start_hz, stop_hz : float or None
        Part of the span; None shows all.
    chosen : int or None
        Index of the carrier brought out.
    cursors : tuple
        Frequencies of two cursors, or None.
    traces : sequence of str
        Other traces of the file to show.
    residuals : bool
    floor_band : bool
        The floor's expanded uncertainty (k = 2) as a band.
    overlays : mapping
        Other sweeps by name.
    pulled : bool
        Dragging pulls the picture along instead of choosing a part of it.
    """

    start_hz: float | None = None
    stop_hz: float | None = None
    chosen: int | None = None
    cursors: tuple[float | None, float | None] = (None, None)
    traces: Sequence[str] = ()
    residuals: bool = True
    floor_band: bool = True
    overlays: Mapping[str, Sweep] = field(default_factory=dict)
    pulled: bool = False


def shown_floor(measurement: Measurement) -> FloatArray:
    """Return the floor as the detector shows it, comparable with the trace."""
    floor = measurement.floor.level_dbm
    return np.asarray(floor + np.percentile(measurement.model_dbm - floor, 2.0), float)


def level_at(sweep: Sweep, hz: float) -> tuple[float, float]:
    """Return frequency and level of the trace point nearest to a frequency."""
    f = sweep.frequency_hz
    at = int(np.clip(np.searchsorted(f, hz), 1, f.size - 1))
    if abs(f[at - 1] - hz) <= abs(f[at] - hz):
        at -= 1
    return float(f[at]), float(sweep.level_dbm[at])


def carrier_lines(carrier: Carrier, state: LoState | None = None) -> list[tuple[str, str]]:
    """Return what is known of a carrier, as names and values with their uncertainties."""
    found = [("kind", carrier.kind), ("centre (IF)", format_frequency(carrier.centre_hz, carrier.centre_std_hz, "MHz"))]
    if state is not None:
        rf = float(state.rf_from_if(carrier.centre_hz))
        found.append(("centre (RF, nominal LO)", f"{rf / 1e6:.3f} MHz"))
    rows = (
        ("symbol rate", carrier.symbol_rate_bd, carrier.symbol_rate_std_bd, "kBd", 1e3),
        ("roll-off", carrier.roll_off, carrier.roll_off_std, "", 1.0),
        ("occupied bandwidth", carrier.occupied_bandwidth_hz, carrier.occupied_bandwidth_std_hz, "kHz", 1e3),
        ("power", carrier.power_dbm, carrier.power_std_db, "dBm", 1.0),
        ("C/N", carrier.cn_db, carrier.cn_std_db, "dB", 1.0),
        ("C/N0", carrier.cn0_dbhz, carrier.cn0_std_db, "dBHz", 1.0),
        ("Es/N0", carrier.es_n0_db, carrier.es_n0_std_db, "dB", 1.0),
    )
    found += [(name, format_value(v, std, unit, scale)) for name, v, std, unit, scale in rows if v is not None]
    if carrier.cn_db is None and carrier.cn_lower_bound_db is not None:
        found.append(("C/N", f"above {carrier.cn_lower_bound_db:.1f} dB (95 %)"))
    if carrier.flags:
        found.append(("note", ", ".join(flag.replace("_", " ") for flag in carrier.flags)))
    return found


def sweep_words(measurement: Measurement) -> str:
    """Return the picture in words."""
    sweep, count = measurement.sweep, len(measurement.carriers)
    kinds = [c.kind for c in measurement.carriers]
    told = ", ".join(f"{kinds.count(kind)} {kind}" for kind in SHAPES if kind in kinds)
    floor = measurement.floor
    density = "" if floor.density_dbm_hz is None else f" ({floor.density_dbm_hz:.1f} dBm/Hz)"
    return (
        f"{sweep.start_hz / 1e6:.6g} to {sweep.stop_hz / 1e6:.6g} MHz, {sweep.points} points: "
        f"{count} carrier{'' if count == 1 else 's'}{f' ({told})' if told else ''} over a floor of "
        f"{floor.median_dbm:.1f} dBm{density}."
    )


def sweep_figure(
    measurement: Measurement, look: Look, view: View | None = None, state: LoState | None = None
) -> go.Figure:
    """Return the figure of a sweep.

    Parameters
    ----------
    measurement : Measurement
    look : Look
    view : View or None
    state : LoState or None
        For an RF axis above, by its nominal LO frequency.
    """
    view = view or View()
    sweep = measurement.sweep
    start = max(sweep.start_hz, sweep.start_hz if view.start_hz is None else view.start_hz)
    stop = min(sweep.stop_hz, sweep.stop_hz if view.stop_hz is None else view.stop_hz)
    if not stop > start:
        start, stop = sweep.start_hz, sweep.stop_hz
    part = within(sweep.frequency_hz, start, stop)
    figure = Drawing(look, uirevision="sweep", dragmode="pan" if view.pulled else "zoom")
    _draw_overlays(figure, view, look, start, stop)
    _draw_lines(figure, measurement, look, view, part)
    _draw_carriers(figure, measurement, look, view, state, (start, stop))
    if view.residuals:
        _draw_residuals(figure, measurement, look, part)
    _draw_cursors(figure, view, look)
    _axes(figure, measurement, look, view, state, (start, stop), part)
    return figure.figure()


def _line(x: FloatArray, y: FloatArray, name: str, **line: Any) -> dict[str, Any]:

    hover = line.pop("hover", "%{x:.4f} MHz<br>%{y:.2f} dBm")
    more = {key: line.pop(key) for key in ("yaxis", "fill", "fillcolor", "showlegend", "opacity") if key in line}
    return scatter(
        x=x / 1e6, y=y.astype(np.float32), name=text(name), mode="lines", line=line, hovertemplate=hover, **more
    )


def _draw_lines(figure: Drawing, measurement: Measurement, look: Look, view: View, part: slice) -> None:
    sweep = measurement.sweep
    f, level = sweep.frequency_hz, sweep.level_dbm
    for name in view.traces:
        if name in sweep.traces:
            other = sweep.traces[name]
            at = drawn_points(other, part)
            figure.add(_line(f[at], other[at], f"trace {name}", color=look.other, width=1, dash="dot"))
    at = drawn_points(level, part)
    figure.add(_line(f[at], level[at], "trace", color=look.trace, width=1))
    floor, std, seen = shown_floor(measurement), measurement.floor.std_db, measurement.floor.observed
    at = drawn_points(floor, part, COLUMNS // 4)
    if view.floor_band and np.isfinite(std[at]).all():
        edge = np.concatenate([floor[at] + 2 * std[at], (floor[at] - 2 * std[at])[::-1]])
        across = np.concatenate([f[at], f[at][::-1]])
        band = _line(across, edge, "band", width=0, fill="toself", fillcolor=look.band, showlegend=False, hover=None)
        figure.add({**band, "hoverinfo": "skip", "hovertemplate": None})
    for name, keep, dash in (("floor", seen, "dash"), ("floor, not seen here", ~seen, "dot")):
        if keep[at].any():
            figure.add(_line(f[at], np.where(keep[at], floor[at], np.nan), name, color=look.floor, width=2, dash=dash))
    model = measurement.model_dbm
    at = drawn_points(model, part)
    figure.add(_line(f[at], model[at], "fit", color=look.model, width=1.8))


def _draw_overlays(figure: Drawing, view: View, look: Look, start: float, stop: float) -> None:
    for name, sweep in view.overlays.items():
        part = within(sweep.frequency_hz, start, stop)
        f, level = sweep.frequency_hz, sweep.level_dbm
        if part.stop - part.start > 1:
            at = drawn_points(level, part)
            figure.add(_line(f[at], level[at], f"laid over: {name}", color=look.other, width=1.1, opacity=0.85))


def _draw_residuals(figure: Drawing, measurement: Measurement, look: Look, part: slice) -> None:
    left = measurement.sweep.level_dbm - measurement.model_dbm
    f = measurement.sweep.frequency_hz
    at = drawn_points(left, part)
    hover = "%{x:.4f} MHz<br>%{y:.2f} dB left over<extra></extra>"
    figure.add(
        _line(f[at], left[at], "trace minus fit", color=look.trace, width=1, yaxis="y2", showlegend=False, hover=hover)
    )


def _draw_carriers(
    figure: Drawing,
    measurement: Measurement,
    look: Look,
    view: View,
    state: LoState | None,
    span: tuple[float, float],
) -> None:

    sweep, width = measurement.sweep, span[1] - span[0]
    for kind, symbol in SHAPES.items():
        here = [
            (k, c)
            for k, c in enumerate(measurement.carriers)
            if c.kind == kind and span[0] - width <= c.centre_hz <= span[1] + width
        ]
        if not here:
            continue
        centre = np.array([c.centre_hz for _, c in here])
        at = np.clip(np.searchsorted(sweep.frequency_hz, centre), 0, sweep.points - 1)
        chosen = [k == view.chosen for k, _ in here]
        hover = [
            "<br>".join(f"{n}: {text(v)}" for n, v in [("carrier", str(k + 1)), *carrier_lines(c, state)])
            for k, c in here
        ]
        figure.add(
            scatter(
                x=centre / 1e6,
                y=measurement.model_dbm[at] + 1.6,
                name=kind,
                mode="markers+text",
                text=[f"<b>{k + 1}</b>" if on else str(k + 1) for (k, _), on in zip(here, chosen, strict=True)],
                textposition="top center",
                textfont={"color": [look.mark if on else look.ink for on in chosen], "size": 13},
                marker={
                    "symbol": symbol,
                    "color": [look.mark if on else look.model for on in chosen],
                    "size": [13 if on else 9 for on in chosen],
                    "opacity": 1.0,
                    "line": {"color": look.paper, "width": 1},
                },
                customdata=[k for k, _ in here],
                hovertext=hover,
                hovertemplate="%{hovertext}<extra></extra>",
            )
        )
    if view.chosen is not None and 0 <= view.chosen < len(measurement.carriers):
        _bring_out(figure, measurement.carriers[view.chosen], look, span)


def _bring_out(figure: Drawing, carrier: Carrier, look: Look, span: tuple[float, float]) -> None:
    half = max(carrier.width_hz / 2.0, (span[1] - span[0]) * 1e-3)
    low, high = (max(span[0], min(span[1], hz)) / 1e6 for hz in (carrier.centre_hz - half, carrier.centre_hz + half))
    if high > low:
        figure.shape(
            type="rect", x0=low, x1=high, y0=_TOP_ROW[0], y1=_TOP_ROW[1], xref="x", yref="paper", layer="below",
            fillcolor=look.mark, opacity=0.10, line={"width": 0},
        )  # fmt: skip


def _draw_cursors(figure: Drawing, view: View, look: Look) -> None:
    for name, hz, dash in zip("AB", view.cursors, ("solid", "dashdot"), strict=True):
        if hz is not None:
            figure.shape(
                type="line", x0=hz / 1e6, x1=hz / 1e6, y0=0, y1=1, xref="x", yref="paper",
                line={"color": look.mark, "width": 1.4, "dash": dash},
            )  # fmt: skip
            figure.note(
                x=hz / 1e6, y=1.0, xref="x", yref="paper", text=f"<b>{name}</b>", xanchor="left",
                yanchor="top", font={"color": look.mark, "size": 14}, xshift=3,
            )  # fmt: skip


def _axes(
    figure: Drawing,
    measurement: Measurement,
    look: Look,
    view: View,
    state: LoState | None,
    span: tuple[float, float],
    part: slice,
) -> None:
    shown = measurement.sweep.level_dbm[part]
    low = float(min(np.percentile(shown, 0.5), shown_floor(measurement)[part].min())) - _HEADROOM_DB
    high = float(max(shown.max(), measurement.model_dbm[part].max())) + 1.5 * _HEADROOM_DB
    high = max(high, low + 12.0)  # an empty trace must not look like mountains
    levels = {"title": "level / dBm", "range": [low, high], "fixedrange": True}
    figure.lay_out(
        xaxis={
            "title": "IF / MHz",
            "range": [span[0] / 1e6, span[1] / 1e6],
            "anchor": "y2" if view.residuals else "y",
            "standoff": 6,
        },
        yaxis={**levels, "domain": _TOP_ROW if view.residuals else (0.0, 1.0)},
    )
    if view.residuals:
        left = (measurement.sweep.level_dbm - measurement.model_dbm)[part]
        reach = float(np.clip(np.percentile(np.abs(left), 99.5), 1.0, 30.0)) * 1.25
        figure.lay_out(
            yaxis2={
                "title": "left over / dB",
                "range": [-reach, reach],
                "domain": _LOW_ROW,
                "anchor": "x",
                "nticks": 4,
            }
        )
    if state is not None:
        _rf_axis(figure, look, state, span)


def _rf_axis(figure: Drawing, look: Look, state: LoState, span: tuple[float, float]) -> None:
    rf = [float(state.rf_from_if(hz)) / 1e6 for hz in span]
    figure.lay_out(
        xaxis2={
            "title": "RF / MHz",
            "standoff": 2,
            "range": rf,  # runs backwards where the LO is on the high side
            "overlaying": "x",
            "side": "top",
            "anchor": "y",
            "fixedrange": True,
            "tickmode": "auto",  # else as many as below, and its labels are longer
            "nticks": 5,
        },
        margin={"t": 52},
    )
    figure.add(scatter(x=rf, y=[None, None], xaxis="x2", showlegend=False, hoverinfo="skip"))
