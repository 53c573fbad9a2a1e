"""The document of one photo: what was found, in the words and the shape of the result contract."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence

import cv2
import numpy as np

from toeline import __version__
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.ground import Ground
from toeline.photo import Photo
from toeline.result import (
    Bead,
    Indication,
    PhotoInfo,
    Point,
    Problem,
    Quantity,
    ReliefAlong,
    Result,
    Scale,
    Settings,
    unknown,
)
from toeline.trace.band import F64, TracedBead
from toeline.trace.bead_finder import Detections

CAUTIONS = (
    "A photo shows the face only: not the inside, the depth of fusion or the root.",
    "Acceptance belongs to the governing code and a qualified inspector.",
)


def write_document(
    photo: Photo,
    ground: Ground,
    detections: Detections,
    traced: TracedBead | None,
    problems: Sequence[Problem],
    measures: Mapping[str, Quantity],
    sizes_along: Mapping[str, tuple[float | None, ...]],
    indications: tuple[Indication, ...],
    settings: Settings,
) -> Result:
    """The result without its judgement and causes; ``sizes_along`` are a fillet's sizes at each station."""
    return Result(
        photo=PhotoInfo(
            name=photo.name,
            sha256=photo.sha256,
            width_px=photo.width,
            height_px=photo.height,
            taken_at=photo.exif.taken_at,
            camera=photo.exif.camera,
            usable=not any(p.severity == "stop" for p in problems),
            problems=tuple(problems),
        ),
        scale=_scale(ground, traced, settings),
        bead=_bead(traced, detections, settings, problems).model_copy(update=dict(sizes_along)),
        measures=dict(measures),
        indications=indications,
        settings=settings,
        versions={"toeline": __version__, "opencv": cv2.__version__, "python": platform.python_version()},
        cautions=CAUTIONS,
    )


def withhold(result: Result, why: str) -> Result:
    """The document of a photo of which nothing is believed: every measure unknown and ``why``, nothing seen or said."""
    measures = {name: unknown(why, quantity.unit) for name, quantity in result.measures.items()}
    no_sizes: dict[str, tuple[float | None, ...]] = dict.fromkeys(("leg_base", "leg_upright", "throat", "throat_U"), ())
    bead = result.bead.model_copy(update=no_sizes)
    if result.relief is not None:
        result = result.model_copy(update={"relief": ReliefAlong(state="none", why=why)})
    nothing: dict[str, object] = {"indications": (), "judgement": None, "causes": (), "coaching": None, "advice": {}}
    return result.model_copy(update={**nothing, "measures": measures, "bead": bead, "causes_why": why})


def _scale(ground: Ground, traced: TracedBead | None, settings: Settings) -> Scale:
    plate = ground.plate
    if plate is None:
        why = "no reference card was found" if not ground.cards else "the card's corners allow no scale"
        return Scale(state="none", why=why)
    at = plate.card_middle
    if traced is not None:
        px = traced.frame.to_px(traced.band.to_surface(traced.s[[len(traced.s) // 2]], np.zeros(1)))
        middle = plate.to_mm(px)[0]
        at = middle if np.isfinite(middle).all() else at
    names = ground.cards if ground.fillet is not None else (plate.card,)
    return Scale(
        state="card",
        cards=tuple(sorted({c.which for c in names})),
        print_scale=plate.print_scale.quantity,
        px_per_mm=plate.px_per_mm(at),
        tilt=plate.tilt,
        camera_profile=settings.camera_profile,
    )


def _bead(traced: TracedBead | None, detections: Detections, settings: Settings, problems: Sequence[Problem]) -> Bead:
    others = tuple(b.ends_px for b in detections.beads)
    if traced is None:
        looks = (
            detections.other.kind
            if detections.other is not None and any(p.code == "not_a_bead" for p in problems)
            else None
        )
        why = next((p.text for p in problems if p.code in ("no_bead", "not_a_bead", "ends_off")), None)
        return Bead(found=False, joint=settings.joint, looks_like=looks, why=why, others_px=others)
    left, right = traced.left_toe, traced.right_toe
    left_px, right_px = traced.frame.to_px(left), traced.frame.to_px(right)
    has_scale = traced.frame.has_scale
    plate_left, plate_right = (_on_plate(traced, mm) for mm in (left, right))
    return Bead(
        found=True,
        confidence=round(min(max(traced.found_confidence, 0.0), 1.0), 3),
        joint=settings.joint,
        start=_point((plate_left[0] + plate_right[0]) / 2) if has_scale else None,
        end=_point((plate_left[-1] + plate_right[-1]) / 2) if has_scale else None,
        start_px=_point((left_px[0] + right_px[0]) / 2),
        end_px=_point((left_px[-1] + right_px[-1]) / 2),
        start_seen=traced.start_seen,
        end_seen=traced.end_seen,
        travel=traced.travel,
        travel_evidence=traced.travel_evidence,
        s=tuple(np.round(traced.s, 3).tolist()),
        left_toe=_points(plate_left) if has_scale else (),
        right_toe=_points(plate_right) if has_scale else (),
        left_toe_px=_points(left_px),
        right_toe_px=_points(right_px),
        toe_confidence=tuple(np.round(traced.confidence, 3).tolist()),
        others_px=others if len(others) > 1 else (),
        why=None if has_scale else "no reference card was found, so places are given in pixels only",
    )


def _on_plate(traced: TracedBead, mm: F64) -> F64:
    """Surface coordinates as plate mm: a fillet's unfolded surface folds back onto its base plate's frame."""
    return traced.frame.to_plate(mm)[:, :2] if isinstance(traced.frame, FilletFrame) else mm


def _point(at: F64) -> Point:
    return round(float(at[0]), 4), round(float(at[1]), 4)


def _points(line: F64) -> tuple[Point, ...]:
    return tuple((x, y) for x, y in np.round(line, 4).tolist())
