"""Backup to one archive file that says what must be in it, and restore that believes nothing unchecked.

The archive is a ZIP: ``tables/NAME.jsonl`` one row a line, ``photos/SHA256`` original bytes, ``manifest.json`` with
the schema version and the SHA-256 of every other file. It does not depend on the database it came from, so a
record can be moved from SQLite to PostgreSQL and back.
"""

from __future__ import annotations

import glob
import hashlib
import json
import lzma
import os
import re
import sqlite3
import struct
import time
import uuid
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlalchemy import ColumnElement, Connection, MetaData, Table, create_engine, select
from sqlalchemy.exc import CompileError, DataError, IntegrityError

from toeline.errors import RecordError
from toeline.record import tables as t
from toeline.record.chain import canonical
from toeline.record.checking import check_contents, check_links
from toeline.record.erasing import where_photos_lie
from toeline.record.migrations import HEAD, KNOWN, migrate, version_of
from toeline.record.photos import STALE_S, PhotoFolder
from toeline.result import Model
from toeline.text import shown_path

FORMAT = "toeline.backup/1"

#: Kept measurements are no part of the record, and a restored record is a store of its own.
_LEFT_OUT = ("store_info",)


#: What zipfile and its unpackers raise on bytes that are no archive, or one packed in a way that they cannot read;
#: RuntimeError is theirs for a password, and json's for nesting without end.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    struct.error,
    ValueError,
    OverflowError,
    RuntimeError,
)

#: An archive that unpacks to more than this in one piece is none that was written here, in bytes.
_LARGEST_MANIFEST = 200_000_000
_LARGEST_PHOTO = 500_000_000
_LONGEST_ROW = 100_000_000


class BackupReport(Model):
    """What went into, or came out of, an archive; ``sha256`` is the archive's own."""

    path: str
    sha256: str
    inspections: int
    photos: int
    head: str


class _Manifest(Model):
    format: str
    schema_version: str
    head: str
    tables: tuple[str, ...]
    rows: dict[str, int]
    files: dict[str, str]


def write_backup(
    connection: Connection, photos: PhotoFolder, archive: Path, *, overwrite: bool = False
) -> BackupReport:
    """Write the archive from one consistent view of the store; it takes its name only once a record came out of it.

    Raises ``RecordError`` where there is a file already, unless it may be overwritten; where it cannot be written; or
    where what is on record does not check, as it could not be restored.
    """
    _refuse_taken(archive, overwrite)
    _forget_killed(archive)
    part = archive.with_name(f".{archive.name}.{uuid.uuid4().hex}")
    files: dict[str, str] = {}
    rows: dict[str, int] = {}
    kept = [table for table in t.metadata.sorted_tables if table.name not in _LEFT_OUT]
    try:
        part.touch(0o600, exist_ok=False)  # it holds names
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed:
            for table in kept:
                name = f"tables/{table.name}.jsonl"
                files[name], rows[table.name] = _pack_table(packed, name, connection, table)
            for sha256 in sorted(set(where_photos_lie(connection).values())):
                entry = zipfile.ZipInfo(f"photos/{sha256}")  # stored: photos are compressed already
                packed.writestr(entry, photos.read(sha256))
                files[entry.filename] = sha256
            head = connection.execute(select(t.ledger.c.digest).order_by(t.ledger.c.seq.desc()).limit(1)).scalar()
            manifest = _Manifest(
                format=FORMAT,
                schema_version=HEAD,
                head=head or "",
                tables=tuple(table.name for table in kept),
                rows=rows,
                files=files,
            )
            packed.writestr("manifest.json", manifest.model_dump_json(indent=1))
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        report = verify_backup(part)
        _rehearse(part)
        _refuse_taken(archive, overwrite)
        part.replace(archive)
    except OSError as error:
        raise RecordError(f"The backup {archive} cannot be written: {error.strerror or error}.") from error
    finally:
        part.unlink(missing_ok=True)
    return report.model_copy(update={"path": shown_path(archive)})


def verify_backup(archive: Path) -> BackupReport:
    """Read the whole archive and hold every file against its digest. Raises ``RecordError`` where one differs."""
    with _opened(archive) as packed:
        manifest = _verified_manifest(packed, archive)
    return BackupReport(
        path=shown_path(archive),
        sha256=_file_digest(archive),
        inspections=manifest.rows.get("inspection", 0),
        photos=manifest.rows.get("photo", 0),
        head=manifest.head,
    )


def _refuse_taken(archive: Path, overwrite: bool) -> None:
    if archive.exists() and not overwrite:
        raise RecordError(f"There is a file {archive} already: give another name, or say that it may be overwritten.")


def _forget_killed(archive: Path) -> None:
    """Delete what backups of this name left that were killed: it holds names. A living one is younger than that."""
    for left in archive.parent.glob(f".{glob.escape(archive.name)}.*"):
        if re.fullmatch("[0-9a-f]{32}", left.suffix[1:]) and time.time() - left.stat().st_mtime > STALE_S:
            left.unlink(missing_ok=True)


def _rehearse(archive: Path) -> None:
    """Restore the archive into a passing database, photos held against their digests where they lie."""
    # no name: SQLite's own passing database, in memory until it outgrows that, and never readable by others
    passing = create_engine("sqlite://", creator=lambda: sqlite3.connect("", isolation_level=None))
    try:
        with passing.begin() as connection:
            connection.exec_driver_sql("pragma foreign_keys=on")
            read_backup(connection, None, archive)
    except RecordError as error:
        raise RecordError(f"The backup could not be restored, and is not kept: check the record. {error}") from None
    finally:
        passing.dispose()


def read_backup(connection: Connection, photos: PhotoFolder | None, archive: Path) -> None:
    """Put an archive's record into an empty store, inside the transaction that ``connection`` is in.

    Without ``photos`` the photos stay in the archive: for finding out whether it can be restored.

    An archive of an older schema goes into tables of that schema, which are then migrated. Raises ``RecordError``
    where the archive is damaged, of a newer schema, or does not check; or where the store is not empty.
    """
    with _opened(archive) as packed:
        manifest = _verified_manifest(packed, archive)
        found = version_of(connection)
        if found is None:
            migrate(connection, manifest.schema_version)
        elif found != manifest.schema_version:
            raise RecordError(f"The archive is of schema {manifest.schema_version}: restore it into a new store.")
        elif connection.execute(select(t.ledger.c.seq).limit(1)).first():
            raise RecordError("The store to restore into already holds inspections: give a new place.")
        held = MetaData()
        held.reflect(connection, only=manifest.tables)
        try:
            for name in manifest.tables:
                for rows in _batches(packed, name):
                    connection.execute(held.tables[name].insert(), rows)
        except (ValueError, TypeError, AttributeError, CompileError, DataError, IntegrityError):
            raise RecordError(f"The backup {archive} is damaged: a row is not what a record holds.") from None
        for name, sha256 in manifest.files.items():
            if photos is not None and name.startswith("photos/"):
                photos.adopt(photos.stage(_read(packed, name, _LARGEST_PHOTO), sha256))
        migrate(connection)
    entries = connection.execute(select(t.ledger).order_by(t.ledger.c.seq)).mappings().all()
    for sha256 in sorted(where_photos_lie(connection).values()):
        if f"photos/{sha256}" not in manifest.files:
            raise RecordError(f"The archive lacks the photo {sha256[:12]}, which an inspection names.")
    for finding in (*check_links(entries), *check_contents(connection, entries)):
        raise RecordError(f"The archive's record does not check ({finding.where}): {finding.text}")
    if (entries[-1]["digest"] if entries else "") != manifest.head:
        raise RecordError("The archive's chain does not end where its manifest says.")


@contextmanager
def _opened(archive: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(archive) as packed:
            yield packed
    except FileNotFoundError:
        raise RecordError(f"There is no backup {archive}.") from None
    except _DAMAGED as error:
        said = str(error) or type(error).__name__
        raise RecordError(f"The backup {archive} is damaged ({said}): use another one.") from None
    except OSError as error:
        raise RecordError(f"The backup {archive} cannot be read ({error.strerror}): use another one.") from None


def _verified_manifest(packed: zipfile.ZipFile, archive: Path) -> _Manifest:
    try:
        manifest = _Manifest.model_validate_json(_read(packed, "manifest.json", _LARGEST_MANIFEST))
    except (KeyError, ValidationError):
        raise RecordError(f"{archive} is no backup of a toeline record.") from None
    if manifest.format != FORMAT or manifest.schema_version not in KNOWN:
        raise RecordError(
            f"The backup was written by a newer toeline (schema {manifest.schema_version}): install it to restore."
        )
    known = {table.name for table in t.metadata.sorted_tables}
    listed = {f"tables/{name}.jsonl" for name in manifest.tables} | {n for n in manifest.files if n[:7] == "photos/"}
    if not set(manifest.tables) <= known or listed != set(manifest.files):
        raise RecordError(f"The backup {archive} is damaged: its manifest does not name its files.")
    for name, expected in manifest.files.items():
        try:
            found = _packed_digest(packed, name)
        except KeyError:
            raise RecordError(f"The backup {archive} is damaged: {name} is missing.") from None
        if found != expected:
            raise RecordError(f"The backup {archive} is damaged: {name} is not what was written.")
    return manifest


def _packed_digest(packed: zipfile.ZipFile, name: str) -> str:
    running = hashlib.sha256()
    with packed.open(name) as file:
        while chunk := file.read(1 << 20):
            running.update(chunk)
    return running.hexdigest()


def _batches(packed: zipfile.ZipFile, table: str, size: int = 500) -> Iterator[list[dict[str, Any]]]:
    batch: list[dict[str, Any]] = []
    with packed.open(f"tables/{table}.jsonl") as file:
        while line := file.readline(_LONGEST_ROW):
            if not line.endswith(b"\n"):
                raise ValueError("a row without an end")
            batch.append(json.loads(line, parse_constant=_no_number))
            if len(batch) == size:
                yield batch
                batch = []
    if batch:
        yield batch


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no number of a record")


def _read(packed: zipfile.ZipFile, name: str, most: int) -> bytes:
    with packed.open(name) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise ValueError(f"{name} is larger than any that was written")
    return data


def _pack_table(packed: zipfile.ZipFile, name: str, connection: Connection, table: Table) -> tuple[str, int]:
    """Write a table row by row; gives the digest and the number of rows."""
    running, count = hashlib.sha256(), 0
    # what refers to another row comes after it, so that the rows can go back in this order
    order: ColumnElement[Any] = next(iter(table.primary_key))
    if "supersedes" in table.c:  # by its place in the chain: a clock may have been set back
        order = select(t.ledger.c.seq).where(t.ledger.c.subject == table.c.id).scalar_subquery()
    with packed.open(name, "w", force_zip64=True) as file:
        for row in connection.execute(select(table).order_by(order)).mappings():
            line = canonical(dict(row)) + b"\n"
            running.update(line)
            file.write(line)
            count += 1
    return running.hexdigest(), count


def _file_digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
