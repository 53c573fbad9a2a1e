"""The reference card: its geometry, and finding it in a photo with sub-pixel corners and their covariance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.datafile import load
from toeline.photo import Photo

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
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
    data = load("card.toml")
    card = data["card"]
    return CardSpec(
        width=card["width"],
        height=card["height"],
        dictionary=getattr(cv2.aruco, card["dictionary"]),
        marker_side=card["marker_side"],
        module=card["marker_side"] / card["marker_modules"],
        centres=tuple((x, y) for x, y in card["centres"]),
        ids={name: tuple(ids) for name, ids in card["ids"].items()},
        check_line=data["check_line"]["length"],
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
    find = load("card.toml")["find"]
    shrink = max(1.0, max(grey.shape) / find["search_side_px"])
    cards = _cards(grey, _read_markers(grey, shrink))
    if shrink > 1.0 and (not cards or any(len(c.marker_ids) < 4 for c in cards)):
        closer = _cards(grey, _read_markers(grey, 1.0))
        if sum(len(c.marker_ids) for c in closer) > sum(len(c.marker_ids) for c in cards):
            cards = closer
    return tuple(sorted(cards, key=lambda c: c.which))


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    spec = card_spec()
    family = cv2.aruco.getPredefinedDictionary(spec.dictionary)
    ours = sorted(i for ids in spec.ids.values() for i in ids)
    # only our own eight codes: the other 579 can then never be misread as one of them, and reading is quicker
    few = cv2.aruco.Dictionary(family.bytesList[ours], family.markerSize, family.maxCorrectionBits)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.minMarkerPerimeterRate = 0.01
    parameters.adaptiveThreshWinSizeMin = 5
    parameters.adaptiveThreshWinSizeMax = 45
    parameters.adaptiveThreshWinSizeStep = 20
    return cv2.aruco.ArucoDetector(few, parameters)


def _read_markers(grey: U8, shrink: float) -> list[tuple[int, F64]]:
    """Markers (id, rough corners (4, 2) in px of ``grey``), looked for in the picture shrunk ``shrink`` times."""
    if shrink > 1.0:
        size = (round(grey.shape[1] / shrink), round(grey.shape[0] / shrink))
        small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        step = np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
    else:
        small, step = grey, np.ones(2)
    corners, ids, _ = _detector().detectMarkers(small)
    if ids is None:
        return []
    found = []
    for marker_id, quad in zip(ids.ravel(), corners, strict=True):
        # pixel centres are whole numbers in both pictures
        found.append((int(marker_id), (quad.reshape(4, 2).astype(float) + 0.5) * step - 0.5))
    return found


@dataclass(frozen=True, slots=True)
class _Marker:
    """One marker with its sides fitted: corners (4, 2), their covariance (4, 2, 2) and gain slope (4, 2, 2)."""

    id: int
    corners: F64
    covariance: F64
    gain_slope: F64


def _cards(grey: U8, markers: list[tuple[int, F64]]) -> list[FoundCard]:
    min_side = load("card.toml")["find"]["min_marker_px"]
    fitted = []
    for marker_id, quad in markers:
        sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
        marker = _fit_marker(grey, marker_id, quad) if sides.min() >= min_side else None
        if marker is not None:
            fitted.append(marker)
    return [_card(group) for group in _group(fitted)]


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


def _fit_marker(grey: U8, marker_id: int, quad: F64) -> _Marker | None:
    """Fit a straight edge to each side of the black border, sub-pixel; None when this is not ink on paper."""
    find = load("card.toml")["find"]
    lost = find["u_lost_corner_px"]
    corners = quad
    for reach in (0.7, 0.45):  # in modules: wide to catch the rough corner, then close round the edge
        sides = [_fit_side(grey, corners[k], corners[(k + 1) % 4], corners.mean(axis=0), reach) for k in range(4)]
        if sum(side is not None for side in sides) < 3:
            return None
        refined, covariance = corners.copy(), np.tile(np.eye(2) * lost**2, (4, 1, 1))
        for k in range(4):
            before, after = sides[k - 1], sides[k]
            if before is not None and after is not None:
                refined[k], covariance[k] = _intersect(before, after)
        corners = refined
    if np.abs(corners - quad).max() > 0.25 * np.sqrt(_area(quad)):
        return None
    return _Marker(marker_id, corners, covariance, _gain_slope(corners))


@dataclass(frozen=True, slots=True)
class _Side:
    """A fitted straight edge: a point on it, its inward unit normal, and the covariance of offset (px) and slope."""

    at: F64
    normal: F64
    covariance: F64


def _fit_side(grey: U8, start: F64, end: F64, middle: F64, reach: float) -> _Side | None:
    find = load("card.toml")["find"]
    along = end - start
    length = float(np.linalg.norm(along))
    along = along / length
    normal = np.array([-along[1], along[0]])
    depth = float(np.dot(middle - start, normal))
    if depth < 0:
        normal, depth = -normal, -depth
    module = 2 * depth / 8
    half = min(max(reach * module, 2.5), 14.0)
    n = find["samples_per_side"]
    s = np.linspace(0.1 * length, 0.9 * length, n)
    d = np.linspace(-half, half, 2 * int(np.ceil(half * 2)) + 1)
    grid = start + s[:, None, None] * along + d[None, :, None] * normal
    values = cv2.remap(
        grey, grid[..., 0].astype(np.float32), grid[..., 1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(float)  # fmt: skip
    inside = (grid[..., 0] >= 0) & (grid[..., 0] < grey.shape[1]) & (grid[..., 1] >= 0)
    inside &= grid[..., 1] < grey.shape[0]
    edge = max(2, len(d) // 5)
    white, black = values[:, :edge].mean(axis=1), values[:, -edge:].mean(axis=1)
    contrast = white - black
    good = inside.all(axis=1) & (contrast > max(find["min_contrast"], 0.5 * np.median(contrast)))
    if good.sum() < find["min_share_of_side"] * n:
        return None
    level = (white + black) / 2
    below = values < level[:, None]
    first = below.argmax(axis=1)
    good &= below.any(axis=1) & (first > 0)
    rows = np.arange(n)
    v1, v0 = values[rows, first], values[rows, np.maximum(first - 1, 0)]
    step = d[1] - d[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = d[first] - step * np.where(v0 > v1, (level - v1) / (v0 - v1), 0.0)
    return _fit_line(s[good], offset[good], length, start, along, normal, find)


def _fit_line(
    s: F64, offset: F64, length: float, start: F64, along: F64, normal: F64, find: dict[str, float]
) -> _Side | None:
    """Robust straight line through edge places: ``offset`` along ``normal`` at ``s`` along the side."""
    n = find["samples_per_side"]
    if len(s) < find["min_share_of_side"] * n:
        return None
    x = s - length / 2
    A = np.stack([np.ones_like(x), x], axis=1)
    weight = np.ones_like(x)
    fit = np.array([np.median(offset), 0.0])
    scale = 0.05
    for _ in range(8):
        off = offset - A @ fit
        scale = max(1.4826 * float(np.median(np.abs(off))), 0.02)
        weight = np.clip(1 - (off / (4.0 * scale)) ** 2, 0, None) ** 2  # Tukey's biweight
        if weight.sum() < find["min_share_of_side"] * n * 0.7:
            return None
        fit = np.linalg.solve(A.T @ (weight[:, None] * A), A.T @ (weight * offset))
    if scale > 0.12 * length:
        return None
    floor = find["u_edge_floor_px"] ** 2
    # neighbouring profiles share blur and compression blocks: count one in two as independent
    noise = 2 * scale**2 * np.linalg.inv(A.T @ (weight[:, None] * A))
    covariance = np.asarray(noise + np.diag([floor, floor / (length / 2) ** 2]), float)
    direction = along + fit[1] * normal
    direction /= np.linalg.norm(direction)
    inward = np.array([-direction[1], direction[0]])
    inward *= np.sign(np.dot(inward, normal))
    return _Side(start + along * length / 2 + normal * fit[0], inward, covariance)


def _intersect(a: _Side, b: _Side) -> tuple[F64, F64]:
    """Where two sides cross, with its covariance."""
    N = np.stack([a.normal, b.normal])
    inverse = np.linalg.inv(N)
    at = inverse @ np.array([a.normal @ a.at, b.normal @ b.at])
    variance = []
    for side in (a, b):
        arm = float(np.dot(at - side.at, [-side.normal[1], side.normal[0]]))
        g = np.array([1.0, abs(arm)])
        variance.append(side.covariance[0, 0] + g[1] ** 2 * side.covariance[1, 1])
    return at, inverse @ np.diag(variance) @ inverse.T


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
    prior = load("card.toml")["find"]["u_gain_px"]
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
