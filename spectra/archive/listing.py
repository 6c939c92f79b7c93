"""Lists of visits and of terminals, page by page, counted and cut in the database."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from spectra.archive.database import reading, told
from spectra.archive.lists import fold
from spectra.archive.record import rfc3339, unpack
from spectra.archive.schema import CAPTURE, RESULT, VISIT, VISIT_LIST
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
    v = VISIT_LIST.c
    query = sa.select(VISIT, *(v[name] for name in _VISIT_SUMS)).join(VISIT_LIST, v.visit == VISIT.c.key)
    query = query.where(*_conditions(search))
    with told(archive.where), reading(archive.engine) as connection:
        cut = query.order_by(v.last_at.desc(), v.visit).offset(offset).limit(limit)
        rows = connection.execute(cut).mappings().all()
        counted = sa.select(sa.func.count()).select_from(VISIT_LIST)
        if search.vessel or search.terminal:
            counted = counted.join(VISIT, v.visit == VISIT.c.key)
        total = connection.execute(counted.where(*_conditions(search))).scalar_one()
        ids = {row["last"] for row in rows} - {None}
        chosen = sa.select(CAPTURE.c.id, *(CAPTURE.c[name] for name in _LAST)).where(CAPTURE.c.id.in_(ids))
        lasts = {row["id"]: row for row in connection.execute(chosen).mappings()}
        sentences = _sentences(connection, lasts.values())
    return Listed(tuple(_row(row, lasts.get(row["last"]), sentences) for row in rows), int(total))


def list_terminals(archive: Archive, text: str | None = None, *, offset: int = 0, limit: int = 25) -> Listed:
    """Return terminals (vessel and terminal), the one that was swept last first; rows as of `list_visits`."""
    summed = _summed(CAPTURE.c.vessel, CAPTURE.c.terminal)
    query = sa.select(summed.c.vessel, summed.c.terminal, *(summed.c[n] for n in _SUMS))
    if text:
        query = query.where(_named(archive, summed, text))
    by = ("vessel", "terminal")
    return _page(archive, query, (summed.c.last_at.desc(), summed.c.vessel, summed.c.terminal), offset, limit, by)


_SUMS = ("captures", "visits", "first_at", "last_at", "faults", "warnings")
_VISIT_SUMS = ("captures", "first_at", "last_at", "faults", "warnings", "last")


def _named(archive: Archive, summed: sa.Subquery, text: str) -> sa.ColumnElement[bool]:
    """Say that vessel or terminal hold a text: there are few names of them, and a database folds only some letters."""
    wanted, found = fold(text), []
    with told(archive.where), reading(archive.engine) as connection:
        for name in ("vessel", "terminal"):
            names = connection.execute(sa.select(CAPTURE.c[name]).distinct()).scalars()
            found.append(summed.c[name].in_([one for one in names if one is not None and wanted in fold(one)]))
    return sa.or_(*found)


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


def _last_of(*by: sa.Column[Any], within: Sequence[sa.ColumnElement[bool]] = ()) -> sa.Subquery:
    """Return the identified captures of each group, numbered from the newest."""
    c = CAPTURE.c
    place = sa.func.row_number().over(partition_by=by, order_by=(c.captured_at.desc(), c.id.desc())).label("place")
    chosen = sa.select(*by, *(c[n] for n in _LAST if c[n] not in by), place)
    return chosen.where(c.replaced.is_(False), c.verdict.is_not(None), *within).subquery()


def _conditions(search: VisitSearch) -> list[sa.ColumnElement[bool]]:
    v = VISIT_LIST.c
    found: list[sa.ColumnElement[bool]] = []
    if search.text:
        found.append(v.words.contains(fold(search.text), autoescape=True))
    for column, value in ((VISIT.c.vessel, search.vessel), (VISIT.c.terminal, search.terminal)):
        if value:
            found.append(column == value)
    if search.verdict:
        found.append(v.verdict == search.verdict)
    if search.finding:
        beginning, star, _ = search.finding.partition("*")
        found.append(v.codes.contains(f" {beginning}" if star else f" {beginning} ", autoescape=True))
    if search.faults:
        found.append(v.faults > 0)
    if search.since is not None:
        found.append(v.last_at >= rfc3339(search.since))
    if search.until is not None:
        found.append(v.first_at < rfc3339(search.until))
    return found


def _page(
    archive: Archive, query: sa.Select[Any], order: Sequence[Any], offset: int, limit: int, by: tuple[str, ...]
) -> Listed:
    """Return one page; `by` are the columns of a capture that a row gathers."""
    columns = [CAPTURE.c[name] for name in by]
    with told(archive.where), reading(archive.engine) as connection:
        counted = query.add_columns(sa.func.count().over().label("total"))
        rows = connection.execute(counted.order_by(*order).offset(offset).limit(limit)).mappings().all()
        total = rows[0]["total"] if rows else 0
        if not rows and offset:  # beyond the last page
            total = connection.execute(sa.select(sa.func.count()).select_from(query.subquery())).scalar_one()
        firsts = {row[by[0]] for row in rows}
        within = columns[0].in_(firsts - {None})
        last = _last_of(*columns, within=[sa.or_(within, columns[0].is_(None)) if None in firsts else within])
        newest = connection.execute(sa.select(last).where(last.c.place == 1)).mappings().all()
        sentences = _sentences(connection, newest)
    lasts = {tuple(row[name] for name in by): row for row in newest}
    return Listed(tuple(_row(row, lasts.get(tuple(row[name] for name in by)), sentences) for row in rows), int(total))


def _sentences(connection: sa.Connection, captures: Iterable[Mapping[Any, Any]]) -> dict[str, str]:
    """Return what the results of captures say in a sentence, by the results' keys."""
    keys = {row["result"] for row in captures} - {None}
    bodies = connection.execute(sa.select(RESULT.c.key, RESULT.c.body).where(RESULT.c.key.in_(keys))).all()
    return {key: (unpack(body)["identification"] or {}).get("sentence", "") for key, body in bodies}


def _row(row: Mapping[Any, Any], last: Mapping[Any, Any] | None, sentences: Mapping[str, str]) -> dict[str, Any]:
    value = {name: row[name] for name in row if name not in ("total", "last")}
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

    A second call with the id returned looks only at what came since.

    Returns
    -------
    rows : list of dict
        `key, name, vessel, terminal, captured_at`.
    highest : int
    """
    c = CAPTURE.c
    names = ("key", "name", "vessel", "terminal", "captured_at")
    with told(archive.where), reading(archive.engine) as connection:
        highest = connection.execute(sa.select(sa.func.max(c.id))).scalar() or 0
        query = sa.select(*(c[name] for name in names)).where(c.role == "baseline", c.id > after_id, c.id <= highest)
        found = [dict(row) for row in connection.execute(query.order_by(c.id)).mappings()]
    return found, max(after_id, highest)
