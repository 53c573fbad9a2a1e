"""The record's database: where it lies, how it is opened, on SQLite or PostgreSQL."""

from __future__ import annotations

import os
import re
import sqlite3
import time
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from toeline.errors import RecordError

#: How long a writer waits for another one, s.
PATIENCE_S = 30

#: The record's file in a folder of its own.
FILE = "record.sqlite"


def default_store() -> str:
    """Where the record lies unless told otherwise: ``TOELINE_STORE`` (a path or URL), else the XDG data folder."""
    if named := os.environ.get("TOELINE_STORE"):
        return named
    data = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return str(Path(data) / "toeline" / FILE)


def connect(target: str) -> tuple[Engine, Path]:
    """The engine for a file's or folder's path or a URL, and where its photos lie unless told otherwise.

    Raises ``RecordError`` where it is no such place, or a folder cannot be made.
    """
    if "://" not in target:
        path = Path(target).expanduser().absolute()
        # a new path without an ending is a folder to be
        path = path / FILE if path.is_dir() or not (path.suffix or path.exists()) else path
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)  # it holds names
            if not path.exists():
                os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))  # SQLite's own further files follow it
        except OSError as error:
            raise RecordError(f"The folder {path.parent} cannot be made: {error.strerror}.") from error
    try:
        url = make_url(target) if "://" in target else URL.create("sqlite", database=str(path))
        if url.drivername == "postgresql":
            url = url.set(drivername="postgresql+psycopg")
        # a file is named by its path alone, where all that guards it looks
        if url.get_backend_name() != ("postgresql" if "://" in target else "sqlite") or not url.database:
            raise RecordError("A record is a file's path or a postgresql:// URL with a database's name.")
        folder = _beside(url.get_backend_name(), url.database)
        engine = create_engine(url, hide_parameters=True)  # parameters hold names, and errors get logged
    except (ArgumentError, NoSuchModuleError):
        raise RecordError("A record is a file's path or a postgresql:// URL with a database's name.") from None
    except ModuleNotFoundError as error:
        raise RecordError(f"The driver {error.name} is missing: install toeline with its postgresql extra.") from error
    if url.get_backend_name() == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine, folder


def tidy_files(connection: Connection) -> bool:
    """Leave no copy of what was deleted in the database's own files; says whether that was done.

    SQLite's write-ahead log cannot be cut while another program reads it: that is waited for.
    """
    if connection.dialect.name != "sqlite":
        connection.exec_driver_sql("vacuum (full) personal, inspection")
        return True
    until = time.monotonic() + PATIENCE_S
    while True:
        busy, *_ = connection.exec_driver_sql("pragma wal_checkpoint(truncate)").one()
        if not busy:
            return True
        if time.monotonic() > until:
            return False
        time.sleep(0.1)


def cause(error: SQLAlchemyError) -> str:
    """What the database said, without the statement and its parameters."""
    return str(getattr(error, "orig", None) or type(error).__name__).splitlines()[0]


def _beside(backend: str, database: str) -> Path:
    """The photo folder where none is named."""
    if backend == "sqlite":
        return Path(database).parent / "photos"
    data = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(data) / "toeline" / f"{re.sub(r'[^A-Za-z0-9_-]', '_', database)}-photos"


def _prepare_sqlite(connection: Any, _: ConnectionPoolEntry) -> None:
    connection.isolation_level = None  # the driver's own transactions do not cover all we do: we begin ourselves
    connection.create_function("lower", 1, lambda text: text and str(text).casefold(), deterministic=True)
    cursor = connection.cursor()
    for pragma in (
        f"busy_timeout={PATIENCE_S * 1000}",
        "journal_mode=WAL",
        "foreign_keys=ON",
        "synchronous=FULL",  # a record must outlive a power cut, not only a kill
        "secure_delete=ON",  # what is erased is overwritten
    ):
        _patiently(cursor, f"pragma {pragma}")
    cursor.close()


def _patiently(cursor: Any, statement: str) -> None:
    """Run a statement, again while another turns a new file to write-ahead mode: SQLite's own timeout ignores that."""
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            cursor.execute(statement)
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.02)


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("begin immediate" if writes else "begin")
