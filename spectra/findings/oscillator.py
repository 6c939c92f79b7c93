"""Rules on the oscillator from one identification: offset, whose it is, carriers apart, mirrored spectrum."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Severity, Subjects, step
from spectra.findings.oscillator_fit import OscillatorFit
from spectra.units import format_value

if TYPE_CHECKING:
    from spectra.identify.identification import Identification
    from spectra.plan.chain import LoState, ReceiveChain

__all__ = [
    "CERTAIN",
    "beyond_probability",
    "carrier_apart",
    "doppler_bound_hz",
    "inverted_spectrum",
    "out_of_tolerance",
    "tolerance_unknown",
    "whose_error",
]

CERTAIN = 0.975
"""Probability from which on an error is told as outside (or, from the other side, inside) its tolerance."""

_LIGHT_MPS = 299_792_458.0
_FASTEST_KN = 20.0
_SATELLITE_MPS = 3.0  # radial speed of a geostationary satellite in a slightly inclined, eccentric orbit (from memory)
_KNOT_MPS = 0.514444
_DECIDES = 9.0  # difference of chi-square that tells one explanation from the other (three standard deviations)


def beyond_probability(value: float, std: float, limit: float) -> float:
    """Return the probability that a normal quantity lies outside ±limit."""
    root = std * math.sqrt(2.0)
    if root <= 0.0:
        return 1.0 if abs(value) > limit else 0.0
    return 0.5 * (math.erfc((limit - value) / root) + math.erfc((limit + value) / root))


def doppler_bound_hz(rf_hz: float, vessel_kn: float = _FASTEST_KN, satellite_mps: float = _SATELLITE_MPS) -> float:
    """Return the largest Doppler shift of vessel and satellite together, f v / c."""
    return rf_hz * (vessel_kn * _KNOT_MPS + satellite_mps) / _LIGHT_MPS


def _rows(fit: OscillatorFit) -> Subjects:
    return Subjects(captures=fit.captures, rows=tuple(d.row for d in fit.used))


def _evidence(fit: OscillatorFit) -> tuple[Evidence, ...]:
    rf = float(fit.state.rf_from_if(fit.if_reference_hz))
    limit = fit.state.tolerance_hz
    return (
        Evidence("lo_error", fit.lo_error_hz, fit.lo_error_std_hz, "Hz", limit),
        Evidence(
            "lo_error_ppm",
            fit.lo_error_ppm,
            fit.lo_error_std_hz / fit.state.lo_hz * 1e6,
            "ppm",
            None if limit is None else limit / fit.state.lo_hz * 1e6,
        ),
        Evidence("part_of_carriers", None, fit.carriers_std_hz, "Hz"),
        Evidence("part_of_table_rounding", None, fit.rows_std_hz, "Hz"),
        Evidence("part_of_analyser_reference", None, fit.reference_std_hz, "Hz"),
        Evidence("carriers", float(len(fit.used))),
        Evidence("doppler_at_most", doppler_bound_hz(rf), None, "Hz"),
    )


def _doppler(fit: OscillatorFit) -> str:
    bound = doppler_bound_hz(float(fit.state.rf_from_if(fit.if_reference_hz)))
    if bound < 0.3 * fit.lo_error_std_hz:
        return f"Doppler is at most {bound:.0f} Hz at {_FASTEST_KN:g} knots and does not matter. "
    return f"Doppler can be up to {bound:.0f} Hz at {_FASTEST_KN:g} knots, which matters at this certainty. "


def out_of_tolerance(oscillator: OscillatorFit, finer_sweep: Callable[[], tuple[NextStep, ...]]) -> Iterable[Finding]:
    """Hold the LO error against the tolerance of its LO state: outside, inside, or this sweep cannot tell.

    `finer_sweep` works out the sweep that could; it is asked where this one cannot.
    """
    tolerance = oscillator.state.tolerance_hz
    if tolerance is None:
        return
    error, std = oscillator.lo_error_hz, oscillator.lo_error_std_hz
    probability = beyond_probability(error, std, tolerance)
    value = format_value(error, std, "kHz", 1e3)
    limit = f"±{tolerance / 1e3:g} kHz"
    severity: Severity = "note"
    steps: tuple[NextStep, ...] = ()
    if probability >= CERTAIN:
        answer, severity = "yes", "warning"
        title = f"The oscillator of {oscillator.state.name} is outside its tolerance: {value} of {limit}"
        words = "All matched carriers share it."
        steps = (
            step("Sweep again when the LNB has been under supply for an hour; compare with the last visit."),
            step("If the LNB takes an external reference, check that reference first; else plan to replace the LNB."),
            step("Until then set the modem's acquisition range (or the LO frequency in its settings) to this error."),
        )
    elif probability <= 1.0 - CERTAIN:
        answer = "no"
        title = f"The oscillator of {oscillator.state.name} is within its tolerance: {value} of {limit}"
        words = "All matched carriers share it."
    else:
        answer = "cannot_tell"
        title = f"Whether {oscillator.state.name} is within {limit} cannot be told from this: {value}"
        words = f"With probability {probability:.2f} it is outside."
        steps = finer_sweep()
    yield Finding(
        "oscillator.out_of_tolerance",
        severity,
        title,
        f"{words} Of the uncertainty, {oscillator.carriers_std_hz / 1e3:.3g} kHz come from the carriers, "
        f"{oscillator.rows_std_hz / 1e3:.3g} kHz from the rounding and differences of the listed frequencies, "
        f"{oscillator.reference_std_hz / 1e3:.3g} kHz from the analyser's reference. {_doppler(oscillator)}".rstrip(),
        answer=answer,  # type: ignore[arg-type]  # one of the three by construction
        probability=probability,
        evidence=_evidence(oscillator),
        subjects=_rows(oscillator),
        next_steps=steps,
    )


def tolerance_unknown(oscillator: OscillatorFit) -> Iterable[Finding]:
    """Tell the LO error of a state whose chain states no tolerance."""
    if oscillator.state.tolerance_hz is not None:
        return
    value = format_value(oscillator.lo_error_hz, oscillator.lo_error_std_hz, "kHz", 1e3)
    yield Finding(
        "oscillator.tolerance_unknown",
        "note",
        f"LO error {value}; the chain states no tolerance for {oscillator.state.name}",
        "Whether that is much depends on the LNB: some kHz for one with a phase-locked loop, a MHz and more for a "
        "free-running one (common practice, no source).",
        answer="cannot_tell",
        evidence=_evidence(oscillator),
        subjects=_rows(oscillator),
        next_steps=(step("Write tolerance_khz of the LNB's data sheet into the chain's LO states."),),
    )


def whose_error(oscillator: OscillatorFit) -> Iterable[Finding]:
    """Tell whether the departure is the LNB's (constant over IF) or the analyser reference's (proportional to it)."""
    offset_hz = abs(
        oscillator.state.sign * oscillator.lo_error_hz - oscillator.analyser_ppm * oscillator.if_reference_hz * 1e-6
    )
    total_std = math.hypot(oscillator.carriers_std_hz, oscillator.rows_std_hz)
    if offset_hz < 3.0 * total_std:
        return  # no departure, nobody's error
    gain = oscillator.chi2_proportional - oscillator.chi2_constant
    needed = abs(oscillator.proportional_ppm)
    prior = oscillator.reference_prior_ppm
    source = "as stated" if oscillator.reference_stated else "taken, the chain states none"
    evidence = (
        Evidence("chi_square_constant", oscillator.chi2_constant, None, None, float(len(oscillator.used))),
        Evidence("chi_square_proportional", oscillator.chi2_proportional, None, None, float(len(oscillator.used))),
        Evidence("reference_error_if_proportional", oscillator.proportional_ppm, None, "ppm", prior),
        Evidence("reference_error_of_this_sweep", oscillator.free_ppm, oscillator.free_ppm_std, "ppm", prior),
    )
    if gain > _DECIDES:
        whose, answer, severity = "LNB", "yes", "note"
        words = "The departure is the same at every IF, as an oscillator's is."
    elif gain < -_DECIDES:
        whose, answer, severity = "analyser", "no", "warning"
        words = "The departure grows in proportion to the IF, as that of the analyser's reference does."
    elif needed > 5.0 * prior:
        whose, answer, severity = "LNB", "yes", "note"
        words = (
            "The span alone does not tell constant from proportional, but the analyser's reference "
            "would have to be off "
            f"by {needed:.3g} ppm where {prior:g} ppm is its uncertainty ({source})."
        )
    else:
        yield Finding(
            "oscillator.whose_error",
            "note",
            "Whether LNB or analyser is off cannot be told from this span",
            f"The carriers span too little IF, and {needed:.3g} ppm is not beyond the analyser's "
            f"reference ({prior:g} ppm {source}).",
            answer="cannot_tell",
            evidence=evidence,
            subjects=_rows(oscillator),
            next_steps=(
                step(
                    "Sweep carriers at both ends of the IF, or give the analyser an external 10 MHz "
                    "reference, and identify again."
                ),
            ),
        )
        return
    steps = (
        (step("Check the analyser against a reference of known frequency before any LNB is blamed."),)
        if whose == "analyser"
        else ()
    )
    yield Finding(
        "oscillator.whose_error",
        severity,  # type: ignore[arg-type]  # a severity by construction
        f"The frequency error is the {whose}'s" + (" reference" if whose == "analyser" else " oscillator"),
        words,
        answer=answer,  # type: ignore[arg-type]  # yes or no
        evidence=evidence,
        subjects=_rows(oscillator),
        next_steps=steps,
    )


def carrier_apart(oscillator: OscillatorFit) -> Iterable[Finding]:
    """Tell carriers that do not share the common departure; they have not pulled it."""
    for d in oscillator.outliers:
        common = -oscillator.state.sign * oscillator.lo_error_hz + oscillator.analyser_ppm * d.if_hz * 1e-6
        apart = d.offset_hz - common
        std = math.sqrt(d.carrier_std_hz**2 + d.rounding_std_hz**2 + oscillator.excess_hz**2)
        yield Finding(
            "oscillator.carrier_apart",
            "note",
            f"Row {d.row} does not share the common offset: {apart / 1e3:+.0f} kHz apart",
            f"The carrier at {d.if_hz / 1e6:.3f} MHz was left out of the LO error. It has moved, its "
            "row is wrong, or it is "
            "another carrier than the one listed.",
            evidence=(Evidence("apart", apart, std, "Hz", 4.0 * std),),
            subjects=Subjects(captures=(d.capture,), rows=(d.row,)),
            next_steps=(step(f"Check the frequency of row {d.row} against the operator's present list."),),
        )


def inverted_spectrum(identification: Identification, chain: ReceiveChain) -> Iterable[Finding]:
    """Tell a spectrum that lies the other way round than the chain's injection side says."""
    best = identification.best
    state = next((s for s in chain.lo_states if s.name == best.lo_state), None)
    if state is None or best.injection is None or best.injection == state.injection:
        return
    yield Finding(
        "oscillator.inverted_spectrum",
        "fault",
        f"The spectrum is {'mirrored' if best.injection == 'high' else 'not mirrored'}, against what the chain says",
        f"The carriers fit {best.satellite} with the LO on the {best.injection} side; the chain says "
        f"{state.injection} side for "
        f"{state.name}. Frequencies read with the chain's side are wrong, above all away from the middle.",
        evidence=(
            Evidence("injection_found", best.injection),
            Evidence("log10_odds_next", best.log10_odds_next),
        ),
        subjects=Subjects(captures=identification.sweep_files),
        next_steps=(
            step(
                f"Check the LNB's LO frequency; if its label agrees, write injection {best.injection} into the chain."
            ),
        ),
    )


def same_state(one: LoState, other: LoState) -> bool:
    """Say whether two states put every RF at the same IF."""
    return one.lo_hz == other.lo_hz and one.injection == other.injection
