"""The overlay picture: what it shows is where it should be, in colour and in grey."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import invented
from toeline.photo import Photo
from toeline.report import picture
from toeline.report.key import keyed_indications
from toeline.report.picture import draw_overview, draw_picture, encode
from toeline.result import Indication, Quantity, Result


def turned(photo: Photo, result: Result, degrees: float) -> tuple[Photo, Result]:
    """Photo and result turned together about the photo's middle, on a square canvas."""
    side = 1200
    turn = cv2.getRotationMatrix2D((photo.width / 2, photo.height / 2), degrees, 1)
    turn[:, 2] += side / 2 - np.array([photo.width / 2, photo.height / 2])
    image = cv2.warpAffine(photo.image, turn, (side, side), borderValue=(120, 120, 120))

    def at(points):
        return tuple(map(tuple, (np.asarray(points) @ turn[:, :2].T + turn[:, 2]).tolist()))

    bead = result.bead.model_copy(
        update={"left_toe_px": at(result.bead.left_toe_px), "right_toe_px": at(result.bead.right_toe_px)}
    )
    marks = tuple(
        one.model_copy(update={"at_px": at([one.at_px])[0]}) if one.at_px else one for one in result.indications
    )
    return (
        Photo(photo.name, photo.sha256, image, photo.exif, photo.data),
        result.model_copy(update={"bead": bead, "indications": marks}),
    )


def bare(result: Result) -> Result:
    return result.model_copy(update={"indications": ()})


@settings(max_examples=12, deadline=None)
@given(st.floats(-180, 180))
def test_travel_runs_to_the_right_whatever_way_the_photo_is_held(degrees):
    level = draw_picture(invented.photo(), bare(invented.result()), key=False)
    other = draw_picture(*turned(invented.photo(), bare(invented.result()), degrees), key=False)
    assert abs(other.shape[0] - level.shape[0]) <= 2
    rows = min(level.shape[0], other.shape[0])
    difference = np.abs(
        cv2.GaussianBlur(level[:rows], (0, 0), 4).astype(float) - cv2.GaussianBlur(other[:rows], (0, 0), 4)
    )
    assert np.median(difference) < 4


def test_left_toe_is_above_and_marks_are_at_their_places():
    result = bare(invented.result())
    view = picture._level_view(result, 1200, 0.7)
    left, right = view.at(result.bead.left_toe_px), view.at(result.bead.right_toe_px)
    assert np.all(left[:, 1] <= right[:, 1])
    assert np.all((left >= 0) & (left <= [view.width, view.height]))
    drawn = draw_picture(invented.photo(), result, key=False)
    middle = tuple(int(v) for v in np.round(left[len(left) // 2]))
    around = drawn[middle[1] - 3 : middle[1] + 4, middle[0]]
    distance = np.abs(around.astype(int) - picture.LEFT_TOE).sum(axis=1).min()
    assert distance < 60  # the left toe's own colour lies on the left toe


def test_seam_scale_is_true_to_the_bead():
    """The invented bead has 8 px per mm: 80 mm of seam are 640 px of photo, at the view's own scale."""
    result = invented.result()
    view = picture._level_view(result, 1000, 0.7)
    x = picture._seam_x(result, view)
    assert x[-1] - x[0] == pytest.approx(640 * view.scale, abs=0.5)
    assert np.interp(40.0, result.bead.s, x) == pytest.approx(x[0] + 320 * view.scale, abs=0.5)


def test_every_indication_is_keyed_once_and_crowds_share_a_number():
    entries = keyed_indications(invented.result())
    assert [entry.number for entry in entries] == [1, 2]
    assert [entry.title for entry in entries] == ["Undercut, left toe", "Spatter × 2"]
    assert entries[0].detail == "25 to 37 mm, 0.60 ± 0.20 mm wide"
    assert entries[1].detail == "largest 1.10 ± 0.20 mm"
    assert sum(len(entry.members) for entry in entries) == len(invented.result().indications)
    assert keyed_indications(invented.result(), "in")[0].detail == "0.98 to 1.46 in, 0.024 ± 0.008 in wide"


def test_marks_and_numbers_can_be_seen_in_grey():
    plain = draw_picture(invented.photo(), bare(invented.result()), key=False)
    marked = draw_picture(invented.photo(), invented.result(), key=False)
    rows = min(plain.shape[0], marked.shape[0])
    grey = np.abs(
        cv2.cvtColor(plain[-rows:], cv2.COLOR_BGR2GRAY).astype(int) - cv2.cvtColor(marked[-rows:], cv2.COLOR_BGR2GRAY)
    )
    assert (grey > 80).sum() > 500


def test_toes_differ_without_colour():
    """The right toe is dashed: along it the drawn colour comes and goes, along the left it does not."""
    result = bare(invented.result())
    drawn = draw_picture(invented.photo(), result, key=False).astype(int)
    view = picture._level_view(result, 1200, 0.7)

    def share(points, colour):
        at = np.round(view.at(points)[20:-20]).astype(int)
        near = [np.abs(drawn[y - 2 : y + 3, x] - colour).sum(axis=1).min() < 90 for x, y in at]
        return np.mean(near)

    assert share(result.bead.left_toe_px, picture.LEFT_TOE) > 0.95
    assert 0.4 < share(result.bead.right_toe_px, picture.RIGHT_TOE) < 0.85


def test_the_width_is_dotted_where_the_toes_are_not_believed():
    result = bare(invented.result())
    n = len(result.bead.s)
    doubted = np.abs(np.arange(n) - n / 2) < n / 10
    bead = result.bead.model_copy(update={"toe_confidence": tuple(np.where(doubted, 0.1, 0.9).tolist())})
    x = np.linspace(100.0, 900.0, n)

    def pieces(shown):
        strip = picture._draw_profile(shown, x, 1000, 400, 40.0, "mm")[70:, 100:]  # without its words
        parts = [strip[:, :280], strip[:, 340:460]]  # beside the middle, in the middle
        return [cv2.connectedComponents((part < 100).all(axis=2).astype(np.uint8))[0] - 1 for part in parts]

    assert pieces(result) == [1, 1]
    beside, middle = pieces(result.model_copy(update={"bead": bead}))
    assert beside == 1
    assert middle > 10


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 200), st.integers(300, 1600))
def test_any_crowd_at_any_width_is_drawn(count, width):
    rng = np.random.default_rng(count)
    crowd = tuple(
        Indication(kind="spatter", at_px=tuple(rng.uniform(-50, 850, 2)), confidence=0.5) for _ in range(count)
    )
    result = invented.result().model_copy(update={"indications": crowd})
    drawn = draw_picture(invented.photo(), result, width=width)
    assert drawn.shape[1:] == (width, 3)
    assert drawn.dtype == np.uint8


def test_input_photo_is_not_drawn_on():
    photo = invented.photo()
    before = photo.image.copy()
    draw_picture(photo, invented.result())
    draw_overview(photo, invented.result())
    assert np.array_equal(photo.image, before)


def test_without_a_card_there_are_no_millimetres():
    result = invented.result()
    bead = result.bead.model_copy(update={"left_toe": (), "right_toe": ()})
    bare_scale = result.scale.model_copy(update={"state": "none", "print_scale": None, "px_per_mm": None})
    title, values = picture._width_line(result.model_copy(update={"bead": bead, "scale": bare_scale}), "mm")
    assert title == "Width, relative to its mean"
    assert values.mean() == pytest.approx(1)
    draw_picture(invented.photo(), result.model_copy(update={"bead": bead, "scale": bare_scale}))


def test_no_bead_gives_the_whole_photo_with_the_reason():
    result = invented.result()
    bead = result.bead.model_copy(update={"found": False, "why": "Only a bare plate is seen."})
    drawn = draw_picture(invented.photo(), result.model_copy(update={"bead": bead}), width=800)
    assert drawn.shape == (720, 800, 3)
    assert drawn[:20].mean() > 200  # the banner
    assert np.abs(drawn[-100:].astype(int) - invented.photo().image[-100:]).max() == 0


def test_overview_letters_the_other_beads():
    result = invented.result()
    bead = result.bead.model_copy(update={"others_px": (((100.0, 60.0), (700.0, 60.0)),)})
    alone = draw_overview(invented.photo(), result, width=800)
    both = draw_overview(invented.photo(), result.model_copy(update={"bead": bead}), width=800)
    assert np.abs(alone[40:80].astype(int) - both[40:80]).max() > 100


@pytest.mark.parametrize("kind", ["jpeg", "png"])
def test_encoded_picture_reads_back(kind):
    drawn = draw_picture(invented.photo(), invented.result(), width=600)
    back = cv2.imdecode(np.frombuffer(encode(drawn, kind), np.uint8), cv2.IMREAD_COLOR)
    assert back.shape == drawn.shape
    assert np.abs(back.astype(int) - drawn).mean() < 5


def test_a_fillet_has_no_width_profile():
    # its result tells both toes on the base plate alone: a leg of the upright cannot be read from them
    butt = invented.result()
    fillet = butt.model_copy(update={"bead": butt.bead.model_copy(update={"joint": "fillet"})})
    tall, flat = (draw_picture(invented.photo(), one).shape[0] for one in (butt, fillet))
    assert flat < tall


def test_the_count_of_spatter_is_the_measures_own():
    """Balls under 0.8 mm are marked but not counted, in the key as in the measure of that name."""
    balls = tuple(
        Indication(kind="spatter", confidence=0.9, size=Quantity(value=d, U=0.2), at_px=(10.0, 10.0))
        for d in (1.2, 0.9, 0.7)
    )
    (entry,) = keyed_indications(invented.result().model_copy(update={"indications": balls}))
    assert entry.title.endswith("× 2")
    assert "1 more under 0.8 mm, not counted" in entry.detail
    (entry,) = keyed_indications(invented.result().model_copy(update={"indications": balls[2:] * 2}))
    assert entry.title == "Spatter"
    assert "2 under 0.8 mm, not counted" in entry.detail
