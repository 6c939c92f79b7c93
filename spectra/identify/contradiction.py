"""Findings of a contradicted expectation: what fits instead, and what to try."""

from __future__ import annotations

from spectra.finding import Evidence, Finding, NextStep, step
from spectra.identify.odds import Answer
from spectra.identify.words import Facts, degrees_east, expected_words, finding, longitude_words, name_of, way_words

__all__ = ["contradictions", "inverted"]


def contradictions(facts: Facts) -> list[Finding]:
    """Say what fits instead of what was expected: another satellite, the other polarisation, another LO state."""
    judgement, expected, prepared = facts.judgement, facts.expected, facts.prepared
    answer = judgement.answer
    assert answer is not None
    evidence = odds_evidence(facts, judgement.log10_odds_against, "odds against what was expected")
    found = []
    if expected.satellite is not None and answer.satellite != expected.satellite:
        found.append(_other_satellite(facts, answer, evidence))
    elif expected.polarisation is not None and answer.polarisation != expected.polarisation:
        found.append(
            finding(
                facts,
                "identification.other_polarisation",
                "fault",
                "The other polarisation is on this port",
                f"The carriers are those of {name_of(prepared, answer)}; expected was {expected_words(expected)}. "
                "Either the ports are exchanged, the feed stands 90° off, or the LNB is switched to the other "
                "polarisation.",
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


def inverted(facts: Facts) -> Finding:
    """Tell that the carriers fit only with the spectrum turned round."""
    answer = facts.judgement.answer
    assert answer is not None
    state = facts.prepared.states[answer.state]
    return finding(
        facts,
        "identification.inverted_spectrum",
        "fault",
        "The spectrum is inverted",
        "As the chain states it nothing in the table explains the carriers; mirrored "
        f"({state.injection}-side injection, LO {state.lo_hz / 1e6:g} MHz for the same IF range) they are those of "
        f"{name_of(facts.prepared, answer)}.",
        evidence=(
            Evidence("odds against chance", round(facts.ranking.odds_none(answer), 2), unit="log10"),
            Evidence("carriers explained", facts.matched, unit=f"of {facts.carriers}"),
        ),
        next_steps=(
            step("Check the LO frequency and injection side of the chain against the label of what is fitted."),
            step("Look for a converter in the line that inverts the spectrum."),
        ),
    )


def _other_satellite(facts: Facts, answer: Answer, evidence: tuple[Evidence, ...]) -> Finding:
    step_deg = degrees_east(facts)
    where = "" if step_deg is None else f", {abs(step_deg):.1f}° {way_words(step_deg)} of it"
    steps: list[NextStep] = []
    if step_deg is not None and abs(step_deg) >= 0.3:
        back = way_words(-step_deg)
        steps.append(
            step(f"Move the antenna {abs(step_deg):.1f}° of orbital longitude back to the {back} along the arc.")
        )
    steps.append(step("Check the antenna controller's satellite setting, heading input and azimuth offset."))
    steps.append(step("Sweep the same span again afterwards and identify it before anything else."))
    more = () if step_deg is None else (Evidence("orbital longitude, found minus expected", step_deg, unit="deg"),)
    return finding(
        facts,
        "identification.other_satellite",
        "fault",
        "The antenna looks at another satellite",
        f"The carriers are those of {name_of(facts.prepared, answer)} at {longitude_words(answer.longitude_deg)}{where}"
        f"; expected was {expected_words(facts.expected)}.",
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
    return finding(
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


def odds_evidence(facts: Facts, odds: float | None, name: str) -> tuple[Evidence, ...]:
    return (
        Evidence(name, None if odds is None else round(odds, 2), unit="log10", limit=facts.thresholds.probable_next),
        Evidence("carriers explained", facts.matched, unit=f"of {facts.carriers}"),
    )
