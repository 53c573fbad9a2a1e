"""Welding positions against the published limits, at, just inside and just outside."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toeline.causes.position import read_position, settings_position, welding_position
from toeline.errors import SettingsError
from toeline.result import Settings, Welding

CASES = tomllib.loads((Path(__file__).parent / "published" / "positions.toml").read_text("utf-8"))["case"]


def _labels(case: dict[str, Any], point: list[float]) -> tuple[str, str]:
    slope, aws_rotation = point
    place = welding_position(slope, 180 - aws_rotation, case["joint"])
    return place.aws, place.iso


@pytest.mark.parametrize("case", CASES, ids=[f"{case['aws']} {case['iso']}" for case in CASES])
def test_published_limits(case: dict[str, Any]) -> None:
    """Source: AWS A3.0 (from memory), in tests/published/positions.toml."""
    for point in case["points"]:
        assert _labels(case, point) == (case["aws"], case["iso"]), point
    for point in case["not"]:
        assert _labels(case, point) != (case["aws"], case["iso"]), point


def test_test_piece_limits() -> None:
    """ISO 6947: a test piece lies within 5 degrees of slope and 10 of rotation of its main position."""
    assert welding_position(5, 10, "butt").test_piece
    assert not welding_position(5.1, 0, "butt").test_piece
    assert not welding_position(0, 10.1, "butt").test_piece
    assert welding_position(0, 80, "butt").test_piece
    assert welding_position(-85, 0, "butt").test_piece
    assert welding_position(0, 45, "fillet").test_piece


@given(slope=st.floats(-90, 90), rotation=st.floats(-180, 180), joint=st.sampled_from(["bead", "butt", "fillet"]))
@settings(max_examples=100, deadline=None)
def test_every_pair_of_angles_has_a_position(slope: float, rotation: float, joint: Any) -> None:
    place = welding_position(slope, rotation, joint)
    assert place == welding_position(slope, -rotation, joint).model_copy(update={"rotation_deg": rotation})


def test_words_and_angles() -> None:
    assert read_position("flat", "butt") == (0, 0)
    assert read_position("Vertical-up", "fillet") == (90, 45)
    assert read_position("10, 20", "butt") == (10, 20)
    for word in ("flat", "horizontal", "vertical up", "vertical down", "overhead"):
        for joint in ("bead", "butt", "fillet"):
            assert welding_position(*read_position(word, joint), joint).name == word
    with pytest.raises(SettingsError, match="flat, horizontal"):
        read_position("upside", "butt")
    with pytest.raises(SettingsError, match="slope of 100"):
        read_position("100 0", "butt")
    with pytest.raises(SettingsError, match="rotation"):
        welding_position(0, float("nan"), "butt")


def test_settings_without_angles_have_no_position() -> None:
    assert settings_position(Settings()) is None
    place = settings_position(Settings(welding=Welding(slope_deg=90)))
    assert place is not None
    assert place.aws == "3G"


@pytest.mark.parametrize(
    ("joint", "names"),
    [
        ("butt", ["1G", "2G", "3G up", "3G down", "4G", "PA", "PC", "PE", "PF", "PG"]),
        ("fillet", ["1F", "2F", "3F up", "3F down", "4F", "PA", "PB", "PD", "PE", "PF", "PG"]),
    ],
)
def test_a_position_is_said_by_its_name(joint: Any, names: list[str]) -> None:
    """The labels of AWS A3.0 and ISO 6947 (from memory) read to a position that carries that label."""
    for name in names:
        for typed in (name, name.lower(), name.replace(" ", "-")):
            place = welding_position(*read_position(typed, joint), joint)
            label, _, way = name.partition(" ")
            assert label in (place.aws, place.iso), typed
            assert place.name.endswith(way)


@pytest.mark.parametrize(
    ("typed", "joint", "says"),
    [
        ("3G", "butt", "3G up or 3G down"),
        ("3f", "fillet", "3F up or 3F down"),
        ("vertical", "butt", "vertical up or vertical down"),
        ("2F", "butt", "fillet weld"),
        ("PB", "bead", "fillet weld"),
        ("2G", "fillet", "groove weld"),
        ("PC", "fillet", "groove weld"),
        ("5G", "butt", "1G, 2G"),
    ],
)
def test_a_name_that_does_not_fit_says_what_would(typed: str, joint: Any, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        read_position(typed, joint)
