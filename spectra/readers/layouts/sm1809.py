"""Exchange files that are intended to follow Rec. ITU-R SM.1809: a header, then one time-stamped row per scan.

Field names, units and syntax are from memory (mark: from memory), not checked against the Recommendation; so the
reader is tolerant. Specimen (invented)::

    FileType Standard Data exchange Format 2.0
    FreqStart 1100000
    FreqStop 1102000
    FilterBandwidth 30
    LevelUnits dBm
    Date 2026-03-14
    DataPoints 3
    ScanTime 0.5
    Detector RMS

    13:05:00,-82.1,-82.3,-81.9
    13:05:10,-82.2,-82.0,-82.1

Frequencies and filter bandwidth are in kHz, level i stands at FreqStart + i (FreqStop - FreqStart) / (N - 1).

References
----------
.. [1] Recommendation ITU-R SM.1809-0 (2007); list of clauses read, field table from memory.
"""

from __future__ import annotations

import re
from datetime import date, timedelta

from spectra.errors import SweepFormatError
from spectra.readers.cells import number
from spectra.readers.document import Document
from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.facts import Facts, facts_of
from spectra.readers.layouts.across import LongRow, long_rows
from spectra.readers.outline import TextLine
from spectra.readers.preamble import Entry
from spectra.readers.words import Key

__all__ = ["read_sm1809", "sniff_sm1809"]

_FIELD = re.compile(r"([A-Za-z]+)(?:[ \t]*[=:,;][ \t]*|[ \t]+)(.*)")
_CONCEPTS: dict[str, tuple[str, str | None]] = {
    "freqstart": ("start", "kHz"),
    "freqstop": ("stop", "kHz"),
    "filterbandwidth": ("rbw", "kHz"),
    "scantime": ("sweep_time", "s"),
    "levelunits": ("level_unit", None),
    "levelunit": ("level_unit", None),
    "datapoints": ("points", None),
    "detector": ("detector", None),
    "attenuation": ("attenuation", "dB"),
    "date": ("when", None),
}
_NOTE_CONCEPTS: dict[str, tuple[str, str | None]] = {
    "vbw_khz": ("vbw", "kHz"),
    "z_ohm": ("impedance", "ohm"),
    "averages": ("averages", None),
    "trace_mode": ("trace_mode", None),
}


def sniff_sm1809(head: str) -> float:
    """Say how surely a text is an exchange file after SM.1809."""
    if "freqstart" not in head.lower():
        return 0.0
    have = {name.lower() for name in re.findall(r"^[ \t]*([A-Za-z]+)[ \t=:,;]", head, re.MULTILINE)}
    need = {"freqstart", "freqstop"} <= have
    more = len({"levelunits", "datapoints", "filterbandwidth", "filetype", "scantime", "locationname"} & have)
    return 0.98 if need and more >= 2 else 0.0


def read_sm1809(document: Document) -> list[Draft]:
    """Return a draft for each scan of an exchange file."""
    rows, lines, decimal = long_rows(document, 2)
    entries = _entries(lines)
    document.entries.extend(entries)
    fields = {entry.key.lower(): entry for entry in entries}
    if fields.get("multiscan") and fields["multiscan"].value.strip().upper().startswith("Y"):
        raise SweepFormatError(
            document.name,
            fields["multiscan"].line,
            "Multiscan Y",
            "one scan set per file",
            "Export each band on its own.",
        )
    facts = facts_of(entries, decimal)
    warnings = _unit_trap(document, facts)
    if not rows:
        raise SweepFormatError(
            document.name, None, "a header without scans", "time-stamped rows of levels", "Export again."
        )
    points = facts.number("points")
    day = _day(facts)
    drafts: list[Draft] = []
    last = ""
    for row in rows:
        if points is not None and row.values.size != int(points):
            raise SweepFormatError(
                document.name,
                row.line,
                f"a row of {row.values.size} levels",
                f"{int(points)} levels (DataPoints)",
                "The file may be cut short: export again, or delete that row.",
            )
        stamp = row.stamp
        if day is not None and last and stamp[:8] < last[:8]:
            day += timedelta(days=1)  # no date in the rows: a falling time means that midnight passed
        last = stamp or last
        drafts.append(_draft(row, facts, f"{day.isoformat()} {stamp}" if day and stamp else stamp, warnings))
    return drafts


def _draft(row: LongRow, facts: Facts, stamp: str, warnings: list[str]) -> Draft:
    column = TraceColumn("scan", row.values, None, 1)
    draft = Draft("sm1809", None, None, [column], facts, (row.line, row.line), line_per_row=False)
    draft.stamp = stamp or None
    draft.may_fall = False
    draft.warnings = list(warnings)
    draft.assumptions = [
        "read as Rec. ITU-R SM.1809 is remembered: kHz, first and last level at FreqStart and FreqStop"
    ]
    return draft


def _entries(lines: list[TextLine]) -> list[Entry]:
    found: list[Entry] = []
    for line in lines:
        match = _FIELD.fullmatch(line.text.strip())
        if match is None:
            continue
        name, value = match[1], match[2].strip().strip('"')
        concept, unit = _CONCEPTS.get(name.lower(), ("", None))
        found.append(Entry(line.line, name, value, unit, Key(concept, unit) if concept else None, (value,)))
        if name.lower() == "note":
            for part in value.split(";"):
                key, mark, text = part.partition("=")
                concept, unit = _NOTE_CONCEPTS.get(key.strip().lower(), ("", None))
                if mark and concept:
                    found.append(Entry(line.line, key.strip(), text.strip(), unit, Key(concept, unit), (text.strip(),)))
    return found


def _unit_trap(document: Document, facts: Facts) -> list[str]:
    """Tell of start frequencies that cannot be kHz in L band: somebody wrote MHz or Hz. Never rescaled silently."""
    start = facts.number("start")
    if start is None:
        return []
    khz = start / 1e3
    if khz < 1e5 and khz >= 900.0:
        return [f"quality.frequency_unit_suspect: FreqStart {khz:.10g} read as kHz; it looks like MHz"]
    if khz > 1e8:
        return [f"quality.frequency_unit_suspect: FreqStart {khz:.10g} read as kHz; it looks like Hz"]
    return []


def _day(facts: Facts) -> date | None:
    text = facts.text("when") or ""
    match = re.match(r"([0-9]{4})-([0-9]{2})-([0-9]{2})", text)
    try:
        return date(int(match[1]), int(match[2]), int(match[3])) if match else None
    except ValueError:
        return None


def position_deg(text: str) -> float | None:
    """Return degrees of a position such as ``54.30.00N`` (degrees, minutes, seconds), None if it is none."""
    match = re.fullmatch(r"\s*([0-9]{1,3})\.([0-9]{1,2})\.([0-9]{1,2})\s*([NSEWnsew])\s*", text)
    if match is None:
        return None
    degrees, minutes, seconds = (number(match[i]) or 0.0 for i in (1, 2, 3))
    if minutes > 59 or seconds > 59:
        return None
    value = degrees + minutes / 60.0 + seconds / 3600.0
    return -value if match[4].upper() in "SW" else value
