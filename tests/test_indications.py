"""Indications from drawn maps: each kind found where it is, told from what it is not, and numbered by place."""

import dataclasses

import numpy as np
import pytest

from drawn_beads import Drawing, FlatFrame, Spoil, draw
from toeline.measures.figures import RunFigures
from toeline.measures.indications import find_indications, runs

CRESTS = np.arange(1.0, 79.0, 1.8)
SOFT = Spoil(noise=0.08, low=0.1, high=0.9, ragged=0.2, false_blobs=6, toe=0.08)


def found(kind=None, spoil=None, frame=None, change=None, **drawing):
    bead = draw(Drawing(length=80.0, crests=CRESTS, **drawing), spoil or Spoil(), frame, reach=22.0)
    if change:
        bead = dataclasses.replace(bead, **change)
    every = find_indications(bead)
    return [i for i in every if i.kind == kind] if kind else every


def test_a_clean_bead_shows_nothing():
    assert found() == ()
    assert found(spoil=SOFT) == ()


@pytest.mark.parametrize("spoil", [Spoil(), SOFT], ids=["ideal", "soft"])
def test_undercut_is_found_on_its_side_with_its_ends_and_width(spoil):
    seen = found("undercut", spoil, undercut=[("left", 15, 35, 1.0), ("right", 40, 70, 0.8)])
    assert [i.side for i in seen] == ["left", "right"]
    for i, (a, b, w) in zip(seen, ((15, 35, 1.0), (40, 70, 0.8)), strict=True):
        assert (i.from_, i.to) == (pytest.approx(a, abs=1.2), pytest.approx(b, abs=1.2))
        assert abs(i.size.value - w) <= i.size.U
    assert [i.iso6520 for i in seen] == ["5012", "5011"]  # ISO 6520-1: intermittent, continuous; from memory


def test_small_breaks_are_bridged_and_large_ones_are_not():
    near = found("undercut", undercut=[("left", 20, 30, 1.0), ("left", 31, 40, 1.0)])
    far = found("undercut", undercut=[("left", 20, 30, 1.0), ("left", 35, 45, 1.0)])
    assert (len(near), len(far)) == (1, 2)


def test_a_groove_away_from_the_toe_is_no_undercut():
    bead = draw(Drawing(length=80.0, crests=CRESTS), Spoil(), reach=22.0)
    rows = np.abs(bead.band.t - 10.0) < 0.5
    bead.band.maps["undercut"][rows, 300:500] = 0.95
    assert not [i for i in find_indications(bead) if i.kind == "undercut"]


def test_runs_by_hand():
    rule = RunFigures(smooth=1.0, core=1.0, low=0.4, high=0.6, bridge=2.0, least=3.0)
    score = np.array([0, 0.5, 0.7, 0.7, 0, 0.7, 0.5, 0, 0, 0, 0, 0.5, 0.5, 0.5, 0.5, 0, 0, 0.9, 0])
    got = runs(score, 1.0, rule)
    assert [(r.first, r.last) for r in got] == [(1, 6)]  # one break bridged; never above high; too short
    assert got[0].score == pytest.approx(np.mean([0.5, 0.7, 0.7, 0.7, 0.5]))


@pytest.mark.parametrize("spoil", [Spoil(), Spoil(noise=0.05, low=0.1, high=0.85)], ids=["ideal", "soft"])
def test_spatter_has_its_place_and_diameter(spoil):
    balls = [(12.0, 10.0, 1.0), (30.0, -12.0, 2.2), (50.0, 1.0, 1.4), (66.0, 8.0, 0.8)]
    seen = found("spatter", spoil, spatter=balls)
    assert len(seen) == 4
    for i, (s, _, d) in zip(seen, balls, strict=True):
        assert i.from_ == pytest.approx(s, abs=0.15)
        assert abs(i.size.value - d) <= i.size.U
    assert [i.side for i in seen] == ["left", "right", None, "left"]
    assert "on the face" in seen[2].why


def test_touching_balls_are_parted():
    assert len(found("spatter", spatter=[(30.0, 10.0, 1.6), (31.6, 10.0, 1.6), (60.0, 10.0, 1.6)])) == 3


def test_pores_belong_to_the_face():
    seen = found("pore", pores=[(40.0, 0.5, 1.5), (50.0, 12.0, 1.5)])
    assert [i.from_ for i in seen] == [pytest.approx(40.0, abs=0.15)]
    assert abs(seen[0].size.value - 1.5) <= seen[0].size.U


def test_a_crater_counts_at_the_end_alone():
    seen = found("crater_unfilled", crater=(74.0, 5.0, False))
    assert len(seen) == 1
    assert abs(seen[0].size.value - 5.0) <= seen[0].size.U
    assert not found("crater_unfilled", crater=(30.0, 5.0, False))
    assert not found("crater_unfilled", crater=(74.0, 5.0, False), change={"end_seen": False})


def test_with_an_assumed_travel_the_crater_may_be_at_either_end():
    assert not found("crater_unfilled", crater=(6.0, 5.0, False))
    assert len(found("crater_unfilled", crater=(6.0, 5.0, False), change={"travel": "assumed"})) == 1


def test_a_crack_is_reported_in_a_crater():
    seen = found(spoil=Spoil(), crater=(74.0, 5.0, True))
    assert {i.kind for i in seen} == {"crater_unfilled", "crater_crack"}
    assert not found("crater_crack", crater=(74.0, 5.0, False))


def test_restart_overlap_slag_and_arc_strike():
    seen = found(
        spoil=SOFT,
        restart=40.0,
        overlap=[("right", 15, 30)],
        slag=[(55.0, 1.0, 4.0, 2.0)],
        arc_strikes=[(60.0, -12.0, 2.5)],
    )
    by_kind = {i.kind: i for i in seen}
    assert by_kind["poor_restart"].from_ < 40.0 < by_kind["poor_restart"].to
    assert by_kind["overlap"].side == "right"
    assert by_kind["overlap"].from_ == pytest.approx(15, abs=1.5)
    assert abs(by_kind["slag_left"].size.value - 4.0) <= 1.5 * by_kind["slag_left"].size.U
    assert abs(by_kind["arc_strike"].size.value - 2.5) <= by_kind["arc_strike"].size.U
    assert by_kind["arc_strike"].side == "right"


def test_irregular_width_and_surface():
    def swelling(s):
        return 4.5 * np.sqrt(np.clip(np.minimum(s, 80 - s) / 4.5, 0, 1)) + 0.9 * np.sin(2 * np.pi * s / 30)

    seen = found("irregular_width", left=swelling, right=lambda s: -swelling(s))
    assert len(seen) == 1
    assert seen[0].size.value == pytest.approx(3.6, abs=0.3)
    rng = np.random.default_rng(5)
    uneven = 1.0 + np.cumsum(1.8 * (1 + 0.35 * rng.uniform(-1.6, 1.6, 42)))
    bead = draw(Drawing(length=float(uneven[-1]) + 2, crests=uneven), reach=12.0)
    assert [i.kind for i in find_indications(bead)] == ["irregular_surface"]


@pytest.mark.parametrize(("believed", "sure"), [(True, True), (False, False)])
def test_an_irregular_width_is_no_surer_than_the_toes_that_tell_it(believed, sure):
    # the left toe lies 3 mm further out over a quarter of the bead
    s = draw(Drawing(length=80.0)).s
    aside = (s > 30.0) & (s < 50.0)
    confidence = np.where(aside & ~np.array(believed), 0.1, 0.95)
    (seen,) = found(
        "irregular_width",
        left=lambda s: np.where(aside, 7.5, 4.5),
        right=lambda s: np.full(len(s), -4.5),
        change={"confidence": confidence},
    )
    assert seen.size.value == pytest.approx(3.0, abs=0.3)
    assert (seen.confidence > 0.9) == sure
    assert (seen.confidence < 0.1) != sure
    assert ("hard to see" in seen.why) != sure


def test_the_order_is_by_place_and_does_not_change():
    things = {"spatter": [(60, 10, 1.2), (20, -10, 1.2)], "pores": [(40, 0, 1.2)], "undercut": [("left", 5, 15, 1.0)]}
    seen = found(**things)
    places = [i.from_ for i in seen]
    assert places == sorted(places)
    assert found(**things) == seen


def test_places_are_on_the_plate_and_in_the_photo():
    (ball,) = found("spatter", spatter=[(30.0, 10.0, 1.5)])
    assert ball.at == (pytest.approx(40.0, abs=0.1), pytest.approx(80.0, abs=0.1))  # start (10, 90), left is -y
    assert ball.at_px == (pytest.approx(480.0, abs=1.5), pytest.approx(960.0, abs=1.5))


def test_without_a_card_only_pixels_are_given():
    (ball,) = found("spatter", frame=FlatFrame(has_scale=False), spatter=[(30.0, 10.0, 1.5)])
    assert (ball.from_, ball.to, ball.at) == (None, None, None)
    assert ball.at_px is not None
    assert "card" in ball.size.why


def test_what_lies_outside_the_photo_is_not_seen():
    bead = draw(Drawing(length=80.0, crests=CRESTS, spatter=[(30.0, 10.0, 1.5)]), reach=22.0)
    bead.band.seen[:] = bead.band.t[:, None] < 5.0
    assert find_indications(bead) == ()
