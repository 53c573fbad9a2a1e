"""The whole line on real files: what it measures, what it refuses, and that a photo may be turned, shrunk or marked."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage

import card_scene
import seen_photos
import toeline
from toeline.errors import SettingsError, ToelineError
from toeline.geometry.card import find_cards
from toeline.photo import read_photo
from toeline.result import Result

LENGTHS = ("length", "width_mean", "width_min", "width_max")
RATIOS = {"width_variation", "ripple_variation", "ripple_sharpness", "length_to_width"}


@pytest.fixture(scope="module")
def shot():
    pairs = seen_photos.photos(("stringer",), "good") + seen_photos.photos(("stringer",), "poor_restart")
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    path, truth = pairs[0]
    return read_photo(path), truth["card"]["check_line_measured_mm"], truth


@pytest.fixture(scope="module")
def measured(shot) -> Result:
    photo, check_line, _ = shot
    return toeline.measure(photo, check_line=check_line)


def same_lengths(a: Result, b: Result) -> None:
    """Two looks at one bead agree within their uncertainties."""
    for name in LENGTHS:
        one, other = a.measures[name], b.measures[name]
        assert one.known, (name, one.why)
        assert other.known, (name, other.why)
        assert abs(one.value - other.value) <= np.hypot(one.U, other.U), name


def test_a_good_photo_is_measured_near_its_truth(shot, measured):
    _, _, truth = shot
    assert measured.photo.usable, measured.photo.problems
    assert measured.bead.found
    assert measured.scale.state == "card"
    # floors of the project's own accuracy table, against the photo's exact truth
    assert measured.measures["width_mean"].value == pytest.approx(truth["bead"]["width_mm"]["mean"], abs=0.4)
    assert measured.measures["length"].value == pytest.approx(truth["bead"]["seam"]["length_mm"], abs=3.0)
    assert measured.measures["ripple_pitch"].value == pytest.approx(truth["bead"]["ripples"]["pitch_mean_mm"], rel=0.25)


def test_a_result_is_whole(measured):
    assert measured.judgement is None
    assert measured.cautions
    assert measured.versions["toeline"] == toeline.__version__
    assert measured.timing_ms["total"] > 0
    n = len(measured.bead.s)
    for line in (
        measured.bead.left_toe,
        measured.bead.right_toe,
        measured.bead.left_toe_px,
        measured.bead.right_toe_px,
    ):
        assert len(line) == n
    for name, quantity in measured.measures.items():
        assert quantity.known or quantity.why, name
        if quantity.known:
            assert quantity.U is not None, name
    assert all(indication.why for indication in measured.indications)


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_a_photo_stored_turned_is_the_same_photo(shot, measured, orientation):
    """EXIF says how to turn it; 3 is half a turn, 6 and 8 a quarter (CIPA DC-008)."""
    photo, check_line, _ = shot
    quarter_turns = {3: 2, 6: 1, 8: 3}[orientation]  # counterclockwise, so that the reader's turn undoes it
    stored = seen_photos.jpeg(np.rot90(photo.image, quarter_turns), photo.exif.focal_35mm, orientation)
    assert read_photo(stored).image.shape == photo.image.shape
    same_lengths(toeline.measure(stored, check_line=check_line), measured)


@pytest.mark.parametrize("turns", [1, 2])
def test_a_plate_lying_turned_measures_the_same(shot, measured, turns):
    photo, check_line, _ = shot
    turned = seen_photos.jpeg(np.rot90(photo.image, turns), photo.exif.focal_35mm)
    same_lengths(toeline.measure(turned, check_line=check_line), measured)


def test_a_bead_that_is_small_in_the_photo_is_found_by_its_card(shot, measured):
    photo, check_line, _ = shot
    rows, columns = (2 * side // 3 for side in photo.image.shape[:2])
    far = cv2.copyMakeBorder(photo.image, rows, rows, columns, columns, cv2.BORDER_CONSTANT, value=(90, 95, 100))
    wider = photo.exif.focal_35mm * photo.image.shape[1] / far.shape[1]
    result = toeline.measure(seen_photos.jpeg(far, wider), check_line=check_line)
    for name in ("length", "width_mean"):
        assert result.measures[name].value == pytest.approx(measured.measures[name].value, rel=0.03), name


def test_half_the_pixels_measure_the_same(shot, measured):
    photo, check_line, _ = shot
    small = cv2.resize(photo.image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    half = toeline.measure(seen_photos.jpeg(small, photo.exif.focal_35mm), check_line=check_line)
    assert half.scale.px_per_mm.value == pytest.approx(measured.scale.px_per_mm.value / 2, rel=0.02)
    same_lengths(half, measured)


def test_without_a_card_there_are_pixels_and_ratios_only(shot, measured):
    photo, _, _ = shot
    corners = np.concatenate([card.corners_px for card in find_cards(photo)])
    bare = toeline.measure(seen_photos.jpeg(seen_photos.without_card(photo.image, corners), photo.exif.focal_35mm))
    assert bare.scale.state == "none"
    assert bare.scale.why
    assert bare.bead.found
    assert bare.bead.start is None
    assert not bare.bead.left_toe
    assert bare.bead.left_toe_px
    assert any(problem.code == "no_card" for problem in bare.photo.problems)
    for name, quantity in bare.measures.items():
        if quantity.unit == "mm":
            assert not quantity.known, name
            assert quantity.why, name
    told = bare.measures["length_to_width"]
    assert told.known
    assert told.value == pytest.approx(measured.measures["length_to_width"].value, rel=0.1)


def test_a_close_up_of_a_bead_that_runs_out_of_the_picture_at_both_ends(shot, measured):
    photo, _, _ = shot
    start, end = np.array(measured.bead.start_px), np.array(measured.bead.end_px)
    (x0, y0), reach = (start + end) / 2, 0.3 * float(np.linalg.norm(end - start))
    x0, x1, y0, y1 = (int(max(v, 0)) for v in (x0 - reach, x0 + reach, y0 - 0.75 * reach, y0 + 0.75 * reach))
    close = cv2.resize(photo.image[y0:y1, x0:x1], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    seen = toeline.measure(seen_photos.jpeg(close, photo.exif.focal_35mm))
    assert seen.bead.found
    assert (seen.bead.start_seen, seen.bead.end_seen) == (False, False)
    assert [p.code for p in seen.photo.problems].count("bead_cut") == 2
    assert "out of the picture" in seen.measures["length"].why


def test_a_card_laid_over_the_bead_is_said(shot, measured):
    photo, _, _ = shot
    (card,) = find_cards(photo)
    way = np.array(measured.bead.end_px) - np.array(measured.bead.start_px)
    beside = np.array([-way[1], way[0]]) / np.linalg.norm(way)
    middle = (np.array(measured.bead.end_px) + np.array(measured.bead.start_px)) / 2
    off = float((middle - card.corners_px.mean(axis=0)) @ beside)
    width = float(np.linalg.norm(np.subtract(measured.bead.left_toe_px[40], measured.bead.right_toe_px[40])))
    rim = 3.5 * measured.scale.px_per_mm.value  # from a marker to the card's edge
    near = off - np.sign(off) * (0.5 * float(np.ptp(card.corners_px @ beside)) + rim + 0.25 * width)
    shift = near * beside  # the card moves across until its edge lies on the near side of the bead
    mask = np.zeros(photo.image.shape[:2], np.uint8)
    centre = card.corners_px.mean(axis=0)
    cv2.fillConvexPoly(mask, cv2.convexHull(np.asarray(centre + 1.15 * (card.corners_px - centre), np.int32)), 1)
    move = np.float32([[1, 0, shift[0]], [0, 1, shift[1]]])
    size = (photo.width, photo.height)
    over, where = cv2.warpAffine(photo.image, move, size), cv2.warpAffine(mask, move, size)
    bare = seen_photos.without_card(photo.image, card.corners_px)
    seen = toeline.measure(seen_photos.jpeg(np.where(where[..., None] > 0, over, bare), photo.exif.focal_35mm))
    assert "bead_covered" in [p.code for p in seen.photo.problems]


def test_the_user_s_ends_are_followed(shot, measured):
    photo, check_line, _ = shot
    start, end = np.array(measured.bead.start_px), np.array(measured.bead.end_px)
    first, last = end, start + 0.15 * (end - start)  # the other way, and the old start left out
    said = toeline.measure(photo, check_line=check_line, ends=(*first, *last))
    assert said.bead.travel == "known"
    assert said.settings.ends_px == (tuple(first), tuple(last))
    width_px = measured.measures["width_mean"].value * measured.scale.px_per_mm.value
    assert np.linalg.norm(np.array(said.bead.start_px) - first) < width_px
    assert np.linalg.norm(np.array(said.bead.end_px) - last) < width_px
    assert said.measures["width_mean"].value == pytest.approx(measured.measures["width_mean"].value, abs=0.3)
    whole = measured.measures["length"].value
    assert said.measures["length"].value == pytest.approx(0.85 * whole, abs=1.0)  # cut at the mark inside the bead
    near = 0.005 * (end - start)  # a mark this close to the bead's own end stands for it
    tapped = toeline.measure(photo, check_line=check_line, ends=(*(start - near), *(end + near)))
    assert tapped.measures["length"].value == pytest.approx(whole, abs=0.5)


def test_ends_that_lie_off_the_bead_are_said(shot, measured):
    photo, _, _ = shot
    start, end = np.array(measured.bead.start_px), np.array(measured.bead.end_px)
    way = (end - start) / np.linalg.norm(end - start)
    beside = 3.0 * float(np.linalg.norm(np.subtract(measured.bead.left_toe_px[40], measured.bead.right_toe_px[40])))
    aside = beside * np.array([-way[1], way[0]])
    for side in (aside, -aside):
        off = toeline.measure(photo, ends=(*map(float, start + side), *map(float, end + side)))
        assert not off.photo.usable
        assert {"ends_off", "ends_missed", "toes_unsure"} & {p.code for p in off.photo.problems}


def test_a_wider_print_scale_makes_a_longer_bead(shot, measured):
    photo, check_line, _ = shot
    wider = toeline.measure(photo, check_line=check_line * 1.02)
    assert wider.measures["length"].value == pytest.approx(1.02 * measured.measures["length"].value, rel=2e-3)
    unsaid = toeline.measure(photo)
    assert unsaid.measures["length"].U > measured.measures["length"].U


@pytest.mark.parametrize(
    ("name", "side", "turned"),
    [
        ("astronaut.png", None, False),
        ("chelsea.png", None, False),
        ("coffee.png", 1600, True),
        ("motorcycle_left.png", None, True),
        ("motorcycle_right.png", 2400, False),
        ("rocket.jpg", None, False),
    ],
)
def test_a_picture_of_something_else_is_not_measured(name: str, side: int | None, turned: bool):
    """Pictures that scikit-image ships, of a person, a cat, a cup, motorcycles and a rocket, at sizes at which some of
    them look most like a bead."""
    picture = np.asarray(cv2.imread(str(Path(skimage.__file__).parent / "data" / name)))
    if turned:
        picture = cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE)
    times = (side or max(picture.shape[:2])) / max(picture.shape[:2])
    picture = cv2.resize(picture, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
    result = toeline.measure(cv2.imencode(".jpg", picture)[1].tobytes())
    assert result.stopped
    assert not any(quantity.known for quantity in result.measures.values())
    assert not result.causes


@pytest.mark.parametrize(
    ("name", "box"),
    [
        ("good_weave.jpg", (1124, 460, 1800, 1145)),
        ("travel_too_fast.jpg", (1107, 28, 2095, 707)),
    ],
)
def test_of_a_card_one_marker_may_be_in_the_picture(name: str, box: tuple[int, int, int, int]):
    """What is cut off of it may lie where a lens tells nothing."""
    x0, y0, x1, y1 = box
    image = read_photo(seen_photos.ROOT / "demo_images" / name).image[y0:y1, x0:x1]
    result = toeline.measure(cv2.imencode(".jpg", image)[1].tobytes())
    assert "card_partly_seen" in [problem.code for problem in result.photo.problems]
    assert result.scale.px_per_mm.known


def plate(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(120, 15, (900, 1200, 3)).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "image",
    [
        np.full((900, 1200, 3), 128, np.uint8),
        plate(0),
        np.random.default_rng(1).integers(0, 256, (900, 1200, 3)).astype(np.uint8),
        np.repeat(card_scene.draw(card_scene.View(width=1200, height=900, focal=940))[..., None], 3, axis=2),
    ],
    ids=["blank", "plate", "noise", "card alone"],
)
def test_nothing_is_invented_where_there_is_no_bead(image):
    result = toeline.measure(seen_photos.jpeg(image), criteria="iso5817-2023-d", thickness=6)
    assert not result.bead.found
    assert result.bead.why
    assert not result.photo.usable
    assert {p.code for p in result.photo.problems} & {"no_bead", "not_a_bead"}
    assert not any(quantity.known for quantity in result.measures.values())
    assert all(quantity.why for quantity in result.measures.values())
    assert not result.indications
    assert not result.causes
    assert result.judgement.outcome == "undecided"


@pytest.mark.parametrize("joint", ["bead", "butt"])
def test_a_fillet_between_two_cards_that_was_not_said_to_be_one_is_stopped(joint):
    photo, _ = seen_photos.photos(("fillet",), None)[0]
    result = toeline.measure(photo, joint=joint)
    assert result.stopped
    assert "card_b_without_fillet" in {one.code for one in result.photo.problems}
    assert "card_b_without_fillet" not in {one.code for one in toeline.measure(photo, joint="fillet").photo.problems}


def test_one_card_and_the_joint_s_angle_size_a_fillet():
    pairs = seen_photos.photos(("fillet",), "good")
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    path, truth = pairs[0]
    photo = read_photo(path)
    settings = toeline.Settings(
        joint="fillet", check_line_mm=truth["card"]["check_line_measured_mm"], drawing_size_mm=5.0
    )
    from toeline.pipeline import measure_with

    both = measure_with(photo, settings)
    assert both.scale.cards == ("A", "B")
    assert both.measures["leg_base"].known, both.measures["leg_base"].why
    assert 0 <= both.measures["undersize_share"].value <= 1
    card_b = next(card for card in find_cards(photo) if card.which == "B")
    bytes_a = seen_photos.jpeg(seen_photos.without_card(photo.image, card_b.corners_px), photo.exif.focal_35mm)
    unsaid = measure_with(bytes_a, settings)
    assert unsaid.scale.cards == ("A",)
    assert not unsaid.measures["leg_base"].known
    assert unsaid.measures["leg_base"].why
    said = measure_with(bytes_a, settings.model_copy(update={"joint_angle_deg": 90.0}))
    if said.bead.found and said.bead.start_seen and said.bead.end_seen:
        assert said.measures["leg_base"].known, said.measures["leg_base"].why
        assert said.measures["leg_base"].U > both.measures["leg_base"].U


@pytest.mark.parametrize(
    "off",
    [
        {"ends": (1, 1, 2, 2)},
        {"ends": (0, 0, 99999, 5)},
        {"ends": (-5, 0, 300, 5)},
        {"unit": "cubit"},
        {"check_line": 3.0},
        {"criteria": "no-such-set"},
        {"gauge": ("undercut_depth",)},
        {"camera": "no/such/profile.json"},
    ],
)
def test_settings_that_make_no_sense_are_refused_in_a_sentence(off):
    with pytest.raises(ToelineError) as said:
        toeline.measure(seen_photos.jpeg(plate(0)), **off)
    assert str(said.value).strip()
    if "ends" in off:
        assert isinstance(said.value, SettingsError)
