"""Rules about what is in the band that should not be: under a carrier, and in the gaps.

Each is a pure function of facts (`spectra.findings.facts`); its code stands in `spectra.findings.table`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.findings.bands import Service, services_at
from spectra.units import format_frequency, format_value

if TYPE_CHECKING:
    from spectra.findings.interference_guests import Guest
    from spectra.measure.measurement import Measurement

__all__ = [
    "OTHER_PORT_STEP",
    "OTHER_STATE_STEP",
    "bump_under_carrier",
    "cw_under_carrier",
    "service_steps",
    "service_words",
]

_COSTS_DB = 0.5  # loss from which on a guest is more than a note (common practice, no source)
OTHER_STATE_STEP = step(
    "Sweep again in the other LO state: what keeps its IF came by the cable, what moves came through the antenna."
)
OTHER_PORT_STEP = step("Sweep the other polarisation port at the same settings and compare.")


def cw_under_carrier(measurement: Measurement, guests: Sequence[Guest]) -> Iterable[Finding]:
    """Tell each unmodulated or unresolved signal inside a carrier's band, with C/I and what it costs."""
    for guest in guests:
        if guest.width_hz is None:
            yield _finding("interference.cw_under_carrier", measurement, guest)


def bump_under_carrier(measurement: Measurement, guests: Sequence[Guest]) -> Iterable[Finding]:
    """Tell each bump on a carrier's plateau that is wider than the filter."""
    for guest in guests:
        if guest.width_hz is not None:
            yield _finding("interference.bump_under_carrier", measurement, guest)


def _finding(code: str, measurement: Measurement, guest: Guest) -> Finding:
    place = format_frequency(guest.centre_hz, guest.centre_std_hz)
    host = measurement.carriers[guest.carrier]
    what = "A narrow signal" if guest.width_hz is None else f"A bump {format_frequency(guest.width_hz)} wide"
    cost = ""
    if guest.loss_db is not None:
        loss = format_value(guest.loss_db, guest.loss_std_db, "dB")
        cost = f" Taken as noise it costs that carrier {loss} of Es/N0."
    services = services_at(guest.centre_hz)
    evidence = [
        Evidence("centre", guest.centre_hz, guest.centre_std_hz, "Hz"),
        Evidence("power", guest.power_dbm, guest.power_std_db, "dBm"),
        Evidence("over_carrier_in_rbw", guest.over_db, guest.over_std_db, "dB", guest.limit_db),
        Evidence("c_over_i", guest.c_over_i_db, guest.c_over_i_std_db, "dB"),
        Evidence("false_alarms", guest.false_alarms, None, None, measurement.false_alarms_per_sweep),
    ]
    if guest.width_hz is not None:
        evidence.append(Evidence("width", guest.width_hz, None, "Hz"))
    if guest.loss_db is not None:
        evidence.append(Evidence("es_n0_loss", guest.loss_db, guest.loss_std_db, "dB"))
    return Finding(
        code,
        "warning" if guest.loss_db is None or guest.loss_db >= _COSTS_DB else "note",
        f"{what} at {place} inside the carrier at {format_frequency(host.centre_hz, host.centre_std_hz)}",
        f"It stands {format_value(guest.over_db, guest.over_std_db, 'dB')} over the carrier in one RBW; C/I "
        f"{format_value(guest.c_over_i_db, guest.c_over_i_std_db, 'dB')}.{cost}{service_words(services)}",
        evidence=tuple(evidence),
        subjects=Subjects(captures=(measurement.sweep.origin.file,), carriers=(guest.carrier,)),
        next_steps=(OTHER_STATE_STEP, OTHER_PORT_STEP, *service_steps(services)),
    )


def service_words(services: tuple[Service, ...], *, by_cable: bool = False) -> str:
    """Return which services could enter by the cable there, in words (empty for none); `by_cable` where it does."""
    if not services:
        return ""
    named = "; ".join(f"{s.name} ({s.low_hz / 1e6:g} to {s.high_hz / 1e6:g} MHz)" for s in services[:3])
    return f" {'' if by_cable else 'If it enters by the cable: '}{'B' if by_cable else 'b'}and of {named}."


def service_steps(services: tuple[Service, ...]) -> tuple[NextStep, ...]:
    """Return what to try where a service aboard may be the source."""
    if not any(s.aboard for s in services):
        return ()
    return (
        step(
            "Ask the officer of the watch whether the ship's own equipment transmits in this band, and note the times; "
            "nothing is switched for a test without the ship's leave."
        ),
        step("Look first at the connectors and the shield of the receive cable near that equipment's antenna."),
    )
