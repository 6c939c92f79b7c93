"""The roll call as a picture: what the sweep shows, below it what the table lists, lines between what goes together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from dashboard.figures.base import Drawing, scatter, text
from dashboard.figures.detail import shown_points
from spectra.units import format_frequency, format_value

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.look import Look
    from spectra.identify.identification import RollCallEntry
    from spectra.measure.measurement import Measurement
    from spectra.plan.table import CarrierTable

__all__ = ["STATUS_SHAPES", "rollcall_figure", "rollcall_words"]

STATUS_SHAPES = {"present": "square", "absent": "x-thin", "not visible": "square-open"}
_FOUND, _LISTED = 1.0, 0.0
_HALF = 0.12
_CLOSE = 0.025
"""Share of the span within which two numbers side by side would run into one."""
_TRACE_ROOM = (0.5, 1.0)
_LANES = (0.0, 0.40)


def rollcall_words(entries: Sequence[RollCallEntry], found: int, unlisted: int) -> str:
    """Return the picture in words."""
    counts = {status: sum(e.status == status for e in entries) for status in STATUS_SHAPES}
    return (
        f"Of {len(entries)} listed carriers {counts['present']} are present, {counts['absent']} absent and "
        f"{counts['not visible']} not visible in this sweep; of {found} found, {unlisted} are in no row."
    )


def rollcall_figure(
    measurement: Measurement,
    entries: Sequence[RollCallEntry],
    look: Look,
    *,
    table: CarrierTable | None = None,
    sweep: int = 0,
    chosen: int | None = None,
) -> go.Figure:
    """Return the figure of a roll call over one sweep.

    Parameters
    ----------
    measurement : Measurement
    entries : sequence of RollCallEntry
    look : Look
    table : CarrierTable or None
        For the widths and names of rows.
    sweep : int
        Place of the sweep in the evidence.
    chosen : int or None
        Row (line in the file) brought out.
    """
    figure = Drawing(look, dragmode="zoom", uirevision="rollcall")
    start, stop = measurement.sweep.start_hz, measurement.sweep.stop_hz
    shown = [e for e in entries if e.expected_if_hz is not None and start <= e.expected_if_hz <= stop]
    mine = [e for e in shown if e.sweep == sweep]
    _trace(figure, measurement, look)
    _ties(figure, mine, look, chosen)
    _found(figure, measurement, {e.carrier for e in mine if e.status == "present"}, look)
    _listed(figure, shown, look, table, chosen)
    level = measurement.sweep.level_dbm
    low, high = float(np.percentile(level, 0.5)) - 2.0, float(level.max()) + 2.0
    figure.lay_out(
        xaxis={"title": "IF / MHz", "range": [start / 1e6, stop / 1e6], "anchor": "y2"},
        yaxis={
            "title": "level / dBm",
            "domain": _TRACE_ROOM,
            "range": [low, max(high, low + 12)],
            "fixedrange": True,
        },
        yaxis2={
            "domain": _LANES,
            "range": [-0.45, 1.75],
            "fixedrange": True,
            "tickvals": [_LISTED, _FOUND],
            "ticktext": ["listed", "found"],
            "title": None,
            "showgrid": False,
            "ticks": "",
            "anchor": "x",
        },
        margin={"l": 64, "t": 16},
    )
    return figure.figure()


def _trace(figure: Drawing, measurement: Measurement, look: Look) -> None:

    f, level = measurement.sweep.frequency_hz, measurement.sweep.level_dbm
    at = shown_points(level)
    figure.add(
        scatter(
            x=f[at] / 1e6,
            y=level[at].astype(np.float32),
            name="trace",
            mode="lines",
            line={"color": look.trace, "width": 1},
            hoverinfo="skip",
            showlegend=False,
        )
    )
    model = measurement.model_dbm
    at = shown_points(model)
    figure.add(
        scatter(
            x=f[at] / 1e6,
            y=model[at].astype(np.float32),
            name="fit",
            mode="lines",
            line={"color": look.model, "width": 1.6},
            hoverinfo="skip",
            showlegend=False,
        )
    )


def _bar(
    figure: Drawing, name: str, spans: Sequence[tuple[float, float]], y: float, half: float, colour: str, hollow: bool
) -> None:
    """Draw bars of one kind as one closed line, so that each kind is one entry of the legend."""
    x: list[float | None] = []
    ys: list[float | None] = []
    for low, high in spans:
        x += [low, high, high, low, low, None]
        ys += [y - half, y - half, y + half, y + half, y - half, None]
    if x:
        figure.add(
            scatter(
                x=x,
                y=ys,
                yaxis="y2",
                name=name,
                mode="lines",
                line={"color": colour, "width": 1.6, "dash": "dot" if hollow else "solid"},
                fill=None if hollow else "toself",
                fillcolor=None if hollow else colour,
                hoverinfo="skip",
            )
        )


def _found(figure: Drawing, measurement: Measurement, explained: set[int | None], look: Look) -> None:

    least = (measurement.sweep.stop_hz - measurement.sweep.start_hz) / 600.0
    spans: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for k, carrier in enumerate(measurement.carriers):
        half = max(carrier.width_hz, least) / 2.0
        spans[k in explained].append(((carrier.centre_hz - half) / 1e6, (carrier.centre_hz + half) / 1e6))
    _bar(figure, "found, listed", spans[True], _FOUND, _HALF, look.model, False)
    _bar(figure, "found, in no row", spans[False], _FOUND, _HALF, look.mark, True)
    carriers = measurement.carriers
    if carriers:
        figure.add(
            scatter(
                x=[c.centre_hz / 1e6 for c in carriers],
                y=_raised([c.centre_hz for c in carriers], measurement.sweep.stop_hz - measurement.sweep.start_hz),
                yaxis="y2",
                mode="text",
                text=[f"{k + 1}" + ("" if k in explained else "?") for k in range(len(carriers))],
                textfont={"color": look.ink, "size": 13},
                hovertext=[
                    f"carrier {k + 1}<br>{format_frequency(c.centre_hz, c.centre_std_hz, 'MHz')}<br>"
                    f"C/N {format_value(c.cn_db, c.cn_std_db, 'dB')}"
                    for k, c in enumerate(carriers)
                ],
                hovertemplate="%{hovertext}<extra></extra>",
                showlegend=False,
            )
        )


def _raised(centres_hz: Sequence[float], span_hz: float) -> list[float]:
    """Return how high the numbers of carriers stand: of two side by side the second stands above the first."""
    heights: list[float] = []
    for k, hz in enumerate(centres_hz):
        close = k > 0 and hz - centres_hz[k - 1] < _CLOSE * span_hz
        heights.append(_FOUND + (0.5 if close and heights[-1] < _FOUND + 0.4 else 0.26))
    return heights


def _ties(figure: Drawing, entries: Sequence[RollCallEntry], look: Look, chosen: int | None) -> None:

    pairs = [(e.row, e.expected_if_hz, e.centre_hz) for e in entries if e.status == "present"]
    for on, colour, width in ((False, look.edge, 1.0), (True, look.mark, 2.4)):
        x: list[float | None] = []
        y: list[float | None] = []
        for row, listed, found in pairs:
            if (row == chosen) is on and listed is not None and found is not None:
                x += [found / 1e6, listed / 1e6, None]
                y += [_FOUND - _HALF, _LISTED + _HALF, None]
        if x:
            line = {"color": colour, "width": width}
            figure.add(scatter(x=x, y=y, yaxis="y2", mode="lines", line=line, hoverinfo="skip", showlegend=False))


def _listed(
    figure: Drawing, entries: Sequence[RollCallEntry], look: Look, table: CarrierTable | None, chosen: int | None
) -> None:

    rows = {} if table is None else {int(line): table.row(k) for k, line in enumerate(table.line)}
    colours = {"present": look.model, "absent": look.bad, "not visible": look.soft}
    for status, symbol in STATUS_SHAPES.items():
        here = [e for e in entries if e.status == status]
        if not here:
            continue
        hover = []
        for e in here:
            row = rows.get(e.row)
            name = "" if row is None else f" {text(row.network_id or '')}"
            hover.append(f"row {e.row}{name}<br>{e.rf_mhz:.3f} MHz RF<br>{status}<br>{text(e.why)}")
        figure.add(
            scatter(
                x=[(e.expected_if_hz or 0.0) / 1e6 for e in here],
                y=[_LISTED] * len(here),
                yaxis="y2",
                name=f"listed, {status}",
                mode="markers",
                marker={
                    "symbol": symbol,
                    "size": [16 if e.row == chosen else 11 for e in here],
                    "color": colours[status],
                    "line": {"color": colours[status], "width": 2.4},
                    "opacity": 1.0,
                },
                customdata=[e.row for e in here],
                hovertext=hover,
                hovertemplate="%{hovertext}<extra></extra>",
                cliponaxis=False,
            )
        )
