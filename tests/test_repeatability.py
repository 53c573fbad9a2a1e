"""Repeatability against the worked example of the AIAG manual."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from toeline.result import Bead, PhotoInfo, Quantity, Result, Scale, Settings, unknown
from toeline.validation.repeatability import LIMIT_FACTOR, mean_range_factor, repeatability, spreads

# AIAG, Measurement Systems Analysis, 4th ed., chapter III, the 10 parts x 3 appraisers x 3 trials study.
# Data from memory; they reproduce every published figure below.
STUDY = {
    "A": (
        (0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
        (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
        (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ),
    "B": (
        (0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
        (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
        (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50),
    ),
    "C": (
        (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
        (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
        (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
    ),
}
GROUPS = [readings for trials in STUDY.values() for readings in zip(*trials, strict=True)]


def test_equipment_variation_of_the_worked_example():
    found = repeatability(GROUPS)
    assert (found.groups, found.readings) == (30, 90)
    assert found.mean_range == pytest.approx(0.3417, abs=5e-5)  # published R-double-bar
    assert found.ev == pytest.approx(0.20188, abs=5e-5)  # published EV; K1 is rounded to four digits there


def test_pooled_deviation_of_the_worked_example():
    # published analysis of variance, interaction kept: equipment sum of squares 2.7589 on 60 degrees of freedom
    assert repeatability(GROUPS).s == pytest.approx(sqrt(2.7589 / 60), abs=2e-5)


@pytest.mark.parametrize(("size", "k1"), [(2, 0.8862), (3, 0.5908)])
def test_range_factor_gives_the_manuals_k1(size, k1):
    # AIAG MSA, 4th ed., gauge study report form: K1 for 2 and 3 trials
    assert 1.0 / mean_range_factor(size, 30) == pytest.approx(k1, abs=5e-5)


@pytest.mark.parametrize(
    ("size", "groups", "factor"), [(2, 1, 1.41421), (3, 1, 1.91155), (4, 1, 2.23887), (5, 1, 2.48124), (2, 5, 1.19105)]
)
def test_range_factor_of_few_groups(size, groups, factor):
    # Duncan's d2*, as in AIAG MSA, 4th ed., appendix C; values from memory
    assert mean_range_factor(size, groups) == pytest.approx(factor, abs=2e-4)


def test_two_readings_by_hand():
    # readings 1 and 3: s = sqrt(2); range 2 over d2* = sqrt(2) gives the same
    found = repeatability([(1.0, 3.0)])
    assert found.s == pytest.approx(sqrt(2.0))
    assert found.ev == pytest.approx(sqrt(2.0))
    assert found.least_difference == pytest.approx(1.96 * 2.0)


def test_spread_of_drawn_readings_is_found_and_pairs_stay_within_the_limit():
    readings = np.random.default_rng(5).normal(10.0, 0.2, size=(400, 4))
    found = repeatability(readings.tolist())
    assert found.s == pytest.approx(0.2, rel=0.05)
    assert found.ev == pytest.approx(0.2, rel=0.05)
    beyond = np.abs(readings[:, 0] - readings[:, 1]) > LIMIT_FACTOR * found.s
    assert 0.02 < beyond.mean() < 0.09  # 1 in 20 by the limit's definition


def test_unequal_groups_have_no_range_figure_and_single_readings_are_refused():
    assert repeatability([(1.0, 2.0), (1.0, 2.0, 3.0)]).ev is None
    with pytest.raises(ValueError, match="two readings"):
        repeatability([(1.0,), (2.0,)])


def photo(width: float | None, usable: bool = True) -> Result:
    return Result(
        photo=PhotoInfo(name="a.jpg", sha256="0" * 64, width_px=8, height_px=6, usable=usable),
        scale=Scale(state="card"),
        bead=Bead(found=True),
        measures={"width_mean": unknown("too short") if width is None else Quantity(value=width, U=0.2)},
        settings=Settings(),
    )


def test_spreads_leave_unusable_photos_out_and_say_why_nothing_is_known():
    (spread,) = spreads({"ada": [photo(8.0), photo(8.2), photo(99.0, usable=False)]})
    assert (spread.measure, spread.mean, spread.stated_U) == ("width_mean", pytest.approx(8.1), 0.2)
    assert spread.found.s == pytest.approx(0.2 / sqrt(2.0))
    (unknown_spread,) = spreads({"ada": [photo(None), photo(8.0)]})
    assert (unknown_spread.found, unknown_spread.why) == (None, "too short")
