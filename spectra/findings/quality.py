"""Rules about the quality of a capture against carrier table and receive chain (those of the sweep alone: `measure`).

Each is a pure function of facts (`spectra.findings.facts`); its code stands in `spectra.findings.table`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from spectra.advice.engine import RESOLVING
from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.findings.axis import rf_note
from spectra.units import counted

if TYPE_CHECKING:
    from spectra.advice.outlook import SweepOutlook
    from spectra.findings.facts import Expected
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.sweep import Sweep

__all__ = [
    "CUSTOMARY_NARROWEST_HZ",
    "analyser_floor",
    "analyser_floor_unknown",
    "axis_is_rf",
    "carriers_below_limit",
    "if_not_covered",
    "nothing_as_meant",
    "points_too_far_apart",
    "rbw_too_wide",
    "rows_not_covered",
    "span_outside_if",
]

CUSTOMARY_NARROWEST_HZ = 300e3
"""Narrowest carrier to reckon with where the table tells none (common practice, no source)."""

CERTAINTY = 0.95

_LOW_DENSITY_DBM_HZ = -150.0
"""Below this an LNB of 50 dB gain (k T 50 K, 20 dB of cable: -152 dBm/Hz, derived) is hard to believe."""

_OWN_NOISE_MATTERS_DB = 10.0
"""Floor above the analyser's own noise from which on that changes C/N by less than 0.46 dB (derived)."""

_OWN_NOISE_RULES_DB = 3.0
_MOST_ROWS = 8


def _again() -> NextStep:
    return step("Take the sweeps that sweepmuster next-sweep prints for this table and chain.")


def _about(sweep: Sweep, rows: Sequence[int] = ()) -> Subjects:
    return Subjects(captures=(sweep.origin.file,), rows=tuple(rows))


def _mhz(hz: float) -> str:
    return f"{hz / 1e6:.6g} MHz"


def _named(rows: Sequence[int]) -> str:
    """Return rows in words, the first few by number."""
    shown = ", ".join(str(row) for row in sorted(rows)[:_MOST_ROWS])
    rest = len(rows) - _MOST_ROWS
    return f"row {shown}" if len(rows) == 1 else f"rows {shown}" + (f" and {rest} more" if rest > 0 else "")


# --- axis and span ---------------------------------------------------------------------------------------------------


def axis_is_rf(sweep: Sweep, rf_states: Sequence[LoState]) -> Iterable[Finding]:
    """Tell a frequency axis that shows RF (an offset set on the analyser) instead of IF, or that did."""
    note = rf_note(sweep)
    if note is not None:
        yield Finding(
            "quality.axis_is_rf",
            "note",
            "The frequency axis showed RF and was taken back to IF",
            f"{note[0].upper()}{note[1:]}. Only what the analyser is taken to have added was removed; if it added "
            "another frequency, all IF are off by the difference, and so is the LO error.",
            evidence=(
                Evidence("start", sweep.start_hz, None, "Hz"),
                Evidence("stop", sweep.stop_hz, None, "Hz"),
            ),
            subjects=_about(sweep),
            next_steps=(step("Set the analyser's frequency offset to zero before the next sweep."),),
        )
    if not rf_states:
        return
    names = ", ".join(state.name for state in rf_states)
    yield Finding(
        "quality.axis_is_rf",
        "warning",
        "The frequency axis shows RF, not IF",
        f"{_mhz(sweep.start_hz)} to {_mhz(sweep.stop_hz)} lies in the RF range of LO state {names} and outside its IF: "
        "the analyser was set to add the LO. Taken back, only the nominal LO is removed; its error stays in the axis.",
        evidence=(
            Evidence("start", sweep.start_hz, None, "Hz", float(rf_states[0].rf_min_hz)),
            Evidence("stop", sweep.stop_hz, None, "Hz", float(rf_states[0].rf_max_hz)),
            Evidence("lo", float(rf_states[0].lo_hz), None, "Hz"),
        ),
        subjects=_about(sweep),
        next_steps=(
            step("Name the LO state whose frequency the analyser added, as lo_state in the capture's context."),
            step("Convert a copy: sweepmuster convert FILE --to-if --chain CHAIN.toml --lo-state NAME --out FOLDER."),
            step("Set the analyser's frequency offset to zero before the next sweep."),
        ),
    )


def span_outside_if(sweep: Sweep, chain: ReceiveChain, axis_is_if: bool) -> Iterable[Finding]:
    """Tell a span that goes beyond the IF of the chain, or misses it."""
    slack = max(0.01 * (chain.if_max_hz - chain.if_min_hz), 2.0 * sweep.spacing_hz)
    below, above = chain.if_min_hz - sweep.start_hz, sweep.stop_hz - chain.if_max_hz
    if not axis_is_if or max(below, above) <= slack:
        return
    misses = sweep.stop_hz <= chain.if_min_hz or sweep.start_hz >= chain.if_max_hz
    parts = [f"{_mhz(part)} {side}" for part, side in ((below, "below"), (above, "above")) if part > slack]
    yield Finding(
        "quality.span_outside_if",
        "warning" if misses else "note",
        "The sweep lies outside the IF" if misses else "The sweep goes beyond the IF",
        f"The chain's IF is {_mhz(chain.if_min_hz)} to {_mhz(chain.if_max_hz)}; "
        f"the sweep goes {' and '.join(parts)} it. "
        + ("Nothing in it can be held against the table." if misses else "What lies there came by no LNB."),
        evidence=(
            Evidence("start", sweep.start_hz, None, "Hz", chain.if_min_hz),
            Evidence("stop", sweep.stop_hz, None, "Hz", chain.if_max_hz),
        ),
        subjects=_about(sweep),
        next_steps=(step("Check that this chain belongs to this capture, and its if_min_mhz and if_max_mhz."), _again())
        if misses
        else (),
    )


def _missing(
    window: tuple[float, float], spans: Sequence[tuple[float, float]], slack: float
) -> list[tuple[float, float]]:
    """Return the parts of a window that no span covers."""
    missing, reached = [], window[0]
    for start, stop in sorted(spans):
        if start > reached + slack:
            missing.append((reached, min(start, window[1])))
        reached = max(reached, stop)
        if reached >= window[1]:
            break
    if reached < window[1] - slack:
        missing.append((reached, window[1]))
    return [(low, high) for low, high in missing if high > low]


def if_not_covered(
    spans: Sequence[tuple[float, float]], window: tuple[float, float], sweep: Sweep, axis_is_if: bool
) -> Iterable[Finding]:
    """Tell the part of the IF that was not swept."""
    if not axis_is_if or sweep.stop_hz <= window[0] or sweep.start_hz >= window[1]:
        return
    slack = max(0.002 * (window[1] - window[0]), 2.0 * sweep.spacing_hz)
    missing = _missing(window, spans, slack)
    if not missing:
        return
    parts = " and ".join(f"{_mhz(low)} to {_mhz(high)}" for low, high in missing)
    share = sum(high - low for low, high in missing) / (window[1] - window[0])
    yield Finding(
        "quality.if_not_covered",
        "note",
        f"{100.0 * share:.0f} % of the IF was not swept",
        f"Missing: {parts}. Carriers there are not visible, whatever is on air.",
        evidence=(
            *(Evidence("missing_from", low, None, "Hz", high) for low, high in missing),
            Evidence("share", share, None, None, 0.0),
        ),
        subjects=_about(sweep),
        next_steps=(_again(),),
    )


def rows_not_covered(sweep: Sweep, expected_elsewhere: Expected) -> Iterable[Finding]:
    """Tell rows of the expected satellite and LO state that lie where nothing was swept."""
    if not expected_elsewhere.sure:
        return
    rows = [int(row) for demand in expected_elsewhere.demands for row in demand.row]
    if not rows:
        return
    yield Finding(
        "quality.rows_not_covered",
        "note",
        f"{counted(len(rows), 'expected carrier lies', 'expected carriers lie')} outside what was swept",
        f"{_named(rows).capitalize()} of the table cannot be seen in this span.",
        evidence=(Evidence("rows_outside", float(len(rows)), None, None, 0.0),),
        subjects=_about(sweep, rows),
        next_steps=(_again(),),
    )


# --- resolution and sensitivity --------------------------------------------------------------------------------------


def _narrowest(expected: Expected) -> tuple[float, int | None, str]:
    """Return the narrowest symbol rate to show, its row, and which it is in words."""
    narrowest = expected.narrowest
    if narrowest is None:
        return (
            CUSTOMARY_NARROWEST_HZ,
            None,
            "the customary narrowest carrier, 300 kHz (the table tells none in this span)",
        )
    rate, row, if_hz = narrowest
    words = f"the narrowest carrier of the table in this span (row {row}, {rate / 1e3:.6g} kBd at {_mhz(if_hz)})"
    return rate, row, words


def rbw_too_wide(sweep: Sweep, expected: Expected) -> Iterable[Finding]:
    """Tell an RBW above a third of the narrowest carrier that should be in the span."""
    rbw = sweep.settings.rbw_hz
    rate, row, which = _narrowest(expected)
    limit = rate / RESOLVING
    if rbw is None or rbw <= limit * (1.0 + 1e-9):
        return
    lost = rbw > rate
    yield Finding(
        "quality.rbw_too_wide",
        "warning" if lost and row is not None else "note",
        "RBW too wide for the narrowest carrier",
        f"The RBW of {format_khz(rbw)} is wider than a third of {which}. "
        + (
            "It is smeared to the width of the filter: symbol rate and widths cannot be measured, neighbours merge."
            if lost
            else "Its symbol rate and widths come out poorly."
        ),
        evidence=(Evidence("rbw", rbw, None, "Hz", limit), Evidence("narrowest", rate, None, "Bd")),
        subjects=_about(sweep, () if row is None else (row,)),
        next_steps=(step(f"Sweep again with an RBW of {format_khz(limit)} or less."), _again()),
    )


def points_too_far_apart(sweep: Sweep, expected: Expected) -> Iterable[Finding]:
    """Tell points so far apart that the narrowest carrier can lie between two of them."""
    rate, row, which = _narrowest(expected)
    rbw = sweep.settings.rbw_hz or 0.0
    limit = math.hypot(rate, rbw)  # about how wide the carrier shows through the filter
    if sweep.spacing_hz <= limit or sweep.settings.detector in ("peak", "normal"):
        return  # a peak detector keeps what it meets on the way from point to point
    told = sweep.settings.rbw_hz is not None
    points = math.ceil((sweep.stop_hz - sweep.start_hz) / max(rate, rbw)) + 1
    yield Finding(
        "quality.points_too_far_apart",
        "warning" if told and row is not None else "note",
        "Carriers can fall between the points",
        f"Points lie {format_khz(sweep.spacing_hz)} apart; {which} shows {format_khz(limit)} wide through the RBW and "
        "can lie between two points unseen, or thinned out where the detector averages from point to point."
        + ("" if told else " The RBW is not told: a wide one would show it."),
        answer="yes" if told else "cannot_tell",
        evidence=(
            Evidence("spacing", sweep.spacing_hz, None, "Hz", limit),
            Evidence("points", float(sweep.points), None, None, float(points)),
        ),
        subjects=_about(sweep, () if row is None else (row,)),
        next_steps=(
            step(
                f"Sweep this span with {points} points or more, or in segments of {_mhz((sweep.points - 1) * limit)}."
            ),
            _again(),
        ),
    )


def carriers_below_limit(sweep: Sweep, outlook: SweepOutlook, expected: Expected) -> Iterable[Finding]:
    """Tell rows whose listed C/N is below what this sweep could show."""
    weak: list[tuple[float, float, int, float, float]] = []
    for demand in expected.demands:
        told = np.flatnonzero(np.isfinite(demand.symbol_rate_bd) & ~demand.cn_assumed)
        rate, roll_off, cn = demand.symbol_rate_bd[told], demand.roll_off[told], demand.cn_db[told]
        if told.size:  # nearly all show for certain, which is soon seen
            unsure = ~outlook.surely_shows(rate, roll_off, cn, CERTAINTY)
            told, rate, roll_off, cn = told[unsure], rate[unsure], roll_off[unsure], cn[unsure]
        if not told.size:
            continue
        probability = outlook.probability(rate, roll_off, cn)
        weak += [
            (float(probability[k]), float(cn[k]), int(demand.row[told[k]]), float(rate[k]), float(roll_off[k]))
            for k in np.flatnonzero(probability < CERTAINTY)
        ]
    if not weak:
        return
    probability_of_worst, cn_db, *_ = min(weak)
    worst = [entry[2:] for entry in weak if entry[:2] == (probability_of_worst, cn_db)]
    limits = outlook.limit_cn_db([entry[1] for entry in worst], [entry[2] for entry in worst], CERTAINTY)
    limit_db, row = min(zip(limits.tolist(), (entry[0] for entry in worst), strict=True))
    rows = sorted({entry[2] for entry in weak})
    needs = "no C/N would do" if not math.isfinite(limit_db) else f"{limit_db:.1f} dB would be needed"
    yield Finding(
        "quality.carriers_below_limit",
        "warning" if expected.sure else "note",
        f"{counted(len(rows), 'row of the table is', 'rows of the table are')} too weak for this sweep",
        f"{_named(rows).capitalize()}: with the readings that a point of this sweep holds they may not show even if "
        f"they are on air. The worst is row {row} at C/N {cn_db:.1f} dB; {needs}.",
        evidence=(
            Evidence("cn", cn_db, None, "dB", limit_db if math.isfinite(limit_db) else None),
            Evidence("probability_of_showing", probability_of_worst, None, None, CERTAINTY),
            Evidence("readings_per_point", outlook.readings),
        ),
        subjects=_about(sweep, rows),
        next_steps=(step("Average more sweeps, or sweep more slowly with the RMS detector."), _again()),
    )


def format_khz(hz: float) -> str:
    """Return a width in kHz, or MHz where that reads better, to three digits."""
    return f"{hz / 1e6:.3g} MHz" if hz >= 1e6 else f"{hz / 1e3:.3g} kHz"


# --- the analyser's own noise ----------------------------------------------------------------------------------------


def analyser_floor(measurement: Measurement, analyser_floor: Measurement, role: str) -> Iterable[Finding]:
    """Tell a floor near the analyser's own noise, known from a capture of it at the same settings."""
    floor, own = measurement.floor, analyser_floor.floor
    if role in ("analyser_floor", "terminated") or floor.density_dbm_hz is None or own.density_dbm_hz is None:
        return
    above = floor.density_dbm_hz - own.density_dbm_hz
    std = math.hypot(floor.density_std_db or 0.0, own.density_std_db or 0.0)
    if above >= _OWN_NOISE_MATTERS_DB:
        return
    nothing = above <= max(2.0 * std, 0.3)
    share = min(1.0, 10.0 ** (-above / 10.0))
    evidence = [Evidence("floor_above_own", above, std, "dB", _OWN_NOISE_MATTERS_DB)]
    if nothing:
        severity, title = "fault", "The floor is the analyser's own noise"
        words = "No noise of an LNB reaches the analyser: no supply, a broken line, or far too much loss."
    else:
        lift = -10.0 * math.log10(1.0 - share)
        severity = "warning" if above < _OWN_NOISE_RULES_DB else "note"
        title = f"The analyser's own noise lowers every C/N by {lift:.1f} dB"
        words = (
            f"The floor lies only {above:.1f} dB above the analyser's own noise, which is {100.0 * share:.0f} % of it."
        )
        evidence.append(Evidence("cn_too_low_by", lift, std * share / (1.0 - share), "dB"))
    yield Finding(
        "quality.analyser_floor",
        severity,  # type: ignore[arg-type]  # one of the three by construction
        title,
        words,
        evidence=tuple(evidence),
        subjects=Subjects(captures=(measurement.sweep.origin.file, analyser_floor.sweep.origin.file)),
        next_steps=_floor_steps(nothing),
    )


def _floor_steps(nothing: bool) -> tuple[NextStep, ...]:
    quieter = step("Lower the analyser's attenuation and switch its pre-amplifier on, then sweep both again.")
    if not nothing:
        return (step("Print floor and C/N without it: sweepmuster measure FILE --analyser-floor FLOOR_FILE."), quieter)
    return (
        step("Measure at the end of the receive cable whether the LNB's supply voltage is there."),
        step("Compare the floor with the supply on and off: it must change."),
        quieter,
    )


def nothing_as_meant(measurement: Measurement, identification: Identification, role: str) -> Iterable[Finding]:
    """Tell that a capture which is to show nothing shows nothing; there is no azimuth to check then."""
    meant = {
        "off_satellite": "the antenna points off the satellite on purpose",
        "terminated": "the line is terminated",
        "analyser_floor": "nothing is connected to the analyser",
    }.get(role)
    if meant is None or identification.verdict != "no carriers":
        return
    yield Finding(
        "quality.nothing_as_meant",
        "note",
        "No carriers, as this capture's role says it should be",
        f"Its context says {role}: {meant}. What stands in another capture and not here comes through what this one "
        "leaves out.",
        answer="yes",
        evidence=(Evidence("carriers", 0.0), Evidence("role", role)),
        subjects=_about(measurement.sweep),
    )


def analyser_floor_unknown(measurement: Measurement, no_analyser_floor: bool, role: str) -> Iterable[Finding]:
    """Tell, as a note, a floor so low that it may be the analyser's own; only a capture of that can tell."""
    density = measurement.floor.density_dbm_hz
    if not no_analyser_floor or role in ("analyser_floor", "terminated"):
        return
    if density is None or density >= _LOW_DENSITY_DBM_HZ:
        return
    yield Finding(
        "quality.analyser_floor_unknown",
        "note",
        "The floor may be the analyser's own noise",
        f"{density:.1f} dBm/Hz is little for an LNB of 50 dB gain behind a common cable (common practice, no source). "
        "C/N would then be too low. No capture of the analyser alone is at hand to tell.",
        answer="cannot_tell",
        evidence=(Evidence("floor_density", density, measurement.floor.density_std_db, "dBm/Hz", _LOW_DENSITY_DBM_HZ),),
        subjects=_about(measurement.sweep),
        next_steps=(
            step(
                "Sweep once with the same settings and a termination at the analyser's input instead of the cable, and "
                'save it with role = "analyser_floor" in its context.'
            ),
        ),
    )
