"""Indications: what the face shows beside its size, each with its place, size and how sure it is.

The reader's maps say per pixel what they see. Here a pixel's score becomes a thing with a beginning and an end:
scores are read where that thing can be, joined over small breaks, and dropped where they are too small to be told
from dirt. Numbers of imperfections are those of ISO 6520-1, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import binary_closing, gaussian_filter, gaussian_filter1d, label, uniform_filter1d
from skimage.feature import peak_local_max
from skimage.measure import regionprops
from skimage.segmentation import watershed

from toeline.band import F32, F64, Band, TracedBead
from toeline.body import body_of, typical_width
from toeline.datafile import load
from toeline.result import Indication, IndicationKind, Quantity, Side, unknown
from toeline.ripples import Ripples, read_ripples
from toeline.uncertainty import quantity, row

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
    found = [
        *_along_toes(bead, "undercut"),
        *_along_toes(bead, "overlap"),
        *_spots(bead),
        *_crater(bead),
        *_restarts(bead),
        *_irregular(bead, ripples),
    ]
    return tuple(made for _, made in sorted(found, key=lambda pair: (round(pair[0], 3), pair[1].kind)))


Placed = tuple[float, Indication]


def _make(
    bead: TracedBead,
    kind: IndicationKind,
    s: float,
    t: float,
    *,
    confidence: float,
    why: str,
    span: tuple[float, float] | None = None,
    side: Side | None = None,
    size: Quantity | None = None,
    iso: str | None = None,
) -> Placed:
    """An indication at seam coordinates (s, t), with its place on the surface and in the photo."""
    surface = bead.band.to_surface(np.array([s]), np.array([t]))
    px = bead.frame.to_px(surface)[0]
    scaled = bead.frame.has_scale
    begin, end = span or (s, s)
    return s, Indication.model_validate(
        {
            "kind": kind,
            "iso6520": iso or _ISO_6520[kind],
            "side": side,
            "from": begin if scaled else None,
            "to": end if scaled else None,
            "size": size if scaled or size is None else unknown(NO_SCALE),
            "at": (float(surface[0, 0]), float(surface[0, 1])) if scaled else None,
            "at_px": (float(px[0]), float(px[1])),
            "confidence": float(np.clip(confidence, 0.0, 1.0)),
            "why": why,
        }
    )


def runs(score: F64, step: float, rule: dict[str, Any]) -> list[Run]:
    """Stretches of a score along the seam: above ``low`` throughout, above ``high`` somewhere, breaks shorter than
    ``bridge`` closed, and at least ``least`` long."""
    above = score > rule["low"]
    size = max(int(rule["bridge"] / step), 1)
    padded = np.pad(above, size)
    closed = binary_closing(padded, np.ones(size, bool))[size:-size] | above
    labels, count = label(closed)
    out = []
    for k in range(1, count + 1):
        at = np.flatnonzero(labels == k)
        if score[at].max() >= rule["high"] and (len(at) - 1) * step >= rule["least"]:
            out.append(Run(int(at[0]), int(at[-1]), float(score[at][score[at] > rule["low"]].mean())))
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


def _along_toes(bead: TracedBead, kind: IndicationKind) -> Iterator[Placed]:
    """Undercut or overlap along each toe."""
    rule = load("indications.toml")[kind]
    maps = bead.band.maps
    values = np.maximum(maps["undercut"], maps["undercut_deep"]) if kind == "undercut" else maps[kind]
    sides: tuple[Side, ...] = ("left", "right")
    for side in sides:
        strip, out, s = _strip(values, bead, side, rule["inner"], rule["outer"])
        step = float(s[1] - s[0])
        core = uniform_filter1d(strip, max(int(rule["core"] / (out[1] - out[0])), 1), axis=0)
        score = gaussian_filter1d(core.max(axis=0), rule["smooth"] / step)
        for run in runs(score, step, rule):
            here = slice(run.first, run.last + 1)
            widths = (strip[:, here] > 0.5 * strip[:, here].max(axis=0)).sum(axis=0) * (out[1] - out[0])
            width = float(np.median(widths))
            scatter = float(np.std(widths)) / math.sqrt(max(1.0, (s[run.last] - s[run.first]) / 2.0))
            size = quantity(
                width, [row("edges of the map", rule["u_width"]), row("along the run", scatter)], n=len(widths)
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
            yield _make(bead, kind, place, toe, span=span, side=side, size=size, confidence=run.score, why=why, iso=iso)


def _undercut_why(
    bead: TracedBead, side: Side, span: tuple[float, float], score: float, rows: int, rule: dict[str, Any]
) -> tuple[str, str]:
    """What speaks for a groove and against a shadow, and the ISO number: 5011 continuous, 5012 intermittent."""
    deep, _, s = _strip(bead.band.maps["undercut_deep"], bead, side, rule["inner"], rule["outer"])
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
    return text + "; gauge its depth", "5011" if span[1] - span[0] > rule["continuous"] else "5012"


def blobs(values: F32, band: Band, rule: dict[str, Any]) -> list[Blob]:
    """Separate spots of a map, touching ones parted. Diameters come from the soft area above the local ground."""
    step = 1.0 / band.px_per_mm
    smooth: F32 = np.asarray(
        cv2.GaussianBlur(np.where(band.seen, values, 0).astype(np.float32), (0, 0), rule["smooth"] / step), np.float32
    )
    mask = smooth > rule["low"]
    if not mask.any():
        return []
    distance = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    labels, _ = label(mask, np.ones((3, 3)))
    parts = labels.copy()
    for region in regionprops(labels):  # type: ignore[no-untyped-call]
        if region.area * step * step > 0.3 and region.solidity < 0.93:
            rows, cols = region.slice
            inner = gaussian_filter(np.where(region.image, distance[rows, cols], 0.0), 1.0)
            peaks = peak_local_max(
                inner,
                min_distance=max(int(0.3 / step), int(0.6 * inner.max()), 1),
                threshold_rel=0.5,
                exclude_border=False,
            )  # type: ignore[no-untyped-call]
            seeds = np.zeros(inner.shape, int)
            seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
            split = watershed(-inner, seeds, mask=region.image)  # type: ignore[no-untyped-call]
            parts[rows, cols] = np.where(region.image & (split > 0), parts.max() + split, parts[rows, cols])
    out = []
    for region in regionprops(parts, intensity_image=smooth):  # type: ignore[no-untyped-call]
        score = float(region.intensity_max)
        if score < rule["high"]:
            continue
        diameter = 2.0 * math.sqrt(_soft_area(smooth, region.bbox, score, region.area) / math.pi) * step
        longest = max(float(region.axis_major_length) * step, diameter)
        if diameter < rule["least"]:
            continue
        y, x = region.centroid_weighted
        top, bottom = region.bbox[1], region.bbox[3] - 1
        out.append(
            Blob(
                s=float(np.interp(x, np.arange(len(band.s)), band.s)),
                t=float(np.interp(y, np.arange(len(band.t)), band.t)),
                s_from=float(band.s[top]),
                s_to=float(band.s[bottom]),
                diameter=diameter,
                longest=longest,
                score=score,
            )
        )
    return out


def _soft_area(smooth: F32, bbox: tuple[int, int, int, int], peak: float, hard: float) -> float:
    """Area in pixels above half way between the spot's ground and its plateau: blurring moves that edge least."""
    r0, c0, r1, c1 = bbox
    around = smooth[max(r0 - 6, 0) : r1 + 6, max(c0 - 6, 0) : c1 + 6]
    ground = float(np.percentile(around, 10))
    plateau = float(np.percentile(smooth[r0:r1, c0:c1], 90))
    inside = int((smooth[r0:r1, c0:c1] > (ground + plateau) / 2.0).sum())
    return float(inside if 0.4 * hard <= inside <= 2.5 * hard else hard)


def _spots(bead: TracedBead) -> Iterator[Placed]:
    """Spatter, pores, slag and arc strikes; each where it can be: pores on the face, arc strikes off it."""
    rules = load("indications.toml")
    band = bead.band
    taken: list[Blob] = []
    kinds: tuple[tuple[IndicationKind, str], ...] = (
        ("spatter", "spatter"),
        ("pore", "pore"),
        ("slag_left", "slag"),
        ("arc_strike", "arc_strike"),
    )
    for kind, name in kinds:
        rule = rules[kind]
        for blob in blobs(band.maps[name], band, rule):
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
            size = quantity(value, [row("edge of the spot", math.hypot(rule["u"], rule["u_relative"] * value))], n=1)
            span = (blob.s, blob.s) if kind in ("spatter", "pore") else (blob.s_from, blob.s_to)
            yield _make(
                bead,
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


def _crater(bead: TracedBead) -> Iterator[Placed]:
    """An unfilled crater, and a crack in it, at the end of the bead; at both ends when the travel is only assumed."""
    rule, crack = (load("indications.toml")[k] for k in ("crater_unfilled", "crater_crack"))
    band = bead.band
    width = typical_width(bead)
    reach = rule["reach"] * width
    ends = [(bead.s[-1] - reach, bead.s[-1] + 0.3)] if bead.end_seen else []
    if bead.travel == "assumed" and bead.start_seen:
        ends.append((bead.s[0] - 0.3, bead.s[0] + reach))
    step = 1.0 / band.px_per_mm
    for lo, hi in ends:
        cols = (band.s >= lo) & (band.s <= hi)
        spots = blobs(np.where(cols[None, :], band.maps["crater_hollow"], 0).astype(np.float32), band, rule)
        if not spots:
            continue
        spot = max(spots, key=lambda b: b.score * b.diameter)
        if spot.score < rule["sure"]:
            continue
        size = quantity(
            spot.diameter, [row("edge of the hollow", math.hypot(rule["u"], rule["u_relative"] * spot.diameter))]
        )
        yield _make(
            bead,
            "crater_unfilled",
            spot.s,
            spot.t,
            span=(spot.s_from, spot.s_to),
            size=size,
            confidence=spot.score,
            why="the bead ends in a hollow; gauge its depth, and look for a crack in it",
        )
        cracked = cv2.GaussianBlur(band.maps["crater_crack"], (0, 0), crack["smooth"] / step)
        near = cols & (np.abs(band.s - spot.s) < 0.7 * spot.diameter + 1.0)
        seen = np.where(near[None, :], cracked, 0)
        if seen.max() >= crack["high"]:
            rows, columns = np.nonzero(seen > 0.7 * crack["high"])
            length = float(np.hypot(np.ptp(rows), np.ptp(columns))) * step
            if length >= crack["least"]:
                yield _make(
                    bead,
                    "crater_crack",
                    float(band.s[columns].mean()),
                    float(band.t[rows].mean()),
                    span=(float(band.s[columns.min()]), float(band.s[columns.max()])),
                    size=quantity(length, [row("ends of the crack", 0.3 + 0.1 * length)]),
                    confidence=float(seen.max()),
                    why="dark lines in the crater as of a crack; dye penetrant or magnetic particles must settle it",
                )


def _restarts(bead: TracedBead) -> Iterator[Placed]:
    """Where the bead was stopped and started again badly."""
    rule = load("indications.toml")["poor_restart"]
    band = bead.band
    width = typical_width(bead)
    s = band.s[(band.s >= bead.s[0] + rule["ends"] * width) & (band.s <= bead.s[-1] - rule["ends"] * width)]
    if len(s) < 3:
        return
    mid = np.interp(s, bead.s, (bead.t_left + bead.t_right) / 2)
    half = np.interp(s, bead.s, (bead.t_left - bead.t_right) / 2)
    x = np.linspace(-rule["core"], rule["core"], 21)
    step = float(s[1] - s[0])
    profile = _sample(band.maps["restart"], band, s, mid + x[:, None] * half).mean(axis=0)
    score = gaussian_filter1d(profile, rule["smooth"] / step)
    for run in runs(score, step, rule):
        at = run.first + int(np.argmax(score[run.first : run.last + 1]))
        yield _make(
            bead,
            "poor_restart",
            float(s[at]),
            float(mid[at]),
            span=(float(s[run.first]), float(s[run.last])),
            confidence=float(score[at]),
            why="ripples and width break off here and begin anew: a restart that is not tied in smoothly",
        )


def _irregular(bead: TracedBead, ripples: Ripples) -> Iterator[Placed]:
    """Irregular width and irregular surface, by rules of common practice."""
    rules = load("indications.toml")
    body = body_of(bead)
    if body is None:
        return
    inside = (bead.s >= body[0]) & (bead.s <= body[1])
    s, width = bead.s[inside], (bead.t_left - bead.t_right)[inside]
    rule = rules["irregular_width"]
    step = float(s[1] - s[0])
    smooth = uniform_filter1d(width, max(int(rule["smooth"] / step), 1))
    mean, size = float(width.mean()), min(len(s), int(rule["window"] / step))
    ranges = [(float(np.ptp(smooth[i : i + size])), i) for i in range(0, len(s) - size + 1, 4)]
    widest, first = max(ranges)
    u = float(np.median(np.hypot(bead.u_left, bead.u_right)[inside]))
    if widest > rule["share"] * mean:
        last = first + size - 1
        middle = (first + last) // 2
        sure = 0.5 * (1 + math.erf((widest - rule["share"] * mean) / (math.sqrt(2.0) * (u + 0.02 * mean))))
        yield _make(
            bead,
            "irregular_width",
            float(s[middle]),
            0.0,
            span=(float(s[first]), float(s[last])),
            confidence=sure,
            size=quantity(widest, [row("toe localisation", 1.4 * u)], n=size),
            why=f"the width goes up and down by {widest / mean:.0%} of its mean within this length",
        )
    crests = ripples.within(*body)
    if len(crests.s) < 8:
        return
    pitch = float(crests.gaps.mean())
    variation, coarse = float(crests.gaps.std(ddof=1)) / pitch, pitch / mean
    rule = rules["irregular_surface"]
    excess = max(variation / rule["variation"], coarse / rule["coarse"])
    if excess > 1.0:
        what = (
            f"the ripple spacing varies by {variation:.0%} of its mean"
            if variation / rule["variation"] >= coarse / rule["coarse"]
            else f"the ripples are coarse, {coarse:.2f} of the width apart"
        )
        yield _make(
            bead,
            "irregular_surface",
            float((s[0] + s[-1]) / 2),
            0.0,
            span=(float(s[0]), float(s[-1])),
            confidence=min(0.95, 0.5 + (excess - 1.0)),
            why=what,
        )
