"""The page's part for photos from the sides, run by AppTest on the demo scene and on an invented relief."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from invented import result
from relief_results import with_relief
from toeline.photo import read_photo
from toeline.photogrammetry import sides_seen
from toeline.pipeline import measure
from toeline.problems import problem
from toeline.result import PhotoInfo
from toeline_app import jobs, photos, relief, said
from toeline_app.prefs import Preferences
from toeline_app.said import Said

SCENE = sorted((Path(__file__).parents[2] / "demo_images" / "round_stringer").glob("*_v?.jpg"))


def run(shown, unit="mm", **state):
    app = AppTest.from_string(
        "import streamlit as st\nfrom toeline_app import relief\nshown = st.session_state['given']\n"
        "shown = relief.with_section(shown)\nrelief.page_part(shown, shown.result)",
        default_timeout=120,
    )
    app.session_state["preferences"] = Preferences(unit=unit)
    app.session_state["given"] = shown
    for name, value in state.items():
        app.session_state[name] = value
    return app.run()


def told(app) -> str:
    assert not app.exception
    return " ".join([*(one.proto.body for one in app.get("html")), *(one.value for one in (*app.text, *app.markdown))])


@pytest.fixture
def face(tmp_path):
    return photos.Photo("face.jpg", tmp_path / result().photo.sha256)


def test_without_a_scale_there_is_nothing_to_ask_for(face):
    found = result()
    bare = found.model_copy(update={"scale": found.scale.model_copy(update={"state": "none"})})
    app = run(photos.Shown(face, bare))
    assert not app.exception
    assert not app.expander


def test_before_any_photo_it_shows_where_to_stand(face):
    app = run(photos.Shown(face, result()))
    text = told(app)
    assert "add two to four photos from the sides" in app.expander[0].label
    assert "stand to its left" in text
    assert not app.button, "nothing to work out yet"


@pytest.mark.parametrize(("unit", "height"), [("mm", "2.00 ± 0.20 mm"), ("in", "0.079 ± 0.008 in")])
def test_the_surface_is_told_in_the_users_unit_with_sections(face, unit, height):
    app = run(photos.Shown(face, with_relief()), unit)
    text = told(app)
    assert height in text
    assert "the left toe is deepest" in text
    assert "chosen" not in text
    app.number_input[0].set_value(12.0 if unit == "mm" else 0.5).run()
    assert "chosen" in told(app)


@pytest.fixture(scope="module")
def looked():
    """The demo scene's face photo measured, and what a look at three of its photos and a torn file tells."""
    found = measure(SCENE[0], check_line=49.85)
    return found, sides_seen([read_photo(path) for path in SCENE[:3]], found)


def test_what_is_missing_is_said_and_what_is_wrong_with_a_photo(looked, tmp_path):
    found, _ = looked
    torn = tmp_path / "torn.jpg"
    torn.write_bytes(b"torn")
    seen = jobs.look_at_sides(found, [(SCENE[0], "face"), (torn, "torn <b>.jpg"), (SCENE[1], "one")])
    assert [one.photo for one in seen.seen_from] == [0, 2]
    assert seen.left_out[1].code == "relief_unread"
    given = photos.Photo("face.jpg", SCENE[0]), photos.Photo("torn <b>.jpg", torn), photos.Photo("one", SCENE[1])
    key = " ".join(one.sha256 for one in given)
    held = {f"sides_{given[0].sha256}": list(given[1:])}
    app = run(photos.Shown(given[0], found), held_photos=held, sides_seen={key: seen})
    text = told(app)
    assert "Left out" in text
    assert "torn &lt;b&gt;.jpg" in text
    assert "from the right" in text
    assert "takes 2 more" in text
    assert app.button[0].label == "Work out height and depth"
    app.button[0].click().run()
    assert app.session_state["said"].notes == {f"relief_{given[0].sha256}": given[2].sha256}
    app.button[-1].click().run()
    assert "sides_" not in " ".join(app.session_state["held_photos"])


def test_the_side_of_a_photo_that_turned_out_not_to_belong_is_missing_again(looked, tmp_path):
    """Whether a photo shows the same bead only working out the height tells."""
    found, _ = looked
    given = photos.Photo("face.jpg", SCENE[0]), photos.Photo("other.jpg", SCENE[1])
    seen = jobs.look_at_sides(found, [(one.path, one.name) for one in given])
    assert [one.side for one in seen.seen_from] == ["above", "left"]
    info = PhotoInfo(
        name="other.jpg", sha256="", width_px=0, height_px=0, usable=False, problems=(problem("relief_alone"),)
    )
    worked_out = found.model_copy(update={"photos": (found.photo, info)})
    key = " ".join(one.sha256 for one in given)
    held = {f"sides_{given[0].sha256}": [given[1]]}
    text = told(run(photos.Shown(given[0], worked_out), held_photos=held, sides_seen={key: seen}))
    assert "Left out" in text
    assert "Still missing:** from the left" in text


def test_photos_from_the_sides_go_with_their_face_photo(face, tmp_path, monkeypatch):
    side = photos.Photo("side.jpg", tmp_path / ("b" * 64))
    held = {f"sides_{face.sha256}": [side], "sides_gone": [side], "bench_photos": [face]}
    state = {"held_photos": held, "said": Said(notes={f"relief_{face.sha256}": side.sha256})}
    for module in (photos, said):
        monkeypatch.setattr(module.st, "session_state", state)
    assert relief.with_sides([face])[0].sides == (side,)
    assert "sides_gone" not in held
    state["said"] = Said()
    assert relief.with_sides([face]) == [face], "not until height is asked for"
