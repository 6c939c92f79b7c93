"""Dates and times as files write them; what can be read in two ways is not read."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone

from spectra.readers.dates import UNKNOWN, DateOrder
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
_WEEKDAYS = {
    name: number
    for number, names in enumerate(
        (
            "mon monday montag lundi lunes lunedi segunda",
            "tue tues tuesday dienstag mardi martes martedi terca",
            "wed wednesday mittwoch mercredi miercoles mercoledi quarta",
            "thu thur thurs thursday donnerstag jeudi jueves giovedi quinta",
            "fri friday freitag vendredi viernes venerdi sexta",
            "sat saturday samstag sonnabend samedi sabado sabato",
            "sun sunday sonntag dimanche domingo domenica",
        )
    )
    for name in names.split()
}
_ISO = re.compile(r"\b([0-9]{4})[-/.]?([0-9]{2})[-/.]?([0-9]{2})\b")
_YMD = re.compile(r"\b([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})\b")
_DMY = re.compile(r"\b([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})\b")
_NAMED = re.compile(
    r"\b([0-9]{1,2})(?:st|nd|rd|th)?[-./ ]*(?:de )?([a-z]{3,10})[-./,]*\s*(?:de )?"
    r"([0-9]{4}|[0-9]{2}\b(?!.*\b[0-9]{4}\b))"
    r"|\b([a-z]{3,10})\.?\s+([0-9]{1,2})(?:st|nd|rd|th)?\b(?:,)?"
    r"|\b([0-9]{4})[-/. ]+([a-z]{3,10})\.?[-/. ]+([0-9]{1,2})\b"
)
_CLOCK = re.compile(
    r"\b([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,9}))?)?\s*([ap]\.?\s?m\b\.?)?", re.IGNORECASE
)
_ZONE = re.compile(r"(?:(?<=[0-9 ])|\b(?:utc|gmt))\s*([+-])([0-9]{1,2}):?([0-9]{2})?\s*$|(?<![a-z])(z|utc|gmt)\s*$")
_NAMED_ZONE = re.compile(r"^\s*\(?([a-z]{2,5})\)?\s*$")
_ZONE_HOURS = {"wet": 0, "west": 1, "cet": 1, "mez": 1, "cest": 2, "mesz": 2, "eet": 2, "eest": 3, "msk": 3}
_ZONE_HOURS |= {
    "sgt": 8,
    "hkt": 8,
    "jst": 9,
    "kst": 9,
    "aest": 10,
    "nzst": 12,
    "nzdt": 13,
    "edt": -4,
    "pst": -8,
    "pdt": -7,
}
"""Zones whose letters mean one thing only (tz database, from memory); others, such as CST or IST, mean several."""
_MACHINE = re.compile(
    r"\b([0-9]{4})(-?)([0-9]{2})\2([0-9]{2})[t_ ]+([0-9]{2})([-.h]?)([0-9]{2})(?:[-.m]?([0-9]{2})s?)(?![0-9.:])"
)
_DOTTED = re.compile(r"(?<=[0-9]{4}) +([0-9]{1,2})[.h]([0-9]{2})(?:[.m]([0-9]{2})s?)?(?![0-9.])")
_AFTERNOON = ("\u4e0b\u5348", "\u5348\u5f8c", "\uc624\ud6c4")


def _with_colons(text: str) -> str:
    """Return a time whose parts stand together or are parted by points or letters as one with colons."""
    if ":" in text:
        return text
    text = _MACHINE.sub(r"\1-\3-\4 \5:\7:\8", text, count=1)
    return text if ":" in text else _DOTTED.sub(lambda m: f" {m[1]}:{m[2]}:{m[3] or '00'}", text, count=1)


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


_YEARS_FROM = 2005
"""No analyser of today saved a sweep before: a year of two digits below is none (our choice)."""


def _date_of(text: str, order: DateOrder) -> tuple[tuple[int, int, int] | None, str, str]:
    """Return year, month, day; what is left of the text; and what was assumed, or why there is no date."""
    for pattern in (_YMD, _ISO):
        match = pattern.search(text)
        if match:
            return (int(match[1]), int(match[2]), int(match[3])), text[: match.start()] + " " + text[match.end() :], ""
    match = _DMY.search(text)
    if match:
        rest = text[: match.start()] + " " + text[match.end() :]
        date, why = _numeric(match, text, order)
        return date, rest, why
    for named in _NAMED.finditer(text):
        month = _MONTHS.get(named[2] or named[4] or named[7] or "")
        if not month:
            continue
        rest = text[: named.start()] + " " + text[named.end() :]
        if named[2]:
            return (int(named[3]) + (2000 if len(named[3]) == 2 else 0), month, int(named[1])), rest, ""
        if named[6]:
            return (int(named[6]), month, int(named[8])), rest, ""
        stated = re.search(r"\b((?:19|20)[0-9]{2})\b", rest)
        if stated:
            return (int(stated[1]), month, int(named[5])), rest.replace(stated[1], " ", 1), ""
    return None, text, ""


def _numeric(match: re.Match[str], text: str, order: DateOrder) -> tuple[tuple[int, int, int] | None, str]:
    """Return year, month and day of three numbers, the year last; and what was assumed, or why that is not known."""
    first, second, year = int(match[1]), int(match[3]), int(match[4])
    short = len(match[4]) == 2
    year += 2000 if short else 0
    if short and first > 12 and year < _YEARS_FROM <= 2000 + first and 0 < second <= 12:
        return (2000 + first, second, int(match[4])), f"{match[0]} read as year, month, day"
    if match[2] == "." or first > 12:
        return (year, second, first), f"{match[0]} read as day, month, year" if short and match[2] != "." else ""
    if second > 12 or first == second:
        return (year, first, second), ""
    weekday = next((_WEEKDAYS[word] for word in re.findall(r"[a-z]+", text) if word in _WEEKDAYS), None)
    if weekday is not None:
        fits = [d for d in ((year, second, first), (year, first, second)) if date(*d).weekday() == weekday]
        if len(fits) == 1:
            return fits[0], ""
    if order.day_first is None:
        return None, (
            f"{match[0]} can be day/month or month/day, and neither another date, the language nor the decimal mark of "
            "the file tells: not read; state captured_at in the capture's .toml"
        )
    month, day = (second, first) if order.day_first else (first, second)
    named = "day before month" if order.day_first else "month before day"
    return (year, month, day), f"{match[0]} read as {year:04d}-{month:02d}-{day:02d}, {named}: {order.why}"


def time_of(text: str, zone: timezone | None = None, order: DateOrder = UNKNOWN) -> tuple[datetime | None, str]:
    """Return the moment a text states (with `zone` or UTC where it has none), and a remark on what was assumed.

    A moment is None where the text has no date, or one that can be read in two ways and `order` does not tell which.
    """
    text = text[:100]
    folded = fold(text.strip()).replace("t", " ") if re.search(r"[0-9]T[0-9]", text) else fold(text.strip())
    folded = _with_colons(folded)
    clock = _CLOCK.search(folded)
    before, after = (folded[: clock.start()], folded[clock.end() :]) if clock else (folded, "")
    date_, _, why = _date_of(before, order)
    if date_ is None and not why:
        date_, after, why = _date_of(after, order) if clock else (None, "", "")
    if date_ is None and not why:
        date_, after, why = _date_of(f"{before} {after}", order)  # the clock stands between the day and the year
    if date_ is None:
        return None, why
    hour = minute = second = micro = 0
    remark = why
    if clock:
        hour, minute, second = int(clock[1]), int(clock[2]), int(clock[3] or 0)
        micro = int((clock[4] or "0").ljust(6, "0")[:6])
        if clock[5]:
            hour = hour % 12 + (12 if clock[5].lower().startswith("p") else 0)
        elif hour < 12 and any(word in text for word in _AFTERNOON):
            hour += 12
    else:
        remark = (remark + "; " if remark else "") + "only a date is stated: taken as 00:00"
    stated = zone_of(after) if clock else None
    if stated is None and zone is None:
        letters = _NAMED_ZONE.match(after) if clock else None
        hours = _ZONE_HOURS.get(letters[1]) if letters else None
        stated = timezone(timedelta(hours=hours)) if hours is not None else None
        if stated is None:
            what = f"zone {letters[1].upper()} means several" if letters else "no zone stated"
            remark = (remark + "; " if remark else "") + f"{what}: taken as UTC"
    try:
        moment = datetime(*date_, hour, minute, second, micro, tzinfo=stated or zone or UTC)
    except ValueError:
        return None, f"{text.strip()[:40]!r} is no date"
    return moment, remark
