"""Finding and tracing a bead: what is no bead is not found, and geometry holds whichever way a bead runs."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import card_scene
import drawn_beads
import seen_photos
from toeline.geometry.card import find_cards
from toeline.geometry.plate import PixelFrame
from toeline.photo import read_photo
from toeline.trace.band import Band, TracedBead
from toeline.trace.bead_finder import Candidate, detect_beads
from toeline.trace.figures import BeadFigures, Look
from toeline.trace.networks import channels, read_band
from toeline.trace.straighten import draw_out, lay_band
from toeline.trace.toes import (
    _DOUBTED,
    _LOOKS,
    BeadLost,
    _at_odds,
    _best_paths,
    _course,
    _face_region,
    _follow,
    _given_a_bead,
    _second_look,
    as_photographed,
    lighter,
    look_about,
    trace_bead,
    turn_round,
)


def rough(h: int, w: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(120, 15, (h, w, 3)).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "image",
    [
        np.zeros((600, 800, 3), np.uint8),
        np.full((600, 800, 3), 255, np.uint8),
        np.full((600, 800, 3), 128, np.uint8),
        rough(600, 800, 0),
        np.random.default_rng(1).integers(0, 256, (600, 800, 3)).astype(np.uint8),
        np.repeat(card_scene.draw(card_scene.View(width=800, height=600, focal=625))[..., None], 3, axis=2),
    ],
    ids=["black", "white", "grey", "brushed", "noise", "card alone"],
)
def test_no_bead_is_seen_where_there_is_none(image):
    assert not detect_beads(image).beads


@pytest.fixture(scope="module")
def seen():
    pairs = seen_photos.photos(("stringer", "weave", "cap"), None) + seen_photos.photos()
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    photo, truth = pairs[0]
    return read_photo(photo), truth


def on_line(candidate: Candidate, ends: np.ndarray) -> float:
    """How far the candidate's mid line strays from the straight line between the true ends, px (the median)."""
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    off = candidate.line_px - ends[0]
    beyond = np.clip(off @ along, 0, np.linalg.norm(ends[1] - ends[0]))
    return float(np.median(np.linalg.norm(off - beyond[:, None] * along, axis=1)))


@pytest.mark.parametrize("turns", range(4))
def test_the_bead_is_found_whichever_way_the_photo_is_turned(seen, turns):
    photo, truth = seen
    toes = truth["bead"]["toes_px"]
    mid = (np.array(toes["left"]) + np.array(toes["right"])) / 2
    width = float(np.median(np.linalg.norm(np.array(toes["left"]) - np.array(toes["right"]), axis=1)))
    ends = mid[[0, -1]]
    image = photo.image
    for _ in range(turns):
        ends = np.stack([ends[:, 1], image.shape[1] - 1 - ends[:, 0]], axis=1)
        image = np.ascontiguousarray(np.rot90(image))
    # the finder may see a piece only, or something else besides: tracing grows the one and drops the other
    assert any(on_line(bead, ends) < width / 2 for bead in detect_beads(image).beads)


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 6.28), st.floats(0.5, 2.0))
def test_a_band_shows_the_photo_along_its_seam(angle, scale):
    """A picture whose grey grows along x shows, in a band laid at any angle, grey growing with the seam's cosine."""
    x = np.arange(500, dtype=np.float64)[None].repeat(400, axis=0)
    image = np.repeat((x / 2.5)[..., None], 3, axis=2).astype(np.uint8)
    way = np.array([np.cos(angle), np.sin(angle)])
    frame = PixelFrame(scale)
    middle = frame.to_mm(np.array([[250.0, 200.0]]))
    seam = middle + np.linspace(-8, 8, 9)[:, None] * way
    band = lay_band(image, frame, seam, 20.0)
    for s, t in ((2.0, 0.0), (8.0, 3.0), (14.0, -3.0)):
        px = frame.to_px(band.to_surface(np.array([s]), np.array([t])))[0]
        if not (1 < px[0] < 498 and 1 < px[1] < 398):
            continue
        row, col = int(np.abs(band.t - t).argmin()), int(np.abs(band.s - s).argmin())
        assert band.image[row, col, 0] == pytest.approx(px[0] / 2.5, abs=2.0)
        assert band.seen[row, col]


@pytest.mark.parametrize("at_end", [False, True])
def test_a_band_drawn_out_is_the_band_laid_that_long_at_once(seen, at_end):
    photo, _ = seen
    found = detect_beads(photo.image).beads[0]
    frame = PixelFrame(found.width_px / 10)
    start, end = frame.to_mm(found.line_px[[0, -1]])
    mm = float(np.linalg.norm(end - start))
    line = start + np.linspace(0.0, round(mm), round(mm) + 1)[:, None] * (end - start) / mm
    at_once = lay_band(photo.image, frame, line, 11.0)
    part = lay_band(photo.image, frame, line[:-15] if at_end else line[15:], 11.0)
    ahead = 15.0 * (end - start) / mm * (1 if at_end else -1)
    drawn_out = draw_out(photo.image, frame, part, ahead, at_end=at_end)
    assert np.allclose(np.diff(drawn_out.s), 0.1)
    for name in ("s", "seam", "left"):  # s counts from where the part began
        shift = 0.0 if at_end or name != "s" else 15.0
        np.testing.assert_allclose(getattr(drawn_out, name) + shift, getattr(at_once, name), atol=1e-6)
    assert (drawn_out.seen == at_once.seen).mean() > 0.999
    assert np.abs(drawn_out.image.astype(float) - at_once.image).mean() < 0.2
    metal = at_once.maps["face"] > 0.5
    for name, layer in drawn_out.maps.items():
        apart = np.abs(layer - at_once.maps[name])
        assert (apart[metal] if name == "forward" else apart).mean() < 0.03, name  # off the metal no travel can be read


@pytest.fixture(scope="module")
def traced(seen):
    photo, _ = seen
    found = detect_beads(photo.image).beads[0]
    return trace_bead(photo.image, PixelFrame(found.width_px / 10), found)


def test_a_traced_bead_is_one_coherent_thing(traced):
    n = len(traced.s)
    for values in (traced.t_left, traced.t_right, traced.u_left, traced.u_right, traced.confidence):
        assert values.shape == (n,)
        assert np.isfinite(values).all()
    assert (traced.t_left > traced.t_right).all()
    assert (traced.u_left > 0).all()
    assert ((traced.confidence >= 0) & (traced.confidence <= 1)).all()
    assert traced.s[0] == 0
    assert np.allclose(np.diff(traced.s), traced.s[1])


def test_turning_a_bead_round_swaps_its_sides_and_twice_is_the_bead_itself(traced):
    there = turn_round(traced)
    np.testing.assert_allclose(there.left_toe, traced.right_toe[::-1], atol=1e-6)
    np.testing.assert_allclose(there.right_toe, traced.left_toe[::-1], atol=1e-6)
    assert (there.start_seen, there.end_seen) == (traced.end_seen, traced.start_seen)
    back = turn_round(there)
    np.testing.assert_allclose(back.left_toe, traced.left_toe, atol=1e-6)
    for name, layer in traced.band.maps.items():
        np.testing.assert_allclose(back.band.maps[name], layer, atol=1e-6)


def test_a_bead_turned_round_is_looked_at_as_it_was_laid(seen, traced):
    photo, _ = seen
    closer, turned = (look_about(photo.image, bead) for bead in (traced, turn_round(traced)))
    assert closer.beside.t[0] > traced.band.t[0]
    assert closer.beside.t[-1] < traced.band.t[-1]
    back = turn_round(turned)
    for one, other in ((closer.band, back.band), (closer.beside, back.beside)):
        for name, layer in one.maps.items():
            np.testing.assert_allclose(other.maps[name], layer, atol=1e-6)


def test_the_card_is_not_taken_for_a_bead(seen):
    photo, _ = seen
    for card in find_cards(photo):
        low, high = card.corners_px.min(axis=0), card.corners_px.max(axis=0)
        for bead in detect_beads(photo.image).beads:
            middle = bead.line_px[len(bead.line_px) // 2]
            assert not ((middle > low) & (middle < high)).all()


def test_the_best_path_is_the_best_of_all_paths():
    gain = np.random.default_rng(3).normal(0, 3, (1, 4, 5))
    ways = [w for w in itertools.product(range(4), repeat=5) if max(abs(np.diff(w))) <= 2]

    def worth(way):
        return sum(gain[0, r, k] for k, r in enumerate(way)) - 1.5 * np.abs(np.diff(way)).sum()

    assert worth(_best_paths(gain, 2, 1.5)[0]) == pytest.approx(max(worth(way) for way in ways))


def test_a_region_of_two_widths_still_has_a_course():
    band = drawn_beads.draw(drawn_beads.Drawing(length=40.0)).band
    middle, face = len(band.t) // 2, np.zeros((len(band.t), len(band.s)), bool)
    face[middle - 10 : middle + 11, 100:200] = True
    face[middle - 40 : middle + 41, 200:300] = True
    _, t = _course(band, face)
    assert np.abs(t).max() < 0.2


def test_a_second_look_says_the_same_of_a_band_and_of_its_mirror_image():
    pairs = seen_photos.photos(("stringer",), "arc_too_long")
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    photo = read_photo(pairs[0][0])
    image = trace_bead(photo.image, PixelFrame(8.0), detect_beads(photo.image).beads[0]).band.image
    band = drawn_beads.draw(drawn_beads.Drawing(length=40.0)).band
    bands = [replace(band, image=each, maps=read_band(each)) for each in (image, np.ascontiguousarray(image[::-1]))]
    above = BeadFigures.read().second_look.above
    shown = [np.max([each.maps[name].max(axis=0) for name in _DOUBTED], axis=0) > above for each in bands]
    both = shown[0] & shown[1]
    assert both.any()
    once, again = (_second_look(each) for each in bands)
    for name in _DOUBTED:  # the two looks are cut out of the band at their own columns, which moves them a little
        first, second = (
            np.abs(one[name] - other[name][::-1])[:, both]
            for one, other in ((bands[0].maps, bands[1].maps), (once, again))
        )
        assert second.max() < 0.4
        assert name in ("overlap", "crater_hollow") or second.mean() < 0.9 * first.mean()
    assert once["slag"] is bands[0].maps["slag"]


@pytest.mark.parametrize("look", get_args(Look))
def test_each_look_sees_the_bead_where_it_is(seen, look):
    photo, _ = seen
    found = detect_beads(photo.image).beads[0]
    band = trace_bead(photo.image, PixelFrame(found.width_px / 10), found).band
    image = np.ascontiguousarray(band.image[40:])  # its mirror image must not look the same
    plain, again = read_band(image)["face"] > 0.5, _LOOKS[look](image, read_band)["face"] > 0.5
    assert (plain & again).sum() > 0.95 * (plain | again).sum() > 0.95 * 0.1 * plain.size


def test_a_bead_traced_in_another_light_keeps_its_face_and_is_read_as_it_was_photographed(seen):
    photo, _ = seen
    lit = trace_bead(lighter(photo.image), PixelFrame(8.0), detect_beads(photo.image).beads[0])
    band = as_photographed(photo.image, lit.frame, lit).band
    off = lighter(band.image).astype(int) - lit.band.image
    assert np.quantile(np.abs(off), 0.95) <= 3 < lit.band.image.mean() - band.image.mean()
    assert np.array_equal(band.maps["face"], lit.band.maps["face"])
    assert not np.array_equal(band.maps["crest"], lit.band.maps["crest"])
    as_it_is, turned = (
        as_photographed(photo.image, lit.frame, lit),
        as_photographed(photo.image, lit.frame, turn_round(lit)),
    )
    assert np.array_equal(turned.band.image, turn_round(as_it_is).band.image)


def test_a_seam_that_runs_askew_is_laid_anew(seen):
    photo, _ = seen
    found = detect_beads(photo.image).beads[0]
    start, end = found.line_px[0], found.line_px[-1]
    middle, ahead = (start + end) / 2, (end - start) / 2
    turn = np.deg2rad(8.0)
    askew = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ ahead
    line = middle + np.linspace(-0.5, 0.5, 30)[:, None] * askew
    frame = PixelFrame(found.width_px / 10)
    straight, laid_anew = (trace_bead(photo.image, frame, each) for each in (found, replace(found, line_px=line)))
    assert laid_anew.s[-1] == pytest.approx(straight.s[-1], abs=1.0)
    width, again = (float(np.median(bead.t_left - bead.t_right)) for bead in (straight, laid_anew))
    assert again == pytest.approx(width, rel=0.03)


def test_what_shows_no_fault_is_not_looked_at_again():
    band = drawn_beads.draw(drawn_beads.Drawing(length=40.0)).band
    assert max(band.maps[name].max() for name in _DOUBTED) < BeadFigures.read().second_look.above
    assert _second_look(band) is band.maps


def doubted_bead(inside: float, sure_from: float = 0.0) -> Band:
    """A band with a bead 8 mm wide and 60 mm long, sure up to ``sure_from`` and as likely as ``inside`` beyond it."""
    s, t = np.arange(-90, 691) / 10, np.arange(110, -111, -1) / 10
    on = (np.abs(t)[:, None] <= 4) & ((s >= 0) & (s <= 60))[None]
    face = np.where(on, np.where(s < sure_from, 1.0, inside)[None], 0.0).astype(np.float32)
    maps = dict.fromkeys(channels("reader"), np.zeros_like(face)) | {"face": face}
    image = np.zeros((*face.shape, 3), np.uint8)
    return Band(maps, s, t, np.ones(face.shape, bool), image, np.stack([s, 0 * s], 1), np.stack([0 * s, 1 + 0 * s], 1))


@pytest.mark.parametrize("inside", [0.45, 0.6, 1.0])
def test_a_bead_that_is_doubted_keeps_its_edges(inside):
    np.testing.assert_array_equal(_given_a_bead(doubted_bead(inside)) > 0.5, doubted_bead(1.0).maps["face"] > 0.5)


def test_what_is_hardly_likely_to_be_weld_metal_stays_so():
    assert _given_a_bead(doubted_bead(0.15)).max() < 0.5


def test_a_doubted_stretch_counts_where_enough_of_the_bead_is_sure():
    long = _face_region(doubted_bead(0.45, sure_from=30.0), False, 60.0)
    short = _face_region(doubted_bead(0.45, sure_from=12.0), False, 60.0)
    assert 590 < long.any(axis=0).sum() < 610
    assert 110 < short.any(axis=0).sum() < 130


def test_what_lies_all_along_the_horizon_is_not_straightened():
    """A thing of 300 m would take more memory than there is."""
    line = np.stack([np.linspace(10, 310, 50), np.full(50, 100.0)], axis=1)
    with pytest.raises(BeadLost, match="horizon"):
        trace_bead(np.full((200, 320, 3), 120, np.uint8), PixelFrame(0.001), Candidate("bead", line, 20.0, 0.9))


def test_what_is_wider_than_any_bead_is_not_read():
    """A rod lays no 60 mm; at half of that the plate is read, on which no weld metal is seen."""
    plate = np.full((700, 900, 3), 120, np.uint8)
    line = np.stack([np.linspace(50, 850, 50), np.full(50, 350.0)], axis=1)
    with pytest.raises(BeadLost, match="horizon"):
        trace_bead(plate, PixelFrame(10.0), Candidate("bead", line, 600.0, 0.9))
    with pytest.raises(BeadLost, match="No weld metal"):
        trace_bead(plate, PixelFrame(10.0), Candidate("bead", line, 300.0, 0.9))


def followed(
    left: float,
    right: float,
    ends: tuple[float, float],
    soft: float,
    soft_right: float | None = None,
    frame: drawn_beads.FlatFrame | None = None,
) -> TracedBead:
    """The bead traced in a band whose face falls off by e at its edges over ``soft`` mm, to the right over another."""
    drawing = drawn_beads.Drawing(length=80.0)
    band = drawn_beads.draw(drawing, reach=14.0).band
    s, t = np.meshgrid(band.s, band.t)
    others = np.minimum.reduce([left - t, s - ends[0], ends[1] - s]) / soft
    inside = np.minimum(others, (t - right) / (soft_right or soft))
    band.maps["face"] = (1 / (1 + np.exp(-np.clip(inside, -30, 30)))).astype(np.float32)
    return _follow(band, frame or drawn_beads.FlatFrame(), band.maps["face"] > 0.5, 0.9)


def test_toes_and_ends_lie_between_the_pixels():
    # 0.1 mm pixels: edges at any fraction of one are found to a tenth of one
    for off in (0.013, 0.037, 0.061, 0.088):
        bead = followed(4.5 + off, -4.5 + off / 2, (0.2 + off, 79.6 - off), 0.08)
        inner = (bead.s > 8) & (bead.s < bead.s[-1] - 8)
        assert bead.t_left[inner] == pytest.approx(4.5 + off, abs=0.01)
        assert bead.t_right[inner] == pytest.approx(-4.5 + off / 2, abs=0.01)
        assert bead.s[-1] == pytest.approx(79.4 - 2 * off, abs=0.02)
        assert bead.band.to_surface(np.zeros(1), np.zeros(1))[0, 0] == pytest.approx(10.2 + off, abs=0.02)


def test_a_toe_is_as_unsure_as_its_edge_is_soft():
    # the reader hesitates over the integral of 4 p (1 - p), which for a logistic edge is 4 times its scale
    rule = BeadFigures.read().trace
    for soft in (0.05, 0.15, 0.25):
        bead = followed(4.5, -4.5, (0.2, 79.6), soft)
        middle = (bead.s > 30) & (bead.s < 50)
        doubt = (rule.doubted[0] - float(bead.confidence[middle].mean())) / (rule.doubted[0] - rule.doubted[1])
        expected = np.hypot(rule.u_floor_mm, rule.u_per_blur * 4 * soft) * (1 + rule.u_doubted * np.clip(doubt, 0, 1))
        assert bead.u_left[middle] == pytest.approx(expected, rel=0.06)
        assert bead.u_right[middle] == pytest.approx(expected, rel=0.06)


def test_a_toe_in_doubt_lies_further_out_and_the_other_where_it_was():
    rule = BeadFigures.read().trace
    sure, doubted = (followed(4.5, -4.5, (0.2, 79.6), 0.05, soft) for soft in (0.05, 0.25))
    middle = slice(120, 200)
    u = np.hypot(rule.u_floor_mm, rule.u_per_blur * 4 * 0.25)
    out = 0.25 * rule.lean * (u - rule.leant[0]) / (rule.leant[1] - rule.leant[0])
    assert out > 0.1
    assert doubted.t_right[middle] == pytest.approx(-4.5 - out, abs=0.02)
    assert doubted.t_left[middle] == pytest.approx(4.5, abs=0.01)
    assert sure.t_right[middle] == pytest.approx(-4.5, abs=0.01)


def test_without_a_scale_a_toe_in_doubt_stays_where_it_is_as_likely_as_not():
    soft = followed(4.5, -4.5, (0.2, 79.6), 0.25, frame=drawn_beads.FlatFrame(has_scale=False))
    assert soft.t_right[120:200] == pytest.approx(-4.5, abs=0.01)
    assert soft.t_left[120:200] == pytest.approx(4.5, abs=0.01)


def test_a_toe_that_is_not_trusted_is_off_by_more_than_its_blur_tells():
    """The same sharp edge, of weld metal that is sure and of such as is doubted."""
    region = doubted_bead(1.0).maps["face"] > 0.5
    sure, doubted = (_follow(doubted_bead(inside), drawn_beads.FlatFrame(), region, 0.9) for inside in (1.0, 0.45))
    middle = (sure.s > 20) & (sure.s < 40)
    assert doubted.confidence[middle].max() < 0.1 < 0.97 < sure.confidence[middle].min()
    assert (doubted.u_left[middle] > 1.5 * sure.u_left[middle]).all()


def test_a_toe_at_the_photos_border_is_not_trusted():
    band = doubted_bead(1.0)
    seen = band.seen.copy()
    seen[band.t > 4.5] = False
    cut = _follow(replace(band, seen=seen), drawn_beads.FlatFrame(), band.maps["face"] > 0.5, 0.9)
    assert cut.confidence.max() == 0.0
    assert cut.t_left[20:-20] == pytest.approx(4.0, abs=0.1)


def test_what_lies_beside_a_bead_behind_a_thin_line_is_no_part_of_it():
    """A stained plate that seems to be weld metal, 6 mm of it over a third of the bead, 0.3 mm off the toe."""
    band = drawn_beads.draw(drawn_beads.Drawing(length=80.0), reach=14.0).band
    s, t = np.meshgrid(band.s, band.t)
    bead = (np.abs(t) < 4.5) & (s > 0) & (s < 80)
    stain = (t < -4.8) & (t > -11) & (s > 28) & (s < 54)
    band.maps["face"] = np.where(bead, 0.99, np.where(stain, 0.85, 0.01)).astype(np.float32)
    region = (band.maps["face"] > 0.5) | ((t < -4.4) & (t > -4.9) & (s > 28) & (s < 54))  # closed over the line
    traced = _follow(band, drawn_beads.FlatFrame(), region, 0.9)
    inner = (traced.s > 8) & (traced.s < traced.s[-1] - 8)
    assert traced.t_right[inner] == pytest.approx(-4.5, abs=0.15)
    assert traced.t_left[inner] == pytest.approx(4.5, abs=0.15)


def test_pieces_of_a_band_that_were_read_alike_meet():
    band = doubted_bead(1.0)
    assert not _at_odds(band, [])
    assert not _at_odds(band, [30.0])
    assert _at_odds(doubted_bead(0.6, sure_from=30.0), [10.0, 30.0])
    assert not _at_odds(doubted_bead(0.6, sure_from=30.0), [10.0, 50.0])
