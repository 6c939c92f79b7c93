"""Rules on the oscillator over two or more captures of one kind: a state that did not change, jitter, a jump."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.findings.compare_levels import IfShift, StateChange
from spectra.findings.comparison import Pair

__all__ = ["changed", "nothing_in_common", "state_did_not_change", "unstable"]

_LEAST_CARRIERS = 3
_LEVEL = 0.001


def nothing_in_common(kind: str, pairs: Sequence[Pair], captures: tuple[str, ...]) -> Iterable[Finding]:
    """Tell two captures, said to be of one thing, that share no carrier."""
    if kind not in ("before_after", "repeat"):
        return
    for other in sorted({pair.captures[1] for pair in pairs}):
        mine = [pair for pair in pairs if pair.captures[1] == other]
        here = sum(pair.reference_centre_hz is not None for pair in mine)
        there = sum(pair.other_centre_hz is not None for pair in mine)
        shared = sum(pair.reference_centre_hz is not None and pair.other_centre_hz is not None for pair in mine)
        if shared or min(here, there) < _LEAST_CARRIERS:
            continue
        names = (captures[mine[0].captures[0]], captures[other])
        yield Finding(
            "quality.nothing_in_common",
            "warning",
            f"No carrier stands at the same IF in {names[0]} and {names[1]}",
            "Captures of one state share most of their carriers. These show another satellite or polarisation, or the "
            "LNB took another LO state; changes of level cannot be told from them.",
            answer="no",
            evidence=(
                Evidence("carriers_of_the_first", float(here)),
                Evidence("carriers_of_the_other", float(there)),
                Evidence("carriers_of_both", 0.0),
            ),
            subjects=Subjects(captures=names),
            next_steps=(
                step("Identify each of the two: sweepmuster identify FILE... --table T.csv --chain C.toml."),
                step("Write the LO state and the satellite that were meant into the context of each."),
            ),
        )


def state_did_not_change(state_change: StateChange) -> Iterable[Finding]:
    """Tell two captures of different LO states that show one and the same spectrum."""
    if (
        state_change.expected_shift_hz in (None, 0.0)
        or state_change.kept < 3
        or state_change.kept <= 2 * state_change.moved
    ):
        return
    yield Finding(
        "oscillator.state_did_not_change",
        "fault",
        f"The LNB did not follow from {state_change.states[0]} to {state_change.states[1]}",
        f"{state_change.kept} carriers stand at the same IF in both captures, {state_change.moved} "
        "where the other LO would put "
        "them: supply voltage or tone did not switch the oscillator.",
        evidence=(
            Evidence("carriers_at_the_same_if", float(state_change.kept)),
            Evidence("carriers_moved", float(state_change.moved)),
            Evidence("expected_shift", state_change.expected_shift_hz, None, "Hz"),
        ),
        subjects=Subjects(captures=state_change.captures),
        next_steps=(
            step(
                "Measure supply voltage and 22 kHz tone at the LNB's end of the receive cable while "
                "both states are commanded."
            ),
            step("Check splitter and DC block in the line for passing DC and tone."),
        ),
    )


def changed(kind: str, shifts: tuple[IfShift, ...]) -> Iterable[Finding]:
    """Tell a common change of IF between before and after."""
    if kind != "before_after":
        return
    for shift in shifts:
        if shift.carriers < 2 or abs(shift.change_hz) < 3.3 * shift.std_hz:
            continue
        yield Finding(
            "oscillator.changed",
            "note",
            f"All carriers moved by {shift.change_hz / 1e3:+.0f} ± {shift.std_hz / 1e3:.0f} kHz",
            f"{shift.carriers} carriers share the change: the oscillator (on the low side it went the "
            "other way), or the "
            "analyser's reference. Two captures do not tell drift from a step; more do: sweepmuster trend.",
            evidence=(
                Evidence("if_change", shift.change_hz, shift.std_hz, "Hz"),
                Evidence("carriers", float(shift.carriers)),
            ),
            subjects=Subjects(captures=(shift.capture,)),
        )


def unstable(kind: str, shifts: tuple[IfShift, ...]) -> Iterable[Finding]:
    """Tell jitter between repeated sweeps beyond what the carriers' uncertainties allow."""
    from scipy.special import chdtrc

    if kind != "repeat" or len(shifts) < 2:
        return
    change = np.array([shift.change_hz for shift in shifts])
    std = np.array([shift.std_hz for shift in shifts])
    # all are against the same first capture, whose own error they share: their scatter about the mean is free of it
    mean = float(np.average(change, weights=std**-2.0))
    own = std / math.sqrt(2.0)
    chi2 = float(np.sum(((change - mean) / own) ** 2))
    freedom = len(shifts) - 1
    probability = float(chdtrc(freedom, chi2))
    if probability > _LEVEL:
        return
    scatter = math.sqrt(max(0.0, float(change.var(ddof=1)) - float(np.mean(own**2))))
    jumps = np.abs(np.diff(change))
    yield Finding(
        "oscillator.unstable",
        "warning",
        f"The oscillator jitters by {scatter / 1e3:.0f} kHz between sweeps",
        f"{len(shifts) + 1} sweeps taken one after the other differ by more than their uncertainty of about "
        f"{float(np.median(own)) / 1e3:.0f} kHz: phase hits, a lock that is lost at times, a "
        "reference that comes and goes, or a "
        "cold LNB still warming up.",
        probability=1.0 - probability,
        evidence=(
            Evidence("jitter", scatter, None, "Hz", float(np.median(own))),
            Evidence("largest_jump", float(jumps.max()), None, "Hz"),
            Evidence("chi_square", chi2, None, None, float(freedom)),
        ),
        subjects=Subjects(captures=tuple(shift.capture for shift in shifts)),
        next_steps=(
            step(
                "Repeat the sweeps half an hour after the LNB got its supply; if it still jitters, "
                "log an hour and look at it with sweepmuster trend."
            ),
            step("If the LNB takes an external reference, check that reference and the connectors on its way."),
        ),
    )
