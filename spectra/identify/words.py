"""The answer in words: the sentence, and findings with what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.identify.identification import Expected, Thresholds
from spectra.identify.model import DEFAULT_TOLERANCE_HZ
from spectra.identify.odds import Answer, Ranking, same_position
from spectra.identify.offset import Offsets
from spectra.identify.prepared import Prepared
from spectra.identify.verdict import Judgement
from spectra.units import format_value

__all__ = ["Facts", "findings", "name_of", "sentence"]

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


def name_of(prepared: Prepared, answer: Answer, *, full: bool = True) -> str:
    """Return satellite, polarisation and LO state in words."""
    polarisation = POLARISATION_WORDS.get(answer.polarisation or "", "polarisation unknown")
    text = f"{answer.satellite}, {polarisation}"
    return f"{text}, LO state {prepared.state_names[answer.state][0]}" if full else text


def _longitude(value: float | None) -> str:
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
        return (
            f"Unidentified: {_count(facts.carriers, 'carrier')} found, but nothing in the table explains them"
            + (f"; expected {_expected(facts.expected)}" if _expected(facts.expected) else "")
            + "."
        )
    answer = judgement.answer
    name = name_of(facts.prepared, answer)
    if verdict == "contradicted":
        start = f"Contradicted: expected {_expected(facts.expected)}, but the sweep fits {name} ({_misfit(facts)})"
    elif verdict == "ambiguous":
        near = [name_of(facts.prepared, rival) for rival in judgement.rivals[:3]]
        where = (
            f"Position {_longitude(answer.longitude_deg)} confirmed, but ambiguous"
            if judgement.position_confirmed
            else "Ambiguous"
        )
        start = f"{where}: {name}, or {', or '.join(near)}" if near else f"{where}: {name}"
    else:
        start = f"{verdict.capitalize()}: {name}"
    return f"{start}; {_lo_words(facts)}."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _expected(expected: Expected) -> str:
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
        step_deg = _degrees_east(facts)
        parts.append("another satellite" if step_deg is None else f"{abs(step_deg):.1f}° further {_way(step_deg)}")
    elif expected.polarisation is not None and answer.polarisation != expected.polarisation:
        parts.append("the other polarisation")
    if expected.lo_state is not None and expected.lo_state not in facts.prepared.state_names[answer.state]:
        parts.append("another LO state")
    return " and ".join(parts) or "another answer"


def _way(step_deg: float) -> str:
    return "east" if step_deg > 0.0 else "west"


def _degrees_east(facts: Facts) -> float | None:
    """How far east of the expected satellite the found one stands."""
    answer = facts.judgement.answer
    there = [
        each.orbital_longitude_deg
        for each in facts.prepared.table.lists
        if each.satellite == facts.expected.satellite and each.orbital_longitude_deg is not None
    ]
    if answer is None or answer.longitude_deg is None or not there:
        return None
    return float((answer.longitude_deg - there[0] + 180.0) % 360.0 - 180.0)


def findings(facts: Facts) -> tuple[Finding, ...]:
    """Return what is worth telling besides the verdict, in order."""
    found: list[Finding] = []
    verdict = facts.judgement.verdict
    if verdict == "contradicted":
        found.extend(_contradictions(facts))
    elif verdict == "ambiguous":
        found.append(_ambiguous(facts))
    elif verdict == "unidentified":
        found.append(_unidentified(facts))
    elif verdict == "no carriers":
        found.append(_no_carriers(facts))
    elif verdict == "probable":
        found.append(_probable(facts))
    if verdict not in ("unidentified", "no carriers"):
        found.extend(_rejected(facts))
        found.extend(_beams(facts))
    found.extend(_assumptions(facts))
    return tuple(found)


def _finding(facts: Facts, code: str, severity: str, title: str, text: str, **more: object) -> Finding:
    return Finding(
        code=code,
        severity=severity,  # type: ignore[arg-type]  # callers write one of the three words
        title=title,
        explanation=text,
        subjects=Subjects(captures=facts.sweep_files),
        **more,  # type: ignore[arg-type]  # passed on unchanged to Finding's own fields
    )


def _odds_evidence(facts: Facts, odds: float | None, name: str) -> tuple[Evidence, ...]:
    return (
        Evidence(name, None if odds is None else round(odds, 2), unit="log10", limit=facts.thresholds.probable_next),
        Evidence("carriers explained", facts.matched, unit=f"of {facts.carriers}"),
    )


def _contradictions(facts: Facts) -> list[Finding]:
    judgement, expected, prepared = facts.judgement, facts.expected, facts.prepared
    answer = judgement.answer
    assert answer is not None
    evidence = _odds_evidence(facts, judgement.log10_odds_against, "odds against what was expected")
    found = []
    if expected.satellite is not None and answer.satellite != expected.satellite:
        found.append(_other_satellite(facts, answer, evidence))
    elif expected.polarisation is not None and answer.polarisation != expected.polarisation:
        found.append(
            _finding(
                facts,
                "identification.other_polarisation",
                "fault",
                "The other polarisation is on this port",
                f"The carriers are those of {name_of(prepared, answer)}; expected was {_expected(expected)}. Either the "
                "ports are exchanged, the feed stands 90° off, or the LNB is switched to the other polarisation.",
                evidence=evidence,
                next_steps=(
                    step("Check that the analyser is on the port that was meant."),
                    step("Check the supply voltage at the LNB where it selects the polarisation."),
                    step("Compare the feed's skew with the one calculated for this position."),
                ),
            )
        )
    if expected.lo_state is not None and expected.lo_state not in prepared.state_names[answer.state]:
        found.append(_other_state(facts, answer, evidence))
    return found


def _other_satellite(facts: Facts, answer: Answer, evidence: tuple[Evidence, ...]) -> Finding:
    step_deg = _degrees_east(facts)
    where = "" if step_deg is None else f", {abs(step_deg):.1f}° {_way(step_deg)} of it"
    steps: list[NextStep] = []
    if step_deg is not None and abs(step_deg) >= 0.3:
        back = _way(-step_deg)
        steps.append(
            step(f"Move the antenna {abs(step_deg):.1f}° of orbital longitude back to the {back} along the arc.")
        )
    steps.append(step("Check the antenna controller's satellite setting, heading input and azimuth offset."))
    steps.append(step("Sweep the same span again afterwards and identify it before anything else."))
    more = () if step_deg is None else (Evidence("orbital longitude, found minus expected", step_deg, unit="deg"),)
    return _finding(
        facts,
        "identification.other_satellite",
        "fault",
        "The antenna looks at another satellite",
        f"The carriers are those of {name_of(facts.prepared, answer)} at {_longitude(answer.longitude_deg)}{where}; "
        f"expected was {_expected(facts.expected)}.",
        evidence=evidence + more,
        next_steps=tuple(steps),
    )


def _other_state(facts: Facts, answer: Answer, evidence: tuple[Evidence, ...]) -> Finding:
    prepared = facts.prepared
    found = prepared.states[answer.state]
    commanded = next(
        (s for s, names in zip(prepared.states, prepared.state_names, strict=True) if facts.expected.lo_state in names),
        None,
    )
    causes = []
    if commanded is not None and commanded.tone_22khz is not None and commanded.tone_22khz != found.tone_22khz:
        causes.append(
            "the 22 kHz tone is not reaching the LNB"
            if commanded.tone_22khz
            else "a 22 kHz tone reaches the LNB that should not"
        )
    if commanded is not None and commanded.supply_v is not None and commanded.supply_v != found.supply_v:
        causes.append(f"the supply at the LNB is not {commanded.supply_v:g} V")
    because = "; probably " + " and ".join(causes) if causes else ": tone or supply may not be reaching the LNB"
    return _finding(
        facts,
        "identification.other_lo_state",
        "fault",
        "The LNB is in another LO state than commanded",
        f"The carriers sit where LO state {prepared.state_names[answer.state][0]} ({found.lo_hz / 1e6:g} MHz) puts "
        f"them, not where {facts.expected.lo_state} would{because}.",
        evidence=evidence,
        next_steps=(
            step("Measure the supply voltage and look for the 22 kHz tone at the LNB end of the cable."),
            step("Check splitters, the DC block and the line amplifier: each may stop the tone or the supply."),
        ),
    )


def _ambiguous(facts: Facts) -> Finding:
    judgement, prepared = facts.judgement, facts.prepared
    answer = judgement.answer
    assert answer is not None
    names = [name_of(prepared, rival) for rival in judgement.rivals]
    here = all(same_position(answer, rival) for rival in judgement.rivals)
    steps = [step("Take a sweep of the rest of the IF range and explain both together.")]
    if any(rival.satellite == answer.satellite for rival in judgement.rivals):
        steps.append(step("Sweep with the other LO state or polarisation and explain both together."))
    return _finding(
        facts,
        "identification.ambiguous",
        "warning",
        "Several answers fit" + (" at one orbital position" if here else ""),
        f"{name_of(prepared, answer)} fits, and so does {', or '.join(names[:4]) or 'another answer'}: within "
        f"{facts.thresholds.confirmed_next:g} decades of odds this sweep cannot part them.",
        answer="cannot_tell",
        probability=facts.ranking.probability(answer),
        evidence=tuple(
            Evidence(f"odds against {rival.satellite}/{rival.polarisation}", _decades(answer, rival), unit="log10")
            for rival in judgement.rivals[:9]
        ),
        next_steps=tuple(steps),
    )


def _decades(answer: Answer, rival: Answer) -> float:
    return round((answer.log_known - rival.log_known) / 2.302585093, 2)


def _probable(facts: Facts) -> Finding:
    judgement, thresholds = facts.judgement, facts.thresholds
    answer = judgement.answer
    assert answer is not None
    short = []
    if facts.ranking.odds_none(answer) < thresholds.confirmed_none:
        short.append("too few carriers to exclude chance")
    if facts.ranking.odds_kin(answer) < thresholds.confirmed_kin:
        short.append("too many listed carriers silent or too many carriers unlisted")
    following = facts.ranking.odds_next(answer)
    if following is not None and following < thresholds.confirmed_next:
        short.append(
            f"{name_of(facts.prepared, judgement.rivals[0])} is too near behind"
            if judgement.rivals
            else "a rival is too near"
        )
    return _finding(
        facts,
        "identification.not_confirmed",
        "note",
        "Probable, not confirmed",
        f"What is missing: {'; '.join(short) or 'a margin'}.",
        probability=facts.ranking.probability(answer),
        next_steps=(step("Sweep a wider or another part of the IF range and explain both together."),),
    )


def _unidentified(facts: Facts) -> Finding:
    return _finding(
        facts,
        "identification.unidentified",
        "warning",
        "Nothing in the table explains the carriers",
        f"{_count(facts.carriers, 'carrier')} found; the best list of the table explains {facts.matched} of them, "
        "which chance or a satellite with a similar plan does as well.",
        answer="no",
        evidence=(Evidence("carriers explained", facts.matched, unit=f"of {facts.carriers}"),),
        next_steps=(
            step("Check that the table holds the satellite that is meant, and that its rows are up to date."),
            step("Check the chain's LO frequencies and injection side against the label of what is fitted."),
            step("Take a wider or a finer sweep and identify again."),
        ),
    )


def _no_carriers(facts: Facts) -> Finding:
    return _finding(
        facts,
        "identification.no_carriers",
        "warning",
        "No carriers found",
        "Nothing stands above the floor: the antenna looks at no satellite, or no signal reaches the analyser.",
        answer="cannot_tell",
        next_steps=(
            step("Compare the floor with a sweep of the analyser alone: equal floors mean an LNB without supply."),
            step("Check the antenna's azimuth and elevation against the calculated look angles."),
        ),
    )


def _rejected(facts: Facts) -> list[Finding]:
    """Neighbours that were considered and do not fit are evidence for what does."""
    answer = facts.judgement.answer
    assert answer is not None
    others = []
    for other in facts.ranking.answers:
        if (
            other.satellite != answer.satellite
            and not same_position(other, answer)
            and _decades(answer, other) >= facts.thresholds.confirmed_next
        ):
            if other.satellite not in {each.satellite for each in others}:
                others.append(other)
    if answer.longitude_deg is not None:
        here = answer.longitude_deg
        others = [each for each in others if each.longitude_deg is not None]
        others.sort(key=lambda each: abs((each.longitude_deg - here + 180.0) % 360.0 - 180.0))  # type: ignore[operator]  # None left out just above
    if not others or facts.judgement.verdict == "ambiguous":
        return []
    return [
        _finding(
            facts,
            "identification.rejected_neighbours",
            "note",
            "Neighbours considered and rejected",
            "; ".join(f"{each.satellite} ({_longitude(each.longitude_deg)})" for each in others[:4]) + " do not fit.",
            answer="no",
            evidence=tuple(
                Evidence(f"odds against {each.satellite}", _decades(answer, each), unit="log10") for each in others[:4]
            ),
        )
    ]


def _beams(facts: Facts) -> list[Finding]:
    if len(facts.beams) < 2:
        return []
    return [
        _finding(
            facts,
            "identification.beam_open",
            "note",
            "The beam is not decided",
            f"Beams {', '.join(facts.beams)} fit about equally well.",
            answer="cannot_tell",
        )
    ]


def _assumptions(facts: Facts) -> Sequence[Finding]:
    found = []
    silent = [s.name for s in facts.prepared.states if s.tolerance_hz is None]
    if silent:
        found.append(
            _finding(
                facts,
                "identification.tolerance_assumed",
                "note",
                "LO tolerance assumed",
                f"The chain states no tolerance for {', '.join(silent)}; ±{DEFAULT_TOLERANCE_HZ / 1e6:g} MHz is assumed "
                "(common practice).",
                evidence=(Evidence("assumed tolerance", DEFAULT_TOLERANCE_HZ, unit="Hz"),),
            )
        )
    if facts.below_horizon:
        found.append(
            _finding(
                facts,
                "identification.below_horizon",
                "note",
                "Satellites below the horizon left out",
                f"From the stated position {_count(len(facts.below_horizon), 'satellite')} of the table cannot be seen and "
                f"was not considered: {', '.join(facts.below_horizon[:8])}"
                + (" and others." if len(facts.below_horizon) > 8 else "."),
            )
        )
    answer = facts.judgement.answer
    if facts.network_names and answer is not None and facts.judgement.verdict not in ("unidentified", "no carriers"):
        fits = answer.satellite in facts.network_names
        found.append(
            _finding(
                facts,
                "identification.network_id",
                "note" if fits else "warning",
                "The reported network id " + ("agrees" if fits else "belongs to another satellite"),
                f"The terminal reports network id {facts.network_id}, which the table gives for "
                f"{', '.join(facts.network_names)}.",
                answer="yes" if fits else "no",
            )
        )
    return found
