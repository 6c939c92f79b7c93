"""Opening an archive: where it lives, its settings, its revision, and what its failures mean in plain words."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event, exc

from spectra.archive.schema import HEAD
from spectra.errors import ArchiveError

__all__ = ["default_path", "open_engine", "reading", "told", "writing"]

_BUSY_MS = 60_000
"""How long a second writer waits for the first."""
_MIGRATIONS = Path(__file__).parent / "migrations"


def default_path() -> Path:
    """Return where the archive lives if nothing else is said: in the user's data folder."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "sweepmuster" / "archive.sqlite"


def open_engine(where: str, *, create: bool = True, migrations: Path = _MIGRATIONS, head: str = HEAD) -> sa.Engine:
    """Open an archive, make it if it is not there, bring an older one up to date after a backup.

    Parameters
    ----------
    where : str
        Path of an SQLite file, or the URL of a PostgreSQL database (``postgresql://...``).
    create : bool
        False refuses a path where no archive is.
    migrations : Path
        Folder of the Alembic scripts.
    head : str
        Revision that is read and written.

    Raises
    ------
    ArchiveError
        If it cannot be opened, is no archive, or was made by a newer version.
    """
    url = _url(where, create)
    engine = sa.create_engine(url)
    if url.get_backend_name() == "sqlite":
        _tame_sqlite(engine)
    try:
        with told(where):
            with reading(engine) as connection:
                found = _revision(connection, where)
            if found != head:
                _bring_up(engine, where, found, migrations, head)
    except BaseException:
        engine.dispose()  # whatever it was: no connection stays open behind it
        raise
    return engine


def _url(where: str, create: bool) -> sa.URL:
    if "://" in where:
        try:
            url = sa.make_url(where)
        except exc.ArgumentError:
            url = None
        if url is None or url.get_backend_name() not in ("postgresql", "sqlite"):
            raise ArchiveError(
                _unnamed(where), None, "an address of another kind", "a path, or postgresql://...", "Name one of these."
            )
        if url.get_backend_name() == "postgresql":
            # the one driver whose wheels need no library of the system
            url = url.set(drivername="postgresql+psycopg")
        return url
    path = Path(where)
    if path.is_dir():
        raise ArchiveError(where, None, "a folder", "a file, such as archive.sqlite", "Name a file in it.")
    if not path.exists():
        if not create:
            raise ArchiveError(
                where, None, "no archive there", "an archive file", "Name one with --archive, or make it: archive add."
            )
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise ArchiveError(
                where, None, f"a folder that cannot be made ({problem.strerror})", "a writable place", "Name another."
            ) from None
    return sa.URL.create("sqlite", database=str(path))


def _unnamed(where: str) -> str:
    """Return an address without its password: it goes into messages and logs."""
    try:
        return sa.make_url(where).render_as_string(hide_password=True)
    except exc.ArgumentError:
        return where.partition("://")[0] + "://..."


def _tame_sqlite(engine: sa.Engine) -> None:
    @event.listens_for(engine, "connect")
    def _connect(connection: Any, _: Any) -> None:
        # begin and commit are ours, so that table changes are part of a transaction too
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA synchronous = FULL")  # what is told as stored survives the plug being pulled
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        write = connection.get_execution_options().get("write", False)
        # a writer that begins as a reader can be refused half-way, when another has written meanwhile
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextlib.contextmanager
def reading(engine: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection whose statements see one state of the archive."""
    with engine.connect() as connection, connection.begin():
        yield connection


@contextlib.contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """Give a connection whose changes are stored all or not at all."""
    with engine.connect() as bare:
        connection = bare.execution_options(write=True)
        with connection.begin():
            yield connection


def _revision(connection: sa.Connection, where: str) -> str | None:
    """Return the revision of an archive, None of a database that is still empty."""
    names = sa.inspect(connection).get_table_names()
    if "alembic_version" not in names:
        if names:
            raise ArchiveError(
                _unnamed(where),
                None,
                "a database of something else (tables " + ", ".join(sorted(names)[:5]) + ")",
                "an archive, or an empty database",
                "Name another place; nothing was changed.",
            )
        return None
    return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def _bring_up(engine: sa.Engine, where: str, found: str | None, migrations: Path, head: str) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(migrations).replace("%", "%%"))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise ArchiveError(
            _unnamed(where),
            None,
            f"an archive of revision {found}, made by a newer version of the program",
            f"revision {head} or older",
            "Install the newer version; nothing was changed.",
        )
    if engine.dialect.name == "sqlite":
        if found is not None:
            _back_up(engine, where, found)
        _many_readers(engine)
    with writing(engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(hashtext('sweepmuster archive'))"))
        if _revision(connection, where) == head:
            return  # another process was faster
        config.attributes["connection"] = connection
        command.upgrade(config, head)


def _many_readers(engine: sa.Engine) -> None:
    """Switch a file to write-ahead logging: many readers beside one writer; it stays with the file.

    It cannot be done inside a transaction, and where another process is at the file SQLite refuses at once instead of
    waiting its turn: so the waiting is done here.
    """
    deadline = time.monotonic() + _BUSY_MS / 1e3
    with engine.connect() as connection:
        bare: Any = connection.connection.driver_connection
        while True:
            try:
                bare.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as problem:
                if "locked" not in str(problem) or time.monotonic() > deadline:
                    raise
            time.sleep(0.05)


def _back_up(engine: sa.Engine, where: str, found: str) -> None:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    path = Path(where)
    copy = path.with_name(f"{path.stem}.before-{found}-{stamp}{path.suffix}")
    with engine.connect() as connection:
        # the whole database as one consistent file, whoever reads or writes meanwhile
        bare: Any = connection.connection.driver_connection
        bare.execute("VACUUM INTO ?", (str(copy),))


_SQLITE_WORDS = (
    ("disk is full", "a disk that is full", "room on the disk", "Make room, then run the same command again."),
    (
        "readonly database",
        "an archive that may only be read",
        "leave to write",
        "Copy it to a place of yours, or ask who owns the folder.",
    ),
    (
        "unable to open",
        "an archive that cannot be opened",
        "a folder that is there, with leave to read and write",
        "Check the path and its permissions.",
    ),
    ("not a database", "a file that is no archive", "an archive file", "Name another file; nothing was changed."),
    (
        "malformed",
        "a damaged archive",
        "an archive in order",
        "Take the last backup; what can be read can be saved with archive export.",
    ),
    ("locked", "an archive in use", "its turn to write", "Wait for the other import to end, then run it again."),
    ("disk I/O error", "a disk that fails", "a disk in order", "Copy the archive to another disk."),
)


@contextlib.contextmanager
def told(where: str) -> Iterator[None]:
    """Turn what the database says into an `ArchiveError`; the transaction at hand is undone."""
    place = _unnamed(where) if "://" in where else where
    try:
        yield
    except (exc.DBAPIError, sqlite3.Error) as problem:
        said = str(problem.orig if isinstance(problem, exc.DBAPIError) else problem)
        for word, found, expected, mend in _SQLITE_WORDS:
            if word in said:
                raise ArchiveError(place, None, found, expected, mend) from problem
        first = said.strip().splitlines()[0] if said.strip() else type(problem).__name__
        raise ArchiveError(
            place,
            None,
            f"a database that refuses ({first})",
            "a database in order",
            "Check that it runs and lets you in.",
        ) from problem
    except ModuleNotFoundError as problem:
        raise ArchiveError(
            place,
            None,
            f"no driver {problem.name}",
            "the extra 'postgres'",
            "Install it: pip install sweepmuster[postgres].",
        ) from problem
