"""Every row of a relief's budgets, worked by hand on surfaces that are known; the counted figures are read from
relief.toml, what is made of them is worked out here."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from drawn_relief import HALF, LENGTH, toes
from toeline.photogrammetry.chart import Chart, lay_chart
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.groove import Groove, carved
from toeline.photogrammetry.quantities import (
    BIAS,
    DOUBTED,
    DOUBTED_HOLLOW,
    FORM,
    GROOVE_FORM,
    MATCHING,
    PLACE,
    PLATE,
    RIVAL,
    SCALE,
    SMOOTHED,
    along_seam,
    relief_measures,
    seen_share,
    u_height,
    u_map,
    u_place,
)
from toeline.photogrammetry.relief import Relief
from toeline.photogrammetry.surface import Surface
from toeline.photogrammetry.undercut_found import undercut_by_depth, with_lengths
from toeline.result import Bead, Indication, Quantity

U = ReliefFigures.read().u
UP = np.array([0.0, 0.0, 1.0])
#: Standard uncertainty of the print's scale, as a share.
U_SCALE = 0.002
#: Five stands leaning by a fifth: the root mean square of their lines of sight about the mean is a fifth of sqrt(4/5).
LEANS = ((0.0, 0.0), (0.2, 0.0), (-0.2, 0.0), (0.0, 0.2), (0.0, -0.2))
LESS_LEAN = U.lean / (0.2 * math.sqrt(4 / 5))
AGREES = 0.6  # Fisher's z everywhere
FACE, FLAT = 0.095, 0.02  # what the file has for it
#: Standard uncertainties of a depth that is told, and of one that is not.
SURE = 0.1
UNSURE = SURE + ReliefFigures.read().groove.sure

#: Stations along a toe, and a groove nowhere.
STATIONS = np.arange(0.0, LENGTH, ReliefFigures.read().groove.every)
NONE = np.zeros_like(STATIONS)


def test_what_was_counted_at_this_agreement():
    k = U.agreement.index(AGREES)
    assert (U.face[k], U.plate[k]) == (FACE, FLAT)


def stand(lean: tuple[float, float], chart: Chart) -> SimpleNamespace:
    """A camera that is seen from the bead under this lean, along and across, as a tangent."""
    way = np.array([*lean, 1.0]) @ chart.axes
    scale = SimpleNamespace(value=1.0, u=U_SCALE)
    return SimpleNamespace(towards=lambda at: way / np.linalg.norm(way), plate=SimpleNamespace(print_scale=scale))


def relief_of(chart: Chart, height: np.ndarray, leans: tuple[tuple[float, float], ...] = LEANS) -> Relief:
    """A surface known everywhere, on which all photos agree alike."""
    agreement = np.full(height.shape, AGREES)
    surface = Surface(chart.chord + height, chart.chord + height, agreement, agreement)
    seam = np.stack([np.linspace(0.0, LENGTH, 50)] * 2, axis=1)
    stands = tuple(stand(lean, chart) for lean in leans)
    body = 2 * HALF, LENGTH - 2 * HALF
    return Relief(chart, surface, stands, None, {}, 0, seam, body)  # type: ignore[arg-type]


def on_a_plate(hollow: float = 0.0, leans: tuple[tuple[float, float], ...] = LEANS) -> Relief:
    """A roof of slope 1/2 between the toes, with a flat crown 1 mm wide each way, and a hollow near its end."""
    chart = lay_chart(*toes(), UP, None, 0.0, 0.12, 5.0, 4.0)
    s, t = np.meshgrid(chart.s, chart.t)
    roof = np.where(chart.face, np.minimum(0.5 * (HALF - np.abs(t)), 1.5), 0.0)
    width = 2 * HALF
    back = LENGTH - s
    crater = (back > 0.5 * width) & (back < 0.8 * width)
    return relief_of(chart, roof - np.where(crater & chart.face, hollow, 0.0), leans)


def in_a_corner() -> Relief:
    """A fillet's flat face between plates at a right angle, bulging by 0.4 mm at its middle."""
    left, right = toes()
    left[:, 2] = right[:, 2] = HALF
    chart = lay_chart(left, right, UP, np.zeros(3), 1.0, 0.12, 5.0, 4.0)
    _, t = np.meshgrid(chart.s, chart.t)
    return relief_of(chart, np.where(chart.face, 0.4 * (1 - np.abs(t) / HALF), 0.0))


def rows(quantity: Quantity) -> dict[str, float]:
    return {row.label: row.u for row in quantity.budget}


def test_fewer_stands_and_less_lean_are_less_sure():
    place = np.s_[len(on_a_plate().chart.t) // 2, 100]
    assert u_height(on_a_plate())[place] == pytest.approx(FACE * LESS_LEAN)
    wide = tuple((3 * a, 3 * b) for a, b in LEANS)  # more lean than the figures were counted for makes nothing surer
    assert u_height(on_a_plate(leans=wide))[place] == pytest.approx(FACE)
    two = ((0.6, 0.0), (-0.6, 0.0))
    assert u_height(on_a_plate(leans=two))[place] == pytest.approx(FACE * U.few["2"])
    assert U.few == {"2": 2.0, "3": 1.4, "4": 1.15, "5": 1.0}


def test_the_plate_is_surer_than_the_face():
    relief = on_a_plate()
    assert u_height(relief)[2, 100] == pytest.approx(FLAT * LESS_LEAN)


def test_height_of_the_face():
    told = relief_measures(on_a_plate(), {})
    assert told["height_max"].value == pytest.approx(1.5 + U.peak, abs=0.01)
    assert rows(told["height_max"]) == {
        MATCHING: pytest.approx(FACE * LESS_LEAN),
        BIAS: pytest.approx(U.bias * LESS_LEAN),
        PLATE: pytest.approx(U.tie),
        PLACE: pytest.approx(U.extreme),
        SMOOTHED: pytest.approx(U.u_peak),
        SCALE: pytest.approx(1.5 * U_SCALE, rel=0.01),
    }
    assert rows(told["height_mean"]) == {
        MATCHING: pytest.approx(FACE * LESS_LEAN * U.mean_share),
        BIAS: pytest.approx(U.bias * LESS_LEAN),
        PLATE: pytest.approx(U.tie),
        SCALE: pytest.approx(1.5 * U_SCALE, rel=0.01),
    }


def test_a_height_is_as_unsure_as_another_dome_that_is_not_excluded():
    """Along a fifth of the seam the dome may be 0.8 mm higher, along another 0.5 mm lower: the greatest may be 0.8 mm
    more, and is as unsure as half of it; a place half way down the dome's flank by what the dome has there."""
    sure = on_a_plate()
    s = sure.chart.s
    above = np.where((s > 0.3 * LENGTH) & (s < 0.5 * LENGTH), 0.8, 0.0)
    below = np.where((s > 0.6 * LENGTH) & (s < 0.8 * LENGTH), 0.5, 0.0)
    doubted = replace(sure, surface=replace(sure.surface, above=above, below=below))
    told = relief_measures(doubted, {})
    assert rows(told["height_max"])[RIVAL] == pytest.approx(0.4)
    body = (s > 2 * HALF) & (s < LENGTH - 2 * HALF)
    assert rows(told["height_mean"])[RIVAL] == pytest.approx(np.maximum(above, below)[body].mean() / 2, rel=0.05)
    crown, column = len(sure.chart.t) // 2, int(np.searchsorted(s, 0.4 * LENGTH))
    assert u_place(doubted)[crown, column] == pytest.approx(math.hypot(FACE * LESS_LEAN, 0.4), rel=0.01)
    assert u_place(doubted)[2, column] == pytest.approx(FLAT * LESS_LEAN)  # on the plate there is no dome
    along = np.array(along_seam(doubted, {}).U_mm["crown_mm"], float)
    assert along[round(0.4 * LENGTH)] > along[round(0.55 * LENGTH)] + 0.3


def test_on_a_fillet_s_face_each_height_is_as_unsure_as_all_together():
    corner, flat = in_a_corner(), on_a_plate()
    crown = len(corner.chart.t) // 2
    assert u_map(corner)[crown, 100] == pytest.approx(math.hypot(FACE, U.bias_fillet) * LESS_LEAN)
    assert u_map(corner)[2, 100] == pytest.approx(FLAT * LESS_LEAN)
    assert u_map(flat) == pytest.approx(u_place(flat))


def test_a_place_that_strays_from_its_dome_is_as_unsure():
    sure = on_a_plate()
    strayed = np.where(sure.chart.s > LENGTH / 2, 0.3, 0.0) * np.ones_like(sure.surface.height)
    unsure = replace(sure, surface=replace(sure.surface, strayed=strayed))
    crown = len(sure.chart.t) // 2
    far, near = (int(np.searchsorted(sure.chart.s, share * LENGTH)) for share in (0.7, 0.3))
    assert u_height(unsure)[crown, near] == pytest.approx(FACE * LESS_LEAN)
    assert u_height(unsure)[crown, far] == pytest.approx(math.hypot(FACE * LESS_LEAN, 0.3 * U.strayed_share))


def test_toe_angle():
    """The slope over a millimetre from a height at its end: u(slope) is that height's over the run, as an angle."""
    told = relief_measures(on_a_plate(), {})["toe_angle_left_min"]
    assert told.value == pytest.approx(180 - math.degrees(math.atan(0.5)), abs=0.5)
    rule = ReliefFigures.read().toe_angle
    by_hand = math.degrees(FACE * LESS_LEAN / rule.run / (1 + 0.5**2))
    assert rows(told) == {MATCHING: pytest.approx(by_hand, rel=0.02), PLACE: pytest.approx(rule.u_place)}


def test_each_toe_has_its_own_angle():
    """A roof of slope 1/2 on the left and of 1 on the right."""
    flat = on_a_plate()
    _, t = np.meshgrid(flat.chart.s, flat.chart.t)
    roof = np.minimum(np.where(t > 0, 0.5 * (HALF - t), HALF + t), 1.5)
    told = relief_measures(relief_of(flat.chart, np.where(flat.chart.face, roof, 0.0)), {})
    assert told["toe_angle_left_min"].value == pytest.approx(180 - math.degrees(math.atan(0.5)), abs=0.5)
    assert told["toe_angle_right_min"].value == pytest.approx(135.0, abs=0.5)


def test_crater_depth():
    told = relief_measures(on_a_plate(hollow=0.8), {})["crater_depth"]
    assert told.value == pytest.approx(0.8, abs=0.02)
    assert rows(told) == {
        MATCHING: pytest.approx(FACE * LESS_LEAN),
        # an even face before it, and what all its heights may be off by
        "level of the face": pytest.approx(
            math.hypot(ReliefFigures.read().crater.u_level, FACE * LESS_LEAN * U.mean_share), abs=1e-6
        ),
        BIAS: pytest.approx(U.bias * LESS_LEAN),
        FORM: pytest.approx(0.8 * ReliefFigures.read().crater.u_form, rel=0.03),
        SCALE: pytest.approx(0.8 * U_SCALE, rel=0.03),
    }


def test_a_crater_that_may_be_deeper_is_as_unsure():
    sure = on_a_plate(hollow=0.8)
    unsure = relief_measures(replace(sure, surface=replace(sure.surface, hollow_doubt=0.5)), {})["crater_depth"]
    assert rows(unsure)[DOUBTED_HOLLOW] == 0.25  # it reaches as far as U does


def test_a_crater_is_as_unsure_as_the_dome_it_lies_in():
    sure = on_a_plate(hollow=0.8)
    near_the_end = np.where(sure.chart.s > LENGTH - 2.5 * HALF, 0.6, 0.0)
    unsure = replace(sure, surface=replace(sure.surface, above=near_the_end, below=np.zeros_like(near_the_end)))
    assert rows(relief_measures(unsure, {})["crater_depth"])[RIVAL] == pytest.approx(0.3)
    assert RIVAL not in rows(relief_measures(sure, {})["crater_depth"])


def groove_of(depth: np.ndarray, u: np.ndarray) -> Groove:
    """One 0.9 mm wide, its deepest place 0.2 mm outside the toe."""
    return Groove(STATIONS, depth, u, np.full_like(depth, 0.2), np.full_like(depth, 0.9))


def test_depth_of_undercut():
    told = relief_measures(on_a_plate(), {"left": groove_of(NONE + 0.6, NONE + SURE)})["undercut_depth_left"]
    assert told.value == pytest.approx(0.6)
    assert rows(told) == {
        DOUBTED: pytest.approx(0.0, abs=1e-6),
        MATCHING: pytest.approx(SURE),
        GROOVE_FORM: U.groove_form,
        PLATE: pytest.approx(U.tie),
        PLACE: pytest.approx(U.extreme),
        SCALE: pytest.approx(0.6 * U_SCALE),
    }


def test_U_reaches_as_far_as_any_groove_that_is_not_excluded():
    """0.6 mm are told, and somewhere 0.5 of which 2 u reach down to 1.1."""
    vague = (STATIONS > 0.4 * LENGTH) & (STATIONS < 0.5 * LENGTH)
    groove = groove_of(np.where(vague, 0.5, 0.6), np.where(vague, 0.3, SURE))
    told = relief_measures(on_a_plate(), {"left": groove})["undercut_depth_left"]
    assert told.value == pytest.approx(0.6)
    reach = 2 * math.hypot(*(rows(told)[label] for label in (DOUBTED, MATCHING, GROOVE_FORM)))
    assert told.value + reach == pytest.approx(0.5 + 2 * math.hypot(0.3, U.groove_form))


def test_U_reaches_as_far_as_a_narrow_groove_whose_bottom_is_not_shown():
    """0.6 mm are told of a wide groove, 0.55 of a narrow one elsewhere."""
    narrow = (STATIONS > 0.4 * LENGTH) & (STATIONS < 0.5 * LENGTH)
    groove = replace(groove_of(np.where(narrow, 0.55, 0.6), NONE + SURE), width=np.where(narrow, 0.6, 0.9))
    told = relief_measures(on_a_plate(), {"left": groove})["undercut_depth_left"]
    assert told.value == pytest.approx(0.6)
    assert told.value + told.U > 0.55 + 2 * math.hypot(SURE, U.groove_form, U.groove_bottom * 0.55)


def test_where_the_photos_speak_for_no_depth_none_is_told():
    """Along more than a fifth of the toe they speak neither for a groove nor for there being none."""
    groove = groove_of(NONE, np.where(STATIONS < 0.5 * LENGTH, SURE, UNSURE))
    told = relief_measures(on_a_plate(), {"left": groove})["undercut_depth_left"]
    assert told.value is None
    assert "do not tell how deep" in told.why
    along = along_seam(on_a_plate(), {"left": groove})
    known = [depth is not None for depth in along.undercut_left_mm]
    assert known == [at < 0.5 * LENGTH for at in along.s_mm]


def test_undercut_that_is_surely_there_is_told_however_unsure_its_depth():
    """1.2 mm with a U of 1.0; of 0.8 mm there may as well be none."""
    there = STATIONS < 0.5 * LENGTH
    assert groove_of(np.where(there, 1.2, 0.8), NONE + 0.5).told.tolist() == there.tolist()


def test_the_bottom_of_a_narrow_groove_is_unsure():
    narrow = replace(groove_of(NONE + 0.6, NONE + SURE), width=NONE + 0.6)
    told = relief_measures(on_a_plate(), {"left": narrow})["undercut_depth_left"]
    assert rows(told)[GROOVE_FORM] == pytest.approx(math.hypot(U.groove_form, 0.6 * U.groove_bottom))


def test_a_depth_told_by_itself_where_round_about_none_is_told_is_not_believed():
    alone = np.abs(STATIONS - 0.3 * LENGTH) < 1.0
    stretch = STATIONS > 0.6 * LENGTH
    groove = groove_of(NONE, np.where(alone | stretch, SURE, UNSURE))
    assert groove.told.tolist() == stretch.tolist()


def test_what_may_lie_where_no_depth_is_told_is_not_left_out():
    """Along a tenth of the toe the photos do not say."""
    groove = groove_of(NONE, np.where(STATIONS < 0.1 * LENGTH, UNSURE, SURE))
    whole = replace(on_a_plate(), body=(0.0, LENGTH))
    told = relief_measures(whole, {"left": groove})["undercut_depth_left"]
    assert told.value == 0.0
    assert told.U > 2 * UNSURE
    along = along_seam(whole, {"left": groove})
    assert [depth is not None for depth in along.undercut_left_mm] == [at >= 0.1 * LENGTH for at in along.s_mm]


def test_a_place_that_only_one_photo_shows_has_no_height():
    whole = on_a_plate()
    shown = np.broadcast_to(whole.chart.s < 0.5 * LENGTH, whole.surface.height.shape)
    half = replace(whole, surface=replace(whole.surface, shown=shown))
    assert seen_share(whole) == 1.0
    assert seen_share(half) == pytest.approx(0.5, abs=0.01)
    assert relief_measures(half, {})["height_max"].value is None


def test_depth_along_the_seam_is_as_unsure_as_its_odds():
    groove = groove_of(NONE, np.where(STATIONS < LENGTH / 2, 2 * SURE, SURE))
    along = along_seam(on_a_plate(), {"left": groove})
    at, told = np.array(along.s_mm), np.array(along.U_mm["undercut_left_mm"], float)
    assert told[at < LENGTH / 2 - 2] == pytest.approx(2 * math.hypot(2 * SURE, U.groove_form), abs=0.002)
    assert told[at > LENGTH / 2 + 2] == pytest.approx(2 * math.hypot(SURE, U.groove_form), abs=0.002)


def test_the_map_s_height_in_a_groove_is_as_unsure_as_its_depth():
    whole = on_a_plate()
    taken, u = carved(whole.chart, {"left": groove_of(NONE + 0.6, NONE + 0.3)})
    told = u_height(replace(whole, surface=replace(whole.surface, carved=taken, u_carved=u)))
    deep = taken > 0.5
    assert deep.any()
    assert told[deep] == pytest.approx(math.hypot(0.3, U.groove_form))
    assert (told[taken == 0] == u_height(whole)[taken == 0]).all()


def test_a_fillet_s_convexity_and_throat():
    """Plates at a right angle, toes 4 mm up and 4 mm aside: the chord lies 4 mm over the root."""
    told = relief_measures(in_a_corner(), {})
    assert told["convexity_max"].value == pytest.approx(0.4 + U.peak, abs=0.01)
    assert rows(told["convexity_max"]) == {
        MATCHING: pytest.approx(FACE * LESS_LEAN),
        BIAS: pytest.approx(U.bias_fillet * LESS_LEAN),
        PLATE: pytest.approx(U.tie),
        PLACE: pytest.approx(U.extreme),
        SMOOTHED: pytest.approx(U.u_peak),
        SCALE: pytest.approx(0.4 * U_SCALE, rel=0.03),
    }
    # at either toe the plate rises by 45 degrees over the chord's plane and the face by 0.4 in 4 mm
    for side in ("left", "right"):
        expected = 180.0 - 45.0 - math.degrees(math.atan(0.1))
        assert told[f"toe_angle_{side}_min"].value == pytest.approx(expected, abs=1.5)  # the grid rounds the toe
    # the line from (0, 4.4) to (4, 4): nearest to the root where it is met squarely
    nearest = 4.4 / math.hypot(1.0, 0.1)
    assert told["throat_actual_min"].value == pytest.approx(nearest, abs=0.02)
    assert rows(told["throat_actual_min"]) == {
        MATCHING: pytest.approx(FACE * LESS_LEAN),
        BIAS: pytest.approx(U.bias_fillet * LESS_LEAN),
        "root line": pytest.approx(ReliefFigures.read().throat.u_root),
        PLACE: pytest.approx(U.extreme),
        SCALE: pytest.approx(nearest * U_SCALE, rel=0.01),
    }


def a_bead() -> Bead:
    s = tuple(np.arange(0.0, LENGTH + 0.1, 0.25).tolist())
    left, right = (tuple((x, y) for x in s) for y in (-HALF, HALF))
    px = {f"{side}_toe_px": tuple((10 * x, 10 * y) for x, y in toe) for side, toe in (("left", left), ("right", right))}
    return Bead(found=True, s=s, left_toe=left, right_toe=right, **px)


def seen(side: str, begin: float, end: float) -> Indication:
    return Indication.model_validate({"kind": "undercut", "side": side, "from": begin, "to": end, "confidence": 0.7})


def test_undercut_that_only_its_depth_shows_is_found():
    """0.6 mm deep with a standard uncertainty of 0.1 and the form's from 8 to 16 mm along the left toe."""
    deep = (STATIONS > 8.0) & (STATIONS < 16.0)
    grooves = {"left": groove_of(np.where(deep, 0.6, 0.0), NONE + SURE), "right": groove_of(NONE, NONE + SURE)}
    (found,) = undercut_by_depth(on_a_plate(), grooves, a_bead(), (seen("right", 8.0, 16.0),))
    assert (found.side, found.iso6520) == ("left", "5012")
    assert (found.from_, found.to) == (pytest.approx(8.0, abs=0.6), pytest.approx(16.0, abs=0.6))  # a station is 0.5
    assert found.at == (pytest.approx(12.0, abs=0.3), -HALF)
    assert found.at_px == (pytest.approx(120.0, abs=3.0), -10 * HALF)
    assert found.confidence == pytest.approx(0.977, abs=1e-3)  # one-sided normal, 2 standard deviations
    assert found.plate is None


@pytest.mark.parametrize(("side", "plate"), [("left", "base"), ("right", "upright")])
def test_undercut_found_on_a_fillet_names_its_plate(side, plate):
    """Its base plate lies to the left of travel."""
    grooves = {side: groove_of(NONE + 0.6, NONE + SURE)}
    (found,) = undercut_by_depth(replace(on_a_plate(), side=1), grooves, a_bead(), ())
    assert found.plate == plate


@pytest.mark.parametrize(
    ("depth", "u", "shown"),
    [
        (0.6, SURE, (seen("left", 7.0, 17.0),)),  # the face photo shows it
        (0.6, SURE, (seen("left", 11.0, 13.0),)),  # what is left of it is too short to be told from chance
        (0.2, SURE, ()),  # within its own U
        (0.6, UNSURE, ()),
    ],
)
def test_undercut_that_is_shown_already_or_not_surely_there_is_not_found_by_depth(depth, u, shown):
    deep = (STATIONS > 8.0) & (STATIONS < 16.0)
    grooves = {"left": groove_of(np.where(deep, depth, 0.0), np.where(deep, u, SURE))}
    assert undercut_by_depth(on_a_plate(), grooves, a_bead(), shown) == ()


def test_the_length_of_undercut_holds_what_its_depth_shows():
    measures = {f"undercut_length_{name}": Quantity(value=v, U=9.0) for name, v in (("left", 0.0), ("total", 5.0))}
    told = with_lengths(measures, (seen("left", 8.0, 16.0),))
    assert {name: (q.value, q.U) for name, q in told.items()} == {
        "undercut_length_left": (8.0, 9.0),
        "undercut_length_total": (13.0, 9.0),
    }
    assert with_lengths(measures, ()) == {}
