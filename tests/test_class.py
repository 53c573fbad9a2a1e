"""A class of coupons: what is counted when little can be known, who can be told apart, who is missing."""

from __future__ import annotations

import pytest

from test_score import FIRST, result, said
from toeline.batch import Measured
from toeline.coupons.coupons import score_class, to_frame
from toeline.coupons.roster import read_roster
from toeline.coupons.rubric import read_rubric, rubric_text
from toeline.coupons.score import score
from toeline.errors import RubricError
from toeline.result import GaugeReading, Quantity

DOUBTED = {"undercut_length_total": Quantity(value=5.0, U=30.0)}
NONE_SEEN = GaugeReading(name="undercut", value=0, unit="1")


def test_a_line_in_too_much_doubt_is_not_counted_and_said():
    scored = score(result(**DOUBTED), FIRST)
    assert [item.id for item in scored.open] == ["undercut"]
    assert scored.points == pytest.approx(100.0)  # the other lines are full, and taken for the whole
    assert scored.U < 5
    assert any("Not counted" in reason and "No undercut" in reason for reason in scored.reasons)


def test_the_points_of_the_others_are_taken_for_the_whole():
    wide = {"width_mean": Quantity(value=14.4, U=0.0)}  # 4.5 core diameters: no points of 15
    scored = score(result(**DOUBTED, **wide), FIRST)
    weight = {item.id: item.weight for item in FIRST.item}
    known = FIRST.points - weight["undercut"]
    assert scored.points == pytest.approx(FIRST.points * (known - weight["width_for_electrode"]) / known)


def test_a_look_settles_the_line_and_says_which_look_narrows_most():
    doubted = result(undercut_length_total=Quantity(value=5.0, U=6.0))
    before = score(doubted, FIRST)
    assert "undercut" in (before.narrowed_by or "")
    after = score(said(doubted, NONE_SEEN), FIRST)
    assert after.U < before.U
    settled = next(item.weight for item in FIRST.item if item.id == "undercut")
    assert next(item for item in after.items if item.id == "undercut").points == settled
    assert after.narrowed_by is None


def test_a_stated_fault_does_not_settle_a_line_as_none():
    there = GaugeReading(name="undercut", value=1, unit="1")
    scored = score(said(result(undercut_length_total=Quantity(value=12.0, U=0.0)), there), FIRST)
    assert next(item for item in scored.items if item.id == "undercut").lost > 0


def test_too_little_known_gives_no_points():
    unsure = {
        name: Quantity(value=0.1, U=5.0, unit="1")
        for name in ("width_variation", "ripple_variation", "spatter_per_100mm")
    }
    scored = score(result(**DOUBTED, **unsure), FIRST)
    assert scored.points is None
    assert scored.outcome == "undecided"
    assert "Too little can be known" in scored.reasons[0]


def test_a_rubric_that_asks_for_an_unknown_look_is_refused():
    with pytest.raises(RubricError, match="no statement 'undercuts'"):
        read_rubric(rubric_text("first-beads").replace('look = "undercut"', 'look = "undercuts"'))


def a_class(roster=None):
    measured = [
        Measured("a.jpg", result()),
        Measured("b.jpg", result(width_variation=Quantity(value=0.10, U=0.001, unit="1"))),
        Measured("c.jpg", result(width_variation=Quantity(value=0.101, U=0.004, unit="1"))),
        Measured("d.jpg", problem="it is no photo."),
    ]
    return score_class(measured, FIRST, roster=roster)


def test_coupons_that_cannot_be_told_apart_share_their_places():
    assert a_class().places() == {"a.jpg": (1, 1), "b.jpg": (2, 3), "c.jpg": (2, 3)}


def test_names_without_photos_and_photos_without_names_are_counted():
    scores = a_class(read_roster(b"name,file\nUna,a.jpg\nBo,b.jpg\nCy,gone.jpg\n"))
    assert scores.absent == ("Cy",)
    assert scores.unnamed == ("c.jpg", "d.jpg")
    assert [one.photo for one in scores.broken] == ["d.jpg"]
    assert not scores.complete
    frame = to_frame(scores)
    assert list(frame["coupon"])[-1] == "Cy"
    assert list(frame["reasons"])[-1] == "No photo."
    assert list(frame["place"])[:3] == ["1", "2 to 3", "2 to 3"]


def test_without_a_roster_nobody_is_missing():
    scores = score_class([Measured("a.jpg", result())], FIRST)
    assert scores.complete
