"""The search for the bead that is meant: found, looked for more closely or from afar, traced, and chosen."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np

from toeline.errors import SettingsError
from toeline.geometry.card import FoundCard
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.ground import Ground
from toeline.geometry.plate import PixelFrame, Plate
from toeline.photo import Photo
from toeline.photo.figures import PhotoFigures
from toeline.problems import problem
from toeline.result import Point, Problem
from toeline.trace.band import READERS, BandReader, TracedBead
from toeline.trace.bead_finder import Candidate, Detections, detect_beads
from toeline.trace.belief import disbelief, parted, surety, weld_metal_beyond
from toeline.trace.figures import BeadFigures
from toeline.trace.toes import BeadLost, as_photographed, lighter, trace_bead

#: What a wrong find looks like, and what to do: our own words.
_SEEMS = {
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
    """The bead that is meant: between the ends that the user marked, else the one nearest to the card.

    Where no trace is believed the photo is looked at in other ways and sizes, and the surest trace is kept. One that is
    still not believed is given, to be shown, with a problem that stops the photo.
    """
    if ends_px is not None:
        return _search_between(photo, detections, ground, ends_px)
    found = _look_for(photo, detections, ground, _LOOKS)
    if not found:
        lit = replace(photo, image=lighter(photo.image))
        found = [one for one in _look_for(lit, detections, ground, _LIT_LOOKS) if one.surety >= 1.0]
    sure = [one for one in found if one.surety >= 1.0]
    if not found:
        # slag is known by its grain, which shows at a closer look
        seen = detections if detections.other else detect_beads(photo.image, closely=True)
        return Found(None, Detections((), detections.other), (_no_bead(seen),))
    chosen = sure[0] if sure else max(found, key=lambda one: one.weight)
    if wrong := _something_else(detections, chosen):
        return Found(None, Detections((), wrong), (_not_a_bead(wrong.kind),))
    problems = chosen.disbelief
    rivals = [one.whole for one in found if _rivals(one, chosen)]
    if not problems and not rivals:
        rivals = _neighbours(chosen)
    left = Detections((chosen.whole, *rivals), detections.other)
    if not problems and len(left.beads) > 1:
        problems = (problem("several_beads", n=len(left.beads)),)
    bead = chosen.bead if chosen.photo is photo else as_photographed(photo.image, chosen.bead.frame, chosen.bead)
    return Found(bead, left, problems)


def _search_between(photo: Photo, detections: Detections, ground: Ground, ends_px: tuple[Point, Point]) -> Found:
    """The bead between two ends that the user marked: tried at several widths, for they say nothing of it."""
    found: list[_Trace] = []
    for reader, candidate in product(READERS, _between(detections, ends_px)):
        if (one := _trace(photo, candidate, detections, ground, reader, ends_given=True)) is not None:
            found.append(one)
            if one.surety >= 1.0:
                break
    if not found:
        return Found(None, Detections((), detections.other), (problem("ends_off"),))
    chosen = max(found, key=lambda one: one.weight)
    problems = chosen.disbelief
    share = chosen.whole.length_px / float(np.linalg.norm(np.subtract(*ends_px)))
    if share < PhotoFigures.read().usability.ends_share:
        problems = (problem("ends_missed", share=f"{100 * share:.0f}"),)
    return Found(_said_travel(chosen.bead), detections, problems)


@dataclass(frozen=True, slots=True, eq=False)  # one is itself alone: arrays cannot be compared
class _Trace:
    """A traced bead, how surely the finder sees it, where that has a say, its own mid line and width in the photo, and
    the photo as it was shown to be traced."""

    bead: TracedBead
    seen: float | None
    whole: Candidate
    photo: Photo

    @property
    def surety(self) -> float:
        """How sure it is (1: believed)."""
        return surety(self.bead, self.seen)

    @property
    def disbelief(self) -> tuple[Problem, ...]:
        """Why it is not believed; nothing where it is."""
        return disbelief(self.bead, self.seen)

    @property
    def weight(self) -> float:
        """How much of a bead is seen how surely, px: a short clear piece of one does not outdo the whole of it."""
        return min(self.surety, 1.0) * self.whole.length_px


def _trace(
    photo: Photo,
    candidate: Candidate,
    detections: Detections,
    ground: Ground,
    reader: BandReader,
    *,
    ends_given: bool = False,
) -> _Trace | None:
    """A candidate traced by what a reader sees, or None. Without a card it is laid anew as wide as it proves to be: the
    readers know beads by a width that is not far off the nominal."""
    rule = BeadFigures.read().band
    best: _Trace | None = None
    for _ in range(rule.resizes if ground.surface is None else 1):
        try:
            bead = trace_bead(photo.image, _frame(ground, candidate), candidate, ends_given, reader)
        except BeadLost:
            break
        seen = None if ends_given or ground.surface is not None else detections.bead_within(bead.outline_px)
        one = _Trace(bead, seen, _as_traced(bead), photo)
        if best is None or one.weight >= best.weight:
            best = one
        off = one.whole.width_px / candidate.width_px
        if max(off, 1 / off) < rule.resize:
            break
        line = candidate.line_px if ends_given else one.whole.line_px
        candidate = replace(one.whole, line_px=line)
    return best


def _rivals(one: _Trace, chosen: _Trace) -> bool:
    """Whether another trace may be a second bead: it is believed, or not much shorter than the one that is meant."""
    share = BeadFigures.read().belief.rival_length
    return one is not chosen and (one.surety >= 1.0 or one.whole.length_px > share * chosen.whole.length_px)


def _neighbours(chosen: _Trace) -> list[Candidate]:
    """Beads that lie against the traced one, which the finder may take for one: the reader sees weld metal beyond its
    toe, or a line between its toes."""
    rule = BeadFigures.read().belief
    bead, width = chosen.bead, float(np.median(chosen.bead.t_left - chosen.bead.t_right))
    found = []
    for toe, way in ((bead.t_left, 1.0), (bead.t_right, -1.0)):
        if weld_metal_beyond(bead, toe, way * width) > rule.neighbour:
            line = bead.frame.to_px(bead.band.to_surface(bead.s, toe + way * width / 2))
            found.append(replace(chosen.whole, line_px=line))
    if parted(bead) > rule.parted:
        found.append(chosen.whole)
    return found


def _frame(ground: Ground, bead: Candidate) -> Plate | FilletFrame | PixelFrame:
    """The surface the bead is traced on; without a card one whose unit follows from the bead's seeming width."""
    return ground.surface or PixelFrame(max(bead.width_px, 8.0) / BeadFigures.read().band.nominal_width)


def _said_travel(traced: TracedBead) -> TracedBead:
    return replace(traced, travel="known", travel_evidence="the user marked the start first, then the end")


_Look = Callable[[Photo, Detections, Ground, Sequence[_Trace]], Sequence[Candidate]]


def _as_seen(photo: Photo, detections: Detections, ground: Ground, found: Sequence[_Trace]) -> Sequence[Candidate]:
    """Beads as the finder saw them."""
    return detections.beads


def _along_root(photo: Photo, detections: Detections, ground: Ground, found: Sequence[_Trace]) -> Sequence[Candidate]:
    """Where a fillet must lie if there is one: along the line where the plates meet, as far as the cards reach."""
    if ground.fillet is None:
        return ()
    x = ground.fillet.to_mm(np.concatenate([c.corners_px for c in ground.cards]))[:, 0]
    root = np.stack([np.linspace(np.nanmin(x), np.nanmax(x), 50), np.zeros(50)], axis=1)
    px = ground.fillet.to_px(root)
    per_mm = float(np.linalg.norm(px[-1] - px[0]) / (root[-1, 0] - root[0, 0]))
    return [Candidate("bead", px, BeadFigures.read().band.nominal_width * per_mm, 0.5)]


def _anew(photo: Photo, detections: Detections, ground: Ground, found: Sequence[_Trace]) -> Sequence[Candidate]:
    """What was traced so far, the surest first, laid anew: straight through its clear stretch, and on as far again
    beyond an end that is not clear."""
    if not found:
        return ()
    one = max(found, key=lambda one: one.weight)
    clear = one.bead.confidence >= np.median(one.bead.confidence)
    middle = one.whole.line_px[clear]
    centre = middle.mean(axis=0)
    way = np.linalg.svd(middle - centre, full_matrices=False)[2][0]
    along = (one.whole.line_px - centre) @ way
    first, last = float(along[0]), float(along[-1])
    ends = BeadFigures.read().belief.ends
    more = [(last - first) * (trust < ends) for trust in one.bead.end_trust]
    line = centre + np.linspace(first - more[0], last + more[1], 50)[:, None] * way
    inside = ((line >= 0) & (line < [photo.width, photo.height])).all(axis=1)
    return [replace(one.whole, line_px=line[inside])] if inside.sum() > 1 else ()


def _close_up(photo: Photo, detections: Detections, ground: Ground, found: Sequence[_Trace]) -> Sequence[Candidate]:
    """Beads as a closer look shows them: where card and bead are small in the photo, round the card."""
    low, high = np.zeros(2, int), np.array([photo.width, photo.height])
    if ground.cards:
        corners = np.concatenate([card.corners_px for card in ground.cards])
        first, last = corners.min(axis=0), corners.max(axis=0)
        reach = BeadFigures.read().finder.close_reach * float(np.linalg.norm(last - first))
        middle = (first + last) / 2
        low, high = (np.clip(middle + way * reach, low, high).astype(int) for way in (-1, 1))
    part = photo.image[low[1] : high[1], low[0] : high[0]]
    return [replace(b, line_px=b.line_px + low) for b in detect_beads(part, closely=True).beads]


def _from_afar(photo: Photo, detections: Detections, ground: Ground, found: Sequence[_Trace]) -> Sequence[Candidate]:
    """Beads as they show in the photo made much smaller: one that fills a close-up is too large to be known as a bead
    in its full view."""
    side = PhotoFigures.read().usability.afar_side_px
    shrink = max(photo.width, photo.height) / side
    size = max(round(photo.width / shrink), 1), max(round(photo.height / shrink), 1)
    beads = detect_beads(np.asarray(cv2.resize(photo.image, size, interpolation=cv2.INTER_AREA), np.uint8)).beads
    return [replace(b, line_px=(b.line_px + 0.5) * shrink - 0.5, width_px=b.width_px * shrink) for b in beads]


def _closely(photo: Photo, detections: Detections, ground: Ground, found: Sequence[_Trace]) -> Sequence[Candidate]:
    """Beads as a closer look at the whole photo shows them."""
    return detect_beads(photo.image, closely=True).beads


#: The ways to look for a bead, in this order, until one is believed; and where there is nothing to be traced, the ways
#: to look at the photo made lighter. A bead that is seen as it is and not believed gains nothing by being shown again,
#: and one that is not believed there either is none.
_LOOKS = (_as_seen, _along_root, _anew, _close_up, _from_afar)
_LIT_LOOKS = (_closely, _anew)


def _look_for(photo: Photo, detections: Detections, ground: Ground, looks: Sequence[_Look]) -> list[_Trace]:
    """What can be traced, looked for in several ways until one is believed; where none is, all of it by the second
    reader, and what is left unbelieved is the weightier. After so many traces there is none to be believed."""
    tried: list[list[_Trace]] = []
    left = BeadFigures.read().belief.most_traces
    for reader in READERS:
        found: list[_Trace] = []
        for look in looks:
            if left <= 0:
                break
            beads = _nearest_first(look(photo, detections, ground, found), ground.cards)[:left]
            left -= len(beads)
            found = _trace_each(photo, beads, detections, ground, reader, found)
            if any(one.surety >= 1.0 for one in found):
                return found
        tried.append(found)
    return max(tried, key=lambda found: max((one.weight for one in found), default=0.0))


def _trace_each(
    photo: Photo,
    beads: Sequence[Candidate],
    detections: Detections,
    ground: Ground,
    reader: BandReader,
    before: Sequence[_Trace],
) -> list[_Trace]:
    """Every bead that can be traced, in this order; of two traces of one bead the weightier."""
    found = list(before)
    for candidate in beads:
        if any(one.surety >= 1.0 and _lies_on(candidate, one.whole) for one in found):
            continue
        if (new := _trace(photo, candidate, detections, ground, reader)) is None:
            continue
        same = [one for one in found if _lies_on(one.whole, new.whole) or _lies_on(new.whole, one.whole)]
        if all(new.weight >= one.weight for one in same):
            found = [one for one in found if one not in same] + [new]
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


def _between(detections: Detections, ends: tuple[Point, Point]) -> Iterator[Candidate]:
    """The bead between two named ends: along a found bead that runs there, then straight, at several widths."""
    start, end = np.asarray(ends[0], float), np.asarray(ends[1], float)
    length = float(np.linalg.norm(end - start))
    for bead in detections.beads:
        gaps = [np.linalg.norm(bead.line_px - at, axis=1) for at in (start, end)]
        i, j = (int(g.argmin()) for g in gaps)
        near = max(float(g.min()) for g in gaps)
        if near < 1.5 * bead.width_px and abs(j - i) > 0.4 * len(bead.line_px) * length / max(bead.length_px, length):
            line = bead.line_px[min(i, j) : max(i, j) + 1]
            inner = (line if i < j else line[::-1])[2:-2]
            yield Candidate("bead", np.concatenate([start[None], inner, end[None]]), bead.width_px, 1.0)
            break
    for share in BeadFigures.read().band.width_shares:
        yield Candidate("bead", start + np.linspace(0, 1, 50)[:, None] * (end - start), length * share, 1.0)


def _something_else(detections: Detections, trace: _Trace) -> Candidate | None:
    """What a trace lies on, as the finder sees it, where that is no bead."""
    kind, share = detections.seems(trace.bead.outline_px)
    if kind == "bead" or share < BeadFigures.read().belief.other:
        return None
    return replace(trace.whole, kind=kind, confidence=share)


def _no_bead(detections: Detections) -> Problem:
    """That there is no bead; what is there instead is said only when the finder is sure of it."""
    other = detections.other
    if other is None or other.kind not in _SEEMS or other.confidence < BeadFigures.read().belief.named:
        return problem("no_bead")
    return _not_a_bead(other.kind)


def _not_a_bead(kind: str) -> Problem:
    what, todo = _SEEMS[kind]
    return problem("not_a_bead", what=what, todo=todo)
