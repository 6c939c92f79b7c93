"""The check of a carrier table: what its cells, its rows and its satellites say against each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from spectra.plan.lists import SAME_POSITION_DEG, rows_by
from spectra.plan.numbers import printed_text
from spectra.plan.problems import Severity, TableCheck, TableProblem
from spectra.plan.store import read_table
from spectra.plan.validity import moment_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from spectra.plan.table import CarrierRow, CarrierTable
    from spectra.units import FloatArray

__all__ = ["check_rows", "check_table", "occupied_hz"]

_MHZ, _KBD = 1e6, 1e3


def check_table(path: str | Path) -> TableCheck:
    """Check a carrier table file.

    Returns
    -------
    TableCheck
        Every problem with line and column. Cells that cannot be used are faults, and are left out of the comparison
        of rows with each other.

    Raises
    ------
    TableError
        If the file cannot be read as CSV or lacks a required column.
    """
    reading = read_table(path)
    table = reading.table
    problems = [*reading.problems, *check_rows(table, reading.headers)]
    problems.sort(key=lambda problem: (problem.line or 0, problem.severity, problem.column or ""))
    whole = not any(problem.stops for problem in problems)
    return TableCheck(
        reading.file, table.sha256 if whole else None, len(table), len(_usable(table).lists), tuple(problems)
    )


def check_rows(table: CarrierTable, headers: dict[str, str] | None = None) -> list[TableProblem]:
    """Return what the rows of a table say against each other; `headers` maps a column to its name in the file."""
    named = headers or {}

    def tell(
        code: str, severity: Severity, line: int, column: str, found: str, expected: str, mend: str
    ) -> TableProblem:
        return TableProblem(code, severity, int(line), named.get(column, column), found, expected, mend)

    parts = (_rates, _small_rates, _like_an_if, _dates, _spellings, _longitudes)
    return [problem for part in parts for problem in part(table, tell)] + list(_neighbours(_usable(table), tell))


def _usable(table: CarrierTable) -> CarrierTable:
    """Return the rows of which at least satellite, polarisation and frequency could be read."""
    text = table.text
    whole = np.isfinite(table.rf_hz) & (text["polarisation"] != "") & (text["satellite"] != "")
    return table if whole.all() else table.take(whole)


_Tell = Callable[..., TableProblem]


def occupied_hz(table: CarrierTable) -> FloatArray:
    """Return the width that each row surely occupies: its bandwidth, else its symbol rate (-3 dB to -3 dB), else 0."""
    width = np.where(np.isfinite(table.bandwidth_hz), table.bandwidth_hz, table.symbol_rate_bd)
    return np.asarray(np.where(np.isfinite(width), width, 0.0), dtype=np.float64)


def _rates(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """Symbol rate against bandwidth: no filter passes Rs symbols per second through less than Rs hertz (Nyquist)."""
    rate, width = table.symbol_rate_bd, table.bandwidth_hz
    narrow = np.flatnonzero(rate > 1.02 * width)
    wide = np.flatnonzero(width > 4.0 * rate)
    for row in narrow.tolist():
        found = f"{printed_text(width[row] / 1e3)} kHz beside {printed_text(rate[row] / 1e3)} kBd"
        expected = "a bandwidth of at least the symbol rate"
        mend = "Correct the symbol rate or the bandwidth."
        code = "table.rate_bandwidth"
        if 0.9 <= 1e3 * width[row] / rate[row] <= 4.0:
            code = "table.unit_slip"
            mend = f"The bandwidth looks like MHz in a column of kHz: write {printed_text(width[row])}."
            if rate[row] > 2e8:
                mend = f"The symbol rate looks like Bd in a column of kBd: write {printed_text(rate[row] / 1e6)}."
        yield tell(code, "fault", table.line[row], "bandwidth_khz", found, expected, mend)
    for row in wide.tolist():
        found = f"{printed_text(width[row] / 1e3)} kHz beside {printed_text(rate[row] / 1e3)} kBd"
        mend = "Correct one of them, or leave the bandwidth empty if it is that of the transponder."
        code = "table.rate_bandwidth"
        if 0.9 <= width[row] / rate[row] / 1e3 <= 4.0:
            code = "table.unit_slip"
            mend = f"The symbol rate looks like MBd in a column of kBd: write {printed_text(rate[row])}."
            if width[row] > 1e9:
                mend = f"The bandwidth looks like Hz in a column of kHz: write {printed_text(width[row] / 1e6)}."
        severity = "fault" if code == "table.unit_slip" else "warning"
        column = "symbol_rate_kbd" if "symbol rate looks" in mend else "bandwidth_khz"
        yield tell(code, severity, table.line[row], column, found, "a bandwidth of 1 to 4 times the symbol rate", mend)


def _small_rates(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """Rates that another unit would make typical, without a bandwidth that bears them out."""
    rate = table.symbol_rate_bd
    known = rate[np.isfinite(rate)]
    if not known.size:
        return
    lonely = np.isnan(table.bandwidth_hz)
    small = np.flatnonzero(lonely & (rate >= 1e3) & (rate < 100e3))
    typical = float(np.median(known))
    if typical < 100e3:
        small = small[:1]  # a table of narrow carriers, or one wholly in MBd: say it once
    elif typical < 1e6:
        small = small[:0]
    for row in small.tolist():
        value = printed_text(rate[row] / _KBD)
        mend = f"If MBd are meant, write {printed_text(rate[row])}; if not, give the bandwidth to show it."
        yield tell(
            "table.unit_slip", "warning", table.line[row], "symbol_rate_kbd", f"{value} kBd", "a rate in kBd", mend
        )
    for row in np.flatnonzero(lonely & (rate > 500e6)).tolist():
        value = printed_text(rate[row] / _KBD)
        mend = f"If Bd are meant, write {printed_text(rate[row] / 1e6)}; if not, give the bandwidth to show it."
        yield tell(
            "table.unit_slip", "warning", table.line[row], "symbol_rate_kbd", f"{value} kBd", "a rate in kBd", mend
        )


def _like_an_if(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """Frequencies that look like an IF where an RF is asked (950 to 2150 MHz; common practice, no source)."""
    rows = np.flatnonzero((table.rf_hz >= 950e6) & (table.rf_hz <= 2150e6))
    if rows.size == len(table):
        rows = rows[:1]  # a table wholly in L band may be right; say it once
    for row in rows.tolist():
        found = f"{printed_text(table.rf_hz[row] / _MHZ)} MHz"
        mend = "If this is the IF at the analyser, write the frequency on air: add the LO."
        yield tell("table.looks_like_if", "warning", table.line[row], "rf_mhz", found, "a downlink frequency", mend)


def _dates(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """Rows that end before they begin."""
    pairs = list(zip(table.text["valid_from"].tolist(), table.text["valid_to"].tolist(), strict=True))
    falling = {pair for pair in set(pairs) if moment_of(pair[0]) >= moment_of(pair[1], end=True)}
    if not falling:
        return
    for row, (begin, end) in enumerate(pairs):
        if (begin, end) in falling:
            mend = "Exchange the dates or correct one; the row never holds."
            yield tell(
                "table.dates_fall", "fault", table.line[row], "valid_to", f"{end} before {begin}", "rising dates", mend
            )


def _spellings(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """Names of satellites that differ only in case, spaces, hyphens or underscores."""
    names = table.text["satellite"].tolist()
    count: dict[str, int] = {}
    first: dict[str, int] = {}
    for row, name in enumerate(names):
        count[name] = count.get(name, 0) + 1
        first.setdefault(name, row)
    alike: dict[str, list[str]] = {}
    for name in count:
        alike.setdefault("".join(name.casefold().split()).replace("-", "").replace("_", ""), []).append(name)
    for spellings in alike.values():
        best = max(spellings, key=lambda name: (count[name], -first[name]))
        for name in spellings:
            if name != best:
                rows = f" ({count[name]} rows)" if count[name] > 1 else ""
                mend = f"If it is the same satellite, write {best!r}; the two are taken as different."
                found, expected = f"{name!r}{rows}", f"{best!r} as in the other rows"
                yield tell(
                    "table.name_spelling", "warning", table.line[first[name]], "satellite", found, expected, mend
                )


def _longitudes(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """One satellite at several longitudes at one time."""
    longitude = table.orbital_longitude_deg
    for name, rows in rows_by(table.text["satellite"]).items():
        given = rows[np.isfinite(longitude[rows])]
        values, counts = np.unique(longitude[given], return_counts=True)
        if values.size < 2:
            continue
        usual = float(values[np.argmax(counts)])
        home = given[longitude[given] == usual]
        for value in values[values != usual].tolist():
            there = given[longitude[given] == value]
            if not _together(table, home, there):
                continue
            apart = abs((value - usual + 180.0) % 360.0 - 180.0)
            far = apart > SAME_POSITION_DEG
            found = f"{name} at {value:g} degrees"
            mend = "Correct the longitude" + (
                ", or give the satellites different names: they are taken as two." if far else "."
            )
            severity = "fault" if far else "warning"
            expected = f"{usual:g} degrees as in the other rows"
            yield tell(
                "table.longitudes", severity, table.line[there[0]], "orbital_longitude_deg", found, expected, mend
            )


def _span(table: CarrierTable, row: int) -> tuple[float, float]:
    begin = moment_of(str(table.text["valid_from"][row]))
    end = moment_of(str(table.text["valid_to"][row]), end=True)
    return -math.inf if math.isnan(begin) else begin, math.inf if math.isnan(end) else end


def _together(table: CarrierTable, some: NDArray[np.intp], others: NDArray[np.intp]) -> bool:
    """Say whether two groups of rows hold at one time (from the earliest begin to the latest end of each)."""
    spans = []
    for rows in (some, others):
        bounds = [_span(table, row) for row in rows.tolist()]
        spans.append((min(begin for begin, _ in bounds), max(end for _, end in bounds)))
    return spans[0][0] < spans[1][1] and spans[1][0] < spans[0][1]


def _neighbours(table: CarrierTable, tell: _Tell) -> Iterator[TableProblem]:
    """Duplicates and overlaps within each list (satellite, beam, polarisation)."""
    width = occupied_hz(table)
    told: set[int] = set()
    for one in table.lists:
        rows = one.rows
        rf, half = table.rf_hz[rows], width[rows] / 2.0
        slack = table.rf_step_hz[rows] / 2.0
        order = np.argsort(rf - half, kind="stable")
        low, high = (rf - half + slack)[order], (rf + half - slack)[order]
        reach = np.maximum.accumulate(high)
        same = np.flatnonzero(np.diff(rf) <= 1.0)
        touch = np.flatnonzero(low[1:] < reach[:-1] - 1.0) + 1
        pairs = [(int(rows[k]), int(rows[k + 1])) for k in same.tolist()]
        for k in touch.tolist():
            other = int(np.argmax(high[:k]))
            pairs.append((int(rows[order[other]]), int(rows[order[k]])))
        for pair in pairs:
            first, second = sorted(pair)
            if second in told or not _rows_together(table, first, second):
                continue
            told.add(second)
            yield _pair_problem(table, first, second, width, tell)


def _rows_together(table: CarrierTable, first: int, second: int) -> bool:
    (begin_a, end_a), (begin_b, end_b) = _span(table, first), _span(table, second)
    return begin_a < end_b and begin_b < end_a


def _pair_problem(table: CarrierTable, first: int, second: int, width: FloatArray, tell: _Tell) -> TableProblem:
    line = int(table.line[first])
    where = f"{printed_text(round(table.rf_hz[second] / _MHZ, 9))} MHz"
    if abs(table.rf_hz[first] - table.rf_hz[second]) <= 1.0:
        differing = _differing(table.row(first), table.row(second))
        if not differing:
            found, mend = f"the same row as on line {line}", "Take one of the two out."
            return tell("table.duplicate", "warning", table.line[second], "rf_mhz", found, "each carrier once", mend)
        found = f"{where} as on line {line}, but another {', '.join(differing)}"
        mend = "Keep the row that is true; give valid_from and valid_to if both were, one after the other."
        return tell(
            "table.contradiction", "warning", table.line[second], "rf_mhz", found, "one row for a carrier", mend
        )
    overlap = (width[first] + width[second]) / 2.0 - abs(table.rf_hz[first] - table.rf_hz[second])
    found = f"{where} overlapping line {line} ({printed_text(round(table.rf_hz[first] / _MHZ, 9))} MHz)"
    found += f" by {overlap / 1e3:.0f} kHz"
    mend = "Correct frequency, symbol rate or bandwidth, or name the beams if they are on different ones."
    return tell(
        "table.overlap",
        "warning",
        table.line[second],
        "rf_mhz",
        found,
        "carriers side by side on one polarisation",
        mend,
    )


_FILE_NAMES = {"rf_hz": "rf_mhz", "symbol_rate_bd": "symbol_rate_kbd", "bandwidth_hz": "bandwidth_khz"}


def _differing(one: CarrierRow, other: CarrierRow) -> list[str]:
    """Return the columns, as a file names them, in which two rows of one list differ."""
    names = [
        _FILE_NAMES.get(name, name)
        for name in one.__dataclass_fields__
        if name not in {"line", "beam", "rf_step_hz", "extra"} and getattr(one, name) != getattr(other, name)
    ]
    here, there = dict(one.extra), dict(other.extra)
    return names + [name for name in dict.fromkeys([*here, *there]) if here.get(name) != there.get(name)]
