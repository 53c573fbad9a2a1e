"""The record on SQLite: saving, deciding, superseding, searching, erasing, backing up, migrating."""

from __future__ import annotations

import hashlib
import json
import logging
import sqlite3
import threading
import zipfile

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from pydantic import ValidationError
from sqlalchemy import create_engine, event, select, text

import invented
from toeline.errors import RecordError
from toeline.record import (
    Filters,
    Identity,
    NewDecision,
    Store,
    chain,
    default_store,
    migrations,
    tables,
    verify_backup,
)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as opened:
        yield opened


def save(store, seed=0, outcome="undecided", width=8.4, decision=None, **identity):
    identity = Identity(**invented.IDENTITY.model_dump() | identity)
    result = invented.result(seed, outcome, width)
    return store.save_inspection(result, invented.photo_bytes(seed), identity, decision=decision)


def test_saved_inspection_reads_back_whole(store):
    saved = store.save_inspection(
        invented.result(),
        invented.photo_bytes(),
        invented.IDENTITY,
        more_photos=[("gauge.jpg", invented.photo_bytes(1))],
        remarks="Preheated.\nSecond electrode.",
        criteria="[criteria]\nid = 'x'\n",
        decision=NewDecision(decision="refer", by="Noor Holm"),
    )
    again = store.get(saved.id)
    assert again == saved
    assert again.identity == invented.IDENTITY
    assert again.result == invented.result()
    assert again.remarks == "Preheated.\nSecond electrode."
    assert again.criteria == "[criteria]\nid = 'x'\n"
    assert again.gauge[0].value == 1.4
    assert again.decision.decision == "refer"
    assert [p.name for p in again.photos] == ["ada_brandt_3.jpg", "gauge.jpg"]
    assert store.photo(again.photos[0].sha256) == invented.photo_bytes()
    assert again.photos[0].media_type == "image/jpeg"
    assert store.check().ok


def test_store_is_in_write_ahead_mode_and_made_on_first_use(tmp_path, monkeypatch):
    monkeypatch.delenv("TOELINE_STORE", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    with Store.open() as store:
        assert store.where == default_store() == str(tmp_path / "data" / "toeline" / "record.sqlite")
        with store._engine.connect() as connection:
            assert connection.exec_driver_sql("pragma journal_mode").scalar() == "wal"
            assert connection.exec_driver_sql("pragma foreign_keys").scalar() == 1
    with Store.open(tmp_path / "data" / "toeline") as same:
        assert same.where == default_store()
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "elsewhere.sqlite"))
    assert default_store() == str(tmp_path / "elsewhere.sqlite")


def test_photo_must_be_the_measured_one(store):
    with pytest.raises(RecordError, match="not the one that was measured"):
        store.save_inspection(invented.result(0), invented.photo_bytes(1), invented.IDENTITY)
    with pytest.raises(RecordError, match="twice"):
        store.save_inspection(
            invented.result(), invented.photo_bytes(), Identity(), more_photos=[("b", invented.photo_bytes())]
        )
    assert store.search().total == 0


@pytest.mark.parametrize(
    ("outcome", "decision", "needs"),
    [
        ("pass", "accept", False),
        ("pass", "reject", True),
        ("fail", "reject", False),
        ("fail", "accept", True),
        ("undecided", "refer", False),
        ("undecided", "accept", True),
    ],
)
def test_decision_that_differs_needs_a_reason(store, outcome, decision, needs):
    saved = save(store, outcome=outcome)
    if needs:
        with pytest.raises(RecordError, match="say why"):
            store.decide(saved.id, NewDecision(decision=decision, reason="  "))
        assert store.get(saved.id).decision is None
    store.decide(saved.id, NewDecision(decision=decision, by="Noor Holm", reason="gauged" if needs else None))
    assert store.get(saved.id).decision.decision == decision


def test_a_save_with_a_refused_decision_leaves_nothing(store):
    with pytest.raises(RecordError, match="say why"):
        save(store, outcome="fail", decision=NewDecision(decision="accept"))
    assert store.search().total == 0
    store.tidy(keep_days=0)  # sets the photo aside
    store.tidy(keep_days=0)
    assert not [path for path in store._photos.folder.rglob("*") if len(path.name) == 64]


def test_later_decision_holds_and_the_earlier_stays(store):
    saved = save(store, outcome="pass")
    store.decide(saved.id, NewDecision(decision="accept", by="Noor Holm"))
    store.decide(saved.id, NewDecision(decision="reject", by="Noor Holm", reason="crack found by dye"))
    got = store.get(saved.id)
    assert [d.decision for d in got.decisions] == ["accept", "reject"]
    assert got.decision.reason == "crack found by dye"
    assert store.check().ok


def test_superseding_keeps_the_old_and_needs_a_reason(store):
    old = save(store)
    with pytest.raises(RecordError, match="why"):
        store.supersede(old.id, invented.result(), invented.photo_bytes(), invented.IDENTITY, why=" ")
    new = store.supersede(old.id, invented.result(), invented.photo_bytes(), invented.IDENTITY, why="wrong part")
    assert new.supersedes == old.id
    assert new.why_superseded == "wrong part"
    assert store.get(old.id).superseded_by == new.id
    assert [row.id for row in store.search().items] == [new.id]
    assert store.search(filters=Filters(superseded=True)).total == 2
    with pytest.raises(RecordError, match="superseded already"):
        store.supersede(old.id, invented.result(), invented.photo_bytes(), invented.IDENTITY, why="again")
    with pytest.raises(RecordError, match="superseded"):
        store.decide(old.id, NewDecision(decision="refer"))
    assert store.check().ok


def test_unknown_inspection_is_said_plainly(store):
    with pytest.raises(RecordError, match="There is no inspection"):
        store.get("nope")


def test_search_filters_sorts_and_pages(store):
    for k in range(7):
        save(
            store, k, ("pass", "fail")[k % 2], 8 + k / 10, weld=f"W-{k:02}", welder=("Ada Brandt", "Émile Ström")[k % 2]
        )
    assert store.search("w-03").total == 1
    assert store.search("STRÖM w-0").total == 3
    assert store.search("100%").total == 0
    assert store.search("_").total == 7  # only in the photo's name: no wildcard
    assert store.search("?%").total == 0
    found = store.search(filters=Filters(welder="émile ström", outcome="fail"), sort="width_mean", descending=False)
    assert [row.identity.weld for row in found.items] == ["W-01", "W-03", "W-05"]
    page = store.search(sort="weld", descending=False, page=2, size=3)
    assert (page.total, page.pages) == (7, 3)
    assert [row.identity.weld for row in page.items] == ["W-03", "W-04", "W-05"]
    assert store.search(filters=Filters(decision="none")).total == 7
    assert store.search(filters=Filters(since="2026-03-15")).total == 0
    assert store.search(filters=Filters(until="2026-03-14", job="evening class 12")).total == 7
    for sort in ("created", "date", "welder", "decision", "outcome", "no_such_measure"):
        assert store.search(sort=sort).total == 7
    with pytest.raises(RecordError, match="Pages"):
        store.search(page=0)
    assert store.values("welder") == ("Ada Brandt", "Émile Ström")
    assert store.values("weld")[0] == "W-00"


def test_trend_runs_in_time_and_tells_what_is_missing(store):
    for k, day in enumerate(("2026-03-20", "2026-03-01", "2026-03-10")):
        save(store, k, width=8 + k, date=day)
    points = store.trend("width_mean", welder="ada brandt")
    assert [(p.at, p.value) for p in points] == [("2026-03-01", 9.0), ("2026-03-10", 10.0), ("2026-03-20", 8.0)]
    assert points[0].U == 0.16
    assert points[0].outcome == "undecided"
    said = invented.result().settings
    assert {(p.joint, p.electrode_mm) for p in points} == {(said.joint, said.welding.electrode_mm)}
    ratio = store.trend("undercut_per_100mm", procedure="WPS-EC-01")[0]
    assert ratio.value == pytest.approx(12.0 / 80.0 * 100)
    assert pytest.approx(100 * 1.4 / 80) == ratio.U
    assert [p.value for p in store.trend("ripple_sharpness")] == [None, None, None]
    assert store.trend("width_mean", welder="nobody") == ()


def test_erasing_a_person_leaves_a_whole_chain_and_no_trace(store, tmp_path):
    saved = store.save_inspection(
        invented.result(),
        invented.photo_bytes(),
        invented.IDENTITY,
        remarks="Talked it over with ada  Brandt.",
        decision=NewDecision(decision="accept", by="Noor Holm", reason="gauged with Ada Brandt"),
    )
    other = save(store, 1, welder="Ada Brandtsen", outcome="pass")
    erased = store.erase_person("Ada Brandt")
    assert erased.inspections == 2  # the other's photo is called ada_brandt_3.jpg
    got = store.get(saved.id)
    assert got.identity.welder is None
    assert got.identity.inspector == "Noor Holm"
    assert got.remarks is None
    assert got.decision.reason is None
    assert set(got.erased) == {"welder", "remarks", "reason", "photo_names"}
    assert store.get(other.id).identity.welder == "Ada Brandtsen"
    report = store.check()
    assert report.ok, report.findings
    assert report.erased == erased.fields == 5
    assert store.search("brandt").total == 1
    store.close()
    left = b"".join(path.read_bytes() for path in tmp_path.glob("record.sqlite*"))
    assert b"ada  Brandt" not in left
    assert b"Ada Brandt." not in left
    assert b"ada_brandt" not in left
    assert left.count(b"Ada Brandt") == left.count(b"Ada Brandtsen") > 0
    with pytest.raises(RecordError, match="Nothing on record names"):
        store.erase_person("Ada Brandt")


def test_export_person_gives_everything_that_names_them(store):
    saved = save(store)
    save(store, 1, welder="Someone Else", inspector="Else Someone")
    exported = json.loads(json.dumps(store.export_person("ADA brandt")))
    ids = [one["id"] for one in exported["inspections"]]
    assert saved.id in ids
    assert exported["inspections"][0]["identity"]["welder"] == "Ada Brandt"
    assert exported["inspections"][0]["result"]["schema"] == "toeline.result/1"
    with pytest.raises(RecordError, match="Nothing on record names"):
        store.export_person("Nobody Here")
    with pytest.raises(RecordError):
        store.export_person("  ")


def test_names_are_in_no_log_and_no_error(store, caplog):
    caplog.set_level(logging.DEBUG)
    with store._writing() as connection:
        connection.exec_driver_sql("drop table measure")
    with pytest.raises(RecordError) as caught:
        save(store)
    assert "Brandt" not in str(caught.value)
    assert "Brandt" not in caplog.text
    assert caught.value.__cause__ is None
    with pytest.raises(ValidationError) as refused:
        Identity(welder="Brandt" * 100)
    assert "Brandt" not in str(refused.value)


def test_text_is_cleaned_not_trusted(store):
    saved = save(store, job="  A\x00B\tC \n", weld="   ")
    assert saved.identity.job == "A B C"
    assert saved.identity.weld is None


def test_tidying_sets_aside_only_what_nothing_refers_to(store):
    save(store)
    stray = store._photos
    stray.adopt(stray.stage(b"stray", "8a" * 32))
    assert store.tidy(keep_days=30).set_aside == 1
    assert store.tidy(keep_days=30).set_aside == 0
    assert store.check().ok


def test_photo_folder_of_another_store_is_refused(tmp_path):
    Store.open(tmp_path / "a.sqlite", tmp_path / "pictures").close()
    with pytest.raises(RecordError, match="belongs to another record"):
        Store.open(tmp_path / "b.sqlite", tmp_path / "pictures")


def test_first_opening_that_was_killed_can_be_done_again(tmp_path, monkeypatch):
    def killed(folder, store_id):
        raise KeyboardInterrupt

    monkeypatch.setattr("toeline.record.photos.PhotoFolder.claim", killed)
    with pytest.raises(KeyboardInterrupt):
        Store.open(tmp_path / "record.sqlite")
    monkeypatch.undo()
    with Store.open(tmp_path / "record.sqlite") as store:
        save(store)
    with Store.open(tmp_path / "record.sqlite") as store:
        assert store.check().ok


# -- when the disk fails or several people act at once ---------------------------------------------------------


@pytest.fixture
def small_files():
    """Files of this process may hold 8 kB at most: writing more fails as on a full disk."""
    resource = pytest.importorskip("resource", reason="this system cannot limit the size of files")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, before[1]))
    yield lambda: resource.setrlimit(resource.RLIMIT_FSIZE, before)
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_photo_that_does_not_fit_on_the_disk_is_one_sentence_and_nothing_is_left(store, small_files):
    blank = invented.result()
    small, large = b"\xff\xd8\xff", b"\xff\xd8\xff" + bytes(60_000)
    named = blank.photo.model_copy(update={"sha256": hashlib.sha256(small).hexdigest()})
    with pytest.raises(RecordError, match=r"photo folder .* cannot be written"):
        store.save_inspection(
            blank.model_copy(update={"photo": named}), small, Identity(), more_photos=[("large.jpg", large)]
        )
    small_files()
    assert [path for path in store._photos.folder.rglob("*") if path.is_file() and path.name != "STORE"] == []
    assert store.search().total == 0
    save(store)
    assert store.check().ok


def test_a_full_database_is_one_sentence_and_what_was_saved_stays(store):
    first = save(store)
    with store._engine.connect() as connection:
        pages = connection.exec_driver_sql("pragma page_count").scalar()
    store.close()
    event.listen(store._engine, "connect", lambda raw, _: raw.execute(f"pragma max_page_count={pages + 2}"))
    with pytest.raises(RecordError, match="full"):
        any(save(store, seed) is None for seed in range(1, 4))
    assert store.get(first.id) == first
    assert store.check().ok
    store.tidy(keep_days=0)
    assert len(list(store._photos.folder.glob("??/*"))) == store.search().total


def test_a_missing_photo_folder_is_refused_until_it_is_back(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as store:
        saved = save(store)
    (tmp_path / "photos").rename(tmp_path / "away")
    for _ in range(2):
        with pytest.raises(RecordError, match="photos is missing: bring it back"):
            Store.open(tmp_path / "record.sqlite")
    assert not (tmp_path / "photos").exists()
    (tmp_path / "away").rename(tmp_path / "photos")
    with Store.open(tmp_path / "record.sqlite") as store:
        assert store.photo(saved.photos[0].sha256) == invented.photo_bytes()
        assert store.check().ok


def test_a_lost_photo_hides_nothing_else_and_a_damaged_one_is_healed_by_the_same_photo(store):
    saved = save(store)
    file = store._photos.path(saved.photos[0].sha256)
    file.unlink()
    assert store.get(saved.id) == saved
    with pytest.raises(RecordError, match="missing"):
        store.photo(saved.photos[0].sha256)
    assert [one.kind for one in store.check().findings] == ["photo"]
    file.write_bytes(b"rot")
    save(store, weld="W-08")
    assert store.check().ok


def test_of_two_who_supersede_at_once_one_is_told(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as store:
        old = save(store)
        start, told = threading.Barrier(4), []

        def work(seed):
            start.wait()
            try:
                store.supersede(old.id, invented.result(seed), invented.photo_bytes(seed), Identity(), why="wrong")
            except RecordError as error:
                told.append(str(error))

        workers = [threading.Thread(target=work, args=(k,)) for k in range(1, 5)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
        assert len(told) == 3
        assert all("superseded already" in one for one in told)
        assert store.search(filters=Filters(superseded=True)).total == 2
        assert store.check().ok


def test_a_backup_made_while_others_save_is_whole(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as store:
        save(store)
        stop = threading.Event()

        def work():
            seed = 1
            while not stop.is_set():
                save(store, seed)
                seed += 1

        worker = threading.Thread(target=work)
        worker.start()
        reports = [store.backup(tmp_path / f"{k}.zip") for k in range(4)]
        stop.set()
        worker.join()
        assert store.check(head=reports[-1].head).ok
    for k, report in enumerate(reports):
        assert (tmp_path / f"{k}.zip").stat().st_mode & 0o077 == 0
        Store.restore(tmp_path / f"{k}.zip", tmp_path / f"{k}" / "record.sqlite")
        with Store.open(tmp_path / f"{k}" / "record.sqlite") as restored:
            found = restored.check(head=report.head)
            assert found.ok
            assert (found.inspections, found.photos, found.head) == (report.inspections, report.photos, report.head)


# -- places that are no store ----------------------------------------------------------------------------------


def test_what_is_no_store_is_refused_politely(tmp_path):
    (tmp_path / "notes.sqlite").write_text("these are notes, not a database, and long enough to be looked at " * 20)
    with pytest.raises(RecordError, match="cannot be used"):
        Store.open(tmp_path / "notes.sqlite")
    with sqlite3.connect(tmp_path / "other.sqlite") as connection:
        connection.execute("create table shopping (item)")
    connection.close()
    with pytest.raises(RecordError, match="other tables"):
        Store.open(tmp_path / "other.sqlite")
    with pytest.raises(RecordError, match="postgresql"):
        Store.open("mysql://somewhere/db")
    with pytest.raises(RecordError):
        Store.open("nonsense://")
    with pytest.raises(RecordError, match="cannot be made"):
        Store.open("/proc/nowhere/record.sqlite")


# -- schema versions -------------------------------------------------------------------------------------------


def test_versions_known_are_the_files_there_are():
    config = Config()
    config.set_main_option("script_location", str(migrations.__path__[0]))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)
    assert script.get_heads() == [migrations.HEAD]
    assert [revision.revision for revision in script.walk_revisions()][::-1] == list(migrations.KNOWN)


def test_migrations_build_exactly_the_tables_that_are_used(tmp_path):
    Store.open(tmp_path / "record.sqlite").close()
    engine = create_engine(f"sqlite:///{tmp_path / 'record.sqlite'}")
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), tables.metadata) == []
    engine.dispose()


def write_older(path):
    """A store as the first toeline wrote it: an entry of form 1, which covers words, and no later table."""
    with Store.open(path) as store:
        saved = save(store)
        blank = invented.result().photo.model_copy(update={"name": ""})
        with store._writing() as connection:
            row = dict(connection.execute(select(tables.inspection)).mappings().one())
            row |= {"form": 1, "result": invented.result().model_copy(update={"photo": blank}).to_json(None)}
            connection.execute(tables.inspection.update().values(row))
            later = tables.personal.c.field.in_(chain.WORDS) | tables.personal.c.field.like("result %")
            connection.execute(tables.personal.delete().where(later))
            committed = {one.field: one.commitment for one in connection.execute(select(tables.personal))}
            content = chain.inspection_content(row, [(0, saved.photos[0].sha256)], committed, None)
            connection.execute(tables.ledger.delete())
            chain.append(connection, row["created_at"], "inspection", row["id"], content)
            for table in ("signature", "replaced_photo", "test_photo", "weld_test", "procedure"):
                connection.execute(text(f"drop table {table}"))
            connection.execute(text("alter table inspection drop column form"))
            connection.execute(text("drop index ix_inspection_weld"))
            for column in ("drawing", "weld_pass", "layer", "face", "welded_on"):
                connection.execute(text(f"alter table inspection drop column {column}"))
            connection.execute(text("update alembic_version set version_num = '0001'"))


def test_older_store_is_migrated_with_what_it_holds(tmp_path):
    path = tmp_path / "record.sqlite"
    write_older(path)
    with Store.open(path) as store:
        (saved,) = store.search().items
        assert store.get(saved.id).identity == invented.IDENTITY
        assert store.get(saved.id).result == invented.result()
        assert store.check().ok, store.check().findings
        save(store, 1, job="Another")
        assert store.check().ok
        (kept,) = store.find_person("Evening class")
        assert (kept.field, kept.number, bool(kept.kept_because)) == ("job", saved.number, True)
        assert store.erase_person("Ada Brandt").fields > 0
        assert store.check().ok


def test_newer_store_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "record.sqlite"
    with Store.open(path) as store, store._writing() as connection:
        connection.execute(text("update alembic_version set version_num = '9999'"))
    before = path.read_bytes()
    with pytest.raises(RecordError, match="newer toeline"):
        Store.open(path)
    assert path.read_bytes() == before


def test_many_open_and_save_at_once(tmp_path):
    problems = []

    def work(seed):
        try:
            with Store.open(tmp_path / "record.sqlite") as store:
                save(store, seed)
        except Exception as error:
            problems.append(error)

    workers = [threading.Thread(target=work, args=(k,)) for k in range(6)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert problems == []
    with Store.open(tmp_path / "record.sqlite") as store:
        assert store.search().total == 6
        assert store.check().ok


# -- backup and restore ----------------------------------------------------------------------------------------


def filled(store):
    first = save(store, 0, "pass", decision=NewDecision(decision="accept", by="Noor Holm"))
    store.supersede(first.id, invented.result(1), invented.photo_bytes(1), invented.IDENTITY, why="blurred")
    save(store, 2, welder="Émile Ström")
    store.erase_person("Émile Ström")
    return first


def test_backup_restores_to_the_same_record(store, tmp_path):
    first = filled(store)
    report = store.backup(tmp_path / "backup.zip")
    assert (report.inspections, report.photos, report.head) == (3, 3, store.head())
    assert verify_backup(tmp_path / "backup.zip") == report
    Store.restore(tmp_path / "backup.zip", tmp_path / "new" / "record.sqlite")
    with Store.open(tmp_path / "new" / "record.sqlite") as restored:
        assert restored.check(head=report.head).ok
        assert restored.get(first.id) == store.get(first.id)
        assert restored.photo(first.photos[0].sha256) == invented.photo_bytes(0)
        save(restored, 3)
        assert restored.check(head=report.head).ok


def test_restore_never_writes_over_a_record(store, tmp_path):
    filled(store)
    store.backup(tmp_path / "backup.zip")
    with pytest.raises(RecordError, match="already holds"):
        Store.restore(tmp_path / "backup.zip", tmp_path / "record.sqlite")
    assert store.check().ok


def test_damaged_backup_is_refused_and_leaves_nothing(store, tmp_path):
    filled(store)
    store.backup(tmp_path / "backup.zip")
    whole = (tmp_path / "backup.zip").read_bytes()
    at = whole.index(b"photos/") + 2000
    (tmp_path / "bad.zip").write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
    (tmp_path / "cut.zip").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "text.zip").write_text("hello")
    with zipfile.ZipFile(tmp_path / "empty.zip", "w"):
        pass
    for name in ("bad.zip", "cut.zip", "text.zip", "empty.zip", "none.zip"):
        with pytest.raises(RecordError, match="backup"):
            Store.restore(tmp_path / name, tmp_path / "new.sqlite", tmp_path / "new_photos")
    assert not (tmp_path / "new.sqlite").exists()


def test_backup_with_a_changed_row_is_refused_even_with_a_fresh_manifest(store, tmp_path, monkeypatch):
    filled(store)
    with store._writing() as connection:
        connection.execute(text("update inspection set part = 'Plate 4'"))
    monkeypatch.setattr("toeline.record.backup._rehearse", lambda archive: None)  # as an intruder would write it
    store.backup(tmp_path / "backup.zip")
    with pytest.raises(RecordError, match="does not check"):
        Store.restore(tmp_path / "backup.zip", tmp_path / "new.sqlite", tmp_path / "new_photos")
    Store.open(tmp_path / "new.sqlite", tmp_path / "new_photos").close()  # nothing half restored is in the way


def write_older_backup(database, archive):
    """An archive as the first toeline wrote it, by hand from what its format says."""
    names = ("photo", "criteria", "inspection", "inspection_photo", "decision", "personal", "ledger", "measure")
    files, rows = {}, {}
    connection = sqlite3.connect(database)
    connection.row_factory = sqlite3.Row
    with zipfile.ZipFile(archive, "w") as packed:
        for name in names:
            held = [dict(row) for row in connection.execute(f"select * from {name}")]
            data = b"".join(chain.canonical(row) + b"\n" for row in held)
            packed.writestr(f"tables/{name}.jsonl", data)
            files[f"tables/{name}.jsonl"], rows[name] = chain.digest(data), len(held)
        (head,) = connection.execute("select digest from ledger order by seq desc limit 1").fetchone()
        for path in (database.parent / "photos").glob("??/*"):
            packed.writestr(f"photos/{path.name}", path.read_bytes())
            files[f"photos/{path.name}"] = path.name
        manifest = {"format": "toeline.backup/1", "schema_version": "0001", "head": head, "tables": names}
        packed.writestr("manifest.json", json.dumps(manifest | {"rows": rows, "files": files}))
    connection.close()


def test_backup_of_an_older_schema_is_migrated_on_the_way(tmp_path):
    write_older(tmp_path / "old.sqlite")
    write_older_backup(tmp_path / "old.sqlite", tmp_path / "old.zip")
    Store.restore(tmp_path / "old.zip", tmp_path / "new.sqlite", tmp_path / "new_photos")
    with Store.open(tmp_path / "new.sqlite", tmp_path / "new_photos") as store:
        (saved,) = store.search().items
        assert store.get(saved.id).result == invented.result()
        assert store.check().ok
        save(store, 1)


def test_backup_of_a_damaged_photo_is_refused(store, tmp_path):
    saved = save(store)
    store._photos.path(saved.photos[0].sha256).write_bytes(b"rot")
    with pytest.raises(RecordError, match="damaged"):
        store.backup(tmp_path / "backup.zip")
    assert list(tmp_path.glob("*backup*")) == []
