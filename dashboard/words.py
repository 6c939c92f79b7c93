"""Times, counts and values in words, as pages show them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from spectra.units import decimals_for, format_frequency, format_value

__all__ = [
    "context_facts",
    "count",
    "day",
    "found_words",
    "frequency",
    "interval_words",
    "kilohertz",
    "minute",
    "name_of_visit",
    "seen",
    "told",
    "value",
]

frequency, value = format_frequency, format_value


def count(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun."""
    return f"{number:,} {one if number == 1 else many or one + 's'}".replace(",", "\u202f")


def _moment(text: str | datetime | None) -> datetime | None:
    if text is None or isinstance(text, datetime):
        return text
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def day(text: str | datetime | None) -> str:
    """Return a date, such as 4 May 2026; a dash where there is none."""
    when = _moment(text)
    return "–" if when is None else f"{when.day} {when:%b %Y}"


def minute(text: str | datetime | None) -> str:
    """Return a time in UTC to the minute."""
    when = _moment(text)
    return "time not known" if when is None else f"{when.day} {when:%b %Y, %H:%M} UTC"


def kilohertz(hz: float | None, std_hz: float | None) -> str:
    """Return an offset in kHz with its sign and uncertainty."""
    if hz is None:
        return "–"
    text = format_value(hz, std_hz, "kHz", 1e3)
    return text if text.startswith("-") else f"+{text}"


def told(sentence: str) -> str:
    """Return an identification's sentence without the verdict's word, which stands before it."""
    head, colon, rest = sentence.partition(": ")
    return rest[:1].upper() + rest[1:] if colon and len(head) < 16 else sentence


_UNITS = (
    ("_hz", "kHz", 1e3),
    ("_bd", "kBd", 1e3),
    ("_dbm", "dBm", 1.0),
    ("_dbhz", "dBHz", 1.0),
    ("_db", "dB", 1.0),
    ("_deg", "°", 1.0),
    ("_c", "°C", 1.0),
    ("_s", "s", 1.0),
    ("_v", "V", 1.0),
)


_SPELT = {
    "lnb": "LNB",
    "lnb_serial": "LNB serial number",
    "lo_state": "LO state",
    "dc_block": "DC block",
    "captured_at": "taken",
    "cn": "C/N",
    "cn0": "C/N0",
    "es_n0": "Es/N0",
}
"""Names that are not merely their words."""


def _parted(name: str) -> tuple[str, str, float]:
    """Return what a name with its unit is called, the unit as it is shown, and how many of it make one shown."""
    for ending, unit, scale in _UNITS:
        if name.endswith(ending):
            called = name[: -len(ending)]
            return _SPELT.get(called, called.replace("_", " ")), unit, scale
    return _SPELT.get(name, name.replace("_", " ")), "", 1.0


def interval_words(name: str, low: float, high: float) -> tuple[str, str]:
    """Return a 95 % interval as name and words, to the digits that its width supports."""
    called, unit, scale = _parted(name)
    decimals = decimals_for((high - low) / scale / 4.0)
    return f"{called}, 95 %", f"{low / scale:.{decimals}f} to {high / scale:.{decimals}f} {unit}".strip()


def context_facts(context: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return a capture's context as names and words; what is not known is left out."""
    found = []
    for key, said in context.items():
        if said is None:
            continue
        called, unit, _ = _parted(key.replace("_measured", ""))
        words = ("yes" if said else "no") if isinstance(said, bool) else minute(said) if key == "captured_at" else said
        found.append((called, f"{words} {unit}".strip().replace(" °", "°")))
    return found


def seen(row: Mapping[str, Any]) -> str:
    """Return what was identified, in a few words."""
    parts = [row.get("satellite"), row.get("polarisation"), row.get("lo_state")]
    return ", ".join(str(part) for part in parts if part)


def found_words(faults: int, warnings: int) -> str:
    """Return counts of findings in words."""
    parts = [count(n, word) for n, word in ((faults, "fault"), (warnings, "warning")) if n]
    return ", ".join(parts) or "none"


def name_of_visit(row: Mapping[str, Any]) -> str:
    """Return what a visit is called: its title, else vessel and terminal, else its folder."""
    if row.get("kept_title"):
        return str(row["kept_title"])
    head = row.get("head") or {}
    if isinstance(head, str):  # as the archive keeps it
        head = json.loads(head).get("head") or {}
    if head.get("title"):
        return str(head["title"])
    named = " · ".join(part for part in (row.get("vessel"), row.get("terminal")) if part)
    return named or str(row.get("folder") or "A visit")
