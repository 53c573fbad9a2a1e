"""The same photo changed a little: what is compared, and that the changes change nothing that matters."""

from __future__ import annotations

import numpy as np
import pytest

import seen_photos
from drawn_beads import Drawing, draw, result_of
from toeline.photo import Exif, Photo
from toeline.problems import problem
from toeline.validation.stability import CHANGES, KEPT, Moved, changed, kept, run_stability, share_kept

PHOTO = Photo("drawn", "", np.random.default_rng(0).integers(0, 255, (300, 400, 3)).astype(np.uint8), Exif(), b"")


@pytest.fixture(scope="module")
def result():
    return result_of(draw(Drawing(length=60.0)))


def test_what_is_the_same_is_kept(result):
    assert all(kept(result, result)[key] in (True, None) for key in KEPT)


def test_each_move_is_told_from_the_others(result):
    longer = result.measures["length"].model_copy(update={"value": result.measures["length"].value + 3.5})
    wide = result.measures["width_mean"]
    wider = wide.model_copy(update={"value": wide.value + 1.01 * wide.U})
    moved = result.model_copy(update={"measures": result.measures | {"length": longer, "width_mean": wider}})
    told = kept(result, moved)
    assert told["length"] is False
    assert told["width"] is False
    assert told["undercut"] is True
    assert told["outcome"] is True


def test_a_refusal_on_one_side_moves_the_outcome_and_no_figure(result):
    photo = result.photo.model_copy(update={"usable": False, "problems": (problem("toes_unsure"),)})
    refused = result.model_copy(update={"photo": photo, "measures": {}})
    judged = result.model_copy(update={"judgement": None})
    assert kept(judged, refused)["length"] is None
    assert kept(judged, refused)["cause"] is None
    assert kept(None, refused)["outcome"] is True


@pytest.mark.parametrize(
    ("change", "size"),
    [
        ("encoded again", (300, 400)),
        ("5 px cropped", (290, 390)),
        ("turned by 90°", (400, 300)),
        ("3 % smaller", (291, 388)),
        ("3 % larger", (309, 412)),
        ("check line +0.1", (300, 400)),
    ],
)
def test_a_change_is_what_it_says(change, size):
    assert change in CHANGES
    assert changed(PHOTO, change).image.shape[:2] == size


def test_shares_are_over_the_pairs_that_tell():
    moved = [Moved("a", "3 % larger", {"length": True}), Moved("b", "3 % larger", {"length": False})]
    moved += [Moved("c", "3 % larger", {"length": None}), Moved("d", "3 % larger", {}, "ValueError: x")]
    assert share_kept(moved, "length") == (0.5, 2)
    assert share_kept(moved, "cause") == (None, 0)


def test_a_clear_bead_does_not_move(tmp_path):
    pairs = seen_photos.photos(("stringer",), "good")
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    path = pairs[0][0]
    for file in (path, path.with_suffix(".json")):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    moved = run_stability(tmp_path, jobs=1)
    assert {m.change for m in moved} == set(CHANGES)
    assert not [m for m in moved if m.fault]
    for key in ("length", "width", "undercut"):
        assert share_kept(moved, key)[0] == 1.0, key
