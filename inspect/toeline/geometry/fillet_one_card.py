"""The fillet frame from one card, the joint angle that the user states, and where the root line shows.

One card gives its own plate and nothing of the other. With the angle stated, the other plate stands on the root line;
where that runs shows only at the weld's two ends, where both toes come together, or where the user marks it. The
doubt of both goes into the uncertainty and is far larger than with a card on each plate.
"""

from __future__ import annotations

import numpy as np

from toeline.errors import CardError
from toeline.geometry.figures import FilletFigures
from toeline.geometry.fillet_frame import FilletFrame, Wedge, modes_of_wedge
from toeline.geometry.optics import F64, rays, rotation
from toeline.geometry.plate import Plate

#: What a step moves: the plate's 13 (see ``Plate.modes``), the root line square to itself at both ends, the angle.
_STEP = 16


def fillet_from_one_card(plate: Plate, root_px: F64, angle_deg: float) -> FilletFrame:
    """The fillet frame of the plate under one card, two points (2, 2) px of the root line and a stated joint angle.

    With card A the plate is the base, with card B the upright. The frame tells that its angle was stated.

    Raises:
        CardError: the two points do not lie apart on the plate, or the angle is no fillet's.
    """
    ours = FilletFigures.read()
    low, high = ours.cards.angle_range
    if not low <= angle_deg <= high:
        raise CardError(f"A joint angle of {angle_deg:g} degrees is no fillet's: state the angle between the plates.")
    ends = plate.to_mm(np.asarray(root_px, float))
    if not np.linalg.norm(ends[1] - ends[0]) > 1.0:  # so that NaN is refused too
        raise CardError("The two points of the root line do not lie apart on the card's plate: mark them anew.")
    middle_mm = plate.card.corners_mm.mean(axis=0)
    root_px, angle = np.asarray(root_px, float), float(np.radians(angle_deg))

    def wedge(step: F64) -> Wedge:
        turned = rotation(step[5:8]) @ plate.card_pose.rotation
        scale, height = plate.print_scale.value + step[11], plate.thickness_mm + step[12]
        into, place = turned[:, 2], scale * (plate.card_pose.place + step[8:11]) + height * turned[:, 2]
        camera = plate.camera.parameters + step[:5]
        sight = rays(root_px, camera)
        a, b = sight * ((place @ into) / (sight @ into))[:, None]
        away = np.cross(into, b - a)
        away /= np.linalg.norm(away)
        away *= np.sign((turned[:, :2] @ (middle_mm * scale) + place - a) @ away)
        a, b = a + step[13] * away, b + step[14] * away
        along = (b - a) / np.linalg.norm(b - a)
        away -= (away @ along) * along
        away /= np.linalg.norm(away)
        opening = angle + step[15]
        if plate.which == "B":
            cos, sin = np.cos(opening), np.sin(opening)
            away, into = cos * away - sin * into, -sin * away - cos * into
        return Wedge(camera, np.stack([np.cross(away, into), away, into], axis=1), (a + b) / 2, opening)

    modes = {label: np.pad(rows, ((0, 0), (0, _STEP - rows.shape[1]))) for label, rows in plate.modes.items()}
    modes["root line"] = np.eye(_STEP)[13:15] * ours.one_card.u_root_mm
    modes["stated angle"] = np.eye(_STEP)[15:] * np.radians(ours.one_card.u_angle)
    at = wedge(np.zeros(_STEP))
    base = plate.pose if plate.which == "A" else (at.axes, at.root)
    return FilletFrame(at, modes_of_wedge(wedge, modes), plate, *base, angle_said=True)
