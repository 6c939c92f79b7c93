"""A capture against the commissioning capture of the same state: floor raised, carriers changed together or alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.units import FloatArray, format_frequency, format_value, jsonable

if TYPE_CHECKING:
    from spectra.measure.measurement import Carrier, Measurement

__all__ = [
    "Change",
    "Rise",
    "baseline_changes",
    "baseline_findings",
    "carrier_changed",
    "floor_changed",
    "floor_raised",
    "floor_rises",
    "level_changed",
]

_LEAST_RISE_DB = 1.0
_LEAST_CHANGE_DB = 1.0
_SCORE = 4.0
_SYSTEMATIC_DB = 0.3  # repeatability of an analyser's level from sweep to sweep (common practice, no source)
_LEAST_WIDTH_HZ = 5e6
_HUMP_ROLL_OFF = 0.5


@dataclass(frozen=True, slots=True)
class Rise:
    """A stretch of raised floor; `c_over_i_db` is the least carrier over added noise among the carriers in it."""

    start_hz: float
    stop_hz: float
    rise_db: float
    rise_std_db: float
    c_over_i_db: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return the rise as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Change:
    """Level changes of carriers against the baseline: the part common to all, and what each departs from it."""

    common_db: float
    common_std_db: float
    floor_db: float
    floor_std_db: float
    carriers: tuple[tuple[int, float, float], ...]
    """Of each carrier found in both: its index, its own departure in dB, its standard uncertainty."""


def floor_rises(measurement: Measurement, baseline: Measurement) -> tuple[Rise, ...]:
    """Return the stretches in which the floor stands over that of the baseline by more than elsewhere.

    The median change is taken as gain and left out, as far as it is not above 1 dB on its own.
    """
    there = baseline.sweep.frequency_hz
    f = measurement.sweep.frequency_hz
    inside = (f >= there[0]) & (f <= there[-1]) & measurement.floor.observed
    if inside.sum() < 8 or measurement.floor.density_dbm_hz is None or baseline.floor.density_dbm_hz is None:
        return ()
    shift = measurement.floor.median_dbm - measurement.floor.density_dbm_hz
    shift -= baseline.floor.median_dbm - baseline.floor.density_dbm_hz
    change = measurement.floor.level_dbm - np.interp(f, there, baseline.floor.level_dbm) - shift
    std = np.hypot(measurement.floor.std_db, np.interp(f, there, baseline.floor.std_db))
    std = np.hypot(std, _SYSTEMATIC_DB)
    quiet = float(np.quantile(change[inside], 0.25))
    high = inside & (change - quiet > np.maximum(_LEAST_RISE_DB, _SCORE * std))
    rises = list(_rises(measurement, f, change - quiet, std, high))
    humps = [one for one in _humps(measurement, baseline, quiet + shift) if not any(_meet(one, r) for r in rises)]
    return tuple(sorted((*rises, *humps), key=lambda rise: rise.start_hz))


def _meet(one: Rise, other: Rise) -> bool:
    return one.start_hz < other.stop_hz and other.start_hz < one.stop_hz


def _humps(measurement: Measurement, baseline: Measurement, shift_db: float) -> Iterable[Rise]:
    """Tell what is wide, no digital carrier, and was not there: its rise is read where the baseline shows its floor."""
    f, there = measurement.sweep.frequency_hz, baseline.sweep.frequency_hz
    then = np.interp(f, there, baseline.sweep.level_dbm)
    over = np.interp(f, there, baseline.model_dbm - baseline.floor.level_dbm)
    free = over < float(np.min(over)) + 0.5
    for carrier in measurement.carriers:
        shape = carrier.kind == "other" or (carrier.roll_off or 0.0) > _HUMP_ROLL_OFF
        start, stop = carrier.centre_hz - 0.5 * carrier.width_hz, carrier.centre_hz + 0.5 * carrier.width_hz
        if not shape or carrier.width_hz < _LEAST_WIDTH_HZ or start < there[0] or stop > there[-1]:
            continue
        inside = free & (f > start) & (f < stop)
        if inside.sum() < 8:
            continue
        change = (measurement.sweep.level_dbm - then)[inside] - shift_db
        # the middle of the rise: its skirts belong to it, but say little of its height
        rise = float(np.quantile(change, 0.75))
        std = math.hypot(1.25 * float(np.std(change)) / math.sqrt(int(inside.sum())), _SYSTEMATIC_DB)
        if rise < max(_LEAST_RISE_DB, _SCORE * std):
            continue
        added = 10.0 * math.log10(10.0 ** (0.1 * rise) - 1.0)  # over the floor as it was
        hit = [c.cn_db for c in baseline.carriers if c.cn_db is not None and start < c.centre_hz < stop]
        yield Rise(start, stop, rise, std, min(hit) - added if hit else None)


def _rises(measurement: Measurement, f: FloatArray, change: FloatArray, std: FloatArray, high: Any) -> Iterable[Rise]:
    edges = np.flatnonzero(np.diff(np.r_[0, high.astype(int), 0]))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if f[b - 1] - f[a] < _LEAST_WIDTH_HZ:
            continue
        rise = float(np.median(change[a:b]))
        inside = [c for c in measurement.carriers if c.cn_db is not None and f[a] <= c.centre_hz <= f[b - 1]]
        added = 10.0 * math.log10(1.0 - 10.0 ** (-0.1 * rise))  # of the floor as it is now
        ratio = min((c.cn_db - added for c in inside if c.cn_db is not None), default=None)
        yield Rise(float(f[a]), float(f[b - 1]), rise, float(np.median(std[a:b])), ratio)


def baseline_changes(measurement: Measurement, baseline: Measurement) -> Change | None:
    """Return what changed against the baseline; None with fewer than three carriers in both.

    The common part is the mean that most carriers share (robust), in level; departures beyond it are each one's own.
    """
    from spectra.findings.compare_levels import robust_mean

    pairs = _pairs(measurement.carriers, baseline.carriers)
    if len(pairs) < 3:
        return None
    level = [(measurement.carriers[i].power_dbm or 0.0) - (baseline.carriers[j].power_dbm or 0.0) for i, j in pairs]
    std = [
        math.hypot(
            measurement.carriers[i].power_std_db or 0.3, baseline.carriers[j].power_std_db or 0.3, _SYSTEMATIC_DB
        )
        for i, j in pairs
    ]
    found = robust_mean(level, std)
    if found is None:
        return None
    mean, mean_std = found
    own = tuple((i, x - mean, math.hypot(s, mean_std)) for (i, _), x, s in zip(pairs, level, std, strict=True))
    floor, floor_std = math.nan, math.nan
    if measurement.floor.density_dbm_hz is not None and baseline.floor.density_dbm_hz is not None:
        floor = measurement.floor.density_dbm_hz - baseline.floor.density_dbm_hz
        floor_std = math.hypot(
            measurement.floor.density_std_db or 0.3, baseline.floor.density_std_db or 0.3, _SYSTEMATIC_DB
        )
    return Change(mean, mean_std, floor, floor_std, own)


def _pairs(now: Sequence[Carrier], then: Sequence[Carrier]) -> list[tuple[int, int]]:
    """Return indices of the same carriers, nearest first, each used once."""
    options = []
    for i, a in enumerate(now):
        for j, b in enumerate(then):
            if a.power_dbm is None or b.power_dbm is None or a.kind != b.kind:
                continue
            width = max(a.width_hz, b.width_hz, 1e5)
            if abs(a.centre_hz - b.centre_hz) < 0.2 * width + 2e5 and max(a.width_hz, 1e5) < 1.5 * max(b.width_hz, 1e5):
                options.append((abs(a.centre_hz - b.centre_hz), i, j))
    taken_i: set[int] = set()
    taken_j: set[int] = set()
    found = []
    for _, i, j in sorted(options):
        if i not in taken_i and j not in taken_j:
            taken_i.add(i)
            taken_j.add(j)
            found.append((i, j))
    return sorted(found)


def baseline_findings(measurement: Measurement, baseline: Measurement) -> tuple[Finding, ...]:
    """Return what a capture tells against its baseline (the commissioning capture of the same LO state and port)."""
    from spectra.finding import run_rules
    from spectra.findings.table import BASELINE_RULES

    return run_rules(BASELINE_RULES, {"measurement": measurement, "baseline": baseline})


def _files(measurement: Measurement, baseline: Measurement) -> tuple[str, ...]:
    return measurement.sweep.origin.file, baseline.sweep.origin.file


def floor_raised(measurement: Measurement, baseline: Measurement) -> Iterable[Finding]:
    """Tell each stretch of floor that stands over the baseline's."""
    for rise in floor_rises(measurement, baseline):
        ratio = (
            "" if rise.c_over_i_db is None else f" The weakest carrier in it has {rise.c_over_i_db:.1f} dB over that."
        )
        yield Finding(
            "line.floor_raised",
            "warning",
            f"The floor is {format_value(rise.rise_db, rise.rise_std_db, 'dB')} up from {rise.start_hz / 1e6:.0f} to "
            f"{rise.stop_hz / 1e6:.0f} MHz",
            f"Against the baseline{_since(baseline)}, the rest of the span taken as unchanged.{ratio} A wide "
            "interferer, or a transponder's noise.",
            evidence=(
                Evidence("rise", rise.rise_db, rise.rise_std_db, "dB", _LEAST_RISE_DB),
                Evidence("c_over_i", rise.c_over_i_db, None, "dB"),
            ),
            subjects=Subjects(captures=_files(measurement, baseline)),
            next_steps=(
                step("Sweep the same span in the other LO state: a hump that keeps its IF came by the cable."),
            ),
        )


def level_changed(measurement: Measurement, baseline: Measurement) -> Iterable[Finding]:
    """Tell a change common to all carriers, and whether the floor shares it."""
    change = baseline_changes(measurement, baseline)
    if change is None or abs(change.common_db) < max(_LEAST_CHANGE_DB, 3.0 * change.common_std_db):
        return
    with_floor = math.isfinite(change.floor_db) and abs(change.floor_db - change.common_db) < 1.0
    cause = "The floor does not share it: pointing, rain or blockage."
    if with_floor:
        cause = "The floor shares it: gain of LNB or line."
    told = format_value(change.common_db, change.common_std_db, "dB")
    yield Finding(
        "line.level_changed",
        "warning",
        f"All carriers changed by {told} against the baseline",
        f"{cause}{_floor_words(change)}",
        evidence=_change_evidence(change, change.common_db, change.common_std_db, "common_level_change"),
        subjects=Subjects(captures=_files(measurement, baseline)),
        next_steps=(
            step("Look at the connectors of the receive cable for water and corrosion."),
            step("Compare pads, splitters and the analyser's settings with those of the baseline."),
        )
        if with_floor
        else (step("Peak the antenna on the satellite, and note the weather."),),
    )


def floor_changed(measurement: Measurement, baseline: Measurement) -> Iterable[Finding]:
    """Tell a floor that rose over the whole span while the carriers kept their level: C/N went with it."""
    change = baseline_changes(measurement, baseline)
    if change is None or not math.isfinite(change.floor_db):
        return
    rise, std = change.floor_db - change.common_db, math.hypot(change.floor_std_db, change.common_std_db)
    if rise < max(_LEAST_CHANGE_DB, 3.0 * std) or abs(change.common_db) >= max(
        _LEAST_CHANGE_DB, 3.0 * change.common_std_db
    ):
        return
    yield Finding(
        "line.floor_changed",
        "warning",
        f"The floor is {format_value(rise, std, 'dB')} up over the whole span; the carriers kept their level",
        f"Against the baseline{_since(baseline)} every C/N is lower by as much. More noise with the same gain: the sun "
        "in or near the beam, rain or something warm before the antenna, an LNB that has become noisy, or the "
        "analyser's own noise at another attenuation.",
        evidence=_change_evidence(change, rise, std, "floor_rise"),
        subjects=Subjects(captures=_files(measurement, baseline)),
        next_steps=(
            step("Sweep again an hour later: the sun leaves the beam within minutes, rain within hours."),
            step(
                "Sweep once with a termination at the analyser's input, at the same settings: its noise must lie below."
            ),
        ),
    )


def _since(baseline: Measurement) -> str:
    when = baseline.sweep.origin.captured_at
    return "" if when is None else f" of {when:%Y-%m-%d %H:%M}"


def _floor_words(change: Change) -> str:
    if not math.isfinite(change.floor_db):
        return ""
    cn = format_value(change.common_db - change.floor_db, math.hypot(change.common_std_db, change.floor_std_db), "dB")
    floor = format_value(change.floor_db, change.floor_std_db, "dB")
    return f" The floor changed by {floor}, every C/N by {cn}."


def _change_evidence(change: Change, value: float, std: float, name: str) -> tuple[Evidence, ...]:
    known = math.isfinite(change.floor_db)
    return (
        Evidence(name, value, std, "dB", _LEAST_CHANGE_DB),
        Evidence("floor_change", change.floor_db if known else None, change.floor_std_db if known else None, "dB"),
    )


def carrier_changed(measurement: Measurement, baseline: Measurement) -> Iterable[Finding]:
    """Tell the carriers that changed beyond what all share."""
    change = baseline_changes(measurement, baseline)
    if change is None:
        return
    for index, own, std in change.carriers:
        if abs(own) < max(_LEAST_CHANGE_DB, _SCORE * std):
            continue
        carrier = measurement.carriers[index]
        yield Finding(
            "line.carrier_changed",
            "note",
            f"The carrier at {format_frequency(carrier.centre_hz, carrier.centre_std_hz)} changed by "
            f"{format_value(own, std, 'dB')} beyond the others",
            "It alone: its own uplink, its own power, or something under it.",
            evidence=(Evidence("own_level_change", own, std, "dB", _LEAST_CHANGE_DB),),
            subjects=Subjects(captures=_files(measurement, baseline), carriers=(index,)),
            next_steps=(step("Sweep it alone with a narrow RBW and look for what stands on it or beside it."),),
        )
