"""Text cells of a carrier table that have a meaning: polarisation, kind, service, dates, code rates."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta

from spectra.plan.problems import TableProblem

__all__ = ["read_dates", "read_ids", "read_kinds", "read_polarisations", "read_rates", "read_service", "tidy"]

POLARISATION_WORDS = {
    "h": "H", "hor": "H", "horiz": "H", "horizontal": "H", "linearhorizontal": "H", "hlinear": "H",
    "v": "V", "ver": "V", "vert": "V", "vertical": "V", "lv": "V", "linearvertical": "V", "vlinear": "V",
    "l": "L", "left": "L", "lhc": "L", "lhcp": "L", "lefthand": "L", "lefthandcircular": "L", "cl": "L",
    "r": "R", "right": "R", "rhc": "R", "rhcp": "R", "righthand": "R", "righthandcircular": "R", "cr": "R",
}  # fmt: skip
"""Words that can mean only one polarisation, in lower case without spaces and hyphens."""

_KINDS = {"modulated": "modulated", "carrier": "modulated", "cw": "cw", "beacon": "cw", "other": "other"}
_YES = frozenset({"yes", "y", "true", "1", "x"})
_NO = frozenset({"no", "n", "false", "0", ""})
_MONTHS = (
    ("jan", "ene", "gen"),
    ("feb", "fév", "fev"),
    ("mar", "mär", "mrz", "mrt", "maa"),
    ("apr", "avr", "abr"),
    ("may", "mai", "mei", "mag"),
    ("jun", "juin", "giu"),
    ("jul", "juil", "lug"),
    ("aug", "aoû", "ago"),
    ("sep", "set"),
    ("oct", "okt", "ott", "out"),
    ("nov",),
    ("dec", "déc", "dez", "dic", "des"),
)
"""How a month's name begins where spreadsheets write it: English, German, Dutch, French, Spanish, Italian, Nordic."""

_DAY_MONTH = re.compile(r"(\d{1,2})[-. /]*([^\W\d_]{3,9})\.?")
_MONTH_DAY = re.compile(r"([^\W\d_]{3,9})\.?[-. /]*(\d{1,2})")
_WHOLE_DATES = (
    re.compile(r"\d{4}[-/](\d{1,2})[-/](\d{1,2})(?:[T ].*)?"),
    re.compile(r"(\d{1,2})[./](\d{1,2})[./]\d{2,4}"),
)

_SLASHED = re.compile(r"(\d{1,2})/(\d{1,2})/\d{4}")
_YEAR_FIRST = re.compile(r"^(\d{4})/(\d{2})/(\d{2})")
_NUMERIC_DATE = re.compile(r"(\d{1,2})([./])(\d{1,2})\2(\d{4})((?: |T)[\d:]+)?")

_Read = Callable[[str], tuple[str | None, tuple[str, str, str] | None]]


def tidy(cell: str) -> str:
    """Return a cell without outer spaces and with single inner ones (a no-break space is a space)."""
    return " ".join(cell.split())


def _each(
    cells: Sequence[str], lines: Sequence[int], column: str, code: str, read: _Read
) -> tuple[list[str], list[TableProblem]]:
    """Read the cells by way of their distinct values: long tables repeat few words."""
    known = {cell: read(cell) for cell in set(cells)}
    problems = []
    if any(told is not None for _, told in known.values()):
        for cell, line in zip(cells, lines, strict=True):
            value, told = known[cell]
            if told is not None:
                stops = value is None
                problems.append(TableProblem(code, "fault" if stops else "warning", line, column, *told, stops=stops))
    words = {cell: value or "" for cell, (value, _) in known.items()}
    return list(map(words.__getitem__, cells)), problems


def read_polarisations(cells: Sequence[str], lines: Sequence[int], column: str) -> tuple[list[str], list[TableProblem]]:
    """Return H, V, L or R per cell ('' where that cannot be known)."""

    def read(cell: str) -> tuple[str | None, tuple[str, str, str] | None]:
        if cell in {"H", "V", "L", "R"}:
            return cell, None
        expected = "H, V, L or R"
        meant = POLARISATION_WORDS.get("".join(c for c in cell.lower() if c.isalnum()))
        if meant is not None:
            told = None if cell.upper() == meant else (repr(cell), expected, f"Read as {meant}; write it so.")
            return meant, told
        if not cell:
            return None, ("an empty cell", expected, "Write the polarisation of the downlink.")
        hint = "Write the polarisation of the satellite's downlink, not that of the port or the terminal."
        if cell.lower() in {"x", "y"}:
            hint = "X and Y mean different polarisations on different satellites: write H or V."
        elif cell.lower() == "lh":
            hint = "LH may mean left-hand or linear horizontal: write L or H."
        elif cell.lower() in {"c", "circular", "l/r", "linear", "lin", "h/v", "both"}:
            hint = "Write one row for each polarisation."
        return None, (repr(cell), expected, hint)

    return _each(cells, lines, column, "table.unknown_polarisation", read)


def read_kinds(cells: Sequence[str], lines: Sequence[int], column: str) -> tuple[list[str], list[TableProblem]]:
    """Return the kind in the words of the contract; an unknown word is kept and told."""

    def read(cell: str) -> tuple[str | None, tuple[str, str, str] | None]:
        if not cell:
            return "", None
        meant = _KINDS.get(cell.lower())
        if meant is not None:
            told = None if cell.lower() == meant else (repr(cell), meant, f"Read as {meant}; write it so.")
            return meant, told
        return cell, (repr(cell), "modulated, cw or other", "The row is taken as modulated; correct the word.")

    return _each(cells, lines, column, "table.unknown_kind", read)


def read_service(cells: Sequence[str], lines: Sequence[int], column: str) -> tuple[list[bool], list[TableProblem]]:
    """Return whether each row is the vessel's own carrier."""

    def read(cell: str) -> tuple[str | None, tuple[str, str, str] | None]:
        word = cell.lower()
        if word in _YES or word in _NO:
            return "yes" if word in _YES else "", None
        return None, (repr(cell), "yes, or nothing", "Write yes for the vessel's own carrier.")

    words, problems = _each(cells, lines, column, "table.unknown_service", read)
    return [word == "yes" for word in words], problems


def _month(word: str) -> int | None:
    lower = word.lower()
    for number, beginnings in enumerate(_MONTHS, start=1):
        if lower.startswith(beginnings):
            return number
    return None


def _day_of_serial(cell: str) -> date | None:
    """Return the day of a spreadsheet's serial number (days since 30 December 1899), within 1982 to 2064."""
    return date(1899, 12, 30) + timedelta(days=int(cell)) if re.fullmatch(r"[345]\d{4}", cell) else None


def _rate_from_date(cell: str) -> str | None:
    """Return the code rate that a spreadsheet turned into a date: the smaller number over the larger one.

    '3/4' becomes 4 March or 3 April, by country; a code rate is below one, so either is 3/4.
    """
    pair: tuple[int, int] | None = None
    if day := _day_of_serial(cell):
        pair = day.day, day.month
    elif (match := _DAY_MONTH.fullmatch(cell)) and (month := _month(match[2])):
        pair = int(match[1]), month
    elif (match := _MONTH_DAY.fullmatch(cell)) and (month := _month(match[1])):
        pair = int(match[2]), month
    else:
        for form in _WHOLE_DATES:
            if match := form.fullmatch(cell):
                pair = int(match[1]), int(match[2])
    if pair is None or pair[0] == pair[1]:
        return None
    return f"{min(pair)}/{max(pair)}"


def read_rates(cells: Sequence[str], lines: Sequence[int], column: str) -> tuple[list[str], list[TableProblem]]:
    """Return the code rates, those that a spreadsheet took for dates mended."""

    def read(cell: str) -> tuple[str | None, tuple[str, str, str] | None]:
        rate = _rate_from_date(cell) if cell else None
        if rate is None:
            return cell, None
        mend = f"A spreadsheet took the rate for a date; read as {rate}. Format the column as text and write it again."
        return rate, (repr(cell), "a code rate such as 3/4", mend)

    return _each(cells, lines, column, "table.rate_as_date", read)


def read_dates(cells: Sequence[str], lines: Sequence[int], column: str) -> tuple[list[str], list[TableProblem]]:
    """Return dates as YYYY-MM-DD and times as YYYY-MM-DDTHH:MM:SSZ ('' where a cell cannot be read one way)."""
    slashed = [match for cell in set(cells) if (match := _SLASHED.match(cell))]
    day_first = any(int(match[1]) > 12 for match in slashed)
    month_first = any(int(match[2]) > 12 for match in slashed)

    def read(cell: str) -> tuple[str | None, tuple[str, str, str] | None]:
        if not cell:
            return "", None
        expected = "a date such as 2026-03-31 (or with time, 2026-03-31T12:00Z)"
        for form in (cell, _YEAR_FIRST.sub(r"\1-\2-\3", cell)):
            try:
                return _canonical(form), None
            except (ValueError, OverflowError):
                continue
        if day := _day_of_serial(cell):
            told = day.isoformat()
            return told, (repr(cell), expected, f"A spreadsheet's day number, read as {told}; write it so.")
        match = _NUMERIC_DATE.fullmatch(cell)
        if not match:
            return None, (repr(cell), expected, "Write the date as year-month-day.")
        if match[2] == "/" and day_first == month_first:
            return None, (repr(cell), expected, "Day and month cannot be told apart; write year-month-day.")
        one, two = int(match[1]), int(match[3])
        day_number, month = (two, one) if match[2] == "/" and month_first else (one, two)
        try:
            told = _canonical(f"{match[4]}-{month:02d}-{day_number:02d}{match[5] or ''}")
        except (ValueError, OverflowError):
            return None, (repr(cell), expected, "There is no such day; write year-month-day.")
        return told, (repr(cell), expected, f"Read as {told}; write it so.")

    return _each(cells, lines, column, "table.date", read)


def _canonical(cell: str) -> str:
    """Return an ISO 8601 date as it is, a time in UTC to the second (without a zone it is UTC)."""
    moment = datetime.fromisoformat(cell)
    if len(cell) <= len("2026-W01-1"):
        return moment.date().isoformat()
    zoned = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return zoned.replace(tzinfo=None).isoformat(timespec="seconds") + "Z"


def read_ids(cells: Sequence[str], lines: Sequence[int], column: str) -> tuple[list[str], list[TableProblem]]:
    """Return network ids; a decimal number as a spreadsheet keeps it, without leading zeros."""

    def read(cell: str) -> tuple[str | None, tuple[str, str, str] | None]:
        match = re.fullmatch(r"0*(\d+)(?:[.,]0*)?", cell, flags=re.ASCII)
        return (match[1] if match else cell), None

    return _each(cells, lines, column, "table.network_id", read)
