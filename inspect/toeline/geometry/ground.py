"""What the photo stands on: the camera, the plate under the card, and both plates of a fillet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import CardError
from toeline.geometry.camera import CameraProfile, camera_for
from toeline.geometry.card import FoundCard, card_spec
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.fillet_two_cards import FilletError, fillet_from_cards
from toeline.geometry.optics import Camera
from toeline.geometry.plate import Plate, plate_from_card
from toeline.photo import Photo
from toeline.problems import problem
from toeline.result import Problem, Settings


@dataclass(frozen=True, slots=True)
class Ground:
    """What the photo stands on: plate and fillet, where cards were found, and what went wrong with them."""

    plate: Plate | None
    fillet: FilletFrame | None
    cards: tuple[FoundCard, ...]
    problems: tuple[Problem, ...]
    why_no_legs: str

    @property
    def surface(self) -> Plate | FilletFrame | None:
        """The surface with millimetres that a bead is traced on, or None without a card."""
        return self.fillet if self.fillet is not None else self.plate


def lay_ground(photo: Photo, cards: tuple[FoundCard, ...], settings: Settings, profile: CameraProfile | None) -> Ground:
    """The ground of a photo by the cards found in it; what could not be had is said in its problems."""
    problems: list[Problem] = []
    why = "Lay card A on the base plate and card B on the upright."
    if not cards:
        return Ground(None, None, (), (), why)
    camera = camera_for(photo, profile)
    fillet = None
    if settings.joint == "fillet" and not (len(cards) == 1 and settings.joint_angle_deg is not None):
        try:
            fillet = fillet_from_cards(cards, camera, settings.check_line_mm, said_angle_deg=settings.joint_angle_deg)
            problems += fillet.problems
        except FilletError as error:
            problems.append(error.problem)
            why = str(error)
    if settings.joint != "fillet" and {card.which for card in cards} == {"A", "B"}:
        problems.append(problem("card_b_without_fillet"))
    plate = fillet.plate if fillet is not None else _plate(cards, camera, settings)
    return Ground(plate, fillet, cards, tuple(problems), why)


def _plate(cards: tuple[FoundCard, ...], camera: Camera, settings: Settings) -> Plate | None:
    for card in sorted(cards, key=lambda c: (-len(c.marker_ids), c.which)):
        try:
            return plate_from_card(card, camera, settings.check_line_mm)
        except CardError:
            continue
    return None


def card_outlines(cards: Sequence[FoundCard]) -> list[NDArray[np.float32]]:
    """Each card's four corners (4, 2) in the photo."""
    spec = card_spec()
    corners = np.array([[[0.0, 0.0], [spec.width, 0.0], [spec.width, spec.height], [0.0, spec.height]]])
    onto_photo = (cv2.findHomography(card.corners_mm, card.corners_px)[0] for card in cards)
    return [cv2.perspectiveTransform(corners, H)[0].astype(np.float32) for H in onto_photo if H is not None]


def on_card(at: NDArray[np.float64], cards: Sequence[NDArray[np.float32]], near_mm: float = 0.0) -> NDArray[np.bool_]:
    """Which of these places (N, 2) px lie on a card, or so near to one."""
    on = np.zeros(len(at), bool)
    for corners in cards:
        edge = np.roll(corners, -1, axis=0) - corners
        length = np.linalg.norm(edge, axis=1)
        off = at[:, None] - corners
        within = (edge[:, 0] * off[..., 1] - edge[:, 1] * off[..., 0]) / length
        turn = np.sign(edge[0, 0] * edge[1, 1] - edge[0, 1] * edge[1, 0])
        on |= (turn * within).min(axis=1) >= -near_mm * float(length[0]) / card_spec().width
    return on
