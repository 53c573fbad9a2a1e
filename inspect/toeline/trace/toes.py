"""Trace a bead: straighten the photo along it, read the band, follow both toes to a fraction of a pixel."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, label, maximum_filter1d, median_filter

from toeline.result import Side
from toeline.trace.band import (
    F32,
    F64,
    READERS,
    U8,
    Band,
    BandReader,
    Covered,
    Strip,
    SurfaceFrame,
    SurfaceView,
    TracedBead,
)
from toeline.trace.bead_finder import Candidate
from toeline.trace.covered import covered_stretches
from toeline.trace.figures import BeadFigures, BeadTrace, Look
from toeline.trace.networks import read_band
from toeline.trace.ripples import travel_from_crests
from toeline.trace.straighten import OutOfSight, draw_out, lay_anew, lay_band, look_beside

Mask = NDArray[np.bool_]
_Strip = TypeVar("_Strip", bound=Strip)
_Read = Callable[[U8], dict[str, F32]]
_DOUBTED = ("undercut", "undercut_deep", "overlap", "crater_hollow")  # shadows are taken for these
_SECONDED = ("face", *_DOUBTED)
_FEWEST = 5  # columns that a gentle curve takes
_ENOUGH = 100  # and from how many on more of them do not change it
_REWEIGHTS = 5  # enough for a robust curve to settle
_EACH = 3  # a toe's path is looked for in every third column
_RETRIES = 3  # how often toes that leave their course are looked for anew
_RELAYS = 12  # how often a band is laid anew or drawn out before what is seen has to do
_TOO_SHORT = "What was found is too short for a bead."


class BeadLost(Exception):
    """The reader does not see a bead where the finder did; the text says so."""


def trace_bead(
    image: U8,
    frame: SurfaceFrame,
    candidate: Candidate,
    ends_given: bool = False,
    reader: BandReader = READERS[0],
) -> TracedBead:
    """Both toes of a found bead in a BGR photo (H, W, 3) as a reader sees it, start to end in the direction of travel.

    With ``ends_given`` the candidate's line runs from the start to the end that the user named, and is kept to.

    Raises:
        BeadLost: no weld metal is seen along the candidate's line.
    """
    seam = frame.to_mm(candidate.line_px)
    seam = seam[np.isfinite(seam).all(axis=1)]
    rule = BeadFigures.read().band
    long = _seam_length(seam)
    wide = candidate.width_px * long / max(candidate.length_px, 1.0)
    if len(seam) < 2 or long > rule.longest_mm or wide > rule.widest_mm:
        raise BeadLost("The bead lies beyond the plate's horizon, or too near to it.")
    reach = max(rule.near_mm, wide / 2 + rule.near_toe_mm)
    try:
        band, face = _lay(image, frame, seam, reach, reader, ends_given)
    except OutOfSight:
        raise BeadLost("The bead lies outside the picture.") from None
    bead = _follow(replace(band, maps=_second_look(band)), frame, face, candidate.confidence)
    return _at_given_ends(bead, _seam_length(seam)) if ends_given else _with_travel(bead)


def _at_given_ends(bead: TracedBead, length: float) -> TracedBead:
    """The bead with no doubt of an end that lies where the user marked it, on a seam so long: it need be no end at all
    of the weld metal."""
    near = float(np.median(bead.t_left - bead.t_right)) / 2
    start = bead.band.s[0] + BeadFigures.read().band.beyond_mm  # the first mark, as the bead counts
    off = abs(start), abs(start + length - bead.s[-1])
    return replace(
        bead, end_trust=(1.0 if off[0] < near else bead.end_trust[0], 1.0 if off[1] < near else bead.end_trust[1])
    )


def look_about(image: U8, bead: TracedBead) -> TracedBead:
    """The bead with what lies on the plate further off, in a BGR photo (H, W, 3)."""
    if bead.turned:  # the networks are to see all of it the same way round
        return turn_round(look_about(image, turn_round(bead)))
    return replace(bead, beside=look_beside(image, bead.frame, bead.band, BeadFigures.read().band.reach_mm))


def as_photographed(image: U8, view: SurfaceView, bead: TracedBead) -> TracedBead:
    """A bead that was traced in another light, or from elsewhere, with all but its face read in the BGR photo (H, W, 3)
    as it was taken: what lies on it and beside it is known by its own look."""
    if bead.turned:
        return turn_round(as_photographed(image, view, turn_round(bead)))
    band = lay_anew(image, view, bead.band)
    return replace(bead, band=replace(band, maps=_second_look(band) | {"face": bead.band.maps["face"]}))


def _second_look(band: Band) -> dict[str, F32]:
    """The band's maps, the face and what a shadow is taken for the mean of the band as it is and of the other looks
    that data/bead.toml names, where any of it may be. What is there shows in each; a shadow is less often taken each
    time for a groove, a hollow or the bead's edge."""
    rule = BeadFigures.read()
    likely = np.maximum.reduce([band.maps[name].max(axis=0) for name in _DOUBTED])
    columns = np.flatnonzero(likely > rule.second_look.above)
    if not len(columns) or not rule.second_look.looks:
        return band.maps
    room = round(rule.band.around_mm * band.px_per_mm)
    cut = slice(max(int(columns[0]) - room, 0), int(columns[-1]) + room + 1)
    image = band.image[:, cut]
    read = partial(read_band, names=_SECONDED, reader=band.reader)
    looks = [_LOOKS[look](image, read) for look in rule.second_look.looks]
    seconded = {name: band.maps[name].copy() for name in _SECONDED}
    for name, layer in seconded.items():
        layer[:, cut] += sum(look[name] for look in looks)
        layer[:, cut] /= 1 + len(looks)
    return band.maps | seconded


def lighter(image: U8) -> U8:
    """The picture (H, W, 3) with its dark parts shown lighter."""
    levels = (np.arange(256) / 255) ** BeadFigures.read().second_look.lighter
    return np.asarray(cv2.LUT(image, np.round(255 * levels).astype(np.uint8)), np.uint8)


def _enlarged(image: U8, read: _Read) -> dict[str, F32]:
    """What is read of a picture (H, W, 3) when it is enlarged, at its own size (H, W)."""
    h, w = image.shape[:2]
    times = BeadFigures.read().second_look.enlarged
    larger = cv2.resize(image, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
    return {
        name: np.asarray(cv2.resize(layer, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)
        for name, layer in read(np.asarray(larger, np.uint8)).items()
    }


def _lighter(image: U8, read: _Read) -> dict[str, F32]:
    return read(lighter(image))


def _mirrored(image: U8, read: _Read) -> dict[str, F32]:
    """What is read of a picture (H, W, 3) with left and right exchanged, put back."""
    return {name: layer[::-1] for name, layer in read(np.ascontiguousarray(image[::-1])).items()}


def _mirrored_enlarged(image: U8, read: _Read) -> dict[str, F32]:
    return _mirrored(image, lambda mirrored: _enlarged(mirrored, read))


_LOOKS: dict[Look, Callable[[U8, _Read], dict[str, F32]]] = {
    "lighter": _lighter,
    "enlarged": _enlarged,
    "mirrored": _mirrored,
    "mirrored_enlarged": _mirrored_enlarged,
}


def _lay(
    image: U8, frame: SurfaceFrame, seam: F64, reach: float, reader: BandReader, ends_given: bool
) -> tuple[Band, Mask]:
    """The band along the bead, and the bead's face in it: laid anew where the seam misses the bead's middle, wider
    where the bead runs out of its side, drawn out where it stops short of an end. Ends that are given are kept to."""
    rule = BeadFigures.read().band
    widest = reach + 2 * rule.near_toe_mm
    band = lay_band(image, frame, seam, reach, reader)
    face = _face_region(band, ends_given, _seam_length(seam))
    joins: list[float] = []
    for _ in range(0 if ends_given else _RELAYS):
        s, t = _course(band, face)
        middle = band.to_surface(s, t)[:: max(int(band.px_per_mm), 1)]
        if len(middle) < 2:
            raise BeadLost(_TOO_SHORT)
        short = _short_of_ends(band, face)
        back, on = (_ahead(line) * rule.grow_mm for line in (middle, middle[::-1]))
        hemmed_in = reach < widest and _hemmed_in(band, face)
        if hemmed_in:
            reach = min(reach + rule.near_toe_mm, widest)
        if hemmed_in or _strays(s, t, band, face):
            seam = np.concatenate([middle[:1] + back] * short[0] + [middle] + [middle[-1:] + on] * short[1])
            band, joins = lay_band(image, frame, seam, reach, reader), []
        elif any(short):
            for at_end, ahead in ((False, back), (True, on)):
                if short[at_end]:
                    joins.append(float(band.s[-1] - rule.around_mm if at_end else band.s[0] + rule.around_mm))
                    band = draw_out(image, frame, band, ahead, at_end=at_end)
        elif _at_odds(
            band, joins
        ):  # pieces show less than the whole: where their readings do not meet, it is read again
            band, joins = replace(band, maps=read_band(band.image, reader=reader)), []
        else:
            break
        face = _face_region(band, ends_given, _seam_length(seam))
    return band, face


def _ahead(line: F64) -> F64:
    """The unit vector (2,) from a line (N, 2) on beyond its first point."""
    away = line[0] - line[min(int(BeadFigures.read().band.grow_from_mm), len(line) - 1)]
    return np.asarray(away / np.linalg.norm(away))


def _strays(s: F64, t: F64, band: Band, face: Mask) -> bool:
    """Whether the seam misses the bead's middle, which lies at ``t`` (n,) over ``s`` (n,), on the whole or anywhere by
    far, or runs askew to it."""
    rule = BeadFigures.read().band
    width = float(np.median(face.sum(axis=0)[face.any(axis=0)])) / band.px_per_mm
    on_the_whole, anywhere = (max(rule.wander_widths * width, mm) for mm in rule.wander_mm)
    askew = abs(np.polyfit(s, t, 1)[0]) > math.tan(math.radians(rule.askew_deg))
    return bool(abs(t.mean()) >= on_the_whole or np.abs(t).max() >= anywhere or askew)


def _hemmed_in(band: Band, face: Mask) -> bool:
    """Whether the bead runs so near to a side of the band that its toe may lie beyond, where the photo goes on too."""
    side = max(round(BeadFigures.read().band.side_mm * band.px_per_mm), 1)
    return bool((face[:side] & band.seen[0]).any() or (face[-side:] & band.seen[-1]).any())


def _short_of_ends(band: Band, face: Mask) -> tuple[bool, bool]:
    """Whether the bead may go on beyond the band's start and beyond its end, where the photo goes on too."""
    room = int(BeadFigures.read().band.room_mm * band.px_per_mm)
    on, seen = np.flatnonzero(face.any(axis=0)), band.seen[int(np.argmin(np.abs(band.t)))]
    start, end = on[0] < room, len(band.s) - 1 - on[-1] < room
    return bool(start and seen[: room + 1].all()), bool(end and seen[-room - 1 :].all())


def _at_odds(band: Band, joins: Sequence[float]) -> bool:
    """Whether what was read on both sides of a join of pieces, at any of ``joins`` along the seam, differs."""
    share = BeadFigures.read().band.odds_share
    for join in joins:
        column = round((join - band.s[0]) * band.px_per_mm)
        at = band.maps["face"][:, max(column - 2, 0) : column + 2].astype(float)
        if np.ptp(at, axis=1).sum() > share * max(float(at.max(axis=1).sum()), 1.0):
            return True
    return False


def _seam_length(seam: F64) -> float:
    return float(np.linalg.norm(np.diff(seam, axis=0), axis=1).sum())


def _face_region(band: Band, ends_given: bool, length: float) -> Mask:
    """The connected region (H, L) of weld metal that the seam runs through."""
    likely, given = band.maps["face"] > 0.5, _given_a_bead(band) > 0.5
    sure = _region(band, likely, ends_given, length)
    if np.array_equal(likely, given):  # as a rule nothing is doubted
        return sure
    whole = _region(band, given, ends_given, length)
    share = BeadFigures.read().band.sure_share
    return whole if sure.any(axis=0).sum() > share * whole.any(axis=0).sum() else sure


def _given_a_bead(band: Band) -> F32:
    """The face map (H, L), given that there is a bead: of what the reader doubts to be weld metal at all it still sees
    the edges clearly, so what it says is set against what it says of the bead's inside nearby."""
    rule = BeadFigures.read().given
    face = band.maps["face"]
    near, far = (int(mm * band.px_per_mm) | 1 for mm in (rule.inside_mm, rule.along_mm))
    inside = cv2.blur(face, (near, near)).max(axis=0)
    inside = maximum_filter1d(median_filter(inside, size=far, mode="nearest"), far, mode="nearest")
    inside[inside > rule.sure] = 1.0
    return np.asarray(np.minimum(face / inside.clip(rule.least), 1.0), np.float32)


def _region(band: Band, face: Mask, ends_given: bool, length: float) -> Mask:
    """The connected part (H, L) of ``face`` (H, L) that the seam runs through, its holes filled."""
    if ends_given:  # weld metal beyond the named ends belongs to another run
        core = face[np.abs(band.t) < 1.0].any(axis=0)
        snap = BeadFigures.read().band.snap_mm
        before, after = (np.interp(s, band.s, core) > 0.5 for s in (-snap, length + snap))
        face = face & ((band.s >= (0.0 if before else -snap)) & (band.s <= length + (0.0 if after else snap)))[None]
    whole = cv2.morphologyEx(face.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 25), np.uint8))
    outlines, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(whole, outlines, -1, 1, cv2.FILLED)
    whole = cv2.morphologyEx(whole, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    count, labels = cv2.connectedComponents(whole)
    near = np.abs(band.t) < 3.0
    inside = (band.s >= 0) & (band.s <= length)
    hits = np.bincount(labels[np.ix_(near, inside)].ravel(), minlength=count)
    hits[0] = 0
    if hits.max() < 10:
        raise BeadLost("No weld metal is seen where the bead should be.")
    region = np.asarray((labels == int(hits.argmax())) & band.seen)
    if not region.any():
        raise BeadLost("The bead lies outside the picture.")
    return region


def _middle(band: Band, face: Mask) -> F64:
    """Mean t of the face (n,) over the columns that have one."""
    columns = face[:, face.any(axis=0)].astype(float)
    return np.asarray((columns * band.t[:, None]).sum(axis=0) / columns.sum(axis=0))


def _course(band: Band, face: Mask) -> tuple[F64, F64]:
    """The bead's course in the band: a gentle curve ``t`` (n,) over the columns ``s`` (n,) that have a face.

    Columns far from the usual width do not count, nor much those off the curve: there the plate is taken for face. Too
    short a piece of the bead for a curve gives a straight line.
    """
    rule = BeadFigures.read().band
    wide = face.sum(axis=0)
    s = band.s[wide > 0]
    wide, mid = wide[wide > 0], _middle(band, face)
    width = float(np.median(wide))
    usual = np.abs(wide / width - 1) < rule.usual_width
    if usual.sum() < _FEWEST:  # two widths in one region: the median is neither's
        usual[:] = True
    degree = 1 + int(np.searchsorted(rule.curved_widths, usual.sum() / width))
    some_s, some_mid = (values[usual][:: max(int(usual.sum()) // _ENOUGH, 1)] for values in (s, mid))
    weight = np.ones(len(some_s))
    for _ in range(_REWEIGHTS):
        curve = np.polynomial.Polynomial.fit(some_s, some_mid, degree, w=weight)
        off = np.abs(some_mid - curve(some_s))
        weight = 1 / np.sqrt(1 + (off / (np.median(off) + 0.1)) ** 2)
    inner = s.clip(s[usual][0], s[usual][-1])  # beyond what counts it runs straight on
    return s, np.asarray(curve(inner) + curve.deriv()(inner) * (s - inner))


def _follow(band: Band, frame: SurfaceFrame, face: Mask, confidence: float) -> TracedBead:
    """Toes at every column of the face region, then at stations from start to end."""
    rule = BeadFigures.read().trace
    sigma = rule.smooth_mm * band.px_per_mm
    smooth = np.asarray(cv2.GaussianBlur(_logit(_given_a_bead(band)), (0, 0), sigmaX=sigma, sigmaY=0.01), float)
    columns = np.flatnonzero(face.any(axis=0))
    lo, hi = int(columns[0]), int(columns[-1])
    along = slice(lo, hi + 1)
    s = band.s[along]
    likely = (face & (band.maps["face"] > 0.5))[:, along].sum(axis=0) / face[:, along].sum(axis=0).clip(1)
    middle = np.interp(s, band.s[columns], _middle(band, face))
    middle = median_filter(middle, size=int(rule.mid_mm * band.px_per_mm) | 1, mode="nearest")
    given = smooth[:, along]
    top, bottom = _toes(given, band.t, middle)
    doubt_l, doubt_r = (_doubt(band, smooth, s, v, rule) for v in (top, bottom))
    if frame.has_scale and max(float(doubt_l[0].max()), float(doubt_r[0].max())) > rule.leant[0]:
        given = given + _leant(band, middle, doubt_l[0], doubt_r[0])
        top, bottom = _toes(given, band.t, middle)
        doubt_l, doubt_r = (_doubt(band, smooth, s, v, rule) for v in (top, bottom))
    width = _width(top, bottom)
    for _ in range(_RETRIES):
        usual = _usual(s, top, doubt_l[1], width), _usual(s, bottom, doubt_r[1], width)
        if max(float(np.max(top - usual[0])), float(np.max(usual[1] - bottom))) <= rule.swell * width:
            break
        middle = (usual[0] + usual[1]) / 2  # what lies beside the bead has drawn it aside
        top, bottom = _toes(given, band.t, middle, usual[0] - middle, rule.swell_most * width)
        doubt_l, doubt_r = (_doubt(band, smooth, s, v, rule) for v in (top, bottom))
        width = _width(top, bottom)
    top, bottom = _bridged(s, top, doubt_l[0], width, 1), _bridged(s, bottom, doubt_r[0], width, -1)
    start, end = _tip(smooth, band, top, bottom, lo, -1), _tip(smooth, band, top, bottom, hi, 1)
    stations = np.linspace(0.0, end - start, max(round((end - start) / rule.station_mm), 0) + 1)
    if len(stations) < 8 or end - start < BeadFigures.read().finder.least_slenderness * width:
        raise BeadLost(_TOO_SHORT)
    at = start + stations
    left, right = np.interp(at, s, top), np.interp(at, s, bottom)
    left, right = np.maximum(left, right + 1e-3), np.minimum(right, left - 1e-3)
    u_l, u_r = np.interp(at, s, doubt_l[0]), np.interp(at, s, doubt_r[0])
    trust = np.minimum(np.interp(at, s, doubt_l[1]), np.interp(at, s, doubt_r[1]))
    trust = trust * np.interp(at, s, likely)  # the toes of what may be no weld metal are not believed either
    for toe, way in ((left, 1), (right, -1)):
        trust = np.where(band.shows(at, toe + way * rule.edge_mm), trust, 0.0)
    more = 1 + rule.u_doubted * ((rule.doubted[0] - trust) / (rule.doubted[0] - rule.doubted[1])).clip(0.0, 1.0)
    u_l, u_r = u_l * more, u_r * more
    covered: list[Covered] = []
    toes: tuple[tuple[Side, F64, F64, int], ...] = (("left", left, u_l, 1), ("right", right, u_r, -1))
    for side, toe, u, way in toes:
        for first, last in covered_stretches(stations, -way * toe, width):
            under = slice(first, last + 1)
            straight = np.interp(stations[under], stations[[first, last]], toe[[first, last]])
            u[under] = np.maximum(u[under], np.abs(straight - toe[under]).max() / 2)
            toe[under], trust[under] = straight, 0.0  # it is drawn straight on, and not believed
            covered.append(Covered(side, float(stations[first]), float(stations[last])))
    moved = replace(band, s=band.s - start)
    seen = [_end_seen(band, x) for x in (start, end)]
    sure = [
        _end_trust(band, x, mid, width, way) if on else 1.0
        for x, mid, way, on in (
            (start, middle[0], -1, seen[0]),
            (end, middle[-1], 1, seen[1]),
        )
    ]
    return TracedBead(
        frame=frame, band=moved, s=stations, t_left=left, t_right=right, u_left=u_l, u_right=u_r,
        confidence=np.clip(trust, 0, 1), start_seen=seen[0], end_seen=seen[1],
        travel="assumed", travel_evidence="", found_confidence=confidence, covered=tuple(covered),
        end_trust=(sure[0], sure[1]),
    )  # fmt: skip


def _width(top: F64, bottom: F64) -> float:
    """The usual width between two toes (n,)."""
    width = float(np.median(top - bottom))
    if width <= 0:
        raise BeadLost("No weld metal is seen between the toes.")
    return width


def _logit(p: F32) -> F32:
    q = np.clip(p, 1e-6, 1 - 1e-6)
    return np.asarray(np.log(q / (1 - q)), np.float32)


def _usual(s: F64, toe: F64, trust: F64, width: float) -> F64:
    """A toe's gentle course (n,) at ``s`` (n,): through where it is trusted, hardly moved by what lies off it."""
    some = slice(None, None, max(len(s) // _ENOUGH, 1))
    degree = 1 + int(np.searchsorted(BeadFigures.read().band.curved_widths, (s[-1] - s[0]) / width))
    sure = trust[some] ** 2 + 1e-3
    weight = sure
    for _ in range(_REWEIGHTS):
        curve = np.polynomial.Polynomial.fit(s[some], toe[some], degree, w=weight)
        off = np.abs(toe[some] - curve(s[some]))
        weight = sure / np.sqrt(1 + (off / (np.median(off) + 0.1)) ** 2)
    return np.asarray(curve(s))


def _toes(logit: F64, t: F64, middle: F64, usual: F64 | None = None, swell: float = np.inf) -> tuple[F64, F64]:
    """Left and right toe (n,) of the columns of ``logit`` (H, n) at rows ``t`` (H,), on both sides of ``middle`` (n,).

    Each is the path along the seam that takes in the most evidence of weld metal between it and the middle, less a
    charge for every step sideways: neither a dark ripple inside the face nor a scratch beside it turns it aside. The
    further it lies beyond its ``usual`` distance (n,) from there, the clearer must be what counts as weld metal; beyond
    that by ``swell`` none does.
    """
    rule = BeadFigures.read().trace
    h, n = logit.shape
    columns, some = np.arange(n), np.arange(0, n, _EACH)
    step = (t[0] - t[-1]) / (h - 1)
    first = np.round((t[0] - middle) / step).astype(int).clip(0, h - 1)
    ways = np.array([-1, 1])
    furthest = max(int(first.max()) + 1, h - int(first.min()))
    out = np.arange(furthest)[:, None]  # rows from the middle, to the band's side
    rows = first[some] + ways[:, None, None] * out
    seen = np.where((rows >= 0) & (rows < h), logit[rows.clip(0, h - 1), some], -np.inf)
    gap = int(rule.gap_mm / step)
    clear = np.pad(seen < -rule.clear, ((0, 0), (0, gap - 1), (0, 0)), constant_values=True)
    parted = np.logical_and.reduce([clear[:, k : k + len(out)] for k in range(gap)])
    seen[np.logical_or.accumulate(parted, axis=1)] = -np.inf  # what lies beyond a clear gap is another thing
    if usual is not None:
        over = (out * step - usual[some]) / swell
        seen = np.where(over > 1, -np.inf, seen - rule.evidence * over.clip(0.0, 1.0))
    reach = int((seen > -np.inf).any(axis=(0, 2)).sum())
    gain = np.cumsum(np.clip(seen[:, :reach], -rule.evidence, rule.evidence), axis=1)
    toes = []
    for way, path in zip(ways, _best_paths(gain, int(rule.stride_px), rule.sideways), strict=True):
        row = (first + way * np.round(np.interp(columns, some, path)).astype(int)).clip(0, h - 1)
        toe = t[row]
        for near in (2, -2, 1, -1, 0):  # the path may pass a wrinkle of the map by; the nearest edge is taken last
            a = (row + way * near).clip(1, h - 2)
            inner, outer = logit[a, columns], logit[a + way, columns]
            cut = (inner > 0) & (outer <= 0)
            toe = np.where(cut, t[a] + inner / np.where(cut, inner - outer, 1.0) * (t[a + way] - t[a]), toe)
        toes.append(np.asarray(toe, float))
    return toes[0], toes[1]


def _leant(band: Band, middle: F64, u_left: F64, u_right: F64) -> F64:
    """What is added to the log odds (H, n) of weld metal on each side of the ``middle`` (n,) where the toe of that side
    is as unsure as ``u_left``, ``u_right`` (n,) mm: a dark flank is taken for no weld metal more often than the plate
    for some, so that toes in doubt lie too far in."""
    rule = BeadFigures.read().trace
    low, high = rule.leant
    left, right = (
        gaussian_filter1d(((u - low) / (high - low)).clip(0.0, 1.0), rule.leant_mm * band.px_per_mm)
        for u in (u_left, u_right)
    )
    return np.asarray(rule.lean * np.where(band.t[:, None] > middle, left, right))


def _best_paths(gain: F64, stride: int, charge: float) -> NDArray[np.int64]:
    """The rows (B, n) along which ``gain`` (B, R, n) adds up to most, ``charge`` taken off for each row of change, at
    most ``stride`` rows from one column to the next."""
    sets, rows, columns = gain.shape
    cost = charge * np.abs(np.arange(-stride, stride + 1))
    # all sets in one line, parted by rows that no path takes: one call for all of them is quicker
    total = np.full((columns, sets * (rows + stride) + stride), -np.inf)
    starts = range(stride, total.shape[1], rows + stride)
    for first, one in zip(starts, gain, strict=True):
        total[:, first : first + rows] = one.T
    shifted = np.lib.stride_tricks.sliding_window_view(total, total.shape[1] - 2 * stride, axis=1)
    each = np.empty(shifted.shape[1:])
    for before, here in zip(shifted[:-1], total[1:, stride:-stride], strict=True):
        np.subtract(before, cost[:, None], out=each)
        here += np.maximum.reduce(each)  # the most over a first axis is found quickest
    path = np.empty((sets, columns), np.int64)
    for first, row in zip(starts, path, strict=True):
        row[-1] = at = int(total[-1, first : first + rows].argmax())
        for k in range(columns - 2, -1, -1):
            at += int((total[k, first + at - stride : first + at + stride + 1] - cost).argmax()) - stride
            row[k] = at
    return path


def _doubt(band: Band, logit: F64, s: F64, toe: F64, rule: BeadTrace) -> tuple[F64, F64]:
    """Standard uncertainty (n,) mm of a toe at each column, and trust 0..1, from how sharply the face ends there."""
    per_mm = band.px_per_mm
    reach = int(rule.edge_mm * per_mm)
    rows = np.clip(np.round((band.t[0] - toe) * per_mm).astype(int), reach, len(band.t) - 1 - reach)
    cols = np.round((s - band.s[0]) * per_mm).astype(int)
    around = logit[rows[:, None] + np.arange(-reach, reach + 1)[None], cols[:, None]]
    p = 1 / (1 + np.exp(-around))
    unsure = (4 * p * (1 - p)).sum(axis=1) / per_mm  # width in mm over which the reader hesitates
    smooth = median_filter(toe, size=int(2 * per_mm) | 1, mode="nearest")
    jump = np.abs(toe - smooth)
    u = np.hypot(rule.u_floor_mm, rule.u_per_blur * unsure) + 0.3 * jump
    contrast = np.abs(p[:, : reach // 2].mean(axis=1) - p[:, -(reach // 2) :].mean(axis=1))
    trust = contrast * np.exp(-((jump / rule.jump_mm) ** 2))
    return gaussian_filter1d(u, 0.3 * per_mm), gaussian_filter1d(trust, 0.3 * per_mm)


def _bridged(s: F64, toe: F64, u: F64, width: float, way: int) -> F64:
    """A toe (n,) that lies to the left (``way`` 1) or right (-1), drawn straight on where for a short way it is much
    less clear than elsewhere: a longer straight line would cut through the bead. At the round ends, where no toe is
    clear, it may swell a little or come nearer to the middle."""
    rule = BeadFigures.read().trace
    vague = u > max(rule.fuzzy_mm, rule.fuzzy_times * float(np.quantile(u, 0.25)))
    ends = (s < s[0] + width / 2) | (s > s[-1] - width / 2)
    if (vague | ends).all():
        return toe
    runs, count = label(vague & ~ends)
    for first, last in ((at[0], at[-1]) for at in (np.flatnonzero(runs == k) for k in range(1, count + 1))):
        vague[first : last + 1] = s[last] - s[first] < rule.bridge_widths * width
    straight = np.interp(s, s[~vague & ~ends], toe[~vague & ~ends])
    most = straight + way * rule.end_swell * width
    return np.asarray(np.where(ends, way * np.minimum(way * toe, way * most), np.where(vague, straight, toe)))


def _tip(logit: F64, band: Band, top: F64, bottom: F64, column: int, way: int) -> float:
    """Seam coordinate of an end: where the logit round the middle row falls through 0."""
    edge = 0 if way < 0 else -1
    inner = min(int(band.px_per_mm), len(top) - 1)
    mid = (top[edge - way * inner] + bottom[edge - way * inner]) / 2
    off = np.abs(band.t - mid)
    core = BeadFigures.read().trace.tip_share * float(np.median(top - bottom))
    profile = logit[off <= max(core, float(off.min()))].max(axis=0)
    k = column
    while 0 <= k - way < len(profile) and profile[k] <= 0:
        k -= way
    if profile[k] <= 0 or not 0 <= k + way < len(profile) or profile[k + way] > 0:
        return float(band.s[column])
    share = profile[k] / (profile[k] - profile[k + way])
    return float(band.s[k] + way * share / band.px_per_mm)


def _end_trust(band: Band, s: float, mid: float, width: float, way: int) -> float:
    """How clearly, 0..1, the bead of this ``width`` ends at ``s``: weld metal just within, none from there on as far as
    a look beyond reaches. A trace that stops in mid-bead has weld metal, or what may be some, on both sides."""
    rule = BeadFigures.read().end
    rows = np.abs(band.t - mid) <= max(rule.middle * width, 1.5 / band.px_per_mm)
    if not rows.any():  # the middle lies beside the band: nothing of an end is seen
        return 0.0
    face = gaussian_filter1d(band.maps["face"][rows].mean(axis=0), rule.smooth_mm * band.px_per_mm)
    ahead = way * (band.s - s) / width
    within = (ahead > -rule.within[0]) & (ahead < -rule.within[1])
    beyond = (ahead > rule.beyond[0]) & (ahead < rule.beyond[1])
    if not within.any() or not beyond.any():
        return 0.0
    return float(np.clip(face[within].mean() - face[beyond].max(), 0.0, 1.0))


def _end_seen(band: Band, s: float) -> bool:
    """Whether the picture goes on beyond this end of the bead."""
    cut = BeadFigures.read().trace.cut_mm
    columns = (band.s >= s - cut) & (band.s <= s + cut)
    row = int(np.argmin(np.abs(band.t)))
    inside = band.s[0] + cut < s < band.s[-1] - cut
    return bool(inside and band.seen[row, columns].all())


def _with_travel(bead: TracedBead) -> TracedBead:
    """The bead with its direction of travel as the ripples tell it; turned round where they say so."""
    rule = BeadFigures.read().travel
    band = bead.band
    row = np.abs(band.t) < rule.middle * float(np.median(bead.t_left - bead.t_right))
    on = band.maps["face"][np.ix_(row, (band.s > 0) & (band.s < bead.s[-1]))]
    ahead = band.maps["forward"][np.ix_(row, (band.s > 0) & (band.s < bead.s[-1]))]
    lean = 2 * float((ahead * on).sum() / max(float(on.sum()), 1e-6)) - 1
    sign, sure, why = int(np.sign(lean)), abs(lean), f"the ripples' crescents, {abs(lean):.0%} sure"
    if sure < rule.clear:  # the second witness: how the crests themselves bend
        sign, sure, why = travel_from_crests(band, bead.s, bead.t_left, bead.t_right)
    state: Literal["known", "assumed"] = "known" if sign != 0 and sure >= rule.known else "assumed"
    return replace(turn_round(bead) if sign < 0 else bead, travel=state, travel_evidence=why)


def turn_round(bead: TracedBead) -> TracedBead:
    """The same bead travelled the other way: left becomes right, start becomes end."""
    band, length = bead.band, float(bead.s[-1])
    turned = _turned(band, length)
    turned.maps["forward"] = 1 - turned.maps["forward"]
    return replace(
        bead, t_left=-bead.t_right[::-1], t_right=-bead.t_left[::-1], u_left=bead.u_right[::-1],
        u_right=bead.u_left[::-1], confidence=bead.confidence[::-1], start_seen=bead.end_seen, end_seen=bead.start_seen,
        end_trust=(bead.end_trust[1], bead.end_trust[0]),
        covered=tuple(c.turned(length) for c in bead.covered), turned=not bead.turned,
        beside=None if bead.beside is None else _turned(bead.beside, length),
        band=replace(
            turned, image=band.image[::-1, ::-1], seam=band.seam[::-1], left=-band.left[::-1]
        ),
    )  # fmt: skip


def _turned(strip: _Strip, length: float) -> _Strip:
    """A strip beside a bead so long, seen from the bead's other end."""
    return replace(
        strip,
        maps={name: layer[::-1, ::-1] for name, layer in strip.maps.items()},
        s=(length - strip.s)[::-1],
        t=(-strip.t)[::-1],
        seen=strip.seen[::-1, ::-1],
    )
