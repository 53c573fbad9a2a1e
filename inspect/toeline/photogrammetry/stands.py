"""Where each photo was taken from: all cards fitted together, and what keeps a photo from belonging to the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from toeline.errors import CardError
from toeline.geometry.camera import CameraProfile, camera_for
from toeline.geometry.card import FoundCard, find_cards
from toeline.geometry.plate import Plate, plates_from_cards
from toeline.photo import Photo
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.joint_fit import Joint, fit_pair
from toeline.problems import problem
from toeline.result import Problem, Settings
from toeline.trace.band import F64


@dataclass(frozen=True, slots=True)
class Stand:
    """A photo, its place among those given, and its plate."""

    nth: int
    photo: Photo
    plate: Plate

    def towards(self, point: F64) -> F64:
        """Unit vector (3,) from a point (3,) of the plate frame to the camera."""
        away = self.plate.camera_centre_mm - point
        return np.asarray(away / np.linalg.norm(away))


@dataclass(frozen=True, slots=True)
class Stands:
    """The photos that can be used, the face photo first, by its number what is wrong with each of the others, and of a
    fillet with card B in view where its plates meet."""

    stands: tuple[Stand, ...]
    left_out: dict[int, Problem]
    joint: Joint | None = None


def find_stands(
    photos: Sequence[Photo], which: str, about_px: F64, settings: Settings, profile: CameraProfile | None
) -> Stands:
    """The stands of photos whose first is the face photo, by card ``which``; ``about_px`` (2,) is the bead's middle
    there.

    Raises:
        CardError: the face photo's card allows no pose.
    """
    left_out: dict[int, Problem] = {}
    cards: dict[int, tuple[FoundCard, ...]] = {}
    for nth, photo in enumerate(photos):
        twin = next((k for k in cards if photos[k].sha256 == photo.sha256), None)
        if twin is not None:
            left_out[nth] = problem("relief_same_file", other=photos[twin].name)
            continue
        found = tuple(card for card in find_cards(photo) if len(card.marker_ids) >= ReliefFigures.read().stands.markers)
        if not any(card.which == which for card in found):
            left_out[nth] = problem("relief_no_card", card=which)
            continue
        cards[nth] = found
    plates, joint = _plates(photos, cards, which, settings, profile)
    stands = [Stand(nth, photos[nth], plates[nth]) for nth in sorted(plates)]
    for nth in cards:
        if nth not in plates:
            left_out[nth] = problem("relief_no_card", card=which)
    if not stands or stands[0].nth != 0:
        raise CardError("The face photo's card allows no pose: show the whole card, flat, in the first photo.")
    about = np.append(stands[0].plate.to_mm(about_px[None])[0], 0.0)
    kept: list[Stand] = []
    least = np.cos(np.radians(ReliefFigures.read().stands.apart_deg))
    for stand in stands:
        near = next((k for k in kept if stand.towards(about) @ k.towards(about) > least), None)
        if near is not None:
            left_out[stand.nth] = problem("relief_same_stand", other=near.photo.name)
        else:
            kept.append(stand)
    return Stands(tuple(kept), left_out, joint)


def _plates(
    photos: Sequence[Photo],
    cards: dict[int, tuple[FoundCard, ...]],
    which: str,
    settings: Settings,
    profile: CameraProfile | None,
) -> tuple[dict[int, Plate], Joint | None]:
    """The plate of each photo, those of one camera and lens fitted together with all of their cards; and the joint."""

    def lens(nth: int) -> tuple[object, ...]:
        photo = photos[nth]
        return photo.width, photo.height, photo.exif.camera or "", photo.exif.focal_35mm or 0.0

    plates: dict[int, Plate] = {}
    joint: Joint | None = None
    for _, group in groupby(sorted(cards, key=lambda nth: (*map(str, lens(nth)), nth)), key=lens):
        members = list(group)
        camera = camera_for(photos[members[0]], profile)
        whose = [(nth, card) for nth in members for card in cards[nth]]
        try:
            fitted = plates_from_cards([card for _, card in whose], camera, settings.check_line_mm)
        except CardError:
            continue
        own = {nth: plate for (nth, card), plate in zip(whose, fitted, strict=True) if card.which == which}
        if settings.joint == "fillet" and any(card.which == "B" for _, card in whose):
            own, of_these = fit_pair({nth: cards[nth] for nth in own}, own)
            joint = of_these if 0 in own or joint is None else joint
        plates |= own
    return plates, joint
