"""``toeline record`` as a person uses it: sentences, exit codes, one JSON document where asked for."""

from __future__ import annotations

import json
import os
import signal

import pypdf
import pytest

import invented
from test_cli import toeline  # noqa: F401  the fixture
from test_record_erasing import photo_of, save
from test_record_faults import small_disk
from toeline.cli import jobs
from toeline.record import NewDecision, Receipt, Store


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """A record that the command finds by itself, with two inspections and a decision; no key yet."""
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "kept"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    with Store.open(tmp_path / "kept") as store:
        save(store, invented.photo_bytes(), welder="Ada Brandt", decision=NewDecision(decision="refer"))
        save(store, photo_of("Ada Brandt", "PNG"), welder="Finn Aas")
    return tmp_path / "kept"


@pytest.fixture
def run(toeline):  # noqa: F811
    return lambda *words, **more: toeline("record", *words, **more)


def test_a_check_speaks_to_people_and_to_machines(run, kept):
    said = run("check")
    assert said.code == 0
    assert "3 entries: 2 inspections, 1 decision, 0 erasures. 2 photos." in said.out
    assert "Everything is as it was recorded." in said.out
    assert "kept elsewhere" in said.out
    document = json.loads(run("check", "--json").out)
    assert (document["entries"], document["findings"]) == (3, [])
    assert run("check", "--head", document["head"]).code == 0
    next((kept / "photos").glob("??/*")).write_bytes(b"rot")
    said = run("check", "--head", "0" * 64)
    assert said.code == 1
    assert said.out.count("NOT AS RECORDED") == 2
    assert "as it was recorded." not in said.out.splitlines()[-1]


def test_a_backup_spares_what_is_there(run, kept, tmp_path):
    (tmp_path / "b.zip").write_text("something else")
    said = run("backup", tmp_path / "b.zip")
    assert said.code == 2
    assert "already" in said.err
    assert (tmp_path / "b.zip").read_text() == "something else"
    said = run("backup", tmp_path / "b.zip", "--force")
    assert said.code == 0
    assert "2 inspections and 2 photos, and can be restored" in said.out
    assert json.loads(run("restore", tmp_path / "b.zip", "--store", tmp_path / "new", "--json").out)["inspections"] == 2


def test_a_person_who_is_not_there_is_an_error(run, kept):
    for words in (("erase", "Noor Holm", "--yes"), ("erase", "Noor Holm"), ("export", "Noor Holm")):
        said = run(*words)
        assert said.code == 2
        assert "Nothing on record names this person" in said.err
        assert said.out == ""


def test_erasing_shows_what_was_found_and_asks(run, kept):
    said = run("erase", "brandt ada", stdin=b"n\n")
    assert said.code == 1
    assert "Entry 1, welder: Ada Brandt" in said.err
    assert "cannot be erased" in said.err  # the PNG
    with Store.open(kept) as store:
        assert store.search("Ada Brandt").total == 1
    said = run("erase", "brandt ada", stdin=b"y\n")
    assert said.code == 1  # not all of it could be
    assert "STILL THERE: Entry 3, photo 1" in said.out
    assert "Backups" in said.out
    said = run("erase", "Finn Aas", "--yes", "--json")
    assert said.code == 0
    assert json.loads(said.out)["fields"] == 2
    assert run("check").code == 0


def test_a_key_signs_and_a_receipt_vouches(run, kept, tmp_path):
    assert run("key", kept / "key.pem").code == 2  # inside the record
    said = run("key")
    assert said.code == 0
    assert (tmp_path / "config" / "toeline" / "record-key.pem").is_file()
    assert run("key").code == 2
    public = tmp_path / "config" / "toeline" / "record-key.public.pem"
    assert "1 entry is signed by the key." in run("check").out  # the newest, and so all before it
    with Store.open(kept) as store:
        save(store, invented.photo_bytes(4))
    assert "2 entries are signed by the key." in run("check", "--key", public).out
    assert run("receipt", tmp_path / "r.txt").code == 0
    assert run("receipt", tmp_path / "r.txt").code == 2
    receipt = Receipt.read((tmp_path / "r.txt").read_text())
    assert (receipt.entries, receipt.genuine, len(receipt.signature)) == (4, True, 128)
    assert run("check", "--receipt", tmp_path / "r.txt", "--key", public).code == 0
    (tmp_path / "r.txt").write_text(receipt.model_copy(update={"entries": 9}).text())
    assert run("check", "--receipt", tmp_path / "r.txt").code == 1
    assert run("check", "--receipt", tmp_path / "none.txt").code == 2
    assert run("check", "--key", tmp_path / "r.txt").code == 2
    assert "Head:" in run("receipt").out


def test_tidying_says_where_things_went(run, kept):
    (kept / "photos" / "8a").mkdir()
    (kept / "photos" / "8a" / ("8a" * 32)).write_bytes(b"stray")
    assert "1 file in the photo folder" in run("check").out
    said = run("tidy", "--keep-days", "30")
    assert said.code == 0
    assert "1 file set aside" in said.out
    assert "quarantine" in said.out
    assert run("tidy", "--keep-days", "nan").code == 2
    assert run("tidy", "--keep-days", "-1").code == 2


@pytest.fixture
def welds(kept):
    """Two passes of one weld, by number of their entries."""
    with Store.open(kept) as store:
        identity = invented.IDENTITY.model_copy(update={"drawing": "D-210", "weld_pass": "root"})
        root = store.save_inspection(invented.result(1), invented.photo_bytes(1), identity)
        cap = store.save_inspection(
            invented.result(2), invented.photo_bytes(2), identity.model_copy(update={"weld_pass": "cap"})
        )
    return root.number, cap.number


def test_a_weld_is_shown_with_its_passes_and_tests_and_reported(run, welds, tmp_path):
    root, cap = welds
    assert run("test", root, "root_bend", "pass", "--date", "2026-04-02", "--by", "Noor Holm").code == 0
    (tmp_path / "bent.jpg").write_bytes(invented.photo_bytes(7))
    said = run("test", root, "face_bend", "pass", "--photo", tmp_path / "bent.jpg")
    assert "face bend test: PASS, 1 photo" in said.out
    assert "cannot be opened" in run("test", root, "face_bend", "pass", "--photo", tmp_path / "none.jpg").err
    said = run("weld", cap, "--report", tmp_path / "weld.pdf")
    assert said.code == 0
    assert pypdf.PdfReader(tmp_path / "weld.pdf").pages[0].images, "the specimen stands with the tests"
    assert said.out.splitlines()[0] == "Weld W-07, drawing D-210, part Plate 3, job Evening class 12"
    assert f"entry {root}, 2026-03-14, root pass" in said.out
    assert f"entry {cap}, 2026-03-14, cap pass" in said.out
    assert "root bend test: PASS, 2026-04-02, Noor Holm" in said.out
    assert (tmp_path / "weld.pdf").read_bytes().startswith(b"%PDF")
    assert "already" in run("weld", cap, "--report", tmp_path / "weld.pdf").err
    assert len(json.loads(run("weld", cap, "--json").out)["inspections"]) == 2
    listed = run("list", "D-210").out
    assert listed.index("cap pass") < listed.index("root pass")
    assert "2 inspections." in listed


def crash(*_: object) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def test_a_photo_that_crashes_its_reader_costs_a_weld_s_report_and_test_a_sentence(run, welds, tmp_path, monkeypatch):
    monkeypatch.setattr(jobs, "_weld_pdf", crash)
    monkeypatch.setattr(jobs, "_given", crash)
    said = run("weld", welds[0], "--report", tmp_path / "weld.pdf")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert "the photos of this weld: the process that measured it ended" in said.err
    said = run("test", welds[0], "macro", "pass", "--photo", tmp_path / "bent.jpg")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert "bent.jpg: the process that measured it ended" in said.err
    assert not (tmp_path / "weld.pdf").exists()


def test_a_report_of_a_weld_that_does_not_fit_leaves_no_half_file(run, welds, tmp_path):
    assert run("weld", welds[0], "--report", tmp_path / "whole.pdf").code == 0
    with small_disk((tmp_path / "whole.pdf").stat().st_size * 9 // 10):  # its time of making changes it by bytes
        said = run("weld", welds[0], "--report", tmp_path / "weld.pdf")
    assert said.code == 2
    assert "weld.pdf" in said.err
    assert not [path for path in tmp_path.iterdir() if "weld.pdf" in path.name or path.suffix == ".part"]


def test_a_wrong_test_is_superseded_by_its_entry(run, welds):
    root, cap = welds
    run("test", root, "macro", "pass")
    number = json.loads(run("weld", root, "--json").out)["tests"][0]["number"]
    assert "why" in run("test", root, "macro", "fail", "--instead-of", number).err
    said = run("test", cap, "macro", "fail", "--instead-of", number, "--why", "mixed up", "--found", "no root fusion")
    assert said.code == 0
    assert f"entry {number}, macro section: superseded by entry {number + 1}" in said.out
    assert "macro section: FAIL, no root fusion" in said.out
    for words, why in (
        ((999, "macro", "pass"), "no inspection"),
        ((root, "macro", "pass", "--instead-of", 1, "--why", "x"), "no test result"),
        ((root, "macro", "pass", "--by", "x" * 300), "by: String should have at most 200 characters"),
    ):
        said = run("test", *words)
        assert (said.code, why in said.err) == (2, True), said.err
        assert "Value error" not in said.err


def test_procedures_are_kept_and_listed(run, kept, toeline, tmp_path):  # noqa: F811
    assert "No welding procedure" in run("procedures").out
    example = toeline("procedure").out
    (tmp_path / "wps.toml").write_text(example)
    assert "WPS-EC-01, revision 1, process 111" in toeline("procedure", tmp_path / "wps.toml").out
    assert "Pass root: rod E7018; rod size 2.5 mm" in run("procedures", tmp_path / "wps.toml").out
    assert "says the same" in run("procedures", tmp_path / "wps.toml").err
    assert [one["name"] for one in json.loads(run("procedures", "--json").out)] == ["WPS-EC-01"]
    assert "1 procedure" in run("check").out


def test_what_a_welder_keeps_up_and_when_it_lapses(run, welds):
    said = run("continuity", "--welder", "ada brandt", "--on", "2026-09-01")
    assert said.code == 0
    assert "Ada Brandt: stick welding (process 111), flat: last inspected 2026-03-14" in said.out
    assert "LAPSES 2026-09-14" in said.out
    assert "ISO 9606-1:2012, 9.2 (from memory)" in said.out
    assert "QW-322.1 (from memory)" in said.out
    assert "It confirms nothing" in said.out
    late = run("continuity", "--on", "2026-09-15", "--welder", "Ada Brandt", "--json")
    assert late.code == 1
    assert {one["state"] for one in json.loads(late.out)} == {"lapsed"}
    assert "look how the name is written" in run("continuity", "--welder", "Nobody").err
