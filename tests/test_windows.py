"""So much in any so many, counted by hand on a few places."""

from __future__ import annotations

import pytest

from toeline.evidence.windows import worst_length, worst_sum


def test_points_at_both_ends_of_a_stretch_belong_to_it():
    points = [(0.0, 1.0), (40.0, 2.0), (100.0, 4.0), (101.0, 1.0), (250.0, 1.0)]
    assert worst_sum(points, 100.0) == (7.0, 0.0)  # 0, 40 and 100: one stretch of 100 mm from end to end
    assert worst_sum(points, 99.0) == (7.0, 40.0)  # 40, 100 and 101
    assert worst_sum(points, 0.5) == (4.0, 100.0)
    assert worst_sum([], 100.0) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("spans", "window", "worst"),
    [
        ([(10.0, 30.0), (90.0, 130.0)], 100.0, 40.0),  # 20 and 20 from 10 on, or all of the second
        ([(0.0, 40.0), (30.0, 40.0)], 20.0, 30.0),  # the stretch that ends with both
        ([(10.0, 30.0), (12.0, 25.0)], 100.0, 33.0),  # one on each toe: both count
        ([(0.0, 80.0)], 25.0, 25.0),
        ([(0.0, 20.0), (50.0, 60.0), (95.0, 105.0)], 60.0, 30.0),
        ([], 100.0, 0.0),
    ],
)
def test_the_worst_stretch_of_lengths(spans, window, worst):
    length, start = worst_length(spans, window)
    assert length == pytest.approx(worst)
    held = sum(max(0.0, min(b, start + window) - max(a, start)) for a, b in spans)
    assert held == pytest.approx(worst)
