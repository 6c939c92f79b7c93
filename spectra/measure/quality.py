"""What the sweep alone tells of its own quality: settings that bias, hide or blur, and how to sweep better.

Each rule is a pure function of named facts. Thresholds are common practice, no source, unless a source stands beside
them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from spectra.finding import Evidence, Finding, Rule, Subjects, run_rules, step
from spectra.measure.engine import Solution
from spectra.measure.live import ON_LINES, level_step, only_coarse, repeats, share_between, share_on_lines
from spectra.measure.measurement import Carrier, Floor
from spectra.sweep import Sweep
from spectra.units import counted

__all__ = ["RULES", "quality_findings"]

_MANY_POINTS_PER_RBW = 8.0
_FEW_READINGS = 3.0


def _about(sweep: Sweep, carriers: Iterable[int] = ()) -> Subjects:
    return Subjects(captures=(sweep.origin.file,), carriers=tuple(carriers))


def _khz(value_hz: float) -> str:
    return f"{value_hz / 1e3:.3g} kHz" if value_hz < 1e6 else f"{value_hz / 1e6:.3g} MHz"


def _flat_trace(sweep: Sweep) -> Iterator[Finding]:
    level = sweep.level_dbm
    step_db = level_step(level)
    same = float(np.mean(np.diff(level) == 0.0))
    lines = share_on_lines(sweep, step_db)
    between = 0.0 if lines >= ON_LINES else share_between(level, step_db)
    repeated = repeats(level)
    stuck = same >= 0.5 and not only_coarse(level, step_db)
    told = [
        text
        for holds, text in (
            (stuck, f"{100.0 * same:.0f} % of neighbouring points are exactly equal"),
            (lines >= ON_LINES, f"{100.0 * lines:.0f} % of the trace lies on straight lines, to the last digit"),
            (between, f"{100.0 * between:.0f} % of the points lie exactly on the line between their neighbours"),
            (repeated, "the trace repeats itself"),
        )
        if holds
    ]
    if not told:
        return
    said = " and ".join(told)
    low = stuck and lines < ON_LINES and float(np.mean(level == level.min())) >= 0.5
    live = bool(between) and not (stuck or repeated)
    yield Finding(
        code="quality.flat_trace",
        severity="warning" if live else "fault",
        title="Points of the trace are interpolated" if live else "The trace is a flat, straight or repeated line",
        explanation=f"{said[0].upper()}{said[1:]}. Noise is never so regular: "
        + ("these points were worked out from the others, and tell nothing new." if live else "this is no live trace.")
        + (" Most lie at the lowest level: the bottom of the screen, perhaps." if low else ""),
        evidence=(
            Evidence("equal_neighbours", same, None, "1", 0.5),
            Evidence("share_on_straight_lines", lines, None, "1", ON_LINES),
            Evidence("share_interpolated", between, None, "1", None),
        ),
        subjects=_about(sweep),
        next_steps=(
            step("Save the trace as the analyser has it, with its own number of points; do not fill rows in between.")
            if live
            else step("Check that the trace was live and not blanked, viewed or stored, and save the sweep again."),
        ),
    )


def _overload(sweep: Sweep) -> Iterator[Finding]:
    level, reference = sweep.level_dbm, sweep.settings.reference_level_dbm
    top = float(level.max())
    at_top = level >= top - 1e-9
    edges = np.flatnonzero(np.diff(np.r_[0, at_top.astype(int), 0]))
    longest = int((edges[1::2] - edges[::2]).max())
    over = reference is not None and top > reference + 0.05
    if longest < 5 and not over:
        return
    why = f"{longest} neighbouring points lie at exactly {top:.2f} dBm" if longest >= 5 else ""
    if over:
        why += (" and t" if why else "T") + f"he highest level is above the reference level of {reference:.2f} dBm"
    yield Finding(
        code="quality.overload",
        severity="fault" if longest >= 5 else "warning",
        title="The top of the trace may be clipped",
        explanation=why + ". Carriers that reach the top of the screen are read too low, and mixing makes false ones.",
        evidence=(
            Evidence("highest_level", top, None, "dBm", reference),
            Evidence("points_at_top", float(longest), None, "1", 5.0),
        ),
        subjects=_about(sweep),
        next_steps=(
            step(f"Raise the reference level to {math.ceil((top + 10.0) / 5.0) * 5} dBm and sweep again."),
            step("Add 10 dB of input attenuation: a level that changes by anything but noise shows compression."),
        ),
    )


def _rbw_unknown(sweep: Sweep, solution: Solution) -> Iterator[Finding]:
    if solution.rbw_known:
        return
    yield Finding(
        code="quality.rbw_unknown",
        severity="warning",
        title="The file names no resolution bandwidth",
        explanation=(
            f"The RBW was taken as {_khz(solution.rbw_hz)}. Densities, powers and C/N0 of CW are left out, "
            "widths near the RBW are uncertain; C/N, centre and symbol rate of wide carriers hardly depend on it."
        ),
        evidence=(Evidence("rbw_assumed", solution.rbw_hz, None, "Hz", None),),
        subjects=_about(sweep),
        next_steps=(step("State the RBW of the sweep (option --rbw), or save the settings with the trace."),),
    )


def _carriers_blurred(sweep: Sweep, solution: Solution, carriers: tuple[Carrier, ...]) -> Iterator[Finding]:
    if not solution.rbw_known:
        return
    rbw = solution.rbw_hz
    blurred = [
        k
        for k, c in enumerate(carriers)
        if c.kind == "unresolved" or (c.symbol_rate_bd is not None and c.symbol_rate_bd < 3.0 * rbw)
    ]
    if not blurred:
        return
    widths = [carriers[k].symbol_rate_bd for k in blurred]
    narrowest = min((w for w in widths if w is not None), default=rbw)
    wanted = max(narrowest / 10.0, 1.0)
    yield Finding(
        code="quality.carriers_blurred",
        severity="warning",
        title=f"RBW too wide for {counted(len(blurred), 'carrier')}",
        explanation=(
            f"With an RBW of {_khz(rbw)} a carrier needs {_khz(3.0 * rbw).replace('Hz', 'Bd')} to show its edges. "
            "Symbol rate and roll-off of narrower ones are uncertain or missing."
        ),
        evidence=(Evidence("rbw", rbw, None, "Hz", narrowest / 3.0),),
        subjects=_about(sweep, blurred),
        next_steps=(
            step(
                f"Sweep each of these alone, span {_khz(6.0 * max(narrowest, rbw))}, RBW {_khz(wanted)} or the next "
                "below, detector RMS."
            ),
        ),
    )


def _points_too_few(sweep: Sweep, solution: Solution) -> Iterator[Finding]:
    if not solution.rbw_known or sweep.spacing_hz <= 1.5 * solution.rbw_hz:
        return
    points = math.ceil((sweep.stop_hz - sweep.start_hz) / solution.rbw_hz)
    yield Finding(
        code="quality.points_too_few",
        severity="warning",
        title="The points lie farther apart than the RBW",
        explanation=(
            f"Points are {_khz(sweep.spacing_hz)} apart, the RBW is {_khz(solution.rbw_hz)}: what lies between "
            "two points is not seen, unless the detector gathers it. A CW can hide there; do not trust its level."
        ),
        evidence=(Evidence("spacing", sweep.spacing_hz, None, "Hz", solution.rbw_hz),),
        subjects=_about(sweep),
        next_steps=(
            step(f"Sweep with {points} points or more, or cut the span, or widen the RBW to {_khz(sweep.spacing_hz)}."),
        ),
    )


def _points_correlated(sweep: Sweep, solution: Solution) -> Iterator[Finding]:
    if not solution.rbw_known or solution.rbw_hz < _MANY_POINTS_PER_RBW * sweep.spacing_hz:
        return
    yield Finding(
        code="quality.points_correlated",
        severity="note",
        title="Many points share one RBW",
        explanation=(
            f"{solution.rbw_hz / sweep.spacing_hz:.0f} points fall in one RBW, {solution.law.correlated_points:.1f} of "
            "them share their noise. The uncertainties allow for it; a narrower RBW would tell more in the same time."
        ),
        evidence=(Evidence("points_sharing_noise", solution.law.correlated_points, None, "1", None),),
        subjects=_about(sweep),
        next_steps=(step(f"Narrow the RBW to about {_khz(2.0 * sweep.spacing_hz)}."),),
    )


def _video_filter(sweep: Sweep) -> Iterator[Finding]:
    rbw, vbw, detector = sweep.settings.rbw_hz, sweep.settings.vbw_hz, sweep.settings.detector
    if rbw is None or vbw is None or vbw >= rbw or detector in ("rms", None):
        return
    yield Finding(
        code="quality.video_filter",
        severity="note" if detector in ("sample", "log_average", "voltage_average") else "warning",
        title="The video filter averages before the detector",
        explanation=(
            f"VBW {_khz(vbw)} is below RBW {_khz(rbw)}. On a dB scale this averages levels: noise reads up to "
            "2.5 dB low against a CW, and a peak detector sees no peaks. C/N of noise-like carriers stays right."
        ),
        evidence=(Evidence("vbw", vbw, None, "Hz", rbw),),
        subjects=_about(sweep),
        next_steps=(step(f"Set the VBW to {_khz(3.0 * rbw)} or more and average with an RMS detector instead."),),
    )


def _no_averaging(sweep: Sweep, solution: Solution) -> Iterator[Finding]:
    readings = solution.trace.law.information
    if readings >= _FEW_READINGS:
        return
    yield Finding(
        code="quality.no_averaging",
        severity="note",
        title="Hardly any averaging",
        explanation=(
            f"A point holds the information of {readings:.1f} readings; levels scatter by "
            f"{4.343 * math.sqrt(solution.trace.law.variance):.1f} dB from point to point. Weak carriers drown in it."
        ),
        evidence=(Evidence("information_per_point", readings, None, "1", _FEW_READINGS),),
        subjects=_about(sweep),
        next_steps=(
            step("Use an RMS detector and a sweep ten times as long, or average 10 sweeps: errors fall to a third."),
        ),
    )


def _max_hold(sweep: Sweep) -> Iterator[Finding]:
    held = sweep.settings.trace_mode in ("max_hold", "min_hold")
    peaks = sweep.settings.detector in ("peak", "negative_peak", "normal")
    if not held and not peaks:
        return
    what = "a held trace" if held else f"the {sweep.settings.detector} detector"
    yield Finding(
        code="quality.max_hold",
        severity="warning" if held else "note",
        title="Extremes instead of averages",
        explanation=(
            f"The levels come from {what}: they show extremes of the noise, which stand several dB off its power, and "
            "depend on the sweep time. C/N of noise-like carriers is kept; power, density and C/N0 of CW are assumed."
        ),
        subjects=_about(sweep),
        next_steps=(step("Save an average: detector RMS, trace mode average, 10 sweeps or more."),),
    )


def _average_assumed(sweep: Sweep, solution: Solution) -> Iterator[Finding]:
    if solution.law.assumption is None:
        return
    yield Finding(
        code="quality.average_assumed",
        severity="note",
        title="How the levels were averaged is assumed",
        explanation=(
            solution.law.assumption
            + " Levels averaged in dB read noise 2.51 dB below its power: floor density, carrier "
            "power and the C/N0 of a CW depend on this; C/N of noise-like carriers does not."
        ),
        evidence=(Evidence("bias_taken_out", 4.342945 * solution.trace.law.mean, None, "dB", None),),
        subjects=_about(sweep),
        next_steps=(step("Use an RMS detector, or state detector and averages (options --detector, --averages)."),),
    )


def _readings_disagree(sweep: Sweep, solution: Solution) -> Iterator[Finding]:
    averages = sweep.settings.averages
    law = solution.law
    if averages is None or averages < 2 or law.law.average in ("peak", "negative_peak"):
        return
    found, std = law.law.readings, law.readings_std or 0.0
    limit = 0.5 * averages
    if found + 2.0 * std >= limit:
        return
    yield Finding(
        code="quality.readings_disagree",
        severity="warning",
        title="The trace scatters more than its header says",
        explanation=(
            f"The header names {averages} averages; the scatter is that of {found:.1f} independent readings a point. "
            "The average had not run full, or another trace was saved. The scatter is what the uncertainties rest on."
        ),
        evidence=(Evidence("readings_per_point", found, std, "1", float(averages)),),
        subjects=_about(sweep),
        next_steps=(step(f"Let all {averages} sweeps run before saving, and save the averaged trace."),),
    )


def _floor_not_seen(sweep: Sweep, floor: Floor, carriers: tuple[Carrier, ...]) -> Iterator[Finding]:
    blind = [k for k, c in enumerate(carriers) if "floor_not_seen" in c.flags]
    if not blind:
        return
    yield Finding(
        code="quality.floor_not_seen",
        severity="warning",
        title=f"No gap shows the floor near {counted(len(blind), 'carrier')}",
        explanation=(
            f"The floor is seen in {100.0 * float(np.mean(floor.observed)):.0f} % of the span. Where no gap is near, "
            "C/N can only be bounded from below: the floor lies at or under the lowest level near by."
        ),
        evidence=(Evidence("floor_seen_share", float(np.mean(floor.observed)), None, "1", None),),
        subjects=_about(sweep, blind),
        next_steps=(
            step("Widen the span until a gap or the edge of the band comes into view."),
            step("Narrow the RBW to a tenth of the gap between the carriers, so that the gap shows the floor."),
        ),
    )


def _no_raised_cosine(sweep: Sweep, carriers: tuple[Carrier, ...]) -> Iterator[Finding]:
    odd = [k for k, c in enumerate(carriers) if c.kind == "other"]
    if not odd:
        return
    yield Finding(
        code="quality.no_raised_cosine",
        severity="note",
        title=f"{counted(len(odd), 'signal')} of another shape than a filtered digital carrier",
        explanation=(
            "No raised cosine fits them, not even through a transponder that slopes or ripples by a decibel. Centroid, "
            "bandwidths and power are measured without a model; C/N is in the 99 % bandwidth, of what stands above "
            "the noise. They have no symbol rate and no roll-off."
        ),
        evidence=(Evidence("signals", float(len(odd)), None, "1", None),),
        subjects=_about(sweep, odd),
        next_steps=(step("Sweep each alone, RBW a hundredth of its width, 100 averages, and look at its shape."),),
    )


def _carrier_misfit(sweep: Sweep, carriers: tuple[Carrier, ...]) -> Iterator[Finding]:
    bent = [k for k, c in enumerate(carriers) if "misfit" in c.flags]
    if not bent:
        return
    yield Finding(
        code="quality.carrier_misfit",
        severity="note",
        title="1 carrier slopes or ripples" if len(bent) == 1 else f"{len(bent)} carriers slope or ripple",
        explanation=(
            "Their tops depart from a raised cosine by up to about a decibel, as the response of a transponder or a "
            "filter makes it. They are measured as raised cosines, and their uncertainties are raised by the misfit."
        ),
        evidence=(Evidence("carriers", float(len(bent)), None, "1", None),),
        subjects=_about(sweep, bent),
        next_steps=(step("Compare with a sweep of another day or port: what stays is the transponder's response."),),
    )


RULES: tuple[Rule, ...] = (
    Rule("quality.flat_trace", ("sweep",), _flat_trace),
    Rule("quality.overload", ("sweep",), _overload),
    Rule("quality.rbw_unknown", ("sweep", "solution"), _rbw_unknown),
    Rule("quality.carriers_blurred", ("sweep", "solution", "carriers"), _carriers_blurred),
    Rule("quality.points_too_few", ("sweep", "solution"), _points_too_few),
    Rule("quality.points_correlated", ("sweep", "solution"), _points_correlated),
    Rule("quality.video_filter", ("sweep",), _video_filter),
    Rule("quality.no_averaging", ("sweep", "solution"), _no_averaging),
    Rule("quality.max_hold", ("sweep",), _max_hold),
    Rule("quality.average_assumed", ("sweep", "solution"), _average_assumed),
    Rule("quality.readings_disagree", ("sweep", "solution"), _readings_disagree),
    Rule("quality.no_raised_cosine", ("sweep", "carriers"), _no_raised_cosine),
    Rule("quality.carrier_misfit", ("sweep", "carriers"), _carrier_misfit),
    Rule("quality.floor_not_seen", ("sweep", "floor", "carriers"), _floor_not_seen),
)
"""The rules of one sweep, in the order in which they are told."""


_READER_TITLES = {
    "quality.hold_used": "Only a held trace is in the file",
    "quality.level_implausible": "Levels that no analyser shows",
    "quality.stated_twice": "The file states a setting twice, differently",
    "quality.segments_overlap": "Segments of the sweep overlap",
    "quality.stated_differently": "What was stated differs from the file",
    "quality.level_unit_disagrees": "The file names two level units",
    "quality.frequency_unit_suspect": "The unit of the frequencies looks wrong",
    "quality.time_unclear": "Date and time of the file are unclear",
    "quality.rbw_unclear": "The bandwidth of the file cannot be the RBW",
    "quality.unit_missing": "A setting without a unit is not used",
    "quality.detector_unclear": "The detector of the file is not clear",
    "quality.averages_unclear": "The count of averages is not used",
    "quality.axis_falls": "The file states a start above the stop",
    "quality.axis_irregular": "The points are not evenly spaced",
    "quality.points_disagree": "Stated points and rows disagree",
    "quality.start_disagrees": "Stated start and rows disagree",
    "quality.stop_disagrees": "Stated stop and rows disagree",
    "quality.span_disagrees": "Stated span and rows disagree",
    "quality.step_disagrees": "Stated step and rows disagree",
    "quality.reader_warning": "The reader noticed something",
}
"""Titles of what the readers tell, by code."""


def _reader_rules(warnings: tuple[str, ...]) -> tuple[Rule, ...]:
    """Return a rule for each code that the reader's warnings begin with (``quality.cause: what was found``)."""
    texts: dict[str, list[str]] = {}
    for warning in warnings:
        code, colon, text = warning.partition(": ")
        known = colon and code.startswith("quality.") and code[8:].replace("_", "").isalnum() and code.islower()
        texts.setdefault(code if known else "quality.reader_warning", []).append(text if known else warning)

    def rule(code: str, told: list[str]) -> Rule:
        def run(sweep: Sweep) -> Iterator[Finding]:
            yield Finding(
                code=code,
                severity="warning",
                title=_READER_TITLES.get(code, code.partition(".")[2].replace("_", " ").capitalize()),
                explanation=" ".join(text if text.endswith(".") else text + "." for text in told),
                subjects=_about(sweep),
                next_steps=(step("Compare with the file, and state what is right with the options of the reader."),),
            )

        return Rule(code, ("sweep",), run)

    return tuple(rule(code, told) for code, told in texts.items())


def quality_findings(
    sweep: Sweep, solution: Solution, floor: Floor, carriers: tuple[Carrier, ...]
) -> tuple[Finding, ...]:
    """Return what the sweep alone tells of its quality, the reader's warnings first."""
    facts: dict[str, Any] = {"sweep": sweep, "solution": solution, "floor": floor, "carriers": carriers}
    return run_rules((*_reader_rules(sweep.origin.warnings), *RULES), facts)
