"""What lists show and search of captures and visits, kept beside them so that no list has to gather it anew.

All of it follows from what is stored elsewhere: it is no part of what an archive holds, and goes into no bundle.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Container, Iterable, Mapping
from typing import Any

import sqlalchemy as sa

from spectra.archive.schema import CAPTURE, FINDING, NOTE, VISIT, VISIT_LIST

__all__ = ["Touched", "capture_words", "fold", "role_of", "sum_up", "sum_up_all"]

_LONGEST = 160
"""Characters of one name that can be searched for: an index of PostgreSQL holds rows up to 2.7 kB."""
_BETWEEN = "\n"
_AT_ONCE = 500


def fold(text: str) -> str:
    """Return a text as it is searched: whatever its case, in every alphabet, and however its accents are written."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())


def capture_words(name: str, vessel: str | None, terminal: str | None, satellite: str | None) -> str:
    """Return what a word is looked for in, of a capture."""
    return fold(_BETWEEN.join(part[:_LONGEST] for part in (name, vessel, terminal, satellite) if part))


def role_of(context: Mapping[str, Any]) -> str | None:
    """Return the role that a stored context tells, as far as its column holds it."""
    role = context.get("role")
    return None if role is None else str(role)[:16]


def _visit_words(visit: Mapping[Any, Any], title: str | None, satellites: Iterable[str]) -> str:
    head = json.loads(visit["head"]).get("head", {})
    said = [str(value) for value in head.values() if isinstance(value, str)]
    said += [str(value) for value in (head.get("extra") or {}).values()]
    parts = [visit["vessel"], visit["terminal"], visit["folder"], title, *said, *satellites]
    return fold(_BETWEEN.join(dict.fromkeys(part for part in parts if part)))


class Touched:
    """Which visits a transaction changed: captures added alone, or more, so that the whole visit has to be seen."""

    def __init__(self) -> None:
        self._added: dict[str, set[int]] = {}
        self._whole: set[str] = set()

    def add(self, visit: str | None, capture: int) -> None:
        """Tell that a capture with its first result came to a visit."""
        if visit is not None:
            self._added.setdefault(visit, set()).add(capture)

    def whole(self, visits: Iterable[str | None]) -> None:
        """Tell that captures of visits changed or no longer count."""
        self._whole.update(key for key in visits if key is not None)

    def sum_up(self, connection: sa.Connection) -> None:
        """Make the lists follow."""
        sum_up(connection, [*self._added, *self._whole], self._whole, self._added)


def sum_up(
    connection: sa.Connection,
    visits: Iterable[str],
    whole: Container[str] | None = None,
    added: Mapping[str, set[int]] | None = None,
) -> None:
    """Make the rows of `VISIT_LIST` anew for visits whose captures, results or notes changed in this transaction.

    Visits that are not `whole` (None: all are) only got captures `added`: those alone are looked through for what they
    show, so that it makes no difference how many are there.
    """
    keys = sorted(set(visits))
    names = tuple(VISIT.c[name] for name in ("key", "folder", "vessel", "terminal", "head"))
    for start in range(0, len(keys), _AT_ONCE):
        some = sa.select(*names).where(VISIT.c.key.in_(keys[start : start + _AT_ONCE])).order_by(VISIT.c.key)
        # of two at once at a visit the second waits here, and then sees what the first stored
        for visit in connection.execute(some.with_for_update(key_share=True)).mappings().all():
            key = visit["key"]
            ids = None if whole is None or key in whole else (added or {}).get(key)
            before = connection.execute(_LISTED, {"key": key}).mappings().first()
            row = _summed(connection, visit, None if before is None else ids, before)
            connection.execute(_UNLIST, {"key": key})
            if row["captures"]:
                connection.execute(_LIST, row)


def sum_up_all(connection: sa.Connection) -> None:
    """Make the rows of all visits."""
    sum_up(connection, connection.execute(sa.select(VISIT.c.key)).scalars().all())


_C = CAPTURE.c
_MINE = (_C.visit == sa.bindparam("key"), _C.replaced.is_(False))
_AMONG = _C.id.in_(sa.bindparam("ids", expanding=True))
_SUMS = sa.select(
    sa.func.count().label("captures"),
    sa.func.min(_C.captured_at).label("first_at"),
    sa.func.max(_C.captured_at).label("last_at"),
    sa.func.coalesce(sa.func.sum(_C.faults), 0).label("faults"),
    sa.func.coalesce(sa.func.sum(_C.warnings), 0).label("warnings"),
).where(*_MINE)
_LAST = sa.select(_C.id, _C.verdict).where(*_MINE, _C.verdict.is_not(None))
_LAST = _LAST.order_by(_C.captured_at.desc(), _C.id.desc()).limit(1)
_SATELLITES = sa.select(_C.satellite).where(*_MINE, _C.satellite.is_not(None)).distinct()
_CODES = sa.select(FINDING.c.code).join(CAPTURE, _C.id == FINDING.c.capture).where(*_MINE).distinct()
_CODES = _CODES.where(FINDING.c.answer == "yes")
_LISTED = sa.select(VISIT_LIST).where(VISIT_LIST.c.visit == sa.bindparam("key"))
_UNLIST = sa.delete(VISIT_LIST).where(VISIT_LIST.c.visit == sa.bindparam("key"))
_LIST = sa.insert(VISIT_LIST)
# statements made once: SQLAlchemy then knows them by sight
_SATELLITES_OF_SOME, _CODES_OF_SOME = _SATELLITES.where(_AMONG), _CODES.where(_AMONG)


def _summed(
    connection: sa.Connection, visit: Mapping[Any, Any], ids: set[int] | None, before: Mapping[Any, Any] | None
) -> dict[str, Any]:
    mine = {"key": visit["key"]}
    row = dict(connection.execute(_SUMS, mine).mappings().one())
    last = connection.execute(_LAST, mine).first()
    if ids is None:
        seen, codes = (set(connection.execute(query, mine).scalars()) for query in (_SATELLITES, _CODES))
    else:
        some = {**mine, "ids": list(ids)}
        queries = (_SATELLITES_OF_SOME, _CODES_OF_SOME)
        seen, codes = (set(connection.execute(query, some).scalars()) for query in queries)
    if ids is None or before is None:
        words = _visit_words(visit, _title(connection, visit["key"]), sorted(seen))
    else:
        parts = [*before["words"].split(_BETWEEN), *(fold(name) for name in sorted(seen))]
        words = _BETWEEN.join(dict.fromkeys(parts))
        codes |= set(before["codes"].split())
    return {
        **row,
        "visit": visit["key"],
        "last": None if last is None else last.id,
        "verdict": None if last is None else last.verdict,
        "words": words,
        "codes": "".join(f" {code}" for code in sorted(codes)) + " ",
    }


def _title(connection: sa.Connection, visit: str) -> str | None:
    """Return the title that was kept for a visit last."""
    written = sa.select(NOTE.c.body).where(NOTE.c.visit == visit).order_by(NOTE.c.saved_at.desc(), NOTE.c.key.desc())
    note = connection.execute(written.limit(1)).scalar()
    return None if note is None else json.loads(note)["texts"].get("title")
