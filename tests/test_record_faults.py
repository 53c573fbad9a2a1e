"""kill -9 while saving, backing up, restoring, erasing and migrating, and full disks: nothing lost, nothing half there.

Each is killed a few times here; ``TOELINE_KILLS=200`` kills each two hundred times, by hand.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import select, union

import invented
from toeline.errors import RecordError
from toeline.record import CheckReport, Identity, NewDecision, NewTest, Store, verify_backup
from toeline.record import tables as t
from toeline.record.erasing import where_photos_lie
from toeline.record.migrations import HEAD, version_of

KILLS = int(os.environ.get("TOELINE_KILLS", "4"))
#: So many kills more, where a busy machine came to save nothing before the others.
PATIENCE = 6
NAME = "Ada Brandt"


def photo(k: int) -> bytes:
    """Bytes of our own, as the store decodes none; each is new, and names a person as a camera would."""
    comment = f"by {NAME}".encode()
    head = b"\xff\xd8\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment
    return head + b"\xff\xda\x00\x02" + k.to_bytes(4, "big") * 15_000 + b"\xff\xd9"


def save(store: Store, k: int, **identity: str) -> str:
    """Save one inspection with a decision."""
    blank, data = invented.result(), photo(k)
    named = blank.photo.model_copy(update={"sha256": hashlib.sha256(data).hexdigest()})
    identity = Identity(**invented.IDENTITY.model_dump() | identity)
    decision = NewDecision(decision="refer", by="Noor Holm")
    return store.save_inspection(blank.model_copy(update={"photo": named}), data, identity, decision=decision).id


def add_test(store: Store, inspection: str, *photos: int) -> str:
    """Add a later test to an inspection, with photos of it."""
    test = NewTest(kind="root_bend", outcome="pass", by=NAME)
    files = [(f"bent {k}.jpg", photo(k)) for k in photos]
    return store.add_test(inspection, test, photos=files).tests[-1].id


@dataclass(frozen=True, slots=True)
class Place:
    """A record's file or database, and its photo folder."""

    where: str
    photos: str

    def opened(self) -> Store:
        return Store.open(self.where, self.photos)


class OnSqlite:
    """Records as files."""

    def new(self, folder: Path) -> Place:
        return Place(str(folder / "kept" / "record.sqlite"), str(folder / "kept" / "photos"))

    def copy(self, of: Place, folder: Path) -> Place:
        shutil.copytree(Path(of.where).parent, folder / "kept")
        return self.new(folder)

    def drop(self, place: Place) -> None:
        """The folder goes with all that is in it."""


# -- what the processes do that are killed ---------------------------------------------------------------------------


def _say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def _save_for_ever(where: str, photos: str, first: int) -> None:
    with Store.open(where, photos) as store:
        _say("go")
        for k in range(first, first + 2000, 2):
            saved = save(store, k)
            _say(saved)
            _say(add_test(store, saved, k + 1))


def _backup(where: str, photos: str, archive: str) -> None:
    with Store.open(where, photos) as store:
        _say("go")
        store.backup(archive)


def _restore(where: str, photos: str, archive: str) -> None:
    _say("go")
    Store.restore(archive, where, photos)


def _erase(where: str, photos: str) -> None:
    with Store.open(where, photos) as store:
        _say("go")
        store.erase_person(NAME)


def _migrate(where: str, photos: str) -> None:
    _say("go")
    Store.open(where, photos).close()


ACTIONS = {one.__name__.strip("_"): one for one in (_save_for_ever, _backup, _restore, _erase, _migrate)}


def _serve() -> None:
    """This file run as a script: starts quickly a process for each kill, and says "gone" when that one is dead."""
    for line in sys.stdin:
        action, *given = json.loads(line)
        if worker := os.fork():
            os.waitid(os.P_PID, worker, os.WEXITED | os.WNOWAIT)  # its number stays its own until it was killed
            _say("gone")
            assert sys.stdin.readline() == "killed\n"
            os.waitpid(worker, 0)
        else:
            _say(str(os.getpid()))
            try:
                ACTIONS[action](*given)
            finally:
                os._exit(0)


class Killer:
    """Starts an action in a process of its own and kills it; ``lines`` are what it said after it had begun."""

    def __init__(self) -> None:
        self._server = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __call__(self, after: Callable[[], float], action: str, at: Place, *more: object) -> tuple[list[str], float]:
        """Kill it ``after`` so many seconds, of which it is asked once it has begun; how long it lived."""
        self._server.stdin.write(json.dumps([action, at.where, at.photos, *more]) + "\n")
        self._server.stdin.flush()
        worker = int(self._server.stdout.readline())
        assert self._server.stdout.readline() == "go\n"
        begun = time.monotonic()
        wait = after()
        if wait < float("inf"):
            time.sleep(wait)
            os.kill(worker, signal.SIGKILL)
        lines = list(iter(self._server.stdout.readline, "gone\n"))
        self._server.stdin.write("killed\n")
        self._server.stdin.flush()
        return [line.strip() for line in lines], time.monotonic() - begun

    def close(self) -> None:
        self._server.stdin.close()
        assert self._server.wait() == 0
        self._server.stdout.close()


@contextmanager
def killer() -> Iterator[Killer]:
    one = Killer()
    try:
        yield one
    finally:
        one.close()


# -- what must be left -----------------------------------------------------------------------------------------------


def whole(store: Store, head: str) -> CheckReport:
    """All is as it was recorded and bears ``head`` out; what a kill left among the photos is set aside, and no more."""
    before = store.check(head)
    assert before.ok, before.findings
    parts = list((store._photos.folder / "parts").iterdir())
    for part in parts:
        os.utime(part, (0, 0))  # older than any that still lives
    tidied = store.tidy(keep_days=30)
    after = store.check(head)
    assert after.ok, after.findings
    assert (after.strays, after.entries, after.photos) == (0, before.entries, before.photos)
    assert tidied.brought_back == 0
    assert tidied.set_aside >= len(parts)
    assert len(list(store._photos.folder.glob("??/*"))) == after.photos  # none without what it is of, and none lost
    return after


def kill_saves(at: Place, kills: int) -> None:
    """Kill it at a random moment, ``kills`` times over; each time hold the store against what was said to be saved."""
    rng = random.Random(20260314)
    with at.opened() as store:
        begun = time.monotonic()
        first = save(store, 0)
        told = [first, add_test(store, first, 1)]
        window = 2 * (time.monotonic() - begun)
        head = store.head()
    with killer() as kill:
        number = 0
        while number < kills or (len(told) == 2 and number < kills + PATIENCE):
            number += 1
            lines, _ = kill(lambda most=window: rng.uniform(0, most), "save_for_ever", at, number * 2000)
            told += [line for line in lines if len(line) == 32]
            window *= 1 if len(told) > 2 else 2  # a busy machine has not come to save anything yet
            with at.opened() as store:
                report = whole(store, head)
                head = report.head
                with store._reading() as connection:
                    found = set(
                        connection.execute(union(select(t.inspection.c.id), select(t.weld_test.c.id))).scalars()
                    )
                assert set(told) <= found  # what was said to be saved is there
                assert len(found) - len(told) <= number  # at most the one in flight at each kill, and then it is whole
                assert report.photos == report.inspections + report.tests == len(found)
                assert report.decisions == report.inspections
    print(f"{number} kills, {len(told)} entries were said to be saved, {len(found)} are there")
    assert len(told) > 2


def test_kills_while_saving(tmp_path):
    kill_saves(OnSqlite().new(tmp_path), KILLS)


def filled(at: Place) -> Place:
    """A record of six inspections, some with later tests and their photos."""
    with at.opened() as store:
        for k in range(6):
            saved = save(store, k)
            if k % 2:
                add_test(store, saved, 100 + k, 200 + k)
    return at


#: How many photos that record names.
PHOTOS = 12


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    """Such a record, in files, and its backup."""
    folder = tmp_path_factory.mktemp("template")
    with filled(OnSqlite().new(folder)).opened() as store:
        store.backup(folder / "backup.zip")
    return folder


def moments(kills: int, lived_s: float) -> list[float]:
    """When to kill, s: over all of the time that the action takes, and somewhat beyond."""
    rng = random.Random(kills)
    return [rng.uniform(0, 1.1 * lived_s) for _ in range(kills)]


def kill_each(
    on: OnSqlite, prepare: Callable[[Path], tuple], verify: Callable[[Place, Path], bool], tmp_path: Path
) -> None:
    """Kill an action at moments all over its length, each time in a fresh folder; some must fall before its end.

    ``prepare`` gives the action, its place and what more it needs; ``verify`` looks at what is left and says whether
    the action had come to its end.
    """

    def one(name: str, moment: float) -> tuple[bool, float]:
        folder = tmp_path / name
        folder.mkdir()
        action, at, *more = prepare(folder)
        _, lived = kill(lambda: moment, action, at, *more)
        done = verify(at, folder)
        on.drop(at)
        shutil.rmtree(folder)
        return done, lived

    with killer() as kill:
        done, lived = one("first", float("inf"))
        assert done
        ended = sum(one(str(number), moment)[0] for number, moment in enumerate(moments(KILLS, lived)))
    print(f"{KILLS} kills, {ended} of them after its end")
    assert ended < KILLS


def kill_backups(on: OnSqlite, of: Place, tmp_path: Path) -> None:
    with of.opened() as store:
        head = store.head()

    def prepare(folder: Path) -> tuple:
        return "backup", on.copy(of, folder), str(folder / "backup.zip")

    def verify(at: Place, folder: Path) -> bool:
        made = (folder / "backup.zip").exists()
        if made:
            assert verify_backup(folder / "backup.zip").head == head
        with at.opened() as store:
            whole(store, head)
            store.backup(folder / "backup.zip", overwrite=True)
        assert verify_backup(folder / "backup.zip").photos == PHOTOS
        return made

    kill_each(on, prepare, verify, tmp_path)


def kill_restores(on: OnSqlite, archive: Path, tmp_path: Path) -> None:
    head = verify_backup(archive).head

    def prepare(folder: Path) -> tuple:
        return "restore", on.new(folder), str(archive)

    def verify(at: Place, folder: Path) -> bool:
        ended = False
        try:
            Store.restore(archive, at.where, at.photos)
        except RecordError as error:
            ended = "already holds" in str(error)
            if not ended:
                raise
        with at.opened() as store:
            report = whole(store, head)
            assert (report.inspections, report.tests, report.photos) == (6, 3, PHOTOS)
        return ended

    kill_each(on, prepare, verify, tmp_path)


def kill_erasings(on: OnSqlite, of: Place, tmp_path: Path) -> None:
    with of.opened() as store:
        head = store.head()

    def prepare(folder: Path) -> tuple:
        return "erase", on.copy(of, folder)

    def verify(at: Place, folder: Path) -> bool:
        with at.opened() as store:
            left = [finding for finding in store.check(head).findings if "tidy the record" not in finding.text]
            assert left == []
            ended = bool(store.get(store.search().items[0].id).erased)
            if ended:
                with pytest.raises(RecordError, match="Nothing on record names"):
                    store.erase_person(NAME)
            else:
                store.erase_person(NAME)
            store.tidy(keep_days=0)  # clears what the kill kept from being cleared, and sets strays aside
            store.tidy(keep_days=0)
            report = whole(store, head)
            assert (report.inspections, report.tests, report.photos, report.erasures) == (6, 3, PHOTOS, 1)
            assert all(store.photo(sha256) for sha256 in _named(store))
        files = [path for path in folder.rglob("*") if path.is_file() and "quarantine" not in path.parts]
        assert not any(NAME.encode() in path.read_bytes() for path in files)
        return ended

    kill_each(on, prepare, verify, tmp_path)


def _named(store: Store) -> set[str]:
    with store._reading() as connection:
        return set(where_photos_lie(connection))


def kill_migrations(on: OnSqlite, of: Place, version: str, tmp_path: Path) -> None:
    """``of`` is a record of that older schema."""
    (tmp_path / "known").mkdir()
    known = on.copy(of, tmp_path / "known")
    with known.opened() as store:
        expected, head = [store.get(one.id) for one in store.search().items], store.head()
    on.drop(known)

    def prepare(folder: Path) -> tuple:
        return "migrate", on.copy(of, folder)

    def verify(at: Place, folder: Path) -> bool:
        with Store._connected(at.where, at.photos) as store, store._writing() as connection:
            found = version_of(connection)
        assert found in (version, HEAD)  # all of the way, or none
        with at.opened() as store:
            whole(store, head)
            assert [store.get(one.id) for one in store.search().items] == expected
            add_test(store, expected[0].id, 300)
            whole(store, head)
        return found == HEAD

    kill_each(on, prepare, verify, tmp_path)


def of_schema_before(at: Place) -> Place:
    """A record of the schema before photos of later tests."""
    with at.opened() as store:
        for k in range(3):
            add_test(store, save(store, k))
        with store._writing() as connection:
            for statement in (
                "drop table test_photo",
                "alter table inspection drop column welded_on",
                "update alembic_version set version_num = '0005'",
            ):
                connection.exec_driver_sql(statement)
    return at


def test_kills_while_backing_up(template, tmp_path):
    kill_backups(OnSqlite(), OnSqlite().new(template), tmp_path)


def test_kills_while_restoring(template, tmp_path):
    kill_restores(OnSqlite(), template / "backup.zip", tmp_path)


def test_kills_while_erasing(template, tmp_path):
    kill_erasings(OnSqlite(), OnSqlite().new(template), tmp_path)


@pytest.mark.parametrize("version", ["0001", "0005"])
def test_kills_while_migrating(version, tmp_path_factory, tmp_path):
    import test_record

    old = OnSqlite().new(tmp_path_factory.mktemp("old"))
    if version == "0001":
        test_record.write_older(old.where)
    else:
        of_schema_before(old)
    kill_migrations(OnSqlite(), old, version, tmp_path)


def test_a_restore_killed_between_its_record_and_the_mark_of_its_photo_folder(template, tmp_path, monkeypatch):
    def killed(folder, store_id):
        raise KeyboardInterrupt

    monkeypatch.setattr("toeline.record.photos.PhotoFolder.claim", killed)
    with pytest.raises(KeyboardInterrupt):
        Store.restore(template / "backup.zip", tmp_path / "new" / "record.sqlite")
    monkeypatch.undo()
    with Store.open(tmp_path / "new") as store:
        assert store.check(verify_backup(template / "backup.zip").head).ok


def test_what_a_killed_backup_left_goes_with_a_later_one(template, tmp_path):
    left = tmp_path / f".backup.zip.{'0' * 32}"
    for file in (left, tmp_path / ".backup.zip.notes"):
        file.write_bytes(b"half of an archive, with names")
    with Store.open(template / "kept") as store:
        store.backup(tmp_path / "backup.zip")
        assert left.exists()  # it may be one that is being written now
        os.utime(left, (0, 0))
        store.backup(tmp_path / "backup.zip", overwrite=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".backup.zip.notes", "backup.zip"]


# -- full disks ------------------------------------------------------------------------------------------------------


@contextmanager
def small_disk(size: int) -> Iterator[None]:
    """Files of this process may hold so many bytes: writing more fails as on a full disk."""
    resource = pytest.importorskip("resource", reason="this system cannot limit the size of files")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def files_of(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file() and "sqlite-" not in path.name}


def test_a_backup_that_does_not_fit_leaves_no_half_file_and_names_the_archive(template, tmp_path):
    with Store.open(template / "kept") as store:
        for size in (0, 10, 4000, 30_000):
            with small_disk(size), pytest.raises(RecordError, match=r"backup .*backup\.zip cannot be written"):
                store.backup(tmp_path / "backup.zip")
            assert list(tmp_path.iterdir()) == []
        assert store.check().ok


def test_a_restore_that_does_not_fit_names_the_place_and_can_be_done_again(template, tmp_path):
    for number, size in enumerate((0, 4000, 40_000, 100_000)):
        where = tmp_path / str(number) / "record.sqlite"
        with small_disk(size), pytest.raises(RecordError) as refused:
            Store.restore(template / "backup.zip", where)
        assert str(where.parent) in str(refused.value)
        assert "backup" not in str(refused.value)
        Store.restore(template / "backup.zip", where)
        with Store.open(where) as store:
            assert store.check().ok


def test_an_erasing_that_does_not_fit_changes_nothing(template, tmp_path):
    shutil.copytree(template / "kept", tmp_path / "kept")
    with Store.open(tmp_path / "kept") as store:
        before = files_of(tmp_path / "kept" / "photos")
        with small_disk(30_000), pytest.raises(RecordError, match="cannot be"):
            store.erase_person(NAME)
        assert files_of(tmp_path / "kept" / "photos") == before
        assert store.check().ok
        assert store.erase_person(NAME).photos == PHOTOS
        assert store.check().ok


if __name__ == "__main__":
    _serve()
