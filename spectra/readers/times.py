"""Dates and times as files write them; what can be read in two ways is not read."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

from spectra.readers.words import fold

__all__ = ["time_of", "zone_of"]

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar janvier janv enero ene gennaio gen janeiro",
            "feb february februar fevrier fevr febrero febbraio fevereiro fev",
            "mar march marz maerz mrz mars marzo marco",
            "apr april avril avr abril abr aprile",
            "may mai mayo maggio mag maio",
            "jun june juni juin junio giugno giu junho",
            "jul july juli juillet juil julio luglio lug julho",
            "aug august aout agosto ago",
            "sep sept september septembre septiembre settembre set setembro",
            "oct october oktober okt octobre octubre ottobre ott outubro out",
            "nov november novembre noviembre novembro",
            "dec december dezember dez decembre diciembre dic dicembre dezembro",
        ),
        1,
    )
    for name in names.split()
}
_ISO = re.compile(r"\b([0-9]{4})[-/.]?([0-9]{2})[-/.]?([0-9]{2})\b")
_YMD = re.compile(r"\b([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})\b")
_DMY = re.compile(r"\b([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})\b")
_NAMED = re.compile(
    r"\b([0-9]{1,2})[-. ]*(?:de )?([a-z]{3,10})[-.,]*\s*(?:de )?([0-9]{4})|\b([a-z]{3,10})\.?\s+([0-9]{1,2})\b(?:,)?"
)
_CLOCK = re.compile(r"\b([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,9}))?)?\s*([ap]\.?m\.?)?", re.IGNORECASE)
_ZONE = re.compile(r"(?:(?<=[0-9 ])|\b(?:utc|gmt))\s*([+-])([0-9]{1,2}):?([0-9]{2})?\s*$|(?<![a-z])(z|utc|gmt)\s*$")


def zone_of(text: str) -> timezone | None:
    """Return the zone that a text states (``UTC``, ``Z``, ``+02:00``, ``UTC-5``), or None."""
    match = _ZONE.search(" " + fold(text[:100]).strip(" ()"))
    if match is None:
        return None
    if match[4]:
        return UTC
    hours, minutes = int(match[2]), int(match[3] or 0)
    if hours > 14 or minutes > 59:
        return None
    offset = timedelta(hours=hours, minutes=minutes)
    return timezone(-offset if match[1] == "-" else offset)


def _date_of(text: str) -> tuple[tuple[int, int, int] | None, str, str]:
    """Return year, month, day; what is left of the text; and why there is no date, if so."""
    for pattern in (_YMD, _ISO):
        match = pattern.search(text)
        if match:
            return (int(match[1]), int(match[2]), int(match[3])), text[: match.start()] + " " + text[match.end() :], ""
    match = _DMY.search(text)
    if match:
        rest = text[: match.start()] + " " + text[match.end() :]
        first, second, year = int(match[1]), int(match[3]), int(match[4])
        year += 2000 if year < 100 else 0
        if match[2] == "." or first > 12:
            return (year, second, first), rest, ""
        if second > 12 or first == second:
            return (year, first, second), rest, ""
        return None, rest, f"{match[0]} can be day/month or month/day"
    for named in _NAMED.finditer(text):
        month = _MONTHS.get(named[2] or named[4] or "")
        if not month:
            continue
        rest = text[: named.start()] + " " + text[named.end() :]
        if named[2]:
            return (int(named[3]), month, int(named[1])), rest, ""
        stated = re.search(r"\b((?:19|20)[0-9]{2})\b", rest)
        if stated:
            return (int(stated[1]), month, int(named[5])), rest.replace(stated[1], " ", 1), ""
    return None, text, ""


def time_of(text: str, zone: timezone | None = None) -> tuple[datetime | None, str]:
    """Return the moment a text states (with `zone` or UTC where it has none), and a remark on what was assumed.

    A moment is None where the text has no date, or one that can be read in two ways.
    """
    text = text[:100]
    folded = fold(text.strip()).replace("t", " ") if re.search(r"[0-9]T[0-9]", text) else fold(text.strip())
    clock = _CLOCK.search(folded)
    without = folded[: clock.start()] + " " + folded[clock.end() :] if clock else folded
    date, _rest, why = _date_of(without)
    if date is None:
        return None, why
    hour = minute = second = micro = 0
    remark = ""
    if clock:
        hour, minute, second = int(clock[1]), int(clock[2]), int(clock[3] or 0)
        micro = int((clock[4] or "0").ljust(6, "0")[:6])
        if clock[5]:
            hour = hour % 12 + (12 if clock[5].lower().startswith("p") else 0)
    else:
        remark = "only a date is stated: taken as 00:00"
    stated = zone_of(folded[clock.end() :]) if clock else None
    if stated is None and zone is None:
        remark = (remark + "; " if remark else "") + "no zone stated: taken as UTC"
    try:
        moment = datetime(*date, hour, minute, second, micro, tzinfo=stated or zone or UTC)
    except ValueError:
        return None, f"{text.strip()[:40]!r} is no date"
    return moment, remark
