"""What the record keeps follows from its inspections: opening and checking it delete nothing, whatever happened."""

from __future__ import annotations

import os
import shutil
import time

import pytest
from sqlalchemy import text

import invented
from test_record import save
from toeline.errors import RecordError
from toeline.record import Store, verify_backup

DAY_S = 86_400.0


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as opened:
        yield opened


def behind_its_back(store, sql):
    """Change the database as someone would who opens the file with another program."""
    with store._engine.connect() as connection:
        connection.exec_driver_sql("rollback")
        connection.exec_driver_sql("pragma foreign_keys=off")
        connection.exec_driver_sql("begin immediate")
        connection.execute(text(sql))
        connection.exec_driver_sql("commit")


def originals(store):
    return sorted(path for path in store._photos.folder.rglob("*") if path.is_file() and len(path.name) == 64)


def test_photos_whose_rows_are_gone_stay_and_the_check_says_so(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as store:
        saved = [save(store, seed) for seed in range(3)]
        before = originals(store)
        behind_its_back(store, "delete from photo")
    with Store.open(tmp_path / "record.sqlite") as store:
        report = store.check()
        assert originals(store) == before
        assert {finding.kind for finding in report.findings} == {"photo"}
        assert len(report.findings) == 3
        assert report.photos == 3
        assert store.photo(saved[0].photos[0].sha256) == invented.photo_bytes(0)
        assert [one.sha256 for one in store.get(saved[0].id).photos] == [saved[0].photos[0].sha256]


def test_an_older_copy_of_the_database_put_back_costs_no_photo(tmp_path):
    path = tmp_path / "record.sqlite"
    with Store.open(path) as store:
        save(store, 0)
    shutil.copy(path, tmp_path / "older.sqlite")
    with Store.open(path) as store:
        later = save(store, 1)
        head = store.head()
    shutil.copy(path, tmp_path / "newer.sqlite")
    shutil.copy(tmp_path / "older.sqlite", path)
    with Store.open(path) as store:
        assert not store.check(head).ok
        assert len(originals(store)) == 2
        assert store.check().strays == 1
        assert store.tidy(keep_days=30).set_aside == 1
        assert store.check().strays == 0
    shutil.copy(tmp_path / "newer.sqlite", path)
    with Store.open(path) as store:
        assert store.check(head).ok  # what was set aside is still found
        assert store.photo(later.photos[0].sha256) == invented.photo_bytes(1)
        assert store.tidy(keep_days=0).brought_back == 1
        assert store.check(head).ok


def test_criteria_that_are_gone_or_that_nothing_names_are_found(store):
    store.save_inspection(invented.result(), invented.photo_bytes(), invented.IDENTITY, criteria="[criteria]\n")
    behind_its_back(store, "insert into criteria values ('" + "ab" * 32 + "', 'x')")
    assert any("named by no inspection" in finding.text for finding in store.check().findings)
    behind_its_back(store, "delete from criteria")
    assert any("criteria" in finding.text and "gone" in finding.text for finding in store.check().findings)


def test_strays_are_set_aside_and_go_only_after_the_time_that_was_asked_for(store):
    save(store)
    photos = store._photos
    photos.adopt(photos.stage(b"stray", "8a" * 32))
    assert store.tidy(keep_days=30).set_aside == 1
    (aside,) = (photos.folder / "quarantine").iterdir()
    assert aside.read_bytes() == b"stray"
    assert store.tidy(keep_days=30).let_go == 0
    long_ago = time.time() - 31 * DAY_S
    os.utime(aside, (long_ago, long_ago))
    assert store.tidy(keep_days=40).let_go == 0
    assert store.tidy(keep_days=30).let_go == 1
    assert list((photos.folder / "quarantine").iterdir()) == []
    assert store.check().ok


def test_a_good_copy_that_is_aside_outlives_a_damaged_photo_in_its_place(store):
    sha256 = save(store).photos[0].sha256
    place, aside = store._photos.path(sha256), store._photos.folder / "quarantine" / sha256
    aside.parent.mkdir(exist_ok=True)
    shutil.copy(place, aside)
    place.write_bytes(b"damaged")
    assert store.tidy(keep_days=0).let_go == 0
    assert aside.read_bytes() == invented.photo_bytes()


def test_a_backup_that_could_not_be_restored_is_not_written(store, tmp_path):
    save(store)
    behind_its_back(store, "update inspection set part = 'Plate 4'")
    with pytest.raises(RecordError, match="could not be restored"):
        store.backup(tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()


def test_a_backup_holds_the_photos_that_its_inspections_name(store, tmp_path):
    save(store)
    behind_its_back(store, "delete from photo")
    with pytest.raises(RecordError, match="could not be restored"):
        store.backup(tmp_path / "backup.zip")


def test_a_backup_never_takes_the_place_of_a_file_unasked(store, tmp_path):
    save(store)
    store.backup(tmp_path / "backup.zip")
    before = (tmp_path / "backup.zip").read_bytes()
    with pytest.raises(RecordError, match="already"):
        store.backup(tmp_path / "backup.zip")
    assert (tmp_path / "backup.zip").read_bytes() == before
    store.backup(tmp_path / "backup.zip", overwrite=True)
    assert verify_backup(tmp_path / "backup.zip").inspections == 1


def test_a_clock_set_back_neither_breaks_a_backup_nor_the_order(store, tmp_path, monkeypatch):
    monkeypatch.setattr("toeline.record.store._now", lambda: "2026-05-01T10:00:00.000000Z")
    first = save(store, 0)
    monkeypatch.setattr("toeline.record.store._now", lambda: "2026-04-01T10:00:00.000000Z")
    second = store.supersede(first.id, invented.result(1), invented.photo_bytes(1), invented.IDENTITY, why="blurred")
    store.backup(tmp_path / "backup.zip")
    Store.restore(tmp_path / "backup.zip", tmp_path / "new" / "record.sqlite")
    with Store.open(tmp_path / "new" / "record.sqlite") as restored:
        report = restored.check(store.head())
        assert report.ok
        assert any("clock" in note for note in report.notes)
        assert restored.get(second.id) == second
    assert [row.id for row in store.search().items] == [second.id]


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX's")
def test_everything_the_record_writes_is_its_owners_alone(tmp_path):
    before = os.umask(0o022)
    try:
        with Store.open(tmp_path / "new" / "record.sqlite") as store:
            save(store)
            store.backup(tmp_path / "new" / "backup.zip")
            open_to_others = [
                path for path in (tmp_path / "new").rglob("*") if path.stat().st_mode & 0o077 and path.is_file()
            ]
            shelves = [path for path in (tmp_path / "new").rglob("*") if path.is_dir() and path.stat().st_mode & 0o077]
    finally:
        os.umask(before)
    assert open_to_others == []
    assert shelves == []


def test_what_a_search_counts_it_shows(store):
    saved = [save(store, seed, weld=f"W-{seed}") for seed in range(3)]
    behind_its_back(store, f"delete from ledger where subject = '{saved[1].id}'")
    behind_its_back(store, f"delete from inspection_photo where inspection_id = '{saved[2].id}'")
    found = store.search()
    assert len(found.items) == found.total == 3
    assert not store.check().ok


def test_the_latest_comes_first_whatever_the_clock_says(store, monkeypatch):
    for hour, seed in ((10, 0), (8, 1), (9, 2)):
        monkeypatch.setattr("toeline.record.store._now", lambda hour=hour: f"2026-05-01T{hour:02}:00:00.000000Z")
        save(store, seed)
    assert [row.number for row in store.search().items] == [3, 2, 1]
