"""A thing that lies over a toe is noticed, and a rough toe is not taken for one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d

import seen_photos
import toeline
from toeline.photo import read_photo
from toeline.trace.band import Covered
from toeline.trace.covered import covered_stretches

S = np.arange(0.0, 100.0, 0.25)
WIDTH = 9.0


def rough(seed: int, rms: float) -> np.ndarray:
    """A toe that strays by ``rms`` mm over some 4 mm, as toes do."""
    noise = gaussian_filter1d(np.random.default_rng(seed).normal(0, 1, len(S)), 2.0 / 0.25)
    return rms * noise / noise.std()


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.floats(0.0, 0.45))
def test_a_rough_toe_is_not_covered(seed, rms):
    assert covered_stretches(S, rough(seed, rms), WIDTH) == []


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.floats(15.0, 60.0), st.floats(2.0, 15.0), st.floats(1.2, 4.0))
def test_a_thing_over_the_toe_is_found_where_it_lies(seed, start, long, deep):
    lies = (start <= S) & (start + long >= S)
    found = covered_stretches(S, rough(seed, 0.1) + deep * lies, WIDTH)
    assert len(found) == 1
    first, last = found[0]
    assert S[first] == pytest.approx(start, abs=1.5)
    assert S[last] == pytest.approx(start + long, abs=1.5)


@pytest.mark.parametrize(("gap", "found"), [(2.0, 1), (7.0, 1), (12.0, 2)])
def test_a_toe_that_seems_to_come_out_for_less_than_a_width_lies_under_one_thing(gap, found):
    again = S - 45.0 - gap
    inward = 2.0 * (((S >= 40.0) & (S <= 45.0)) | ((again >= 0.0) & (again <= 5.0)))
    stretches = covered_stretches(S, inward, WIDTH)
    assert len(stretches) == found
    assert S[stretches[0][0]] == pytest.approx(40.0, abs=1.5)
    assert S[stretches[-1][1]] == pytest.approx(50.0 + gap, abs=1.5)


def test_a_step_at_a_round_end_is_none():
    toe = np.where(S < 5.0, 3.0, 0.0)
    assert covered_stretches(S, toe, WIDTH) == []


@pytest.mark.parametrize(
    ("flanks", "deep", "long", "found"),
    [
        ((3.0, 3.0), 2.0, 8.0, 1),
        ((3.0, 0.3), 2.0, 8.0, 0),  # in at once and out slowly: the bead narrows
        ((0.3, 3.0), 2.0, 8.0, 0),
        ((0.6, 0.6), 2.0, 8.0, 0),  # less steep than 0.8, as toes may be
        ((1.2, 1.2), 2.0, 8.0, 1),
        ((3.0, 3.0), 0.45, 8.0, 0),  # no deeper than 0.06 of the 9 mm
        ((3.0, 3.0), 0.75, 8.0, 1),
        ((9.0, 9.0), 2.0, 0.5, 0),  # no longer than 1 mm
    ],
)
def test_what_steps_in_and_out_at_once_is_a_thing(flanks, deep, long, found):
    into, out = flanks
    inward = np.clip(np.minimum((S - 40.0) * into, (40.0 + deep / into + long + deep / out - S) * out), 0.0, deep)
    assert len(covered_stretches(S, inward, WIDTH)) == found


def test_the_other_way_round_it_lies_on_the_other_side():
    assert Covered("left", 10.0, 30.0).turned(100.0) == Covered("right", 70.0, 90.0)


def test_a_chip_on_a_photo_s_toe_is_said_and_the_width_stays_true():
    pairs = seen_photos.photos()
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    file, truth = pairs[0]
    photo = read_photo(file)
    left, right = (np.asarray(truth["bead"]["toes_px"][side]) for side in ("left", "right"))
    k = len(left) // 2
    along = (left[k + 5] - left[k - 5]) / np.linalg.norm(left[k + 5] - left[k - 5])
    across = left[k] - right[np.linalg.norm(right - left[k], axis=1).argmin()]
    corners = [left[k] + a * 0.8 * np.linalg.norm(across) * along + b * across for a, b in ((-1, -0.3), (1, -0.3))]
    corners += [left[k] + a * 0.8 * np.linalg.norm(across) * along + 2 * across for a in (1, -1)]
    image = cv2.fillPoly(photo.image.copy(), [np.rint(corners).astype(np.int32)], (60, 80, 90))
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    result = toeline.measure(seen_photos.jpeg(image, photo.exif.focal_35mm), criteria="iso5817-2023-b", thickness=8.0)
    said = [p for p in result.photo.problems if p.code == "toe_covered"]
    assert len(said) == 1
    assert "left" in said[0].text
    width = result.measures["width_mean"]
    assert abs(width.value - truth["bead"]["width_mm"]["mean"]) < width.U
    assert result.judgement.outcome != "pass"
