"""The photo straightened along a seam: a band at a fixed number of pixels per mm, with the reader's maps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.trace.band import F64, READERS, U8, Band, BandReader, Strip, SurfaceFrame, SurfaceView
from toeline.trace.figures import BeadFigures
from toeline.trace.networks import channels, read_band, read_plate

_GRID = 8  # px: where the surface meets the photo is computed on this grid and drawn through between


class OutOfSight(Exception):
    """The seam lies outside the picture."""


def lay_band(image: U8, frame: SurfaceFrame, seam: F64, reach_mm: float, reader: BandReader = READERS[0]) -> Band:
    """The band along a seam (N, 2) in surface coordinates, ``reach_mm`` to both sides and a little beyond its ends, as
    ``reader`` reads it.

    Raises:
        OutOfSight: nothing of it is in the picture.
    """
    rule = BeadFigures.read().band
    step = 1.0 / rule.px_per_mm
    at, left = _resample(frame, seam, step, rule.beyond_mm)
    s: F64 = np.arange(len(at), dtype=np.float64) * step - rule.beyond_mm
    t: F64 = np.arange(round(reach_mm / step), -round(reach_mm / step) - 1, -1, dtype=np.float64) * step
    straight, seen = _straighten(image, frame, at, left, t)
    rows = np.flatnonzero(seen.any(axis=1))
    if not len(rows):
        raise OutOfSight
    keep = slice(int(rows[0]), int(rows[-1]) + 1)
    straight = np.ascontiguousarray(straight[keep])
    return Band(read_band(straight, reader=reader), s, t[keep], seen[keep], straight, at, left, reader)


def lay_anew(image: U8, view: SurfaceView, band: Band) -> Band:
    """A band where another lies on the surface, in another picture of it."""
    straight, seen = _straighten(image, view, band.seam, band.left, band.t)
    return replace(band, maps=read_band(straight, reader=band.reader), seen=seen, image=straight)


def draw_out(image: U8, frame: SurfaceFrame, band: Band, ahead: F64, *, at_end: bool) -> Band:
    """The band drawn out by ``ahead`` (2,) beyond its end or its start; only the new piece is read, with enough of the
    old round the place where their maps join."""
    join = round(BeadFigures.read().band.around_mm * band.px_per_mm)
    edge, way = (-1, 1) if at_end else (0, -1)
    length = float(np.linalg.norm(ahead))
    steps = np.arange(1, round(length * band.px_per_mm) + 1)[::way] / band.px_per_mm
    seam = band.seam[edge] + steps[:, None] * ahead / length
    across = np.array([ahead[1], -ahead[0]]) / length
    left = np.repeat([across * np.sign(across @ band.left[edge])], len(steps), axis=0)
    straight, seen = _straighten(image, frame, seam, left, band.t)

    def joined(old: NDArray[Any], new: NDArray[Any], axis: int = 0) -> NDArray[Any]:
        return np.concatenate([old, new] if at_end else [new, old], axis=axis)

    if at_end:
        near, kept, fresh = slice(-2 * join, None), slice(-join), slice(join, None)
    else:
        near, kept, fresh = slice(2 * join), slice(join, None), slice(-join)
    read = read_band(joined(band.image[:, near], straight, 1), reader=band.reader)
    return Band(
        maps={name: joined(layer[:, kept], read[name][:, fresh], 1) for name, layer in band.maps.items()},
        s=joined(band.s, band.s[edge] + way * steps),
        t=band.t,
        seen=joined(band.seen, seen, 1),
        image=joined(band.image, straight, 1),
        seam=joined(band.seam, seam),
        left=joined(band.left, left),
        reader=band.reader,
    )


def look_beside(image: U8, frame: SurfaceFrame, band: Band, reach_mm: float) -> Strip:
    """Spatter and arc strikes in a BGR photo (H, W, 3) out to ``reach_mm`` on both sides of the seam; beyond the band
    they are read at half its scale."""
    step = 1.0 / band.px_per_mm
    lap = round(BeadFigures.read().band.lap_mm * band.px_per_mm)
    counts = [round((reach_mm - abs(edge)) / step) for edge in (band.t[0], band.t[-1])]
    above, below = (n if n >= lap else 0 for n in counts)
    h, w = len(band.t), len(band.s)
    t = np.concatenate(
        [band.t[0] + step * np.arange(above, 0, -1), band.t, band.t[-1] - step * np.arange(1, below + 1)]
    )
    seen = np.empty((len(t), w), bool)
    maps = {name: np.empty((len(t), w), np.float32) for name in channels("plate")}
    core = slice(above, above + h)
    seen[core] = band.seen
    for name, layer in maps.items():
        layer[core] = band.maps[name]
    for new, read in (
        (slice(0, above), slice(0, above + lap)),
        (slice(above + h, len(t)), slice(max(above + h - lap, 0), len(t))),
    ):
        if new.stop > new.start:  # the lap only gives the reader its surroundings
            seam, left, rows = (_halved(v) for v in (band.seam, band.left, t[read]))
            # at half the scale a finer drawing than linear is lost
            straight, seen_ = _straighten(image, frame, seam, left, rows, cv2.INTER_LINEAR)
            own = slice(new.start - read.start, new.stop - read.start)
            seen[new] = True if seen_.all() else _doubled(seen_.astype(np.uint8), (read.stop - read.start, w))[own] > 0
            for name, layer in read_plate(straight).items():
                maps[name][new] = _doubled(layer, (read.stop - read.start, w))[own]
    return Strip(maps, band.s, t, seen)


def _halved(x: F64) -> F64:
    """The middles of neighbouring pairs along the first axis; an odd last one stands for itself."""
    return np.concatenate([(x[:-1:2] + x[1::2]) / 2, x[len(x) - len(x) % 2 :]])


def _doubled(picture: NDArray[Any], size: tuple[int, int]) -> NDArray[Any]:
    """What was sampled at the middles of pairs, at every row and column of ``size``."""
    h, w = picture.shape[:2]
    return np.asarray(cv2.resize(picture, (2 * w, 2 * h), interpolation=cv2.INTER_LINEAR)[: size[0], : size[1]])


def _straighten(
    image: U8, view: SurfaceView, seam: F64, left: F64, t: F64, how: int = cv2.INTER_CUBIC
) -> tuple[U8, NDArray[np.bool_]]:
    """The photo at rows ``t`` (H,) across a seam (L, 2), interpolated by OpenCV's ``how``, and which of it (H, L) it
    shows."""
    rows, cols = _knots(len(t)), _knots(len(seam))
    points = seam[cols][None] + t[rows][:, None, None] * left[cols][None]
    knots = view.to_px(points.reshape(-1, 2)).reshape(len(rows), len(cols), 2)
    x = np.interp(np.arange(len(seam)), cols, np.arange(len(cols))).astype(np.float32)
    y = np.interp(np.arange(len(t)), rows, np.arange(len(rows))).astype(np.float32)
    gx, gy = np.meshgrid(x, y)
    px = np.asarray(cv2.remap(knots.astype(np.float32), gx, gy, cv2.INTER_LINEAR), np.float32)
    h, w = image.shape[:2]
    if ((knots > 0) & (knots < [w - 1, h - 1])).all():  # as a rule all of it is in the picture
        seen = np.ones(px.shape[:2], bool)
    else:
        with np.errstate(invalid="ignore"):
            seen = (px[..., 0] > 0) & (px[..., 0] < w - 1) & (px[..., 1] > 0) & (px[..., 1] < h - 1)
    straight = cv2.remap(image, px, None, how, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(straight, np.uint8), seen


def _knots(n: int) -> NDArray[np.int64]:
    return np.unique(np.append(np.arange(0, n, _GRID), n - 1))


def _resample(frame: SurfaceFrame, seam: F64, step: float, beyond: float) -> tuple[F64, F64]:
    """Even points (L, 2) along a smooth seam, drawn out straight beyond both ends, and the way to its left (L, 2)."""
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(seam, axis=0), axis=1))])
    run, keep = np.unique(run, return_index=True)
    seam = seam[keep]
    degree = min(3, len(seam) - 1)
    curves = [np.polynomial.Polynomial.fit(run, seam[:, k], degree) for k in (0, 1)]
    fine = np.arange(0.0, run[-1] + step / 2, step)
    inner = np.stack([c(fine) for c in curves], axis=1)
    out = np.arange(-beyond, 0.0, step)[:, None]
    first, last = inner[0] - inner[min(20, len(inner) - 1)], inner[-1] - inner[-min(21, len(inner))]
    first, last = first / np.linalg.norm(first), last / np.linalg.norm(last)
    at = np.concatenate([inner[0] - out * first, inner, inner[-1] - out[::-1] * last])
    ahead = np.gradient(at, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    return at, _handed(frame, inner[len(inner) // 2]) * np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)


def _handed(frame: SurfaceFrame, at: F64) -> float:
    """1 where the surface's y runs down as seen in the photo when x runs right, -1 where it runs up."""
    o, x, y = frame.to_px(at + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]]))
    return float(np.sign((x - o)[0] * (y - o)[1] - (x - o)[1] * (y - o)[0]))
