"""Is the photo good enough to measure? Each answer says what is wrong and what to do at the bench.

Looked at where it matters: on the bead, not over the whole picture. A sharp background helps nobody.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.geometry.card import FoundCard, card_spec
from toeline.geometry.plate import Plate
from toeline.measures.figures import DetectionFigures
from toeline.photo import Photo
from toeline.photo.figures import Graded, PhotoFigures
from toeline.problems import problem
from toeline.result import Problem
from toeline.trace.band import TracedBead

F64 = NDArray[np.float64]


def photo_problems(
    photo: Photo, bead_px: F64, plate: Plate | None = None, *, fillet: bool = False
) -> tuple[Problem, ...]:
    """Problems of the photo where the bead is.

    ``bead_px`` (N, 2) is the bead's outline in photo pixels, ``plate`` the plate it lies on, if there is a card.
    """
    limits = PhotoFigures.read().usability
    found: list[Problem] = []
    outline = np.asarray(bead_px, np.float32)
    if plate is None:
        width_px = min(cv2.minAreaRect(outline)[1])
        px_per_mm = width_px / limits.bead_width_mm
        found += _graded("bead_small", "bead_too_small", -px_per_mm, _negated(limits.px_per_mm), px=f"{width_px:.0f}")
    else:
        seen = plate.to_mm(np.asarray(bead_px, float).mean(axis=0, keepdims=True))[0]
        px_per_mm = plate.px_per_mm(seen).value or 0.0
        found += _view_problems(plate, px_per_mm, fillet)
    grey, mask = _cut_out(photo, outline)
    if not mask.any():
        return tuple(found)
    inside = grey[mask]
    blown = float(np.mean(inside >= limits.blown_level))
    found += _graded("glare", "glare_strong", blown, limits.blown_share, share=f"{100 * blown:.0f}")
    dark, median = float(np.mean(inside <= limits.dark_level)), float(np.median(inside))
    share = f"{100 * dark:.0f}"
    found += _graded("dark", "dark_strong", dark, limits.dark_share, share=share) or _graded(
        "dark", "dark_strong", -median, _negated(limits.dark_median), share=share
    )
    grain = _graded("blur", "blur_strong", -_grain_ratio(grey, mask, px_per_mm), _negated(limits.grain_ratio))
    edge = [] if plate is None else _graded("blur", "blur_strong", edge_blur_mm(photo, plate.card), limits.blur_mm)
    found += edge if not grain or (edge and edge[0].severity == "stop") else grain
    return tuple(found)


def scene_problems(photo: Photo, plate: Plate | None = None, *, fillet: bool = False) -> tuple[Problem, ...]:
    """What is wrong with a photo in which no bead was found: why that may be, as the whole of it and its card tell."""
    limits = PhotoFigures.read().usability
    shrink = max(max(photo.image.shape[:2]) // limits.scene_side_px, 1)
    grey = cv2.cvtColor(np.ascontiguousarray(photo.image[::shrink, ::shrink]), cv2.COLOR_BGR2GRAY)
    found: list[Problem] = []
    if np.median(grey) <= limits.dark_median.warning:
        found.append(problem("photo_dark"))
    blown = float(np.mean(grey >= limits.blown_level))
    if blown > limits.scene_blown_share:
        found.append(problem("photo_blown", share=f"{100 * blown:.0f}"))
    if plate is not None:
        found += _view_problems(plate, plate.px_per_mm(plate.card_middle).value or 0.0, fillet)
        if edge_blur_mm(photo, plate.card) > limits.blur_mm.stop:
            found.append(problem("photo_blurred"))
    return tuple(found)


def _view_problems(plate: Plate, px_per_mm: float, fillet: bool) -> list[Problem]:
    """Whether the camera stood near enough and square enough."""
    limits = PhotoFigures.read().usability
    tilt = plate.tilt_deg
    return [
        *_graded("photo_small", "photo_too_small", -px_per_mm, _negated(limits.px_per_mm), px=f"{px_per_mm:.1f}"),
        *_graded("tilt", "tilt_strong", tilt, limits.fillet_tilt_deg if fillet else limits.tilt_deg, deg=f"{tilt:.0f}"),
    ]


def card_problems(cards: Sequence[FoundCard], plate: Plate | None, bead_px: F64 | None = None) -> tuple[Problem, ...]:
    """Problems of the card that ``plate`` stands on: seen in part, not flat, not alone, far off, not measured."""
    limits = PhotoFigures.read().card_use
    if plate is None:
        return (problem("no_card"),)
    found: list[Problem] = []
    found += [problem("card_twice", card=which) for which, n in Counter(c.which for c in cards).items() if n > 1]
    if (seen := len(plate.card.marker_ids)) < 4:
        found.append(problem("card_partly_seen", n=seen))
    off = f"{plate.fit.rms_px:.1f}"
    found += _graded("card_not_flat", "card_bent", plate.fit.misfit, limits.misfit, px=off)
    if bead_px is not None:
        at, spec = plate.to_mm(np.asarray(bead_px, float)), card_spec()
        scale = plate.print_scale.value
        beyond = np.maximum(0.0, np.maximum(-at, at - np.array([spec.width, spec.height]) * scale))
        away = float(np.nanmin(np.linalg.norm(beyond, axis=1)))
        if away > limits.far_mm:
            found.append(problem("card_far", mm=f"{away:.0f}"))
    if not plate.print_scale.measured:
        found.append(problem("print_scale_unknown"))
    if plate.camera.source == "card":
        found.append(problem("focal_unknown"))
    return tuple(found)


def _graded(mild: str, strong: str, value: float, limit: Graded, **said: object) -> list[Problem]:
    """The problem that ``value`` amounts to, if any; larger is worse."""
    code = strong if value > limit.stop else mild if value > limit.warning else None
    return [problem(code, **said)] if code else []


def _negated(limit: Graded) -> Graded:
    return Graded(warning=-limit.warning, stop=-limit.stop)


def _cut_out(photo: Photo, outline: NDArray[np.float32]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """The grey picture round the bead and the mask of the bead in it."""
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - 8, 0)
    high = np.ceil(outline.max(axis=0)).astype(int) + 9
    part = photo.image[low[1] : max(high[1], 0), low[0] : max(high[0], 0)]
    if part.size == 0:
        return np.zeros((1, 1), np.uint8), np.zeros((1, 1), bool)
    mask = np.zeros(part.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(outline - low).astype(np.int32)], 1)
    return np.asarray(cv2.cvtColor(part, cv2.COLOR_BGR2GRAY), np.uint8), mask > 0


def _grain_ratio(grey: NDArray[np.uint8], mask: NDArray[np.bool_], px_per_mm: float) -> float:
    """Fine over coarse grain on the bead, at one scale for all photos: blur takes the fine grain first.

    The least of four directions, for a shaken phone blurs in one.
    """
    scale = PhotoFigures.read().usability.grain_px_per_mm / max(px_per_mm, 1e-6)
    size = (max(round(grey.shape[1] * scale), 1), max(round(grey.shape[0] * scale), 1))
    shrunk = cv2.resize(grey, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR).astype(np.float32)
    core = cv2.erode(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), np.ones((5, 5)))
    if core.sum() < 100:
        return np.inf  # too small a bead to tell
    # the bead laid level in a strip no larger than it needs
    outlines, _ = cv2.findContours(core, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    middle, (length, width), angle = cv2.minAreaRect(np.concatenate(outlines))
    if width > length:  # pushed along, a strip that stands upright would grow as wide as it is long
        length, width, angle = width, length, angle - 90.0
    wide, high = int(length) + 1, int(width) + 1
    level = np.asarray(cv2.getRotationMatrix2D(middle, angle, 1.0), float)
    level[:, 2] += np.array([wide, high]) / 2 - middle

    def laid(shear: float, flags: int, picture: NDArray[Any]) -> NDArray[Any]:
        """The strip with its columns pushed along by ``shear`` px a row: what lay aslant then stands upright."""
        push = np.array([[1.0, shear, max(-shear, 0.0) * high], [0.0, 1.0, 0.0]]) @ np.vstack([level, [0.0, 0.0, 1.0]])
        return np.asarray(cv2.warpAffine(picture, push, (wide + int(abs(shear) * high), high), flags=flags))

    ratios = []
    for shear, along, step in ((0.0, False, 1.0), (0.0, True, 1.0), (1.0, True, 2**0.5), (-1.0, True, 2**0.5)):
        strip, inside = laid(shear, cv2.INTER_CUBIC, shrunk), laid(shear, cv2.INTER_NEAREST, core) > 0
        ways = [(1e-3, sigma / step) if along else (sigma, 1e-3) for sigma in (1, 2, 4)]
        smooth = [cv2.GaussianBlur(strip, (0, 0), sigmaX=x, sigmaY=y) for x, y in ways]
        fine, coarse = (float((smooth[k] - smooth[k + 1])[inside].std()) for k in (0, 1))
        ratios.append(fine / max(coarse, 1e-6))
    return min(ratios)


def edge_blur_mm(photo: Photo, card: FoundCard) -> float:
    """Standard deviation of the blur across the card's black edges, mm, in the worse of its two directions.

    From the spread of the grey step at each marker side, averaged along the side (the line spread function's second
    moment, as in ISO 12233's edge method).
    """
    spec = card_spec()
    quads = card.corners_px.reshape(-1, 4, 2)
    blurs: dict[Literal["level", "upright"], list[float]] = {"level": [], "upright": []}
    for quad in quads:
        for k in range(4):
            start, end = quad[k], quad[(k + 1) % 4]
            opposite = (quad[(k + 2) % 4] + quad[(k + 3) % 4]) / 2
            inward = (opposite - (start + end) / 2) / spec.marker_side  # px per mm
            along = np.linspace(0.15, 0.85, 24)[:, None] * (end - start) + start
            reach = np.linspace(-0.8, 0.8, 65) * spec.module
            at = (along[:, None] + reach[None, :, None] * inward).astype(np.float32)
            values = cv2.remap(photo.image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            profile = np.maximum(-np.diff(values.mean(axis=(0, 2))), 0.0)
            profile[profile < 0.1 * profile.max()] = 0.0  # noise far from the edge would count most
            if profile.sum() <= 0:
                continue
            middle = (reach[1:] + reach[:-1]) / 2
            mean = np.average(middle, weights=profile)
            blurs["level" if k % 2 == 0 else "upright"].append(
                float(np.sqrt(np.average((middle - mean) ** 2, weights=profile)))
            )
    return max((float(np.median(b)) for b in blurs.values() if b), default=0.0)


def trace_problems(traced: TracedBead) -> list[Problem]:
    """What makes the traced bead less sure: cut, covered, hard to see, short, of unknown travel."""
    found = [
        problem("bead_cut", end=end)
        for end, seen in (("start", traced.start_seen), ("end", traced.end_seen))
        if not seen
    ]
    unsure = float(np.mean(traced.confidence < DetectionFigures.read().toe))
    if unsure > 0.15:
        found.append(problem("bead_unsure", share=round(100 * unsure)))
    for covered in traced.covered:
        along = (covered.s_from + covered.s_to) / 2 / float(traced.s[-1])
        found.append(problem("toe_covered", side=covered.side, share=round(100 * along)))
    if traced.travel == "assumed":
        found.append(problem("travel_assumed"))
    if float(traced.s[-1]) < 4 * float(np.median(traced.t_left - traced.t_right)):
        found.append(problem("bead_short"))
    return found
