"""Find weld beads in a photo: elongated regions of weld metal, told apart from what only looks like one."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from toeline.trace.band import F32, F64, U8
from toeline.trace.figures import BeadFigures, BeadFinder
from toeline.trace.networks import see_kinds

_MARGIN = 4  # px round a region: what closing its gaps can reach


@dataclass(frozen=True, slots=True)
class Candidate:
    """An elongated thing in the photo: its mid line (N, 2) px from one end to the other, width in px, confidence."""

    kind: str
    line_px: F64
    width_px: float
    confidence: float

    @property
    def ends_px(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Both ends, px."""
        (ax, ay), (bx, by) = self.line_px[0], self.line_px[-1]
        return (float(ax), float(ay)), (float(bx), float(by))

    @property
    def length_px(self) -> float:
        """Length along the mid line, px."""
        return float(np.linalg.norm(np.diff(self.line_px, axis=0), axis=1).sum())


@dataclass(frozen=True, slots=True)
class Detections:
    """What the finder saw: beads, surest first, the surest other elongated thing, if any, and its ``maps`` by kind
    (h, w) 0..1 of the photo made ``shrink`` times smaller."""

    beads: tuple[Candidate, ...]
    other: Candidate | None
    maps: dict[str, F32] = field(default_factory=dict)
    shrink: float = 1.0

    def seems(self, outline_px: F64) -> tuple[str, float]:
        """What lies within an outline (N, 2) px in the photo most seems to be, and how much, 0..1."""
        kinds = self._kinds(outline_px)
        kind = max(kinds, key=lambda k: kinds[k])
        return kind, kinds[kind]

    def bead_within(self, outline_px: F64) -> float:
        """How much, 0..1, what lies within an outline (N, 2) px in the photo seems to be a bead."""
        return self._kinds(outline_px)["bead"]

    def _kinds(self, outline_px: F64) -> dict[str, float]:
        if not self.maps:  # too even a picture for the finder to look at
            return {"bead": 0.0}
        at = np.rint((outline_px + 0.5) / self.shrink - 0.5).astype(np.int32)
        inside = np.zeros(self.maps["bead"].shape, np.uint8)
        cv2.fillPoly(inside, [at], 1)
        return {kind: float(cv2.mean(layer, inside)[0]) for kind, layer in self.maps.items() if kind != "card"}


def detect_beads(image: U8, *, closely: bool = False) -> Detections:
    """Every bead in a BGR photo (H, W, 3), surest first, and what else looks elongated.

    ``closely`` takes more of the photo's pixels, for a bead that is small in it, and more time.
    """
    rule = BeadFigures.read().finder
    _, spread = cv2.meanStdDev(np.ascontiguousarray(image[::16, ::16]))
    if float(spread.max()) <= rule.even_level:  # the finder never saw such a picture
        return Detections((), None)
    maps, shrink = see_kinds(image, rule.close_side_px if closely else rule.side_px)
    rivals = {name: layer for name, layer in maps.items() if name != "card"}
    beads = [c for c in _candidates("bead", maps["bead"], shrink, rule) if _prevails(c, maps, shrink)]
    others = [c for name in rivals if name != "bead" for c in _candidates(name, maps[name], shrink, rule)]
    beads.sort(key=lambda c: -c.confidence * c.length_px)
    if beads:
        floor = rule.weaker_share * beads[0].confidence * beads[0].length_px
        beads = [c for c in beads if c.confidence * c.length_px >= floor]
    others.sort(key=lambda c: -c.confidence * c.length_px)
    return Detections(tuple(beads), others[0] if others else None, maps, shrink)


def _prevails(candidate: Candidate, maps: dict[str, F32], shrink: float) -> bool:
    """Whether the candidate looks more like a bead than like anything else along its mid line."""
    at = np.round(candidate.line_px / shrink).astype(int)
    h, w = maps["bead"].shape
    x, y = at[:, 0].clip(0, w - 1), at[:, 1].clip(0, h - 1)
    mine = float(maps["bead"][y, x].mean())
    return all(mine >= float(layer[y, x].mean()) for name, layer in maps.items() if name != "card")


def _candidates(kind: str, probability: F32, shrink: float, rule: BeadFinder) -> list[Candidate]:
    """Elongated connected regions of a probability map, as mid lines in photo px."""
    mask = (probability > rule.threshold).astype(np.uint8)
    x0, y0, w, h = cv2.boundingRect(mask)  # most kinds show nowhere, the others in a small part of the photo
    if not w:
        return []
    x0, y0 = max(x0 - _MARGIN, 0), max(y0 - _MARGIN, 0)
    mask = mask[y0 : y0 + h + 2 * _MARGIN, x0 : x0 + w + 2 * _MARGIN]
    joined = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(joined)
    found = []
    for label in range(1, count):
        left, top, wide, high, area = boxes[label]
        if area < rule.least_area_px:
            continue
        box = slice(top, top + high), slice(left, left + wide)
        y, x = np.nonzero((labels[box] == label) & (mask[box] > 0))
        y, x = y + top + y0, x + left + x0
        candidate = _mid_line(
            kind, np.stack([x, y], axis=1).astype(float), probability[y, x].astype(float), shrink, rule
        )
        if candidate is not None:
            found.append(candidate)
    return _joined(found, rule)


def _mid_line(kind: str, points: F64, weight: F64, shrink: float, rule: BeadFinder) -> Candidate | None:
    """The candidate that a region's pixels (N, 2) with their probabilities (N,) make, if they lie along a line."""
    along, _, _ = _axes(points, weight)
    length = float(np.ptp(along)) + 1
    width = len(points) / length
    if length < rule.least_length_px or length < rule.least_slenderness * width:
        return None
    line = _curve(points, weight, width, rule)
    return Candidate(kind, (line + 0.5) * shrink - 0.5, width * shrink, float(np.average(weight, weights=weight)))


def _axes(points: F64, weight: F64) -> tuple[F64, F64, F64]:
    """Points (N, 2) turned: their places along (N,) their main axis, across (N,) it, and how to turn back (2, 2)."""
    centre = np.average(points, axis=0, weights=weight)
    _, axes = np.linalg.eigh(np.cov((points - centre).T, aweights=weight) + 1e-9 * np.eye(2))
    return (points - centre) @ axes[:, 1], (points - centre) @ axes[:, 0], axes


def _curve(points: F64, weight: F64, width: float, rule: BeadFinder) -> F64:
    """A smooth line (M, 2) through points (N, 2) of something ``width`` wide.

    It is straight unless they clearly bend: a region that is ragged at an end is no curved bead.
    """
    along, across, axes = _axes(points, weight)
    low, high = float(along.min()), float(along.max())
    straight, bent = (
        np.polynomial.Polynomial.fit(along, across, degree, w=np.sqrt(weight), domain=[low, high]) for degree in (1, 2)
    )
    ends = np.array([low, (low + high) / 2, high])
    clearly = float(np.ptp(bent(ends) - straight(ends))) > rule.bend_widths * width
    curve = bent if clearly and high - low > 6 * width else straight
    stations = np.linspace(low - 0.5, high + 0.5, max(int(high - low), 8))
    centre = np.average(points, axis=0, weights=weight)
    return np.asarray(centre + stations[:, None] * axes[:, 1] + curve(stations)[:, None] * axes[:, 0])


def _joined(found: list[Candidate], rule: BeadFinder) -> list[Candidate]:
    """Pieces of one bead that a shadow or a scratch has parted, put together again."""
    pieces = sorted(found, key=lambda c: -c.length_px)
    whole: list[Candidate] = []
    while pieces:
        first = pieces.pop(0)
        merged = True
        while merged:
            merged = False
            for place, other in enumerate(pieces):
                together = _together(first, other, rule)
                if together is not None:
                    first, merged = together, True
                    del pieces[place]  # by place: candidates hold arrays and cannot be compared
                    break
        whole.append(first)
    return whole


def _together(a: Candidate, b: Candidate, rule: BeadFinder) -> Candidate | None:
    ends = [(a.line_px[i], b.line_px[j], i, j) for i in (0, -1) for j in (0, -1)]
    pa, pb, i, j = min(ends, key=lambda e: float(np.linalg.norm(e[0] - e[1])))
    gap = float(np.linalg.norm(pa - pb))
    if gap > rule.join_gap_widths * max(a.width_px, b.width_px):
        return None
    first = a.line_px if i == -1 else a.line_px[::-1]
    second = b.line_px if j == 0 else b.line_px[::-1]
    da, db = first[-1] - first[0], second[-1] - second[0]
    across = second[-1] - first[0]
    cosines = [float(u @ across / (np.linalg.norm(u) * np.linalg.norm(across))) for u in (da, db)]
    if min(cosines) < np.cos(np.radians(rule.join_angle_deg)):
        return None
    share = a.length_px / (a.length_px + b.length_px)
    width = share * a.width_px + (1 - share) * b.width_px
    both = np.concatenate([first, second])
    line = _curve(both, np.ones(len(both)), width, rule)
    return Candidate(a.kind, line, width, share * a.confidence + (1 - share) * b.confidence)
