"""The networks run from the package on any size of picture, and say the same each time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toeline.trace.networks import channels, read_band, see_kinds


def plate(h: int, w: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(120, 12, (h, w, 3)).clip(0, 255).astype(np.uint8)


@settings(max_examples=12, deadline=None)
@given(st.integers(8, 90), st.integers(8, 130))
def test_bands_of_any_size_come_back_at_their_own_size(h, w):
    maps = read_band(plate(h, w))
    assert tuple(maps) == channels("reader")
    for layer in maps.values():
        assert layer.shape == (h, w)
        assert layer.dtype == np.float32
        assert 0 <= layer.min() <= layer.max() <= 1


@pytest.mark.parametrize(("h", "w"), [(64, 64), (300, 700), (900, 600), (2000, 1500), (100, 3000)])
def test_photos_are_seen_at_a_bounded_size(h, w):
    maps, shrink = see_kinds(plate(h, w), 512)
    assert tuple(maps) == channels("finder")
    assert shrink == max(max(h, w) / 512, 1)
    for layer in maps.values():
        assert max(layer.shape) <= 512
        assert abs(layer.shape[0] * shrink - h) <= shrink
        assert 0 <= layer.min() <= layer.max() <= 1


def test_the_same_picture_reads_the_same():
    band = plate(80, 200, seed=3)
    first, second = read_band(band), read_band(band)
    for name in channels("reader"):
        np.testing.assert_array_equal(first[name], second[name])


def test_a_bare_plate_holds_no_weld_metal():
    maps, _ = see_kinds(plate(600, 800, seed=1), 512)
    assert float((maps["bead"] > 0.5).mean()) < 0.002
