"""The benchmark of U: its random photos are ones a careful person would take, and its figures are right."""

import math
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).resolve().parent / "benchmarks"


@pytest.fixture(scope="module")
def bench():
    before = list(sys.path)
    sys.path.insert(0, str(BENCHMARKS))
    try:
        import bench_uncertainty

        yield bench_uncertainty
    finally:
        sys.path[:] = before


@pytest.fixture(scope="module")
def shots(bench):
    pytest.importorskip("torch")
    return [bench.random_shot(seed) for seed in range(100)]


def test_a_seed_always_gives_the_same_shot(bench, shots):
    assert bench.random_shot(7) == shots[7] != shots[8]


def test_shots_vary_within_their_bounds(shots):
    kinds = [s.kind for s in shots]
    assert set(kinds) == {"stringer", "weave", "cap", "fillet"}
    assert 0.1 < kinds.count("fillet") / len(kinds) < 0.35
    assert all(s.butt == (s.kind == "cap") for s in shots)
    for lowest, highest, values in (
        (0, 35, [s.tilt for s in shots]),
        (8, 12, [s.px_per_mm for s in shots]),
        (0.97, 1.03, [s.print_scale for s in shots]),
        (0.1, 0.35, [s.thickness for s in shots]),
    ):
        assert lowest <= min(values) < lowest + 0.25 * (highest - lowest)
        assert highest - 0.25 * (highest - lowest) < max(values) <= highest


def test_the_check_line_is_read_as_with_a_calliper(shots):
    off = np.array([s.check_line - 50 * s.print_scale for s in shots])
    assert 0.03 < np.sqrt(np.mean(off**2)) < 0.08
    steps = np.array([20 * s.check_line for s in shots])
    assert np.allclose(steps, np.round(steps), atol=1e-6)


def test_bead_and_cards_are_in_the_picture_and_apart(shots):
    from make_photos import card_lies, phone_over

    for shot in shots:
        lies = card_lies(shot)
        lens = phone_over(shot, lies)
        s = np.linspace(-shot.length / 2, shot.length / 2, 50)
        across = np.linspace(-0.5, 0.5, 9) * shot.bead["width"]
        ss, tt = (x.ravel() for x in np.meshgrid(s, across))
        bead = np.stack([ss, tt, np.abs(tt) if shot.kind == "fillet" else 0 * tt], -1)
        cards = [
            lie.world(shot.print_scale * np.array([[x, y, 0.0] for x in (0, 85.6) for y in (0, 53.98)])) for lie in lies
        ]
        px = lens.pixels(np.vstack([bead, *cards]))
        assert px.min() > 0, shot.name
        assert (px < [lens.width, lens.height]).all(), shot.name
        for lie in lies:
            x, y = lie.plate(bead)[:, :2].T / shot.print_scale
            assert not ((x > -3) & (x < 88.6) & (y > -3) & (y < 57)).any(), shot.name


def compared(bench, error, U):
    return bench.Compared(truth=10.0, value=None if error is None else 10.0 + error, U=U)


def test_the_share_inside_U_counts_what_was_measured_with_a_U(bench):
    every = [compared(bench, e, U) for e, U in ((0.1, 0.2), (-0.3, 0.3001), (0.6, 0.2), (None, None), (5.0, None))]
    row = bench.inside("width_mean", every)
    assert (row.n, row.share) == (3, pytest.approx(2 / 3))
    # Wilson's score interval (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209) of 2 in 3, worked by hand
    assert (row.low, row.high) == (pytest.approx(0.2077, abs=2e-4), pytest.approx(0.9385, abs=2e-4))
    assert row.rms == pytest.approx(math.sqrt((0.25 + 1 + 9) / 3), rel=1e-3)
    assert row.median_error == pytest.approx(0.3)
    assert bench.inside("width_mean", every[3:]) is None


def test_an_error_where_U_is_zero_is_outside(bench):
    row = bench.inside("spatter_count", [compared(bench, 0.0, 0.0), compared(bench, 1.0, 0.0)])
    assert (row.share, row.rms, row.p95) == (0.5, math.inf, math.inf)


def test_unusable_photos_are_left_out(bench):
    def photo(name, usable, error):
        measures = {"length": compared(bench, error, 1.0)}
        return bench.PhotoScore(name=name, kind="stringer", usable=usable, accepted=True, measures=measures)

    rows = bench.figures([photo("a", True, 0.5), photo("b", False, 9.0)])
    assert [(row.name, row.n, row.share) for row in rows] == [("length", 1, 1.0)]


def test_how_far_two_measures_err_together(bench):
    """Of photos with both: errors over U of 1 and 1, 1 and 0, -2 and -1 are alike by (1 + 2) / sqrt(6 · 2)."""

    def photo(left, right, usable=True):
        measures = {"left": compared(bench, left, 0.5), "right": compared(bench, right, 2.0)}
        return bench.PhotoScore(name="a", kind="stringer", usable=usable, accepted=True, measures=measures)

    photos = [photo(0.5, 2.0), photo(0.5, 0.0), photo(-1.0, -2.0), photo(9.0, -9.0, usable=False), photo(None, 1.0)]
    assert bench.together(photos, "left", "right") == pytest.approx(3 / math.sqrt(12))
    assert math.isnan(bench.together(photos[-2:], "left", "right"))
