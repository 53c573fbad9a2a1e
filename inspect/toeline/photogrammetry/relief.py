"""The straight line from photos of one bead to its relief."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toeline.geometry.camera import CameraProfile
from toeline.geometry.fillet_frame import FilletFrame
from toeline.photo import Photo
from toeline.photogrammetry.chart import Chart, lay_chart
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.hollow import with_hollow
from toeline.photogrammetry.joint_fit import Joint
from toeline.photogrammetry.recognise import likeness, strangers
from toeline.photogrammetry.sight import shown_by_two
from toeline.photogrammetry.stands import Stand, Stands, find_stands
from toeline.photogrammetry.surface import Surface, find_surface
from toeline.photogrammetry.tie import Ties, tie
from toeline.problems import problem
from toeline.result import Problem, Settings
from toeline.trace.band import F64, TracedBead


@dataclass(frozen=True, slots=True)
class Relief:
    """The surface on its chart, the stands it was seen from and how they were tied.

    ``left_out`` says by its number what is wrong with each photo that was not used. ``side`` is 1 where a fillet's base
    plate lies to the left of travel, -1 to the right, 0 on one plate. ``seam`` (n, 2) holds the stations of the traced
    bead and where they lie on the chart.
    """

    chart: Chart
    surface: Surface
    stands: tuple[Stand, ...]
    ties: Ties
    left_out: dict[int, Problem]
    side: int
    seam: F64
    body: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """Why there is no relief, and what is wrong with each photo that was not used."""

    why: str
    left_out: dict[int, Problem]


def find_relief(
    photos: Sequence[Photo],
    bead: TracedBead,
    body: tuple[float, float] | None,
    which: str,
    fillet: FilletFrame | None,
    settings: Settings,
    profile: CameraProfile | None,
) -> Relief | Unmeasured:
    """The relief of a bead that was traced in the first of the photos, on the plate of card ``which``.

    ``fillet`` holds both plates of a fillet as the face photo shows them.

    Raises:
        CardError: the face photo's card allows no pose.
    """
    middle = len(bead.s) // 2
    about_px = bead.frame.to_px(((bead.left_toe + bead.right_toe) / 2)[[middle]])[0]
    found = find_stands(photos, which, about_px, settings, profile)
    stands, left_out = found.stands, dict(found.left_out)
    chart, side = _chart(bead, fillet, found)
    images, frames = [x.photo.image for x in stands], [x.plate for x in stands]
    alike = likeness(images, frames, chart, scales(stands, chart))
    strange = strangers(alike, [x.photo.name for x in stands])
    left_out |= {stands[k].nth: why for k, why in strange.items()}
    stands = tuple(stand for k, stand in enumerate(stands) if k not in strange)
    if why := _too_few(stands, chart):
        return Unmeasured(why, left_out)
    images, per_mm = [x.photo.image for x in stands], scales(stands, chart)
    ties = tie(images, [x.plate for x in stands], chart, per_mm)
    surface = find_surface(images, ties.frames, chart, per_mm)
    surface = with_hollow(images, ties.frames, chart, surface, per_mm)
    surface = replace(surface, shown=shown_by_two(images, ties.frames, chart, surface.height))
    at = chart.coordinates(on_base((bead.left_toe + bead.right_toe) / 2, bead, stands[0]))
    return Relief(chart, surface, stands, ties, left_out, side, np.stack([bead.s, at[:, 0]], axis=1), body)


def scales(stands: Sequence[Stand], chart: Chart) -> list[float]:
    """Pixels a mm at the bead, in each photo."""
    at = chart.points(np.array(chart.length / 2), np.array(0.0), np.array(0.0))[:2]
    return [float(stand.plate.px_per_mm(at).value or 0.0) for stand in stands]


def on_base(surface_mm: F64, bead: TracedBead, face: Stand) -> F64:
    """Points (N, 3) of card A's plate frame of surface coordinates (N, 2) that the bead was traced in."""
    if isinstance(bead.frame, FilletFrame):
        return bead.frame.to_plate(surface_mm)
    at = face.plate.to_mm(bead.frame.to_px(surface_mm))
    return np.concatenate([at, np.zeros((len(at), 1))], axis=1)


def _chart(bead: TracedBead, fillet: FilletFrame | None, found: Stands) -> tuple[Chart, int]:
    """The chart along the bead, and on which side of travel a fillet's base plate lies."""
    rule = ReliefFigures.read().chart
    left, right = (on_base(toe, bead, found.stands[0]) for toe in (bead.left_toe, bead.right_toe))
    size = rule.step, rule.beside, rule.beyond
    if fillet is None:
        return lay_chart(left, right, np.array([0.0, 0.0, 1.0]), None, 0.0, *size), 0
    joint = found.joint or _as_said(fillet)
    up = joint.away + joint.upright
    up /= np.linalg.norm(up)
    half = np.arccos(np.clip(up @ joint.away, -1.0, 1.0))
    chart = lay_chart(left, right, up, joint.root, 1.0 / float(np.tan(half)), *size)
    return chart, 1 if joint.away @ chart.axes[1] > 0 else -1


def _as_said(fillet: FilletFrame) -> Joint:
    """The joint of a fillet whose second plate no card shows."""
    root, away, upright = fillet.to_plate(np.array([[0.0, 0.0], [0.0, 1.0], [0.0, -1.0]]))
    return Joint(root, away - root, upright - root)


def _too_few(stands: Sequence[Stand], chart: Chart) -> str | None:
    """Why these stands give no relief, or None."""
    if len(stands) < 2:
        return problem("relief_alone").text
    at = chart.points(np.array(chart.length / 2), np.array(0.0), np.array(0.0))
    ways = np.array([stand.towards(at) for stand in stands])
    widest = float(np.degrees(np.arccos(np.clip((ways @ ways.T).min(), -1.0, 1.0))))
    least = ReliefFigures.read().stands.lean_deg
    return problem("relief_no_lean", lean=f"{widest:.0f}").text if widest < least else None
