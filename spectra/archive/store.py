"""The archive: what is stored, whole or not at all, once and for good."""

from __future__ import annotations

import dataclasses
import hashlib
import zlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from spectra.archive.database import default_path, open_engine, reading, told, writing
from spectra.archive.lists import Touched, capture_words, role_of
from spectra.archive.ready import PackedBody, PackedFile, body_of, file_of
from spectra.archive.record import CaptureRecord, EntryRecord, RawFile, ResultRecord, pack, unpack
from spectra.archive.schema import BLOB, CAPTURE, CARRIER, CHAIN, FINDING, PLAN, RAW, RESULT, VISIT
from spectra.errors import ArchiveError

__all__ = ["Archive", "PlanFile", "VisitRow", "open_archive"]


@dataclass(frozen=True, slots=True)
class PlanFile:
    """A carrier table or a receive chain as it was: content hash, bytes, and its rows or its name."""

    sha256: str
    raw: RawFile
    rows: int = 0
    name: str = ""


@dataclass(frozen=True, slots=True)
class VisitRow:
    """What is kept of a visit itself; its captures name it."""

    key: str
    folder: str
    vessel: str | None
    terminal: str | None
    head: str


def open_archive(where: str | Path | None = None, *, create: bool = True) -> Archive:
    """Open an archive.

    Parameters
    ----------
    where : str, Path or None
        Path of an SQLite file or the URL of a PostgreSQL database; None takes that of the user's data folder.
    create : bool
        False refuses a path where no archive is.

    Raises
    ------
    ArchiveError
        If it cannot be opened, is no archive, or was made by a newer version.
    """
    place = str(default_path() if where is None else where)
    return Archive(open_engine(place, create=create), place)


_OWN: sa.BindParameter[Any] = sa.bindparam("own")
_BLOB_THERE = sa.select(BLOB.c.size).where(BLOB.c.sha256 == sa.bindparam("wanted"))
_CAPTURE_ID = sa.select(CAPTURE.c.id).where(CAPTURE.c.key == sa.bindparam("wanted"))
_REPLACE = (
    sa.update(CAPTURE)
    .where(CAPTURE.c.raw_key.in_(sa.bindparam("same", expanding=True)), CAPTURE.c.replaced.is_(False))
    .where(CAPTURE.c.id.not_in(sa.bindparam("own", expanding=True)))
    .values(replaced=True)
    .returning(CAPTURE.c.visit)
)
_CURRENT_MADE = sa.select(RESULT.c.made_at).join(CAPTURE, CAPTURE.c.result == RESULT.c.key).where(CAPTURE.c.id == _OWN)
_SUMMARY = (
    *("verdict", "satellite", "polarisation", "lo_state", "lo_error_hz", "lo_error_std_hz"),
    *("carriers", "faults", "warnings"),
)
_SUMMARISE = (
    sa.update(CAPTURE)
    .where(CAPTURE.c.id == _OWN)
    .values(
        result=sa.bindparam("current"),
        words=sa.bindparam("new_words"),
        **{name: sa.bindparam(f"new_{name}") for name in _SUMMARY},
    )
)
_NAMES_OF = sa.select(CAPTURE.c.name, CAPTURE.c.vessel, CAPTURE.c.terminal, CAPTURE.c.visit).where(CAPTURE.c.id == _OWN)
_DERIVED = ("words", "role")
"""Columns that follow from others, for searching."""
_BLOBS_THERE = sa.select(BLOB.c.sha256).where(BLOB.c.sha256.in_(sa.bindparam("wanted", expanding=True)))
_CLEAR = {table.name: sa.delete(table).where(table.c.capture == _OWN) for table in (FINDING, CARRIER)}
_INSERT = {table.name: sa.insert(table) for table in (RAW, RESULT, FINDING, CARRIER)}
# statements made once: SQLAlchemy then knows them by sight


class _Rows:
    """What new captures of a transaction have besides their own rows: written together, since each statement costs.

    Files by their hash, rows by the name of their table, in the order in which they may be written; and of each raw
    sweep the capture that came last, which replaces the others of it.
    """

    def __init__(self) -> None:
        self.files: dict[str, RawFile | PackedFile] = {}
        self.of: dict[str, list[dict[str, Any]]] = {name: [] for name in _INSERT}
        self.newest: dict[str, int] = {}


def _result_row(key: str, id_: int, result: ResultRecord, body: PackedBody) -> dict[str, Any]:
    return {
        "key": key,
        "capture": id_,
        "software": result.software,
        "made_at": result.made_at,
        "plan": result.plan_sha256,
        "chain": result.chain_sha256,
        "body": body.data,
    }


class Archive:
    """An open archive. Every method is one transaction; several processes may work on one archive.

    Use it in a ``with`` statement, or call `close`.
    """

    def __init__(self, engine: sa.Engine, where: str) -> None:
        self.engine = engine
        self.where = where
        self._inserts: dict[str, Any] = {}

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def holds(self, entry: str, plan: str | None, chain: str | None, software: str) -> bool:
        """Say whether an entry is stored with a result of that plan, chain and software."""
        query = (
            sa.select(RESULT.c.key)
            .join(CAPTURE, CAPTURE.c.id == RESULT.c.capture)
            .where(CAPTURE.c.entry == entry, RESULT.c.software == software)
            .where(RESULT.c.plan.is_not_distinct_from(plan), RESULT.c.chain.is_not_distinct_from(chain))
            .limit(1)
        )
        with told(self.where), reading(self.engine) as connection:
            return connection.execute(query).first() is not None

    def holds_all(self, entries: Sequence[str], plan: str | None, chain: str | None, software: str) -> set[str]:
        """Return which of some entries are stored with a result of that plan, chain and software."""
        if not entries:
            return set()
        query = (
            sa.select(CAPTURE.c.entry)
            .join(RESULT, CAPTURE.c.id == RESULT.c.capture)
            .where(CAPTURE.c.entry.in_(entries), RESULT.c.software == software)
            .where(RESULT.c.plan.is_not_distinct_from(plan), RESULT.c.chain.is_not_distinct_from(chain))
        )
        with told(self.where), reading(self.engine) as connection:
            return set(connection.execute(query).scalars())

    def holds_raw(self, hashes: Collection[str]) -> set[str]:
        """Return which of some raw files are stored, by their SHA-256."""
        if not hashes:
            return set()
        with told(self.where), reading(self.engine) as connection:
            return set(connection.execute(sa.select(BLOB.c.sha256).where(BLOB.c.sha256.in_(hashes))).scalars())

    def add(
        self,
        record: EntryRecord,
        *,
        visit: VisitRow | None = None,
        plan: PlanFile | None = None,
        chain: PlanFile | None = None,
        replaced: bool = False,
    ) -> bool:
        """Store an entry with all its captures, in one transaction.

        `replaced` says of captures that are new here that their raw sweep came again elsewhere with another context:
        they then replace none.

        Returns
        -------
        bool
            Whether anything was new; what is there already stays as it is.

        Raises
        ------
        ArchiveError
            If it cannot be stored; nothing of it is then there.
        """
        return self.add_all([record], visit=visit, plan=plan, chain=chain, replaced=replaced)[0]

    def add_all(
        self,
        records: Sequence[EntryRecord],
        *,
        visit: VisitRow | None = None,
        plan: PlanFile | None = None,
        chain: PlanFile | None = None,
        replaced: bool = False,
    ) -> list[bool]:
        """Store entries of one visit in one transaction, all or none; else as for `add`, one answer an entry."""
        with told(self.where), writing(self.engine) as connection:
            if plan is not None:
                self._plan(connection, plan)
            if chain is not None:
                self._chain(connection, chain)
            if visit is not None:
                self._once(connection, VISIT, dataclasses.asdict(visit), VISIT.c.key)
            found = []
            touched, rows = Touched(), _Rows()
            for record in records:
                fresh = [self._capture(connection, one, visit, replaced, touched, rows) for one in record.captures]
                found.append(any(fresh))
            self._write(connection, rows)
            if rows.newest:
                values = {"same": list(rows.newest), "own": list(rows.newest.values())}
                touched.whole(connection.execute(_REPLACE, values).scalars())
            touched.sum_up(connection)
            return found

    def add_result(
        self, capture_key: str, result: ResultRecord, *, plan: PlanFile | None, chain: PlanFile | None
    ) -> bool:
        """Store another result of a stored capture and make it the current one; False where it was there."""
        with told(self.where), writing(self.engine) as connection:
            if plan is not None:
                self._plan(connection, plan)
            if chain is not None:
                self._chain(connection, chain)
            id_ = connection.execute(sa.select(CAPTURE.c.id).where(CAPTURE.c.key == capture_key)).scalar_one()
            touched = Touched()
            fresh = self._result(connection, id_, capture_key, result, touched)
            touched.sum_up(connection)
            return fresh

    def _insert(self, table: sa.Table) -> Any:
        dialect = postgresql if self.engine.dialect.name == "postgresql" else sqlite
        return dialect.insert(table)

    def _once(
        self,
        connection: sa.Connection,
        table: sa.Table,
        values: Mapping[str, Any],
        key: sa.Column[Any],
        told: sa.Column[Any] | None = None,
    ) -> Any:
        """Insert a row unless its key is there; return its key (or the column `told`), None where it was there."""
        insert = self._inserts.get(table.name)
        if insert is None:  # one statement a table: made and understood once, not once a row
            insert = self._insert(table).on_conflict_do_nothing(index_elements=[key])
            insert = self._inserts[table.name] = insert.returning(key if told is None else told)
        return connection.execute(insert, dict(values)).scalar()

    def _blob(self, connection: sa.Connection, file: RawFile | PackedFile) -> str:
        digest = file.sha256
        # most files come again: do not compress what is there
        if connection.execute(_BLOB_THERE, {"wanted": digest}).first() is None:
            packed = file_of(file)
            self._once(connection, BLOB, {"sha256": digest, "size": packed.size, "data": packed.data}, BLOB.c.sha256)
        return digest

    def _plan(self, connection: sa.Connection, plan: PlanFile) -> None:
        values = {"sha256": plan.sha256, "file": plan.raw.name, "rows": plan.rows}
        if connection.execute(sa.select(PLAN.c.rows).where(PLAN.c.sha256 == plan.sha256)).first() is None:
            self._once(connection, PLAN, {**values, "blob": self._blob(connection, plan.raw)}, PLAN.c.sha256)

    def _chain(self, connection: sa.Connection, chain: PlanFile) -> None:
        values = {"sha256": chain.sha256, "file": chain.raw.name, "name": chain.name}
        if connection.execute(sa.select(CHAIN.c.name).where(CHAIN.c.sha256 == chain.sha256)).first() is None:
            self._once(connection, CHAIN, {**values, "blob": self._blob(connection, chain.raw)}, CHAIN.c.sha256)

    def _capture(
        self,
        connection: sa.Connection,
        capture: CaptureRecord,
        visit: VisitRow | None,
        replaced: bool,
        touched: Touched,
        rows: _Rows,
    ) -> bool:
        """Store a capture and its result; say whether anything was new.

        `touched` gets the visits whose lists change with it, `rows` what a new capture has besides its own row.
        """
        body, result_key = body_of(capture.result.body), capture.result.key(capture.key)
        values = {
            "key": capture.key,
            "entry": capture.entry,
            "raw_key": capture.raw_key,
            "number": capture.number,
            "name": capture.name,
            "visit": None if visit is None else visit.key,
            "captured_at": capture.captured_at,
            "vessel": capture.vessel,
            "terminal": capture.terminal,
            "context": capture.packed_context or pack(capture.context),
            "replaced": replaced,
            "role": role_of(capture.context["context"]),
            "words": capture_words(capture.name, capture.vessel, capture.terminal, body.summary["satellite"]),
            "result": result_key,
            **body.summary,
        }
        id_ = self._once(connection, CAPTURE, values, CAPTURE.c.key, CAPTURE.c.id)
        if id_ is None:
            self._write(connection, rows)  # it may have come in this very transaction
            id_ = connection.execute(_CAPTURE_ID, {"wanted": capture.key}).scalar_one()
            return self._result(connection, id_, capture.key, capture.result, touched)
        touched.add(values["visit"], id_)
        if not replaced:
            rows.newest[capture.raw_key] = id_
        for position, file in enumerate(capture.raw):
            rows.files.setdefault(file.sha256, file)
            rows.of[RAW.name].append({"capture": id_, "position": position, "blob": file.sha256, "file": file.name})
        rows.of[RESULT.name].append(_result_row(result_key, id_, capture.result, body))
        for table, more in ((FINDING, body.findings), (CARRIER, body.carriers)):
            rows.of[table.name] += [{"capture": id_, **row} for row in more]
        return True

    def _write(self, connection: sa.Connection, rows: _Rows) -> None:
        """Write what was gathered for new captures."""
        # most files come again: do not send what is there
        there = connection.execute(_BLOBS_THERE, {"wanted": list(rows.files)}).scalars() if rows.files else ()
        missing = rows.files.keys() - set(there)
        if missing:
            packed = [(digest, file_of(rows.files[digest])) for digest in sorted(missing)]
            blobs = [{"sha256": digest, "size": file.size, "data": file.data} for digest, file in packed]
            connection.execute(self._insert(BLOB).on_conflict_do_nothing(index_elements=[BLOB.c.sha256]), blobs)
        rows.files.clear()
        for name, gathered in rows.of.items():
            if gathered:
                connection.execute(_INSERT[name], gathered)
                gathered.clear()

    def _result(
        self, connection: sa.Connection, id_: int, capture_key: str, result: ResultRecord, touched: Touched
    ) -> bool:
        body = body_of(result.body)
        values = _result_row(result.key(capture_key), id_, result, body)
        if not self._once(connection, RESULT, values, RESULT.c.key):
            return False
        current = connection.execute(_CURRENT_MADE, {"own": id_}).scalar()
        if current is None or result.made_at >= current:
            visit = self._make_current(connection, id_, values["key"], body)
            if current is not None:  # what an earlier result had told no longer holds
                touched.whole([visit])
        return True

    def _make_current(self, connection: sa.Connection, id_: int, key: Any, body: PackedBody) -> str | None:
        """Let columns and search rows of a capture follow a result; return its visit."""
        own = connection.execute(_NAMES_OF, {"own": id_}).one()
        words = capture_words(own.name, own.vessel, own.terminal, body.summary["satellite"])
        new = {**body.summary, "words": words}
        connection.execute(_SUMMARISE, {"own": id_, "current": key, **{f"new_{k}": v for k, v in new.items()}})
        for table, rows in ((FINDING, body.findings), (CARRIER, body.carriers)):
            connection.execute(_CLEAR[table.name], {"own": id_})
            if rows:
                connection.execute(_INSERT[table.name], [{"capture": id_, **row} for row in rows])
        visit: str | None = own.visit
        return visit

    def blob(self, sha256: str) -> bytes:
        """Return raw bytes.

        Raises
        ------
        ArchiveError
            If they are not there, or no longer what their hash says.
        """
        with told(self.where), reading(self.engine) as connection:
            data = connection.execute(sa.select(BLOB.c.data).where(BLOB.c.sha256 == sha256)).scalar()
        return checked_bytes(self.where, sha256, data)

    def capture(self, key: str) -> dict[str, Any]:
        """Return one capture with its context and all its results, the current one first.

        Parameters
        ----------
        key : str
            Key of the capture, or the beginning of it that fits only one.

        Raises
        ------
        ArchiveError
            If no capture has that key, or several begin with it.
        """
        with told(self.where), reading(self.engine) as connection:
            # keys are hexadecimal digits: all that begin so lie between these two, and an index finds them
            begins = (CAPTURE.c.key >= key) & (CAPTURE.c.key < key + "g")
            found = connection.execute(sa.select(CAPTURE).where(begins).limit(2)).mappings().all()
            if len(found) != 1:
                what = "no capture" if not found else "several captures"
                raise ArchiveError(
                    self.where, None, f"{what} whose key begins with {key!r}", "one", "See archive list for the keys."
                )
            return capture_value(connection, found[0])

    def raw_files(self, key: str) -> list[RawFile]:
        """Return the raw files of a capture, each checked against its hash."""
        return [RawFile(item["file"], self.blob(item["sha256"])) for item in self.capture(key)["raw"]]

    def plan_file(self, sha256: str, kind: str = "plan") -> PlanFile:
        """Return a carrier table (``plan``) or a receive chain (``chain``) as it was stored."""
        table = PLAN if kind == "plan" else CHAIN
        with told(self.where), reading(self.engine) as connection:
            row = connection.execute(sa.select(table).where(table.c.sha256 == sha256)).mappings().first()
        if row is None:
            raise ArchiveError(self.where, None, f"no {kind} {sha256}", "one that is stored", "Name another.")
        raw = RawFile(row["file"], self.blob(row["blob"]))
        return PlanFile(sha256, raw, row.get("rows", 0), row.get("name", ""))


def checked_bytes(where: str, sha256: str, data: bytes | None) -> bytes:
    """Return unpacked bytes if they are what their hash says."""
    raw = None
    if data is not None:
        try:
            raw = zlib.decompress(data)
        except zlib.error:
            raw = None
    if raw is None or hashlib.sha256(raw).hexdigest() != sha256:
        found = "raw bytes that are not there" if data is None else "raw bytes that are damaged"
        raise ArchiveError(where, None, f"{found} ({sha256})", "bytes with that SHA-256", "Take them from a backup.")
    return raw


def capture_value(connection: sa.Connection, row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return a capture's row with everything that hangs on it, ids left out: they mean nothing elsewhere."""
    raw = connection.execute(sa.select(RAW).where(RAW.c.capture == row["id"]).order_by(RAW.c.position)).mappings()
    results = connection.execute(sa.select(RESULT).where(RESULT.c.capture == row["id"])).mappings().all()
    ordered = sorted(results, key=lambda r: (r["key"] != row["result"], r["made_at"], r["key"]))
    value = {name: row[name] for name in row if name not in ("id", "context", *_DERIVED)}
    value["replaced"] = bool(value["replaced"])
    return {
        **value,
        **unpack(row["context"]),
        "raw": [{"file": item["file"], "sha256": item["blob"]} for item in raw],
        "results": [
            {**{name: r[name] for name in ("key", "software", "made_at", "plan", "chain")}, **unpack(r["body"])}
            for r in ordered
        ],
    }


def plan_files(paths: Sequence[tuple[Path | None, Any]]) -> tuple[PlanFile | None, PlanFile | None]:
    """Return carrier table and receive chain, each given as (path, loaded), as files to store."""
    (table_path, table), (chain_path, chain) = paths
    plan = None
    if table is not None and table_path is not None:
        plan = PlanFile(table.sha256, RawFile(table_path.name, table_path.read_bytes()), rows=len(table))
    held = None
    if chain is not None and chain_path is not None:
        held = PlanFile(chain.sha256, RawFile(chain_path.name, chain_path.read_bytes()), name=chain.name)
    return plan, held
