"""Lists of visits and of terminals, page by page, counted and cut in the database."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from spectra.archive.database import reading, told
from spectra.archive.record import rfc3339, unpack
from spectra.archive.schema import CAPTURE, FINDING, RESULT, VISIT
from spectra.archive.store import Archive

__all__ = ["Listed", "VisitSearch", "baselines", "list_terminals", "list_visits"]

_LAST = ("key", "name", "verdict", "satellite", "polarisation", "lo_state", "lo_error_hz", "lo_error_std_hz", "result")


@dataclass(frozen=True, slots=True)
class VisitSearch:
    """Which visits; None leaves a thing open.

    `text` is looked for in vessel, terminal, folder, head and identified satellite, whatever the case. `verdict` is
    that of the last identified capture. `finding` is a code or its beginning with ``*``, of any capture of the visit.
    """

    text: str | None = None
    vessel: str | None = None
    terminal: str | None = None
    verdict: str | None = None
    finding: str | None = None
    faults: bool = False
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Listed:
    """One page of a list: its rows, and how many there are in all."""

    rows: tuple[dict[str, Any], ...]
    total: int


def list_visits(archive: Archive, search: VisitSearch | None = None, *, offset: int = 0, limit: int = 25) -> Listed:
    """Return visits, the one with the newest capture first.

    Returns
    -------
    Listed
        Rows with `key, folder, vessel, terminal, head, captures, first_at, last_at, faults, warnings` and `last`: name,
        verdict, satellite and sentence of the newest capture that was identified, or None.
    """
    search = search or VisitSearch()
    summed, last = _summed(CAPTURE.c.visit), _last_of(CAPTURE.c.visit)
    query = (
        sa.select(VISIT, *(summed.c[n] for n in _SUMS), *(last.c[n].label(f"last_{n}") for n in _LAST))
        .join(summed, summed.c.visit == VISIT.c.key)
        .outerjoin(last, sa.and_(last.c.visit == VISIT.c.key, last.c.place == 1))
        .where(*_conditions(search, summed, last))
    )
    return _page(archive, query, (summed.c.last_at.desc(), VISIT.c.key), offset, limit)


def list_terminals(archive: Archive, text: str | None = None, *, offset: int = 0, limit: int = 25) -> Listed:
    """Return terminals (vessel and terminal), the one that was swept last first; rows as of `list_visits`."""
    summed, last = _summed(CAPTURE.c.vessel, CAPTURE.c.terminal), _last_of(CAPTURE.c.vessel, CAPTURE.c.terminal)
    same = sa.and_(
        last.c.vessel.is_not_distinct_from(summed.c.vessel),
        last.c.terminal.is_not_distinct_from(summed.c.terminal),
        last.c.place == 1,
    )
    query = sa.select(
        summed.c.vessel,
        summed.c.terminal,
        *(summed.c[n] for n in _SUMS),
        *(last.c[n].label(f"last_{n}") for n in _LAST),
    ).outerjoin(last, same)
    if text:
        query = query.where(sa.or_(_holds(summed.c.vessel, text), _holds(summed.c.terminal, text)))
    return _page(archive, query, (summed.c.last_at.desc(), summed.c.vessel, summed.c.terminal), offset, limit)


_SUMS = ("captures", "visits", "first_at", "last_at", "faults", "warnings")


def _summed(*by: sa.Column[Any]) -> sa.Subquery:
    c = CAPTURE.c
    columns = (
        sa.func.count().label("captures"),
        sa.func.count(sa.distinct(c.visit)).label("visits"),
        sa.func.min(c.captured_at).label("first_at"),
        sa.func.max(c.captured_at).label("last_at"),
        sa.func.sum(c.faults).label("faults"),
        sa.func.sum(c.warnings).label("warnings"),
    )
    return sa.select(*by, *columns).where(c.replaced.is_(False)).group_by(*by).subquery()


def _last_of(*by: sa.Column[Any]) -> sa.Subquery:
    """Return the identified captures of each group, numbered from the newest."""
    c = CAPTURE.c
    place = sa.func.row_number().over(partition_by=by, order_by=(c.captured_at.desc(), c.id.desc())).label("place")
    chosen = sa.select(*by, *(c[n] for n in _LAST if c[n] not in by), place)
    return chosen.where(c.replaced.is_(False), c.verdict.is_not(None)).subquery()


def _conditions(search: VisitSearch, summed: sa.Subquery, last: sa.Subquery) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    if search.text:
        places = (VISIT.c.vessel, VISIT.c.terminal, VISIT.c.folder, VISIT.c.head, last.c.satellite)
        found.append(sa.or_(*(_holds(place, search.text) for place in places)))
    for column, value in ((VISIT.c.vessel, search.vessel), (VISIT.c.terminal, search.terminal)):
        if value:
            found.append(column == value)
    if search.verdict:
        found.append(last.c.verdict == search.verdict)
    if search.finding:
        code = FINDING.c.code
        beginning = search.finding.partition("*")[0]
        fits = code.startswith(beginning, autoescape=True) if "*" in search.finding else code == search.finding
        inside = sa.select(CAPTURE.c.visit).join(FINDING, FINDING.c.capture == CAPTURE.c.id)
        found.append(VISIT.c.key.in_(inside.where(fits, FINDING.c.answer == "yes", CAPTURE.c.replaced.is_(False))))
    if search.faults:
        found.append(summed.c.faults > 0)
    if search.since is not None:
        found.append(summed.c.last_at >= rfc3339(search.since))
    if search.until is not None:
        found.append(summed.c.first_at < rfc3339(search.until))
    return found


def _holds(column: Any, text: str) -> sa.ColumnElement[bool]:
    return sa.func.lower(column).contains(text.lower(), autoescape=True)


def _page(archive: Archive, query: sa.Select[Any], order: Sequence[Any], offset: int, limit: int) -> Listed:
    with told(archive.where), reading(archive.engine) as connection:
        total = connection.execute(sa.select(sa.func.count()).select_from(query.subquery())).scalar_one()
        chosen = query.order_by(*order).offset(offset).limit(limit)
        rows = connection.execute(chosen).mappings().all()
        keys = {row["last_result"] for row in rows} - {None}
        bodies = connection.execute(sa.select(RESULT.c.key, RESULT.c.body).where(RESULT.c.key.in_(keys))).all()
    sentences = {key: (unpack(body)["identification"] or {}).get("sentence", "") for key, body in bodies}
    return Listed(tuple(_row(row, sentences) for row in rows), int(total))


def _row(row: Mapping[Any, Any], sentences: Mapping[str, str]) -> dict[str, Any]:
    value = {name: row[name] for name in row if not name.startswith("last_") or name == "last_at"}
    if "head" in value:
        value["head"] = json.loads(value["head"])["head"]
    last = {name: row[f"last_{name}"] for name in _LAST if name != "result"}
    last["sentence"] = sentences.get(row["last_result"], "")
    value["last"] = None if last["key"] is None else last
    value["faults"], value["warnings"] = int(value["faults"] or 0), int(value["warnings"] or 0)
    return value


def baselines(archive: Archive, after_id: int = 0) -> tuple[list[dict[str, Any]], int]:
    """Return the captures whose context names them a baseline, stored after a capture's id, and the highest id seen.

    A role has no column of its own, so contexts are looked through; a stored context never changes, and a second call
    with the id returned looks only at what came since.

    Returns
    -------
    rows : list of dict
        `key, name, vessel, terminal, captured_at`.
    highest : int
    """
    c = CAPTURE.c
    columns = (c.id, c.key, c.name, c.vessel, c.terminal, c.captured_at, c.context)
    found, highest = [], after_id
    with told(archive.where), reading(archive.engine) as connection:
        for row in connection.execute(sa.select(*columns).where(c.id > after_id).order_by(c.id)).mappings():
            highest = row["id"]
            if unpack(row["context"])["context"].get("role") == "baseline":
                found.append({name: row[name] for name in ("key", "name", "vessel", "terminal", "captured_at")})
    return found, highest
