"""Drafts on disk: a visitor's own, whole, private, let go in time."""

from __future__ import annotations

import pytest

from toeline.result import GaugeReading
from toeline_app import drafts as kept
from toeline_app.drafts import KEPT_FOR_S, Drafts
from toeline_app.said import AboutPhoto, Said

DIGEST = "a" * 64


class Clock:
    """Seconds that a test moves on."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def drafts(tmp_path, clock):
    return Drafts(tmp_path / "drafts", clock)


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "one.photo"
    path.write_bytes(b"a photo")
    return path


def test_a_draft_comes_back_to_who_holds_its_key_and_to_nobody_else(drafts, photo):
    drafts.keep("mine", "words", {DIGEST: photo})
    photo.unlink()  # the session's own copy is gone with the session
    assert drafts.load("mine") == ("words", {DIGEST: b"a photo"})
    assert drafts.load("theirs") is None
    drafts.keep("mine", "other words", {})
    assert drafts.load("mine") == ("other words", {})


def test_nobody_else_on_the_machine_reads_it_and_no_file_names_the_key(drafts, photo, tmp_path):
    drafts.keep("mine", "words", {DIGEST: photo})
    files = list((tmp_path / "drafts").rglob("*"))
    assert {path.stat().st_mode & 0o777 for path in files} == {0o700, 0o600}
    assert not any("mine" in str(path) for path in files)


def test_it_is_let_go_after_its_time_also_at_the_next_start(drafts, photo, clock, tmp_path):
    drafts.keep("mine", "words", {DIGEST: photo})
    clock.now += KEPT_FOR_S - 1
    drafts.keep("other", "words", {})
    assert drafts.sweep() == 0
    clock.now += 2
    assert drafts.load("mine") is None
    Drafts(tmp_path / "drafts", clock)
    assert len(list((tmp_path / "drafts").iterdir())) == 1
    drafts.forget("other")
    assert list((tmp_path / "drafts").iterdir()) == []


def test_a_change_gives_it_its_whole_time_again(drafts, photo, clock):
    drafts.keep("mine", "words", {DIGEST: photo})
    clock.now += KEPT_FOR_S - 1
    drafts.keep("mine", "more words", {DIGEST: photo})
    clock.now += KEPT_FOR_S - 1
    assert drafts.load("mine") is not None


def test_where_there_is_no_more_room_the_longest_unchanged_goes(drafts, photo, clock, monkeypatch):
    monkeypatch.setattr(kept, "MOST_BYTES_OF_ALL", 20)
    for key in ("one", "two", "three"):
        clock.now += 1
        drafts.keep(key, "w", {DIGEST: photo})
    assert drafts.load("one") is None
    assert drafts.load("two") is not None
    assert drafts.load("three") is not None


def test_what_was_said_is_the_same_after_it_was_kept():
    about = AboutPhoto(
        taps=((1.0, 2.0), (3.0, 4.0)), gauge=(GaugeReading(name="cracks", value=0, unit="1", by="A. Boon"),)
    )
    said = Said(about={DIGEST: about}, looked_by="A. Boon", typed={"weld": "W-1"}, notes={"roster": "name\nAda"})
    assert Said.model_validate_json(said.model_dump_json(exclude_defaults=True)) == said
    assert about.ends == ((1.0, 2.0), (3.0, 4.0))
    assert AboutPhoto(taps=((1.0, 2.0),)).ends is None


def test_who_is_erased_is_named_in_no_draft(drafts, photo):
    drafts.keep("one", Said(looked_by="Ada Brandt").model_dump_json(), {DIGEST: photo})
    drafts.keep("two", Said(notes={"roster": "name\nADA BRANDT"}).model_dump_json(), {})
    drafts.keep("three", Said(looked_by="Ada Brandtsen").model_dump_json(), {})
    assert drafts.forget_who_is_named("Ada Brandt") == 2
    assert drafts.load("one") is None
    assert drafts.load("three") is not None
