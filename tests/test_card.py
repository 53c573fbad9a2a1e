"""Finding the card: against drawn scenes with exact corners, OpenCV's own detector, and photos with truth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from card_scene import View, corners_mm, draw
from photos_with_truth import truth_files
from toeline.geometry.card import card_spec, find_cards, find_cards_in
from toeline.photo import read_photo


def turned(tilt_deg: float, azimuth: float, roll: float) -> tuple[float, float, float]:
    """Rotation vector: turned by ``roll`` on the plate, then tilted about an axis in the picture."""
    tilt = cv2.Rodrigues(np.array([np.cos(azimuth), np.sin(azimuth), 0.0]) * np.radians(tilt_deg))[0]
    return tuple(cv2.Rodrigues(tilt @ cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0])[0].ravel())


def errors(card, view: View, which: str = "A") -> np.ndarray:
    true = view.corners_px(which)
    return card.corners_px - np.concatenate([true[i] for i in card.marker_ids])


def test_card_geometry():
    """Outside sources: ISO/IEC 7810 ID-1 for the outline; OpenCV's marker generator for the order of corners."""
    spec = card_spec()
    assert (spec.width, spec.height) == (85.60, 53.98)
    assert spec.ids == {"A": (0, 1, 2, 3), "B": (4, 5, 6, 7)}
    for which in "AB":
        for marker_id, square in corners_mm(which).items():
            assert np.allclose(spec.corners(marker_id), square)


@settings(max_examples=8, deadline=None)
@given(
    tilt=st.floats(0, 45), azimuth=st.floats(0, 6.28), roll=st.floats(-3.14, 3.14), which=st.sampled_from("AB"),
    seed=st.integers(0, 99),
)  # fmt: skip
def test_corners_under_any_turn_and_tilt(tilt, azimuth, roll, which, seed):
    view = View(turn=turned(tilt, azimuth, roll), at=(3.0, -4.0, 190.0))
    (card,) = find_cards_in(draw(view, which, seed=seed))
    assert card.which == which
    assert len(card.marker_ids) == 4
    off = errors(card, view, which)
    assert np.sqrt(np.mean(off**2)) < 0.06
    z2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(card.covariance_px), off)
    assert z2.mean() < 4  # two degrees of freedom a corner: the covariance does not promise too much


@pytest.mark.parametrize("gamma", [0.45, 1.0])
@pytest.mark.parametrize("blur", [1.0, 2.0])
def test_ink_gain_is_taken_out(gamma, blur):
    """Tone mapping after blur makes white grow; the marker's side against the markers' spacing tells by how much."""
    view = View(turn=turned(12, 1.0, 0.4))
    (card,) = find_cards_in(draw(view, gamma=gamma, blur=blur))
    off = errors(card, view)
    raw = off - card.gain_slope @ card.ink_gain_px
    assert np.sqrt(np.mean(off**2)) < 0.07
    if gamma < 1:
        assert card.ink_gain_px.min() > 0.15
        assert np.sqrt(np.mean(raw**2)) > 2.5 * np.sqrt(np.mean(off**2))


def test_better_than_opencvs_refinement():
    """Outside source: OpenCV's AprilTag refinement, the best it has. Its half a pixel of offset is pinned here too."""
    view = View(turn=turned(20, 0.7, 0.3))
    grey = draw(view)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(grey)
    true = view.corners_px("A")
    theirs = np.concatenate([q.reshape(4, 2) - true[int(i)] for q, i in zip(corners, ids.ravel(), strict=True)])
    assert theirs.mean() == pytest.approx(0.5, abs=0.1)
    (card,) = find_cards_in(grey)
    assert np.sqrt(np.mean(errors(card, view) ** 2)) < np.sqrt(np.mean((theirs - 0.5) ** 2))


def test_half_covered_dirty_and_in_glare():
    view = View(turn=turned(25, 2.0, 0.6))
    clean = draw(view)
    covered = clean.copy()
    hull = view.project(np.array([[43.0, -5.0], [95.0, -5.0], [95.0, 60.0], [43.0, 60.0]]))
    cv2.fillPoly(covered, [np.rint(hull).astype(np.int32)], 90)
    (card,) = find_cards_in(covered)
    assert card.marker_ids == (0, 3)
    assert np.abs(errors(card, view)).max() < 0.4
    rng = np.random.default_rng(3)
    dirty = clean.copy()
    for x, y in view.project(rng.uniform([0, 0], [85, 54], (25, 2))):
        cv2.circle(dirty, (round(float(x)), round(float(y))), 4, int(rng.integers(20, 120)), -1)
    (card,) = find_cards_in(dirty)
    assert len(card.marker_ids) >= 3
    assert np.median(np.abs(errors(card, view))) < 0.15
    y, x = np.mgrid[0 : view.height, 0 : view.width]
    at = view.project(np.array([[74.6, 11.0]]))[0]
    glare = 255 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * 60.0**2))
    (card,) = find_cards_in(np.clip(clean + glare, 0, 255).astype(np.uint8))
    assert {0, 2, 3} <= set(card.marker_ids)
    assert np.median(np.abs(errors(card, view))) < 0.2


def test_two_letters_and_two_of_a_letter():
    first = View(width=1600, height=1200, at=(-50.0, -35.0, 230.0))
    second = View(width=1600, height=1200, at=(45.0, 40.0, 230.0), turn=(0.0, 0.0, 0.3))
    both = draw(second, "B", ground=draw(first, "A").astype(float))
    assert [c.which for c in find_cards_in(both)] == ["A", "B"]
    twice = find_cards_in(draw(second, "A", ground=draw(first, "A").astype(float)))
    assert [c.which for c in twice] == ["A", "A"]
    assert all(len(c.marker_ids) == 4 for c in twice)
    assert min(np.abs(errors(twice[0], v)).max() for v in (first, second)) < 0.3


def test_no_card_in_rough_texture():
    for seed in range(3):
        rng = np.random.default_rng(seed)
        noise = rng.normal(0, 1, (900, 1200))
        texture = sum(cv2.GaussianBlur(noise, (0, 0), s) * s * 40 for s in (1, 3, 9))
        ripples = 60 * np.sin(np.arange(1200) / 7.0)[None] * (np.abs(np.arange(900) - 450) < 80)[:, None]
        assert find_cards_in(np.clip(120 + texture + ripples, 0, 255).astype(np.uint8)) == ()
    assert find_cards_in(np.zeros((500, 700), np.uint8)) == ()


@pytest.mark.parametrize("quarter", [1, 2, 3])
def test_turning_the_photo_turns_the_corners(quarter):
    grey = draw(View(turn=turned(18, 1.0, 0.2)))
    height, width = grey.shape
    (card,) = find_cards_in(grey)
    (again,) = find_cards_in(np.ascontiguousarray(np.rot90(grey, quarter)))
    back = again.corners_px
    for k in range(quarter):
        side = width if (quarter - k) % 2 else height  # width of the unturned picture each quarter turn came from
        back = np.stack([side - 1 - back[:, 1], back[:, 0]], axis=1)
    assert np.abs(back - card.corners_px).max() < 0.02


def test_a_larger_photo_gives_the_same_corners():
    grey = draw(View(turn=turned(18, 1.0, 0.2), width=1200, height=900, focal=900.0))
    (card,) = find_cards_in(grey)
    (again,) = find_cards_in(cv2.resize(grey, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC))
    assert np.abs((again.corners_px + 0.5) / 3 - 0.5 - card.corners_px).max() < 0.12


@pytest.mark.photos
@pytest.mark.skipif(not truth_files(), reason="needs ../shared/photos/dev")
def test_corners_on_photos(truths):
    off, raw = [], []
    for path, truth in truths[::3]:
        true = {int(k): np.array(v) for k, v in truth["card"]["marker_corners_px"].items()}
        cards = find_cards(read_photo(path))
        assert sorted(i for c in cards for i in c.marker_ids) == sorted(true)
        for card in cards:
            e = card.corners_px - np.concatenate([true[i] for i in card.marker_ids])
            off.append(np.linalg.norm(e, axis=1))
            raw.append(np.linalg.norm(e - card.gain_slope @ card.ink_gain_px, axis=1))
    assert np.median(np.concatenate(off)) < 0.12
    assert np.percentile(np.concatenate(off), 95) < 0.25
    assert np.median(np.concatenate(raw)) > 3 * np.median(np.concatenate(off))


def test_a_sheet_of_cards_is_read_no_further_than_its_largest():
    """256 cards in one picture: as many markers as no plate carries."""
    one = draw(View(width=400, height=300, focal=310, at=(0, 0, 90)), seed=1)
    assert len(find_cards_in(one)) == 1
    sheet = find_cards_in(np.tile(one, (16, 16)))
    assert 2 <= sum(len(card.marker_ids) for card in sheet) <= 64
