"""Quantities as people read them: the inch is 25.4 mm exactly (ISO 80000-3), digits follow the uncertainty."""

from __future__ import annotations

import pytest

from toeline.result import Quantity, unknown
from toeline.units import convert, decimals_for, figure, length, say, span


@pytest.mark.parametrize(
    ("value", "unit", "in_inches"),
    [
        (25.4, "mm", (1.0, "in")),
        (10.0, "px/mm", (254.0, "px/in")),  # more pixels in an inch than in a millimetre
        (2.0, "1/mm", (50.8, "1/in")),
        (90.0, "deg", (90.0, "deg")),
        (0.4, "1", (0.4, "1")),
    ],
)
def test_a_value_and_its_unit_turn_into_inches_together(value, unit, in_inches):
    assert convert(value, unit, "in") == (pytest.approx(in_inches[0]), in_inches[1])
    assert convert(value, unit, "mm") == (value, unit)


@pytest.mark.parametrize(
    ("spread", "decimals"),
    # JCGM 100:2008, 7.2.6: one or two digits of u; two here where it starts with 1 or 2
    [(12.0, 0), (3.4, 0), (2.9, 1), (1.2, 1), (0.34, 1), (0.29, 2), (0.12, 2), (0.034, 2), (0.0123, 3), (0.0, 2)],
)
def test_digits_follow_the_uncertainty(spread, decimals):
    assert decimals_for(spread) == decimals


@pytest.mark.parametrize(
    ("quantity", "unit", "said"),
    [
        (Quantity(value=8.234, U=0.12), "mm", "8.23 ± 0.12 mm"),
        (Quantity(value=25.4, U=2.54), "in", "1.00 ± 0.10 in"),
        (Quantity(value=10.04, U=0.4, unit="px/mm"), "in", "255 ± 10 px/in"),
        (Quantity(value=90.4, U=0.6, unit="deg"), "in", "90.4 ± 0.6°"),
        (Quantity(value=7.0, U=0.0, unit="1"), "mm", "7"),
        (Quantity(value=0.5, U=0.0), "mm", "0.50 mm"),
        (unknown("the bead is too short"), "mm", "the bead is too short"),
    ],
)
def test_a_quantity_in_words(quantity, unit, said):
    assert say(quantity, unit) == said


def test_lengths_and_limits_in_words():
    assert [length(mm) for mm in (0.25, 6.24, 84.4)] == ["0.25 mm", "6.2 mm", "84 mm"]
    assert length(6.35, "in") == "0.25 in"
    assert [figure(mm) for mm in (0.25, 1.0, 0.0)] == ["0.25 mm", "1 mm", "0 mm"]
    assert figure(0.79375, "in") == "0.031 in"
    assert span(120.0, 250.0) == "120 to 250 mm"
