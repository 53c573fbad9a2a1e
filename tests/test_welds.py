"""One weld under one number: its passes and sides together, later tests chained to it, procedures kept."""

from __future__ import annotations

import pytest

import invented
from toeline.errors import RecordError
from toeline.record import Identity, NewTest, Store
from toeline.result import Procedure, RunRanges


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as opened:
        yield opened


def save(store, seed=0, **identity):
    known = {"job": "Hull 3", "drawing": "D-210", "weld": "W-07", "welder": "Ada Brandt"}
    return store.save_inspection(invented.result(seed), invented.photo_bytes(seed), Identity(**known | identity))


def test_passes_and_sides_of_one_number_belong_together(store):
    root = save(store, 0, weld_pass="root", layer="1", face="root side")
    cap = save(store, 1, weld_pass="cap", layer="3", job="HULL 3", weld="w-07")
    save(store, 2, weld="W-08")
    save(store, 3, drawing="D-211")
    weld = store.weld(cap.id)
    assert [one.id for one in weld.inspections] == [root.id, cap.id]
    assert [one.identity.weld_pass for one in weld.inspections] == ["root", "cap"]
    assert store.weld(root.id).inspections == weld.inspections
    assert store.get(root.id).identity.face == "root side"
    assert [one.id for one in store.search("D-210 w-07").items] == [cap.id, root.id]
    assert store.check().ok


def test_without_a_number_an_inspection_stands_with_those_it_took_the_place_of(store):
    first = save(store, 0, weld=None)
    save(store, 1, weld=None)
    third = store.supersede(first.id, invented.result(2), invented.photo_bytes(2), Identity(), why="blurred")
    assert [one.id for one in store.weld(third.id).inspections] == [first.id, third.id]
    assert [one.id for one in store.weld(first.id).holding] == [third.id]
    assert store.get(first.id).superseded_by_number == third.number
    assert store.get(third.id).supersedes_number == first.number


def test_a_later_test_belongs_to_the_whole_weld_and_outlives_a_correction(store):
    root, cap = save(store, 0), save(store, 1, weld_pass="cap")
    bend = NewTest(kind="root_bend", outcome="pass", date="2026-04-02", by="Noor Holm", standard="ISO 5173")
    weld = store.add_test(root.id, bend)
    assert [one.kind for one in weld.tests] == ["root_bend"]
    corrected = store.supersede(
        root.id, invented.result(2), invented.photo_bytes(2), Identity(welder="Ada Brandt"), why="other weld number"
    )
    for one in (root, cap, corrected):
        assert [test.by for test in store.get(one.id).tests] == ["Noor Holm"]


def test_a_wrong_test_result_is_superseded_with_a_reason_and_stays(store):
    saved = save(store)
    (wrong,) = store.add_test(saved.id, NewTest(kind="macro", outcome="pass")).tests
    right = NewTest(kind="macro", outcome="fail", found="no fusion at the root")
    with pytest.raises(RecordError, match="why"):
        store.add_test(saved.id, right, supersedes=wrong.id)
    with pytest.raises(RecordError, match="no test"):
        store.add_test(save(store, 1).id, right, supersedes=wrong.id, why="mixed up")
    weld = store.add_test(saved.id, right, supersedes=wrong.id, why="mixed up")
    assert [(one.outcome, one.superseded_by) for one in weld.tests] == [("pass", weld.tests[1].number), ("fail", None)]
    assert weld.tests[1].why_superseded == "mixed up"
    assert [one.outcome for one in weld.failed_tests] == ["fail"]
    with pytest.raises(RecordError, match="already"):
        store.add_test(saved.id, right, supersedes=wrong.id, why="again")
    assert store.check().ok
    assert store.check().tests == 2


def test_words_that_are_no_text_are_one_sentence_and_signs_that_nobody_sees_go(store):
    saved = save(store)
    with pytest.raises(RecordError, match="bytes that are no text"):
        store.search("\udcff")
    with pytest.raises(RecordError, match="bytes that are no text"):
        store.trend("width_sd", welder="\udcff")
    with pytest.raises(RecordError, match="too large a number"):
        store.numbered(10**30)
    found = "\x1b[31mopen\x07 defect\u202e\n\tof 4 mm\udcff"
    (test,) = store.add_test(saved.id, NewTest(kind="macro", outcome="fail", found=found)).tests
    assert test.found == "[31mopen defect\n\tof 4 mm"


def test_a_later_test_keeps_its_photos_as_they_came(store, tmp_path):
    saved = save(store)
    pictures = [("etched.jpg", invented.photo_bytes(5)), ("Ada Brandt, bend.jpg", invented.photo_bytes(6))]
    (test,) = store.add_test(saved.id, NewTest(kind="macro", outcome="fail"), photos=pictures).tests
    assert [one.name for one in test.photos] == ["etched.jpg", "Ada Brandt, bend.jpg"]
    assert [store.photo(one.sha256) for one in test.photos] == [data for _, data in pictures]
    assert (store.check().ok, store.check().photos, store.check().strays) == (True, 3, 0)
    assert store.tidy(keep_days=0).set_aside == 0
    with pytest.raises(RecordError, match="twice"):
        store.add_test(saved.id, NewTest(kind="face_bend", outcome="pass"), photos=[pictures[0], pictures[0]])
    store.backup(tmp_path / "record.zip")
    Store.restore(tmp_path / "record.zip", tmp_path / "again")
    with Store.open(tmp_path / "again") as again:
        assert again.weld(saved.id).tests == (test,)
        assert again.photo(test.photos[1].sha256) == pictures[1][1]
    store.erase_person("Ada Brandt")
    assert [one.name for one in store.weld(saved.id).tests[0].photos] == [None, None]
    assert store.check().ok


def test_a_photo_of_a_test_that_was_put_there_later_is_found(store):
    saved = save(store)
    pictures = [("etched.jpg", invented.photo_bytes(5))]
    store.add_test(saved.id, NewTest(kind="macro", outcome="pass"), photos=pictures)
    with store._writing() as connection:
        connection.exec_driver_sql("update test_photo set sha256 = (select sha256 from inspection_photo)")
    assert {one.text for one in store.check().findings} >= {"It was changed after it was recorded."}


def test_a_person_named_in_the_photo_of_a_test_is_found_and_taken_out(store):
    saved = save(store)
    named = invented.photo_bytes(5)[:2] + b"\xff\xfe\x00\x0dAda Brandt\x00" + invented.photo_bytes(5)[2:]
    store.add_test(saved.id, NewTest(kind="macro", outcome="pass"), photos=[("etched.jpg", named)])
    assert "photo 1 of a later test" in {one.field for one in store.find_person("Ada Brandt")}
    store.erase_person("Ada Brandt")
    (test,) = store.weld(saved.id).tests
    assert b"Ada Brandt" not in store.photo(test.photos[0].sha256)
    assert store.check().ok


def test_who_tested_can_be_erased(store):
    saved = save(store)
    store.add_test(saved.id, NewTest(kind="break", outcome="pass", by="Finn Aas", found="Finn Aas saw no pores"))
    assert {one.field for one in store.find_person("finn aas")} == {"by", "found"}
    store.erase_person("Finn Aas")
    (test,) = store.weld(saved.id).tests
    assert (test.by, test.found, test.outcome) == (None, None, "pass")
    assert store.check().ok


def test_procedures_are_kept_by_name_and_the_newest_holds(store):
    first = Procedure(name="WPS-1", run=(RunRanges(current_a=(90, 130)),))
    store.keep_procedure(first)
    with pytest.raises(RecordError, match="the same"):
        store.keep_procedure(first)
    second = first.model_copy(update={"name": "wps-1", "revision": "2"})
    store.keep_procedure(second)
    assert store.procedures() == (second,)
    assert store.check().ok
    assert store.check().procedures == 2


def test_a_procedure_that_names_a_person_is_told_of_and_stays(store):
    save(store, welder="Ada Brandt")
    store.keep_procedure(Procedure(name="WPS Ada Brandt", run=(RunRanges(),)))
    (kept,) = (one for one in store.find_person("Ada Brandt") if one.kept_because)
    assert kept.field == "procedure"
    exported = store.export_person("Ada Brandt")
    assert len(exported["inspections"]) == 1
    assert [one["name"] for one in exported["procedures"]] == ["WPS Ada Brandt"]
    assert store.erase_person("Ada Brandt").kept == (kept,)


def test_all_of_it_comes_back_from_a_backup(store, tmp_path):
    saved = save(store, weld_pass="root")
    (wrong,) = store.add_test(saved.id, NewTest(kind="macro", outcome="pass")).tests
    store.add_test(saved.id, NewTest(kind="macro", outcome="fail"), supersedes=wrong.id, why="mixed up")
    store.keep_procedure(Procedure(name="WPS-1", run=(RunRanges(),)))
    store.backup(tmp_path / "record.zip")
    Store.restore(tmp_path / "record.zip", tmp_path / "again")
    with Store.open(tmp_path / "again") as again:
        assert again.weld(saved.id) == store.weld(saved.id)
        assert again.procedures() == store.procedures()
        assert again.check(head=store.head()).ok


def back_to_the_schema_before(store):
    """The store as it was before welds had drawings, passes and tests."""
    with store._writing() as connection:
        for statement in (
            "drop table test_photo",
            "alter table inspection drop column welded_on",
            "drop table weld_test",
            "drop table procedure",
            "drop index ix_inspection_weld",
            *(f"alter table inspection drop column {name}" for name in ("drawing", "weld_pass", "layer", "face")),
            "update alembic_version set version_num = '0004'",
        ):
            connection.exec_driver_sql(statement)


def migrated(place):
    """A record of the schema before is opened: all that it held is there and checks, and welds can be added to."""
    with Store.open(place) as store:
        first = save(store, 0, drawing=None)
        second = save(store, 1, drawing=None, position="PB")
        store.erase_person("Ada Brandt")
        head, held = store.head(), [store.get(one.id) for one in (first, second)]
        back_to_the_schema_before(store)
    with Store.open(place) as store:
        assert [store.get(one.id) for one in held] == held
        assert store.check(head=head).ok, store.check().findings
        assert [one.id for one in store.weld(first.id).inspections] == [first.id, second.id]
        store.add_test(first.id, NewTest(kind="macro", outcome="pass"))
        save(store, 2, weld_pass="cap", drawing="D-1")
        assert store.check(head=head).ok


def test_a_record_of_the_schema_before_is_migrated_with_what_it_holds(tmp_path):
    migrated(tmp_path / "record.sqlite")
