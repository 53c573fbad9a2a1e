"""Measures of beads drawn with exact answers: values, noise taken out, budgets, and what cannot be had."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drawn_beads import STEP, Drawing, FlatFrame, Spoil, correlated, draw
from toeline.measures.indications import find_indications
from toeline.measures.toe_errors import scatter
from toeline.measures.width_and_edges import measure_bead, moving_mean
from toeline.result import Indication, Quantity
from toeline.trace.band import Band
from toeline.trace.ripples import Ripples

RIPPLES = Ripples(np.arange(1.0, 99.0, 2.0), np.ones(49), 0.6, 0.02, 5.0, 0.5)


def bead_of(
    left, right, *, u=0.02, frame=None, start_seen=True, end_seen=True, seam=None, direction=(1.0, 0.0), groove=0.0
):
    """A traced bead: offsets (N,) at 0.25 mm stations; ``seam`` a function s -> (N, 2) surface points; ``groove`` the
    chance (L,), every 0.1 mm from 10 mm before the start, with which an undercut shows beside the left toe."""
    n = len(left)
    s = STEP * np.arange(n)
    along = np.arange(s[0] - 10, s[-1] + 10, 0.1)
    d = np.array(direction)
    points = seam(along) if seam else np.array([20.0, 60.0]) + along[:, None] * d
    tangent = np.gradient(points, along, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    to_left = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    t = np.arange(20.0, -20.1, -0.1)
    empty = np.zeros((1, 1, 3), np.uint8)
    shown = np.zeros((len(t), len(along)), np.float32)
    shown[t > 0] = groove
    maps = {"undercut": shown, "undercut_deep": np.zeros_like(shown)}
    band = Band(maps, along, t, np.ones((1, 1), bool), empty, points, to_left)
    us = np.full(n, u)
    return dataclasses.replace(
        draw(Drawing(length=5.0, left=1.0, right=-1.0), reach=2.0),
        frame=frame or FlatFrame(),
        band=band,
        s=s,
        t_left=np.asarray(left, float),
        t_right=np.asarray(right, float),
        u_left=us,
        u_right=us,
        confidence=np.ones(n),
        start_seen=start_seen,
        end_seen=end_seen,
    )


def measure(bead, indications=(), ripples=RIPPLES):
    return measure_bead(bead, indications, ripples)


N = 401  # 100 mm
S = STEP * np.arange(N)


def test_an_even_bead_has_its_width_and_no_unevenness():
    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0), u=0.0))
    assert m["width_mean"].value == pytest.approx(8.0)
    assert (m["width_min"].value, m["width_max"].value) == (pytest.approx(8.0), pytest.approx(8.0))
    for name in ("width_sd", "left_edge_deviation", "right_straightness", "width_variation"):
        assert m[name].value == pytest.approx(0.0, abs=1e-6), name
    assert m["length"].value == pytest.approx(100.0)
    assert m["length_to_width"].value == pytest.approx(12.5)


def test_a_wavy_toe_has_the_rms_of_its_wave():
    # a sine of amplitude A and period 5 mm: RMS A / sqrt(2); its 25 mm mean holds five whole periods and is flat
    wave = 0.4 * np.sin(2 * np.pi * S / 5.0)
    m = measure(bead_of(4.0 + wave, np.full(N, -4.0), u=0.0))
    assert m["left_edge_deviation"].value == pytest.approx(0.4 / math.sqrt(2), rel=0.02)
    assert m["left_straightness"].value == pytest.approx(0.4 / math.sqrt(2), rel=0.02)
    assert m["right_edge_deviation"].value == pytest.approx(0.0, abs=1e-6)
    assert m["width_sd"].value == pytest.approx(0.4 / math.sqrt(2), rel=0.02)


def test_an_edge_is_held_against_its_own_mean_over_25_mm():
    # a wave of 40 mm: its mean over 25 mm keeps sin(pi 25/40) / (pi 25/40) = 0.4705 of it, the edge strays by the rest
    n = 1681  # 420 mm: the ends, where the window shrinks, count little
    wave = 0.4 * np.sin(2 * np.pi * STEP * np.arange(n) / 40.0)
    m = measure(bead_of(4.0 + wave, np.full(n, -4.0), u=0.0))
    assert m["left_edge_deviation"].value == pytest.approx(0.5295 * 0.4 / math.sqrt(2), rel=0.04)
    assert m["left_straightness"].value == pytest.approx(0.4 / math.sqrt(2), rel=0.04)


def test_a_slanting_toe_is_straight_and_even():
    m = measure(bead_of(4.0 + 0.01 * S, np.full(N, -4.0), u=0.0))
    assert m["left_straightness"].value == pytest.approx(0.0, abs=1e-6)
    assert m["left_edge_deviation"].value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("side", ["u_left", "u_right"])
def test_a_station_whose_one_toe_is_unsure_makes_no_extreme(side):
    """8 mm wide all along; where one toe is in doubt the width seems 12 and 4 mm, which no extreme may say."""
    left, u = np.full(N, 4.0), np.full(N, 0.02)
    left[200], left[220], u[[200, 220]] = 8.0, 0.0, 2.0
    m = measure(dataclasses.replace(bead_of(left, np.full(N, -4.0), u=0.02), **{side: u}))
    assert m["width_max"].value == pytest.approx(8.0, abs=0.05)
    assert m["width_min"].value == pytest.approx(8.0, abs=0.05)


def test_moving_mean_shrinks_symmetrically():
    v = np.array([1.0, 5.0, 3.0, 7.0, 2.0, 8.0])
    assert moving_mean(v, 2) == pytest.approx([1, 3, (1 + 5 + 3 + 7 + 2) / 5, (5 + 3 + 7 + 2 + 8) / 5, 17 / 3, 8])


def test_the_body_leaves_one_width_off_each_end():
    left = np.where((S < 7.9) | (S > 92.1), 6.0, 4.0)
    m = measure(bead_of(left, -4.0 * np.ones(N), u=0.0))
    assert m["width_max"].value == pytest.approx(8.0)
    for cut in ("start_seen", "end_seen"):  # none off an end that the photo cuts
        swollen = np.where(S < 7.9 if cut == "start_seen" else S > 92.1, 6.0, 4.0)
        m = measure(bead_of(swollen, -4.0 * np.ones(N), u=0.0, **{cut: False}))
        assert m["width_max"].value == pytest.approx(10.0)


def test_what_toe_noise_adds_to_a_spread_stays_inside_u():
    # noise alone, with none of the smoothing that a real tracer also does: the hardest case for the half correction
    inside, trials = (
        dict.fromkeys(("width_sd", "left_edge_deviation", "right_edge_deviation", "left_straightness"), 0),
        16,
    )
    for seed in range(trials):
        rng = np.random.default_rng(seed)
        true = [correlated(N, 0.15, 6.0, rng) for _ in range(2)]
        seen = [t + correlated(N, 0.07, 2.0, rng) for t in true]
        clean = measure(bead_of(4.0 + true[0], -4.0 + true[1], u=1e-6))
        noisy = measure(bead_of(4.0 + seen[0], -4.0 + seen[1], u=0.1))
        for name in inside:
            inside[name] += abs(noisy[name].value - clean[name].value) <= noisy[name].U
            assert noisy[name].U < 2.2 * 0.1  # and no wider than what the tracer says of its toes allows
    assert all(count >= 0.85 * trials for count in inside.values()), inside


def test_error_lies_inside_u_about_as_often_as_it_should():
    inside = dict.fromkeys(("width_sd", "left_edge_deviation", "width_min"), 0)
    trials = 40
    for seed in range(trials):
        rng = np.random.default_rng(seed)
        true = [correlated(N, 0.2, 8.0, rng) for _ in range(2)]
        # toes that scatter by the share that a tracer's own figure means, over a shorter way than real ones do
        seen = [t + correlated(N, float(scatter(np.array(0.08))), 1.0, rng) for t in true]
        clean = measure(bead_of(4.0 + true[0], -4.0 + true[1], u=1e-6))
        noisy = measure(bead_of(4.0 + seen[0], -4.0 + seen[1], u=0.08))
        for name in inside:
            inside[name] += abs(noisy[name].value - clean[name].value) <= noisy[name].U
    assert all(count >= 0.85 * trials for count in inside.values()), inside


def test_print_scale_is_common_to_the_whole_bead():
    exact = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0), u=0.0, frame=FlatFrame(u_scale=0.0)))
    doubt = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0), u=0.0, frame=FlatFrame(u_scale=0.01)))
    rows = {r.label: r.u for r in doubt["width_mean"].budget}
    assert rows["print scale"] == pytest.approx(0.08, rel=1e-3)
    assert {r.label: r.u for r in doubt["length"].budget}["print scale"] == pytest.approx(1.0, rel=1e-3)
    assert {r.label: r.u for r in doubt["ripple_pitch"].budget}["print scale"] == pytest.approx(0.02, rel=1e-3)
    assert doubt["width_mean"].U > exact["width_mean"].U
    assert pytest.approx(2 * math.sqrt(sum(r.u**2 for r in doubt["width_mean"].budget))) == doubt["width_mean"].U


@settings(max_examples=10, deadline=None)
@given(st.floats(0, 2 * math.pi))
def test_turning_the_bead_on_the_plate_changes_nothing(angle):
    rng = np.random.default_rng(1)
    edges = [4.0 + correlated(N, 0.2, 6.0, rng), -4.0 + correlated(N, 0.2, 6.0, rng)]
    here, there = (measure(bead_of(*edges, direction=d)) for d in ((1.0, 0.0), (math.cos(angle), math.sin(angle))))
    for name, q in here.items():
        if q.known:
            assert there[name].value == pytest.approx(q.value, abs=1e-6), name


def test_a_traced_seam_that_follows_the_waves_loses_nothing():
    # the same wavy bead, once on a straight seam and once with the wave in the seam itself
    wave = 0.3 * np.sin(2 * np.pi * S / 10.0)
    straight = measure(bead_of(4.0 + wave, -4.0 + wave, u=0.0))
    followed = measure(
        bead_of(
            np.full(N, 4.0),
            np.full(N, -4.0),
            u=0.0,
            seam=lambda a: np.stack([20.0 + a, 60.0 - 0.3 * np.sin(2 * np.pi * a / 10.0)], axis=1),
        )
    )
    for name in ("left_edge_deviation", "right_straightness"):
        assert followed[name].value == pytest.approx(straight[name].value, rel=0.05), name


def test_a_gently_curved_bead_is_even_but_not_straight():
    def arc(a):
        x = a - 50.0
        return np.stack([20.0 + a, 60.0 + x * x / (2 * 800.0)], axis=1)

    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0), u=0.0, seam=arc))
    assert m["left_edge_deviation"].value < 0.02
    assert m["left_straightness"].value > 0.3


def test_a_cut_bead_has_no_length_and_says_why():
    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0), end_seen=False))
    assert m["length"].value is None
    assert "end" in m["length"].why
    assert m["length_to_width"].why == m["length"].why
    assert m["width_mean"].known


def test_a_bead_that_is_too_short_says_so():
    n = 80  # 20 mm long, 8 mm wide
    m = measure(bead_of(np.full(n, 4.0), np.full(n, -4.0)))
    assert "too short" in m["width_mean"].why
    assert "too short" in m["ripple_pitch"].why
    assert m["length"].known


def test_without_a_card_only_ratios_stay():
    rng = np.random.default_rng(2)
    edges = (4.0 + correlated(N, 0.2, 6.0, rng), -4.0 + correlated(N, 0.2, 6.0, rng))
    m = measure(bead_of(*edges, frame=FlatFrame(has_scale=False)))
    known = {name for name, q in m.items() if q.known}
    assert known == {"width_variation", "length_to_width", "start_to_width", "ripple_variation", "ripple_sharpness"}
    assert all("card" in q.why for name, q in m.items() if name not in known)


def test_ripple_measures_are_over_the_body():
    inner = np.arange(10.0, 90.0, 2.0)
    wild = Ripples(np.concatenate([[1, 1.5, 5], inner, [95, 99]]), np.ones(len(inner) + 5), 0.6, 0.02, 5.0, 0.5)
    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0)), ripples=wild)
    assert m["ripple_pitch"].value == pytest.approx(2.0)
    assert m["ripple_variation"].value == pytest.approx(0.0, abs=0.01)
    assert m["ripple_pitch"].n == len(inner)


@pytest.mark.parametrize(
    ("contrast", "charted"), [(0.01, 0.3), (2.0, 0.02)], ids=["faint", "light alone, as of flow lines"]
)
def test_ripples_that_cannot_be_told_apart_are_unknown(contrast, charted):
    faint = dataclasses.replace(RIPPLES, contrast=contrast, charted=charted)
    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0)), ripples=faint)
    assert "cannot be told apart" in m["ripple_pitch"].why


def test_undercut_and_spatter_are_added_up():
    def found(kind, side, a, b, d=None):
        size = Quantity(value=d, U=0.1) if d else None
        return Indication.model_validate(
            {"kind": kind, "side": side, "from": a, "to": b, "size": size, "confidence": 0.9}
        )

    seen = [found("undercut", "left", 10, 25), found("undercut", "left", 40, 45), found("undercut", "right", 50, 60)]
    seen += [found("spatter", "left", x, x, d) for x, d in ((5, 1.5), (20, 0.5), (70, 2.0))]
    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0)), seen)
    assert [m[f"undercut_length_{k}"].value for k in ("left", "right", "total")] == [20, 10, 30]
    assert m["spatter_count"].value == 2
    assert m["spatter_per_100mm"].value == pytest.approx(2.0)
    assert m["undercut_length_left"].U > 0


def test_nothing_seen_is_zero_with_a_doubt_and_not_unknown():
    m = measure(bead_of(np.full(N, 4.0), np.full(N, -4.0)))
    assert m["undercut_length_total"].value == 0.0
    assert m["undercut_length_total"].U > 0


def test_where_the_reader_wavers_the_length_of_undercut_is_doubted():
    # 3 chances in 10 over 40 of 100 mm, alike within some 20 mm: by hand, the double integral of exp(-|x - y| / 20)
    # over 40 mm is 2 * 20 * 40 - 2 * 20**2 * (1 - exp(-40 / 20)) = 908.3 mm^2, times 0.3 * 0.7, and its root
    along = np.arange(-10.0, 110.0, 0.1)
    bead = bead_of(np.full(N, 4.0), np.full(N, -4.0), groove=0.3 * ((along > 30) & (along < 70)))
    m = measure(bead)
    by_label = {row.label: row.u for row in m["undercut_length_left"].budget}
    assert m["undercut_length_left"].value == 0.0
    assert by_label["whether it is there"] == pytest.approx(math.sqrt(0.21 * 908.3), rel=0.05)
    assert m["undercut_length_right"].U < 0.5 * m["undercut_length_left"].U
    assert m["undercut_length_total"].U >= m["undercut_length_left"].U


def test_the_whole_way_from_maps():
    d = Drawing(length=80.0, crests=np.arange(2.0, 78.0, 1.9), undercut=[("right", 30, 50, 1.0)])
    bead = draw(d, Spoil(toe=0.05), reach=12.0)
    m = measure_bead(bead, find_indications(bead))
    assert m["width_mean"].value == pytest.approx(9.0, abs=0.05)
    assert m["ripple_pitch"].value == pytest.approx(1.9, abs=0.01)
    assert m["undercut_length_right"].value == pytest.approx(20.0, abs=1.0)
    assert m["undercut_length_left"].value == 0.0


def _started(first: float, frame=None, **more):
    """A bead 8 mm wide whose first 8 mm are ``first`` times as wide."""
    half = np.where(S < 8.0, 4.0 * first, 4.0)
    return measure(bead_of(half, -half, frame=frame, **more))


@pytest.mark.parametrize("first", [1.0, 0.6, 1.5])
def test_the_start_is_measured_by_itself(first):
    m = _started(first)
    assert m["start_width"].value == pytest.approx(8.0 * first, rel=0.03)
    assert m["start_to_width"].value == pytest.approx(first, rel=0.03)
    assert m["width_mean"].value == pytest.approx(8.0, rel=0.01), "the body leaves the start out"
    assert abs(m["start_to_width"].value - first) <= m["start_to_width"].U


def test_a_start_out_of_the_picture_says_so():
    m = _started(1.0, start_seen=False)
    assert "out of the picture" in m["start_width"].why
    assert m["start_to_width"].value is None


def test_a_scale_error_moves_the_starts_width_and_not_its_share():
    wide, plain = _started(0.7, frame=FlatFrame(u_scale=0.05)), _started(0.7)
    assert wide["start_width"].U > 1.5 * plain["start_width"].U
    assert pytest.approx(plain["start_to_width"].U, rel=0.1) == wide["start_to_width"].U
