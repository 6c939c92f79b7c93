"""From draft to sweep: units settled, contradictions told, main trace chosen, nothing guessed silently."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any, NoReturn

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.axis import axis_hz
from spectra.readers.cells import LEVEL_UNITS, LONGEST_CELL, OTHER_LEVEL_UNITS, RATIO_UNITS, number, unit_key
from spectra.readers.dates import DateOrder
from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.facts import average_type_of
from spectra.readers.levels import impedance_of, level_dbm, to_dbm
from spectra.readers.options import Options
from spectra.readers.source import Source
from spectra.readers.times import time_of, zone_of
from spectra.readers.traces import ABSURD_DB, choose_trace, usable_columns
from spectra.readers.words import detector_of, trace_mode_of
from spectra.sweep import Origin, Settings, Sweep, settle
from spectra.units import FloatArray, dbm_offset

__all__ = ["finish"]

_SET_BY = re.compile(r"\b(?:auto|man)[a-z]*\b", re.IGNORECASE)
"""How a value was set, where the file says so: kept as text."""

THERMAL_DBM_HZ = -174.0
"""Noise density of a matched source at 290 K (k T0 = -173.98 dBm/Hz): no analyser's floor lies under it."""
_DEEPEST_DB = 50.0
"""How far a reading of noise may fall below its mean: one in 100,000 lies 50 dB down (exponential power; derived)."""


def finish(
    draft: Draft,
    source: Source,
    options: Options,
    axis: FloatArray | None = None,
    order: Callable[[], DateOrder] = DateOrder,
) -> Sweep:
    """Return the sweep of a draft; it shares `axis`, that of the sweep before it, where it has the same.

    `order` gives the order of day and month in the file's dates, asked for only where one can be read in two ways.

    Raises
    ------
    SweepFormatError
        If the draft can be read in no way, or in more than one.
    """
    impedance = impedance_of(draft, options)
    options = to_dbm(draft, options, impedance, source.file)
    usable_columns(draft, source.file)
    frequency_hz = axis_hz(draft, source.file, options)
    if axis is not None and np.array_equal(axis, frequency_hz):
        frequency_hz = axis
    main, others = choose_trace(draft, source.file, options)
    settings = _settings(draft, main, options, frequency_hz)
    unit = _level_unit(draft, main, options, settings["rbw_hz"], source.file)
    offset = dbm_offset(unit, impedance)
    if offset:
        draft.assumptions.append(f"levels in {unit} converted to dBm at {impedance:g} ohm")
    reference = draft.facts.get("reference_level")
    if reference is not None and isinstance(reference.value, float):
        settings["reference_level_dbm"] = level_dbm(reference.value, reference.unit or unit, impedance)
    level = draft.columns[main].values
    if level.max() >= ABSURD_DB or level.min() <= -ABSURD_DB:
        row = int(np.flatnonzero(np.abs(level) >= ABSURD_DB)[0])
        raise SweepFormatError(
            source.file,
            draft.line_of(row),
            f"a level of {level[row]:.10g} {unit}",
            "levels of an analyser",
            "Check which column holds the levels; save the trace again.",
        )
    _plausible(draft, level, offset, unit, settings["rbw_hz"])
    traces = {draft.columns[i].name: _other(draft, i, unit, impedance) for i in others}
    origin = Origin(
        file=source.file,
        sha256=source.sha256,
        layout=draft.layout,
        lines=draft.lines,
        captured_at=_captured_at(draft, order),
        assumptions=tuple(dict.fromkeys([*draft.assumptions, *draft.facts.notes])),
        warnings=tuple(dict.fromkeys([*draft.warnings, *draft.facts.conflicts])),
    )
    return Sweep(settle(frequency_hz), _dbm(level, offset), Settings(**settings), origin, traces)


def _dbm(values: FloatArray, offset: float) -> FloatArray:
    return settle(values + offset if offset else values)


def _other(draft: Draft, index: int, unit: str, impedance: float) -> FloatArray:
    """Return a trace beside the main one in dBm: by its own unit where it states one, else by that of the main one."""
    column = draft.columns[index]
    own = LEVEL_UNITS.get(unit_key(column.unit)) if column.unit else None
    return _dbm(column.values, dbm_offset(own or unit, impedance))


HIGHEST_DBM = 30.0
"""1 W, the usual limit printed beside an analyser's input; common practice, no source."""


def _plausible(draft: Draft, level: FloatArray, offset: float, unit: str, rbw_hz: float | None) -> None:
    """Warn of levels that no analyser shows: a sign lost, a wrong unit, numbers that stand for "no value"."""
    top, bottom = float(level.max()) + offset, float(level.min()) + offset
    if top > HIGHEST_DBM:
        draft.warnings.append(
            f"quality.level_implausible: levels up to {top:.6g} dBm, more than an analyser survives (30 dBm): "
            f"check sign and unit ({unit})"
        )
    lowest = THERMAL_DBM_HZ + (10.0 * math.log10(rbw_hz) - _DEEPEST_DB if rbw_hz else 0.0)
    if bottom < lowest:
        draft.warnings.append(
            f"quality.level_implausible: levels down to {bottom:.6g} dBm, below what thermal noise lets an analyser "
            "show: they may stand for points without a value"
        )


def _level_unit(draft: Draft, main: int, options: Options, rbw_hz: float | None, name: str) -> str:
    """Return the absolute unit of the levels: as stated, as told, or as the only possible one."""
    column = draft.columns[main]
    fact = draft.facts.text("level_unit")
    told = column.unit or fact
    if options.level_unit is not None:
        stated = LEVEL_UNITS[unit_key(options.level_unit)]
        if told and unit_key(told) != unit_key(stated):
            draft.warnings.append(f"quality.stated_differently: level unit {stated} stated, the file says {told}")
        return stated
    if column.unit and fact and unit_key(fact) in LEVEL_UNITS and unit_key(column.unit) != unit_key(fact):
        draft.warnings.append(
            f"quality.level_unit_disagrees: {column.unit} beside the levels, {fact} in the preamble; {column.unit} used"
        )
    if told:
        key = unit_key(told)
        if key in LEVEL_UNITS:
            return LEVEL_UNITS[key]
        if key in RATIO_UNITS or key in OTHER_LEVEL_UNITS:
            what = "a ratio, no level" if key in RATIO_UNITS else "no level that can be brought to dBm"
            raise SweepFormatError(
                name,
                draft.lines[0],
                f"levels in {told} ({what})",
                "a level unit: dBm, dBmV or dBuV",
                f"Set the analyser to dBm and save again; if {told} is a mistake, state the true unit with level_unit= "
                "or --level-unit.",
            )
    reference = draft.facts.get("reference_level")
    if reference is not None and reference.unit and unit_key(reference.unit) in LEVEL_UNITS:
        unit = LEVEL_UNITS[unit_key(reference.unit)]
        draft.assumptions.append(f"level unit {unit}: that of the reference level (line {reference.line})")
        return unit
    if rbw_hz is not None:
        only = _possible_units(float(np.median(column.values)), float(column.values.max()), rbw_hz)
        if len(only) == 1:
            draft.assumptions.append(
                f"level unit {only[0]}: not stated; in any other the floor would lie below thermal noise or the top "
                "above what an analyser survives"
            )
            return only[0]
    return _ask_unit(name, draft.lines[0], "levels without a unit")


def _possible_units(median: float, top: float, rbw_hz: float) -> list[str]:
    """Return the units in which these levels are possible at all: floor above thermal noise, top below 1 W."""
    lowest = THERMAL_DBM_HZ + 10.0 * math.log10(rbw_hz)
    return [
        unit
        for unit in LEVEL_UNITS.values()
        if median + dbm_offset(unit, 75.0) >= lowest and top + dbm_offset(unit, 50.0) <= 30.0
    ]


def _ask_unit(name: str, line: int, found: str) -> NoReturn:
    raise SweepFormatError(
        name,
        line,
        found,
        "a level unit: dBm, dBmV or dBuV",
        "State it: level_unit= in Python, --level-unit on the command line, or level_unit in the capture's .toml.",
    )


def _captured_at(draft: Draft, order: Callable[[], DateOrder]) -> Any:
    text = draft.stamp or draft.facts.text("when")
    if not text:
        return None
    zone_text = draft.facts.text("zone")
    zone = zone_of("utc" + zone_text if zone_text[:1] in "+-" else zone_text) if zone_text else None
    moment, remark = time_of(text, zone)
    if moment is None and remark:
        moment, remark = time_of(text, zone, order())
    if moment is None:
        if remark:
            draft.warnings.append(f"quality.time_unclear: {remark}")
        return None
    if remark:
        draft.assumptions.append(f"captured_at: {remark}")
    return moment


def _settings(draft: Draft, main: int, options: Options, frequency_hz: Any) -> dict[str, Any]:
    facts, column = draft.facts, draft.columns[main]
    own = facts.per_trace.get(column.trace or column.position + 1, {})
    extra: dict[str, str] = {}
    for entry in facts.unknown:
        if entry.key and entry.key not in extra and len(extra) < 500 and number(entry.key) is None:
            extra[entry.key] = " ".join(v for v in (entry.value, entry.unit or "") if v)
    values: dict[str, Any] = {"extra": extra}
    for key in ("rbw", "vbw"):
        values[f"{key}_hz"] = _positive_hz(draft, key)
    rbw = facts.get("rbw")
    if rbw is not None and not rbw.sure and (values["rbw_hz"] or 0.0) > 0.25 * (frequency_hz[-1] - frequency_hz[0]):
        values["rbw_hz"] = None
        draft.warnings.append(
            f"quality.rbw_unclear: bandwidth {rbw.text!r} in line {rbw.line} is too wide for this span to be the RBW: "
            "not used"
        )
    time = facts.get("sweep_time")
    if time is not None and isinstance(time.value, float) and 0.0 < time.value < math.inf:
        values["sweep_time_s"] = time.value
        if time.unit is None:
            draft.assumptions.append("sweep time without a unit: taken as seconds")
    attenuation = facts.number("attenuation")
    values["attenuation_db"] = attenuation
    for concept in ("rbw", "vbw", "sweep_time", "attenuation", "reference_level"):
        reading = facts.get(concept)
        mark = _SET_BY.search(f"{reading.text[:LONGEST_CELL]} {reading.mark}") if reading is not None else None
        if mark:
            extra.setdefault(f"{concept} set by", mark[0])
    for concept in ("preamplifier", "level_offset", "frequency_offset", "zone", "trace"):
        reading = facts.get(concept)
        if reading is not None:
            unit = reading.unit or ""
            extra.setdefault(concept, reading.text if reading.text.endswith(unit) else f"{reading.text} {unit}")
    for conflict_key, stated in (("rbw_hz", options.rbw_hz),):
        if stated is not None:
            if values[conflict_key] is not None and values[conflict_key] != stated:
                draft.warnings.append(
                    f"quality.stated_differently: RBW {stated:g} Hz stated, the file says {values[conflict_key]:g} Hz"
                )
            values[conflict_key] = stated
    _averaging(draft, column, own, options, values)
    return values


def _positive_hz(draft: Draft, concept: str) -> float | None:
    reading = draft.facts.get(concept)
    if reading is None or not isinstance(reading.value, float) or not 0.0 < reading.value < math.inf:
        return None
    if reading.unit is not None:
        return reading.value
    if draft.axis_unit is not None and unit_key(draft.axis_unit) == "hz":
        draft.assumptions.append(f"{concept.upper()} without a unit (line {reading.line}): taken as Hz like the axis")
        return reading.value
    draft.warnings.append(
        f"quality.unit_missing: {concept.upper()} {reading.text!r} in line {reading.line} has no unit and is not used"
    )
    return None


def _averaging(draft: Draft, column: TraceColumn, own: Any, options: Options, values: dict[str, Any]) -> None:
    """Settle detector, count of averages and trace mode: as told for this trace, else for all."""
    facts = draft.facts

    def told(concept: str) -> str | None:
        reading = own.get(concept) or facts.get(concept)
        if reading is None:
            return None
        if isinstance(reading.value, tuple):
            return reading.value[column.position] if column.position < len(reading.value) else None
        return str(reading.value)

    mode_text = told("trace_mode")
    mode = column.mode or trace_mode_of(column.name) or (trace_mode_of(mode_text) if mode_text else None)
    name_mode = facts.text("trace")
    if mode is None and name_mode and len(draft.columns) == 1:
        mode = trace_mode_of(name_mode)
    averages_text = told("averages")
    averages = int(averages_text) if averages_text and averages_text.isdecimal() and len(averages_text) < 10 else None
    kind_text = told("average_type")
    kind = average_type_of(kind_text) if kind_text else None
    detector_text = told("detector")
    detector = detector_of(detector_text) if detector_text else None
    if detector == "average":
        by_kind = {"log": "log_average", "power": "rms", "voltage": "voltage_average"}
        detector = by_kind.get(kind or "")
        if detector is None:
            draft.warnings.append(
                f"quality.detector_unclear: detector {detector_text!r} does not say whether power, voltage or log is "
                "averaged"
            )
    if detector_text and detector is None:
        values["extra"].setdefault("detector", detector_text)
    if kind:
        values["extra"]["average_type"] = kind
    elif kind_text:
        values["extra"].setdefault("average_type", kind_text)
    if mode == "clear_write" and len(draft.columns) > 1 and averages and averages > 1:
        averages = 1  # the count speaks of the averaged trace beside it
        draft.assumptions.append("the count of averages is that of the averaged trace, not of this live one")
    if mode in ("max_hold", "min_hold", "clear_write") and len(draft.columns) == 1 and averages and averages > 1:
        draft.warnings.append(
            f"quality.averages_unclear: {averages} averages stated for a trace that is no average: not used"
        )
        averages = None
    if mode is None and averages is not None and averages > 1:
        mode = "average"
        draft.assumptions.append(f"{averages} averages stated: the trace is taken as their average")
    for key, value, stated in (
        ("detector", detector, options.detector),
        ("averages", averages, options.averages),
    ):
        if stated is not None and value is not None and stated != value:
            draft.warnings.append(f"quality.stated_differently: {key} {stated} stated, the file says {value}")
        values[key] = stated if stated is not None else value
    values["trace_mode"] = mode
