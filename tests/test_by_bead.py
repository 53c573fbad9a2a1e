"""A class whose coupons were photographed from several sides: grouped by name, measured with height, put on record."""

from __future__ import annotations

import datetime
import shutil
from pathlib import Path

import pytest

from toeline import __version__
from toeline.batch import KeptMeasurements, many, settings_digest
from toeline.coupons.by_bead import by_bead
from toeline.coupons.coupons import score_folder
from toeline.coupons.log import put_on_record
from toeline.coupons.roster import name_from_file, read_roster
from toeline.coupons.rubric import load_rubric
from toeline.record import Store
from toeline.result import Settings

DEMO = Path(__file__).resolve().parents[1] / "demo_images"
SCENE = sorted((DEMO / "round_stringer").glob("*_v?.jpg"))
FIRST = load_rubric("first-beads")


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (["ada.jpg", "ada left.jpg", "Ada_RIGHT.heic"], {"ada.jpg": ("ada left.jpg", "Ada_RIGHT.heic")}),
        (["bo above.jpg", "bo-end-2.png"], {"bo above.jpg": ("bo-end-2.png",)}),
        (["cy.jpg", "cy above.jpg", "cy start.jpg"], {"cy.jpg": ("cy above.jpg", "cy start.jpg")}),
        (["di left.jpg", "left.jpg"], {"di left.jpg": (), "left.jpg": ()}),
        (["coupon 1.jpg", "coupon 2.jpg", "coupon.jpg"], {"coupon 1.jpg": (), "coupon 2.jpg": (), "coupon.jpg": ()}),
        (["ed.jpg", "eddy left.jpg", "bright.jpg"], {"ed.jpg": (), "eddy left.jpg": (), "bright.jpg": ()}),
        (["ada left.jpg", "ada.jpg", "ada.png"], {"ada.jpg": ("ada left.jpg",), "ada.png": ()}),
    ],
)
def test_a_name_says_which_bead_and_from_which_side(names, found):
    assert by_bead(names) == found


def test_a_coupon_is_called_what_its_bead_is_called():
    assert name_from_file("ada_above.jpg") == "ada"
    assert read_roster(b"name,file\nAda B.,ada\n").name_for("ada above.jpg") == "Ada B."


def test_no_name_of_a_file_buys_a_process_more_memory_or_time(tmp_path, monkeypatch):
    """Whoever hands in a hundred photos as sides of one bead gets a sentence, and the others their scores."""
    folder = tmp_path / "class"
    folder.mkdir()
    shutil.copy(SCENE[0], folder / "ada.jpg")
    for number in range(30):
        shutil.copy(SCENE[2], folder / f"ada left {number}.jpg")
    held = []
    monkeypatch.setattr(many, "as_done", lambda job, photos, executor, warm_up, at_once: held.append(at_once) or ())
    score_folder(folder, FIRST)
    assert held == [9]
    found = many.measure_one(folder / "ada.jpg", Settings(), sides={folder / "ada.jpg": sorted(folder.glob("*left*"))})
    assert found.result is None
    assert "2 to 9 photos of one bead, and there are 31" in found.problem


def test_several_photos_of_a_bead_are_one_coupon_with_heights(tmp_path):
    folder = tmp_path / "class"
    folder.mkdir()
    shutil.copy(SCENE[0], folder / "ada.jpg")
    shutil.copy(SCENE[2], folder / "ada left.jpg")
    shutil.copy(SCENE[3], folder / "ada_end.jpg")
    (folder / "ada right.jpg").write_bytes(b"torn")
    shutil.copy(DEMO / "good_stringer.jpg", folder / "bo.jpg")
    memory = KeptMeasurements(tmp_path / "kept.sqlite")
    told: list[tuple[int, int]] = []
    scores = score_folder(folder, FIRST, memory=memory, on_progress=lambda done, of, one: told.append((done, of)))
    assert [one.name for one in scores.coupons] == ["ada", "bo"]
    assert told == [(1, 2), (2, 2)]
    ada, bo = (one.result for one in scores.coupons)
    assert ada.measures["height_max"].known
    assert bo.relief is None
    assert [(one.name, one.usable) for one in ada.photos[1:]] == [
        ("ada left.jpg", True),
        ("ada right.jpg", False),
        ("ada_end.jpg", True),
    ]
    # the memory holds no names, and what several photos tell names them
    memory_key = settings_digest(Settings(), __version__)
    assert [memory.measured(one.photo.sha256, memory_key) is None for one in (ada, bo)] == [True, False]
    with Store.open(tmp_path / "store") as store:
        bytes_of = {path.name: path.read_bytes for path in folder.iterdir()}
        put_on_record(store, scores, bytes_of, class_name="Evening", date=datetime.date(2026, 11, 29))
        kept = {name: store.get(last.id).photos for name in ("ada", "bo") if (last := store.search(name).items[0])}
    assert [one.use for one in kept["ada"]] == ["measured", "heights", "heights"]
    assert [one.use for one in kept["bo"]] == ["measured"]
