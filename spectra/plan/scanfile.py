"""Import of the open DVB scan-file text, in which channel scanners share what is on air.

Two forms, one carrier each; frequencies in kHz, symbol rates in Bd::

    # a comment                                S 12551500 V 22000000 5/6
    [CHANNEL]                                  S2 11720000 H 27500000 3/4 20 8PSK
            DELIVERY_SYSTEM = DVBS2
            FREQUENCY = 11720000
            POLARIZATION = HORIZONTAL
            SYMBOL_RATE = 27500000
            INNER_FEC = 3/4
            ROLLOFF = 20
            MODULATION = PSK/8
            STREAM_ID = 1

Satellite and longitude are given, or taken from the file's name (``Kittiwake-2-13.5E``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.errors import TableError
from spectra.plan.build import table_from_rows
from spectra.plan.csvtext import decode
from spectra.plan.lists import longitude_groups
from spectra.plan.words import POLARISATION_WORDS

if TYPE_CHECKING:
    from spectra.plan.table import CarrierTable

__all__ = ["import_scan_file", "load_scan_folder", "satellite_of_name"]

_NAME = re.compile(r"(.+?)[-_ ](\d{1,3}(?:\.\d+)?)([EWew])(?:\.[A-Za-z]\w*)?")
_MODULATIONS = {"PSK/8": "8PSK", "APSK/16": "16APSK", "APSK/32": "32APSK", "APSK/64": "64APSK", "QAM/AUTO": ""}
_SYSTEMS = {"DVBS": "DVB-S", "DVBS2": "DVB-S2", "DVBS2X": "DVB-S2X", "S": "DVB-S", "S1": "DVB-S", "S2": "DVB-S2"}
_KEPT = ("delivery_system", "stream_id", "pls_mode", "pls_code")
_AUTO = frozenset({"", "AUTO", "NONE"})


def satellite_of_name(name: str) -> tuple[str, float | None]:
    """Return satellite and longitude (degrees, east positive) of a scan file's name; None where it names none."""
    match = _NAME.fullmatch(name)
    if match is None:
        return Path(name).stem if Path(name).suffix[1:2].isalpha() else name, None
    longitude = float(match[2])
    return match[1], -longitude if match[3] in "Ww" else longitude


def import_scan_file(
    source: str | Path, *, satellite: str | None = None, orbital_longitude_deg: float | None = None
) -> CarrierTable:
    """Import one scan file as a carrier table.

    Parameters
    ----------
    source : str or Path
        A path, or the text itself (a str with a line end).
    satellite, orbital_longitude_deg
        What is given wins over the file's name.

    Returns
    -------
    CarrierTable
        One row for each carrier: entries of one frequency, polarisation, rate and system (the streams of a
        multiplex) are one. `line` is the line in the scan file. What could not be used is in `warnings`.

    Raises
    ------
    TableError
        If the file cannot be read, holds no carrier, or no satellite is named.
    """
    named: tuple[str | None, float | None] = (None, None)
    if isinstance(source, str) and "\n" in source:
        text, file = source, "(text)"
    else:
        text, file = _text_of(Path(source))
        named = satellite_of_name(Path(source).name)
    name = satellite or named[0]
    if not name:
        raise TableError(file, None, "no satellite", "a satellite", "Give satellite=... with a text.", "satellite")
    longitude = orbital_longitude_deg if orbital_longitude_deg is not None else named[1]
    warnings: list[TableError] = []
    rows = _joined(_rows(text, file, warnings))
    if not rows:
        mend = "Give a scan file of satellite carriers ([CHANNEL] blocks, or lines that begin with S)."
        raise TableError(file, None, "no carrier", "at least one carrier", mend)
    for row in rows:
        row |= {"satellite": name, "orbital_longitude_deg": longitude}
    return _with_warnings(table_from_rows(rows, file), warnings)


def load_scan_folder(folder: str | Path) -> CarrierTable:
    """Import every scan file of a folder as one table.

    Files whose name ends in a longitude count; others and hidden ones do not. Two files of one satellite name at one
    position are joined; a name at positions farther apart is two satellites, and the position is added to it
    (``Kittiwake 2 (13.5E)``). `line` is that of the table as it would be saved; the column ``source`` names file and
    line.

    Raises
    ------
    TableError
        If the folder cannot be read or holds no scan file.
    """
    where = Path(folder)
    try:
        paths = sorted(path for path in where.iterdir() if path.is_file() and _NAME.fullmatch(path.name))
    except OSError as error:
        found = (error.strerror or type(error).__name__).lower()
        raise TableError(str(folder), None, found, "a folder of scan files", "Check the name.") from None
    warnings: list[TableError] = []
    by_name: dict[str, list[dict[str, Any]]] = {}
    for path in paths:
        name, longitude = satellite_of_name(path.name)
        text, file = _text_of(path)
        for row in _rows(text, file, warnings):
            row |= {"orbital_longitude_deg": longitude, "source": f"{file}:{row.pop('line')}"}
            by_name.setdefault(name, []).append(row)
    rows: list[dict[str, Any]] = []
    for name, group in by_name.items():
        for position, members in _positions(group):
            full = name if position is None else f"{name} ({position})"
            rows.extend(row | {"satellite": full} for row in _joined(members))
    if not rows:
        mend = "Scan files are named like Name-13.5E."
        raise TableError(str(folder), None, "no scan file of a satellite", "at least one", mend)
    return _with_warnings(table_from_rows(rows, where.name), warnings)


def _positions(rows: list[dict[str, Any]]) -> Iterator[tuple[str | None, list[dict[str, Any]]]]:
    """Part the rows of one name by orbital position; the position is named only where there are several."""
    import numpy as np

    groups = longitude_groups(np.array([row["orbital_longitude_deg"] for row in rows], dtype=np.float64))
    for longitude, members in groups:
        told = None
        if len(groups) > 1 and longitude is not None:
            first = rows[int(members[0])]["orbital_longitude_deg"]
            told = f"{abs(first):g}{'W' if first < 0 else 'E'}"
        yield told, [rows[index] for index in members.tolist()]


def _with_warnings(table: CarrierTable, warnings: list[TableError]) -> CarrierTable:
    from dataclasses import replace

    return replace(table, warnings=tuple(warnings)) if warnings else table


def _text_of(path: Path) -> tuple[str, str]:
    try:
        raw = path.read_bytes()
    except OSError as error:
        found = (error.strerror or type(error).__name__).lower()
        raise TableError(str(path), None, found, "a readable scan file", "Check the name and the rights.") from None
    return decode(raw, path.name)[0], path.name


def _rows(text: str, file: str, warnings: list[TableError]) -> Iterator[dict[str, Any]]:
    """Yield a row for each entry that can be used."""
    for line, entry, remark in _entries(text):
        try:
            row = _row(line, entry, file, warnings)
        except TableError as error:
            warnings.append(error)
            continue
        row["remark"] = remark
        yield row


def _entries(text: str) -> Iterator[tuple[int, dict[str, str], str]]:
    """Yield (line, keys, comment above) of each entry, both forms as the keys of the block form."""
    entry: dict[str, str] | None = None
    start, remark = 0, ""
    for number, raw in enumerate(text.split("\n"), start=1):
        line = raw.strip()
        if line.startswith("[") or (entry is not None and not line):
            if entry:
                yield start, entry, remark
                remark = ""
            entry = {} if line.startswith("[") else None
            start = number
        elif line.startswith("#") or not line:
            remark = line.lstrip("# ").strip()  # a comment speaks of the entry right below it
        elif entry is not None and "=" in line:
            key, _, value = line.partition("=")
            entry[key.strip().upper()] = value.strip().upper()
        elif (words := line.upper().split()) and words[0] in {"S", "S1", "S2"} and len(words) >= 4:
            keys = ("DELIVERY_SYSTEM", "FREQUENCY", "POLARIZATION", "SYMBOL_RATE", "INNER_FEC", "ROLLOFF", "MODULATION")
            yield number, dict(zip(keys, words, strict=False)), remark
            remark = ""
    if entry:
        yield start, entry, remark


def _row(line: int, entry: dict[str, str], file: str, warnings: list[TableError]) -> dict[str, Any]:
    system = entry.get("DELIVERY_SYSTEM", "DVBS")
    if system not in _SYSTEMS:
        mend = "Only satellite carriers can be imported; the entry is left out."
        raise TableError(file, line, system, "DVBS or DVBS2", mend, "DELIVERY_SYSTEM")
    polarisation = POLARISATION_WORDS.get(entry.get("POLARIZATION", "").lower())
    if polarisation is None:
        mend = "The entry is left out."
        found = repr(entry.get("POLARIZATION", ""))
        raise TableError(file, line, found, "HORIZONTAL, VERTICAL, LEFT or RIGHT", mend, "POLARIZATION")
    modulation = entry.get("MODULATION", "QPSK" if _SYSTEMS[system] == "DVB-S" else "")
    fec = entry.get("INNER_FEC", "")
    rates = {
        "rf_hz": _unit(entry, "FREQUENCY", ((1e3, 1e6, 1e8, "kHz"), (1e6, 1e3, 1e5, "MHz")), file, line, warnings),
        "symbol_rate_bd": _unit(
            entry, "SYMBOL_RATE", ((1.0, 4e4, 1e9, "Bd"), (1e3, 1.0, 4e4, "kBd")), file, line, warnings
        ),
    }
    kept = {name: entry[name.upper()] for name in _KEPT if entry.get(name.upper(), "") not in _AUTO}
    return {
        "line": line,
        "polarisation": polarisation,
        "kind": "modulated",
        "roll_off": _roll_off(entry.get("ROLLOFF", ""), _SYSTEMS[system], modulation),
        "modulation": "" if modulation in _AUTO else _MODULATIONS.get(modulation, modulation),
        "code_rate": "" if fec in _AUTO else fec,
        **rates,
        **kept,
        "delivery_system": _SYSTEMS[system],
    }


def _unit(
    entry: dict[str, str],
    key: str,
    units: Iterable[tuple[float, float, float, str]],
    file: str,
    line: int,
    warnings: list[TableError],
) -> float:
    """Return a frequency or rate in Hz or Bd; the first of `units` (factor, low, high, name) is the format's own."""
    cell = entry.get(key, "")
    value = float(cell) if re.fullmatch(r"\d+(?:\.\d+)?", cell) else -1.0
    right = None
    for factor, low, high, name in units:
        right = right or name
        if low <= value < high:
            if name != right:
                mend = f"Read as {name}; check it."
                warnings.append(TableError(file, line, cell, f"a number of {right}", mend, key))
            return value * factor
    raise TableError(file, line, repr(cell), f"a number of {right}", "The entry is left out.", key)


def _roll_off(word: str, system: str, modulation: str) -> float | None:
    """Return the roll-off; DVB-S (always QPSK) has only 0.35 (EN 300 421 clause 4.5, from memory)."""
    if re.fullmatch(r"0?\.\d+", word):
        return float(word)
    if word.isdecimal() and 0 < int(word) <= 100:
        return int(word) / 100.0
    return 0.35 if system == "DVB-S" and modulation == "QPSK" else None


def _joined(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Join entries that are one carrier on air: same frequency, polarisation, rate and system."""
    carriers: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:
        key = (row["rf_hz"], row["polarisation"], row["symbol_rate_bd"], row["delivery_system"])
        first = carriers.setdefault(key, row)
        if first is row:
            continue
        for name in ("remark", "stream_id", "source", "pls_mode", "pls_code", "modulation", "code_rate"):
            words = [part for part in (first.get(name), row.get(name)) if part]
            if words:
                parts = " + ".join(words).split(" + ")
                first[name] = " + ".join(dict.fromkeys(parts))
        if first["roll_off"] is None:
            first["roll_off"] = row["roll_off"]
    return list(carriers.values())
