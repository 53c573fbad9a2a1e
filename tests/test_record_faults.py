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
from pathlib import Path

import pytest

import invented
from toeline.errors import RecordError
from toeline.record import Identity, NewDecision, Store, verify_backup

KILLS = int(os.environ.get("TOELINE_KILLS", "6"))
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


# -- what the processes do that are killed ---------------------------------------------------------------------------


def _say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def _save_for_ever(where: str, first: int) -> None:
    with Store.open(where) as store:
        _say("go")
        for k in range(first, first + 1000):
            _say(save(store, k))


def _backup(where: str, archive: str) -> None:
    with Store.open(where) as store:
        _say("go")
        store.backup(archive)


def _restore(archive: str, where: str) -> None:
    _say("go")
    Store.restore(archive, where)


def _erase(where: str) -> None:
    with Store.open(where) as store:
        _say("go")
        store.erase_person(NAME)


def _migrate(where: str) -> None:
    _say("go")
    Store.open(where).close()


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

    def __call__(self, after: Callable[[], float], *action: object) -> tuple[list[str], float]:
        """Kill it ``after`` so many seconds, of which it is asked once it has begun; how long it lived."""
        self._server.stdin.write(json.dumps([str(one) if isinstance(one, Path) else one for one in action]) + "\n")
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


def kill_saves(where: str, kills: int) -> None:
    """Kill it at a random moment, ``kills`` times over; then hold the store against what was said to be saved."""
    rng = random.Random(20260314)
    told: list[str] = []
    with killer() as kill:
        for number in range(kills):
            lines, _ = kill(lambda: rng.uniform(0, 0.08), "save_for_ever", where, number * 1000)
            told += [line for line in lines if len(line) == 32]
    with Store.open(where) as store:
        report = store.check()
        assert report.ok, report.findings
        found: set[str] = set()
        while len(found) < report.inspections:
            found |= {item.id for item in store.search(size=1000, page=len(found) // 1000 + 1).items}
        assert set(told) <= found  # what was said to be saved is there
        assert len(found) - len(told) <= kills  # at most the one in flight at each kill, and then it is whole
        assert report.inspections == report.photos == len(found)
        store.tidy(keep_days=30)
        assert len(list(store._photos.folder.glob("??/*"))) == report.photos  # no photo without its inspection
        assert all(item.decision == "refer" for item in store.search(size=1000).items)


def test_kills_while_saving(tmp_path):
    where = str(tmp_path / "record.sqlite")
    Store.open(where).close()
    kill_saves(where, KILLS)


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    """A record of six inspections and its backup."""
    folder = tmp_path_factory.mktemp("template")
    with Store.open(folder / "kept" / "record.sqlite") as store:
        for k in range(6):
            save(store, k)
        store.backup(folder / "backup.zip")
    return folder


def moments(kills: int, lived_s: float) -> list[float]:
    """When to kill, s: over all of the time that the action takes, and somewhat beyond."""
    rng = random.Random(kills)
    return [rng.uniform(0, 1.1 * lived_s) for _ in range(kills)]


def kill_each(kills: int, prepare: Callable[[Path], tuple], verify: Callable[[Path], bool], tmp_path: Path) -> None:
    """Kill an action at moments all over its length, each time in a fresh folder; some must fall before its end.

    ``verify`` looks at what is left and says whether the action had come to its end.
    """
    ended = 0
    with killer() as kill:
        (tmp_path / "first").mkdir()
        _, lived = kill(lambda: float("inf"), *prepare(tmp_path / "first"))
        assert verify(tmp_path / "first")
        for number, moment in enumerate(moments(kills, lived)):
            folder = tmp_path / str(number)
            folder.mkdir()
            kill(lambda moment=moment: moment, *prepare(folder))
            ended += verify(folder)
            shutil.rmtree(folder)
    assert ended < kills


def test_kills_while_backing_up(template, tmp_path):
    def prepare(folder):
        shutil.copytree(template / "kept", folder / "kept")
        return "backup", folder / "kept", folder / "backup.zip"

    def verify(folder):
        made = (folder / "backup.zip").exists()
        if made:
            assert verify_backup(folder / "backup.zip").inspections == 6
        with Store.open(folder / "kept") as store:
            assert store.check().ok
            store.backup(folder / "backup.zip", overwrite=True)
        assert verify_backup(folder / "backup.zip").photos == 6
        return made

    kill_each(KILLS, prepare, verify, tmp_path)


def test_kills_while_restoring(template, tmp_path):
    head = verify_backup(template / "backup.zip").head

    def prepare(folder):
        return "restore", template / "backup.zip", folder / "new" / "record.sqlite"

    def verify(folder):
        ended = False
        try:
            Store.restore(template / "backup.zip", folder / "new" / "record.sqlite")
        except RecordError as error:
            ended = "already holds" in str(error)
            if not ended:
                raise
        with Store.open(folder / "new" / "record.sqlite") as store:
            report = store.check(head)
            assert report.ok, report.findings
            assert (report.inspections, report.photos) == (6, 6)
        return ended

    kill_each(KILLS, prepare, verify, tmp_path)


def test_kills_while_erasing(template, tmp_path):
    def prepare(folder):
        shutil.copytree(template / "kept", folder / "kept")
        return "erase", folder / "kept"

    def verify(folder):
        with Store.open(folder / "kept") as store:
            left = [finding for finding in store.check().findings if "tidy the record" not in finding.text]
            assert left == []
            ended = bool(store.get(store.search().items[0].id).erased)
            if ended:
                with pytest.raises(RecordError, match="Nothing on record names"):
                    store.erase_person(NAME)
            else:
                store.erase_person(NAME)
            store.tidy(keep_days=0)  # clears what the kill kept from being cleared, and sets strays aside
            store.tidy(keep_days=0)
            assert store.check().ok, store.check().findings
            assert store.check().inspections == 6
        files = [path for path in (folder / "kept").rglob("*") if path.is_file()]
        assert not any(NAME.encode() in path.read_bytes() for path in files)
        return ended

    kill_each(KILLS, prepare, verify, tmp_path)


def test_kills_while_migrating(tmp_path_factory, tmp_path):
    import test_record

    old = tmp_path_factory.mktemp("old")
    test_record.write_older(old / "record.sqlite")

    def prepare(folder):
        shutil.copytree(old, folder / "kept")
        return "migrate", folder / "kept"

    def verify(folder):
        import sqlite3

        with sqlite3.connect(folder / "kept" / "record.sqlite") as connection:
            (version,) = connection.execute("select version_num from alembic_version").fetchone()
        connection.close()
        assert version in ("0001", test_record.migrations.HEAD)  # all of the way, or none
        with Store.open(folder / "kept") as store:
            assert store.check().ok
            (one,) = store.search().items
            assert store.get(one.id).identity == invented.IDENTITY
        return version != "0001"

    kill_each(KILLS, prepare, verify, tmp_path)


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
        assert store.erase_person(NAME).photos == 6
        assert store.check().ok


if __name__ == "__main__":
    _serve()
