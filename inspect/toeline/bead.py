"""Trace a bead: straighten the photo along it, read the band, follow both toes to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from toeline.band import F32, F64, U8, Band, SurfaceFrame, TracedBead
from toeline.bead_finder import Candidate
from toeline.datafile import load
from toeline.ripples import travel_from_crests
from toeline.straighten import OutOfSight, lay_band, widen

Mask = NDArray[np.bool_]
_RELAYS = 4  # how often a seam is laid anew before what is seen has to do


class BeadLost(Exception):
    """The reader does not see a bead where the finder did; the text says so."""


def trace_bead(image: U8, frame: SurfaceFrame, candidate: Candidate, ends_given: bool = False) -> TracedBead:
    """Both toes of a found bead in a BGR photo, start to end in the direction of travel.

    With ``ends_given`` the candidate's line runs from the start to the end that the user named, and is kept to.

    Raises:
        BeadLost: no weld metal is seen along the candidate's line.
    """
    seam = frame.to_mm(candidate.line_px)
    seam = seam[np.isfinite(seam).all(axis=1)]
    if len(seam) < 2:
        raise BeadLost("The bead lies beyond the plate's horizon.")
    rule = load("bead.toml")["band"]
    wide = candidate.width_px * _seam_length(seam) / max(candidate.length_px, 1.0)
    reach = max(rule["near_mm"], wide / 2 + rule["near_toe_mm"])
    try:
        band, face = _read(image, frame, seam, ends_given, reach)
        for _ in range(0 if ends_given else _RELAYS):
            better = _relaid(band, face)
            if better is None:
                break
            band, face = _read(image, frame, better, ends_given, reach)
    except OutOfSight:
        raise BeadLost("The bead lies outside the picture.") from None
    bead = _follow(band, frame, face, candidate.confidence)
    bead = replace(bead, band=widen(image, frame, bead.band, rule["reach_mm"]))
    return bead if ends_given else _with_travel(bead)


def _read(image: U8, frame: SurfaceFrame, seam: F64, ends_given: bool, reach: float) -> tuple[Band, Mask]:
    band = lay_band(image, frame, seam, reach)
    return band, _face_region(band, ends_given, _seam_length(seam))


def _relaid(band: Band, face: Mask) -> F64 | None:
    """A better seam where this one misses the bead's middle or stops short of its ends; None where it does well."""
    rule = load("bead.toml")["band"]
    columns = np.flatnonzero(face.any(axis=0))
    mid = _middle(band, face)
    width = float(np.median(face.sum(axis=0)[columns])) / band.px_per_mm
    room = int(rule["room_mm"] * band.px_per_mm)
    seen = band.seen[int(np.argmin(np.abs(band.t)))]
    short = [
        columns[0] < room and seen[: room + 1].all(),
        len(band.s) - 1 - columns[-1] < room and seen[-room - 1 :].all(),
    ]
    if not any(short) and float(np.abs(mid).max()) < max(rule["wander_widths"] * width, rule["wander_mm"]):
        return None
    middle = _refit(band, face)
    reach = max(int(rule["grow_from_mm"] * band.px_per_mm), 2)
    for at_end in (False, True):
        if short[at_end]:
            line = middle[::-1] if at_end else middle
            ahead = line[0] - line[min(len(line) - 1, reach)]
            ahead = ahead / np.linalg.norm(ahead)
            grown = line[0] + np.arange(rule["grow_mm"], 0, -1.0)[:, None] * ahead
            line = np.concatenate([grown, line])
            middle = line[::-1] if at_end else line
    return middle


def _seam_length(seam: F64) -> float:
    return float(np.linalg.norm(np.diff(seam, axis=0), axis=1).sum())


def _face_region(band: Band, ends_given: bool, length: float) -> Mask:
    """The connected region (H, L) of weld metal that the seam runs through."""
    face = band.maps["face"] > 0.5
    if ends_given:  # weld metal beyond the named ends belongs to another run
        face = face & ((band.s >= -1.0) & (band.s <= length + 1.0))[None]
    whole = cv2.morphologyEx(face.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 25), np.uint8))
    whole = cv2.morphologyEx(whole, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    count, labels = cv2.connectedComponents(whole)
    near = np.abs(band.t) < 3.0
    inside = (band.s >= 0) & (band.s <= length)
    hits = np.bincount(labels[np.ix_(near, inside)].ravel(), minlength=count)
    hits[0] = 0
    if hits.max() < 10:
        raise BeadLost("No weld metal is seen where the bead should be.")
    return np.asarray((labels == int(hits.argmax())) & band.seen)


def _middle(band: Band, face: Mask) -> F64:
    """Mean t of the face (n,) over the columns that have one."""
    columns = face[:, face.any(axis=0)].astype(float)
    return np.asarray((columns * band.t[:, None]).sum(axis=0) / columns.sum(axis=0))


def _refit(band: Band, face: Mask) -> F64:
    """A seam through the middle of the face, in surface coordinates."""
    s = band.s[face.any(axis=0)]
    t = gaussian_filter1d(_middle(band, face), 3.0 * band.px_per_mm, mode="nearest")
    return band.to_surface(s, t)[:: max(int(band.px_per_mm), 1)]


def _follow(band: Band, frame: SurfaceFrame, face: Mask, confidence: float) -> TracedBead:
    """Toes at every column of the face region, then at stations from start to end."""
    rule = load("bead.toml")["trace"]
    smooth = np.asarray(
        cv2.GaussianBlur(_logit(band.maps["face"]), (0, 0), sigmaX=rule["smooth_mm"] * band.px_per_mm, sigmaY=0.01)
        if rule["smooth_mm"] > 0
        else _logit(band.maps["face"]),
        float,
    )
    columns = np.flatnonzero(face.any(axis=0))
    lo, hi = int(columns[0]), int(columns[-1])
    along = slice(lo, hi + 1)
    top = _edges(smooth[:, along], band.t, face[:, along])
    bottom = _edges(smooth[::-1, along], band.t[::-1], face[::-1, along])
    s = band.s[along]
    for edge in (top, bottom):
        edge[_strays(edge, top, bottom, band.px_per_mm)] = np.nan
    gaps = ~(np.isfinite(top) & np.isfinite(bottom))
    top, bottom = (np.interp(s, s[np.isfinite(v)], v[np.isfinite(v)]) for v in (top, bottom))
    doubt_l, doubt_r = (_doubt(band, smooth, s, v, rule) for v in (top, bottom))
    start, end = _tip(smooth, band, top, bottom, lo, -1), _tip(smooth, band, top, bottom, hi, 1)
    stations = np.arange(0.0, end - start + 1e-9, rule["station_mm"])
    if len(stations) < 8:
        raise BeadLost("What was found is too short for a bead.")
    at = start + stations
    left, right = np.interp(at, s, top), np.interp(at, s, bottom)
    left, right = np.maximum(left, right + 1e-3), np.minimum(right, left - 1e-3)
    u_l, u_r = np.interp(at, s, doubt_l[0]), np.interp(at, s, doubt_r[0])
    trust = np.minimum(np.interp(at, s, doubt_l[1]), np.interp(at, s, doubt_r[1]))
    trust = trust * (1 - np.interp(at, s, gaps.astype(float)))
    moved = replace(band, s=band.s - start)
    seen = [_end_seen(band, x) for x in (start, end)]
    return TracedBead(
        frame=frame, band=moved, s=stations, t_left=left, t_right=right, u_left=u_l, u_right=u_r,
        confidence=np.clip(trust, 0, 1), start_seen=seen[0], end_seen=seen[1],
        travel="assumed", travel_evidence="", found_confidence=confidence,
    )  # fmt: skip


def _strays(edge: F64, top: F64, bottom: F64, per_mm: float) -> Mask:
    """Columns (n,) where an edge runs off the bead's own line: a scratch, a shadow or a neighbour taken for face."""
    rule = load("bead.toml")["trace"]
    usual = np.nanmedian(top - bottom)
    filled = np.where(np.isfinite(edge), edge, np.nanmedian(edge))
    line = median_filter(filled, size=int(rule["stray_over_mm"] * per_mm) | 1, mode="nearest")
    return np.asarray(np.abs(filled - line) > max(rule["stray_widths"] * usual, rule["stray_mm"]))


def _logit(p: F32) -> F32:
    q = np.clip(p, 1e-6, 1 - 1e-6)
    return np.asarray(np.log(q / (1 - q)), np.float32)


def _edges(logit: F64, t: F64, face: Mask) -> F64:
    """Where the face (H, n) ends upwards in each column (n,), by linear interpolation of the logit at 0; NaN where not.

    From the outermost row of the face the edge lies outwards; where the closed region reaches too far, inwards.
    """
    rows, cols = np.arange(len(t))[:, None], np.arange(face.shape[1])
    first = face.argmax(axis=0)
    positive = logit > 0
    above = np.maximum.accumulate(np.where(positive, -1, rows), axis=0)[first, cols]  # the last row above that is not
    below = np.minimum.accumulate(np.where(positive, rows, len(t))[::-1], axis=0)[::-1][
        first, cols
    ]  # the first that is
    outwards = positive[first, cols]
    b = np.where(outwards, above, below - 1)
    known = face.any(axis=0) & (below < len(t))
    a = np.minimum(b + 1, len(t) - 1)
    inner, outer = logit[a, cols], logit[np.maximum(b, 0), cols]
    share = np.divide(inner, inner - outer, out=np.zeros(len(cols)), where=known & (b >= 0))
    edge = np.where(b < 0, t[0], t[a] + share * (t[np.maximum(b, 0)] - t[a]))
    return np.where(known, edge, np.nan)


def _doubt(band: Band, logit: F64, s: F64, toe: F64, rule: dict[str, Any]) -> tuple[F64, F64]:
    """Standard uncertainty (n,) mm of a toe at each column, and trust 0..1, from how sharply the face ends there."""
    per_mm = band.px_per_mm
    reach = int(rule["edge_mm"] * per_mm)
    rows = np.clip(np.round((band.t[0] - toe) * per_mm).astype(int), reach, len(band.t) - 1 - reach)
    cols = np.round((s - band.s[0]) * per_mm).astype(int)
    around = logit[rows[:, None] + np.arange(-reach, reach + 1)[None], cols[:, None]]
    p = 1 / (1 + np.exp(-around))
    unsure = (4 * p * (1 - p)).sum(axis=1) / per_mm  # width in mm over which the reader hesitates
    smooth = median_filter(toe, size=int(2 * per_mm) | 1, mode="nearest")
    jump = np.abs(toe - smooth)
    u = np.hypot(rule["u_floor_mm"], rule["u_per_blur"] * unsure) + 0.3 * jump
    contrast = np.abs(p[:, : reach // 2].mean(axis=1) - p[:, -(reach // 2) :].mean(axis=1))
    trust = contrast * np.exp(-((jump / rule["jump_mm"]) ** 2))
    return gaussian_filter1d(u, 0.3 * per_mm), gaussian_filter1d(trust, 0.3 * per_mm)


def _tip(logit: F64, band: Band, top: F64, bottom: F64, column: int, way: int) -> float:
    """Seam coordinate of an end: where the logit along the middle row falls through 0."""
    edge = 0 if way < 0 else -1
    inner = min(int(band.px_per_mm), len(top) - 1)
    mid = (top[edge - way * inner] + bottom[edge - way * inner]) / 2
    row = int(np.clip(round((band.t[0] - mid) * band.px_per_mm), 2, len(band.t) - 3))
    profile = logit[row - 2 : row + 3].max(axis=0)
    k = column
    while 0 <= k - way < len(profile) and profile[k] <= 0:
        k -= way
    if not 0 <= k + way < len(profile) or profile[k + way] > 0:
        return float(band.s[column])
    share = profile[k] / (profile[k] - profile[k + way])
    return float(band.s[k] + way * share / band.px_per_mm)


def _end_seen(band: Band, s: float) -> bool:
    """Whether the picture goes on beyond this end of the bead."""
    cut = load("bead.toml")["trace"]["cut_mm"]
    columns = (band.s >= s - cut) & (band.s <= s + cut)
    row = int(np.argmin(np.abs(band.t)))
    inside = band.s[0] + cut < s < band.s[-1] - cut
    return bool(inside and band.seen[row, columns].all())


def _with_travel(bead: TracedBead) -> TracedBead:
    """The bead with its direction of travel as the ripples tell it; turned round where they say so."""
    rule = load("bead.toml")["travel"]
    band = bead.band
    row = np.abs(band.t) < rule["middle"] * float(np.median(bead.t_left - bead.t_right))
    on = band.maps["face"][np.ix_(row, (band.s > 0) & (band.s < bead.s[-1]))]
    ahead = band.maps["forward"][np.ix_(row, (band.s > 0) & (band.s < bead.s[-1]))]
    lean = 2 * float((ahead * on).sum() / max(float(on.sum()), 1e-6)) - 1
    sign, sure, why = int(np.sign(lean)), abs(lean), f"the ripples' crescents, {abs(lean):.0%} sure"
    if sure < rule["clear"]:  # the second witness: how the crests themselves bend
        sign, sure, why = travel_from_crests(band, bead.s, bead.t_left, bead.t_right)
    state: Literal["known", "assumed"] = "known" if sign != 0 and sure >= rule["known"] else "assumed"
    return replace(turn_round(bead) if sign < 0 else bead, travel=state, travel_evidence=why)


def turn_round(bead: TracedBead) -> TracedBead:
    """The same bead travelled the other way: left becomes right, start becomes end."""
    band, length = bead.band, float(bead.s[-1])
    maps = {k: np.asarray(cv2.flip(m, -1), np.float32) for k, m in band.maps.items()}
    maps["forward"] = 1 - maps["forward"]
    turned = Band(
        image=np.asarray(cv2.flip(band.image, -1), np.uint8), maps=maps, s=(length - band.s)[::-1], t=(-band.t)[::-1],
        seen=band.seen[::-1, ::-1], seam=band.seam[::-1], left=-band.left[::-1],
    )  # fmt: skip
    return replace(
        bead, band=turned, t_left=-bead.t_right[::-1], t_right=-bead.t_left[::-1], u_left=bead.u_right[::-1],
        u_right=bead.u_left[::-1], confidence=bead.confidence[::-1], start_seen=bead.end_seen, end_seen=bead.start_seen,
    )  # fmt: skip
