"""The demo photos: each with its truth, truth that agrees with itself and with the picture, files that stay small."""

from __future__ import annotations

import dataclasses
import importlib
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from toeline.geometry.card import find_cards
from toeline.photo import read_photo
from toeline.validation.against_truth import true_measures

FOLDER = Path(__file__).resolve().parents[1] / "demo_images"
PHOTOS = sorted(FOLDER.glob("*.jpg"))


@pytest.fixture(params=PHOTOS, ids=lambda p: p.stem)
def pair(request):
    return request.param, json.loads(request.param.with_suffix(".json").read_text("utf-8"))


def test_enough_photos_and_no_stray_truth():
    assert len(PHOTOS) >= 8
    assert {p.stem for p in PHOTOS} == {p.stem for p in FOLDER.glob("*.json")}
    assert sum(p.stat().st_size for p in PHOTOS) < 9_000_000
    assert max(p.stat().st_size for p in FOLDER.glob("*.j*")) < 900_000


def test_the_readme_names_every_photo():
    text = (FOLDER / "README.md").read_text("utf-8")
    assert [p.stem for p in PHOTOS if f"`{p.stem}`" not in text] == []


def test_kinds_and_troubles_are_covered():
    truths = [json.loads(p.with_suffix(".json").read_text("utf-8")) for p in PHOTOS]
    assert {t["kind"] for t in truths} == {"stringer", "weave", "cap", "fillet"}
    assert len({t["cause"] for t in truths if t["usable"]} - {"good", None}) >= 4
    assert [t["photo"] for t in truths if t["usable"] is bool(t["why_not"])] == []
    assert any(not t["usable"] for t in truths)


def test_photo_and_truth_agree_on_the_camera(pair):
    path, truth = pair
    photo = read_photo(path)
    assert (photo.width, photo.height) == (truth["image"]["width"], truth["image"]["height"])
    assert "Bench phone" in (photo.exif.camera or "")
    assert photo.exif.taken_at is not None
    # The 35 mm equivalent goes by the diagonal of 36 × 24 mm (CIPA DCG-001).
    focal = truth["camera"]["K"][0][0]
    by_exif = photo.exif.focal_35mm / np.hypot(36, 24) * np.hypot(photo.width, photo.height)
    assert focal == pytest.approx(by_exif, rel=0.01)


def test_the_truth_projects_as_opencv_does(pair):
    """Against an outside projector: OpenCV's projectPoints with the truth's own pose and lens."""
    _, truth = pair
    camera = truth["camera"]
    flip = np.diag([1.0, 1.0, -1.0])
    rotation = np.array(camera["pose"]["R"])
    dist = np.array([camera["distortion"]["k1"], camera["distortion"]["k2"], 0, 0])
    for side in ("left", "right"):
        plate = np.array(truth["bead"]["toes_plate_mm"][side])
        px, _ = cv2.projectPoints(
            plate @ flip, cv2.Rodrigues(rotation)[0], np.array(camera["pose"]["t"]), np.array(camera["K"]), dist
        )
        assert np.abs(px[:, 0] - truth["bead"]["toes_px"][side]).max() < 0.05


def test_the_card_lies_where_the_truth_says(pair):
    path, truth = pair
    if not truth["usable"]:
        pytest.skip("not meant to be measured")
    cards = find_cards(read_photo(path))
    assert {c.which for c in cards} == ({"A", "B"} if truth["kind"] == "fillet" else {"A"})
    for card in cards:
        true = np.vstack([truth["card"]["marker_corners_px"][str(i)] for i in card.marker_ids])
        off = np.hypot(*(card.corners_px - true).T)
        assert np.median(off) < 0.3


def test_the_scoreboard_can_read_the_truth(pair):
    _, truth = pair
    if not truth["usable"]:
        pytest.skip("not meant to be measured")
    measures = true_measures(truth)
    assert measures["length"] == pytest.approx(truth["bead"]["s_mm"][-1], abs=0.3)
    assert 0.5 < measures["ripple_pitch"] < 5
    if truth["kind"] == "fillet":
        assert measures["joint_angle"] == pytest.approx(90.0, abs=0.01)
        assert measures["throat"] < min(measures["leg_base"], measures["leg_upright"])
    else:
        assert measures["width_min"] <= measures["width_mean"] <= measures["width_max"]


@pytest.fixture
def make_photos(monkeypatch):
    """The script that makes the photos."""
    pytest.importorskip("torch")
    monkeypatch.syspath_prepend(str(FOLDER))
    return importlib.import_module("make_photos")


def test_the_script_makes_these_photos(make_photos):
    assert {s.name for s in make_photos.SHOTS} == {p.stem for p in PHOTOS}


def test_a_photo_shaded_sparingly_is_the_same_by_its_bead_and_has_its_card_at_the_same_place(make_photos):
    import torch

    shot = dataclasses.replace(make_photos.SHOTS[0], length=30.0, size=(960, 720), px_per_mm=6.0)
    lies = make_photos.card_lies(shot)
    lens, within = make_photos.phone_over(shot, lies), make_photos.outlines(shot, lies)
    with torch.inference_mode():
        scene = make_photos.lay_out(shot, [lens], "cpu", within)
        (whole, truth), (sparing, _) = (
            make_photos.photograph(scene, shot, lens, "cpu", within, near=near) for near in (None, 5.0)
        )
    toes = truth["bead"]["toes_px"]
    bead = np.zeros(whole.shape[:2], np.uint8)
    cv2.fillPoly(bead, [np.concatenate([toes["left"], toes["right"][::-1]]).round().astype(np.int32)], 1)
    apart = np.abs(whole.astype(int) - sparing)[cv2.dilate(bead, np.ones((31, 31))) > 0]  # 2.5 mm round it
    assert np.median(apart) <= 1
    assert np.quantile(apart, 0.99) <= 3
    (card,) = find_cards(read_photo(cv2.imencode(".png", sparing)[1].tobytes()))
    corners = [truth["card"]["marker_corners_px"][str(marker)] for marker in card.marker_ids]
    assert card.marker_ids == (0, 1, 2, 3)
    np.testing.assert_allclose(card.corners_px, np.concatenate(corners), atol=0.4)
