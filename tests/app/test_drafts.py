"""Drafts on disk: a visitor's own, whole, private, let go in time."""

from __future__ import annotations

import unicodedata

import pytest
from streamlit.testing.v1 import AppTest

from toeline.result import GaugeReading
from toeline_app import classroom, keeping
from toeline_app import drafts as kept
from toeline_app.classroom import Told
from toeline_app.drafts import KEPT_FOR_S, Drafts
from toeline_app.said import AboutPhoto, Said
from toeline_app.service import retention

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
    text, photos = drafts.load("mine")
    assert (text, {digest: path.read_bytes() for digest, path in photos.items()}) == ("words", {DIGEST: b"a photo"})
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


def test_where_there_is_no_more_room_the_longest_unchanged_goes(drafts, tmp_path, clock, monkeypatch):
    monkeypatch.setattr(kept, "MOST_BYTES_OF_ALL", 20)
    for key, name in (("one", "a"), ("two", "b"), ("three", "c")):
        clock.now += 1
        photo = tmp_path / f"{name}.photo"
        photo.write_bytes(b"photo " + name.encode())
        drafts.keep(key, "w", {name * 64: photo})
    assert drafts.load("one") is None
    assert drafts.load("two") is not None
    assert drafts.load("three") is not None


def test_what_was_promised_for_a_month_stays_and_what_has_no_room_is_refused(tmp_path, clock, photo, monkeypatch):
    """A class put under an address again and again takes no more room, and none ends another's address."""
    monkeypatch.setattr(kept, "MOST_BYTES_OF_ALL", 20)
    classes = Drafts(tmp_path / "classes", clock, promised=True)
    for key in ("one", "one again", "and again"):
        clock.now += 1
        classes.keep(key, "w", {DIGEST: photo})
    assert len({path.stat().st_ino for path in (tmp_path / "classes").glob("*/*.photo")}) == 1
    other = tmp_path / "other.photo"
    other.write_bytes(b"another photo")
    with pytest.raises(OSError, match="No space left"):
        classes.keep("two", "w", {"b" * 64: other})
    assert classes.load("two") is None
    classes.forget("one")
    for key in ("one again", "and again"):
        assert classes.load(key)[1][DIGEST].read_bytes() == b"a photo"
    assert len(list((tmp_path / "classes").iterdir())) == 2


def test_a_text_beyond_measure_is_not_kept_and_what_was_kept_stays(drafts, photo):
    drafts.keep("mine", "words", {DIGEST: photo})
    with pytest.raises(OSError, match="too large"):
        drafts.keep("mine", "w" * (kept.MOST_TEXT + 1), {})
    text, photos = drafts.load("mine")
    assert text == "words"
    assert photos[DIGEST].read_bytes() == b"a photo"


def test_after_a_clock_was_set_back_nothing_is_lost_and_nothing_stays_for_ever(drafts, photo, clock):
    drafts.keep("mine", "words", {DIGEST: photo})
    clock.now -= 30 * KEPT_FOR_S
    assert drafts.sweep() == 0
    assert drafts.load("mine") is not None
    clock.now += KEPT_FOR_S + 1
    assert drafts.sweep() == 1


def test_a_full_disk_leaves_the_draft_as_it_was(drafts, photo, tmp_path):
    resource = pytest.importorskip("resource", reason="this system cannot limit the size of files")
    drafts.keep("mine", "words", {DIGEST: photo})
    large = tmp_path / "large.photo"
    large.write_bytes(bytes(50_000))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    for text, photos in (("other", {DIGEST: photo, "b" * 64: large}), ("o" * 20_000, {DIGEST: photo})):
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
        try:
            with pytest.raises(OSError):  # noqa: PT011  whatever the system calls it
                drafts.keep("mine", text, photos)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert drafts.load("mine")[0] == "words"
    assert not list((tmp_path / "drafts").rglob("*.part"))


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
    assert len(drafts.naming("Ada Brandt")) == 2
    assert drafts.forget_who_is_named("Ada Brandt") == 2
    assert drafts.load("one") is None
    assert drafts.load("three") is not None


@pytest.mark.parametrize(
    "said",
    [
        Said(looked_by="Brandt, Zoë"),
        Said(looked_by=unicodedata.normalize("NFD", "Zoë Brandt")),
        Said(typed={"remarks": "welded by ZOE BRANDT at noon"}),
        Said(notes={"class": Told(roster="code,name\n9,Zoë Brandt\n").model_dump_json()}),
        Said(notes={"class": Told(roster="code,name\n9,Zoë Brandt\n").model_dump_json().replace("ë", "\\u00eb")}),
    ],
    ids=["turned round", "other Unicode form", "no accents", "a page's own note", "escaped"],
)
def test_an_erased_name_is_found_however_it_is_written(drafts, photo, said):
    drafts.keep("one", said.model_dump_json(), {DIGEST: photo})
    drafts.keep("two", Said(looked_by="Zoe Brandtsen").model_dump_json(), {DIGEST: photo})
    assert drafts.forget_who_is_named("Zoë Brandt") == 1
    assert drafts.load("one") is None
    assert drafts.load("two") is not None


def test_a_photo_whose_own_data_names_the_erased_goes_too(drafts, photo):
    comment = b"by Ada Brandt"
    photo.write_bytes(b"\xff\xd8\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + b"\xff\xd9")
    drafts.keep("one", Said().model_dump_json(), {DIGEST: photo})
    assert drafts.forget_who_is_named("Ada Brandt") == 1


# -- in a page ---------------------------------------------------------------------------------------------------------

KEY = "k" * 43
PAGE = "from toeline_app import keeping, said\nkeeping.bring_back()\nkeeping.keep()"


@pytest.fixture
def visit(monkeypatch):
    """A new session of the visitor whose draft holds a photo and what was looked for; their key is ``KEY``."""
    monkeypatch.setattr(keeping, "visitor", lambda: KEY)
    retention.uploads.clear()
    data = b"a photo"
    path = retention.uploads().keep("before", data)
    digest = path.stem
    said = Said(about={digest: AboutPhoto(conditions={"restart": True})}, looked_by="A. Boon")
    text = keeping._Draft(held={"bench_photos": (("one.jpg", digest),)}, said=said).model_dump_json(
        exclude_defaults=True
    )
    retention.drafts().keep(KEY, text, {digest: path})
    retention.uploads().keep_only("before", set())
    yield lambda: AppTest.from_string(PAGE, default_timeout=60)
    retention.uploads().close()
    retention.uploads.clear()


def test_a_reload_brings_the_draft_back(visit):
    app = visit().run()
    assert app.session_state["said"].looked_by == "A. Boon"
    assert [one.name for one in app.session_state["held_photos"]["bench_photos"]] == ["one.jpg"]


def test_a_draft_whose_photos_find_no_room_is_kept_until_they_do(visit, monkeypatch):
    kept = retention.drafts().load(KEY)
    with monkeypatch.context() as full:
        full.setattr("toeline_app.uploads.MOST_BYTES_OF_ALL", 1)
        app = visit().run()
        assert not app.exception
        assert "is kept" in app.error[0].value
        assert retention.drafts().load(KEY) == kept
    app.button[0].click().run()
    assert not app.error
    assert app.session_state["said"].looked_by == "A. Boon"
    assert retention.drafts().load(KEY)[0] == kept[0]


def test_a_draft_let_go_while_it_is_opened_stops_nothing(visit, monkeypatch):
    text, photos = retention.drafts().load(KEY)
    for path in photos.values():
        path.unlink()
    monkeypatch.setattr(Drafts, "load", lambda self, key: (text, photos))
    app = visit().run()
    assert not app.exception
    assert app.button[0].label == "Try again"


def test_what_does_not_fit_is_said_once(visit, monkeypatch):
    monkeypatch.setattr(kept, "MOST_TEXT", 10)
    app = visit()
    app.session_state["said"] = Said(notes={"x": "y"})
    app.session_state["draft_brought"] = True
    assert "no room to keep this" in app.run().toast[0].value
    app.session_state["said"] = Said(notes={"x": "z"})
    assert not app.run().toast
    assert not app.exception


def test_a_note_of_another_version_is_begun_anew(monkeypatch):
    monkeypatch.setattr(classroom.said, "note", lambda name: '{"rubric": "mine", "of_later": 1}')
    assert classroom.told() == Told()
