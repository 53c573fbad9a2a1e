"""Fit to measure or not: good photos pass, the same photos spoilt step by step do not."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from photos_with_truth import truth_files
from toeline.geometry.camera import camera_for
from toeline.geometry.card import find_cards
from toeline.geometry.plate import plates_from_cards
from toeline.photo import Exif, Photo, read_photo
from toeline.usability import card_problems, edge_blur_mm, photo_problems, scene_problems

pytestmark = pytest.mark.photos
needs_photos = pytest.mark.skipif(not truth_files(), reason="needs ../shared/photos/dev")
GREY = Photo("drawn", "", np.full((600, 800, 3), 120, np.uint8), Exif(), b"")


def judged(photo: Photo, truth: dict) -> list:
    outline = np.concatenate([truth["bead"]["toes_px"]["left"], truth["bead"]["toes_px"]["right"][::-1]])
    cards = find_cards(photo)
    plates = plates_from_cards(cards, camera_for(photo), 50.0) if cards else [None]
    return list(photo_problems(photo, outline, plates[0], fillet=truth["kind"] == "fillet"))


def spoilt(image: np.ndarray, how: str) -> np.ndarray:
    if how == "blurred":  # 0.6 mm at about 12 px per mm, and the sensor's noise after it
        noise = np.random.default_rng(0).normal(0, 3, image.shape)
        return np.clip(cv2.GaussianBlur(image, (0, 0), 7.5) + noise, 0, 255).astype(np.uint8)
    gain = {"darkened": 0.08, "blown": 6.0}[how]
    return np.clip(image * gain, 0, 255).astype(np.uint8)


@needs_photos
@pytest.mark.parametrize("index", [0, 6, 10, 20])
def test_good_photos_pass_and_spoilt_ones_stop(truths, index):
    path, truth = truths[index]
    photo = read_photo(path)
    assert truth["usable"]
    assert not [p for p in judged(photo, truth) if p.severity == "stop"]
    for how, code in (("blurred", "blur_strong"), ("darkened", "dark_strong"), ("blown", "glare_strong")):
        worse = dataclasses.replace(photo, image=spoilt(photo.image, how))
        assert code in [p.code for p in judged(worse, truth)], how


@needs_photos
def test_blur_is_read_off_the_card(truths):
    photo = read_photo(truths[1][0])
    (card,) = find_cards(photo)
    sharp = edge_blur_mm(photo, card)
    px_per_mm = np.linalg.norm(card.centres_px[1] - card.centres_px[0]) / 63.6
    soft = dataclasses.replace(photo, image=cv2.GaussianBlur(photo.image, (0, 0), 0.3 * px_per_mm))
    assert edge_blur_mm(soft, card) == pytest.approx(np.hypot(sharp, 0.3), rel=0.15)


@needs_photos
def test_card_problems(truths):
    path, _ = truths[0]
    photo = read_photo(path)
    cards = find_cards(photo)
    camera = camera_for(photo)
    assert card_problems(cards, plates_from_cards(cards, camera, 49.8)[0]) == ()
    assert [p.code for p in card_problems((), None)] == ["no_card"]
    plate = plates_from_cards(cards, camera)[0]
    far = plate.to_px(np.array([[200.0, 20.0], [220.0, 20.0]]))
    codes = [p.code for p in card_problems((*cards, cards[0]), plate, far)]
    assert codes == ["card_twice", "card_far", "print_scale_unknown"]


@pytest.mark.parametrize("way", [0, 45, 90, 135])
def test_a_shaken_phone_is_told_in_every_direction_without_a_card(way):
    grain = np.random.default_rng(1).normal(0, 60, (600, 800))
    texture = sum(cv2.GaussianBlur(grain, (0, 0), sigma) * sigma for sigma in (0.7, 1.5, 3, 6))
    sharp = np.clip(120 + texture, 0, 255).astype(np.uint8)
    level = np.zeros((41, 41))
    level[20] = np.exp(-0.5 * ((np.arange(41) - 20) / 7.0) ** 2)  # 0.6 mm
    kernel = cv2.warpAffine(level, cv2.getRotationMatrix2D((20, 20), way, 1.0), (41, 41))
    outline = np.array([[100.0, 250.0], [700.0, 250.0], [700.0, 350.0], [100.0, 350.0]])

    def codes(image: np.ndarray) -> list[str]:
        return [p.code for p in photo_problems(dataclasses.replace(GREY, image=cv2.merge([image] * 3)), outline)]

    assert not {"blur", "blur_strong"} & set(codes(sharp))
    assert {"blur", "blur_strong"} & set(codes(cv2.filter2D(sharp, -1, kernel / kernel.sum())))


def test_a_small_bead_without_a_card_is_said_in_pixels():
    thin = np.array([[100.0, 300.0], [700.0, 300.0], [700.0, 320.0], [100.0, 320.0]])
    assert "bead_too_small" in [p.code for p in photo_problems(GREY, thin)]
    assert "bead_small" in [p.code for p in photo_problems(GREY, thin * [1.0, 2.0])]


def test_where_no_bead_was_found_the_whole_photo_says_why():
    def codes(level: int) -> list[str]:
        return [p.code for p in scene_problems(dataclasses.replace(GREY, image=np.full_like(GREY.image, level)))]

    assert (codes(8), codes(120), codes(255)) == (["photo_dark"], [], ["photo_blown"])


@needs_photos
def test_where_no_bead_was_found_the_card_tells_distance_tilt_and_blur(truths):
    photo = read_photo(truths[0][0])
    cards = find_cards(photo)
    plate = plates_from_cards(cards, camera_for(photo))[0]
    assert scene_problems(photo, plate) == ()
    soft = dataclasses.replace(photo, image=cv2.GaussianBlur(photo.image, (0, 0), 7.0))
    assert [p.code for p in scene_problems(soft, plate)] == ["photo_blurred"]
