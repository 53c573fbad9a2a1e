"""The store: open it, save inspections, decide on them, supersede, erase and check them.

Every change is one transaction under the store's one write lock, photos included: a kill at any moment leaves
either all of it or nothing. Nothing recorded is ever overwritten; what is wrong is superseded.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import time
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pydantic import ValidationError
from sqlalchemy import Connection, Engine, create_engine, event, make_url, select
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from toeline.errors import RecordError
from toeline.record import chain, search
from toeline.record import tables as t
from toeline.record.backup import BackupReport, read_backup, verify_backup, write_backup
from toeline.record.checking import (
    CheckReport,
    Finding,
    check_contents,
    check_links,
    check_photos,
    clock_notes,
    named_photos,
)
from toeline.record.migrations import migrate
from toeline.record.models import (
    AGREES,
    Decision,
    Erasure,
    Identity,
    Inspection,
    NewDecision,
    Page,
    StoredPhoto,
    Tidied,
    TrendPoint,
    clean_text,
)
from toeline.record.photos import UNKNOWN_KIND, PhotoFolder, media_type
from toeline.result import Result, Settings

#: Names the advisory lock that writers on PostgreSQL take; any fixed number of our own.
_PG_LOCK = 0x746F656C696E65

#: How long a writer waits for another one, s.
_PATIENCE_S = 30

#: How long a batch's measurements are kept.
_KEPT_FOR = timedelta(days=30)


#: The record's file in a folder of its own.
FILE = "record.sqlite"


def default_store() -> str:
    """Where the record lies unless told otherwise: ``TOELINE_STORE`` (a path or URL), else the XDG data folder."""
    if named := os.environ.get("TOELINE_STORE"):
        return named
    data = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return str(Path(data) / "toeline" / FILE)


def settings_digest(settings: Settings, version: str) -> str:
    """The key under which a measurement is kept: same settings, same toeline version, same answer."""
    return chain.digest(chain.canonical([version, settings.model_dump(mode="json")]))


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Store:
    """A record of inspections. Use it in a ``with``; it may be shared between threads.

    ``Store.open()`` makes the store on first use. Errors are ``RecordError``; no text of one names a person.
    """

    def __init__(self, engine: Engine, photos: PhotoFolder) -> None:
        self._engine = engine
        self._photos = photos

    @classmethod
    def open(cls, where: str | os.PathLike[str] | None = None, photos: str | os.PathLike[str] | None = None) -> Self:
        """Open the store at a file's or folder's path (SQLite) or a URL, making or migrating it as needed.

        A new path without an ending is made a folder.
        ``photos`` is the photo folder; by default ``photos`` beside an SQLite file, and for a server
        ``TOELINE_PHOTOS`` or a folder of the database's name in the data folder.
        """
        store = cls._connected(where, photos)
        try:
            with store._writing() as connection:
                store_id = store._prepare(connection)
            store._photos.claim(store_id)
        except BaseException:
            store.close()
            raise
        return store

    @classmethod
    def restore(
        cls,
        archive: str | os.PathLike[str],
        into: str | os.PathLike[str] | None = None,
        photos: str | os.PathLike[str] | None = None,
    ) -> BackupReport:
        """Put a backup's record into a new or empty store, places as in :meth:`open`; all of it, or nothing.

        Raises ``RecordError`` where the archive is damaged or newer, or the store already holds inspections.
        """
        report = verify_backup(Path(archive))
        with cls._connected(into, photos) as store:
            store._photos.make()
            with store._writing() as connection:
                read_backup(connection, store._photos, Path(archive))
                store_id = store._prepare(connection, restoring=True)
            store._photos.claim(store_id)
        return report

    @classmethod
    def _connected(cls, where: str | os.PathLike[str] | None, photos: str | os.PathLike[str] | None) -> Self:
        target = os.fspath(where) if where is not None else default_store()
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
            target = f"sqlite:///{path}"
        try:
            url = make_url(target)
            if url.drivername == "postgresql":
                url = url.set(drivername="postgresql+psycopg")
            if url.get_backend_name() not in ("sqlite", "postgresql") or not url.database:
                raise RecordError("A record is a file's path or a postgresql:// URL with a database's name.")
            folder = Path(photos or os.environ.get("TOELINE_PHOTOS") or _beside(url.get_backend_name(), url.database))
            engine = create_engine(url, hide_parameters=True)  # parameters hold names, and errors get logged
        except (ArgumentError, NoSuchModuleError):
            raise RecordError("A record is a file's path or a postgresql:// URL with a database's name.") from None
        except ModuleNotFoundError as error:
            raise RecordError(
                f"The driver {error.name} is missing: install toeline with its postgresql extra."
            ) from error
        if url.get_backend_name() == "sqlite":
            event.listen(engine, "connect", _prepare_sqlite)
            event.listen(engine, "begin", _begin_sqlite)
        return cls(engine, PhotoFolder(folder))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @property
    def where(self) -> str:
        """The store's place, without a password."""
        url = self._engine.url
        return str(url.database) if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=True)

    # -- writing -----------------------------------------------------------------------------------------------

    def save_inspection(
        self,
        result: Result,
        photo: bytes,
        identity: Identity,
        *,
        more_photos: Sequence[tuple[str, bytes]] = (),
        remarks: str | None = None,
        criteria: str | None = None,
        decision: NewDecision | None = None,
    ) -> Inspection:
        """Record an inspection: all of it, or nothing.

        ``photo`` are the measured photo's original bytes, ``more_photos`` further ones as (name, bytes);
        ``criteria`` the text of the criteria file the result was judged by. A ``decision`` is recorded with it.
        """
        return self._save(result, photo, identity, more_photos, remarks, criteria, decision, None, None)

    def supersede(
        self,
        old: str,
        result: Result,
        photo: bytes,
        identity: Identity,
        *,
        why: str,
        more_photos: Sequence[tuple[str, bytes]] = (),
        remarks: str | None = None,
        criteria: str | None = None,
        decision: NewDecision | None = None,
    ) -> Inspection:
        """Record an inspection in the place of ``old``, which stays as it was; ``why`` must be said."""
        if not why.strip():
            raise RecordError("Say why the earlier inspection is superseded.")
        return self._save(result, photo, identity, more_photos, remarks, criteria, decision, old, why)

    def decide(self, inspection: str, decision: NewDecision) -> Decision:
        """Record a person's decision on an inspection; the latest one holds, the earlier ones stay.

        Raises ``RecordError`` where it differs from the tool's outcome without a reason, or where the inspection
        was superseded.
        """
        with self._writing() as connection:
            row = connection.execute(select(t.inspection).where(t.inspection.c.id == inspection)).mappings().first()
            if row is None:
                raise RecordError(f"There is no inspection {inspection}.")
            if connection.execute(select(t.inspection.c.id).where(t.inspection.c.supersedes == inspection)).first():
                raise RecordError("This inspection was superseded: decide on the one in its place.")
            return self._decide(connection, inspection, row["outcome"], decision)

    def erase_person(self, name: str) -> Erasure:
        """Erase a person's name wherever it stands, with every remark, reason and file name that mentions it.

        The file names of that welder's photos go in any case. Nicknames in remarks cannot be known: search for them.
        The chain stays whole: it covers salted digests, and the salts go too. Older backups still hold the name;
        so does a PostgreSQL server's own write-ahead log until the server recycles it.
        """
        mentions = _mentions(name)
        now, erasure = _now(), uuid.uuid4().hex
        with self._writing() as connection:
            held = connection.execute(select(t.personal).where(t.personal.c.value.is_not(None))).mappings().all()
            welded = {row["inspection_id"] for row in held if row["field"] == "welder" and mentions(row["value"])}
            rows = [
                row
                for row in held
                if mentions(row["value"]) or (row["field"] == "photo_names" and row["inspection_id"] in welded)
            ]
            for row in rows:
                connection.execute(
                    t.personal.update()
                    .where(t.personal.c.subject == row["subject"], t.personal.c.field == row["field"])
                    .values(value=None, salt=None, erasure=erasure)
                )
            if rows:
                fields = [(row["subject"], row["field"]) for row in rows]
                chain.append(connection, now, "erasure", erasure, chain.erasure_content(fields))
        self._scrub()
        return Erasure(fields=len(rows), inspections=len({row["inspection_id"] for row in rows}))

    def remember(self, photo_sha256: str, settings: str, result: Result) -> None:
        """Keep a measurement so that an interrupted batch need not repeat it; ``settings``: :func:`settings_digest`.

        What was kept a month ago goes.
        """
        anonymous = _without_name(result)
        key = (t.measured.c.photo_sha256 == photo_sha256) & (t.measured.c.settings_digest == settings)
        with self._writing() as connection:
            long_ago = (datetime.now(UTC) - _KEPT_FOR).strftime("%Y-%m-%d")
            connection.execute(t.measured.delete().where(key | (t.measured.c.at < long_ago)))
            connection.execute(
                t.measured.insert().values(
                    photo_sha256=photo_sha256, settings_digest=settings, at=_now(), result=anonymous.to_json(None)
                )
            )

    def tidy(self, *, keep_days: float) -> Tidied:
        """Set files aside that no inspection names, and let go of what has been aside for longer than ``keep_days``.

        Such files are left by a save that was killed, or the database is an older copy: photos in quarantine that
        inspections do name are brought back first. Nothing is deleted by anything else than this.
        """
        if not 0 <= keep_days < float("inf"):
            raise RecordError("Say for how many days files are kept in quarantine: 0 or more.")
        with self._writing() as connection:  # under the lock: no save is between its photo and its inspection
            named = named_photos(connection)
            brought_back = self._photos.bring_back(named)
            let_go = self._photos.let_go(named, keep_days * 86_400)
            strays = self._photos.strays(named)
            for path in strays:
                self._photos.set_aside(path)
        return Tidied(set_aside=len(strays), brought_back=brought_back, let_go=let_go)

    # -- reading -----------------------------------------------------------------------------------------------

    def get(self, inspection: str) -> Inspection:
        """The inspection with that id. Raises ``RecordError`` where there is none."""
        with self._reading() as connection:
            return _inspection(connection, inspection)

    def photo(self, sha256: str) -> bytes:
        """A photo's original bytes, verified. Raises ``RecordError`` where it is missing or damaged."""
        return self._photos.read(sha256)

    def search(self, text: str = "", filters: search.Filters | None = None, **paging: Any) -> Page:
        """Inspections that match; see :func:`toeline.record.search.find` for ``sort``, ``descending``, paging."""
        with self._reading() as connection:
            return search.find(connection, text, filters or search.Filters(), **paging)

    def values(self, field: str) -> tuple[str, ...]:
        """Every value in use of an identity's field, sorted: for choosing a welder, a procedure, a job."""
        with self._reading() as connection:
            return search.values(connection, field)

    def trend(self, measure: str, *, welder: str | None = None, procedure: str | None = None) -> tuple[TrendPoint, ...]:
        """One measure over time for a welder or a procedure, oldest first; see :func:`search.trend`."""
        with self._reading() as connection:
            return search.trend(connection, measure, welder=welder, procedure=procedure)

    def measured(self, photo_sha256: str, settings: str) -> Result | None:
        """A kept measurement. Its ``photo.name`` is blank, as file names carry people's names: put it back."""
        query = select(t.measured.c.result).where(
            t.measured.c.photo_sha256 == photo_sha256, t.measured.c.settings_digest == settings
        )
        with self._reading() as connection:
            found = connection.execute(query).scalar()
        return Result.model_validate_json(found) if found else None

    def export_person(self, name: str) -> dict[str, Any]:
        """Everything recorded that names a person, as JSON data: for the person's own right to see it."""
        mentions = _mentions(name)
        with self._reading() as connection:
            hits: dict[str, None] = {}
            for row in connection.execute(select(t.personal).where(t.personal.c.value.is_not(None))).mappings():
                if mentions(row["value"]):
                    hits[row["inspection_id"]] = None
            found = [_inspection(connection, one) for one in hits]
        found.sort(key=lambda one: one.number)
        return {
            "schema": "toeline.person/1",
            "exported_at": _now(),
            "inspections": [one.model_dump(mode="json", by_alias=True) for one in found],
        }

    def head(self) -> str:
        """The newest entry's digest: printed on a report and kept elsewhere, it vouches for all before it."""
        with self._reading() as connection:
            return (
                connection.execute(select(t.ledger.c.digest).order_by(t.ledger.c.seq.desc()).limit(1)).scalar()
                or chain.GENESIS
            )

    def check(self, head: str | None = None) -> CheckReport:
        """Go through the whole chain, every record and every photo. ``head``: a digest that must be in the chain."""
        with self._reading() as connection:
            entries = connection.execute(select(t.ledger).order_by(t.ledger.c.seq)).mappings().all()
            findings = [
                *check_links(entries),
                *check_contents(connection, entries),
                *check_photos(connection, self._photos),
            ]
            photos = named_photos(connection)
            counts = connection.execute(select(t.inspection.c.id)).all()
            erased = connection.execute(select(t.personal.c.field).where(t.personal.c.erasure.is_not(None))).all()
        if head is not None and head not in {entry["digest"] for entry in entries}:
            text = "The chain does not hold this digest: entries were cut off or it is another record's."
            findings.append(Finding(kind="head", where=head[:12], text=text))
        return CheckReport(
            entries=len(entries),
            inspections=len(counts),
            photos=len(photos),
            erased=len(erased),
            strays=len(self._photos.strays(photos)),
            head=entries[-1]["digest"] if entries else chain.GENESIS,
            findings=tuple(findings),
            notes=tuple(clock_notes(entries)),
        )

    def backup(self, archive: str | os.PathLike[str], *, overwrite: bool = False) -> BackupReport:
        """Write the whole record to one archive file, and see that it can be restored; see :meth:`restore`.

        Raises ``RecordError`` where there is a file of that name already, unless it may be overwritten.
        """
        with self._reading() as connection:
            return write_backup(connection, self._photos, Path(archive), overwrite=overwrite)

    # -- inside ------------------------------------------------------------------------------------------------

    def _prepare(self, connection: Connection, *, restoring: bool = False) -> str:
        """Bring the schema up to date and see that the photo folder is its own; gives the store's id."""
        migrate(connection)
        store_id = connection.execute(select(t.store_info.c.id)).scalar()
        if store_id is None:
            store_id = uuid.uuid4().hex
            connection.execute(t.store_info.insert().values(id=store_id))
        holds_photos = not restoring and connection.execute(select(t.inspection_photo.c.sha256).limit(1)).first()
        self._photos.check_owner(str(store_id), holds_photos=bool(holds_photos))
        self._photos.make()
        return str(store_id)

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """A transaction under the store's one write lock."""
        with self._transaction(self._engine.execution_options(writes=True)) as connection:
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql(f"select pg_advisory_xact_lock({_PG_LOCK})")
            yield connection

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the store throughout."""
        engine = self._engine
        if engine.dialect.name == "postgresql":
            engine = engine.execution_options(isolation_level="REPEATABLE READ")
        with self._transaction(engine) as connection:
            yield connection

    @contextmanager
    def _transaction(self, engine: Engine) -> Iterator[Connection]:
        try:
            with engine.begin() as connection:
                yield connection
        except SQLAlchemyError as error:
            raise RecordError(f"The record at {self.where} cannot be used: {_cause(error)}.") from None

    def _scrub(self) -> None:
        """Leave no copy of erased text in the database's own files."""
        try:
            with self._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                if connection.dialect.name == "sqlite":
                    connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
                else:
                    connection.exec_driver_sql("vacuum (full) personal")
        except SQLAlchemyError as error:
            raise RecordError(
                f"The name is erased, but the database's own files could not be tidied ({_cause(error)}): erase again."
            ) from None

    def _save(
        self,
        result: Result,
        photo: bytes,
        identity: Identity,
        more_photos: Sequence[tuple[str, bytes]],
        remarks: str | None,
        criteria: str | None,
        decision: NewDecision | None,
        supersedes: str | None,
        why: str | None,
    ) -> Inspection:
        if chain.digest(photo) != result.photo.sha256:
            raise RecordError("The photo given is not the one that was measured.")
        files = [(result.photo.name, photo), *more_photos]
        shas = [chain.digest(data) for _, data in files]
        if len(set(shas)) != len(shas):
            raise RecordError("The same photo was given twice.")
        judgement = result.judgement
        row = {
            "id": uuid.uuid4().hex,
            "created_at": _now(),
            **identity.model_dump(mode="json", exclude={"welder", "inspector"}),
            "result": _without_name(result).to_json(None),
            "outcome": judgement.outcome if judgement else None,
            "criteria_id": judgement.criteria if judgement else None,
            "criteria_digest": chain.digest(criteria.encode()) if criteria else None,
            "supersedes": supersedes,
        }
        names = json.dumps([name for name, _ in files], ensure_ascii=False)
        personal = {
            "welder": identity.welder,
            "inspector": identity.inspector,
            "remarks": clean_text(remarks),
            "why_superseded": clean_text(why),
            "photo_names": names,
        }
        parts: list[Path] = []
        try:
            for (_, data), sha in zip(files, shas, strict=True):
                parts.append(self._photos.stage(data, sha))
            with self._writing() as connection:
                if supersedes is not None:
                    _may_supersede(connection, supersedes)
                for part, sha, (_, data) in zip(parts, shas, files, strict=True):
                    self._photos.adopt(part)
                    if not connection.execute(select(t.photo.c.sha256).where(t.photo.c.sha256 == sha)).first():
                        kind = media_type(data)
                        connection.execute(t.photo.insert().values(sha256=sha, size=len(data), media_type=kind))
                if (
                    criteria
                    and not connection.execute(
                        select(t.criteria.c.digest).where(t.criteria.c.digest == row["criteria_digest"])
                    ).first()
                ):
                    connection.execute(t.criteria.insert().values(digest=row["criteria_digest"], text=criteria))
                connection.execute(t.inspection.insert().values(row))
                for place, sha in enumerate(shas):
                    connection.execute(
                        t.inspection_photo.insert().values(inspection_id=row["id"], place=place, sha256=sha)
                    )
                for name, quantity in result.measures.items():
                    if quantity.value is not None:
                        connection.execute(
                            t.measure.insert().values(
                                inspection_id=row["id"],
                                name=name,
                                value=quantity.value,
                                U=quantity.U,
                                unit=quantity.unit,
                            )
                        )
                commitments = _commit_personal(connection, str(row["id"]), str(row["id"]), personal)
                content = chain.inspection_content(row, enumerate(shas), commitments, row["criteria_digest"])
                chain.append(connection, str(row["created_at"]), "inspection", str(row["id"]), content)
                if decision is not None:
                    self._decide(connection, str(row["id"]), row["outcome"], decision)
                return _inspection(connection, str(row["id"]))
        finally:
            for part in parts:
                part.unlink(missing_ok=True)

    def _decide(self, connection: Connection, inspection: str, outcome: Any, decision: NewDecision) -> Decision:
        if outcome is not None and AGREES[outcome] != decision.decision and not decision.reason:
            raise RecordError(f"The tool says {outcome}: say why you {decision.decision} it.")
        taken = connection.execute(select(t.decision.c.id).where(t.decision.c.inspection_id == inspection)).all()
        row = {
            "id": uuid.uuid4().hex,
            "inspection_id": inspection,
            "number": len(taken) + 1,
            "at": _now(),
            "decision": decision.decision,
        }
        connection.execute(t.decision.insert().values(row))
        said = {"by": decision.by, "reason": decision.reason}
        commitments = _commit_personal(connection, str(row["id"]), inspection, said)
        content = chain.decision_content(row, commitments)
        chain.append(connection, str(row["at"]), "decision", str(row["id"]), content)
        return Decision(
            id=str(row["id"]), at=str(row["at"]), decision=decision.decision, by=decision.by, reason=decision.reason
        )


def _cause(error: SQLAlchemyError) -> str:
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
        f"busy_timeout={_PATIENCE_S * 1000}",
        "journal_mode=WAL",
        "foreign_keys=ON",
        "synchronous=FULL",  # a record must outlive a power cut, not only a kill
        "secure_delete=ON",  # what is erased is overwritten
    ):
        _patiently(cursor, f"pragma {pragma}")
    cursor.close()


def _patiently(cursor: Any, statement: str) -> None:
    """Run a statement, again while another turns a new file to write-ahead mode: SQLite's own timeout ignores that."""
    until = time.monotonic() + _PATIENCE_S
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


def _mentions(name: str) -> Any:
    """A test for whether a text names the person: the whole name as words, whatever its case."""
    words = name.split()
    if not words:
        raise RecordError("Give the person's name.")
    pattern = re.compile(r"(?<![^\W_])" + r"[\s_.-]+".join(map(re.escape, words)) + r"(?![^\W_])", re.IGNORECASE)
    return lambda text: pattern.search(text) is not None


def _without_name(result: Result) -> Result:
    """The result without its photo's file name, which often is a person's name."""
    return result.model_copy(update={"photo": result.photo.model_copy(update={"name": ""})})


def _may_supersede(connection: Connection, old: str) -> None:
    if not connection.execute(select(t.inspection.c.id).where(t.inspection.c.id == old)).first():
        raise RecordError(f"There is no inspection {old}.")
    if connection.execute(select(t.inspection.c.id).where(t.inspection.c.supersedes == old)).first():
        raise RecordError("That inspection was superseded already: supersede the one in its place.")


def _commit_personal(
    connection: Connection, subject: str, inspection: str, fields: Mapping[str, str | None]
) -> dict[str, str]:
    """Store the personal fields that are there; gives their commitments for the chain."""
    commitments = {}
    for field, value in fields.items():
        if value is None:
            continue
        salt = chain.new_salt()
        commitments[field] = chain.commitment(salt, field, value)
        connection.execute(
            t.personal.insert().values(
                subject=subject,
                field=field,
                inspection_id=inspection,
                value=value,
                salt=salt,
                commitment=commitments[field],
            )
        )
    return commitments


def _inspection(connection: Connection, wanted: str) -> Inspection:
    row = connection.execute(select(t.inspection).where(t.inspection.c.id == wanted)).mappings().first()
    if row is None:
        raise RecordError(f"There is no inspection {wanted}.")
    entry = connection.execute(select(t.ledger).where(t.ledger.c.subject == wanted)).mappings().one()
    personal: dict[str, dict[str, str | None]] = {}
    erased = []
    for field in connection.execute(select(t.personal).where(t.personal.c.inspection_id == wanted)).mappings():
        personal.setdefault(field["subject"], {})[field["field"]] = field["value"]
        if field["erasure"] is not None:
            erased.append(field["field"])
    own = personal.get(wanted, {})
    shas = connection.execute(
        select(t.inspection_photo.c.sha256, t.photo.c.size, t.photo.c.media_type)
        .outerjoin(t.photo, t.inspection_photo.c.sha256 == t.photo.c.sha256)
        .where(t.inspection_photo.c.inspection_id == wanted)
        .order_by(t.inspection_photo.c.place)
    ).mappings()
    named = own.get("photo_names")
    names = json.loads(named) if named else None
    photos = tuple(
        StoredPhoto(
            sha256=row["sha256"],
            size=row["size"] or 0,
            media_type=row["media_type"] or UNKNOWN_KIND,
            name=names[k] if names else None,
        )
        for k, row in enumerate(shas)
    )
    decisions = tuple(
        Decision(
            id=one["id"],
            at=one["at"],
            decision=one["decision"],
            by=personal.get(one["id"], {}).get("by"),
            reason=personal.get(one["id"], {}).get("reason"),
        )
        for one in connection.execute(
            select(t.decision).where(t.decision.c.inspection_id == wanted).order_by(t.decision.c.number)
        ).mappings()
    )
    try:
        result = Result.model_validate_json(row["result"])
    except ValidationError:
        raise RecordError(f"The result of inspection {wanted} cannot be read: check the record.") from None
    name = photos[0].name if photos and photos[0].name else f"{result.photo.sha256[:12]} (name erased)"
    return Inspection(
        id=row["id"],
        number=entry["seq"],
        digest=entry["digest"],
        created_at=row["created_at"],
        identity=Identity(
            welder=own.get("welder"), inspector=own.get("inspector"), **{k: row[k] for k in search.PLAIN_FIELDS}
        ),
        remarks=own.get("remarks"),
        result=result.model_copy(update={"photo": result.photo.model_copy(update={"name": name})}),
        criteria=connection.execute(
            select(t.criteria.c.text).where(t.criteria.c.digest == row["criteria_digest"])
        ).scalar(),
        photos=photos,
        decisions=decisions,
        supersedes=row["supersedes"],
        superseded_by=connection.execute(select(t.inspection.c.id).where(t.inspection.c.supersedes == wanted)).scalar(),
        why_superseded=own.get("why_superseded"),
        erased=tuple(sorted(erased)),
    )
