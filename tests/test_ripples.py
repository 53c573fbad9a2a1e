"""Ripple crests: pitch against a hand-worked profile, an independent estimate, and beads drawn with known crests."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import find_peaks, welch

from drawn_beads import Drawing, Spoil, draw
from toeline.trace.ripples import Ripples, read_ripples, travel_from_crests

SOFT = Spoil(noise=0.08, low=0.15, high=0.75, ragged=0.2, toe=0.1)


def crests(pitch, jitter=0.0, length=80.0, seed=3):
    rng = np.random.default_rng(seed)
    gaps = pitch * (1 + jitter * np.clip(rng.standard_normal(int(length / pitch) - 2), -2, 2))
    return 1.0 + np.concatenate([[0.0], np.cumsum(gaps)])


def read(bead):
    return read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)


def drawn(pitch, jitter=0.0, spoil=None, **more):
    d = Drawing(length=80.0, crests=crests(pitch, jitter), **{"depth": 3.0, **more})
    return draw(d, spoil or Spoil(), reach=12.0)


def pitch_of(bead, lo=10.0, hi=68.0):
    return float(read(bead).within(lo, hi).gaps.mean())


def true_pitch(pitch, jitter, lo=10.0, hi=68.0):
    c = crests(pitch, jitter)
    return float(np.diff(c[(c >= lo) & (c <= hi)]).mean())


def test_pitch_is_rsm_of_a_profile_worked_by_hand():
    # ISO 21920-2:2021, RSm: mean of the spacings X of the profile elements. Crests drawn at
    # 10.0 11.5 13.5 15.0 17.5 19.0 21.0 22.5 25.0: X = 1.5 2.0 1.5 2.5 1.5 2.0 1.5 2.5, RSm = 15.0 / 8 = 1.875 mm
    by_hand = [10.0, 11.5, 13.5, 15.0, 17.5, 19.0, 21.0, 22.5, 25.0]
    before, after = np.arange(1.0, 9.5, 1.75), np.arange(26.9, 78, 1.875)
    bead = draw(Drawing(length=80.0, crests=np.concatenate([before, by_hand, after]), depth=3.0), reach=12.0)
    got = read(bead).within(9.8, 25.2)
    assert got.s == pytest.approx(by_hand, abs=0.03)
    assert got.gaps.mean() == pytest.approx(1.875, abs=0.005)


def test_crests_are_found_between_the_columns():
    # even crests fall anywhere between columns 0.1 mm apart: the highest column alone would be off by 0.029 (rms), and
    # a parabola the wrong way by twice that
    every = 2.0 + 1.93 * np.arange(40)
    got = read(draw(Drawing(length=80.0, crests=every, depth=3.0), Spoil(blur_mm=0.25), reach=12.0)).within(10.0, 70.0)
    off = got.s - every[np.abs(np.subtract.outer(got.s, every)).argmin(axis=1)]
    assert len(got.s) == 31
    assert float(off.std()) < 0.012


def test_pitch_agrees_with_scipy_peaks_and_spectrum_on_the_middle_row():
    bead = drawn(1.9, 0.05, Spoil(noise=0.03))
    band = bead.band
    row = band.maps["crest"][np.argmin(np.abs(band.t))]
    inside = (band.s >= 10) & (band.s <= 68)
    peaks, _ = find_peaks(row[inside], prominence=0.3, distance=6)
    by_peaks = float(np.diff(band.s[inside][peaks]).mean())
    f, power = welch(row[inside] - row[inside].mean(), fs=band.px_per_mm, nperseg=512, nfft=8192)
    window = (f > 0.35) & (f < 0.9)
    by_spectrum = 1.0 / float(f[window][np.argmax(power[window])])
    assert pitch_of(bead) == pytest.approx(by_peaks, rel=0.01)
    assert pitch_of(bead) == pytest.approx(by_spectrum, rel=0.05)


@settings(max_examples=6, deadline=None)
@given(st.floats(1.0, 3.2), st.floats(0.0, 0.12), st.floats(0.5, 6.0), st.floats(0.0, 0.9))
def test_any_pitch_and_crescent_is_read(pitch, jitter, depth, vee):
    bead = drawn(pitch, jitter, depth=depth, vee=vee)
    assert pitch_of(bead) == pytest.approx(true_pitch(pitch, jitter), rel=0.02)
    assert read(bead).rise == pytest.approx(depth / 4.5, abs=0.05)


@pytest.mark.parametrize("pitch", [1.1, 1.9, 3.0])
def test_soft_ragged_maps_change_little(pitch):
    bead = drawn(pitch, 0.12, SOFT)
    assert pitch_of(bead) == pytest.approx(true_pitch(pitch, 0.12), rel=0.03)


def test_missing_and_doubled_crests_are_bridged():
    spoil = Spoil(noise=0.05, low=0.1, high=0.8, drop=0.06, double=0.05, seed=5)
    bead = drawn(1.8, 0.08, spoil)
    assert pitch_of(bead) == pytest.approx(true_pitch(1.8, 0.08), rel=0.03)


def test_a_weave_that_zigzags_is_read():
    bead = drawn(2.0, 0.08, SOFT, left=9.0, right=-9.0, zig=0.25)
    assert pitch_of(bead, 18.0, 61.0) == pytest.approx(true_pitch(2.0, 0.08, 18.0, 61.0), rel=0.03)


@pytest.mark.parametrize("spoil", [Spoil(), SOFT], ids=["ideal", "soft"])
def test_crescents_tell_the_travel(spoil):
    bead = drawn(1.8, 0.1, spoil)
    sign, sure, why = travel_from_crests(bead.band, bead.s, bead.t_left, bead.t_right)
    assert sign == 1
    assert sure > 0.4
    assert "sweep forward" in why


def test_turned_crescents_turn_the_travel():
    bead = drawn(1.8, 0.1, Spoil(), depth=-3.0)
    bead.band.maps["forward"] = 1.0 - bead.band.maps["forward"]
    sign, sure, _ = travel_from_crests(bead.band, bead.s, bead.t_left, bead.t_right)
    assert sign == -1
    assert sure > 0.4


def test_witnesses_that_disagree_are_not_believed():
    bead = drawn(1.8, 0.1)
    agreed = travel_from_crests(bead.band, bead.s, bead.t_left, bead.t_right)[1]
    bead.band.maps["forward"] = 1.0 - bead.band.maps["forward"]
    assert travel_from_crests(bead.band, bead.s, bead.t_left, bead.t_right)[1] < 0.6 * agreed


def test_a_map_of_mere_noise_has_no_contrast():
    bead = draw(Drawing(length=80.0, crests=()), Spoil(noise=0.05, low=0.2), reach=12.0)
    assert read(bead).contrast < 1.0


def test_without_a_crest_map_the_photos_own_light_is_read():
    bead = drawn(1.9, 0.05)
    lines = bead.band.maps["crest"]
    bead.band.image[:] = (110 + 60 * lines + 20 * np.sin(bead.band.s / 7))[..., None].astype(np.uint8)
    lines[:] = 0.05
    assert read(bead).contrast > 1.0
    assert pitch_of(bead) == pytest.approx(true_pitch(1.9, 0.05), rel=0.02)
    assert read(bead).rise == pytest.approx(3.0 / 4.5, abs=0.1)


def test_doubtful_gaps_are_counted():
    even = Ripples(np.arange(0, 20, 2.0), np.ones(10), 0.5, 0.01, 0.5, 0.5)
    assert even.doubtful == 0
    gap = Ripples(np.array([0, 2, 4, 8, 10, 12, 14.0]), np.array([1, 1, 1, 1, -0.2, 1, 1]), 0.5, 0.01, 0.5, 0.5)
    assert gap.doubtful == 2
