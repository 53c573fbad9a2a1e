"""The camera: EXIF, no EXIF, EXIF that cannot be, profiles, and calibration from drawn photos of a known camera."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from card_scene import View, draw
from photos_with_truth import truth_files
from test_plate import seen_card
from toeline.errors import CameraError
from toeline.geometry.camera import calibrate_camera, camera_for, load_profile, save_profile
from toeline.geometry.card import find_cards
from toeline.geometry.optics import project, project_with_derivatives, rays
from toeline.geometry.pose_fit import fit_cards
from toeline.photo import Exif, Photo, read_photo

TRUE = View(width=1200, height=900, focal=980.0, k1=0.03, k2=-0.01, centre_off=(6.0, -4.0))
DIAGONAL = float(np.hypot(1200, 900))


def photo_of(view: View, focal_35mm: float | None = 28.0, seed: int | None = None, name: str = "x") -> Photo:
    grey = np.zeros((view.height, view.width), np.uint8) if seed is None else draw(view, seed=seed)
    image = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    return Photo(name, "0" * 64, image, Exif(camera="Demo Phone", focal_35mm=focal_35mm), b"")


@given(st.floats(-0.04, 0.04), st.floats(-0.01, 0.01), st.floats(-0.7, 0.7), st.floats(-0.7, 0.7))
def test_a_ray_goes_to_the_pixel_it_came_from(k1, k2, x, y):
    parameters = np.array([980.0, 604.0, 446.0, k1, k2])
    ray = np.array([[x, y, 1.0]])
    assert np.allclose(rays(project(250.0 * ray, parameters), parameters), ray, atol=1e-9)


def test_the_lens_moves_a_point_by_its_radius():
    """Brown's radial model worked by hand: at radius 0.5, 1 + 0.03 * 0.25 - 0.01 * 0.0625 = 1.006875."""
    px = project(np.array([[0.3, 0.4, 1.0]]), np.array([1000.0, 600.0, 450.0, 0.03, -0.01]))
    assert px == pytest.approx(np.array([[600.0 + 302.0625, 450.0 + 402.75]]))


def test_derivatives_of_a_projection_are_its_changes():
    rng = np.random.default_rng(2)
    levers, place = rng.uniform(-60, 60, (20, 3)), np.array([4.0, -7.0, 220.0])
    at = np.array([980.0, 604.0, 446.0, 0.03, -0.01])
    px, by_turn, by_move, by_parameters = project_with_derivatives(levers, place, at)
    assert np.allclose(px, project(levers + place, at))
    for k, e in enumerate(1e-5 * np.eye(3)):
        turned = [project(levers @ cv2.Rodrigues(way * e)[0].T + place, at) for way in (1, -1)]
        moved = [project(levers + place + way * e, at) for way in (1, -1)]
        assert np.allclose(by_turn[:, :, k], (turned[0] - turned[1]) / 2e-5, atol=1e-4)
        assert np.allclose(by_move[:, :, k], (moved[0] - moved[1]) / 2e-5, atol=1e-4)
    for k, e in enumerate(1e-5 * np.eye(5)):
        changed = [project(levers + place, at + way * e) for way in (1, -1)]
        assert np.allclose(by_parameters[:, :, k], (changed[0] - changed[1]) / 2e-5, atol=1e-4)


def test_focal_from_exif_is_by_the_diagonal():
    """CIPA DC-008 and the diagonal convention: 43.27 mm of film stand for the picture's diagonal."""
    camera = camera_for(photo_of(TRUE, 26.0))
    assert camera.source == "exif"
    assert camera.parameters[0] == pytest.approx(26 / 43.2666 * DIAGONAL, rel=1e-4)
    assert 0.005 < camera.u_focal_px / camera.parameters[0] < 0.03
    upright = View(width=900, height=1200)
    assert camera_for(photo_of(upright, 26.0)).parameters[0] == pytest.approx(camera.parameters[0])


def test_focal_from_the_card_alone_and_against_exif():
    view = dataclasses.replace(TRUE, turn=(0.6, 0.3, 0.2))
    card = seen_card(view)
    camera = camera_for(photo_of(view, None))
    assert camera.source == "card"
    fitted = fit_cards([card], camera).camera
    assert abs(fitted.parameters[0] - view.focal) < 3 * fitted.u_focal_px
    assert fitted.u_focal_px < 0.1 * view.focal
    assert (
        fit_cards([card], camera_for(photo_of(view, 28.0))).camera.source == "exif"
    )  # 28 mm is 971 px here, true is 980
    assert (
        fit_cards([card], camera_for(photo_of(view, 52.0))).camera.source == "card"
    )  # EXIF of another lens, or a crop


@pytest.fixture(scope="module")
def shots() -> list[Photo]:
    """Nine drawn photos of one card by one camera."""
    turns = [(0, 0), (0.6, 0), (-0.6, 0), (0, 0.6), (0, -0.6), (0.4, 0.4), (-0.4, 0.4), (0.4, -0.4), (-0.5, -0.3)]
    rng = np.random.default_rng(4)
    views = [
        dataclasses.replace(
            TRUE, turn=(a, b, rng.uniform(-1, 1)), at=(rng.uniform(-25, 25), rng.uniform(-15, 15), 165.0)
        )
        for a, b in turns
    ]
    return [photo_of(view, 28.0, seed, f"shot-{seed}") for seed, view in enumerate(views)]


def test_calibration_finds_the_camera(shots, tmp_path):
    profile = calibrate_camera(shots, "demo")
    true = np.array([TRUE.focal, TRUE.K[0, 2], TRUE.K[1, 2], TRUE.k1, TRUE.k2])
    off = (np.array(profile.parameters) - true) / np.sqrt(np.diag(profile.covariance))
    assert np.abs(off).max() < 4
    assert profile.parameters[0] == pytest.approx(TRUE.focal, rel=0.005)
    assert profile.parameters[3] == pytest.approx(TRUE.k1, abs=0.01)
    assert profile.reprojection_rms_px < 0.1
    save_profile(profile, tmp_path / "demo.json")
    assert load_profile(tmp_path / "demo.json") == profile
    camera = camera_for(shots[0], profile)
    assert camera.source == "profile"
    assert camera.u_focal_px < camera_for(shots[0]).u_focal_px
    larger = dataclasses.replace(shots[0], image=np.zeros((1800, 2400, 3), np.uint8))
    assert camera_for(larger, profile).parameters[0] == pytest.approx(2 * profile.parameters[0])


def test_calibration_refuses_what_cannot_be(shots, tmp_path):
    with pytest.raises(CameraError, match="8 or more"):
        calibrate_camera(shots[:4], "x")
    with pytest.raises(CameraError, match="one direction"):
        calibrate_camera([shots[0]] * 8, "x")
    other = dataclasses.replace(shots[8], exif=Exif(camera="Other Phone", focal_35mm=28.0))
    with pytest.raises(CameraError, match="another camera"):
        calibrate_camera([*shots[:8], other], "x")
    blank = dataclasses.replace(shots[0], image=np.zeros_like(shots[0].image))
    with pytest.raises(CameraError, match="show a card"):
        calibrate_camera([*shots[:6], blank, blank], "x")
    profile = calibrate_camera(shots, "demo")
    with pytest.raises(CameraError, match="Other Phone"):
        camera_for(other, profile)
    with pytest.raises(CameraError, match="lens"):
        camera_for(photo_of(TRUE, 52.0), profile)
    with pytest.raises(CameraError, match="shape"):
        camera_for(photo_of(View(width=1200, height=1200)), profile)
    (tmp_path / "bad.json").write_text("{}")
    for path in ("bad.json", "none.json"):
        with pytest.raises(CameraError):
            load_profile(tmp_path / path)


@pytest.mark.photos
@pytest.mark.skipif(not truth_files(), reason="needs ../shared/photos/dev")
def test_focal_on_photos(truths):
    off = []
    for path, truth in truths[::4]:
        photo = read_photo(path)
        cards = find_cards(photo)
        camera = camera_for(photo)
        assert camera.source == "exif"
        fitted = fit_cards(cards, camera).camera
        off.append((fitted.parameters[0] - truth["camera"]["K"][0][0]) / fitted.u_focal_px)
    assert np.abs(off).max() < 3
