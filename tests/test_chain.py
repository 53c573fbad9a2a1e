"""The digest chain: any later change of anything recorded is found."""

from __future__ import annotations

import hashlib
import json
import shutil
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

import invented
from toeline.record import Identity, NewDecision, Store, chain
from toeline.record.checking import check_links


def test_entry_digest_is_plain_sha256_of_canonical_json():
    """Anyone can check the chain without toeline: computed here by hand with hashlib and json."""
    plain = '{"at":"2026-01-01T00:00:00.000000Z","content":"c","kind":"decision","prev":"p","seq":7,"subject":"s"}'
    assert json.loads(plain)["seq"] == 7
    expected = hashlib.sha256(plain.encode()).hexdigest()
    assert chain.entry_digest(7, "2026-01-01T00:00:00.000000Z", "decision", "s", "c", "p") == expected


@given(st.text(max_size=40), st.text(max_size=40))
def test_commitment_tells_texts_apart_and_hides_them(one, other):
    salt = chain.new_salt()
    assert (chain.commitment(salt, "welder", one) == chain.commitment(salt, "welder", other)) == (one == other)
    assert chain.commitment(salt, "welder", one) != chain.commitment(chain.new_salt(), "welder", one)
    assert chain.commitment(salt, "welder", one) != chain.commitment(salt, "inspector", one)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(json_values, json_values)
def test_canonical_form_is_one_to_one(one, other):
    assert json.loads(chain.canonical(one)) == one
    assert (chain.canonical(one) == chain.canonical(other)) == (
        json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)
    )


INSPECTION = {
    "id": "i", "created_at": "2026-01-01", "date": "2026-01-02", "welded_on": None, "outcome": "pass",
    "criteria_id": "c", "form": 2, "supersedes": None, "result": "{}",
}  # fmt: skip
DECISION = {"id": "d", "inspection_id": "i", "number": 1, "at": "2026-01-03", "decision": "accepted"}
LATER_TEST = {"id": "t", "inspection_id": "i", "kind": "bend", "outcome": "pass", "date": None, "supersedes": None}


def test_each_part_of_an_inspection_of_a_decision_and_of_a_later_test_is_covered():
    photos, personal = [(1, "a" * 64)], {"welder": "b" * 64}
    whole = chain.inspection_content(INSPECTION, photos, personal, "c" * 64)
    others = [INSPECTION | {field: "other"} for field in INSPECTION if field != "form"]
    changed = [chain.inspection_content(one, photos, personal, "c" * 64) for one in others]
    changed.append(chain.inspection_content(INSPECTION, [(1, "d" * 64)], personal, "c" * 64))
    changed.append(chain.inspection_content(INSPECTION, [(2, "a" * 64)], personal, "c" * 64))
    changed.append(chain.inspection_content(INSPECTION, photos, {"welder": "e" * 64}, "c" * 64))
    changed.append(chain.inspection_content(INSPECTION, photos, personal, "f" * 64))
    assert len({whole, *changed}) == 1 + len(changed)
    decided = chain.decision_content(DECISION, personal)
    otherwise = [chain.decision_content(DECISION | {field: "other"}, personal) for field in DECISION]
    otherwise.append(chain.decision_content(DECISION, {"inspector": "b" * 64}))
    assert len({decided, *otherwise}) == 1 + len(otherwise)
    tested = chain.test_content(LATER_TEST, photos, personal)
    differently = [chain.test_content(LATER_TEST | {field: "other"}, photos, personal) for field in LATER_TEST]
    differently.append(chain.test_content(LATER_TEST, [(1, "d" * 64)], personal))
    differently.append(chain.test_content(LATER_TEST, photos, {"by": "b" * 64}))
    assert len({tested, *differently}) == 1 + len(differently)


def test_an_entry_rewritten_with_its_own_digest_breaks_the_link_of_the_next():
    entries, prev = [], chain.GENESIS
    for seq in (1, 2, 3):
        parts = (seq, f"2026-01-0{seq}", "decision", f"s{seq}", f"c{seq}", prev)
        prev = chain.entry_digest(*parts)
        entries.append(dict(zip(("seq", "at", "kind", "subject", "content", "prev"), parts, strict=True), digest=prev))
    assert not list(check_links(entries))
    forged = entries[1] | {"content": "another"}
    forged["digest"] = chain.entry_digest(*(forged[k] for k in ("seq", "at", "kind", "subject", "content", "prev")))
    found = list(check_links([entries[0], forged, entries[2]]))
    assert [one.where for one in found] == ["entry 3"]
    assert [one.where for one in check_links([entries[0], entries[2]])] == ["entry 3", "entry 3"]  # a gap, a link


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A store with every kind of entry: inspections, decisions, a superseding, an erasure, criteria, two photos."""
    folder = tmp_path_factory.mktemp("filled")
    with Store.open(folder / "record.sqlite") as store:
        first = store.save_inspection(
            invented.result(0, "pass"),
            invented.photo_bytes(0),
            invented.IDENTITY,
            more_photos=[("gauge.jpg", invented.photo_bytes(3))],
            remarks="Preheated.",
            criteria="[criteria]\n",
            decision=NewDecision(decision="accept", by="Noor Holm"),
        )
        store.decide(first.id, NewDecision(decision="reject", by="Noor Holm", reason="dye showed a crack"))
        store.supersede(
            first.id, invented.result(1), invented.photo_bytes(1), Identity(job="J", welder="Finn Aas"), why="blurred"
        )
        store.save_inspection(invented.result(2), invented.photo_bytes(2), Identity(job="K", welder="Finn Aas"))
        store.erase_person("Finn Aas")
    return folder


# What an intruder could change, as SQL; and that nothing of it goes unseen.
COLUMNS = {
    "inspection": "id created_at date job part weld procedure position result outcome criteria_id criteria_digest "
    "supersedes",
    "inspection_photo": "inspection_id place sha256",
    "photo": "sha256 size media_type",
    "measure": "inspection_id name value U unit",
    "personal": "subject field inspection_id value salt commitment erasure",
    "decision": "id inspection_id number at decision",
    "ledger": "at kind subject content prev digest",
    "criteria": "digest text",
}
CHANGES = [(table, column) for table, columns in COLUMNS.items() for column in columns.split()]


@pytest.fixture
def copy(filled, tmp_path):
    shutil.copytree(filled, tmp_path / "copy")
    with Store.open(tmp_path / "copy" / "record.sqlite") as store:
        yield store


def tamper(store, sql, **values):
    """Change the database behind the store's back."""
    with store._engine.connect() as connection:
        connection.exec_driver_sql("rollback")
        connection.exec_driver_sql("pragma foreign_keys=off")
        connection.exec_driver_sql("pragma ignore_check_constraints=on")
        connection.exec_driver_sql("begin immediate")
        changed = connection.execute(text(sql), values).rowcount
        connection.exec_driver_sql("commit")
    return changed


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    change=st.sampled_from(CHANGES),
    row=st.integers(0, 5),
    value=st.one_of(st.text(st.characters(codec="ascii", min_codepoint=32), min_size=1, max_size=12), st.none()),
)
def test_no_change_of_any_column_goes_unseen(filled, tmp_path_factory, change, row, value):
    table, column = change
    folder = tmp_path_factory.mktemp("tampered")
    shutil.copy(filled / "record.sqlite", folder / "record.sqlite")
    shutil.copytree(filled / "photos", folder / "photos")
    with Store.open(folder / "record.sqlite") as store:
        with store._engine.connect() as connection:
            rows = connection.execute(text(f"select rowid, {column} from {table} order by rowid")).all()
        rowid, before = rows[row % len(rows)]
        if str(before) == str(value):
            return
        with suppress(IntegrityError):  # then the database itself would not have it
            tamper(store, f"update {table} set {column} = :value where rowid = :rowid", value=value, rowid=rowid)
            assert not store.check().ok
    shutil.rmtree(folder)


def test_whole_store_checks(copy):
    report = copy.check()
    assert report.ok
    assert (report.entries, report.inspections, report.photos, report.erased) == (6, 3, 4, 4)


@pytest.mark.parametrize(
    "sql",
    [
        "delete from ledger where seq = 2",
        "delete from inspection where job = 'K'",
        "delete from decision where number = 2",
        "delete from personal where field = 'remarks'",
        "delete from inspection_photo where place = 1",
        "update personal set value = 'Someone' where field = 'inspector'",
        "update personal set value = null, salt = null where field = 'remarks'",
        "insert into personal select subject, 'note', inspection_id, value, salt, commitment, erasure "
        "from personal where field = 'remarks'",
        "insert into decision select 'forged', inspection_id, 3, at, 'accept' from decision where number = 2",
        "update inspection set result = replace(result, '8.4', '9.4')",
    ],
)
def test_what_an_intruder_would_do_is_found(copy, sql):
    assert tamper(copy, sql) > 0
    assert not copy.check().ok


def test_cut_off_entries_are_found_by_a_digest_kept_elsewhere(copy):
    head = copy.head()
    tamper(copy, "delete from decision where number = 2")
    tamper(copy, "delete from personal where field = 'reason'")
    last = "select max(seq) from ledger"
    tamper(copy, f"delete from ledger where seq = ({last})")
    report = copy.check(head=head)
    assert "head" in {finding.kind for finding in report.findings}


def test_changed_and_missing_photos_are_found(copy):
    kept = sorted(path for path in copy._photos.folder.glob("??/*"))
    kept[0].write_bytes(kept[0].read_bytes() + b"\0")
    kept[1].unlink()
    texts = [finding.text for finding in copy.check().findings]
    assert len(texts) == 2
    assert any("damaged" in t for t in texts)
    assert any("missing" in t for t in texts)
