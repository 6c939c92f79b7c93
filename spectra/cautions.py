"""The catalogue of cautions, and which of them a piece of advice needs.

All texts are common practice, no source; they defer to local rules and licensed practice. Advice never carries its
own safety wording: it names cautions by id, so that one place can be reviewed by those who know the work.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

__all__ = ["CATALOGUE", "DISCLAIMER", "Caution", "required_for"]

DISCLAIMER = "Receive evidence only; not leave to transmit. The satellite operator's line-up decides."


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a stable id, a short title, and the text that is printed."""

    id: str
    title: str
    text: str


CATALOGUE: dict[str, Caution] = {
    caution.id: caution
    for caution in (
        Caution(
            "transmitter_isolated",
            "Radiation",
            "Isolate the transmitter at its supply and secure it against being switched on again before anyone goes "
            "near the antenna; muting at the modem is not enough. Tell the operator and the bridge. Local rules and "
            "licensed practice decide.",
        ),
        Caution(
            "dc_on_coax",
            "Voltage on the coax",
            "The receive cable carries the LNB supply (commonly 11 to 24 V DC), the 22 kHz tone and sometimes a "
            "10 MHz reference; the transmit cable can carry more. Use a DC block, check the analyser's maximum input "
            "first, and open no connector under power.",
        ),
        Caution(
            "moving_pedestal",
            "Moving pedestal",
            "A stabilised antenna moves without warning. Stop the motors, lock the pedestal and keep clear until that "
            "is done.",
        ),
        Caution(
            "work_aloft",
            "Work aloft and ship's radars",
            "Going aloft needs the permission of the officer of the watch, the ship's own permit, fall protection and "
            "radars made safe by the ship's crew.",
        ),
        Caution(
            "radome_space",
            "Confined or hot radome",
            "A radome is a confined space and can be very hot: ventilate it, work with a second person outside, "
            "follow the ship's entry rules.",
        ),
        Caution(
            "vessel_under_way",
            "Vessel under way",
            "Under way the deck, the antenna and the picture on the analyser all move. Ask the bridge before taking "
            "the service down; it may be the only link for safety calls.",
        ),
        Caution(
            "ask_officer_of_the_watch",
            "Ship's equipment",
            "Distress, navigation, radar and identification equipment stays as it is. Ask the officer of the watch; "
            "only the ship decides what may be switched and when.",
        ),
    )
}

_ANTENNA_WORK = ("transmitter_isolated", "moving_pedestal", "work_aloft", "radome_space", "vessel_under_way")

# Words of advice that mean hands on something, and the cautions they call for. Deliberately broad: a caution too many
# costs a line, one too few can cost more.
_TRIGGERS: tuple[tuple[re.Pattern[str], tuple[str, ...]], ...] = tuple(
    (re.compile(pattern, re.IGNORECASE), ids)
    for pattern, ids in (
        (r"\bantenna|\bdish\b|\bpedestal|\bradome|\breflector|\bpoint(?:ing)? (?:off|away)|\bazimuth", _ANTENNA_WORK),
        (r"\bfeeds?\b|\bfeedhorn|\bskew|\btransducer|\bwaveguide", (*_ANTENNA_WORK, "dc_on_coax")),
        (r"\blnbs?\b|\bbuc\b|\bdiplexer", (*_ANTENNA_WORK, "dc_on_coax")),
        (
            (
                r"\bcoax|\bcables?\b|\bconnectors?\b|\bsplitters?\b|\bdc block|\bsupply|\bvoltage|\btone\b|\bports?\b"
                r"|\bterminat|\bline amplifier|\bmultimeter"
            ),
            ("dc_on_coax",),
        ),
        (r"\btransmit|\buplink power|\bcarrier up\b", ("transmitter_isolated",)),
        (
            (
                r"\bradars?\b|\bais\b|\bdistress|\bnavigation|\bcordless|\bofficer of the watch"
                r"|\bship'?s (?:own )?(?:terminal|equipment|transmitter|phone)"
            ),
            ("ask_officer_of_the_watch", "vessel_under_way"),
        ),
        (r"\baloft|\bmast\b|\bfunnel\b", ("work_aloft",)),
    )
)


@lru_cache(maxsize=1024)  # most advice is the same from sweep to sweep, and each piece is asked about twice
def required_for(text: str) -> tuple[str, ...]:
    """Return the ids of the cautions that a piece of advice calls for, in catalogue order."""
    wanted = {id_ for pattern, ids in _TRIGGERS if pattern.search(text) for id_ in ids}
    return tuple(id_ for id_ in CATALOGUE if id_ in wanted)
