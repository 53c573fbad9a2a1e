"""Where each thing begins to be said: a drawn case just short of it and one just beyond.

The values stand here as they were chosen; whoever chooses anew changes them in both places.
"""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from card_scene import View
from card_scene import draw as draw_card
from drawn_beads import Drawing, Spoil, draw
from judged_results import indication, reading, result
from test_plate import known_camera, seen_card
from toeline.evidence.evidence import Evidence
from toeline.geometry.plate import plate_from_card
from toeline.measures.figures import IndicationFigures
from toeline.measures.indications import find_indications, runs
from toeline.measures.width_and_edges import measure_course
from toeline.photo import Exif, Photo
from toeline.trace.ripples import Ripples
from toeline.usability import card_problems, edge_blur_mm, photo_problems, scene_problems

CRESTS = np.arange(1.0, 79.0, 1.8)
DARK, BRIGHT = 0.02, 0.97  # what a drawn map holds where nothing and where something is


def seen(kind: str, peak: float | None = None, channel: str | None = None, change=None, **drawing) -> int:
    """How many of a kind are found on a drawing; ``peak`` is how strongly the map shows it."""
    bead = draw(Drawing(length=80.0, crests=CRESTS, **drawing), Spoil(blur_mm=0.02), reach=16.0)
    if peak is not None:
        layer = bead.band.maps[channel or kind]
        layer[:] = np.where(layer > 0.5, peak, DARK)
    return sum(i.kind == kind for i in find_indications(dataclasses.replace(bead, **(change or {}))))


@pytest.mark.parametrize(
    ("kind", "channel", "needs", "drawing"),
    [
        ("undercut", "undercut", 0.70, {"undercut": [("left", 20, 50, 1.5)]}),
        ("overlap", "overlap", 0.55, {"overlap": [("right", 20, 50)]}),
        ("spatter", "spatter", 0.50, {"spatter": [(30.0, 10.0, 2.0)]}),
        ("pore", "pore", 0.60, {"pores": [(40.0, 0.0, 2.0)]}),
        ("slag_left", "slag", 0.75, {"slag": [(40.0, 0.0, 6.0, 4.0)]}),
        ("arc_strike", "arc_strike", 0.85, {"arc_strikes": [(60.0, -12.0, 4.0)]}),
        ("crater_unfilled", "crater_hollow", 0.70, {"crater": (74.0, 6.0, False)}),
        ("poor_restart", "restart", 0.70, {"restart": 40.0}),
    ],
)
def test_a_score_below_which_nothing_is_said(kind, channel, needs, drawing):
    assert seen(kind, needs + 0.06, channel, **drawing) == 1
    assert seen(kind, needs - 0.06, channel, **drawing) == 0


@pytest.mark.parametrize(("peak", "found"), [(0.85, 1), (0.62, 0)])
def test_a_crack_needs_half_a_score(peak, found):
    # a line 0.3 mm wide keeps 0.68 of its score when smoothed over 0.15 mm (the normal integral over one sigma)
    assert seen("crater_crack", peak, crater=(74.0, 6.0, True)) == found


@pytest.mark.parametrize(
    ("kind", "least", "drawing"),
    [
        ("undercut", 4.0, lambda d: {"undercut": [("left", 30.0, 30.0 + d, 1.2)]}),
        ("overlap", 3.0, lambda d: {"overlap": [("right", 30.0, 30.0 + d)]}),
        ("spatter", 0.4, lambda d: {"spatter": [(30.0, 10.0, d)]}),
        ("pore", 0.4, lambda d: {"pores": [(40.0, 0.0, d)]}),
        ("arc_strike", 1.0, lambda d: {"arc_strikes": [(60.0, -12.0, d)]}),
        ("slag_left", 1.0, lambda d: {"slag": [(40.0, 0.0, d, d)]}),
        ("crater_unfilled", 1.5, lambda d: {"crater": (76.0, d, False)}),
    ],
)
def test_a_size_below_which_nothing_is_said(kind, least, drawing):
    assert seen(kind, **drawing(1.45 * least)) == 1
    assert seen(kind, **drawing(0.6 * least)) == 0


@pytest.mark.parametrize(("kind", "bridge"), [("undercut", 1.5), ("overlap", 2.5)])
def test_a_break_that_is_bridged(kind, bridge):
    def broken(gap):
        pieces = [("left", 20.0, 35.0), ("left", 35.0 + gap, 50.0)]
        return {kind: [(*p, 1.5) for p in pieces] if kind == "undercut" else pieces}

    assert seen(kind, **broken(0.6 * bridge)) == 1
    assert seen(kind, **broken(bridge + 1.6)) == 2


def test_how_far_a_run_reaches_is_where_the_lower_score_is():
    # ISO 6520-1 run from a shoulder of 0.6 (above 0.55) round a core of 0.9; a shoulder of 0.5 does not belong to it
    rule = IndicationFigures.read().undercut
    score = np.full(800, 0.1)
    score[200:600], score[300:500] = 0.6, 0.9
    (with_shoulder,) = runs(score, 0.1, rule)
    score[200:300] = score[500:600] = 0.5
    (core,) = runs(score, 0.1, rule)
    assert (with_shoulder.first, with_shoulder.last) == (200, 599)
    assert (core.first, core.last) == (300, 499)


def test_undercut_beyond_25_mm_is_continuous():
    # ISO 5817, from memory: a short imperfection is up to 25 mm in 100 mm; ISO 6520-1 5011 continuous, 5012 not
    for length, number in ((23.0, "5012"), (28.0, "5011")):
        bead = draw(Drawing(length=80.0, crests=CRESTS, undercut=[("left", 20, 20 + length, 1.2)]), reach=16.0)
        assert [i.iso6520 for i in find_indications(bead) if i.kind == "undercut"] == [number]


def test_undercut_is_read_beside_the_toe_only():
    def groove(offset):
        bead = draw(Drawing(length=80.0, crests=CRESTS), Spoil(), reach=16.0)
        rows = np.abs(bead.band.t - (4.5 + offset)) < 0.35
        bead.band.maps["undercut"][np.ix_(rows, (bead.band.s > 20) & (bead.band.s < 50))] = 0.95
        return sum(i.kind == "undercut" for i in find_indications(bead))

    # half a mm within the toe to 2 mm outside it
    assert (groove(-1.6), groove(0.5), groove(1.5), groove(3.0)) == (0, 1, 1, 0)


def test_a_crater_is_looked_for_near_the_end():
    # within 1.8 widths of 9 mm of the end at 80 mm: from 63.8 mm on
    assert seen("crater_unfilled", crater=(67.5, 5.0, False)) == 1
    assert seen("crater_unfilled", crater=(60.0, 5.0, False)) == 0


def test_a_restart_is_looked_for_off_the_ends():
    # not within 0.7 widths of 9 mm of an end: from 6.3 to 73.7 mm
    assert seen("poor_restart", restart=9.0) == 1
    assert seen("poor_restart", restart=3.5) == 0


def test_an_irregular_width_varies_by_a_quarter():
    def swells(share):
        def toe(s):
            return 4.5 * np.sqrt(np.clip(np.minimum(s, 80 - s) / 4.5, 0, 1)) + share * 9 / 4 * np.sin(s / 5)

        return seen("irregular_width", left=toe, right=lambda s: -toe(s))

    assert (swells(0.21), swells(0.29)) == (0, 1)


def test_an_irregular_surface_has_uneven_or_coarse_ripples():
    bead = draw(Drawing(length=80.0), Spoil(), reach=12.0)

    def surface(pitch, spread, charted=0.5):
        gaps = pitch * (1 + spread * np.tile([1.0, -1.0], round(40 / pitch)))  # their spread over their mean
        crests = np.concatenate([[0.0], np.cumsum(gaps)])
        ripples = Ripples(crests, np.ones(len(crests)), 0.6, 0.02, 1.2, charted)
        return sum(i.kind == "irregular_surface" for i in find_indications(bead, ripples))

    assert (surface(2.2, 0.18), surface(2.2, 0.26)) == (0, 1)
    assert (surface(3.1, 0.0), surface(3.7, 0.0)) == (0, 1)  # of 9 mm width 0.38 is 3.4 mm
    assert surface(3.7, 0.26, charted=0.22) == 0  # what may be no crosswise ripples at all is not called uneven


@pytest.mark.parametrize(("charted", "crests", "known"), [(0.24, 40, True), (0.22, 40, False), (0.24, 4, False)])
def test_ripples_need_a_chart_and_five_crests(charted, crests, known):
    """A contrast of 1.2 asks for crests on exp(-1.07 - 0.33 x 1.2) of the face, 0.23 of it."""
    bead = draw(Drawing(length=80.0), Spoil(), reach=12.0)
    ripples = Ripples(12.0 + 1.2 * np.arange(crests), np.ones(crests), 0.6, 0.02, 1.2, charted)
    assert measure_course(bead, ripples)["ripple_pitch"].known == known


def test_ripples_that_may_be_lumps_have_no_spacing():
    bead = draw(Drawing(length=80.0), Spoil(), reach=12.0)
    near, far = (
        measure_course(bead, Ripples(gap * np.arange(round(80 / gap)), np.ones(round(80 / gap)), 0.6, 0.02, 1.2, 0.5))
        for gap in (3.4, 3.6)
    )
    assert near["ripple_pitch"].known
    for name in ("ripple_pitch", "ripple_variation", "ripple_sharpness"):
        assert "lumps" in (far[name].why or "")


def test_a_toe_that_is_hardly_known_gives_no_least_width():
    # stations surer than 0.6 mm alone may be the narrowest
    for u, least in ((0.65, 9.0), (0.55, 7.0)):
        bead = draw(Drawing(length=80.0), Spoil(), reach=12.0)
        dent = np.abs(bead.s - 40.0) < 2.0
        bead = dataclasses.replace(
            bead, t_left=bead.t_left - 2.0 * dent, u_left=np.where(dent, u, 0.02), u_right=np.full(len(bead.s), 0.02)
        )
        width = measure_course(bead, Ripples(CRESTS, np.ones(len(CRESTS)), 0.6, 0.02, 5.0, 0.5))["width_min"]
        assert width.value == pytest.approx(least, abs=0.3)


# --- photos


def plate_at(px_per_mm: float, tilt_deg: float = 0.0):
    view = View(width=3200, height=2400, focal=200.0 * px_per_mm, turn=(np.radians(tilt_deg), 0.0, 0.0))
    return view, plate_from_card(seen_card(view), known_camera(view, 1e-9), 50.0, 0.0)


def plain(level: int | np.ndarray = 120, noise: float = 40.0) -> Photo:
    rng = np.random.default_rng(0)
    image = np.clip(level + rng.normal(0, noise, (2400, 3200)), 0, 255).astype(np.uint8)
    return Photo("drawn", "", np.repeat(image[..., None], 3, axis=2), Exif(), b"")


@pytest.mark.parametrize(
    ("px_per_mm", "said"),
    [(8.4, set()), (7.6, {"photo_small"}), (4.2, {"photo_small"}), (3.8, {"photo_too_small"})],
)
def test_a_photo_needs_eight_px_per_mm_and_stops_below_four(px_per_mm, said):
    view, plate = plate_at(px_per_mm)
    outline = view.project(np.array([[0.0, 60.0], [80.0, 60.0], [80.0, 68.0], [0.0, 68.0]]))
    codes = {p.code for p in photo_problems(plain(), outline, plate)}
    assert codes & {"photo_small", "photo_too_small"} == said
    scene = {p.code for p in scene_problems(plain(), plate)}
    assert scene & {"photo_small", "photo_too_small"} == said


@pytest.mark.parametrize(
    ("tilt", "fillet", "said"),
    [
        (43.0, False, set()),
        (47.0, False, {"tilt"}),
        (63.0, False, {"tilt"}),
        (67.0, False, {"tilt_strong"}),
        (63.0, True, set()),
        (67.0, True, {"tilt"}),
        (77.0, True, {"tilt_strong"}),
    ],
)
def test_a_photo_may_be_tilted_by_so_much(tilt, fillet, said):
    _, plate = plate_at(10.0, tilt)
    codes = {p.code for p in scene_problems(plain(), plate, fillet=fillet)}
    assert codes & {"tilt", "tilt_strong"} == said


OUTLINE = np.array([[200.0, 1700.0], [3000.0, 1700.0], [3000.0, 1900.0], [200.0, 1900.0]])
INSIDE = np.s_[1702:1899, 202:2999]


def codes_of(image: np.ndarray, plate=None) -> set[str]:
    photo = Photo("drawn", "", np.repeat(image[..., None], 3, axis=2), Exif(), b"")
    return {p.code for p in photo_problems(photo, OUTLINE, plate)}


@pytest.mark.parametrize(
    ("share", "level", "said"),
    [
        (0.13, 252, set()),
        (0.17, 252, {"glare"}),
        (0.38, 252, {"glare"}),
        (0.42, 252, {"glare_strong"}),
        (0.6, 248, set()),
    ],
)
def test_glare_is_a_share_of_the_bead_at_full_white(share, level, said):
    image = plain(120, 12.0).image[..., 0].copy()
    image[INSIDE][np.random.default_rng(1).random(image[INSIDE].shape) < share] = level
    assert codes_of(image) & {"glare", "glare_strong"} == said


@pytest.mark.parametrize(
    ("share", "level", "said"),
    [(0.28, 12, set()), (0.32, 12, {"dark"}), (0.45, 16, set()), (0.68, 12, {"dark"}), (0.72, 12, {"dark_strong"})],
)
def test_darkness_is_a_share_of_the_bead_at_black(share, level, said):
    image = np.full((2400, 3200), 60, np.uint8)
    rows = int(share * 201)
    image[1700 : 1700 + rows] = level
    image[1700 + rows : 1901] = 60 if share < 0.5 else 200
    found = codes_of(image) & {"dark", "dark_strong"}
    assert found == said or (share > 0.5 and level == 12 and found == {"dark_strong"} and said == {"dark_strong"})


@pytest.mark.parametrize(("level", "said"), [(24, set()), (20, {"dark"}), (15, {"dark"}), (9, {"dark_strong"})])
def test_darkness_is_a_grey_level_that_half_the_bead_lies_below(level, said):
    image = np.full((2400, 3200), 120, np.uint8)
    image[1700:1901] = level
    assert codes_of(image) & {"dark", "dark_strong"} == said


@pytest.mark.parametrize(
    ("blur_mm", "said"), [(0.14, set()), (0.26, {"blur"}), (0.36, {"blur"}), (0.47, {"blur_strong"})]
)
def test_blur_at_the_cards_edges_in_mm(blur_mm, said):
    """Edges blurred by so much are read so (their own second moment), with a sharp bead beside them."""
    view = View(width=1000, height=800, focal=2000.0, at=(0.0, -10.0, 200.0))  # 10 px per mm
    grey = draw_card(view, blur=10 * blur_mm, noise=0.5)
    grey[700:790] = plain(120, 60.0).image[700:790, :1000, 0]
    photo = Photo("drawn", "", np.repeat(grey[..., None], 3, axis=2), Exif(), b"")
    card = seen_card(view)
    assert edge_blur_mm(photo, card) == pytest.approx(np.hypot(blur_mm, 0.03), rel=0.12)
    plate = plate_from_card(card, known_camera(view, 1e-9), 50.0, 0.0)
    outline = np.array([[50.0, 705.0], [950.0, 705.0], [950.0, 785.0], [50.0, 785.0]])
    assert {p.code for p in photo_problems(photo, outline, plate)} & {"blur", "blur_strong"} == said
    assert ("photo_blurred" in {p.code for p in scene_problems(photo, plate)}) == (blur_mm > 0.4)


def test_a_card_may_be_60_mm_away_and_so_bent():
    view, plate = plate_at(10.0)
    for away, said in ((55.0, False), (65.0, True)):
        bead = view.project(np.array([[10.0, 53.98 + away], [70.0, 53.98 + away + 8.0]]))
        assert ("card_far" in {p.code for p in card_problems((plate.card,), plate, bead)}) == said
    rng = np.random.default_rng(1)
    off = rng.normal(0, 1.0, (16, 2))
    for wanted, code in ((2.5, None), (3.6, "card_not_flat"), (7.0, "card_not_flat"), (9.5, "card_bent")):
        rough = dataclasses.replace(plate.card, corners_px=plate.card.corners_px + off * 0.05)
        scale = wanted / plate_from_card(rough, known_camera(view, 1e-9), 50.0, 0.0).fit.misfit
        rough = dataclasses.replace(plate.card, corners_px=plate.card.corners_px + off * 0.05 * scale)
        bent = plate_from_card(rough, known_camera(view, 1e-9), 50.0, 0.0)
        assert bent.fit.misfit == pytest.approx(wanted, rel=0.02)
        codes = {p.code for p in card_problems((bent.card,), bent)} & {"card_not_flat", "card_bent"}
        assert codes == ({code} if code else set())


def texture(blur_px: float) -> np.ndarray:
    """Grain of many sizes, as a sharp bead has, blurred by so many of 6 px per mm."""
    grain = np.random.default_rng(1).normal(0, 60, (300, 700))
    sharp = 120 + sum(cv2.GaussianBlur(grain, (0, 0), sigma) * sigma for sigma in (0.7, 1.5, 3, 6))
    soft = cv2.GaussianBlur(sharp, (0, 0), blur_px) if blur_px else sharp
    return np.clip(soft, 0, 255).astype(np.uint8)


def test_blur_on_the_bead_goes_by_its_grain():
    # fine over coarse grain: no blur from 0.44 on, too much under 0.345; worked out here as the difference of Gaussians
    outline = np.array([[20.0, 126.0], [680.0, 126.0], [680.0, 174.0], [20.0, 174.0]])  # 8 mm at 6 px per mm
    said = {}
    for blur in np.arange(0.0, 5.4, 0.3):
        grey = texture(float(blur))
        part = grey.astype(np.float32)
        smooth = [cv2.GaussianBlur(part, (0, 0), sigmaX=s, sigmaY=1e-3)[130:170, 30:670] for s in (1, 2, 4)]
        ratio = float((smooth[0] - smooth[1]).std() / (smooth[1] - smooth[2]).std())
        photo = Photo("drawn", "", np.repeat(grey[..., None], 3, axis=2), Exif(), b"")
        said[ratio] = {p.code for p in photo_problems(photo, outline, None)} & {"blur", "blur_strong"}
    for ratio, codes in said.items():
        if ratio > 0.47 or 0.36 < ratio < 0.42 or ratio < 0.32:
            assert codes == (set() if ratio > 0.47 else {"blur"} if ratio > 0.36 else {"blur_strong"}), ratio
    assert {*map(frozenset, said.values())} == {frozenset(), frozenset({"blur"}), frozenset({"blur_strong"})}


# --- evidence


@pytest.mark.parametrize(
    ("confidence", "short", "whole"),
    # 98 stations of 100 must be seen, each from a confidence of 0.5 on
    [(0.52, 0, True), (0.48, 0, False), (0.95, 1, True), (0.95, 4, False)],
)
def test_toes_seen_over_the_whole_length(confidence, short, whole):
    toes = (confidence,) * (100 - short) + (0.3,) * short
    assert (Evidence(result(bead={"toe_confidence": toes})).view is None) == whole


def test_a_crack_must_open_two_pixels():
    # sampling theorem: one dark and one bright; at 10 px per mm that is 0.2 mm
    assert "0.2 mm" in Evidence(result(px_per_mm=10.0)).smallest_crack


@pytest.mark.parametrize(("at", "belongs"), [(24.0, False), (26.0, True), (40.0, True), (54.0, True), (56.0, False)])
def test_a_reading_belongs_to_what_lies_within_five_mm(at, belongs):
    run = indication("undercut", 30.0, 50.0)
    assert Evidence(result(indications=[run])).near(reading("undercut_depth", 0.4, at=at), run) == belongs


@pytest.mark.parametrize(
    ("kind", "confidence", "said"),
    [
        ("undercut", 0.82, "read"),
        ("undercut", 0.78, "perhaps"),
        ("pore", 0.99, "perhaps"),
        ("spatter", 0.72, "read"),
        ("spatter", 0.68, "perhaps"),
        ("overlap", 0.99, "perhaps"),
        ("crater_crack", 0.99, "perhaps"),
        ("irregular_width", 0.52, "read"),
        ("irregular_width", 0.48, "perhaps"),
        ("irregular_surface", 0.52, "read"),
    ],
)
def test_what_is_worded_as_seen(kind, confidence, said):
    one = indication(kind, 30.0, confidence=confidence)
    assert Evidence(result(indications=[one])).how_seen(one) == said


@pytest.mark.parametrize(("doubted", "said"), [(0.45, "read"), (0.55, "perhaps")])
def test_what_lies_along_toes_that_are_not_believed_is_worded_as_unsure(doubted, said):
    groove = indication("undercut", 20.0, 60.0, confidence=0.95)
    s = tuple(np.linspace(0.0, 80.0, 321).tolist())
    toes = tuple(0.3 if 20.0 <= at < 20.0 + doubted * 40.0 else 0.9 for at in s)
    assert Evidence(result(indications=[groove], bead={"s": s, "toe_confidence": toes})).how_seen(groove) == said
