"""Services that radiate in 950 to 2150 MHz, where they may enter a receive cable without passing through the antenna.

Limits are those of the ITU Radio Regulations, Article 5, and of ETSI TS 136 101 for cellular bands. `mark` says how a
row is known: ``transcription`` (read in a transcription of a table of allocations or of bands), ``read`` (in the text
of a national rule, 47 CFR 25.202), ``memory`` (from memory). Regions differ in fixed, mobile and broadcasting rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from spectra.units import jsonable

__all__ = ["OWN_RADAR_HZ", "SERVICES", "Service", "services_at"]

OWN_RADAR_HZ = (9.3e9, 9.5e9)
"""X-band marine radar, within 9200 to 9500 MHz (Radio Regulations Article 5, transcription; use from memory)."""


@dataclass(frozen=True, slots=True)
class Service:
    """One band: limits, what radiates there, whether it is commonly found aboard, source and mark.

    `weight` orders suspects: 3 a transmitter aboard, 2 a strong one near by, 1 one ashore or far away, 0 a band in
    which nothing may transmit (common practice, no source).
    """

    low_hz: float
    high_hz: float
    name: str
    aboard: bool
    weight: int
    bursts: bool | None
    source: str
    mark: str

    def to_dict(self) -> dict[str, Any]:
        """Return the row as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def _rows(*rows: tuple[float, float, str, bool, int, bool | None, str, str]) -> tuple[Service, ...]:
    return tuple(Service(1e6 * row[0], 1e6 * row[1], *row[2:]) for row in rows)


_RR, _TS = "Radio Regulations Article 5", "ETSI TS 136 101"
SERVICES: tuple[Service, ...] = _rows(
    (925, 960, "cellular 900 MHz downlink", False, 2, False, _TS, "transcription"),
    (
        960,
        1164,
        "aeronautical radionavigation: distance measuring, 1030/1090 MHz",
        False,
        1,
        True,
        _RR,
        "transcription",
    ),
    (1164, 1215, "aeronautical radionavigation, satellite navigation", False, 1, True, _RR, "transcription"),
    (1215, 1300, "radiolocation, satellite navigation, amateur from 1240 MHz", False, 1, None, _RR, "transcription"),
    (1300, 1350, "air surveillance radar", False, 1, True, _RR, "transcription"),
    (1350, 1400, "fixed, mobile, radiolocation", False, 1, None, _RR, "transcription"),
    (
        1400,
        1427,
        "passive services only, no emission is legitimate",
        False,
        0,
        None,
        "Radio Regulations 5.340",
        "memory",
    ),
    (1427, 1518, "cellular 1500 MHz, fixed and mobile", False, 1, None, _TS, "transcription"),
    (1452, 1496, "cellular 1500 MHz downlink, digital audio", False, 1, False, _TS, "transcription"),
    (1525, 1559, "mobile satellite downlink (the ship's L-band terminal receives here)", False, 1, False, _RR, "read"),
    (1559, 1610, "satellite navigation: a re-radiating amplifier or a jammer", True, 2, None, _RR, "transcription"),
    (1610, 1626.5, "mobile satellite uplink, bursts of the ship's own terminal", True, 3, True, _RR, "read"),
    (1626.5, 1660.5, "mobile satellite uplink, the ship's own L-band terminal", True, 3, True, _RR, "read"),
    (1660.5, 1668.4, "radio astronomy, passive", False, 0, None, _RR, "transcription"),
    (1668, 1675, "mobile satellite uplink, extended L band", True, 2, True, _RR, "memory"),
    (1668.4, 1700, "meteorological aids", False, 1, None, _RR, "transcription"),
    (1670, 1710, "meteorological satellite downlink", False, 1, False, _RR, "transcription"),
    (1710, 1785, "cellular 1800 MHz uplink (telephones aboard)", True, 2, True, _TS, "transcription"),
    (1805, 1880, "cellular 1800 MHz downlink", False, 2, False, _TS, "transcription"),
    (1850, 1915, "cellular 1900 MHz uplink (telephones aboard)", True, 2, True, _TS, "transcription"),
    (1880, 1900, "cordless telephones", True, 3, True, "ETSI EN 300 175-2", "memory"),
    (1900, 1920, "cellular, time division", False, 1, True, _TS, "transcription"),
    (1920, 1930, "cordless telephones (United States)", True, 2, True, "47 CFR 15", "memory"),
    (1920, 1980, "cellular 2100 MHz uplink (telephones aboard)", True, 2, True, _TS, "transcription"),
    (1930, 1995, "cellular 1900 MHz downlink", False, 2, False, _TS, "transcription"),
    (1980, 2010, "mobile satellite uplink, S band", False, 1, None, _RR, "memory"),
    (2000, 2020, "mobile satellite uplink, Region 2", False, 1, None, _RR, "read"),
    (2010, 2025, "cellular, time division", False, 1, True, _TS, "transcription"),
    (2025, 2110, "space operation uplink, fixed and mobile links", False, 1, None, _RR, "transcription"),
    (2110, 2170, "cellular 2100 MHz downlink", False, 2, False, _TS, "transcription"),
)


def services_at(frequency_hz: float, *, margin_hz: float = 0.0) -> tuple[Service, ...]:
    """Return the services whose band holds a frequency, the likeliest suspects first."""
    found = [s for s in SERVICES if s.low_hz - margin_hz <= frequency_hz <= s.high_hz + margin_hz]
    return tuple(sorted(found, key=lambda s: (-s.weight, s.high_hz - s.low_hz)))
