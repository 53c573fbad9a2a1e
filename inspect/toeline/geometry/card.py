"""The reference card: its geometry, and finding it in a photo with sub-pixel corners and their covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.geometry.figures import CardFigures
from toeline.photo import Photo

F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
Which = Literal["A", "B"]


@dataclass(frozen=True, slots=True)
class CardSpec:
    """The card as designed: mm, origin at its top-left corner as printed, x right, y down."""

    width: float
    height: float
    dictionary: int
    marker_side: float
    module: float
    centres: tuple[tuple[float, float], ...]
    ids: dict[str, tuple[int, ...]]
    check_line: float

    def corners(self, marker_id: int) -> F64:
        """Corners (4, 2) of a marker: top-left, top-right, bottom-right, bottom-left."""
        which = self.which(marker_id)
        half = self.marker_side / 2
        at = np.asarray(self.centres[self.ids[which].index(marker_id)])
        return np.asarray(at + half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]))

    def which(self, marker_id: int) -> Which:
        """The card a marker belongs to."""
        return next(cast("Which", name) for name, ids in self.ids.items() if marker_id in ids)


@cache
def card_spec() -> CardSpec:
    """The card of data/card.toml."""
    data = CardFigures.read()
    card = data.card
    return CardSpec(
        width=card.width,
        height=card.height,
        dictionary=getattr(cv2.aruco, card.dictionary),
        marker_side=card.marker_side,
        module=card.marker_side / card.marker_modules,
        centres=tuple((x, y) for x, y in card.centres),
        ids={name: tuple(ids) for name, ids in card.ids.items()},
        check_line=data.check_line.length,
    )


@dataclass(frozen=True, slots=True)
class FoundCard:
    """A card seen in a photo, n of its four markers read.

    ``corners_px`` (4n, 2) are the ink's true corners: the ink gain is taken out. ``corners_mm`` (4n, 2) are the same
    corners as designed. ``covariance_px`` (4n, 2, 2) is the edge noise of each corner alone. What remains of the ink
    gain is common to all: ``gain_slope`` (4n, 2, 2) is the move of each corner per px more of gain of the upright
    sides and of the level sides, ``ink_gain_px`` (2,) the gain taken out (positive: white had grown over black)
    and ``gain_covariance`` (2, 2) what is not known of it, px².
    """

    which: Which
    marker_ids: tuple[int, ...]
    corners_px: F64
    corners_mm: F64
    covariance_px: F64
    gain_slope: F64
    ink_gain_px: F64
    gain_covariance: F64

    @property
    def u_px(self) -> F64:
        """Standard uncertainty (4n,) of each corner, root mean square of x and y."""
        return np.asarray(np.sqrt(np.trace(self.covariance_px, axis1=1, axis2=2) / 2))

    @property
    def centres_px(self) -> F64:
        """Marker centres (n, 2), where the diagonals cross: free of the ink gain."""
        return np.array([_crossing(c) for c in self.corners_px.reshape(-1, 4, 2)])


def find_cards(photo: Photo) -> tuple[FoundCard, ...]:
    """Every reference card in the photo, card A before card B; empty when there is none.

    A card counts with at least one marker read. Two cards of one letter are both returned.
    """
    grey = cv2.cvtColor(photo.image, cv2.COLOR_BGR2GRAY)
    return find_cards_in(np.asarray(grey, np.uint8))


def find_cards_in(grey: U8) -> tuple[FoundCard, ...]:
    """As :func:`find_cards`, of a grey picture (H, W)."""
    find = CardFigures.read().find
    shrink = -(-max(grey.shape) // find.search_side_px)
    cards = _cards(grey, _read_markers(grey, shrink, find.quick_windows_px))
    if not cards or any(len(c.marker_ids) < 4 for c in cards):
        closer = _cards(grey, _read_markers(grey, 1, find.thorough_windows_px))
        if sum(len(c.marker_ids) for c in closer) > sum(len(c.marker_ids) for c in cards):
            cards = closer
    return tuple(sorted(cards, key=lambda c: c.which))


def _read_markers(grey: U8, shrink: int, windows: Sequence[int]) -> list[tuple[int, F64]]:
    """Markers (id, rough corners (4, 2) in px of ``grey``), looked for in the picture shrunk ``shrink`` times."""
    height, width = (side // shrink for side in grey.shape)
    whole = grey[: height * shrink, : width * shrink]
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA) if shrink > 1 else whole
    corners, ids, _ = _detector(max(height, width), windows).detectMarkers(small)
    if ids is None:
        return []
    # pixel centres are whole numbers in both pictures
    return [
        (int(marker_id), (quad.reshape(4, 2).astype(float) + 0.5) * shrink - 0.5)
        for marker_id, quad in zip(ids.ravel(), corners, strict=True)
    ]


def _detector(side_px: int, windows: Sequence[int]) -> cv2.aruco.ArucoDetector:
    """A detector of our own eight markers for a picture of this long side, with these local threshold windows."""
    spec, find = card_spec(), CardFigures.read().find
    family = cv2.aruco.getPredefinedDictionary(spec.dictionary)
    ours = sorted(i for ids in spec.ids.values() for i in ids)
    # only our own eight codes: the other 579 can then never be misread as one of them, and reading is quicker
    few = cv2.aruco.Dictionary(family.bytesList[ours], family.markerSize, family.maxCorrectionBits)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.minMarkerPerimeterRate = 4 * find.min_marker_px / side_px
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = windows[0], windows[-1]
    parameters.adaptiveThreshWinSizeStep = max(windows[-1] - windows[0], 1)
    return cv2.aruco.ArucoDetector(few, parameters)


@dataclass(frozen=True, slots=True)
class _Marker:
    """One marker with its sides fitted: corners (4, 2), their covariance (4, 2, 2) and gain slope (4, 2, 2)."""

    id: int
    corners: F64
    covariance: F64
    gain_slope: F64


def _cards(grey: U8, markers: list[tuple[int, F64]]) -> list[FoundCard]:
    find = CardFigures.read().find
    rough = [(i, q) for i, q in markers if np.linalg.norm(np.roll(q, -1, 0) - q, axis=1).min() >= find.min_marker_px]
    if not rough:
        return []
    rough = sorted(rough, key=lambda marker: -_area(marker[1]))[: find.most_markers]
    return [
        _card(group) for group in _group(_fit_markers(grey, [i for i, _ in rough], np.array([q for _, q in rough])))
    ]


def _group(markers: list[_Marker]) -> list[list[_Marker]]:
    """Markers that belong to one printed card: of a letter, each id once, where the others say it should be."""
    spec = card_spec()
    groups: list[list[_Marker]] = []
    for marker in sorted(markers, key=lambda m: -_area(m.corners)):
        home = spec.corners(marker.id)
        for group in groups:
            if spec.which(group[0].id) != spec.which(marker.id) or any(m.id == marker.id for m in group):
                continue
            H = _homography(
                np.concatenate([spec.corners(m.id) for m in group]), np.concatenate([m.corners for m in group])
            )
            away = np.linalg.norm(_apply(H, home).mean(axis=0) - marker.corners.mean(axis=0))
            if away < 1.5 * np.sqrt(_area(marker.corners)):  # one marker alone extrapolates poorly under tilt
                group.append(marker)
                break
        else:
            groups.append([marker])
    return groups


def _area(quad: F64) -> float:
    x, y = quad[:, 0], quad[:, 1]
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def _fit_markers(grey: U8, ids: list[int], quads: F64) -> list[_Marker]:
    """Fit a straight edge to each side of the black borders (M, 4, 2), sub-pixel; leave out what is no ink on paper."""
    lost = CardFigures.read().find.u_lost_corner_px
    corners, covariance = quads, np.zeros((len(ids), 4, 2, 2))
    real = np.ones(len(ids), bool)
    for reach in (0.7, 0.45):  # in modules: wide to catch the rough corner, then close round the edge
        sides = _fit_sides(grey, corners, reach)
        met, covariance = _intersect(sides)
        both = sides.seen & np.roll(sides.seen, 1, axis=1)
        corners = np.where(both[..., None], met, corners)
        covariance = np.where(both[..., None, None], covariance, np.eye(2) * lost**2)
        real &= sides.seen.sum(axis=1) >= 3
    moved = np.abs(corners - quads).max(axis=(1, 2))
    real &= moved < 0.25 * np.sqrt([_area(q) for q in quads])
    return [_Marker(ids[m], corners[m], covariance[m], _gain_slope(corners[m])) for m in np.flatnonzero(real)]


@dataclass(frozen=True, slots=True)
class _Sides:
    """Fitted edges (M, 4): whether ``seen``, a point on each, its unit normal, and offset and slope covariance."""

    seen: NDArray[np.bool_]
    at: F64
    normal: F64
    covariance: F64


def _fit_sides(grey: U8, corners: F64, reach: float) -> _Sides:
    """Edges between corners 0-1, 1-2, 2-3, 3-0, from profiles of ``reach`` modules either way across each side."""
    find = CardFigures.read().find
    spec, n = card_spec(), find.samples_per_side
    start, span = corners, np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(span, axis=-1)
    along = span / length[..., None]
    inward = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    depth = np.sum((corners.mean(axis=1, keepdims=True) - start) * inward, axis=-1)
    inward, depth = inward * np.sign(depth)[..., None], np.abs(depth)
    module = 2 * depth * spec.module / spec.marker_side
    half = np.clip(reach * module, *find.profile_px)
    s = np.linspace(0.1, 0.9, n) * length[..., None]
    steps = 2 * int(np.ceil(2 * half.max())) + 1
    d = np.linspace(-1, 1, steps) * half[..., None]
    grid = start[:, :, None, None] + s[..., None, None] * along[:, :, None, None]
    grid = grid + d[:, :, None, :, None] * inward[:, :, None, None]
    values = _sample(grey, grid)
    inside = np.all((grid >= 0) & (grid <= [grey.shape[1] - 1, grey.shape[0] - 1]), axis=(-1, -2))

    plateau = max(2, steps // 5)
    white, black = values[..., :plateau].mean(axis=-1), values[..., -plateau:].mean(axis=-1)
    contrast = white - black
    good = inside & (contrast > np.maximum(find.min_contrast, 0.5 * np.median(contrast, axis=-1, keepdims=True)))
    level = (white + black) / 2
    below = values < level[..., None]
    after = below.argmax(axis=-1)
    good &= below.any(axis=-1) & (after > 0)
    after = np.maximum(after, 1)[..., None]
    low, high = (np.take_along_axis(values, k, axis=-1)[..., 0] for k in (after, after - 1))
    part = np.clip((high - level) / np.where(high > low, high - low, 1.0), 0, 1)
    offset = -half[..., None] + (after[..., 0] - 1 + part) * (2 * half / (steps - 1))[..., None]

    x = s - length[..., None] / 2
    fit, covariance, seen = _fit_lines(x, offset, good, length)
    normal = inward - fit[..., 1:] * along
    normal = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
    return _Sides(seen, start + span / 2 + fit[..., :1] * inward, normal, covariance)


def _sample(grey: U8, at: F64) -> F64:
    """Grey values at points (..., 2), bilinear."""
    flat = at.reshape(at.shape[0] * at.shape[1] * at.shape[2], -1, 2).astype(np.float32)
    values = cv2.remap(grey, flat, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(values, float).reshape(at.shape[:-1])


def _fit_lines(x: F64, y: F64, good: NDArray[np.bool_], length: F64) -> tuple[F64, F64, NDArray[np.bool_]]:
    """Robust lines y = a + b x over the last axis: (..., 2), their covariance (..., 2, 2), and whether to trust it."""
    find = CardFigures.read().find
    enough = find.min_share_of_side * x.shape[-1]
    seen = good.sum(axis=-1) >= enough
    good = good | ~seen[..., None]  # lines that do not count still need numbers
    fit = np.stack([_median(y, good), np.zeros(seen.shape)], axis=-1)
    for _ in range(6):
        off = y - fit[..., :1] - fit[..., 1:] * x
        scale = np.maximum(1.4826 * _median(np.abs(off), good), 0.02)
        weight = good * np.clip(1 - (off / (4.0 * scale[..., None])) ** 2, 0, None) ** 2  # Tukey's biweight
        w0, w1, w2 = (np.sum(weight * x**k, axis=-1) for k in (0, 1, 2))
        v0, v1 = np.sum(weight * y, axis=-1), np.sum(weight * x * y, axis=-1)
        determinant = np.maximum(w0 * w2 - w1**2, 1e-9)
        fit = np.stack([w2 * v0 - w1 * v1, w0 * v1 - w1 * v0], axis=-1) / determinant[..., None]
    seen &= (w0 >= 0.7 * enough) & (np.abs(fit[..., 1]) < 0.2)
    # neighbouring profiles share blur and compression blocks: count one in two as independent
    variance = 2 * scale**2 / determinant
    floor = find.u_edge_floor_px**2
    covariance = np.empty((*seen.shape, 2, 2))
    covariance[..., 0, 0] = variance * w2 + floor
    covariance[..., 1, 1] = variance * w0 + floor / (length / 2) ** 2
    covariance[..., 0, 1] = covariance[..., 1, 0] = -variance * w1
    return fit, covariance, seen


def _median(values: F64, good: NDArray[np.bool_]) -> F64:
    """Median over the last axis of the ``good`` values (the upper one of an even number)."""
    ordered = np.sort(np.where(good, values, np.inf), axis=-1)
    return np.take_along_axis(ordered, good.sum(axis=-1, keepdims=True) // 2, axis=-1)[..., 0]


def _intersect(sides: _Sides) -> tuple[F64, F64]:
    """Where each side meets the one before it: corners (M, 4, 2) and their covariance (M, 4, 2, 2)."""
    before = [np.roll(a, 1, axis=1) for a in (sides.at, sides.normal, sides.covariance)]
    pairs = list(zip(before, (sides.at, sides.normal, sides.covariance), strict=True))
    at, normal, covariance = (np.stack(pair, axis=2) for pair in pairs)
    inverse = np.linalg.inv(normal)
    met = inverse @ np.sum(normal * at, axis=-1)[..., None]
    tangent = np.stack([-normal[..., 1], normal[..., 0]], axis=-1)
    arm = np.abs(np.sum((met[..., 0][:, :, None] - at) * tangent, axis=-1))
    variance = covariance[..., 0, 0] + arm**2 * covariance[..., 1, 1]
    return met[..., 0], inverse @ (variance[..., None] * inverse.swapaxes(-1, -2))


def _gain_slope(corners: F64) -> F64:
    """Move (4, 2, 2) of each corner per px that the upright (first) and the level sides (second) move outward."""
    middle = corners.mean(axis=0)
    along = np.roll(corners, -1, axis=0) - corners
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.linalg.norm(along, axis=1)[:, None]
    outward *= np.sign(np.sum(outward * ((corners + np.roll(corners, -1, axis=0)) / 2 - middle), axis=1))[:, None]
    slope = np.empty((4, 2, 2))
    for k in range(4):
        # sides 0 and 2 are level (top, bottom), 1 and 3 upright
        N = np.linalg.inv(np.stack([outward[k - 1], outward[k]]))
        upright_first = (k - 1) % 2 == 1
        slope[k] = N if upright_first else N[:, ::-1]
    return slope


def _card(markers: list[_Marker]) -> FoundCard:
    """Take the ink gain out of a card's corners, as its own geometry tells: side length against marker spacing."""
    spec = card_spec()
    markers = sorted(markers, key=lambda m: m.id)
    mm = np.concatenate([spec.corners(m.id) for m in markers])
    px = np.concatenate([m.corners for m in markers])
    covariance = np.concatenate([m.covariance for m in markers])
    slope = np.concatenate([m.gain_slope for m in markers])
    gain, gain_covariance = _ink_gain(mm, px, covariance, slope)
    return FoundCard(
        which=spec.which(markers[0].id),
        marker_ids=tuple(m.id for m in markers),
        corners_px=px + slope @ gain,
        corners_mm=mm,
        covariance_px=covariance,
        gain_slope=slope,
        ink_gain_px=gain,
        gain_covariance=gain_covariance,
    )


def _ink_gain(mm: F64, px: F64, covariance: F64, slope: F64) -> tuple[F64, F64]:
    """Gain (2,) and its covariance: least squares of a homography and the gain over all corners, gain with a prior."""
    prior = CardFigures.read().find.u_gain_px
    root = np.linalg.cholesky(np.linalg.inv(covariance)).transpose(0, 2, 1)
    mm = (mm - mm.mean(axis=0)) / 40.0  # unit size keeps the normal equations well scaled
    gain = np.zeros(2)
    H = _homography(mm, px)
    total = np.eye(2) * prior**2
    for _ in range(4):
        fitted = _apply(H, mm)
        J = np.concatenate([_homography_jacobian(H, mm), -slope], axis=2)
        r = px + slope @ gain - fitted
        Jw = (root @ J).reshape(-1, 10)
        rw = (root @ r[..., None]).reshape(-1)
        information = Jw.T @ Jw
        information[8:, 8:] += np.eye(2) / prior**2
        rhs = Jw.T @ rw
        rhs[8:] -= gain / prior**2
        step = np.linalg.solve(information, rhs)
        H = H + np.append(step[:8], 0.0).reshape(3, 3)
        gain = gain + step[8:]
        total = np.linalg.inv(information)[8:, 8:]
    return gain, total


def _homography(mm: F64, px: F64) -> F64:
    H, _ = cv2.findHomography(mm, px, 0)
    return np.asarray(H / H[2, 2], float)


def _homography_jacobian(H: F64, mm: F64) -> F64:
    """Derivative (N, 2, 8) of the mapped points by the first eight entries of ``H``."""
    one = np.concatenate([mm, np.ones((len(mm), 1))], axis=1)
    h: F64 = one @ H.T
    w, u = h[:, 2], h[:, :2] / h[:, 2:]
    J = np.zeros((len(mm), 2, 8))
    J[:, 0, 0:3] = one / w[:, None]
    J[:, 1, 3:6] = one / w[:, None]
    J[:, :, 6:8] = -u[:, :, None] * mm[:, None, :] / w[:, None, None]
    return J


def _apply(H: F64, points: F64) -> F64:
    h: F64 = np.concatenate([points, np.ones((len(points), 1))], axis=1) @ H.T
    return np.asarray(h[:, :2] / h[:, 2:])


def _crossing(quad: F64) -> F64:
    (a, b, c, d) = quad
    t = np.linalg.solve(np.stack([c - a, b - d], axis=1), b - a)
    return np.asarray(a + t[0] * (c - a))
