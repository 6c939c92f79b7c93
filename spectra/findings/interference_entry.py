"""Rules over sets of captures: which way an interferer comes in, when it is there, and aboard whom."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.findings.bands import OWN_RADAR_HZ, services_at
from spectra.findings.emissions import Emission, Emissions, Look
from spectra.findings.interference import service_steps, service_words
from spectra.findings.interference_products import binomial_tail
from spectra.findings.interference_sets import (
    CHANCE,
    Entry,
    Occurrence,
    duration_words,
    entry_of,
    hours_words,
    occurrence,
)
from spectra.units import counted, format_frequency

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = [
    "aboard_one_vessel",
    "comes_and_goes",
    "emission_findings",
    "enters_by_antenna",
    "enters_by_cable",
    "from_the_satellite",
    "not_from_the_satellite",
    "on_both_ports",
    "radar_spikes",
    "with_heading",
]

_SPIKE_HZ = 3e6  # wider is no pulse in one point
_SURE = 2.0  # log10 odds from which on a way in is told without an if
_CABLE_STEPS = (
    step("Terminate the receive cable at the antenna end (load and DC block): what stays is picked up by the cable."),
    step("Look at the connectors nearest the suspected transmitter first, then at splitters and the shield's ends."),
)


def emission_findings(
    captures: Sequence[Capture],
    *,
    table: CarrierTable | None = None,
    chain: ReceiveChain | None = None,
    measurements: Sequence[Sequence[Measurement]] | None = None,
    identifications: Sequence[Identification | None] | None = None,
) -> tuple[Emissions, tuple[Finding, ...]]:
    """Follow interferers through captures and return the log with what it tells; arguments as for `follow`."""
    from spectra.finding import run_rules
    from spectra.findings.interference_sets import follow
    from spectra.findings.table import SET_RULES

    log = follow(captures, measurements=measurements, identifications=identifications, table=table, chain=chain)
    return log, run_rules(SET_RULES, {"emissions": log})


def _place(emission: Emission) -> str:
    return format_frequency(emission.if_hz, emission.frequency_std_hz if emission.frame == "if" else None)


def _rf_of(emission: Emission) -> tuple[float | None, float | None]:
    """Return the RF that one sighting tells best, and its uncertainty."""
    one = min(emission.sightings, key=lambda s: s.rf_std_hz or math.inf)
    return one.rf_hz, one.rf_std_hz


def _subjects(emission: Emission, log: Emissions) -> Subjects:
    return Subjects(captures=tuple(dict.fromkeys(log.looks[s.look].name for s in emission.sightings)))


def _cost(emission: Emission) -> tuple[str, tuple[Evidence, ...]]:
    losses = [s.loss_db for s in emission.sightings if s.loss_db is not None]
    if not losses:
        return "", ()
    worst = max(losses)
    return f" It costs the carrier it stands on up to {worst:.1f} dB.", (Evidence("es_n0_loss", worst, None, "dB"),)


def _common(emission: Emission) -> tuple[Evidence, ...]:
    return (
        Evidence("if", emission.if_hz, None, "Hz"),
        Evidence("power", emission.power_dbm, emission.power_std_db, "dBm"),
        Evidence("seen", float(len({s.look for s in emission.sightings}))),
        Evidence("looked", float(len(emission.looks))),
    )


def enters_by_cable(emissions: Emissions) -> Iterable[Finding]:
    """Tell what kept its IF while the LO moved."""
    for emission in emissions.emissions:
        entry = entry_of(emission, emissions)
        if entry.way == "cable":
            services = services_at(emission.if_hz)
            words, cost = _cost(emission)
            yield _entry_finding(
                "interference.enters_by_cable",
                f"The signal at {_place(emission)} IF enters by the cable",
                f"{entry.why}{words}{service_words(services, by_cable=True)}",
                (*service_steps(services), *_CABLE_STEPS),
                entry,
                (emission, emissions),
                cost,
            )


def enters_by_antenna(emissions: Emissions) -> Iterable[Finding]:
    """Tell what kept its RF while the LO moved."""
    for emission in emissions.emissions:
        entry = entry_of(emission, emissions)
        if entry.way == "antenna":
            words, cost = _cost(emission)
            place = (emission.frequency_hz, emission.frequency_std_hz)
            rf, rf_std = place if emission.frame == "rf" else _rf_of(emission)
            yield _entry_finding(
                "interference.enters_by_antenna",
                f"The signal at {_place(emission)} IF comes through the antenna",
                f"{entry.why} Its RF is {format_frequency(rf, rf_std)}.{words}",
                (step("Point off the satellite with the operator's leave: what stays is terrestrial or aboard."),),
                entry,
                (emission, emissions),
                cost,
            )


def _entry_finding(
    code: str,
    title: str,
    words: str,
    steps: Sequence[NextStep],
    entry: Entry,
    of: tuple[Emission, Emissions],
    more: Sequence[Evidence],
) -> Finding:
    emission, log = of
    sure = entry.log10_odds >= _SURE
    return Finding(
        code,
        "warning" if sure else "note",
        title if sure else title + ", if it is steady",
        words,
        answer="yes" if sure else "cannot_tell",
        evidence=(*_common(emission), Evidence("log10_odds", entry.log10_odds), *more),
        subjects=_subjects(emission, log),
        next_steps=tuple(steps),
    )


def not_from_the_satellite(emissions: Emissions) -> Iterable[Finding]:
    """Tell what stays when the antenna looks off the satellite."""
    for emission in emissions.emissions:
        off = [s for s in emission.sightings if not emissions.looks[s.look].on_satellite]
        on = [s for s in emission.sightings if emissions.looks[s.look].on_satellite]
        if off and on:
            yield Finding(
                "interference.not_from_the_satellite",
                "warning",
                f"The signal at {_place(emission)} IF stays when the antenna looks off the satellite",
                "It is terrestrial or aboard." + service_words(services_at(emission.if_hz)),
                evidence=_common(emission),
                subjects=_subjects(emission, emissions),
                next_steps=(*service_steps(services_at(emission.if_hz)), _CABLE_STEPS[0]),
            )


def comes_and_goes(emissions: Emissions) -> Iterable[Finding]:
    """Tell how often an interferer is there, and whether it keeps a period or a time of day."""
    for emission in emissions.emissions:
        told = occurrence(emission, emissions)
        if told.looked < 5 or told.seen == told.looked or told.seen < 2:
            continue
        words = (
            f"It was there in {told.seen} of {told.looked} captures: {100 * told.duty:.0f} % "
            f"({100 * told.duty_low:.0f} to {100 * told.duty_high:.0f} %)."
        )
        evidence = [*_common(emission), Evidence("duty", told.duty, 0.25 * (told.duty_high - told.duty_low))]
        daily = told.daily_chance is not None and told.daily_chance < CHANCE
        # sweeps taken at chosen times of day make other periods look as good as the day: the plainer one is told
        if told.period_s is not None and not (daily and (told.daily_chance or 0.0) < 1e3 * (told.period_chance or 0.0)):
            words += f" It comes back every {duration_words(told.period_s, told.period_std_s)}."
            evidence.append(Evidence("period", told.period_s, told.period_std_s, "s"))
        if daily and told.hours is not None:
            words += f" It keeps to a time of day: from {hours_words(told.hours)}."
            evidence.append(Evidence("chance_time_of_day", told.daily_chance))
        yield Finding(
            "interference.comes_and_goes",
            "note",
            f"The signal at {_place(emission)} IF comes and goes",
            words,
            evidence=tuple(evidence),
            subjects=_subjects(emission, emissions),
            next_steps=(step("Write down what runs aboard when it is there: times, watches, radio traffic, heading."),),
        )


def with_heading(emissions: Emissions) -> Iterable[Finding]:
    """Tell an interferer whose presence goes with the ship's heading."""
    for emission in emissions.emissions:
        told: Occurrence = occurrence(emission, emissions)
        if told.heading_chance is None or told.heading_chance >= CHANCE or told.headings_deg is None:
            continue
        start, stop = told.headings_deg
        both = told.daily_chance is not None and told.daily_chance < CHANCE
        yield Finding(
            "interference.with_heading",
            "warning",
            f"The signal at {_place(emission)} IF goes with the heading",
            f"It was seen on headings from {start:.0f} to {stop:.0f} degrees only, in {told.seen} of {told.looked} "
            "captures. That speaks for a source in one direction, ashore or on deck, rather than for the cable."
            + (" Heading and time of day went together in these captures: they cannot part the two." if both else ""),
            answer="cannot_tell" if both else "yes",
            evidence=(
                *_common(emission),
                Evidence("chance_heading", told.heading_chance),
                Evidence("heading_start", start, None, "deg"),
                Evidence("heading_stop", stop, None, "deg"),
            ),
            subjects=_subjects(emission, emissions),
            next_steps=(step("Note heading and position with each capture, and look where those bearings cross."),),
        )


def radar_spikes(emissions: Emissions) -> Iterable[Finding]:
    """Tell lone spikes, at another place in each sweep, that crowd where the ship's radar falls by the LO's image.

    Image of a low-side LO: IF = LO - RF (derived). Crowding is judged against the rest of the spans by a binomial tail.
    """
    inside, outside, width, rest = [], 0, 0.0, 0.0
    for look in emissions.looks:
        low, high = _radar_band(look)
        width += high - low
        rest += look.stop_hz - look.start_hz - (high - low)
    for emission in emissions.emissions:
        if len(emission.sightings) != 1 or emission.width_hz > _SPIKE_HZ:
            continue
        look = emissions.looks[emission.sightings[0].look]
        low, high = _radar_band(look)
        if low < emission.if_hz < high:
            inside.append(emission)
        else:
            outside += 1
    if len(inside) < 4 or len({e.sightings[0].look for e in inside}) < 2:
        return
    chance = binomial_tail(len(inside), len(inside) + outside, width / max(width + rest, 1.0))
    if chance >= CHANCE:
        return
    captures = tuple(dict.fromkeys(emissions.looks[e.sightings[0].look].name for e in inside))
    yield Finding(
        "interference.radar_spikes",
        "warning",
        f"{len(inside)} spikes that move from sweep to sweep, where the ship's radar falls",
        "X-band marine radar (9.3 to 9.5 GHz) reaches these IFs by the image of the LO; pulses look like lone spikes.",
        evidence=(
            Evidence("spikes", float(len(inside))),
            Evidence("spikes_elsewhere", float(outside)),
            Evidence("chance", chance),
        ),
        subjects=Subjects(captures=captures),
        next_steps=(
            step("Sweep in an LO state whose image lies elsewhere: the spikes must go."),
            step("Ask the officer of the watch which radar is running and when; it stays as it is."),
        ),
    )


def _radar_band(look: Look) -> tuple[float, float]:
    """Return where the image of the ship's radar falls inside a look; an empty band where it does not."""
    if look.lo_hz is None or look.sign < 0.0:
        return look.start_hz, look.start_hz
    low = max(look.start_hz, look.lo_hz - OWN_RADAR_HZ[1])
    return low, max(low, min(look.stop_hz, look.lo_hz - OWN_RADAR_HZ[0]))


def on_both_ports(emissions: Emissions) -> Iterable[Finding]:
    """Tell an interferer that shows on both polarisation ports."""
    for emission in emissions.emissions:
        ports = {emissions.looks[s.look].port for s in emission.sightings}
        if not {"co", "cross"} <= ports:
            continue
        yield Finding(
            "interference.on_both_ports",
            "note",
            f"The signal at {_place(emission)} IF shows on both polarisation ports",
            "It leaks from one polarisation into the other, has neither of the two, or enters behind the feed.",
            evidence=_common(emission),
            subjects=_subjects(emission, emissions),
            next_steps=(step("Compare its level on both ports: equal levels speak for the cable or the LNB."),),
        )


def from_the_satellite(emissions: Emissions) -> Iterable[Finding]:
    """Tell an emission of one RF that several vessels see: it is on the satellite or its uplink."""
    for emission in emissions.emissions:
        if len(emission.vessels) < 2 or emission.frame == "if":
            continue
        place = (emission.frequency_hz, emission.frequency_std_hz)
        rf, std = place if emission.frame == "rf" else _rf_of(emission)
        yield Finding(
            "interference.from_the_satellite",
            "warning",
            f"{len(emission.vessels)} vessels see the signal at {format_frequency(rf, std)} RF",
            "The same RF from several vessels: it is on the satellite or its uplink, the operator's matter.",
            evidence=(*_common(emission), Evidence("vessels", ", ".join(emission.vessels))),
            subjects=_subjects(emission, emissions),
            next_steps=(step("Send the satellite operator the report on this interference, with the captures."),),
        )


def aboard_one_vessel(emissions: Emissions) -> Iterable[Finding]:
    """Tell an emission that one vessel sees while others looked at the same place and did not."""
    for emission in emissions.emissions:
        looked = {v for k in emission.looks if (v := emissions.looks[k].vessel) is not None}
        if len(emission.vessels) != 1 or len(looked) < 2 or len({s.look for s in emission.sightings}) < 2:
            continue
        yield Finding(
            "interference.aboard_one_vessel",
            "note",
            f"Only {emission.vessels[0]} sees the signal at {_place(emission)} IF",
            f"{counted(len(looked) - 1, 'other vessel')} looked there and saw nothing: it is aboard, or near that "
            "vessel only.",
            evidence=_common(emission),
            subjects=_subjects(emission, emissions),
            next_steps=(*service_steps(services_at(emission.if_hz)), _CABLE_STEPS[0]),
        )
