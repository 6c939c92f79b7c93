"""The frequency axis: its unit, start and stop where the file gives levels only, and whether the two agree."""

from __future__ import annotations

import math

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.cells import FREQUENCY_SCALE, unit_key
from spectra.readers.draft import Draft
from spectra.readers.facts import Reading
from spectra.readers.joins import join, runs_of
from spectra.readers.options import Options
from spectra.sweep import rises
from spectra.units import FloatArray

__all__ = ["axis_hz", "linear_axis", "looks_regular"]

HIGHEST_HZ = 120e9
"""No swept analyser of a terminal reads beyond; used only to rule a unit out."""
_ASK = "State it: frequency_unit= in Python, --frequency-unit on the command line, or in the capture's .toml."


def linear_axis(start: float, stop: float, points: int) -> FloatArray:
    """Return ``start + i (stop - start) / (points - 1)``, shape (points,)."""
    axis = np.arange(points, dtype=np.float64)
    axis *= stop - start
    axis /= points - 1
    axis += start
    return axis


def axis_hz(draft: Draft, name: str, options: Options) -> FloatArray:
    """Return the frequencies in Hz, strictly rising.

    A frequency is ``float(text) * unit``: the double nearest to the text times the unit, rounded once.

    Raises
    ------
    SweepFormatError
        If frequencies repeat or fall, or unit, start or stop are not told.
    """
    _refuse_zero_span(draft, name)
    if draft.axis is None:
        return _from_preamble(draft, name, options)
    _turn_round(draft)
    _join_runs(draft, name)
    raw = draft.axis
    _check_rising(raw, draft, name)
    unit = _unit(draft, raw, name, options)
    frequency_hz = raw if unit == 1.0 else raw * unit
    draft.axis_unit = next(u for u, scale in FREQUENCY_SCALE.items() if scale == unit)
    if draft.check_regular and not looks_regular(raw):
        if raw.size <= 200:
            raise SweepFormatError(
                name,
                draft.lines[0],
                f"{raw.size} rows at irregular frequencies: a list of found signals",
                "the points of a trace",
                "Save the trace itself, not the list of peaks, markers or signals.",
            )
        draft.warnings.append("quality.axis_irregular: the points are not evenly spaced")
    _compare(draft, frequency_hz, unit)
    return frequency_hz


def _refuse_zero_span(draft: Draft, name: str) -> None:
    """Refuse levels over time at one frequency; a span of zero beside rows with frequencies is only a contradiction."""
    span = draft.facts.get("span")
    line = span.line if span is not None and span.value == 0.0 and draft.axis_unit is None else None
    axis = draft.axis
    if line is None and axis is not None and axis.size > 2 and axis[0] == axis[-1] and bool((axis == axis[0]).all()):
        line = draft.lines[0]
    if line is not None:
        raise SweepFormatError(
            name,
            line,
            "a span of zero: levels over time at one frequency",
            "levels over frequency",
            "Set a span and sweep again.",
        )


def _turn_round(draft: Draft) -> None:
    """Turn rows round that run from the highest frequency down."""
    raw = draft.axis
    if raw is None or raw.size < 3 or not rises(raw[::-1]):
        return
    draft.axis = np.ascontiguousarray(raw[::-1])
    for column in draft.columns:
        column.values = np.ascontiguousarray(column.values[::-1])
    draft.turned = True
    draft.assumptions.append("the rows run from the highest frequency down: turned round")


def _join_runs(draft: Draft, name: str) -> None:
    """Join segments that stand one after the other in one table and overlap, where they are plainly such."""
    raw = draft.axis
    if raw is None or rises(raw) or not draft.line_per_row or draft.turned or not bool(np.isfinite(raw).all()):
        return
    runs = runs_of(raw)
    if runs is None:
        return
    lines = [draft.line_of(start) for start, _ in runs]
    joined = join(raw, [column.values for column in draft.columns], runs, lines, name)
    draft.axis = raw[joined.rows]
    for column in draft.columns:
        column.values = column.values[joined.rows]
    draft.line_per_row = False
    draft.assumptions += [f"{len(runs)} segments in one table joined to one sweep", *joined.notes]
    draft.warnings += joined.warnings


def _check_rising(raw: FloatArray, draft: Draft, name: str) -> None:
    if raw.size < 2:
        raise SweepFormatError(
            name, draft.lines[0], "1 point", "a trace of at least 2 points", "Save the whole trace, not a marker."
        )
    if rises(raw) and math.isfinite(raw[0]) and math.isfinite(raw[-1]):
        return
    gaps = np.flatnonzero(~np.isfinite(raw))
    if gaps.size:
        row = int(gaps[0])
        raise SweepFormatError(
            name, draft.line_of(row), "a row without a frequency", "a finite frequency in every row", "Save it again."
        )
    row = int(np.flatnonzero(raw[1:] <= raw[:-1])[0]) + 1
    what = "the same frequency twice" if raw[row] == raw[row - 1] else "a frequency that falls"
    raise SweepFormatError(
        name,
        draft.line_of(row),
        f"{what} ({raw[row - 1]:.15g}, then {raw[row]:.15g})",
        "strictly rising frequencies",
        "Save one trace with more decimals, or in one piece.",
    )


def looks_regular(raw: FloatArray) -> bool:
    """Say whether points are spaced as a sweep spaces them: evenly, evenly in the logarithm, or in even pieces.

    Frequencies are rounded in the file, so most distances, not all, must be near the middle one.
    """
    if raw.size < 3:
        return True
    if raw.size > 20000:
        raw = raw[:10000]  # a list of found signals is never so long
    steps = np.diff(raw)
    if _even(steps):
        return True
    if raw[0] > 0.0 and _even(np.diff(np.log(raw))):
        return True
    return raw.size >= 32 and np.unique(np.round(steps / steps.max(), 4)).size <= raw.size // 8


def _even(steps: FloatArray) -> bool:
    low, high = float(steps.min()), float(steps.max())
    if high - low <= 0.05 * low:
        return True
    middle = float(np.median(steps))
    near = np.abs(steps - middle) <= 0.05 * middle
    return bool(near.mean() >= 0.5) if steps.size > 3 else bool(near.all())


def _unit(draft: Draft, raw: FloatArray, name: str, options: Options) -> float:
    told = draft.axis_unit or draft.facts.text("frequency_unit")
    if draft.mixed_units:
        draft.assumptions.append("frequencies in different units brought to Hz, each by its own")
        return 1.0
    if options.frequency_unit is not None:
        if told and unit_key(told) != unit_key(options.frequency_unit):
            draft.warnings.append(
                f"quality.stated_differently: frequency unit {options.frequency_unit} stated, the file says {told}"
            )
        return FREQUENCY_SCALE[unit_key(options.frequency_unit)]
    if told and unit_key(told) in FREQUENCY_SCALE:
        return FREQUENCY_SCALE[unit_key(told)]
    low, high = float(raw[0]), float(raw[-1])
    by_preamble = _unit_by_preamble(draft, low, high)
    if by_preamble is not None:
        unit = next(u for u, scale in FREQUENCY_SCALE.items() if scale == by_preamble)
        draft.assumptions.append(f"frequency unit {_pretty(unit)}: the one that fits start and stop of the preamble")
        return by_preamble
    possible = _possible(low, high, draft)
    if len(possible) == 1:
        draft.assumptions.append(f"frequency unit {_pretty(possible[0])}: not stated, the only one possible")
        return FREQUENCY_SCALE[possible[0]]
    raise SweepFormatError(
        name,
        draft.lines[0],
        f"frequencies {low:.10g} to {high:.10g} without a unit",
        "a frequency unit: Hz, kHz, MHz or GHz",
        _ASK,
    )


def _pretty(unit: str) -> str:
    return {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz"}[unit]


def _unit_by_preamble(draft: Draft, low: float, high: float) -> float | None:
    """Return the unit that brings the axis to the start and stop, or centre, that the preamble states with units."""
    facts = draft.facts
    told = [r for r in (facts.get("start"), facts.get("stop"), facts.get("centre")) if r and r.unit is not None]
    raw_span = high - low
    for scale in FREQUENCY_SCALE.values():
        fits = [
            abs(float(r.value) - at * scale) <= 0.02 * raw_span * scale + 1e-9 * abs(at * scale)
            for r, at in (
                (facts.get("start"), low),
                (facts.get("stop"), high),
                (facts.get("centre"), 0.5 * (low + high)),
            )
            if r is not None and r.unit is not None and isinstance(r.value, float)
        ]
        if told and fits and all(fits):
            return scale
    return None


def _possible(low: float, high: float, draft: Draft) -> list[str]:
    """Return the units in which these frequencies can be a sweep: within an analyser's reach, wider than its RBW."""
    rbw = draft.facts.get("rbw")
    rbw_hz = float(rbw.value) if rbw and rbw.unit and isinstance(rbw.value, float) else 0.0
    found = []
    for unit, scale in FREQUENCY_SCALE.items():
        span = (high - low) * scale
        if high * scale > HIGHEST_HZ or low < 0.0 or (rbw_hz and span < 2.0 * rbw_hz):
            continue
        if rbw_hz and span / max(draft.lines[1] - draft.lines[0], 1) > 1e4 * rbw_hz:
            continue
        found.append(unit)
    return found


def _hz(reading: Reading | None, scale: float | None) -> float | None:
    if reading is None or not isinstance(reading.value, float) or not math.isfinite(reading.value):
        return None
    if reading.unit is not None:
        return reading.value
    return reading.value * scale if scale is not None else None


def _from_preamble(draft: Draft, name: str, options: Options) -> FloatArray:
    """Return the axis of level-only rows from start and stop, or centre and span."""
    facts = draft.facts
    points = draft.columns[0].values.size
    stated = facts.number("points")
    if stated is not None and int(stated) != points:
        raise SweepFormatError(
            name,
            draft.lines[1],
            f"{points} levels where the preamble states {int(stated)} points (line {facts.readings['points'].line})",
            "as many levels as points: the axis hangs on it",
            "The file may be cut short: save the trace again.",
        )
    if points < 2:
        raise SweepFormatError(name, draft.lines[0], "1 point", "a trace of at least 2 points", "Save the whole trace.")
    scale = _bare_scale(draft, name, options)
    start, stop = _hz(facts.get("start"), scale), _hz(facts.get("stop"), scale)
    centre, span = _hz(facts.get("centre"), scale), _hz(facts.get("span"), scale)
    step = _hz(facts.get("step"), scale)
    if start is None or stop is None:
        if centre is not None and span is not None:
            start, stop = centre - 0.5 * span, centre + 0.5 * span
        elif start is not None and span is not None:
            stop = start + span
        elif stop is not None and span is not None:
            start = stop - span
        elif start is not None and step is not None:
            stop = start + step * (points - 1)
        else:
            raise SweepFormatError(
                name,
                draft.lines[0],
                "levels without frequencies",
                "start and stop, or centre and span, in the preamble",
                "Export with a frequency column, or with the settings in front.",
            )
    elif centre is not None and span is not None:
        _span_disagrees(draft, start, stop, centre, span)
    if start > stop and draft.may_fall:
        start, stop = _fallen(draft, start, stop, step)
        step = abs(step) if step is not None else None
    if not stop > start:
        raise SweepFormatError(
            name, draft.lines[0], f"start {start:.10g} Hz and stop {stop:.10g} Hz", "a stop above the start", "Mend it."
        )
    if step is not None:
        _step_disagrees(draft, step, (stop - start) / (points - 1))
    if draft.axis_unit is None:
        draft.axis_unit = "hz" if scale == 1.0 else None
    scale_of_axis = facts.get("axis_scale")
    if scale_of_axis is not None and scale_of_axis.value == "log":
        return _logarithmic(draft, name, start, stop, points, scale_of_axis.line)
    return linear_axis(start, stop, points)


def _fallen(draft: Draft, start: float, stop: float, step: float | None) -> tuple[float, float]:
    """Turn levels round whose first stands at a start above the stop; return the ends as they rise."""
    for column in draft.columns:
        column.values = np.ascontiguousarray(column.values[::-1])
    draft.turned = True
    what = f"start {start:.10g} Hz lies above stop {stop:.10g} Hz: the first level is taken to stand at the start"
    if step is not None and step < 0.0:
        draft.assumptions.append(f"{what}, as the step states; turned round")
    else:
        draft.warnings.append(
            f"quality.axis_falls: {what}, so the trace was turned round; if the two are only exchanged it is mirrored: "
            "save it again with a frequency in every row"
        )
    return stop, start


def _logarithmic(draft: Draft, name: str, start: float, stop: float, points: int, line: int) -> FloatArray:
    """Return points evenly spaced in the logarithm, as the preamble states them."""
    if start <= 0.0:
        raise SweepFormatError(
            name, line, f"a logarithmic axis from {start:.10g} Hz", "a start above zero", "Check the start."
        )
    draft.assumptions.append(f"frequencies evenly spaced in the logarithm, as line {line} states the axis")
    axis: FloatArray = start * np.exp(linear_axis(0.0, math.log(stop / start), points))
    axis[-1] = stop
    return axis


def _bare_scale(draft: Draft, name: str, options: Options) -> float | None:
    """Return Hz per unit for start, stop, centre and span that stand without a unit; None where none stands so."""
    facts = draft.facts
    bare = [r for r in map(facts.get, ("start", "stop", "centre", "span", "step")) if r and r.unit is None]
    if not bare:
        return None
    told = draft.axis_unit or facts.text("frequency_unit")
    if options.frequency_unit is not None:
        return FREQUENCY_SCALE[unit_key(options.frequency_unit)]
    if told and unit_key(told) in FREQUENCY_SCALE:
        return FREQUENCY_SCALE[unit_key(told)]
    start, stop = _hz(facts.get("start"), 1.0), _hz(facts.get("stop"), 1.0)
    if start is None or stop is None:
        centre, span = _hz(facts.get("centre"), 1.0), _hz(facts.get("span"), 1.0)
        if centre is not None and span is not None:
            start, stop = centre - 0.5 * span, centre + 0.5 * span
    possible = _possible(start, stop, draft) if start is not None and stop is not None else []
    if len(possible) == 1:
        draft.assumptions.append(f"frequency unit {_pretty(possible[0])}: not stated, the only one possible")
        return FREQUENCY_SCALE[possible[0]]
    raise SweepFormatError(
        name, bare[0].line, f"{bare[0].text!r} without a frequency unit", "Hz, kHz, MHz or GHz", _ASK
    )


def _compare(draft: Draft, frequency_hz: FloatArray, scale: float) -> None:
    """Note what the preamble says otherwise than the rows."""
    facts = draft.facts
    points = int(frequency_hz.size)
    stated = facts.number("points")
    if stated is not None and int(stated) != points:
        draft.warnings.append(f"quality.points_disagree: {int(stated)} points stated, {points} rows found")
    first, last = float(frequency_hz[0]), float(frequency_hz[-1])
    spacing = (last - first) / (points - 1)
    start, stop = _hz(facts.get("start"), scale), _hz(facts.get("stop"), scale)
    centre, span = _hz(facts.get("centre"), scale), _hz(facts.get("span"), scale)
    offset = _hz(facts.get("frequency_offset"), scale) or 0.0
    for what, told, found in (("start", start, first), ("stop", stop, last)):
        if told is not None and abs(told - found) > 1.5 * spacing and abs(told + offset - found) > 1.5 * spacing:
            draft.warnings.append(
                f"quality.{what}_disagrees: {what} {told:.10g} Hz stated, {found:.10g} Hz in the rows, which are used"
            )
    if start is not None and stop is not None and centre is not None and span is not None:
        _span_disagrees(draft, start, stop, centre, span)
    elif centre is not None and span is not None:
        low = centre - 0.5 * span
        if abs(low - first) > 1.5 * spacing and abs(low + offset - first) > 1.5 * spacing:
            draft.warnings.append(
                f"quality.span_disagrees: centre and span state a start of {low:.10g} Hz, the rows start at "
                f"{first:.10g} Hz; the rows are used"
            )
        elif abs(low + span - last) > 1.5 * spacing and abs(low + span + offset - last) > 1.5 * spacing:
            draft.warnings.append(
                f"quality.span_disagrees: centre and span state a stop of {low + span:.10g} Hz, the rows stop at "
                f"{last:.10g} Hz; the rows are used"
            )
    step = _hz(facts.get("step"), scale)
    if step is not None:
        _step_disagrees(draft, step, spacing)


def _span_disagrees(draft: Draft, start: float, stop: float, centre: float, span: float) -> None:
    tolerance = 1e-3 * (stop - start)
    if abs(0.5 * (start + stop) - centre) > tolerance or abs(stop - start - span) > tolerance:
        draft.warnings.append(
            f"quality.span_disagrees: start {start:.10g} Hz and stop {stop:.10g} Hz do not go with centre "
            f"{centre:.10g} Hz and span {span:.10g} Hz"
        )


def _step_disagrees(draft: Draft, step: float, spacing: float) -> None:
    if abs(step - spacing) > 0.01 * spacing:
        draft.warnings.append(
            f"quality.step_disagrees: a step of {step:.10g} Hz stated, {spacing:.10g} Hz between the points"
        )
