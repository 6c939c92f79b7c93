"""Finding captures again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from spectra.archive.database import reading, told
from spectra.archive.lists import fold
from spectra.archive.record import rfc3339
from spectra.archive.schema import CAPTURE, CARRIER, FINDING
from spectra.archive.store import Archive, capture_value
from spectra.errors import UsageError
from spectra.identify.identification import VERDICTS

__all__ = ["LIST_COLUMNS", "Search", "count_captures", "list_captures", "moment", "whole_captures"]

_IF_BELOW_HZ = 2.5e9
"""Below this a frequency is an IF, above an RF: the IF range ends at 2150 MHz, the lowest RF band begins at 3.4 GHz."""

LIST_COLUMNS = (
    *("key", "captured_at", "vessel", "terminal", "name", "verdict", "satellite", "polarisation", "lo_state"),
    *("lo_error_hz", "lo_error_std_hz", "carriers", "faults", "warnings", "replaced"),
)
"""Columns of the list view, in order."""


@dataclass(frozen=True, slots=True)
class Search:
    """What to look for; None leaves a thing open.

    In `vessel`, `terminal`, `satellite` and `finding` a ``*`` stands for anything. `since` counts in, `until` out.
    `carrier_hz` is an IF or an RF (told apart by its size) with `tolerance_hz` on both sides. `replaced` also takes
    captures whose raw sweep came again later with another context. `text` is looked for in name, vessel, terminal and
    satellite, whatever the case; `visit` is the key of a visit; `offset` captures are passed over, for pages.
    """

    vessel: str | None = None
    terminal: str | None = None
    satellite: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    verdict: str | None = None
    finding: str | None = None
    carrier_hz: float | None = None
    tolerance_hz: float = 5e5
    replaced: bool = False
    limit: int | None = None
    offset: int = 0
    text: str | None = None
    visit: str | None = None

    def __post_init__(self) -> None:
        if self.verdict is not None and self.verdict not in VERDICTS:
            raise UsageError(
                "verdict", None, repr(self.verdict), "one of " + ", ".join(VERDICTS), "Choose one of these."
            )
        if self.limit is not None and self.limit < 1:
            raise UsageError("limit", None, str(self.limit), "1 or more", "Leave it out for all.")


def moment(text: str, *, end: bool = False) -> datetime:
    """Return the time that a text gives: a date, or a time (UTC unless it has a zone); `end` of a date is its midnight.

    Raises
    ------
    UsageError
        If it is neither.
    """
    try:
        value = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "date", None, repr(text), "a date or a time such as 2026-03-14 or 2026-03-14T12:00Z", "Write it so."
        ) from None
    if end and len(text) <= 10:
        value += timedelta(days=1)
    return value if value.tzinfo is not None else value.replace(tzinfo=UTC)


_MANY = 5000
"""From so many hits on, captures are gone through in order of time until enough are found, instead of all hits."""


def _with_one(
    connection: sa.Connection, search: Search, column: sa.Column[Any], condition: sa.ColumnElement[bool]
) -> sa.ColumnElement[bool]:
    """Say that a capture has a row (finding, carrier) for which a condition holds, in the way that costs least."""
    if search.limit is not None:
        some = sa.select(sa.literal(1)).where(condition).limit(_MANY).subquery()
        if (connection.execute(sa.select(sa.func.count()).select_from(some)).scalar() or 0) >= _MANY:
            return sa.exists(sa.select(sa.literal(1)).where(column == CAPTURE.c.id, condition))
    return CAPTURE.c.id.in_(sa.select(column).where(condition))


def _conditions(connection: sa.Connection, search: Search) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    for column, value in (
        (CAPTURE.c.vessel, search.vessel),
        (CAPTURE.c.terminal, search.terminal),
        (CAPTURE.c.satellite, search.satellite),
        (CAPTURE.c.verdict, search.verdict),
    ):
        if value is not None:
            found.append(_like(connection, column, value))
    if search.since is not None:
        found.append(CAPTURE.c.captured_at >= rfc3339(search.since))
    if search.until is not None:
        found.append(CAPTURE.c.captured_at < rfc3339(search.until))
    if search.finding is not None:
        holds = sa.and_(_like(connection, FINDING.c.code, search.finding), FINDING.c.answer == "yes")
        found.append(_with_one(connection, search, FINDING.c.capture, holds))
    if search.carrier_hz is not None:
        column = CARRIER.c.centre_hz if search.carrier_hz < _IF_BELOW_HZ else CARRIER.c.rf_hz
        low, high = search.carrier_hz - search.tolerance_hz, search.carrier_hz + search.tolerance_hz
        found.append(_with_one(connection, search, CARRIER.c.capture, column.between(low, high)))
    if search.visit is not None:
        found.append(CAPTURE.c.visit == search.visit)
    if search.text:
        found.append(CAPTURE.c.words.contains(fold(search.text), autoescape=True))
    if not search.replaced:
        found.append(CAPTURE.c.replaced.is_(False))
    return found


def _like(connection: sa.Connection, column: sa.Column[Any], value: str) -> sa.ColumnElement[bool]:
    if "*" not in value:
        return column == value  # an index serves this
    in_code_order = connection.dialect.name == "sqlite"  # others may sort by a language's rules
    if in_code_order and value.index("*") == len(value) - 1 and value[:-1] and value.isascii():
        # and this: all that begins so lies between the beginning and the same with its last sign raised
        begin = value[:-1]
        return sa.and_(column >= begin, column < begin[:-1] + chr(ord(begin[-1]) + 1))
    pattern = value.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_").replace("*", "%")
    return column.like(pattern, escape="\\")


def _ordered(connection: sa.Connection, search: Search, *columns: Any) -> sa.Select[Any]:
    query = sa.select(*columns).where(*_conditions(connection, search))
    return (
        query.order_by(CAPTURE.c.captured_at.desc(), CAPTURE.c.id.desc())
        .limit(search.limit)
        .offset(search.offset or None)
    )


def list_captures(archive: Archive, search: Search | None = None) -> list[dict[str, Any]]:
    """Return the list view: the newest first, one row a capture, under the names of `LIST_COLUMNS`."""
    with told(archive.where), reading(archive.engine) as connection:
        query = _ordered(connection, search or Search(), *(CAPTURE.c[name] for name in LIST_COLUMNS))
        return [{**row, "replaced": bool(row["replaced"])} for row in connection.execute(query).mappings()]


def count_captures(archive: Archive, search: Search | None = None) -> int:
    """Return how many captures fit, whatever the limit."""
    search = search or Search()
    only = replace(Search(), finding=search.finding, replaced=search.replaced)
    with told(archive.where), reading(archive.engine) as connection:
        if search.finding is not None and replace(search, limit=None, offset=0) == only:
            return _count_with_finding(connection, search)
        query = sa.select(sa.func.count()).select_from(CAPTURE).where(*_conditions(connection, search))
        return int(connection.execute(query).scalar_one())


def _count_with_finding(connection: sa.Connection, search: Search) -> int:
    """Return how many captures have a finding, from the index on findings and that of the list alone."""
    assert search.finding is not None
    column = FINDING.c.capture
    chosen = sa.select(column).where(_like(connection, FINDING.c.code, search.finding), FINDING.c.answer == "yes")
    if not search.replaced:
        chosen = chosen.where(column.not_in(sa.select(CAPTURE.c.id).where(CAPTURE.c.replaced.is_(True))))
    return int(connection.execute(sa.select(sa.func.count()).select_from(chosen.distinct().subquery())).scalar_one())


def whole_captures(archive: Archive, search: Search | None = None) -> Iterator[dict[str, Any]]:
    """Yield every capture that fits with all that hangs on it, by key; all from one state of the archive."""
    chosen = search or Search(replaced=True)
    with told(archive.where), reading(archive.engine) as connection:
        query = _ordered(connection, chosen, CAPTURE.c.id)
        ids = list(connection.execute(query).scalars())
        for id_ in ids:
            row = connection.execute(sa.select(CAPTURE).where(CAPTURE.c.id == id_)).mappings().one()
            yield capture_value(connection, row)
