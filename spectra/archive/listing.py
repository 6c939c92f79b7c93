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

    `text` is looked for in vessel, terminal, folder, head and identified satellites, whatever the case. `verdict` is
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
    summed = _summed(CAPTURE.c.visit)
    query = sa.select(VISIT, *(summed.c[n] for n in _SUMS)).join(summed, summed.c.visit == VISIT.c.key)
    query = query.where(*_conditions(search, summed))
    if search.verdict:
        # only here the newest captures of all visits have to be looked at, not of those on the page alone
        last = _last_of(CAPTURE.c.visit, names=("verdict",))
        query = query.join(last, sa.and_(last.c.visit == VISIT.c.key, last.c.place == 1))
        query = query.where(last.c.verdict == search.verdict)
    return _page(archive, query, (summed.c.last_at.desc(), VISIT.c.key), offset, limit, ("visit",), ("key",))


def list_terminals(archive: Archive, text: str | None = None, *, offset: int = 0, limit: int = 25) -> Listed:
    """Return terminals (vessel and terminal), the one that was swept last first; rows as of `list_visits`."""
    summed = _summed(CAPTURE.c.vessel, CAPTURE.c.terminal)
    query = sa.select(summed.c.vessel, summed.c.terminal, *(summed.c[n] for n in _SUMS))
    if text:
        query = query.where(sa.or_(_holds(summed.c.vessel, text), _holds(summed.c.terminal, text)))
    by = ("vessel", "terminal")
    return _page(archive, query, (summed.c.last_at.desc(), summed.c.vessel, summed.c.terminal), offset, limit, by, by)


_SUMS = ("captures", "visits", "first_at", "last_at", "faults", "warnings")


def _summed(*by: sa.Column[Any]) -> sa.Subquery:
    c = CAPTURE.c
    columns = (
        sa.func.count().label("captures"),
        (sa.literal(1) if by == (c.visit,) else sa.func.count(sa.distinct(c.visit))).label("visits"),
        sa.func.min(c.captured_at).label("first_at"),
        sa.func.max(c.captured_at).label("last_at"),
        sa.func.sum(c.faults).label("faults"),
        sa.func.sum(c.warnings).label("warnings"),
    )
    return sa.select(*by, *columns).where(c.replaced.is_(False)).group_by(*by).subquery()


def _last_of(
    *by: sa.Column[Any], within: Sequence[sa.ColumnElement[bool]] = (), names: Sequence[str] = _LAST
) -> sa.Subquery:
    """Return the identified captures of each group, numbered from the newest."""
    c = CAPTURE.c
    place = sa.func.row_number().over(partition_by=by, order_by=(c.captured_at.desc(), c.id.desc())).label("place")
    chosen = sa.select(*by, *(c[n] for n in names if c[n] not in by), place)
    return chosen.where(c.replaced.is_(False), c.verdict.is_not(None), *within).subquery()


def _conditions(search: VisitSearch, summed: sa.Subquery) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    if search.text:
        places = (VISIT.c.vessel, VISIT.c.terminal, VISIT.c.folder, VISIT.c.head)
        seen = sa.select(CAPTURE.c.visit).where(_holds(CAPTURE.c.satellite, search.text), CAPTURE.c.replaced.is_(False))
        found.append(sa.or_(*(_holds(place, search.text) for place in places), VISIT.c.key.in_(seen)))
    for column, value in ((VISIT.c.vessel, search.vessel), (VISIT.c.terminal, search.terminal)):
        if value:
            found.append(column == value)
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


def _page(
    archive: Archive,
    query: sa.Select[Any],
    order: Sequence[Any],
    offset: int,
    limit: int,
    by: tuple[str, ...],
    names: tuple[str, ...],
) -> Listed:
    """Return one page; `by` are the columns of a capture that a row gathers, `names` the row's own names of them."""
    columns = [CAPTURE.c[name] for name in by]
    with told(archive.where), reading(archive.engine) as connection:
        counted = query.add_columns(sa.func.count().over().label("total"))
        rows = connection.execute(counted.order_by(*order).offset(offset).limit(limit)).mappings().all()
        total = rows[0]["total"] if rows else 0
        if not rows and offset:  # beyond the last page
            total = connection.execute(sa.select(sa.func.count()).select_from(query.subquery())).scalar_one()
        firsts = {row[names[0]] for row in rows}
        within = columns[0].in_(firsts - {None})
        last = _last_of(*columns, within=[sa.or_(within, columns[0].is_(None)) if None in firsts else within])
        newest = connection.execute(sa.select(last).where(last.c.place == 1)).mappings().all()
        keys = {row["result"] for row in newest} - {None}
        bodies = connection.execute(sa.select(RESULT.c.key, RESULT.c.body).where(RESULT.c.key.in_(keys))).all()
    sentences = {key: (unpack(body)["identification"] or {}).get("sentence", "") for key, body in bodies}
    lasts = {tuple(row[name] for name in by): row for row in newest}
    return Listed(
        tuple(_row(row, lasts.get(tuple(row[name] for name in names)), sentences) for row in rows), int(total)
    )


def _row(row: Mapping[Any, Any], last: Mapping[Any, Any] | None, sentences: Mapping[str, str]) -> dict[str, Any]:
    value = {name: row[name] for name in row if name != "total"}
    if "head" in value:
        value["head"] = json.loads(value["head"])["head"]
    value["last"] = None
    if last is not None:
        said = {name: last[name] for name in _LAST if name != "result"}
        value["last"] = {**said, "sentence": sentences.get(last["result"], "")}
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
