"""Pixels to plate millimetres: against OpenCV's and scikit-image's geometry, Monte Carlo, and photos with truth."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform

from card_scene import View, corners_mm
from photos_with_truth import truth_files
from toeline.errors import CardError
from toeline.geometry.camera import camera_for
from toeline.geometry.card import FoundCard, find_cards
from toeline.geometry.optics import Camera
from toeline.geometry.plate import PixelFrame, plate_from_card, plates_from_cards, print_scale
from toeline.geometry.pose_fit import fit_cards
from toeline.photo import read_photo

SPOTS = np.array([[0.0, 0.0], [42.0, 75.0], [-30.0, 20.0], [90.0, 60.0]])


def seen_card(view: View, which: str = "A", u: float = 0.05, rng: np.random.Generator | None = None) -> FoundCard:
    """The card's exact corners in ``view``, with noise of ``u`` px where ``rng`` is given; no ink gain."""
    px = np.concatenate(list(view.corners_px(which).values()))
    if rng is not None:
        px = px + rng.normal(0, u, px.shape)
    corner = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    slope = np.tile(np.stack([np.diag(c) for c in corner]), (4, 1, 1))
    return FoundCard(
        which=which,
        marker_ids=tuple(view.corners_px(which)),
        corners_px=px,
        corners_mm=np.concatenate(list(corners_mm(which).values())),
        covariance_px=np.tile(np.eye(2) * u**2, (16, 1, 1)),
        gain_slope=slope,
        ink_gain_px=np.zeros(2),
        gain_covariance=np.eye(2) * 1e-4,
    )


def known_camera(view: View, relative: float = 1e-6) -> Camera:
    parameters = np.array([view.focal, view.K[0, 2], view.K[1, 2], view.k1, view.k2])
    u = np.array([view.focal, view.focal, view.focal, 1.0, 1.0]) * relative
    return Camera(parameters, np.diag(u**2), view.width, view.height, "profile")


turns = st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(-3.0, 3.0))


@settings(max_examples=15, deadline=None)
@given(turn=turns, k1=st.floats(-0.03, 0.03), scale=st.floats(0.96, 1.02), thickness=st.floats(0.0, 0.4))
def test_exact_corners_give_exact_millimetres(turn, k1, scale, thickness):
    """Outside source: OpenCV's ``projectPoints`` of points on the plate, which lies ``thickness`` under the card."""
    view = View(turn=turn, k1=k1, at=(5.0, -3.0, 200.0), scale=scale)
    plate = plate_from_card(seen_card(view), known_camera(view), 50 * scale, thickness)
    under = np.concatenate([SPOTS, np.full((len(SPOTS), 1), thickness)], axis=1)
    px = view.project(under)
    assert np.abs(plate.to_mm(px) - SPOTS).max() < 1e-3
    assert np.abs(plate.to_px(SPOTS) - px).max() < 1e-2
    assert np.abs(plate.to_px(plate.to_mm(px)) - px).max() < 1e-6
    assert plate.tilt_deg == pytest.approx(view.tilt_deg, abs=1e-2)
    centre = -view.R.T @ view.t
    assert np.abs(plate.camera_centre_mm - [centre[0], centre[1], thickness - centre[2]]).max() < 2e-2


def test_against_an_independent_homography_and_pose():
    """Outside sources: scikit-image's ``ProjectiveTransform.from_estimate``, OpenCV's ``solvePnP`` (IPPE)."""
    view = View(turn=(0.3, -0.2, 0.8))
    card = seen_card(view, rng=np.random.default_rng(5))
    plate = plate_from_card(card, known_camera(view), 50.0, 0.0)
    theirs = ProjectiveTransform.from_estimate(card.corners_px, card.corners_mm)
    px = view.project(SPOTS)
    apart = np.linalg.norm(theirs(px) - plate.to_mm(px), axis=1)
    assert apart.max() < 0.2
    assert np.linalg.norm(plate.to_mm(px) - SPOTS, axis=1).max() < 0.1
    flat = np.concatenate([card.corners_mm, np.zeros((16, 1))], axis=1)
    _, turn, place = cv2.solvePnP(flat, card.corners_px, view.K, None, flags=cv2.SOLVEPNP_IPPE)
    R, t = plate.pose
    assert np.abs(cv2.Rodrigues(turn)[0] - R).max() < 0.01
    assert np.abs(place.ravel() - t).max() < 1.0


def test_covariance_against_monte_carlo():
    """Propagation against 400 draws of corners, camera, print scale and thickness (GUM supplement 1, JCGM 101)."""
    rng = np.random.default_rng(11)
    view = View(turn=(0.35, -0.2, 0.4), at=(5.0, -3.0, 200.0))
    u_camera = np.array([0.015 * view.focal, 4.0, 4.0, 0.012, 0.005])
    px = view.project(SPOTS)
    drawn, predicted = [], None
    for _ in range(400):
        camera = known_camera(view)
        guess = dataclasses.replace(
            camera, parameters=camera.parameters + rng.normal(0, 1, 5) * u_camera, covariance=np.diag(u_camera**2)
        )
        scale = print_scale(50.0)
        plate = plate_from_card(
            seen_card(view, u=0.06, rng=rng),
            guess,
            50.0 * (1 + rng.normal(0, scale.u)),
            max(rng.normal(0.2, 0.08), 0.0),
        )
        drawn.append(plate.to_mm(px))
        if predicted is None:
            predicted = plate_from_card(
                seen_card(view, u=0.06), dataclasses.replace(guess, parameters=camera.parameters)
            )
    drawn = np.array(drawn)
    spread = np.sqrt(drawn.var(axis=0))
    promised = np.sqrt(np.diagonal(_at_scale(predicted, print_scale(50.0)).covariance_mm(px), axis1=1, axis2=2))
    assert np.all(promised > 0.8 * spread)
    assert np.all(promised < 1.6 * spread)  # the ink gain's prior, not drawn here, is part of the promise
    # a length's uncertainty needs the errors that both ends share
    length = np.linalg.norm(drawn[:, 1] - drawn[:, 2], axis=1)
    ends = _at_scale(predicted, print_scale(50.0))
    at = ends.to_mm(px[[1, 2]])
    n = (at[0] - at[1]) / np.linalg.norm(at[0] - at[1])
    modes = np.concatenate(list(ends.error_modes(px[[1, 2]]).values()))
    u_length = np.linalg.norm(np.einsum("mi,i->m", modes[:, 0] - modes[:, 1], n))
    assert 0.85 * length.std() < u_length < 1.5 * length.std()


def _at_scale(plate, scale):
    """The same plate with a measured print scale's uncertainty."""
    modes = {**plate.modes, "print scale": plate.modes["print scale"] * scale.u / plate.print_scale.u}
    return dataclasses.replace(plate, print_scale=scale, modes=modes)


def test_error_modes_are_the_derivatives():
    view = View(turn=(0.35, -0.2, 0.4))
    plate = plate_from_card(seen_card(view), camera := known_camera(view, 0.01), 50.0)
    px = view.project(SPOTS)
    modes = plate.error_modes(px)
    assert set(modes) == {"corners", "focal length", "lens", "print scale", "card height"}
    scale = plate.print_scale
    nudged = dataclasses.replace(plate, print_scale=dataclasses.replace(scale, value=scale.value + scale.u))
    assert np.allclose(nudged.to_mm(px) - plate.to_mm(px), modes["print scale"][0], atol=2e-4)
    raised = dataclasses.replace(plate, thickness_mm=plate.thickness_mm + 0.08)
    assert np.allclose(raised.to_mm(px) - plate.to_mm(px), modes["card height"][0], atol=1e-5)
    assert camera.u_focal_px >= plate.camera.u_focal_px
    near, far = plate.covariance_mm(view.project(np.array([[42.0, 27.0], [42.0, 150.0]])))
    assert np.trace(far) > 4 * np.trace(near)


def test_the_fit_finds_the_ink_gain_that_was_taken_out():
    view = View(turn=(0.3, -0.2, 0.4))
    card = dataclasses.replace(seen_card(view), ink_gain_px=np.array([0.5, 0.3]))
    assert fit_cards([card], known_camera(view)).ink_gains[0] == pytest.approx([0.5, 0.3], abs=0.02)


def test_scale_at_a_point():
    view = View()
    plate = plate_from_card(seen_card(view), known_camera(view, 1e-3), 50.0)
    scale = plate.px_per_mm(np.array([40.0, 25.0]))
    assert scale.value == pytest.approx(view.focal / 200.2, rel=2e-3)
    assert 0 < scale.U < 0.02 * scale.value
    slow = np.array(
        [[plate.to_mm(view.project(SPOTS) + d) - plate.to_mm(view.project(SPOTS) - d)] for d in np.eye(2) / 2]
    )
    assert np.allclose(plate.mm_by_px(view.project(SPOTS)), slow[:, 0].transpose(1, 2, 0), atol=1e-5)


def test_check_line():
    assert print_scale(49.85).value == pytest.approx(0.997)
    assert print_scale(49.85).measured
    assert print_scale(None).u == pytest.approx(0.01)
    for slip in (0.0, -50.0, 4.985, 500.0, float("nan")):
        with pytest.raises(CardError, match="check line"):
            print_scale(slip)


def test_past_the_horizon_is_nan():
    view = View(turn=(1.3, 0.0, 0.0), at=(0.0, 0.0, 300.0))
    plate = plate_from_card(seen_card(view), known_camera(view), 50.0)
    assert (
        np.isnan(plate.to_mm(np.array([[800.0, -4000.0]]))).all()
        or np.isnan(plate.to_mm(np.array([[800.0, 5000.0]]))).all()
    )


def test_two_cards_share_the_camera():
    base, upright = (
        View(turn=(0.6, 0.0, 0.0), at=(0.0, 30.0, 220.0)),
        View(turn=(-0.9, 0.0, 0.0), at=(0.0, -40.0, 230.0)),
    )
    cards = [seen_card(base), seen_card(upright, "B")]
    rough = known_camera(base, 1e-2)
    rough = dataclasses.replace(rough, parameters=rough.parameters * [1.01, 1, 1, 1, 1])
    a, b = plates_from_cards(cards, rough, 50.0)
    assert (a.which, b.which) == ("A", "B")
    assert a.camera is b.camera
    assert a.camera.parameters[0] == pytest.approx(base.focal, rel=1e-3)
    angle = np.degrees(np.arccos(a.pose[0][:, 2] @ b.pose[0][:, 2]))
    assert angle == pytest.approx(np.degrees(1.5), abs=0.05)


def test_no_card_has_no_scale():
    frame = PixelFrame(unit_px=7.0)
    px = np.array([[10.0, 20.0], [0.0, 3.0]])
    assert not frame.has_scale
    assert np.allclose(frame.to_px(frame.to_mm(px)), px)
    assert frame.error_modes(px) == {}
    with pytest.raises(CardError):
        fit_cards([], known_camera(View()))


@pytest.mark.photos
@pytest.mark.skipif(not truth_files(), reason="needs ../shared/photos/dev")
def test_millimetres_at_the_toes_of_photos(truths):
    """Only what a user has goes in: the photo and the check line's length."""
    errors, normal, exact = [], [], []
    for path, truth in truths[1::3]:
        photo = read_photo(path)
        cards = find_cards(photo)
        plate = plates_from_cards(cards, camera_for(photo), truth["card"]["check_line_measured_mm"])[0]
        print_and_paper = 50 * truth["card"]["print_scale"], truth["card"]["thickness_mm"]
        best = plates_from_cards(cards, camera_for(photo), *print_and_paper)[0]
        for side in ("left", "right"):
            px = np.array(truth["bead"]["toes_px"][side])[::10]
            mm = np.array(truth["bead"]["toes_plate_mm"][side])[::10]
            flat = np.ones(len(mm), bool) if mm.shape[1] == 2 else np.abs(mm[:, 2]) < 1e-6
            if not flat.any():
                continue
            off = plate.to_mm(px[flat]) - mm[flat, :2]
            errors.append(np.median(np.linalg.norm(off, axis=1)))
            normal.append(np.mean(np.einsum("ni,nij,nj->n", off, np.linalg.inv(plate.covariance_mm(px[flat])), off)))
            exact.append(np.median(np.linalg.norm(best.to_mm(px[flat]) - mm[flat, :2], axis=1)))
    assert np.median(errors) < 0.10
    assert np.median(exact) < 0.02  # with print scale and paper known: what card and camera alone leave
    assert 0.4 < np.mean(normal) < 3.0  # two degrees of freedom: honest is 2
