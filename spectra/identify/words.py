"""The answer in words: names, and the sentence."""

from __future__ import annotations

from dataclasses import dataclass

from spectra.finding import Answer as Verity
from spectra.finding import Evidence, Finding, NextStep, Severity, Subjects
from spectra.identify.identification import Expected, NextSweep, Thresholds
from spectra.identify.odds import Answer, Ranking
from spectra.identify.offset import Offsets
from spectra.identify.prepared import Prepared
from spectra.identify.verdict import Judgement, nearly
from spectra.units import format_value

__all__ = [
    "POLARISATION_WORDS",
    "Facts",
    "count_words",
    "decades",
    "degrees_east",
    "expected_words",
    "finding",
    "longitude_words",
    "name_of",
    "next_sweep_words",
    "sentence",
    "way_words",
]

POLARISATION_WORDS = {"H": "horizontal", "V": "vertical", "L": "left-hand circular", "R": "right-hand circular"}


@dataclass(frozen=True, slots=True)
class Facts:
    """What the words are made of."""

    prepared: Prepared
    ranking: Ranking
    judgement: Judgement
    offsets: Offsets | None
    expected: Expected
    thresholds: Thresholds
    carriers: int
    matched: int
    present: int
    absent: int
    unlisted: int
    sweep_files: tuple[str, ...]
    beams: tuple[str, ...]
    below_horizon: tuple[str, ...]
    network_id: str | None
    network_names: tuple[str, ...]
    inverted: bool = False
    second: Answer | None = None
    next_sweeps: tuple[NextSweep, ...] = ()
    aside: bool = False
    outside_if_hz: tuple[float, float] | None = None


def name_of(prepared: Prepared, answer: Answer, *, full: bool = True) -> str:
    """Return satellite, polarisation and LO state in words."""
    polarisation = POLARISATION_WORDS.get(answer.polarisation or "", "polarisation unknown")
    text = f"{answer.satellite}, {polarisation}"
    return f"{text}, LO state {prepared.state_names[answer.state][0]}" if full else text


def longitude_words(value: float | None) -> str:
    """Return an orbital longitude as printed."""
    if value is None:
        return "position not in the table"
    east = (value + 180.0) % 360.0 - 180.0
    return f"{abs(east):.1f}° {'E' if east >= 0 else 'W'}"


def sentence(facts: Facts) -> str:
    """Return the answer in one plain sentence, or two where something does not fit."""
    judgement, verdict = facts.judgement, facts.judgement.verdict
    if verdict == "no carriers":
        return "No carriers: the sweep shows nothing above its floor that could be identified."
    if verdict == "unidentified" or judgement.answer is None:
        why = "nothing in the table explains them"
        if nearly(facts.ranking, judgement, facts.thresholds):
            why = "no list of the table explains them better than a satellite outside it might"
        return (
            f"Unidentified: {count_words(facts.carriers, 'carrier')} found, but {why}"
            + (f"; expected {expected_words(facts.expected)}" if expected_words(facts.expected) else "")
            + "."
        )
    answer = judgement.answer
    name = name_of(facts.prepared, answer)
    if verdict == "contradicted":
        start = f"Contradicted: expected {expected_words(facts.expected)}, but the sweep fits {name} ({_misfit(facts)})"
    elif verdict == "ambiguous" and facts.second is not None:
        where = f"Position {longitude_words(answer.longitude_deg)} confirmed" if judgement.position_confirmed else ""
        start = (where + ", but ambiguous" if where else "Ambiguous") + (
            f": two satellites in the sweep, {name}, and {name_of(facts.prepared, facts.second)}"
        )
    elif verdict == "ambiguous":
        near = [name_of(facts.prepared, rival) for rival in judgement.rivals[:3]]
        where = (
            f"Position {longitude_words(answer.longitude_deg)} confirmed, but ambiguous"
            if judgement.position_confirmed
            else "Ambiguous"
        )
        start = f"{where}: {name}, or {', or '.join(near)}" if near else f"{where}: {name}"
    else:
        start = f"{verdict.capitalize()}: {name}" + (", spectrum inverted" if facts.inverted else "")
    if facts.second is not None and verdict != "ambiguous":
        start += f", with carriers of {name_of(facts.prepared, facts.second, full=False)} beside it"
    return f"{start}; {_lo_words(facts)}."


def next_sweep_words(sweep: NextSweep) -> str:
    """Return the sweep to take next as an instruction."""
    port = "on the port of the opposite polarisation" if sweep.opposite_port else "on the same port"
    rows = ", ".join(f"{row.rf_mhz:g} MHz (line {row.row})" for row in sweep.rows[:4])
    more = f" and {len(sweep.rows) - 4} more" if len(sweep.rows) > 4 else ""
    against = " and ".join(sweep.against) or "a satellite outside the table"
    return (
        f"Sweep {sweep.start_hz / 1e6:.0f} to {sweep.stop_hz / 1e6:.0f} MHz with an RBW of {sweep.rbw_hz / 1e3:g} kHz "
        f"in LO state {sweep.lo_state}, {port}, and explain it together with this one: about "
        f"{sweep.expected_gain_log10:.1f} decades against {against} are to be expected. Look for {rows}{more}."
    )


def count_words(number: int, noun: str) -> str:
    """Return a number and its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def expected_words(expected: Expected) -> str:
    """Return what was expected; empty where nothing was."""
    parts = [expected.satellite] if expected.satellite else []
    if expected.polarisation:
        parts.append(POLARISATION_WORDS[expected.polarisation])
    if expected.lo_state:
        parts.append(f"LO state {expected.lo_state}")
    return ", ".join(parts)


def _lo_words(facts: Facts) -> str:
    offsets = facts.offsets
    if offsets is None or facts.judgement.answer is None:
        return "the LO error could not be had"
    state = facts.prepared.states[facts.judgement.answer.state]
    error, std = offsets.lo_error_hz, offsets.lo_error_std_hz
    side = "high" if error >= 0.0 else "low"
    unit, scale = ("MHz", 1e6) if abs(error) >= 1e6 else ("kHz", 1e3)
    size = format_value(abs(error), std, unit, scale)
    if state.tolerance_hz is None:
        return f"LO is {size} {side} (no tolerance stated)"
    tolerance = f"{state.tolerance_hz / 1e3:g} kHz" if state.tolerance_hz < 1e6 else f"{state.tolerance_hz / 1e6:g} MHz"
    outside = ", outside it" if abs(error) - 2.0 * std > state.tolerance_hz else ""
    return f"LO is {size} {side} (tolerance ±{tolerance}{outside})"


def _misfit(facts: Facts) -> str:
    """Say what differs from the expectation."""
    judgement, expected = facts.judgement, facts.expected
    answer = judgement.answer
    assert answer is not None
    parts = []
    if expected.satellite is not None and answer.satellite != expected.satellite:
        step_deg = degrees_east(facts)
        parts.append("another satellite" if step_deg is None else f"{abs(step_deg):.1f}° further {way_words(step_deg)}")
    elif expected.polarisation is not None and answer.polarisation != expected.polarisation:
        parts.append("the other polarisation")
    if expected.lo_state is not None and expected.lo_state not in facts.prepared.state_names[answer.state]:
        parts.append("another LO state")
    if facts.inverted:
        parts.append("an inverted spectrum")
    return " and ".join(parts) or "another answer"


def way_words(step_deg: float) -> str:
    """Return east or west."""
    return "east" if step_deg > 0.0 else "west"


def degrees_east(facts: Facts) -> float | None:
    """Return how far east of the expected satellite the found one stands."""
    answer = facts.judgement.answer
    there = [
        each.orbital_longitude_deg
        for each in facts.prepared.table.lists
        if each.satellite == facts.expected.satellite and each.orbital_longitude_deg is not None
    ]
    if answer is None or answer.longitude_deg is None or not there:
        return None
    return float((answer.longitude_deg - there[0] + 180.0) % 360.0 - 180.0)


def finding(
    facts: Facts,
    code: str,
    severity: Severity,
    title: str,
    text: str,
    *,
    answer: Verity = "yes",
    probability: float | None = None,
    evidence: tuple[Evidence, ...] = (),
    next_steps: tuple[NextStep, ...] = (),
) -> Finding:
    """Return a finding about the sweeps of these facts."""
    return Finding(
        code=code,
        severity=severity,
        title=title,
        explanation=text,
        answer=answer,
        probability=probability,
        evidence=evidence,
        subjects=Subjects(captures=facts.sweep_files),
        next_steps=next_steps,
    )


def decades(answer: Answer, rival: Answer) -> float:
    """Return the log10 odds of one answer against another."""
    return round((answer.log_known - rival.log_known) / 2.302585093, 2)
