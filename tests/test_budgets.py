"""Every row of every budget, worked by hand on a drawn case. Settings are read from the data files; what is made of
them is worked out here."""

from __future__ import annotations

import dataclasses
import math
from statistics import NormalDist

import numpy as np
import pytest

from card_scene import View
from drawn_beads import STEP, Drawing, FlatFrame, Spoil, draw
from test_fillet import PAPER, fillet_in, scene
from test_measures import bead_of
from test_plate import known_camera, seen_card
from toeline.geometry.figures import CardFigures, FilletFigures
from toeline.geometry.fillet_one_card import fillet_from_one_card
from toeline.geometry.fillet_two_cards import fillet_from_cards
from toeline.geometry.plate import plate_from_card, print_scale
from toeline.geometry.pose_fit import fit_cards
from toeline.measures.body import body_of
from toeline.measures.figures import IndicationFigures, MeasureFigures
from toeline.measures.indications import find_indications
from toeline.measures.legs import measure_fillet
from toeline.measures.width_and_edges import measure_bead
from toeline.result import Indication, Quantity
from toeline.trace.figures import RippleFigures
from toeline.trace.ripples import Ripples

N = 401  # stations: 100 mm
S = STEP * np.arange(N)
EVEN = np.full(N, 4.0)
TOE, END = MeasureFigures.read().toe, MeasureFigures.read().end
CREST, RISE = RippleFigures.read().crest, RippleFigures.read().rise
RIPPLES = Ripples(np.arange(1.0, 99.0, 2.0), np.ones(49), 0.6, 0.02, 5.0, 0.5)
EXACT = FlatFrame(u_scale=0.0)


def budget(q: Quantity) -> dict[str, float]:
    """Rows by label; each label once, and U twice their root sum of squares."""
    rows = {row.label: row.u for row in q.budget}
    assert len(rows) == len(q.budget)
    assert pytest.approx(2 * math.sqrt(sum(u * u for u in rows.values()))) == q.U
    return rows


def measured(left=EVEN, right=-EVEN, ripples=RIPPLES, indications=(), **more):
    return measure_bead(bead_of(left, right, **({"frame": EXACT, "u": 0.0} | more)), indications, ripples)


# --- length and widths


def test_length_has_two_ends():
    rows = budget(measured()["length"])
    assert rows == {"bead ends": pytest.approx(math.sqrt(2) * END.u)}


def test_print_scale_stretches_lengths_and_leaves_ratios():
    m = measured(frame=FlatFrame(u_scale=0.01))
    assert budget(m["length"])["print scale"] == pytest.approx(1.0)
    assert budget(m["width_mean"])["print scale"] == pytest.approx(0.08)
    assert budget(m["ripple_pitch"])["print scale"] == pytest.approx(0.02)
    assert budget(m["length_to_width"]).get("print scale", 0.0) == pytest.approx(0.0, abs=1e-6)


def test_length_to_width_has_the_ends_of_the_length_and_the_toes_of_the_width():
    m = measured(u=0.1)
    rows, width = budget(m["length_to_width"]), budget(m["width_mean"])
    assert rows["bead ends"] == pytest.approx(math.sqrt(2) * END.u / 8.0)
    for label in ("toe localisation", "toe reader"):
        assert rows[label] == pytest.approx(12.5 * width[label] / 8.0)


def test_the_reader_draws_both_toes_out_or_each_alone():
    # both outwards by b and each by its share of 0.1 mm: the width changes by 2 b, by one share and by the other
    own = TOE.bias_share * 0.1
    m = measured(u=0.1)
    expected = math.sqrt((2 * TOE.bias_u) ** 2 + 2 * own**2)
    for name in ("width_mean", "width_min", "width_max"):
        assert budget(m[name])["toe reader"] == pytest.approx(expected), name


def test_toe_localisation_of_a_mean_is_that_of_correlated_noise():
    # the mean of n stations whose noise falls off by e over the correlation length: u² (Σ rho^|i-j|) / n², two toes
    u = TOE.noise_share * 0.1
    n = int(((S >= 8.0) & (S <= 92.0)).sum())
    rho = np.exp(-STEP * np.abs(np.subtract.outer(np.arange(n), np.arange(n))) / TOE.correlation)
    expected = math.sqrt(2 * u * u * rho.sum()) / n
    assert budget(measured(u=0.1)["width_mean"])["toe localisation"] == pytest.approx(expected, rel=0.15)


def test_noise_correction_lies_between_none_and_the_most():
    # a sine of 0.4 mm in one toe: the variance of the width is 0.08 mm², to which noise adds two toes' u²
    wave = 0.4 * np.sin(2 * np.pi * S / 4.2)  # 20 waves in the body of 84 mm
    m = measured(4.0 + wave, u=0.1)
    added, most = 2 * (TOE.noise_share * 0.1) ** 2, (TOE.noise_most / TOE.noise_share) ** 2
    assert m["width_sd"].value == pytest.approx(math.sqrt(0.08 - TOE.noise_net * added), rel=0.02)
    expected = (math.sqrt(0.08) - math.sqrt(0.08 - most * added)) / 2
    assert budget(m["width_sd"])["noise correction"] == pytest.approx(expected, rel=0.2)


def test_bead_ends_move_what_the_body_is():
    # a width that grows by 0.02 per mm: the body's start later by d adds d/2 of that to its mean, its end too
    slope = 0.02
    m = measured(4.0 + slope * S / 2, -4.0 - slope * S / 2)
    lo, hi = body_of(bead_of(4.0 + slope * S / 2, -4.0 - slope * S / 2))
    shift = []
    for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        inside = S[(lo + a * END.u <= S) & (hi + b * END.u >= S)]
        shift.append(slope * (inside.mean() - S[(lo <= S) & (hi >= S)].mean()))
    assert budget(m["width_mean"])["bead ends"] == pytest.approx(math.sqrt(np.square(shift).sum() / 2), rel=1e-6)
    assert budget(m["width_mean"])["bead ends"] == pytest.approx(slope * END.u / math.sqrt(2), rel=0.3)


def test_the_start_has_the_rows_of_a_width_and_its_own_ends():
    m = measured(u=0.1, frame=FlatFrame(u_scale=0.01))
    own = TOE.bias_share * 0.1
    rows, ratio = budget(m["start_width"]), budget(m["start_to_width"])
    assert rows["toe reader"] == pytest.approx(math.sqrt((2 * TOE.bias_u) ** 2 + 2 * own**2))
    assert rows["print scale"] == pytest.approx(0.08)
    assert "print scale" not in ratio  # it stretches start and body alike
    # from 0.3 to 1 width of 8 mm: 5.6 mm of correlated noise of two toes
    u, n = TOE.noise_share * 0.1, m["start_width"].n
    rho = np.exp(-STEP * np.abs(np.subtract.outer(np.arange(n), np.arange(n))) / TOE.correlation)
    assert rows["toe localisation"] == pytest.approx(math.sqrt(2 * u * u * rho.sum()) / n, rel=0.2)
    # a start that widens by 0.1 a mm: later by d, wider by 0.1 d
    widens = measured(4.0 + 0.05 * np.minimum(S, 40.0), -4.0 - 0.05 * np.minimum(S, 40.0))
    assert budget(widens["start_width"])["bead ends"] == pytest.approx(0.1 * END.u, rel=0.3)


# --- the plate's own sources


def square_on(**said):
    """A plate seen square on from about 200 mm, its card 0.2 mm above it."""
    view = View(at=(0.0, 0.0, 200.0))
    return view, plate_from_card(seen_card(view), known_camera(view, 1e-9), **said)


def test_card_height_and_print_scale_reach_every_length():
    # paper h thicker brings the plate h further off: lengths grow by h / 200; a print scale is a share of all
    _, plate = square_on()
    usual = CardFigures.read().print
    assert (plate.thickness_mm, usual.u_thickness, usual.u_unmeasured) == (0.20, 0.08, 0.01)
    bead = bead_of(EVEN, -EVEN, u=0.0, frame=plate)
    rows = budget(measure_bead(bead, (), RIPPLES)["length"])
    assert rows["card height"] == pytest.approx(100.0 * usual.u_thickness / 200.0, rel=0.01)
    assert rows["print scale"] == pytest.approx(100.0 * usual.u_unmeasured, rel=0.01)
    _, told = square_on(check_line_mm=50.0, thickness_mm=0.1)
    rows = budget(measure_bead(bead_of(EVEN, -EVEN, u=0.0, frame=told), (), RIPPLES)["length"])
    assert rows["card height"] == pytest.approx(100.0 * usual.u_known_thickness / 200.0, rel=0.01)
    assert rows["print scale"] == pytest.approx(100.0 * print_scale(50.0).u, rel=0.01)


def test_a_measured_print_scale_has_the_readers_and_the_callipers_doubt():
    # read to 0.04 mm with a vernier of 0.05 mm: the root of 0.04² + 0.05²/12 over 50 mm (JCGM 100:2008, F.2.2.1)
    assert print_scale(50.0).u == pytest.approx(math.sqrt(0.04**2 + 0.05**2 / 12) / 50.0)


def test_the_scale_of_a_photo_has_the_rows_of_its_lengths():
    # seen square on from Z: f / Z px a mm, so a print scale takes its own share and paper h thicker takes h / Z
    view, plate = square_on()
    scale = plate.px_per_mm(np.array([40.0, 25.0]))
    usual = CardFigures.read().print
    assert scale.value == pytest.approx(view.focal / 200.2, rel=1e-3)
    rows = budget(scale)
    assert rows["print scale"] == pytest.approx(scale.value * usual.u_unmeasured, rel=1e-3)
    assert rows["card height"] == pytest.approx(scale.value * usual.u_thickness / 200.0, rel=0.01)


@pytest.mark.parametrize("turn", [(0.35, -0.2, 0.4), (0.002, 0.001, 0.0)], ids=["aslant", "nearly square on"])
def test_the_tilt_has_the_rows_of_the_cards_turn(turn):
    """Against the pose turned by each mode; along the lean by a turn of one angle the tilt grows by that angle."""
    view = View(turn=turn, at=(5.0, -3.0, 200.0))
    plate = plate_from_card(seen_card(view, u=0.06), known_camera(view, 1e-9), 50.0)
    tilt = plate.tilt
    assert tilt.value == pytest.approx(view.tilt_deg, abs=0.01)
    normal = plate.card_pose.rotation[:, 2]
    axis = np.cross([0.0, 0.0, 1.0], normal)
    axis /= np.linalg.norm(axis)  # what the plate leans about
    along = np.degrees(plate.modes["corners"][:, 5:8] @ axis)
    assert budget(tilt)["corners"] == pytest.approx(np.linalg.norm(along), rel=1e-3)
    assert "print scale" not in budget(tilt)


def test_each_source_moves_the_plate_as_it_moves_the_fit():
    """What a prior of the camera one standard uncertainty off, or a corner, does to a place: by fitting anew."""
    view = View(turn=(0.35, -0.2, 0.4), at=(5.0, -3.0, 200.0))
    u = np.array([0.01 * view.focal, 3.0, 3.0, 0.01, 0.004])
    camera = dataclasses.replace(known_camera(view), covariance=np.diag(u**2))
    card = seen_card(view, u=0.06)
    at = plate_from_card(card, camera, 50.0)
    px = view.project(np.array([[90.0, 60.0], [-30.0, 20.0]]))
    modes = at.error_modes(px)

    def moved(camera=camera, card=card):
        return plate_from_card(card, camera, 50.0).to_mm(px) - at.to_mm(px)

    small = 0.05  # of a standard uncertainty, for first order
    off = [
        moved(camera=dataclasses.replace(camera, parameters=camera.parameters + small * e * u)) / small
        for e in np.eye(5)
    ]
    assert modes["focal length"][0] == pytest.approx(off[0], rel=0.02, abs=1e-3)
    for mode, shift in zip(modes["lens"], off[1:], strict=True):
        assert mode == pytest.approx(shift, rel=0.03, abs=1e-3)
    by_corner = []
    for k in range(16):
        for axis in (0, 1):
            corners = card.corners_px.copy()
            corners[k, axis] += small * 0.06
            by_corner.append(moved(card=dataclasses.replace(card, corners_px=corners)) / small)
    true = np.sqrt(np.square(by_corner).sum(axis=0))
    said = np.sqrt(np.square(modes["corners"]).sum(axis=0))
    assert np.all(said > 0.97 * true)  # the ink gain's prior is its part of the corners' row too
    assert np.all(said < 1.5 * true)


def test_corners_that_do_not_fit_widen_their_row():
    view = View(turn=(0.35, -0.2, 0.4))
    rng = np.random.default_rng(3)
    honest, rough = seen_card(view, u=0.05), seen_card(view, u=0.05)
    rough = dataclasses.replace(rough, corners_px=rough.corners_px + rng.normal(0, 0.25, (16, 2)))
    fits = [fit_cards([card], known_camera(view)) for card in (honest, rough)]
    assert fits[0].misfit < 0.1
    assert fits[1].misfit == pytest.approx(5.0, rel=0.35)
    widened = np.linalg.norm(fits[1].modes["corners"]) / np.linalg.norm(fits[0].modes["corners"])
    assert widened == pytest.approx(fits[1].misfit, rel=0.1)


# --- ripples


class Viewed(FlatFrame):
    """Seen from straight above the middle of the bead, 200 mm up."""

    camera_centre_mm = np.array([70.0, 60.0, 200.0])


class Aslant(FlatFrame):
    """Seen from 100 mm behind the middle of the bead."""

    camera_centre_mm = np.array([-30.0, 60.0, 200.0])


def test_pitch_comes_nearer_to_the_camera_with_the_face():
    # a face 0.15 of its 8 mm high is 1.2 mm nearer of 200 mm: it looks larger by 0.6 %
    q = measured(frame=Viewed(u_scale=0.0))["ripple_pitch"]
    assert (RISE.height, RISE.u_height) == (0.15, 0.07)
    assert q.value == pytest.approx(2.0 * (1 - 0.15 * 8.0 / 200.0))
    assert budget(q)["height of the face"] == pytest.approx(q.value * 0.07 * 8.0 / 200.0)
    unviewed = measured()["ripple_pitch"]
    assert unviewed.value == pytest.approx(2.0)
    assert budget(unviewed)["height of the face"] == pytest.approx(2.0 * RISE.unviewed_u)


def test_an_apex_seen_from_behind_lies_less_far_ahead():
    # seen from 100 mm behind, what stands 1.2 mm high looks 0.6 mm further ahead, 0.15 of the half width
    above, behind = (measured(frame=frame(u_scale=0.0))["ripple_sharpness"] for frame in (Viewed, Aslant))
    assert above.value == pytest.approx(0.6)
    assert behind.value == pytest.approx(0.6 + 0.6 / 4.0)
    assert budget(behind)["height of the face"] == pytest.approx(0.07 * 8.0 / 200.0 * 100.0 / 4.0)


def test_sharpness_has_the_crests_shape_and_the_light():
    rows = budget(measured()["ripple_sharpness"])
    assert rows["crest shape"] == pytest.approx(0.02)
    assert rows["light on the slopes"] == pytest.approx(math.hypot(RISE.u, RISE.u_pitch * 2.0 / 4.0))


def test_pitch_rows_of_uneven_ripples():
    # gaps of 1.9 and 2.1 in turn over the body of 84 mm, two crests hardly seen
    s = 8.0 + np.concatenate([[0.0], np.cumsum(np.tile([1.9, 2.1], 20))])
    n, sd = len(s), float(np.tile([1.9, 2.1], 20).std(ddof=1))
    reward = np.where(np.arange(n) < 2, -0.5, 1.0)
    m = measured(ripples=Ripples(s, reward, 0.6, 0.02, 5.0, 0.5))
    u, seen = CREST.u, 2.0
    miscount = math.hypot(CREST.count_u * math.sqrt(2), CREST.uneven_u * (sd / seen) ** 2 * n)
    rows = budget(m["ripple_pitch"])
    assert rows["crest localisation"] == pytest.approx(math.sqrt(2) * u / (n - 1))
    assert rows["crest count"] == pytest.approx(2.0 * miscount / (n - 1))
    assert rows["bead ends"] == pytest.approx(sd / (n - 1))
    assert set(rows) == {"crest localisation", "crest count", "bead ends", "height of the face"}
    net = math.sqrt(max(sd**2 - 2 * u**2, 0.0))
    near = max(net, u)
    rows = budget(m["ripple_variation"])
    assert m["ripple_variation"].value == pytest.approx(net / seen)
    assert rows["crest localisation"] == pytest.approx(math.sqrt(2 / n) * u / seen)
    assert rows["noise correction"] == pytest.approx(u**2 / near / seen)
    assert rows["crest count"] == pytest.approx(seen * miscount / (2 * n * near))
    assert rows["near-even chain"] == pytest.approx(CREST.variation_u * near / seen)
    assert rows["bead ends"] == pytest.approx(sd / math.sqrt(2 * n) / seen * math.sqrt(2 / n))


# --- indications


def undercut(side: str, begin: float, end: float) -> Indication:
    return Indication.model_validate({"kind": "undercut", "side": side, "from": begin, "to": end, "confidence": 0.9})


def ball(d: float, sure: float) -> Indication:
    size = Quantity(value=d, U=0.4)
    return Indication.model_validate({"kind": "spatter", "from": 9.0, "to": 9.0, "size": size, "confidence": sure})


def test_undercut_lengths_have_their_ends_and_what_is_too_short():
    rule = IndicationFigures.read().undercut
    found = [undercut("left", 10, 25), undercut("left", 40, 45), undercut("right", 50, 60)]
    m = measured(indications=found)
    short = rule.least / math.sqrt(3)  # rectangular: nothing shorter is reported (JCGM 100:2008, 4.3.7)
    for name, runs in (("left", 2), ("right", 1), ("total", 3)):
        rows = budget(m[f"undercut_length_{name}"])
        assert rows["ends of the runs"] == pytest.approx(rule.u_end * math.sqrt(2 * runs))
        assert rows["too short to be told"] == pytest.approx(short)
        assert "whether it is there" not in rows  # where the reader is sure
    assert {r.label: r.distribution for r in m["undercut_length_left"].budget}["too short to be told"] == "rectangular"


def test_where_the_reader_wavers_on_both_toes_both_are_doubted():
    # 4 chances in 10 along 30 mm of the left toe alone: nothing on the right, and the total doubts as the left
    along = np.arange(-10.0, 110.0, 0.1)
    m = measured(groove=0.4 * ((along > 30) & (along < 60)))
    left, right, total = (budget(m[f"undercut_length_{k}"]) for k in ("left", "right", "total"))
    alike = IndicationFigures.read().undercut.alike
    area = 2 * alike * 30 - 2 * alike**2 * (1 - math.exp(-30 / alike))  # double integral of exp(-|x - y| / alike)
    assert left["whether it is there"] == pytest.approx(math.sqrt(0.4 * 0.6 * area), rel=0.05)
    assert "whether it is there" not in right
    assert total["whether it is there"] == pytest.approx(left["whether it is there"])


def test_what_the_reader_is_mistaken_about_along_one_toe_it_is_along_the_other_too():
    """Undercut that may be there along both: of x + y the variance is u² + u² + 2 r u u (JCGM 100:2008, 5.2.2)."""
    bead = bead_of(EVEN, -EVEN, frame=EXACT, u=0.0, groove=0.4)
    shown = bead.band.maps["undercut"]
    bead.band.maps["undercut"] = np.maximum(shown, shown[::-1])
    m = measure_bead(bead, (), RIPPLES)
    left, right, total = (budget(m[f"undercut_length_{k}"])["whether it is there"] for k in ("left", "right", "total"))
    assert right == pytest.approx(left)
    assert total == pytest.approx(left * math.sqrt(2 + 2 * IndicationFigures.read().undercut.both_toes))


def test_spatter_near_the_size_that_counts_is_a_matter_of_chance():
    # balls of 0.8 mm count: one of 0.8 is there with 1 in 2; one of 0.9 with Phi(0.1 / u); one of 3 counts
    rule = IndicationFigures.read().spatter
    assert rule.counted == 0.8
    m = measured(indications=[ball(0.8, 1.0), ball(0.9, 1.0), ball(3.0, 1.0), ball(3.0, 0.8)])
    assert m["spatter_count"].value == 4
    rows = budget(m["spatter_count"])
    u = {d: math.hypot(rule.u, rule.u_relative * d) for d in (0.8, 0.9)}
    normal = NormalDist().cdf
    chances = [0.5, normal(0.1 / u[0.9]), 1.0, 0.8]
    assert rows["balls near the size that counts"] == pytest.approx(
        math.sqrt(sum(p * (1 - p) for p in chances)), rel=1e-3
    )
    # all of them 0.15 mm larger or smaller than drawn: how many count then, half the difference
    assert rule.u_alike == 0.15
    more, fewer = (sum(normal((d + off - 0.8) / u[d]) for d in u) for off in (0.15, -0.15))
    assert rows["all balls of the photo alike"] == pytest.approx((more - fewer) / 2, rel=1e-3)
    assert rows["balls missed, or taken for one"] == pytest.approx(rule.missed + 4 * rule.missed_share)
    per = budget(m["spatter_per_100mm"])
    assert m["spatter_per_100mm"].value == pytest.approx(4.0)
    assert per == {k: pytest.approx(v) for k, v in rows.items()}
    half = measure_bead(bead_of(EVEN[:201], -EVEN[:201], frame=EXACT), [ball(2.0, 1.0)], RIPPLES)
    assert half["spatter_per_100mm"].value == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("kind", "drawing", "label", "value"),
    [
        ("spatter", {"spatter": [(30.0, 10.0, 2.0)]}, "edge of the spot", 2.0),
        ("pore", {"pores": [(40.0, 0.0, 2.0)]}, "edge of the spot", 2.0),
        ("slag_left", {"slag": [(40.0, 0.0, 4.0, 2.0)]}, "edge of the spot", 4.0),
        ("arc_strike", {"arc_strikes": [(60.0, -12.0, 3.0)]}, "edge of the spot", 3.0),
        ("crater_unfilled", {"crater": (74.0, 5.0, False)}, "edge of the hollow", 5.0),
    ],
)
def test_a_size_has_a_fixed_and_a_relative_doubt(kind, drawing, label, value):
    rule = getattr(IndicationFigures.read(), kind)
    bead = draw(Drawing(length=80.0, crests=np.arange(1.0, 79.0, 1.8), **drawing), Spoil(), reach=22.0)
    (seen,) = (i for i in find_indications(bead) if i.kind == kind)
    size = seen.size.value
    assert size == pytest.approx(value, rel=0.2)
    alike = {"all balls of the photo alike": pytest.approx(rule.u_alike)} if kind == "spatter" else {}
    assert budget(seen.size) == {label: pytest.approx(math.hypot(rule.u, rule.u_relative * size)), **alike}


def test_sizes_along_a_toe_and_of_a_crack():
    drawing = {"undercut": [("left", 15, 35, 1.0)], "crater": (74.0, 5.0, True)}
    bead = draw(Drawing(length=80.0, crests=np.arange(1.0, 79.0, 1.8), **drawing), Spoil(), reach=22.0)
    by_kind = {i.kind: i for i in find_indications(bead)}
    u_width = IndicationFigures.read().undercut.u_width
    assert budget(by_kind["undercut"].size)["edges of the map"] == pytest.approx(u_width)
    crack = by_kind["crater_crack"].size
    assert budget(crack) == {"ends of the crack": pytest.approx(0.3 + 0.1 * crack.value)}


def test_the_doubt_along_a_run_is_that_of_so_many_independent_places():
    # a groove half as wide over its second half: the widths' own spread over the root of 20 mm in pieces of 2 mm
    drawing = {"undercut": [("left", 15, 25.2, 1.2), ("left", 25, 35, 0.6)]}
    bead = draw(Drawing(length=80.0, crests=np.arange(1.0, 79.0, 1.8), **drawing), Spoil(), reach=22.0)
    (seen,) = (i for i in find_indications(bead) if i.kind == "undercut")
    assert budget(seen.size)["along the run"] == pytest.approx(0.3 / math.sqrt(10), rel=0.2)


def test_an_irregular_width_has_the_doubt_of_its_two_places():
    def swelling(s):
        return 4.5 * np.sqrt(np.clip(np.minimum(s, 80 - s) / 4.5, 0, 1)) + 0.9 * np.sin(2 * np.pi * s / 30)

    bead = draw(Drawing(length=80.0, left=swelling, right=lambda s: -swelling(s)), Spoil(), reach=12.0)
    (seen,) = (i for i in find_indications(bead) if i.kind == "irregular_width")
    # both toes at both places, 0.02 mm each
    assert budget(seen.size) == {"toe localisation": pytest.approx(2 * 0.02, rel=0.02)}


# --- fillets


def square_fillet(u: float = 0.1):
    """A traced fillet with legs of 6 and 8 mm, and its measures."""
    joint = scene(angle_deg=90.0)
    frame = joint.frame()
    bead = fillet_in(joint, frame, np.full(320, 6.0), np.full(320, 8.0))
    bead = dataclasses.replace(bead, u_left=np.full(320, u), u_right=np.full(320, u))
    return joint, frame, measure_fillet(frame, bead)


def test_fillet_rows_of_the_reader():
    _, _, m = square_fillet()
    both, own = TOE.bias_u, TOE.bias_share * 0.1
    for name in ("leg_base", "leg_upright", "leg_base_min", "leg_upright_max"):
        assert budget(m[name])["toe reader"] == pytest.approx(math.hypot(both, own), rel=1e-3), name
    # legs differ by what the reader draws of each alone: what is common to both cancels
    assert budget(m["leg_inequality"])["toe reader"] == pytest.approx(math.sqrt(2) * own, rel=1e-3)
    # the throat of legs a, b square to each other is a b / c, c² = a² + b²: d/da = b³/c³, d/db = a³/c³
    by_base, by_upright = 0.512, 0.216
    by_hand = math.sqrt((both * (by_base + by_upright)) ** 2 + (own * by_base) ** 2 + (own * by_upright) ** 2)
    assert budget(m["throat"])["toe reader"] == pytest.approx(by_hand, rel=1e-3)
    # the face is c: d/da = a/c, d/db = b/c
    by_hand = math.sqrt((both * 1.4) ** 2 + (own * 0.6) ** 2 + (own * 0.8) ** 2)
    assert budget(m["face_width"])["toe reader"] == pytest.approx(by_hand, rel=1e-3)
    assert "toe reader" not in budget(m["joint_angle"])


def test_fillet_toe_localisation_is_that_of_correlated_noise():
    _, _, m = square_fillet()
    u, n = TOE.noise_share * 0.1, m["leg_base"].n
    rho = np.exp(-STEP * np.abs(np.subtract.outer(np.arange(n), np.arange(n))) / TOE.correlation)
    expected = u * math.sqrt(rho.sum()) / n
    for name in ("leg_base", "leg_upright"):
        assert budget(m[name])["toe localisation"] == pytest.approx(expected, rel=0.12)
    assert budget(m["leg_inequality"])["toe localisation"] == pytest.approx(math.sqrt(2) * expected, rel=0.12)


def test_what_two_cards_of_a_fillet_share_and_what_each_has_alone():
    joint, frame, _ = square_fillet()
    usual, cards = CardFigures.read().print, FilletFigures.read().cards
    toes = frame.to_px(np.array([[0.0, 6.0], [0.0, -8.0]]))
    moves = frame.error_modes(toes)
    scale, pose = frame.plate.print_scale, frame.plate.card_pose
    # a print scale common to both stretches both legs
    assert np.abs(moves["print scale"][0, :, 1]) == pytest.approx(
        np.array([6.0, 8.0]) * scale.u / scale.value, rel=1e-3
    )
    # card A's own scale and height push the base plate off along its normal: the upright's leg is as much longer
    off = cards.u_print_apart * scale.value * float(pose.place @ pose.rotation[:, 2])
    assert abs(moves["print scale"][1, 1, 1]) == pytest.approx(off, rel=0.01)
    assert abs(moves["card height"][1, 1, 1]) == pytest.approx(cards.u_height_apart, rel=0.01)
    assert abs(moves["card height"][2, 0, 1]) == pytest.approx(cards.u_height_apart, rel=0.01)
    # paper thicker by h on both: each plate h further off, the root by h along both, and legs as the eye then sees them
    h = usual.u_known_thickness
    thicker = fillet_from_cards((joint.card(0), joint.card(1)), joint.camera, joint.check_line, PAPER + h)
    assert moves["card height"][0, :, 1] == pytest.approx((thicker.to_mm(toes) - frame.to_mm(toes))[:, 1], abs=1e-4)


def test_the_joint_angle_has_the_rows_of_the_wedge():
    _, frame, m = square_fillet()
    turns = {label: float(np.degrees(np.linalg.norm(rows[:, -1]))) for label, rows in frame.modes.items()}
    assert m["joint_angle"].value == pytest.approx(90.0, abs=1e-6)
    for label, u in budget(m["joint_angle"]).items():
        assert u == pytest.approx(turns[label])


def test_a_stated_angle_and_root_line_are_rows_of_the_legs():
    # square joint, card on the base: the root line nearer by u makes the base leg longer by u, and the rest as they do
    joint = scene()
    plate = plate_from_card(joint.card(0), joint.camera, joint.check_line, PAPER)
    root = joint.to_px(np.array([[-35.0, 0.0], [35.0, 0.0]]))
    frame = fillet_from_one_card(plate, root, float(np.degrees(joint.angle)))
    rules = FilletFigures.read().one_card
    bead = fillet_in(joint, joint.frame(), np.full(320, 6.0), np.full(320, 6.0))
    m = measure_fillet(frame, bead)
    rows, upright = budget(m["leg_base"]), budget(m["leg_upright"])
    middle = rules.u_root_mm / math.sqrt(2)  # both ends of the line, seen half way between them
    assert rows["root line"] == pytest.approx(middle, rel=0.3)
    # an angle wider by d turns the upright away: its leg is read off where the same line of sight meets it
    wider = fillet_from_one_card(plate, root, float(np.degrees(joint.angle)) + rules.u_angle)
    toe = joint.to_px(np.array([[0.0, -6.0]]))
    turned = (wider.to_mm(toe) - frame.to_mm(toe))[0, 1]
    assert upright["stated angle"] == pytest.approx(abs(turned), rel=0.05)
    assert rows.get("stated angle", 0.0) < 1e-6
