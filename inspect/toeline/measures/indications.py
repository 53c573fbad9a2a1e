"""Indications: what the face shows beside its size, each with its place, size and how sure it is.

The reader's maps say per pixel what they see. Here a pixel's score becomes a thing with a beginning and an end:
scores are read where that thing can be, joined over small breaks, and dropped where they are too small to be told
from dirt. Numbers of imperfections are those of ISO 6520-1, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    binary_closing,
    gaussian_filter,
    gaussian_filter1d,
    label,
    minimum_filter1d,
    uniform_filter1d,
)
from skimage.feature import peak_local_max
from skimage.segmentation import watershed

from toeline.measures.body import body_of, typical_width
from toeline.measures.figures import (
    DetectionFigures,
    IndicationFigures,
    RunFigures,
    SizedSpot,
    SpotFigures,
    ToeFaultFigures,
)
from toeline.result import Indication, IndicationKind, Quantity, Side, unknown
from toeline.trace.band import F32, F64, U8, Band, Strip, TracedBead
from toeline.trace.ripples import Ripples, read_ripples
from toeline.uncertainty import quantity, row

Mask = NDArray[np.bool_]
ToeFault = Literal["undercut", "overlap"]
Spot = tuple[NDArray[np.int64], NDArray[np.int64]]  # rows and columns of a spot's pixels
_TIPS = np.array([[-1, 0], [1, 0], [0, -1], [0, 1]], np.int32)  # of a pixel, half pixels from its middle
_AROUND = 6  # px: a spot's ground is looked for so far round it

BALLS_ALIKE = "all balls of the photo alike"
NO_SCALE = "no card was found, so there are no millimetres"

_ISO_6520: dict[IndicationKind, str] = {
    "undercut": "5012",
    "overlap": "506",
    "spatter": "602",
    "pore": "2017",
    "crater_unfilled": "2025",
    "crater_crack": "104",
    "poor_restart": "517",
    "arc_strike": "601",
    "slag_left": "300",
    "irregular_width": "513",
    "irregular_surface": "514",
}


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch along the seam: columns ``[first, last]``, and how strongly it is seen."""

    first: int
    last: int
    score: float


@dataclass(frozen=True, slots=True)
class Blob:
    """A round or long spot in the band: centre (seam mm), extent along the seam, diameters, and its score."""

    s: float
    t: float
    s_from: float
    s_to: float
    diameter: float
    longest: float
    score: float


def find_indications(bead: TracedBead, ripples: Ripples | None = None) -> tuple[Indication, ...]:
    """Everything the maps show on and beside the bead, ordered by place along the seam.

    ``ripples`` saves reading the crests again. Without a scale places and sizes in mm are left out, pixels stay.
    """
    ripples = ripples or read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)
    return placed(bead, [*faults(bead, ripples), *spots(bead)])


def faults(bead: TracedBead, ripples: Ripples) -> list[Draft]:
    """What the bead's own toes, ends and surface show."""
    return [
        *_along_toes(bead, "undercut"),
        *_along_toes(bead, "overlap"),
        *_crater(bead),
        *_restarts(bead),
        *_irregular(bead, ripples),
    ]


def placed(bead: TracedBead, found: Sequence[Draft]) -> tuple[Indication, ...]:
    """What was found, by place along the seam, with its places on the surface and in the photo."""
    if not found:
        return ()
    ordered = sorted(found, key=lambda draft: (round(draft.s, 3), draft.kind))
    surface = bead.band.to_surface(*np.array([(draft.s, draft.t) for draft in ordered]).T)  # all at once is quicker
    px = bead.frame.to_px(surface)
    return tuple(_placed(bead, *each) for each in zip(ordered, surface, px, strict=True))


@dataclass(frozen=True, slots=True)
class Draft:
    """An indication at seam coordinates (s, t), before it has its place on the surface and in the photo."""

    kind: IndicationKind
    s: float
    t: float
    span: tuple[float, float]
    confidence: float
    why: str
    side: Side | None = None
    size: Quantity | None = None
    iso: str | None = None


def _placed(bead: TracedBead, draft: Draft, surface: F64, px: F64) -> Indication:
    """The indication at a surface point (2,), seen at ``px`` (2,)."""
    scaled = bead.frame.has_scale
    begin, end = draft.span
    return Indication.model_validate(
        {
            "kind": draft.kind,
            "iso6520": draft.iso or _ISO_6520[draft.kind],
            "side": draft.side,
            "from": begin if scaled else None,
            "to": end if scaled else None,
            "size": draft.size if scaled or draft.size is None else unknown(NO_SCALE),
            "at": (float(surface[0]), float(surface[1])) if scaled else None,
            "at_px": (float(px[0]), float(px[1])),
            "confidence": min(max(draft.confidence, 0.0), 1.0),
            "why": draft.why,
        }
    )


def runs(score: F64, step: float, rule: RunFigures) -> list[Run]:
    """Stretches of a score (n,) along the seam, ``step`` mm apart: above ``low`` throughout, above ``high`` somewhere,
    breaks shorter than ``bridge`` closed, and at least ``least`` long."""
    above = score > rule.low
    size = max(int(rule.bridge / step), 1)
    padded = np.pad(above, size)
    closed = binary_closing(padded, np.ones(size, bool))[size:-size] | above
    labels, count = label(closed)
    out = []
    for k in range(1, count + 1):
        at = np.flatnonzero(labels == k)
        if score[at].max() >= rule.high and (len(at) - 1) * step >= rule.least:
            out.append(Run(int(at[0]), int(at[-1]), float(score[at][score[at] > rule.low].mean())))
    return out


def _strip(values: F32, bead: TracedBead, side: Side, inner: float, outer: float) -> tuple[F64, F64, F64]:
    """A map beside one toe: values (K, L), offsets outwards from the toe (K,), columns ``s`` (L,)."""
    band = bead.band
    s = band.s[(band.s >= bead.s[0]) & (band.s <= bead.s[-1])]
    out = np.arange(-inner, outer + 1e-9, 1.0 / band.px_per_mm)
    toe = np.interp(s, bead.s, bead.t_left if side == "left" else bead.t_right)
    t = toe + (out if side == "left" else -out)[:, None]
    return _sample(values, band, s, t), out, s


def _sample(values: F32, band: Band, s: F64, t: F64) -> F64:
    """A map at columns ``s`` (L,) and offsets ``t`` (K, L)."""
    rows = (band.t[0] - t) * (len(band.t) - 1) / (band.t[0] - band.t[-1])
    cols = np.broadcast_to((s - band.s[0]) * band.px_per_mm, rows.shape)
    sampled = cv2.remap(values, cols.astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(sampled, float)


def toe_score(bead: TracedBead, kind: ToeFault, side: Side) -> tuple[F64, F64]:
    """Seam coordinates (n,) mm along one toe, and how surely a fault of it is seen there (n,), 0..1."""
    _, _, s, score = _scored(bead, kind, side)
    return s, score


def _toe_fault(kind: ToeFault) -> ToeFaultFigures:
    figures = IndicationFigures.read()
    return figures.undercut if kind == "undercut" else figures.overlap


def _scored(bead: TracedBead, kind: ToeFault, side: Side) -> tuple[F64, F64, F64, F64]:
    """A fault's map beside one toe (K, n), offsets from the toe (K,), columns (n,) and the score along the toe (n,)."""
    rule, maps = _toe_fault(kind), bead.band.maps
    values = np.maximum(maps["undercut"], maps["undercut_deep"]) if kind == "undercut" else maps[kind]
    strip, out, s = _strip(values, bead, side, rule.inner, rule.outer)
    core = uniform_filter1d(strip, max(int(rule.core / (out[1] - out[0])), 1), axis=0)
    return strip, out, s, gaussian_filter1d(core.max(axis=0), rule.smooth / float(s[1] - s[0]))


def _along_toes(bead: TracedBead, kind: ToeFault) -> Iterator[Draft]:
    """Undercut or overlap along each toe."""
    rule = _toe_fault(kind)
    sides: tuple[Side, ...] = ("left", "right")
    for side in sides:
        strip, out, s, score = _scored(bead, kind, side)
        step = float(s[1] - s[0])
        for run in runs(score, step, rule):
            here = slice(run.first, run.last + 1)
            widths = (strip[:, here] > 0.5 * strip[:, here].max(axis=0)).sum(axis=0) * (out[1] - out[0])
            width = float(np.median(widths))
            scatter = float(np.std(widths)) / math.sqrt(max(1.0, (s[run.last] - s[run.first]) / 2.0))
            size = quantity(
                width, [row("edges of the map", rule.u_width), row("along the run", scatter)], n=len(widths)
            )
            place = float(s[here][int(np.argmax(score[here]))])
            toe = float(np.interp(place, bead.s, bead.t_left if side == "left" else bead.t_right))
            span = (float(s[run.first]), float(s[run.last]))
            why, iso = (
                _undercut_why(bead, side, span, run.score, strip.shape[0], rule)
                if kind == "undercut"
                else (
                    f"the {side} toe looks rolled over the plate; whether it is fused must be probed at the toe",
                    None,
                )
            )
            yield Draft(kind, place, toe, span=span, side=side, size=size, confidence=run.score, why=why, iso=iso)


def _undercut_why(
    bead: TracedBead, side: Side, span: tuple[float, float], score: float, rows: int, rule: ToeFaultFigures
) -> tuple[str, str]:
    """What speaks for a groove and against a shadow, and the ISO number."""
    deep, _, s = _strip(bead.band.maps["undercut_deep"], bead, side, rule.inner, rule.outer)
    inside = (s >= span[0]) & (s <= span[1])
    share = float((deep[:, inside].max(axis=0) > 0.5).mean())
    whole = (span[1] - span[0]) > 0.9 * (bead.s[-1] - bead.s[0])
    text = f"a groove along the {side} toe, score {score:.2f}"
    text += f", over {share:.0%} of it as deep as about 0.5 mm by its look" if share > 0.1 else ", shallow by its look"
    text += (
        "; it runs as long as the bead, as a shadow would, so look at it under another light"
        if whole
        else ("; it begins and ends along the toe, which a shadow beside the bead does not")
    )
    return text + "; gauge its depth", undercut_number(span[1] - span[0])


def undercut_number(length: float) -> str:
    """The number in ISO 6520-1, from memory, of undercut so long, mm: 5011 continuous, 5012 intermittent."""
    return "5011" if length > IndicationFigures.read().undercut.continuous else "5012"


def blobs(values: F32, strip: Strip, rule: SpotFigures) -> list[Blob]:
    """Separate spots of a map (h, w), touching ones parted. Diameters come from the soft area over local ground."""
    step = 1.0 / strip.px_per_mm
    sigma = rule.smooth / step
    # only where something shows: most maps are empty nearly everywhere
    rows, cols = _surroundings((values > rule.low) & strip.seen, 2 * (math.ceil(4 * sigma) + 1) + _AROUND)
    if rows.stop == 0:
        return []
    shown, seen = values[rows, cols], strip.seen[rows, cols]
    shown = shown if seen.all() else np.where(seen, shown, np.float32(0))
    smooth: F32 = np.asarray(cv2.GaussianBlur(shown, (0, 0), sigma), np.float32)
    found = (_blob(smooth, spot, strip, rule, (rows.start, cols.start)) for spot in _spots_of(smooth, rule, step))
    return [blob for blob in found if blob is not None]


def _surroundings(mask: Mask, margin: int) -> tuple[slice, slice]:
    """Rows and columns that hold all of a mask with a margin; both empty where it is."""
    left, top, wide, high = cv2.boundingRect(mask.view(np.uint8))
    if not wide:
        return slice(0, 0), slice(0, 0)
    return slice(max(top - margin, 0), top + high + margin), slice(max(left - margin, 0), left + wide + margin)


def _spots_of(smooth: F32, rule: SpotFigures, step: float) -> list[Spot]:
    """The connected regions above ``low`` that rise above ``high``, row by row; then what touching ones part into."""
    mask = (smooth > rule.low).view(np.uint8)
    # outlines are found many times quicker than all of the mask is labelled
    outlines, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    regions = []
    for outline, (_, _, _, parent) in zip(outlines, tree[0] if len(outlines) else (), strict=True):
        if parent >= 0:  # a hole in a region
            continue
        left, top, wide, high = cv2.boundingRect(outline)
        box = slice(top, top + high), slice(left, left + wide)
        first = int(outline[0, 0, 0])  # its leftmost pixel in its top row
        labels = cv2.connectedComponents(mask[box])[1]
        image = labels == labels[0, first - left]
        if float(smooth[box][image].max()) >= rule.high:
            regions.append((top, first, left, image))
    regions.sort(key=lambda region: region[:2])
    whole: list[Spot] = []
    parted: list[Spot] = []
    for top, _, left, image in regions:
        area = np.count_nonzero(image)
        if area * step * step > 0.3 and area / _hull_pixels(image) < 0.93:
            split = _parted(image, mask, top, left, step)
            parted += [_pixels(split == n, top, left) for n in range(1, int(split.max()) + 1)]
            image = image & (split == 0)
        whole.append(_pixels(image, top, left))
    return whole + parted


def _hull_pixels(image: Mask) -> int:
    """Pixels in the convex hull of a region (h, w) whose rows all hold some of it; counted in half pixels, exactly."""
    rows = 2 * np.arange(len(image), dtype=np.int32)
    ends = np.empty((len(image), 2, 1, 2), np.int32)  # row, its first and last pixel, x and y
    ends[:, 0, 0, 0] = 2 * image.argmax(axis=1)
    ends[:, 1, 0, 0] = 2 * (image.shape[1] - 1 - image[:, ::-1].argmax(axis=1))
    ends[..., 1] = rows[:, None, None]
    hull = cv2.convexHull((ends + _TIPS).reshape(-1, 2))[:, 0]
    top = int(hull[:, 1].argmin())
    x, y = np.concatenate([hull[top:], hull[: top + 1]]).T
    turn = int(y.argmax())  # down one side, up the other
    one, other = np.interp(rows, y[: turn + 1], x[: turn + 1]), np.interp(rows, y[turn:][::-1], x[turn:][::-1])
    left, right = np.minimum(one, other) / 2.0, np.maximum(one, other) / 2.0
    return int((np.floor(right + 1e-9) - np.ceil(left - 1e-9) + 1).sum())


def _pixels(image: Mask, top: int, left: int) -> Spot:
    y, x = np.nonzero(image)
    return y + top, x + left


def _parted(image: Mask, mask: U8, top: int, left: int, step: float) -> NDArray[np.int32]:
    """Touching spots of one region (h, w) at ``top``, ``left`` of the mask, numbered from 1; 0 elsewhere."""
    h, w = image.shape
    up, back = min(top, 1), min(left, 1)
    near = np.ascontiguousarray(mask[top - up : top + h + 1, left - back : left + w + 1])
    distance = cv2.distanceTransform(near, cv2.DIST_L2, 5)[up : up + h, back : back + w]
    inner = gaussian_filter(np.where(image, distance, 0.0), 1.0)
    apart = max(int(0.3 / step), int(0.6 * inner.max()), 1)
    peaks = peak_local_max(inner, min_distance=apart, threshold_rel=0.5, exclude_border=False)  # type: ignore[no-untyped-call]
    if len(peaks) == 1:  # as a rule: all that it reaches is its own
        reached = cv2.connectedComponents(image.view(np.uint8), connectivity=4)[1]
        return np.asarray(image & (reached == reached[tuple(peaks[0])]), np.int32)
    seeds = np.zeros(inner.shape, int)
    seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    return np.asarray(watershed(-inner, seeds, mask=image), np.int32)  # type: ignore[no-untyped-call]


def _blob(smooth: F32, spot: Spot, strip: Strip, rule: SpotFigures, origin: tuple[int, int]) -> Blob | None:
    """A spot of ``smooth``, its pixels row by row, whose first pixel is the strip's at ``origin``; None where it is too
    faint or too small."""
    y, x = spot
    strength = smooth[y, x].astype(float)
    if not len(y) or strength.max() < rule.high:
        return None
    step = 1.0 / strip.px_per_mm
    bbox = int(y[0]), int(x.min()), int(y[-1]) + 1, int(x.max()) + 1
    diameter = 2.0 * math.sqrt(_soft_area(smooth, bbox, len(y)) / math.pi) * step
    if diameter < rule.least:
        return None
    # the long axis of the ellipse with the spot's own second moments
    dy, dx = (at - float(at.sum()) / len(at) for at in spot)
    yy, xx, xy = (float(moment) / len(y) for moment in (dy @ dy, dx @ dx, dy @ dx))
    longest = 4.0 * math.sqrt((yy + xx) / 2.0 + math.hypot((yy - xx) / 2.0, xy)) * step
    row, col = (float(strength @ at) / float(strength.sum()) for at in spot)
    return Blob(
        s=_between(strip.s, col + origin[1]),
        t=_between(strip.t, row + origin[0]),
        s_from=float(strip.s[bbox[1] + origin[1]]),
        s_to=float(strip.s[bbox[3] - 1 + origin[1]]),
        diameter=diameter,
        longest=max(longest, diameter),
        score=float(strength.max()),
    )


def _between(values: F64, at: float) -> float:
    """A value (n,) at a place between two of them."""
    k = min(int(at), len(values) - 2)
    return float(values[k] + (at - k) * (values[k + 1] - values[k]))


def _soft_area(smooth: F32, bbox: tuple[int, int, int, int], hard: int) -> float:
    """Area in pixels above half way between the spot's ground and its plateau: blurring moves that edge least."""
    r0, c0, r1, c1 = bbox
    around = smooth[max(r0 - _AROUND, 0) : r1 + _AROUND, max(c0 - _AROUND, 0) : c1 + _AROUND]
    ground, plateau = _quantile(around, 0.1), _quantile(smooth[r0:r1, c0:c1], 0.9)
    inside = int((smooth[r0:r1, c0:c1] > (ground + plateau) / 2.0).sum())
    return float(inside if 0.4 * hard <= inside <= 2.5 * hard else hard)


def _quantile(values: F32, share: float) -> float:
    """As ``numpy.quantile`` of all values, without its overhead: this is asked twice for every spot."""
    ranked = np.sort(values, axis=None)
    at = share * (len(ranked) - 1)
    k = int(at)
    return float(ranked[k] + (at - k) * (ranked[min(k + 1, len(ranked) - 1)] - ranked[k]))


def spots(bead: TracedBead) -> Iterator[Draft]:
    """Spatter, pores, slag and arc strikes; each where it can be: pores on the face, arc strikes off it."""
    rules = IndicationFigures.read()
    taken: list[Blob] = []
    kinds: tuple[tuple[IndicationKind, str, SizedSpot], ...] = (
        ("spatter", "spatter", rules.spatter),
        ("pore", "pore", rules.pore),
        ("slag_left", "slag", rules.slag_left),
        ("arc_strike", "arc_strike", rules.arc_strike),
    )
    for kind, name, rule in kinds:
        strip = bead.beside if bead.beside and name in bead.beside.maps else bead.band
        for blob in blobs(strip.maps[name], strip, rule):
            left, right = (float(np.interp(blob.s, bead.s, t)) for t in (bead.t_left, bead.t_right))
            along = bead.s[0] <= blob.s <= bead.s[-1]
            on_face = along and right < blob.t < left
            if kind == "pore" and not (along and right - 0.3 < blob.t < left + 0.3):
                continue
            if kind == "slag_left" and not (along and right - 1.5 < blob.t < left + 1.5):
                continue
            if kind == "arc_strike" and on_face:
                continue
            rivals = (b for b in taken if math.hypot(b.s - blob.s, b.t - blob.t) < (b.diameter + blob.diameter) / 4)
            if kind == "pore" and any(r.score >= blob.score for r in rivals):
                continue
            taken.append(blob)
            side: Side | None = None if on_face else ("left" if blob.t > (left + right) / 2 else "right")
            value = blob.longest if kind in ("slag_left", "arc_strike") else blob.diameter
            budget = [row("edge of the spot", rule.u_edge(value))]
            if kind == "spatter":
                budget.append(row(BALLS_ALIKE, rules.spatter.u_alike))
            size = quantity(value, budget, n=1)
            span = (blob.s, blob.s) if kind in ("spatter", "pore") else (blob.s_from, blob.s_to)
            yield Draft(
                kind,
                blob.s,
                blob.t,
                span=span,
                side=side,
                size=size,
                confidence=blob.score,
                why=_SPOT_WHY[kind].format(where="on the face" if on_face else f"on the plate, {side} of the bead"),
            )


_SPOT_WHY: dict[IndicationKind, str] = {
    "spatter": "a ball of metal {where}",
    "pore": "a hole {where}; its depth is not in the photo",
    "slag_left": "what looks like slag {where}; chip it off, what lies under it was not seen",
    "arc_strike": "a burnt spot {where} as from a stray arc; grind it and look for cracks",
}


def _crater(bead: TracedBead) -> Iterator[Draft]:
    """An unfilled crater, and a crack in it, at the end of the bead; at both ends when the travel is only assumed."""
    figures = IndicationFigures.read()
    rule, crack = figures.crater_unfilled, figures.crater_crack
    band = bead.band
    width = typical_width(bead)
    reach = rule.reach * width
    ends = [(bead.s[-1] - reach, bead.s[-1] + 0.3)] if bead.end_seen else []
    if bead.travel == "assumed" and bead.start_seen:
        ends.append((bead.s[0] - 0.3, bead.s[0] + reach))
    step = 1.0 / band.px_per_mm
    for lo, hi in ends:
        cols = (band.s >= lo) & (band.s <= hi)
        hollow = np.zeros_like(band.maps["crater_hollow"])
        hollow[:, cols] = band.maps["crater_hollow"][:, cols]
        spots = blobs(hollow, band, rule)
        if not spots:
            continue
        spot = max(spots, key=lambda b: b.score * b.diameter)
        if spot.score < rule.sure:
            continue
        size = quantity(spot.diameter, [row("edge of the hollow", rule.u_edge(spot.diameter))])
        yield Draft(
            "crater_unfilled",
            spot.s,
            spot.t,
            span=(spot.s_from, spot.s_to),
            size=size,
            confidence=spot.score,
            why="the bead ends in a hollow; gauge its depth, and look for a crack in it",
        )
        near = cols & (np.abs(band.s - spot.s) < 0.7 * spot.diameter + 1.0)
        seen = np.zeros_like(hollow)
        if near.any():
            around = _surroundings(near[None], math.ceil(4 * crack.smooth / step) + 1)[1]
            cracked = cv2.GaussianBlur(band.maps["crater_crack"][:, around], (0, 0), crack.smooth / step)
            seen[:, near] = cracked[:, near[around]]
        if seen.max() >= crack.high:
            rows, columns = np.nonzero(seen > 0.7 * crack.high)
            length = float(np.hypot(np.ptp(rows), np.ptp(columns))) * step
            if length >= crack.least:
                yield Draft(
                    "crater_crack",
                    float(band.s[columns].mean()),
                    float(band.t[rows].mean()),
                    span=(float(band.s[columns.min()]), float(band.s[columns.max()])),
                    size=quantity(length, [row("ends of the crack", 0.3 + 0.1 * length)]),
                    confidence=float(seen.max()),
                    why="dark lines in the crater as of a crack; dye penetrant or magnetic particles must settle it",
                )


def _restarts(bead: TracedBead) -> Iterator[Draft]:
    """Where the bead was stopped and started again badly."""
    rule = IndicationFigures.read().poor_restart
    band = bead.band
    width = typical_width(bead)
    s = band.s[(band.s >= bead.s[0] + rule.ends * width) & (band.s <= bead.s[-1] - rule.ends * width)]
    if len(s) < 3:
        return
    mid = np.interp(s, bead.s, (bead.t_left + bead.t_right) / 2)
    half = np.interp(s, bead.s, (bead.t_left - bead.t_right) / 2)
    x = np.linspace(-rule.core, rule.core, 21)
    step = float(s[1] - s[0])
    profile = _sample(band.maps["restart"], band, s, mid + x[:, None] * half).mean(axis=0)
    score = gaussian_filter1d(profile, rule.smooth / step)
    for run in runs(score, step, rule):
        at = run.first + int(np.argmax(score[run.first : run.last + 1]))
        yield Draft(
            "poor_restart",
            float(s[at]),
            float(mid[at]),
            span=(float(s[run.first]), float(s[run.last])),
            confidence=float(score[at]),
            why="ripples and width break off here and begin anew: a restart that is not tied in smoothly",
        )


def _irregular(bead: TracedBead, ripples: Ripples) -> Iterator[Draft]:
    """Irregular width and irregular surface, by rules of common practice."""
    rules = IndicationFigures.read()
    body = body_of(bead)
    if body is None:
        return
    inside = (bead.s >= body[0]) & (bead.s <= body[1])
    s, width = bead.s[inside], (bead.t_left - bead.t_right)[inside]
    rule = rules.irregular_width
    step = float(s[1] - s[0])
    near = max(int(rule.smooth / step), 1)
    smooth = uniform_filter1d(width, near)
    mean, size = float(width.mean()), min(len(s), int(rule.window / step))
    ranges = [(float(np.ptp(smooth[i : i + size])), i) for i in range(0, len(s) - size + 1, 4)]
    widest, first = max(ranges)
    u = float(np.median(np.hypot(bead.u_left, bead.u_right)[inside]))
    if widest > rule.share * mean:
        last = first + size - 1
        middle = (first + last) // 2
        # how sure it is rests on the places alone of which all that counts is believed
        believed = minimum_filter1d((bead.confidence[inside] >= DetectionFigures.read().toe).view(np.uint8), near) > 0
        clear = smooth[first : last + 1][believed[first : last + 1]]
        seen = float(np.ptp(clear)) if len(clear) else 0.0
        sure = 0.5 * (1 + math.erf((seen - rule.share * mean) / (math.sqrt(2.0) * (u + 0.02 * mean))))
        why = f"the width goes up and down by {widest / mean:.0%} of its mean within this length"
        yield Draft(
            "irregular_width",
            float(s[middle]),
            0.0,
            span=(float(s[first]), float(s[last])),
            confidence=sure,
            size=quantity(widest, [row("toe localisation", 1.4 * u)], n=size),
            why=why if seen > rule.share * mean else f"{why}, by toes that are hard to see",
        )
    crests = ripples.within(*body)
    if len(crests.s) < 8 or not ripples.across:
        return
    pitch = float(crests.gaps.mean())
    variation, coarse = float(crests.gaps.std(ddof=1)) / pitch, pitch / mean
    uneven = rules.irregular_surface
    excess = max(variation / uneven.variation, coarse / uneven.coarse)
    if excess > 1.0:
        what = (
            f"the ripple spacing varies by {variation:.0%} of its mean"
            if variation / uneven.variation >= coarse / uneven.coarse
            else f"the ripples are coarse, {coarse:.2f} of the width apart"
        )
        yield Draft(
            "irregular_surface",
            float((s[0] + s[-1]) / 2),
            0.0,
            span=(float(s[0]), float(s[-1])),
            confidence=min(0.95, 0.5 + (excess - 1.0)),
            why=what,
        )
