"""From which sides of the bead photos were taken, and from which none was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toeline.photo import Photo
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.stands import Stand, find_stands
from toeline.result import Problem, Result, SeenFrom, SeenSide
from toeline.trace.band import F64

#: In the order in which they are asked for: across the seam tells most.
SIDES: tuple[SeenSide, ...] = ("above", "left", "right", "start", "end")


@dataclass(frozen=True, slots=True)
class SidesSeen:
    """Where each photo that can be used was taken from, the sides from which none was, and by its place what is wrong
    with each other photo."""

    seen_from: tuple[SeenFrom, ...]
    missing: tuple[SeenSide, ...]
    left_out: dict[int, Problem]


def sides_seen(photos: Sequence[Photo], face: Result) -> SidesSeen:
    """From which sides photos were taken whose first is the photo that ``face`` was measured in.

    Whether they show the same bead only the relief tells.

    Raises:
        CardError: the face photo's card allows no pose.
    """
    bead = face.bead
    if bead.start_px is None or bead.end_px is None or bead.start is None or bead.end is None:
        return SidesSeen((), SIDES, {})
    which = "A" if "A" in face.scale.cards else "B"
    about_px = (np.array(bead.start_px) + np.array(bead.end_px)) / 2
    found = find_stands(photos, which, about_px, face.settings, None)
    about = np.append((np.array(bead.start) + np.array(bead.end)) / 2, 0.0)
    along = np.append(np.array(bead.end) - np.array(bead.start), 0.0)
    up = np.array([0.0, 0.0, 1.0])
    if found.joint is not None:
        up = found.joint.away + found.joint.upright
    elif face.settings.joint == "fillet":  # both plates are looked into from where the face photo was taken
        up = found.stands[0].towards(about)
    seen = seen_from(found.stands, about, along, up)
    return SidesSeen(seen, missing(seen), found.left_out)


def seen_from(stands: Sequence[Stand], about: F64, along: F64, up: F64) -> tuple[SeenFrom, ...]:
    """The side of each stand, seen from ``about`` (3,): the seam runs ``along`` (3,), the bead faces ``up`` (3,), in
    the plate frame."""
    rule = ReliefFigures.read().stands
    along = along / np.linalg.norm(along)
    up = up - (up @ along) * along
    up /= np.linalg.norm(up)
    to_left = np.cross(along, up)  # the plate frame is left-handed
    out = []
    for stand in stands:
        way = stand.towards(about)
        ahead, aside = float(way @ along), float(way @ to_left)
        lean = float(np.degrees(np.arctan2(np.hypot(ahead, aside), way @ up)))
        side: SeenSide = "above"
        if lean >= rule.square_deg:
            across: SeenSide = "left" if aside > 0 else "right"
            lengthwise: SeenSide = "end" if ahead > 0 else "start"
            side = across if abs(aside) >= abs(ahead) else lengthwise
        out.append(SeenFrom(photo=stand.nth, side=side, lean=round(lean, 1)))
    return tuple(out)


def missing(seen: Sequence[SeenFrom]) -> tuple[SeenSide, ...]:
    """The sides from which no photo was taken."""
    return tuple(side for side in SIDES if side not in {one.side for one in seen})
