"""The search for the bead that is meant: found, looked for more closely or from afar, traced, and chosen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from toeline.datafile import load
from toeline.errors import SettingsError
from toeline.geometry.card import FoundCard
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.ground import Ground
from toeline.geometry.plate import PixelFrame, Plate
from toeline.photo import Photo
from toeline.problems import problem
from toeline.result import Point, Problem
from toeline.trace.band import TracedBead
from toeline.trace.bead_finder import Candidate, Detections, detect_beads
from toeline.trace.toes import BeadLost, trace_bead

#: What a wrong find looks like, and what to do: our own words.
_LOOKS = {
    "slag_covered": ("a bead still under its slag", "Chip and brush the slag off, let it cool, and take it again."),
    "rope": ("a rope or a cable", "Lay it aside and show the cleaned bead."),
    "rod": ("a rod or a tube", "Lay it aside and show the cleaned bead."),
    "painted_line": ("a painted or drawn line", "Show the cleaned bead."),
}


@dataclass(frozen=True, slots=True)
class Found:
    """What the search came to: the bead that is meant, the detections that are left, and what to say about it."""

    bead: TracedBead | None
    detections: Detections
    problems: tuple[Problem, ...] = ()


def check_ends(photo: Photo, ends_px: tuple[Point, Point] | None) -> None:
    """Refuse ends that the user marked outside the photo or on one spot.

    Raises:
        SettingsError: they do not lie apart in the photo.
    """
    if ends_px is None:
        return
    (ax, ay), (bx, by) = ends_px
    inside = all(0 <= x < photo.width and 0 <= y < photo.height for x, y in ends_px)
    if not inside or np.hypot(ax - bx, ay - by) < 20:
        raise SettingsError(
            f"The ends {ax:g},{ay:g} and {bx:g},{by:g} do not lie apart in the photo of "
            f"{photo.width} × {photo.height} pixels; give the start and the end of the bead in pixels."
        )


def search(photo: Photo, detections: Detections, ground: Ground, ends_px: tuple[Point, Point] | None) -> Found:
    """The bead that is meant: between the ends that the user marked, else the one nearest to the card."""
    if ends_px is not None:
        named = _between(detections, ends_px)
        try:
            traced = trace_bead(photo.image, _frame(ground, named), named, ends_given=True)
        except BeadLost:
            return Found(None, Detections((), detections.other), (problem("ends_off"),))
        share = _as_traced(traced).length_px / float(np.linalg.norm(np.subtract(*ends_px)))
        missed = share < load("photo.toml")["usability"]["ends_share"]
        problems = (problem("ends_missed", share=f"{100 * share:.0f}"),) if missed else ()
        return Found(_said_travel(traced), detections, problems)
    found = _trace_each(photo, detections.beads, ground)
    if not found and ground.fillet is not None:
        found = _trace_each(photo, [_along_root(ground.fillet, ground.cards)], ground)
    if not found:
        found = _trace_each(photo, _close_up(photo, ground.cards), ground)
    if not found:
        found = _trace_each(photo, _from_afar(photo), ground)
    left = Detections(tuple(whole for _, whole in found), detections.other)
    if not found:
        return Found(None, left, (_no_bead(left),))
    return Found(found[0][0], left, (problem("several_beads", n=len(found)),) if len(found) > 1 else ())


def _frame(ground: Ground, bead: Candidate) -> Plate | FilletFrame | PixelFrame:
    """The surface the bead is traced on; without a card one whose unit follows from the bead's seeming width."""
    return ground.surface or PixelFrame(max(bead.width_px, 8.0) / load("bead.toml")["band"]["nominal_width"])


def _said_travel(traced: TracedBead) -> TracedBead:
    return replace(traced, travel="known", travel_evidence="the user marked the start first, then the end")


def _close_up(photo: Photo, cards: Sequence[FoundCard]) -> Sequence[Candidate]:
    """Beads as a closer look shows them: where card and bead are small in the photo, round the card."""
    low, high = np.zeros(2, int), np.array([photo.width, photo.height])
    if cards:
        corners = np.concatenate([card.corners_px for card in cards])
        first, last = corners.min(axis=0), corners.max(axis=0)
        reach = load("bead.toml")["finder"]["close_reach"] * float(np.linalg.norm(last - first))
        middle = (first + last) / 2
        low, high = (np.clip(middle + way * reach, low, high).astype(int) for way in (-1, 1))
    part = photo.image[low[1] : high[1], low[0] : high[0]]
    return [replace(b, line_px=b.line_px + low) for b in detect_beads(part, closely=True).beads]


def _from_afar(photo: Photo) -> Sequence[Candidate]:
    """Beads as they show in the photo made much smaller: one that fills a close-up is too large to be known as a bead
    in its full view."""
    side = load("photo.toml")["usability"]["afar_side_px"]
    shrink = max(photo.width, photo.height) / side
    size = max(round(photo.width / shrink), 1), max(round(photo.height / shrink), 1)
    beads = detect_beads(np.asarray(cv2.resize(photo.image, size, interpolation=cv2.INTER_AREA), np.uint8)).beads
    return [replace(b, line_px=(b.line_px + 0.5) * shrink - 0.5, width_px=b.width_px * shrink) for b in beads]


def _trace_each(photo: Photo, beads: Sequence[Candidate], ground: Ground) -> list[tuple[TracedBead, Candidate]]:
    """Every bead that can be traced, nearest to the card first, with its own mid line."""
    found: list[tuple[TracedBead, Candidate]] = []
    for candidate in _nearest_first(beads, ground.cards):
        if any(_lies_on(candidate, whole) for _, whole in found):
            continue
        try:
            traced = trace_bead(photo.image, _frame(ground, candidate), candidate)
        except BeadLost:
            continue
        whole = _as_traced(traced)
        found = [pair for pair in found if not _lies_on(pair[1], whole)] + [(traced, whole)]
    return found


def _nearest_first(beads: Sequence[Candidate], cards: Sequence[FoundCard]) -> list[Candidate]:
    """Beads by their distance from the card; without one as they are, surest first."""
    if not cards:
        return list(beads)
    middle = np.mean([c.corners_px.mean(axis=0) for c in cards], axis=0)
    return sorted(beads, key=lambda b: float(np.linalg.norm(b.line_px - middle, axis=1).min()))


def _as_traced(traced: TracedBead) -> Candidate:
    """A traced bead's mid line and width in the photo."""
    left, right = (traced.frame.to_px(toe) for toe in (traced.left_toe, traced.right_toe))
    width = float(np.median(np.linalg.norm(left - right, axis=1)))
    return Candidate("bead", (left + right) / 2, width, traced.found_confidence)


def _lies_on(piece: Candidate, whole: Candidate) -> bool:
    """Whether most of a piece lies within a traced bead."""
    apart = np.linalg.norm(piece.line_px[:, None] - whole.line_px[None], axis=2).min(axis=1)
    return bool(np.mean(apart < whole.width_px / 2) > 0.5)


def _along_root(fillet: FilletFrame, cards: Sequence[FoundCard]) -> Candidate:
    """Where a fillet must lie if there is one: along the line where the plates meet, as far as the cards reach."""
    x = fillet.to_mm(np.concatenate([c.corners_px for c in cards]))[:, 0]
    root = np.stack([np.linspace(np.nanmin(x), np.nanmax(x), 50), np.zeros(50)], axis=1)
    px = fillet.to_px(root)
    per_mm = float(np.linalg.norm(px[-1] - px[0]) / (root[-1, 0] - root[0, 0]))
    return Candidate("bead", px, load("bead.toml")["band"]["nominal_width"] * per_mm, 0.5)


def _between(detections: Detections, ends: tuple[Point, Point]) -> Candidate:
    """The bead between two named ends: along a found bead that runs there, else straight."""
    start, end = np.asarray(ends[0], float), np.asarray(ends[1], float)
    length = float(np.linalg.norm(end - start))
    for bead in detections.beads:
        gaps = [np.linalg.norm(bead.line_px - at, axis=1) for at in (start, end)]
        i, j = (int(g.argmin()) for g in gaps)
        near = max(float(g.min()) for g in gaps)
        if near < 1.5 * bead.width_px and abs(j - i) > 0.4 * len(bead.line_px) * length / max(bead.length_px, length):
            line = bead.line_px[min(i, j) : max(i, j) + 1]
            inner = (line if i < j else line[::-1])[2:-2]
            return Candidate("bead", np.concatenate([start[None], inner, end[None]]), bead.width_px, 1.0)
    return Candidate("bead", start + np.linspace(0, 1, 50)[:, None] * (end - start), length / 10, 1.0)


def _no_bead(detections: Detections) -> Problem:
    if detections.other is None or detections.other.kind not in _LOOKS:
        return problem("no_bead")
    what, todo = _LOOKS[detections.other.kind]
    return problem("not_a_bead", what=what, todo=todo)
