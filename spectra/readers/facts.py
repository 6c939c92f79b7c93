"""Facts: what the entries of a preamble say, as numbers with the line that says it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from spectra.readers.cells import (
    FREQUENCY_SCALE,
    LEVEL_UNITS,
    LONGEST_CELL,
    TIME_SCALE,
    find_unit,
    number,
    unit_key,
    unit_kind,
)
from spectra.readers.preamble import Entry
from spectra.readers.words import Key, detector_of, fold, ideas_of, trace_mode_of

__all__ = ["Facts", "Reading", "average_type_of", "decimal_of", "facts_of", "ranges_parted"]

FREQUENCY_CONCEPTS = frozenset({"start", "stop", "centre", "span", "rbw", "vbw", "step", "frequency_offset"})


@dataclass(frozen=True, slots=True)
class Reading:
    """One value read from the file.

    `value` is in hertz, seconds, dB or as the unit says; `unit` is None where the file gives none (then the value of
    a frequency is a bare number). `mark` is a cell beside it that tells who set it; `sure` is False where the key may
    mean something else too.
    """

    value: float | int | str | tuple[str, ...]
    line: int
    text: str
    unit: str | None = None
    mark: str = ""
    sure: bool = True


@dataclass(slots=True)
class Facts:
    """Readings by concept, readings of one trace by its number, and entries that nobody understood."""

    readings: dict[str, Reading] = field(default_factory=dict)
    per_trace: dict[int, dict[str, Reading]] = field(default_factory=dict)
    unknown: list[Entry] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def get(self, concept: str) -> Reading | None:
        """Return the reading of a concept, or None."""
        return self.readings.get(concept)

    def number(self, concept: str) -> float | None:
        """Return a number, or None."""
        reading = self.readings.get(concept)
        return float(reading.value) if reading is not None and isinstance(reading.value, int | float) else None

    def text(self, concept: str) -> str | None:
        """Return a text, or None."""
        reading = self.readings.get(concept)
        return reading.value if reading is not None and isinstance(reading.value, str) else None

    def over(self, later: Facts) -> Facts:
        """Return these facts with later ones in front (a block's own preamble over the file's)."""
        per_trace = {k: dict(v) for k, v in self.per_trace.items()}
        for trace, readings in later.per_trace.items():
            per_trace.setdefault(trace, {}).update(readings)
        return Facts(
            {**self.readings, **later.readings},
            per_trace,
            [*self.unknown, *later.unknown],
            [*self.conflicts, *later.conflicts],
            [*self.notes, *later.notes],
        )


def facts_of(entries: Iterable[Entry], decimal: str) -> Facts:
    """Return the facts in entries; the first statement of a thing counts, a different second one is a conflict."""
    facts = Facts()
    entries = ranges_parted(entries)
    decimal = decimal_of(entries, decimal)
    for entry in sorted(entries, key=lambda entry: entry.loose + _any_bandwidth(entry)):
        if entry.loose and entry.meaning is not None and entry.meaning.concept in facts.readings:
            continue
        reading = _reading(entry, decimal)
        if reading is None:
            if entry.key or entry.value:
                facts.unknown.append(entry)
            continue
        meaning = entry.meaning
        assert meaning is not None
        if meaning.trace is not None and meaning.concept not in ("points", "trace"):
            facts.per_trace.setdefault(meaning.trace, {}).setdefault(meaning.concept, reading)
            continue
        if entry.mark:
            reading = replace(reading, mark=entry.mark)
        if _any_bandwidth(entry):
            reading = replace(reading, sure=False)
        before = facts.readings.get(meaning.concept)
        if before is None:
            facts.readings[meaning.concept] = reading
            if entry.loose:
                facts.notes.append(f"{entry.key} {reading.text}: found among other words in line {entry.line}")
        elif meaning.concept == "when":
            facts.readings["when"] = _joined(before, reading)
        elif before.value != reading.value and _any_bandwidth(entry):
            facts.unknown.append(entry)  # of a channel or a signal, where the file names its RBW as such
        elif before.value != reading.value and meaning.concept not in ("trace", "trace_mode", "level_unit"):
            facts.conflicts.append(
                f"quality.stated_twice: {meaning.concept} {before.text!r} in line {before.line}, {reading.text!r} in "
                f"line {reading.line}; the first is used"
            )
        elif meaning.concept == "level_unit" and before.value != reading.value:
            facts.readings["level_unit"] = reading  # the statement nearest to the trace
    return facts


def _any_bandwidth(entry: Entry) -> bool:
    """Say whether a key names a bandwidth without saying which: it is the RBW only where none is named as such."""
    return (
        entry.meaning is not None and entry.meaning.concept == "rbw" and ideas_of(entry.key)[0] <= {"bw", "acquisition"}
    )


_CLEAR_MARK = re.compile(r"[+-]?[0-9]+([.,])(?:[0-9]{1,2}|[0-9]{4,})(?:[eE][+-]?[0-9]+)?\s*(?:[A-Za-zµ%]+)?")


def decimal_of(entries: list[Entry], decimal: str) -> str:
    """Return the decimal mark of the preamble: that of numbers which can be read in one way, else that of the rows."""
    marks = {match[1] for entry in entries if (match := _CLEAR_MARK.fullmatch(entry.value.strip()))}
    return next(iter(marks)) if len(marks) == 1 else decimal


_RANGE = re.compile(
    r"([0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z]*)\s*(?:-|–|\.\.+|…|to|bis|à|a|hasta|até|>)+\s*"
    r"([0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z]*)"
)


def ranges_parted(entries: Iterable[Entry]) -> list[Entry]:
    """Return entries with ranges of frequency as what they say: start and stop, or a span."""
    return [part for entry in entries for part in _ends_of_range(entry)]


_ONE_VALUE = re.compile(r"([0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z]*)")


def _ends_of_range(entry: Entry) -> list[Entry]:
    """Part ``Frequency range: 950 - 2150 MHz`` into start and stop; one width alone is the span."""
    if entry.meaning is None or entry.meaning.concept != "range":
        return [entry]
    match = _RANGE.fullmatch(entry.value.strip()[:LONGEST_CELL])
    unit = (match[4] or entry.unit) if match else None
    if match is None or unit is None or unit_kind(unit) != "frequency":
        one = _ONE_VALUE.fullmatch(entry.value.strip()[:LONGEST_CELL])
        width = one is not None and len(entry.values) < 2 and unit_kind(one[2] or entry.unit or "") == "frequency"
        return [replace(entry, meaning=Key("span") if width else None)]
    return [
        replace(entry, value=match[1], unit=match[2] or unit, meaning=Key("start"), values=(match[1],)),
        replace(entry, value=match[3], unit=unit, meaning=Key("stop"), values=(match[3],)),
    ]


def _joined(first: Reading, second: Reading) -> Reading:
    """Join date and time of day that stand in lines of their own."""
    has_clock = ":" in str(first.value)
    has_date = re.search(r"[0-9]{4}|[0-9]{2}[/.][0-9]{2}", str(first.value)) is not None
    if has_clock and has_date:
        return first
    value = f"{second.value} {first.value}" if has_clock else f"{first.value} {second.value}"
    return Reading(value, first.line, value)


def _reading(entry: Entry, decimal: str) -> Reading | None:
    meaning = entry.meaning
    if meaning is None:
        return None
    concept, text = meaning.concept, entry.value.strip()
    if not text:
        return None
    if concept in FREQUENCY_CONCEPTS:
        return _quantity(entry, text, decimal, FREQUENCY_SCALE)
    if concept == "sweep_time":
        return _quantity(entry, text, decimal, TIME_SCALE)
    if concept in ("reference_level", "attenuation", "level_offset", "impedance"):
        value, unit = _number_and_unit(text, decimal)
        return None if value is None else Reading(value, entry.line, text, unit or entry.unit)
    if concept == "points":
        value, _ = _number_and_unit(text, decimal)
        return (
            Reading(int(value), entry.line, text) if value is not None and value.is_integer() and value > 0.0 else None
        )
    if concept == "averages":
        return _averages(entry, text, decimal)
    if concept == "level_unit" or concept == "frequency_unit":
        unit = text.strip("[]() ")
        kind = unit_kind(unit)
        if kind is None:
            found, _ = find_unit(unit)
            unit, kind = (found, unit_kind(found)) if found else (unit, None)
        if kind == "frequency":
            return Reading(unit, entry.line, text) if concept == "frequency_unit" else None
        return Reading(unit, entry.line, text) if kind in ("level", "ratio", "other_level") else None
    if concept == "axis_scale":
        scale = re.search(r"\b(log|lin)", fold(text))  # other modes of a sweep (single, fast) are kept as text
        return Reading(scale[1], entry.line, text) if scale else None
    if concept in ("detector", "trace_mode", "average_type"):
        return _worded(concept, entry, text)
    return Reading(text, entry.line, text, entry.unit)


def _worded(concept: str, entry: Entry, text: str) -> Reading | None:
    several = [value for value in entry.values if value]
    if concept != "average_type" and len(several) > 1:
        understand = detector_of if concept == "detector" else trace_mode_of
        if all(understand(value) for value in several):
            return Reading(tuple(several), entry.line, ", ".join(several))
    if concept == "trace_mode" and trace_mode_of(text) is None:
        return None
    return Reading(text, entry.line, text)


_COUNT = re.compile(r"[+-]?[0-9][0-9.,'’ \u00a0\u202f]*(?:[eE][+-]?[0-9]+)?")


def _averages(entry: Entry, text: str, decimal: str) -> Reading | None:
    match = _COUNT.search(text[:LONGEST_CELL].replace("\u2212", "-"))
    if match:
        count = number(match[0].rstrip(" .,'"), decimal)
        whole = count is not None and 0.0 < count < 1e7 and count.is_integer()  # a mean level is no count
        return Reading(int(count), entry.line, text) if count is not None and whole else None
    return Reading(1, entry.line, text) if fold(text) in ("off", "aus", "none", "no", "arret", "desactivado") else None


_QUANTITY = re.compile(r"([+-]?[0-9.,'’ \u00a0\u202f]*[0-9][.,]?(?:[eE][+-]?[0-9]+)?)\s*([A-Za-zµμ%°Ω][A-Za-zµμ/%Ω]*)?")
_SET_BY = re.compile(r"^\W*(?:auto\w*|man\w*)\W+", re.IGNORECASE)
_UNIT_APART = re.compile(r"(?<=[0-9])\s*[(\[]([A-Za-zµμ]+)[)\]]")
_SI = {"k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}


def _number_and_unit(text: str, decimal: str) -> tuple[float | None, str | None]:
    text = _SET_BY.sub("", text[:LONGEST_CELL])
    match = _QUANTITY.match(_UNIT_APART.sub(r" \1", text.strip("[]\"' ")).replace("\u2212", "-"))
    if not match:
        return None, None
    value = number(match[1], decimal)
    if value is None:
        value = number(match[1], "," if decimal == "." else ".")
    return value, match[2]


def _quantity(entry: Entry, text: str, decimal: str, scales: dict[str, float]) -> Reading | None:
    """Return a value times its unit: ``float(text) * unit``, or the bare number where no unit is told."""
    value, unit = _number_and_unit(text, decimal)
    if value is None:
        return None
    frequency = scales is FREQUENCY_SCALE
    if unit and frequency and unit in _SI:
        return Reading(value * _SI[unit], entry.line, text, unit + "Hz")
    scale = scales.get(unit_key(unit)) if unit else None
    if scale is None and entry.unit:
        unit = entry.unit
        scale = scales.get(unit_key(unit))
    if scale is None:
        if unit and unit_kind(unit) is not None:
            return None  # a width of 3 dB is no frequency
        return Reading(value, entry.line, text, None)
    return Reading(value * scale, entry.line, text, unit)


def average_type_of(text: str) -> str | None:
    """Return 'log', 'power' or 'voltage' for the kind of averaging a text names, None if it names none."""
    folded = fold(text)
    if re.search(r"\blog|\bvideo|\bdb\b", folded):
        return "log"
    if re.search(r"\brms|\bpower|\bpwr|\bleistung|\bpuissance|\bpotencia|\bpotenza", folded):
        return "power"
    return "voltage" if re.search(r"\bvolt|\blin|\bspannung|\btension", folded) else None


def level_key(unit: str) -> str | None:
    """Return the unit of `LEVEL_UNITS` that a text names, or None."""
    return LEVEL_UNITS.get(unit_key(unit))
