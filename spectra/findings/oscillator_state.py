"""The commanded LO state against the identified one: which of supply voltage and tone did not take effect, and why."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Subjects, step

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.identify.identification import Identification
    from spectra.plan.chain import LoState, ReceiveChain

__all__ = ["other_polarisation", "wrong_state"]

CUSTOMARY = (
    "customary LNBs of this kind take 11.5 to 14 V for one and 16 to 19 V for the other "
    "polarisation, changing over between "
    "15 and 15.5 V, and 22 kHz of about 0.6 V peak to peak for the high band (from memory; the "
    "terminal's own papers decide)"
)
_TOLD = ("confirmed", "probable", "contradicted")


def _states(identification: Identification, chain: ReceiveChain) -> tuple[LoState, LoState] | None:
    """Return commanded and identified state where both are known and they differ."""
    commanded = next((s for s in chain.lo_states if s.name == identification.expected.lo_state), None)
    found = next((s for s in chain.lo_states if s.name == identification.best.lo_state), None)
    if commanded is None or found is None or commanded.name == found.name or identification.verdict not in _TOLD:
        return None
    twin = commanded.lo_hz == found.lo_hz and commanded.injection == found.injection
    if twin and commanded.polarisation == found.polarisation:
        return None
    return commanded, found


def wrong_state(identification: Identification, chain: ReceiveChain, circumstances: Context) -> Iterable[Finding]:
    """Tell an LNB in another state than the commanded one, and what to look at."""
    states = _states(identification, chain)
    if states is None:
        return
    commanded, found = states
    supply = None not in (commanded.supply_v, found.supply_v) and commanded.supply_v != found.supply_v
    tone = None not in (commanded.tone_22khz, found.tone_22khz) and commanded.tone_22khz != found.tone_22khz
    words, steps = [], []
    if supply:
        text, more = _supply(commanded, found, circumstances)
        words.append(text)
        steps += more
    if tone:
        text, more = _tone(commanded, circumstances)
        words.append(text)
        steps += more
    if not supply and not tone:
        words.append("The chain does not say by which supply voltage and tone its states are selected.")
        steps.append(
            step("Write supply_v and tone_22khz of every LO state into the chain, and measure both at the LNB.")
        )
    else:
        words.append(f"For comparison only: {CUSTOMARY}.")
    what = " and ".join(name for name, differs in (("supply voltage", supply), ("tone", tone)) if differs) or "command"
    yield Finding(
        "oscillator.wrong_state",
        "fault",
        f"{commanded.name} was commanded, the LNB is in {found.name}: the {what} did not take effect",
        " ".join(words),
        evidence=(
            Evidence("commanded", commanded.name),
            Evidence("identified", found.name),
            Evidence("supply_measured", circumstances.supply_v_measured, None, "V", commanded.supply_v),
            Evidence(
                "tone_seen", None if circumstances.tone_seen is None else ("yes" if circumstances.tone_seen else "no")
            ),
            Evidence("log10_odds_next", identification.best.log10_odds_next),
        ),
        subjects=Subjects(captures=identification.sweep_files),
        next_steps=tuple(steps),
    )


def _supply(commanded: LoState, found: LoState, context: Context) -> tuple[str, list[NextStep]]:
    assert commanded.supply_v is not None and found.supply_v is not None
    measured = context.supply_v_measured
    wanted = f"{commanded.supply_v:g} V (the LNB acts as at {found.supply_v:g} V)"
    if measured is None:
        return (
            f"The chain selects {commanded.name} by {wanted}; no measured voltage is noted.",
            [step("Measure the supply voltage under load, at the source and at the LNB's end of the cable.")],
        )
    right = abs(measured - commanded.supply_v) < abs(measured - found.supply_v)
    if right:
        return (
            (
                f"The chain selects {commanded.name} by {wanted}; {measured:g} V were measured, which is "
                "right there: it is lost "
                "on the way, or the LNB does not heed it."
            ),
            [
                step(
                    "Measure the supply voltage at the LNB's end of the cable under load: a drop "
                    "points to cable, connectors or a splitter."
                ),
                step("Check that splitter and DC block in the line pass the supply of this port."),
                step("If the voltage is right at the LNB, the LNB's own switch is at fault: plan to replace the LNB."),
            ],
        )
    return (
        (
            f"The chain selects {commanded.name} by {wanted}; {measured:g} V were measured: the source "
            "does not give the voltage."
        ),
        [
            step("Check the LNB supply setting of the terminal's controller or modem, and its polarisation setting."),
            step("Check that no second receiver on a splitter holds the supply voltage."),
        ],
    )


def _tone(commanded: LoState, context: Context) -> tuple[str, list[NextStep]]:
    if commanded.tone_22khz:
        if context.tone_seen is False:
            return (
                (
                    "The 22 kHz tone that selects the state was not seen on the line: it is not "
                    "generated, or lost before that point."
                ),
                [
                    step(
                        "Check the tone setting of the controller or modem, and its tone generator, "
                        "with a meter or scope behind a DC block."
                    ),
                    step("Check splitter and DC block for passing the 22 kHz tone: many do not."),
                ],
            )
        seen = (
            "was seen on the line, so it is lost further on" if context.tone_seen else "is not noted as seen or missing"
        )
        return (
            (
                f"The 22 kHz tone that selects the state {seen}; splitters, DC blocks, wet connectors and "
                "long cables take it away."
            ),
            [
                step("Measure the 22 kHz tone at the LNB's end of the cable."),
                step("Check splitter, DC block and connectors for passing the tone."),
            ],
        )
    heard = "and a tone was seen on the line" if context.tone_seen else "though none was noted"
    return (
        f"The state wants no 22 kHz tone, {heard}: a second source on the line, or a controller that keeps it on.",
        [step("Look for a second receiver or a switch that puts a 22 kHz tone on the cable.")],
    )


def other_polarisation(
    identification: Identification, chain: ReceiveChain, circumstances: Context
) -> Iterable[Finding]:
    """Tell the right satellite in the other polarisation, where no LO state was commanded that would tell more."""
    expected, best = identification.expected, identification.best
    if (
        identification.verdict not in _TOLD
        or expected.polarisation is None
        or best.polarisation is None
        or best.polarisation == expected.polarisation
        or (expected.satellite is not None and best.satellite != expected.satellite)
        or circumstances.port == "cross"
        or _states(identification, chain) is not None
    ):
        return
    yield Finding(
        "polarisation.other_than_expected",
        "fault",
        f"The carriers are those of polarisation {best.polarisation}, {expected.polarisation} was expected",
        "The satellite is right, the polarisation is not: ports or supply voltages are exchanged, or "
        "the feed stands 90 degrees "
        "off.",
        evidence=(
            Evidence("expected", expected.polarisation),
            Evidence("identified", best.polarisation),
            Evidence("log10_odds_next", best.log10_odds_next),
        ),
        subjects=Subjects(captures=identification.sweep_files),
        next_steps=(
            step("Check which port the cable is on and which supply voltage selects which polarisation."),
            step("If both are right, check whether the feed or its transducer is turned by 90 degrees."),
        ),
    )
