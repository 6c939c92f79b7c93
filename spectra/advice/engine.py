"""The engine: from a demand to the settings of the sweep that meets it.

Whoever asks (quality of a capture, identification, oscillator, isolation) states a `Demand`; only here are settings
chosen.

* RBW: the widest step that is at most a third of the narrowest symbol rate where widths must be measured, at most the
  symbol rate where finding is enough. Wider gives more readings in less time; narrower adds nothing but time.
* Points: no farther apart than the RBW, so that nothing falls between them; hence the segments.
* Detector: RMS, average as power: the only average whose mean does not depend on what the signal is.
* Averages: the fewest with which every carrier that can be shown is shown with the certainty asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from spectra.advice.analyser import AnalyserModel
from spectra.advice.outlook import SweepOutlook
from spectra.advice.segments import cut_into_segments, segment_of
from spectra.advice.sweeps import Demand, PlannedSweep, RowOutlook, Segment
from spectra.errors import UsageError
from spectra.finding import NextStep, step

__all__ = ["AVERAGES", "MOST_SEGMENTS", "RESOLVING", "plan_sweep"]

RESOLVING = 3.0
"""Symbol rate over RBW from which on widths can be measured (common practice, no source)."""

AVERAGES = (1, 2, 3, 5, 10, 20, 30, 50, 100, 200, 300, 500, 1000)
"""Counts of averages that are tried."""

MOST_SEGMENTS = 1000
"""Nobody saves more traces than that."""

_MARGIN_RBW = 10.0
"""Free spectrum beside a carrier, in RBWs, that shows skirts and floor."""


def plan_sweep(
    demand: Demand,
    analyser: AnalyserModel,
    *,
    certainty: float = 0.95,
    false_alarms_per_sweep: float = 0.01,
    least_averages: int = 10,
    most_averages: int = 100,
    narrowest_cn_db: float = 3.0,
) -> PlannedSweep:
    """Return the sweep that meets a demand, as far as one can.

    Parameters
    ----------
    demand : Demand
    analyser : AnalyserModel
    certainty : float
        Probability with which a carrier that is there must be found.
    false_alarms_per_sweep : float
    least_averages, most_averages : int
        Fewest averages (a fit gains with their square root even where finding needs fewer) and most to wait for.
    narrowest_cn_db : float
        C/N at which the narrowest carrier must be found, where the table tells none.

    Raises
    ------
    UsageError
        If that would take more than `MOST_SEGMENTS` traces.
    """
    rbw = _rbw(demand, analyser)
    margin = max(_MARGIN_RBW * rbw, demand.offset_hz)
    half = demand.half_width_hz
    segments = cut_into_segments(
        demand.window_hz,
        demand.if_hz - half,
        demand.if_hz + half,
        most_span_hz=analyser.most_span_hz(rbw),
        points=analyser.points,
        margin_hz=margin,
        only_occupied=demand.only_rows,
    )
    if len(segments) > MOST_SEGMENTS:
        raise UsageError(
            "narrowest",
            None,
            f"{demand.narrowest_hz / 1e3:.4g} kHz, which would take {len(segments)} traces of {analyser.points} points",
            f"no more than {MOST_SEGMENTS} traces",
            "State a wider narrowest carrier or more points, or plan for the rows only.",
        )
    widest = max(segments, key=lambda segment: segment.span_hz)
    sweep_time = analyser.time.sweep_time_s(widest.span_hz, rbw)
    per_sweep = analyser.readings_per_sweep(widest.span_hz, rbw, sweep_time)

    def outlook(averages: int) -> SweepOutlook:
        return SweepOutlook(
            points=analyser.points,
            spacing_hz=widest.spacing_hz,
            rbw_hz=rbw,
            readings=per_sweep * averages,
            points_share_noise=analyser.points_share_noise,
            false_alarms_per_sweep=false_alarms_per_sweep / len(segments),
        )

    averages = _averages(demand, outlook, certainty, least_averages, most_averages, narrowest_cn_db)
    final = outlook(averages)
    rows = _rows(demand, final, segments, certainty)
    limit = float(final.limit_cn_db(demand.narrowest_hz, 0.2, certainty)[0])  # finite: spacing is at most the RBW
    total = len(segments) * averages * (sweep_time + analyser.time.overhead_s)
    return PlannedSweep(
        lo_state=demand.lo_state,
        polarisation=demand.polarisation,
        satellite=demand.satellite,
        segments=segments,
        rbw_hz=rbw,
        vbw_hz=analyser.vbw_for(rbw),
        detector="rms",
        trace_mode="average",
        averages=averages,
        sweep_time_s=sweep_time,
        total_time_s=total,
        readings_per_point=final.readings,
        shows=tuple(row for row in rows if not row.why),
        cannot_show=tuple(row for row in rows if row.why),
        narrowest_hz=demand.narrowest_hz,
        narrowest_limit_cn_db=limit,
        certainty=certainty,
        false_alarms_per_sweep=false_alarms_per_sweep,
        assumptions=_assumptions(demand, rows, narrowest_cn_db, final),
        next_steps=_steps(analyser, segments, averages, sweep_time),
        purpose=demand.purpose,
    )


def _rbw(demand: Demand, analyser: AnalyserModel) -> float:
    """Return the widest RBW that the narrowest carrier allows; for wide carriers the narrowest that holds them whole.

    A narrower RBW than that tells more of a carrier until it meets the spacing, but costs segments.
    """
    limit = demand.narrowest_hz / (RESOLVING if demand.resolve else 1.0)
    widest = analyser.rbw_at_most(limit)
    if demand.purpose != "wide" or not demand.row.size:
        return widest
    need = 2.0 * float(demand.half_width_hz.max()) + 2.0 * demand.offset_hz
    holding = (
        step_hz
        for step_hz in analyser.rbw_steps_hz
        if demand.least_rbw_hz <= step_hz <= widest
        and analyser.most_span_hz(step_hz) >= need + 2.0 * _MARGIN_RBW * step_hz
    )
    return next(holding, widest)


def _averages(
    demand: Demand,
    outlook: Callable[[int], SweepOutlook],
    certainty: float,
    least: int,
    most: int,
    narrowest_cn_db: float,
) -> int:
    """Return the fewest averages with which all carriers that `most` would show are shown."""
    known = np.isfinite(demand.symbol_rate_bd)
    rate = np.append(demand.symbol_rate_bd[known], demand.narrowest_hz)
    roll_off = np.append(demand.roll_off[known], 0.2)
    cn = np.append(demand.cn_db[known], narrowest_cn_db)
    choices = [count for count in AVERAGES if least <= count <= most] or [least]
    wanted = outlook(choices[-1]).probability(rate, roll_off, cn) >= certainty
    low, high = 0, len(choices) - 1
    while low < high:
        middle = (low + high) // 2
        enough = outlook(choices[middle]).probability(rate, roll_off, cn)[wanted] >= certainty
        low, high = (low, middle) if enough.all() else (middle + 1, high)
    return choices[low]


def _rows(
    demand: Demand, outlook: SweepOutlook, segments: tuple[Segment, ...], certainty: float
) -> tuple[RowOutlook, ...]:
    """Return what becomes of every carrier of the demand."""
    count = demand.row.size
    probability, limit = np.full(count, np.nan), np.full(count, np.nan)
    known = np.isfinite(demand.symbol_rate_bd)
    if known.any():
        rate, roll_off = demand.symbol_rate_bd[known], demand.roll_off[known]
        probability[known] = outlook.probability(rate, roll_off, demand.cn_db[known])
        limit[known] = outlook.limit_cn_db(rate, roll_off, certainty)
    half, inside = demand.half_width_hz, demand.inside
    found = []
    for index in range(count):
        centre = float(demand.if_hz[index])
        whole = segment_of(segments, centre - float(half[index]), centre + float(half[index]))
        within = segment_of(segments, centre, centre)
        rate_hz = float(demand.symbol_rate_bd[index]) if known[index] else None
        why = ""
        if within is None:
            why = "outside the IF of this receive chain"
        elif rate_hz is None:
            why = "no width in the table (or unmodulated): whether it is strong enough cannot be told"
        elif whole is None and not inside[index]:
            why = "reaches beyond the IF that this LO state shows"
        elif whole is None:
            why = f"cut: its {2e-6 * float(half[index]):.3g} MHz do not fit into one segment"
        elif probability[index] < certainty:
            why = _too_weak(float(demand.cn_db[index]), float(limit[index]), certainty)
        found.append(
            RowOutlook(
                row=int(demand.row[index]),
                rf_hz=float(demand.rf_hz[index]),
                if_hz=centre,
                symbol_rate_bd=rate_hz,
                cn_db=float(demand.cn_db[index]) if rate_hz is not None else None,
                cn_assumed=bool(demand.cn_assumed[index]),
                probability=float(probability[index]) if rate_hz is not None and within is not None else None,
                limit_cn_db=float(limit[index]) if np.isfinite(limit[index]) else None,
                resolved=rate_hz is not None and outlook.rbw_hz * RESOLVING <= rate_hz * (1.0 + 1e-9),
                segment=whole if whole is not None else within,
                whole=whole is not None,
                why=why,
            )
        )
    return tuple(found)


def _too_weak(cn_db: float, limit_cn_db: float, certainty: float) -> str:
    if not math.isfinite(limit_cn_db):
        return "narrower than the points are apart: it can lie between two of them"
    return f"C/N {cn_db:.1f} dB is below the {limit_cn_db:.1f} dB that this sweep shows with probability {certainty:g}"


def _assumptions(
    demand: Demand, rows: tuple[RowOutlook, ...], narrowest_cn_db: float, outlook: SweepOutlook
) -> tuple[str, ...]:
    said = []
    if any(row.cn_assumed and row.symbol_rate_bd is not None for row in rows):
        said.append(f"rows without reference C/N are taken at {narrowest_cn_db:g} dB")
    said.append(f"a search loses {outlook.loss_db:g} dB against a known floor and shape")
    if outlook.points_share_noise:
        said.append("points nearer than the RBW share their noise")
    if demand.satellite is None and demand.row.size:
        said.append("no satellite stated: the rows of all of them are planned for")
    return tuple(said)


def _steps(
    analyser: AnalyserModel, segments: tuple[Segment, ...], averages: int, sweep_time: float
) -> tuple[NextStep, ...]:
    span = "the span" if len(segments) == 1 else f"each of {len(segments)} segments"
    return (
        step(
            f"Sweep {span} with {analyser.points} points, RMS detector and {averages} sweeps averaged as power; where "
            "there is no RMS detector, sample with power averaging."
        ),
        step(
            f"Set the sweep time to {_seconds(sweep_time)} or more by hand; ten times the time with a tenth of the "
            "averages does the same."
        ),
        step(
            "Set the reference level about 10 dB above the strongest point and the attenuation as low as the analyser "
            "allows without an overload mark."
        ),
        step("Save every segment as a trace file of its own, with preamble, and note LO state and time."),
    )


def _seconds(value: float) -> str:
    return f"{value * 1e3:.3g} ms" if value < 1.0 else f"{math.ceil(value * 10.0) / 10.0:g} s"
