"""Rules about unlisted carriers: one finding a cause, with the carriers that it explains."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Severity, Subjects, step
from spectra.findings.beam import diameter_m, pointing_error_deg
from spectra.findings.interference import OTHER_PORT_STEP, OTHER_STATE_STEP, service_steps
from spectra.findings.interference_causes import CauseName, Unlisted
from spectra.units import counted, format_frequency

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.findings.interference_bursts import Burst
    from spectra.findings.interference_guests import Guest
    from spectra.identify.identification import Candidate, Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.table import CarrierTable

__all__ = [
    "CauseRule",
    "adjacent_satellite",
    "by_the_cable",
    "comb",
    "image",
    "intermodulation",
    "newcomer",
    "other_polarisation",
    "own_radar",
    "reference_harmonic",
    "second_lo",
    "two_satellites",
]

_LEAST = 0.5  # probability that a cause needs to be told as one
_NAMED = 6
_TWO_SURE = 6.0  # log10 odds of each of two satellites against chance


def _mine(unlisted: Sequence[Unlisted], name: CauseName) -> list[Unlisted]:
    return [one for one in unlisted if one.cause.name == name and one.cause.probability >= _LEAST]


def _places(found: Sequence[Unlisted]) -> str:
    shown = ", ".join(format_frequency(u.carrier.centre_hz, u.carrier.centre_std_hz) for u in found[:_NAMED])
    return shown + (f" and {len(found) - _NAMED} more" if len(found) > _NAMED else "")


def _finding(
    name: CauseName,
    found: Sequence[Unlisted],
    measurement: Measurement,
    title: str,
    words: str,
    steps: Sequence[NextStep],
    more: Sequence[Evidence] = (),
    severity: Severity = "warning",
) -> Finding:
    chances = [u.cause.chance for u in found if u.cause.chance is not None]
    return Finding(
        f"interference.{name}",
        severity,
        title,
        f"{words} Carriers: {_places(found)}.",
        probability=min(u.cause.probability for u in found),
        evidence=(
            Evidence("carriers", float(len(found))),
            *((Evidence("chance", max(chances)),) if chances else ()),
            *more,
        ),
        subjects=Subjects(
            captures=(measurement.sweep.origin.file,),
            carriers=tuple(u.index for u in found),
            rows=tuple(sorted({u.cause.row for u in found if u.cause.row is not None})),
        ),
        next_steps=tuple(steps),
    )


def adjacent_satellite(
    unlisted: Sequence[Unlisted],
    measurement: Measurement,
    identification: Identification,
    table: CarrierTable,
    circumstances: Context,
) -> Iterable[Finding]:
    """Tell carriers of a neighbouring satellite, and towards which side the antenna is off if it is."""
    for satellite in sorted({u.cause.satellite or "" for u in _mine(unlisted, "adjacent_satellite")}):
        found = [u for u in _mine(unlisted, "adjacent_satellite") if u.cause.satellite == satellite]
        apart = _apart_deg(identification, table, satellite)
        words = f"They fit the list of {satellite}: {found[0].cause.why}"
        more: list[Evidence] = []
        if apart is not None:
            side = "east" if apart > 0.0 else "west"
            words += f" It stands {abs(apart):.1f} degrees {side}; if the antenna is off, it is off to the {side}."
            more.append(Evidence("orbital_separation", apart, None, "deg"))
        down = found[0].cause.level_db
        if down is not None:
            words += f" Its carriers are {-down:.1f} dB below their listed C/N."
            more.append(Evidence("level_against_table", down, None, "dB"))
        error = _pointing(down, apart, circumstances, identification, table)
        if error is not None:
            words += f" For a Gaussian beam that is a pointing error of about {error:.1f} degrees towards it."
            more.append(Evidence("pointing_error", error, max(0.2, 0.3 * abs(error)), "deg"))
        yield _finding(
            "adjacent_satellite",
            found,
            measurement,
            f"{counted(len(found), 'carrier')} of the neighbouring satellite {satellite}",
            words + " Small antennas see neighbours some dB down (common practice).",
            (
                step("Peak the antenna on the wanted satellite and watch whether the neighbour's carriers fall."),
                step("Ask the bridge for the heading, and note whether the level goes with it."),
            ),
            more,
        )


def _apart_deg(identification: Identification, table: CarrierTable, satellite: str) -> float | None:
    own = identification.best.orbital_longitude_deg
    theirs = table.orbital_longitude_deg[table.text["satellite"] == satellite]
    if own is None or not theirs.size or not math.isfinite(float(theirs[0])):
        return None
    return (float(theirs[0]) - own + 180.0) % 360.0 - 180.0


def _pointing(
    down: float | None, apart: float | None, context: Context, identification: Identification, table: CarrierTable
) -> float | None:
    """Return the pointing error where the context's `antenna` begins with a diameter in metres."""
    size = diameter_m(context.antenna)
    if down is None or apart is None or size is None:
        return None
    own = [
        entry.cn_db - float(table.reference_cn_db[table.line == entry.row][0])
        for entry in identification.roll_call
        if entry.cn_db is not None and math.isfinite(float(table.reference_cn_db[table.line == entry.row][0]))
    ]
    if not own or not identification.roll_call:
        return None
    below = sorted(own)[len(own) // 2] - down
    rf = 1e6 * identification.roll_call[0].rf_mhz
    # seen from the ground satellites stand some 10 % further apart than from the earth's centre (derived)
    return pointing_error_deg(below, 1.1 * abs(apart), size, rf)


def two_satellites(identification: Identification, measurement: Measurement) -> Iterable[Finding]:
    """Tell two satellites of the table in one beam: each explains carriers of its own, far beyond chance."""
    if identification.verdict in ("confirmed", "probable"):
        return  # the other one's carriers are unlisted then, and told as such
    best: dict[str, Candidate] = {}
    for one in identification.candidates:
        if one.satellite is not None and one.satellite not in best:
            best[one.satellite] = one
    first, second = (*best.values(), None, None)[:2]
    if first is None or second is None or first.lo_state != second.lo_state:
        return
    if min(first.log10_odds_none or 0.0, second.log10_odds_none or 0.0) < _TWO_SURE:
        return
    # the same carriers explained twice would be one satellite under two names
    if (first.matched or 0) + (second.matched or 0) > len(measurement.carriers) + 1:
        return
    yield Finding(
        "interference.two_satellites",
        "warning",
        f"Two satellites are in the beam: {first.satellite} and {second.satellite}",
        f"{first.matched} carriers fit the list of {first.satellite} and {second.matched} others that of "
        f"{second.satellite}. The antenna stands between them, or is too small to part them.",
        evidence=(
            Evidence("log10_odds_first", first.log10_odds_none),
            Evidence("log10_odds_second", second.log10_odds_none, None, None, _TWO_SURE),
        ),
        subjects=Subjects(captures=(measurement.sweep.origin.file,)),
        next_steps=(step("Step the antenna in azimuth and watch which of the two sets of carriers rises."),),
    )


@dataclass(frozen=True, slots=True)
class CauseRule:
    """The rule of one cause: all carriers that it explains make one finding.

    `title` may name their ``{count}``, or them as so many ``{carriers}``, ``{products}`` or ``{lines}``; `more` follows
    what the cause itself says.
    """

    name: CauseName
    title: str
    more: str
    steps: tuple[NextStep, ...]
    severity: Severity = "warning"

    def __call__(self, unlisted: Sequence[Unlisted], measurement: Measurement) -> Iterable[Finding]:
        """Tell the carriers whose likeliest cause this is."""
        found = _mine(unlisted, self.name)
        if found:
            named = {f"{word}s": counted(len(found), word) for word in ("carrier", "product", "line")}
            title = self.title.format(count=len(found), **named)
            steps = (*self.steps, *service_steps(found[0].cause.services))
            words = found[0].cause.why + self.more
            yield _finding(self.name, found, measurement, title, words, steps, severity=self.severity)


other_polarisation = CauseRule("other_polarisation", "{carriers} of the other polarisation", "", (OTHER_PORT_STEP,))
"""Carriers that are listed on the satellite's other polarisation."""
image = CauseRule(
    "image",
    "{carriers} at the image of the LO",
    " The LNB's image rejection is poor, or the injection side is declared wrongly.",
    (step("Check the injection side in the receive chain against the LNB's papers."),),
)
"""Carriers that fit the image of the LO."""
second_lo = CauseRule(
    "second_lo",
    "{carriers} converted by another oscillator",
    " Two oscillators run at once, or the tone is weak.",
    (step("Measure the supply voltage and the 22 kHz tone at the end of the receive cable."),),
)
"""Carriers that fit another oscillator of the same LNB."""
intermodulation = CauseRule(
    "intermodulation",
    "{products} of the strongest carriers",
    " Some stage is overloaded.",
    (
        step(
            "Raise the analyser's attenuation by 10 dB: a third-order product made in it falls by 20 dB more "
            "than the carriers; one made before it does not."
        ),
    ),
)
"""Carriers that are products of stronger ones."""
reference_harmonic = CauseRule(
    "reference_harmonic",
    "{lines} on harmonics of 10 MHz",
    "",
    (step("Look at the filter or splitter that feeds the 10 MHz reference into the cable, and at its level."),),
    "note",
)
"""Lines on harmonics of the 10 MHz reference."""
comb = CauseRule(
    "comb",
    "A comb of {count} lines",
    " A clock or a switching supply leaks into the line.",
    (OTHER_STATE_STEP, step("Look for the clock near the receive cable; tighten its connectors and shields.")),
    "note",
)
"""Lines at equal distances."""
own_radar = CauseRule(
    "own_radar",
    "Spikes where the ship's radar falls by the image of the LO",
    " Spikes that move from sweep to sweep are pulses.",
    (
        step("Take several single sweeps: a radar's spikes stand at another place in each."),
        step("Ask the officer of the watch which radar is running; it stays as it is."),
    ),
)
"""Spikes where the ship's radar falls by the image of the LO."""
_by_the_cable = CauseRule("by_the_cable", "{carriers} that may enter by the cable", "", (OTHER_STATE_STEP,))


def by_the_cable(
    unlisted: Sequence[Unlisted], measurement: Measurement, bursts: Sequence[tuple[Burst, int | None]] = ()
) -> Iterable[Finding]:
    """Tell carriers that a service in their band may have put into the cable; bursts are told as such."""
    return _by_the_cable(_steady(unlisted, bursts), measurement)


def _steady(unlisted: Sequence[Unlisted], bursts: Sequence[tuple[Burst, int | None]]) -> list[Unlisted]:
    """Return the carriers that are no average of bursts."""
    told = {carrier for _, carrier in bursts}
    return [one for one in unlisted if one.index not in told]


def newcomer(
    unlisted: Sequence[Unlisted],
    measurement: Measurement,
    guests: Sequence[Guest],
    bursts: Sequence[tuple[Burst, int | None]] = (),
) -> Iterable[Finding]:
    """Tell unlisted carriers for which no computable cause is likelier than not."""
    known = [guest.centre_hz for guest in guests]  # told as standing on a carrier
    near = 1.5 * (measurement.sweep.settings.rbw_hz or measurement.sweep.spacing_hz)
    found = [
        u
        for u in _steady(unlisted, bursts)
        if (u.cause.name == "newcomer" or u.cause.probability < _LEAST)
        and all(abs(u.carrier.centre_hz - place) > near for place in known)
    ]
    if found:
        title = "1 carrier that nothing explains: a newcomer, or a table that is out of date"
        if len(found) > 1:
            title = f"{len(found)} carriers that nothing explains: newcomers, or a table that is out of date"
        yield _finding(
            "newcomer",
            found,
            measurement,
            title,
            "No list of the table, product, comb or band explains them better than a new carrier does.",
            (
                step("Look for a newer carrier table, or ask the satellite operator what is on air there."),
                OTHER_STATE_STEP,
            ),
            severity="note",
        )
