"""The store: open it, save inspections, decide on them, supersede, erase and check them.

Every change is one transaction under the store's one write lock, photos included: a kill at any moment leaves
either all of it or nothing. Nothing recorded is ever overwritten; what is wrong is superseded.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import SQLAlchemyError

from toeline.errors import RecordError
from toeline.record import chain, search
from toeline.record import tables as t
from toeline.record.backup import BackupReport, read_backup, verify_backup, write_backup
from toeline.record.checking import CheckReport, check_contents, check_record
from toeline.record.continuity import Kept, continuity
from toeline.record.database import cause, connect, default_store, tidy_files
from toeline.record.entries import Draft, newest, read_inspection, record_decision, record_inspection, undone
from toeline.record.erasing import erase, find, where_photos_lie
from toeline.record.mentions import Mentions
from toeline.record.migrations import migrate
from toeline.record.models import (
    Decision,
    Erasure,
    Hit,
    Identity,
    Inspection,
    NewDecision,
    NewTest,
    Page,
    Tidied,
    TrendPoint,
    Weld,
)
from toeline.record.photos import PhotoFolder
from toeline.record.receipt import Receipt
from toeline.record.signing import Signer, append, own_key, sign_entry
from toeline.record.texts import texts_of
from toeline.record.welds import TestDraft, keep_procedure, procedures, record_test, weld_of
from toeline.result import Procedure, Result

#: Names the advisory lock that writers on PostgreSQL take; any fixed number of our own.
_PG_LOCK = 0x746F656C696E65


_STILL_THERE = "What was erased is erased, but the database's own files could not be cleared of it"
_CHECK = "see what is wrong (toeline record check), and restore a backup."
_TIDY = "close what uses the record, then tidy it (toeline record tidy)."

_OLDER_BACKUPS = "Backups, exports and printed reports from before still hold the name: find and delete them."
#: What erasing in the record cannot reach, by the kind of database.
_AFTER_ERASING = {
    "sqlite": (_OLDER_BACKUPS,),
    "postgresql": (
        _OLDER_BACKUPS,
        "The PostgreSQL server's write-ahead log and its archive hold the name until they are recycled, and its "
        "statement log if it keeps one (log_statement): whoever runs the server clears those.",
    ),
}


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Store:
    """A record of inspections. Use it in a ``with``; it may be shared between threads.

    ``Store.open()`` makes the store on first use. Errors are ``RecordError``; no text of one names a person.
    """

    def __init__(self, engine: Engine, photos: PhotoFolder, signer: Signer | None = None) -> None:
        self._engine = engine
        self._photos = photos
        self._signer = signer

    @classmethod
    def open(cls, where: str | os.PathLike[str] | None = None, photos: str | os.PathLike[str] | None = None) -> Self:
        """Open the store at a file's or folder's path (SQLite) or a URL, making or migrating it as needed.

        A new path without an ending is made a folder.
        ``photos`` is the photo folder; by default ``photos`` beside an SQLite file, and for a server
        ``TOELINE_PHOTOS`` or a folder of the database's name in the data folder. Where this user has a key (see
        :func:`toeline.record.signing.own_key`), entries are signed with it.
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
        engine, beside = connect(os.fspath(where) if where is not None else default_store())
        folder = Path(photos or os.environ.get("TOELINE_PHOTOS") or beside)
        key = own_key()
        return cls(
            engine, PhotoFolder(folder), Signer.at(key) if key.exists() or os.environ.get("TOELINE_KEY") else None
        )

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

    @property
    def quarantine(self) -> Path:
        """Where files lie that no inspection names, once tidied away."""
        return self._photos.quarantine

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
        files = ((result.photo.name, photo), *more_photos)
        return self._save(Draft(result, files, identity, remarks, criteria, decision=decision))

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
        """Record an inspection in the place of ``old``, which stays as it was.

        Raises:
            RecordError: ``why`` says nothing, or ``old`` is not there or superseded already.
        """
        if not why.strip():
            raise RecordError("Say why the earlier inspection is superseded.")
        files = ((result.photo.name, photo), *more_photos)
        return self._save(Draft(result, files, identity, remarks, criteria, old, why, decision))

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
            return record_decision(connection, inspection, row["outcome"], decision, _now(), self._signer)

    def add_test(
        self,
        inspection: str,
        test: NewTest,
        *,
        photos: Sequence[tuple[str, bytes]] = (),
        supersedes: str | None = None,
        why: str | None = None,
    ) -> Weld:
        """Add the result of a later test, with its photos as (name, bytes), to the weld of an inspection.

        Gives the weld with it. A result that was wrong is superseded by the right one, added to the same inspection,
        and ``why`` must be said.
        """
        draft = TestDraft(inspection, test, photos, supersedes, why)
        with self._staged(photos) as staged, self._writing() as connection:
            record_test(connection, self._photos, draft, staged, _now(), self._signer)
            return weld_of(connection, inspection)

    def keep_procedure(self, procedure: Procedure) -> None:
        """Put a welding procedure on record; an earlier one of that name stays, and this one holds from now on.

        Raises ``RecordError`` where the one on record says the very same.
        """
        with self._writing() as connection:
            keep_procedure(connection, procedure, _now(), self._signer)

    def erase_person(self, name: str) -> Erasure:
        """Erase a person's name wherever it stands, with every remark, reason and file name that mentions it.

        See :meth:`find_person` for what is found. The file names of that welder's photos go in any case. The chain
        stays whole: it covers salted digests, and the salts go too. Raises ``RecordError`` where nothing names the
        person, or where the database's own files still hold the name because another program reads them.
        """
        erasure, at = uuid.uuid4().hex, _now()
        with self._writing() as connection:

            def entered(content: str) -> None:
                append(connection, self._signer, at, "erasure", erasure, content)

            found, originals = erase(connection, self._photos, name, erasure, entered)
            lies = set(where_photos_lie(connection).values())
        for sha256 in originals:
            if sha256 not in lies:
                self._photos.forget(sha256)
        self._scrub()
        return Erasure(
            fields=sum(one.key is not None for one in found),
            photos=len(originals),
            inspections=len({one.hit.inspection for one in found if not one.hit.kept_because}),
            kept=tuple(one.hit for one in found if one.hit.kept_because),
            notes=_AFTER_ERASING[self._engine.dialect.name],
        )

    def sign_newest(self, key: Path) -> None:
        """Sign the newest entry, and so all before it, with a key that was just made."""
        signer = Signer.at(key)
        with self._writing() as connection:
            head = newest(connection)
            if head.number:
                sign_entry(connection, signer, head.number, head.digest)

    def tidy(self, *, keep_days: float) -> Tidied:
        """Set files aside that no inspection names, and let go of what has been aside for longer than ``keep_days``.

        Such files are left by a save that was killed, or the database is an older copy: photos in quarantine that
        inspections do name are brought back first. What an erasing that was killed left of the name goes, too.

        Raises:
            RecordError: no such number of days, or a file cannot be moved.
        """
        if not 0 <= keep_days < float("inf"):
            raise RecordError("Say for how many days files are kept in quarantine: 0 or more.")
        with self._writing() as connection:  # under the lock: no save is between its photo and its inspection
            for row in connection.execute(select(t.replaced_photo.c.sha256)):  # an erasing that was killed left it
                self._photos.forget(row.sha256)
            kept = frozenset(where_photos_lie(connection).values())
            brought_back = self._photos.bring_back(kept)
            let_go = self._photos.let_go(kept, keep_days * 86_400)
            strays = self._photos.strays(kept)
            for path in strays:
                self._photos.set_aside(path)
        self._scrub()
        return Tidied(set_aside=len(strays), brought_back=brought_back, let_go=let_go)

    # -- reading -----------------------------------------------------------------------------------------------

    def get(self, inspection: str) -> Inspection:
        """The inspection with that id. Raises ``RecordError`` where there is none."""
        with self._reading() as connection:
            return read_inspection(connection, inspection)

    def undone_by_superseding(self, inspection: str) -> tuple[str, ...]:
        """What else putting another inspection in the place of this one undoes, in sentences."""
        with self._reading() as connection:
            return undone(connection, inspection)

    def numbered(self, entry: int) -> str:
        """The id of the inspection whose entry has that number. Raises ``RecordError`` where that entry is none."""
        with self._reading() as connection:
            row = connection.execute(select(t.ledger).where(t.ledger.c.seq == entry)).first()
        if row is None or row.kind != "inspection":
            raise RecordError(f"Entry {entry} is no inspection: toeline record list names them.")
        return str(row.subject)

    def weld(self, inspection: str) -> Weld:
        """All that is on record about the weld that an inspection is of. Raises ``RecordError`` where there is none."""
        with self._reading() as connection:
            return weld_of(connection, inspection)

    def procedures(self) -> tuple[Procedure, ...]:
        """The welding procedures that hold, by name."""
        with self._reading() as connection:
            return procedures(connection)

    def photo(self, sha256: str) -> bytes:
        """A photo's original bytes, verified, or the copy without a name that was put in its place.

        Raises ``RecordError`` where it is missing or damaged.
        """
        with self._reading() as connection:
            lies = where_photos_lie(connection)
        return self._photos.read(lies.get(sha256, sha256))

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

    def find_person(self, name: str) -> tuple[Hit, ...]:
        """Every place that names a person: text, file names, and the photos' own data (EXIF, XMP, comments).

        Case, accents, the Unicode form and the order of the words do not matter. Nicknames cannot be known: search for
        them. Raises ``RecordError`` where nothing names the person.
        """
        with self._reading() as connection:
            return tuple(one.hit for one in find(connection, self._photos, name))

    def export_person(self, name: str) -> dict[str, Any]:
        """Everything recorded that names a person, as JSON data: for the person's own right to see it.

        Raises ``RecordError`` where nothing does.
        """
        with self._reading() as connection:
            hits = [one.hit for one in find(connection, self._photos, name)]
            found = [
                read_inspection(connection, one)
                for one in dict.fromkeys(hit.inspection for hit in hits if hit.inspection)
            ]
            mentions = Mentions(name)
            sheets = [json.loads(text) for text in connection.execute(select(t.procedure.c.sheet)).scalars()]
        return {
            "schema": "toeline.person/1",
            "exported_at": _now(),
            "found": [hit.model_dump(mode="json") for hit in hits],
            "inspections": [one.model_dump(mode="json", by_alias=True) for one in found],
            "procedures": [sheet for sheet in sheets if any(mentions.in_text(words) for _, words in texts_of(sheet))],
        }

    def head(self) -> str:
        """The newest entry's digest: printed on a report and kept elsewhere, it vouches for all before it."""
        with self._reading() as connection:
            return newest(connection).digest

    def continuity(self, on: date | None = None, *, welder: str | None = None) -> tuple[Kept, ...]:
        """What each welder, or one, keeps up by a day, today by default; see :func:`toeline.record.continuity`."""
        with self._reading() as connection:
            return continuity(connection, on or date.today(), welder)

    def receipt(self) -> Receipt:
        """How far the record has come, signed where there is a key: to be kept away from the record."""
        with self._reading() as connection:
            head, store_id = newest(connection), connection.execute(select(t.store_info.c.id)).scalar_one()
        receipt = Receipt(record=store_id, made_at=_now(), entries=head.number, head=head.digest)
        if self._signer is None:
            return receipt
        signature = self._signer.sign(receipt.message)
        return receipt.model_copy(update={"key": self._signer.name, "signature": signature})

    def check(
        self, head: str | None = None, *, receipt: Receipt | None = None, keys: Sequence[str] = ()
    ) -> CheckReport:
        """Go through the whole chain, every record, every photo and every signature.

        ``head``: a digest noted earlier, that must be in the chain. ``receipt``: one kept elsewhere, that the chain
        must bear out. ``keys``: public keys in hex, one of which must have signed; by default this user's own, if any.
        """
        keys = tuple(keys) or ((self._signer.name,) if self._signer else ())
        with self._reading() as connection:
            return check_record(connection, self._photos, head=head, receipt=receipt, keys=keys)

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
        named = frozenset() if restoring else frozenset(where_photos_lie(connection).values())
        self._photos.check_owner(str(store_id), named)
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
            raise RecordError(f"The record at {self.where} cannot be used: {cause(error)}.") from None
        except (UnicodeEncodeError, OverflowError):  # the command line may hold any bytes, and any number
            raise RecordError("No record holds what was given, bytes that are no text or too large a number.") from None
        except (ValueError, LookupError, TypeError):  # a row that is not what was recorded cannot be read
            if self._is_damaged():
                raise RecordError(f"The record at {self.where} was damaged or changed: {_CHECK}") from None
            raise

    def _is_damaged(self) -> bool:
        """Whether a check finds anything, the rows first; else an error is one of toeline's own."""
        with self._engine.connect() as connection:
            entries = connection.execute(select(t.ledger).order_by(t.ledger.c.seq)).mappings().all()
            rows = any(True for _ in check_contents(connection, entries))
            return rows or not check_record(connection, self._photos).ok

    def _save(self, draft: Draft) -> Inspection:
        with self._staged(draft.files) as staged, self._writing() as connection:
            at = _now()
            saved = record_inspection(connection, self._photos, draft, staged, at, self._signer)
            if draft.decision is not None:
                judgement = draft.result.judgement
                outcome = judgement.outcome if judgement else None
                record_decision(connection, saved, outcome, draft.decision, at, self._signer)
            return read_inspection(connection, saved)

    @contextmanager
    def _staged(self, files: Sequence[tuple[str, bytes]]) -> Iterator[dict[str, Path]]:
        """Photos written beside their places, by digest; what was not adopted in the end is deleted."""
        staged: dict[str, Path] = {}
        try:
            for _, data in files:
                sha256 = chain.digest(data)
                staged[sha256] = self._photos.stage(data, sha256)
            yield staged
        finally:
            for part in staged.values():
                part.unlink(missing_ok=True)

    def _scrub(self) -> None:
        """Leave no copy of erased text in the database's own files; waits for who reads them."""
        try:
            with self._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                done = tidy_files(connection)
        except SQLAlchemyError as error:
            raise RecordError(f"{_STILL_THERE} ({cause(error)}): {_TIDY}") from None
        if not done:
            raise RecordError(f"{_STILL_THERE}, as another program has been reading them all the while: {_TIDY}")
