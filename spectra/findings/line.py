"""Rules about cable and gain: ripple of a mismatch, slope against the cable's data, level against thermal noise.

Each is a pure function of facts (`spectra.findings.facts`); its code stands in `spectra.findings.table`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Severity, Subjects, step
from spectra.findings.line_level import (
    CABLE_SLOPE_STD_DB,
    LEAST_EXCESS_SLOPE_DB,
    cable_loss_db,
    cable_slope_db,
    expected_density_dbm_hz,
    total_power_dbm,
)
from spectra.findings.line_ripple import Ripple, find_ripples, longest_line_m
from spectra.findings.line_shoulders import FALSE_ALARMS, Shoulders, beside_shoulders, find_shoulders
from spectra.findings.line_sweep import line_sweep, line_sweep_words
from spectra.units import counted, format_frequency, format_value

if TYPE_CHECKING:
    from spectra.findings.interference_causes import Unlisted
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.sweep import Sweep

__all__ = ["compression_suspected", "gain_high", "gain_low", "ripple", "ripple_not_visible", "slope"]

_COMPRESSION_DBM = -15.0
"""Power from which on an analyser's mixer is near compression (common practice, no source)."""
_LINE_DBM = -10.0  # the same for a line amplifier, whatever the analyser's attenuation (common practice, no source)
_PRODUCTS_DB = 25.0  # so far below it products of the carriers still speak for an overloaded stage
_SHOULDERS_DB = 10.0  # regrowth alone counts only so near to the limits: the uplink may have made it
_LEAST_POINTS = 401
_STRONG_RIPPLE_DB = 1.0
_NOTHING_DB = -25.0  # so far below nothing of an LNB is left
_LOW_STEPS = (
    step("Measure at the end of the receive cable whether the LNB's supply voltage is there."),
    step("Compare the floor with the supply on and off: it must change."),
    step("Sweep once with a termination at the analyser's input: a floor no higher is the analyser's own."),
)
_HIGH_STEPS = (
    step("Check line_gain_db of the receive chain against line amplifiers, splitters and pads that are really there."),
    step(
        "Raise the analyser's attenuation by 10 dB: if carriers and floor do not stay as displayed it was overloaded."
    ),
)
_LOOK_AT_CONNECTORS = step(
    "Look at the connectors, adapters and splitters at that distance from one another first: water, loose nuts, a bend."
)


def ripple(measurement: Measurement, chain: ReceiveChain) -> Iterable[Finding]:
    """Tell each periodic ripple of floor and carriers as a pair of mismatches at a distance."""
    cable = chain.cable
    factor = None if cable is None else cable.velocity_factor
    longest = longest_line_m(measurement, 0.83 if factor is None else factor)
    found = find_ripples(measurement, factor)
    if found and (shoulders := find_shoulders(measurement)):
        # floor between two shoulders swings up and down as a ripple does: what is left without them is one
        found = find_ripples(measurement, factor, leave_out=beside_shoulders(measurement, shoulders))
    for one in found:
        yield _ripple_finding(measurement, one, longest, None if cable is None else cable.length_m)


def _ripple_finding(measurement: Measurement, one: Ripple, longest_m: float, cable_m: float | None) -> Finding:
    where = format_value(one.length_m, one.length_std_m, "m")
    pair = one.pair_return_loss_db
    words = (
        f"Floor and carriers ripple by {format_value(one.peak_to_peak_db, one.peak_to_peak_std_db, 'dB')} with a "
        f"period of {format_frequency(one.period_hz, one.period_std_hz)}: two mismatches {where} apart at a velocity "
        f"factor of {one.velocity_factor:g}, whose return losses sum to {pair:.1f} dB (two of {0.5 * pair:.1f} dB, "
        "say), the loss between them counted in."
    )
    if cable_m is not None and abs(one.length_m - cable_m) < max(0.05 * cable_m, 3.0 * one.length_std_m):
        words += " That is the length of the cable: its two ends."
    evidence = (
        Evidence("period", one.period_hz, one.period_std_hz, "Hz"),
        Evidence("ripple_peak_to_peak", one.peak_to_peak_db, one.peak_to_peak_std_db, "dB"),
        Evidence("distance", one.length_m, one.length_std_m, "m", longest_m),
        Evidence("pair_return_loss", pair, None, "dB"),
        Evidence("false_alarm_probability", one.false_alarm_probability),
    )
    return Finding(
        "line.ripple",
        "warning" if one.peak_to_peak_db >= _STRONG_RIPPLE_DB else "note",
        f"Ripple of two mismatches {where} apart",
        words,
        evidence=evidence,
        subjects=Subjects(captures=(measurement.sweep.origin.file,)),
        next_steps=(
            _LOOK_AT_CONNECTORS,
            step("Put a pad of some dB into the line at the analyser's end and sweep again: the ripple must change."),
        ),
    )


def ripple_not_visible(sweep: Sweep, measurement: Measurement, chain: ReceiveChain) -> Iterable[Finding]:
    """Tell, as a note, that mismatches at the two ends of this cable cannot show in this sweep."""
    cable = chain.cable
    if cable is None:
        return
    longest = longest_line_m(measurement, cable.velocity_factor or 0.83)
    if cable.length_m <= longest:
        return
    yield Finding(
        "line.ripple_not_visible",
        "note",
        f"This sweep cannot show lines longer than {longest:.1f} m",
        f"Mismatches further apart ripple faster than 3 RBW and 4 points can follow; the cable is {cable.length_m:g} m "
        "long, so that nothing is told of its two ends.",
        answer="cannot_tell",
        evidence=(Evidence("longest_line", longest, None, "m", cable.length_m),),
        subjects=Subjects(captures=(sweep.origin.file,)),
        next_steps=(step(_that_can(sweep, chain)),),
    )


def _that_can(sweep: Sweep, chain: ReceiveChain) -> str:
    """Return the sweep that can show the cable's two ends, in words."""
    wanted = line_sweep(chain, max(sweep.points, _LEAST_POINTS))
    if wanted is not None:
        return line_sweep_words(wanted)
    return "No usual RBW is narrow enough for a cable so long: measure it in parts."


def slope(measurement: Measurement, chain: ReceiveChain) -> Iterable[Finding]:
    """Tell a floor that falls towards high IF more than the cable's own data say."""
    cable, sweep = chain.cable, measurement.sweep
    if cable is None or cable.attenuation_a is None:
        return
    low, high = max(sweep.start_hz, chain.if_min_hz), min(sweep.stop_hz, chain.if_max_hz)
    if high - low < 0.5 * (chain.if_max_hz - chain.if_min_hz) or not measurement.floor.observed.any():
        return
    seen, std = _floor_slope(measurement, low, high)
    expected = -cable_slope_db(cable, low, high)
    excess = expected - seen
    spread = math.hypot(std, CABLE_SLOPE_STD_DB)
    if excess < LEAST_EXCESS_SLOPE_DB or excess < 2.0 * spread:
        return
    yield Finding(
        "line.slope",
        "warning",
        f"The floor falls {format_value(excess, spread, 'dB')} more than the cable should make it",
        f"From {low / 1e6:.0f} to {high / 1e6:.0f} MHz it changes by {seen:.1f} dB; {cable.length_m:g} m of this "
        f"cable make {expected:.1f} dB. Water in the cable, a bad connector, a longer or another cable, or the "
        "LNB's own slope (common practice, no source).",
        evidence=(
            Evidence("slope", seen, std, "dB", expected),
            Evidence("excess_slope", excess, spread, "dB", LEAST_EXCESS_SLOPE_DB),
            Evidence("cable_loss_at_top", cable_loss_db(cable, high), None, "dB"),
        ),
        subjects=Subjects(captures=(sweep.origin.file,)),
        next_steps=(
            step(
                "Compare with the commissioning capture of the same state: an old slope is the LNB's, a new one damage."
            ),
            step("Check both ends of the receive cable for water and corrosion, then measure the cable's loss."),
        ),
    )


def _floor_slope(measurement: Measurement, low: float, high: float) -> tuple[float, float]:
    """Return floor at `high` minus at `low` by a straight line through what is seen of it, and its uncertainty."""
    import numpy as np

    f = measurement.sweep.frequency_hz
    use = measurement.floor.observed & (f >= low) & (f <= high)
    x = (f[use] - low) / (high - low)
    if use.sum() < 8 or float(np.ptp(x)) < 0.5:
        return 0.0, math.inf
    line = np.polyfit(x, measurement.floor.level_dbm[use], 1)
    return float(line[0]), max(0.3, 3.0 * float(np.median(measurement.floor.std_db[use])))


def gain_low(measurement: Measurement, chain: ReceiveChain, role: str) -> Iterable[Finding]:
    """Tell a floor far below what LNB noise through this line should give."""
    off = _level_off(measurement, chain, role)
    if off is None or off[0] > -3.0 * off[1]:
        return
    # off the satellite nothing is expected to stand above the floor
    empty = not measurement.carriers and role in ("normal", "baseline")
    dead = off[0] < _NOTHING_DB or empty
    cause = "Gain lost in LNB or cable, or a pad that the chain does not know."
    if dead:
        cause = (
            f"{'No carrier stands above it either. ' if empty else ''}An LNB without supply or dead comes first, then "
            "the wrong input, or far too much loss; what is seen may be the analyser's own noise."
        )
    elif measurement.carriers:
        cause += " Carriers are there, so the LNB has its supply. C/N suffers as far as the analyser's own noise shows."
    severity: Severity = "fault" if dead else "warning"
    yield _level_finding("line.gain_low", severity, "below", cause, measurement, off, _LOW_STEPS)


def gain_high(measurement: Measurement, chain: ReceiveChain, role: str) -> Iterable[Finding]:
    """Tell a floor far above what LNB noise through this line should give."""
    off = _level_off(measurement, chain, role)
    if off is None or off[0] < 3.0 * off[1]:
        return
    yield _level_finding(
        "line.gain_high",
        "note",
        "above",
        "More gain or more noise than the chain tells: a line amplifier, or interference over the whole band.",
        measurement,
        off,
        _HIGH_STEPS,
    )


def _level_off(measurement: Measurement, chain: ReceiveChain, role: str) -> tuple[float, float, float] | None:
    """Return floor minus expected floor in dB, its uncertainty, and the expected density; None where not to be had."""
    floor = measurement.floor
    expected = expected_density_dbm_hz(chain)
    if role in ("analyser_floor", "terminated") or expected is None or floor.density_dbm_hz is None:
        return None
    value, std = expected
    return floor.density_dbm_hz - value, math.hypot(std, floor.density_std_db or 0.5), value


def _level_finding(
    code: str,
    severity: Severity,
    side: str,
    cause: str,
    measurement: Measurement,
    off: tuple[float, float, float],
    steps: tuple[NextStep, ...],
) -> Finding:
    return Finding(
        code,
        severity,
        f"The floor is {format_value(abs(off[0]), off[1], 'dB')} {side} what LNB and line should give",
        f"Thermal noise of LNB and antenna (50 to 150 K together) through the line's gain is {off[2]:.0f} dBm/Hz; "
        f"{measurement.floor.density_dbm_hz:.1f} dBm/Hz is seen. {cause}",
        evidence=(
            Evidence(
                "floor_density",
                measurement.floor.density_dbm_hz,
                measurement.floor.density_std_db,
                "dBm/Hz",
                off[2],
            ),
            Evidence("off_expected", off[0], off[1], "dB", 3.0 * off[1]),
        ),
        subjects=Subjects(captures=(measurement.sweep.origin.file,)),
        next_steps=steps,
    )


def compression_suspected(measurement: Measurement, products: Sequence[Unlisted]) -> Iterable[Finding]:
    """Tell a total power near what overloads analysers and line amplifiers, sooner where products of carriers show.

    Shoulders beside strong carriers are a further sign and none by themselves: they count within some dB of the limits.
    The analyser's first mixer sees the power less the attenuation; where the file does not tell that, none is taken.
    """
    total = total_power_dbm(measurement)
    if total is None:
        return
    attenuation = measurement.sweep.settings.attenuation_db or 0.0
    limit = _COMPRESSION_DBM - (_PRODUCTS_DB if products else 0.0)
    if total - attenuation < limit - _SHOULDERS_DB and total < _LINE_DBM - _SHOULDERS_DB:
        return  # nor could shoulders change that
    shoulders = find_shoulders(measurement)
    if not shoulders and total - attenuation < limit and total < _LINE_DBM:
        return
    seen = " No product of the strongest carriers was found in this sweep."
    if len(products) == 1:
        seen = " 1 product of the strongest carriers stands in this sweep: some stage is overloaded already."
    elif products:
        count = len(products)
        seen = f" {count} products of the strongest carriers stand in this sweep: some stage is overloaded already."
    strongest = shoulders[:1]
    evidence = [
        Evidence("total_power", total, 1.0, "dBm", _COMPRESSION_DBM),
        Evidence("at_the_mixer", total - attenuation, 1.0, "dBm", limit),
        Evidence("products", float(len(products))),
        Evidence("carriers_with_shoulders", float(len(shoulders))),
    ]
    for one in strongest:
        evidence.append(Evidence("shoulders_below_carrier", one.level_db, one.level_std_db, "dB"))
        evidence.append(Evidence("false_alarm_probability", one.false_alarm_probability, limit=FALSE_ALARMS))
        seen += _shoulder_words(measurement, one, len(shoulders))
    carriers = (*(one.index for one in products), *(one.carrier for one in shoulders))
    yield Finding(
        "line.compression_suspected",
        "warning",
        f"{total:.0f} ± 1 dBm in the swept band may overload the analyser or a line amplifier",
        f"With {attenuation:g} dB of attenuation the analyser's mixer sees {total - attenuation:.0f} dBm. Near "
        f"compression carriers shrink, the floor rises and products of the strongest carriers appear.{seen}",
        answer="cannot_tell",
        evidence=tuple(evidence),
        subjects=Subjects(captures=(measurement.sweep.origin.file,), carriers=carriers),
        next_steps=(
            step(
                "Raise the analyser's attenuation by 10 dB: what falls by more than the rest is made in the analyser."
            ),
            step(
                "If nothing changes, put a pad of 10 dB before the line amplifier: its third-order products fall by 30."
            ),
        ),
    )


def _shoulder_words(measurement: Measurement, one: Shoulders, count: int) -> str:
    where = format_frequency(measurement.carriers[one.carrier].centre_hz, None)
    who = counted(count, "carrier has", "carriers have")
    return (
        f" {who} shoulders that fall off as third-order regrowth does, the one at {where} "
        f"{format_value(-one.level_db, one.level_std_db, 'dB')} below its plateau. The uplink's own amplifier, "
        "or noise that the transponder sends beside it, may have made them: then they are the same on every line and "
        "no pad changes them. What this line makes of "
        "them falls by three times the pad."
    )
