"""Where the photos show the places of a chart, at any height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.interpolate import CubicSpline

from toeline.photo import U8
from toeline.photogrammetry.chart import Chart, Mask
from toeline.trace.band import F32, F64

_EVERY_MM = 2.0  # between the places that tell all others
_NEAR_MM = 0.1  # between the places that tell which way a line of sight leans


class Projection(Protocol):
    """Where a photo shows points of the plate frame."""

    def to_px_3d(self, mm: F64) -> F64:
        """Points (N, 3) to photo pixels (N, 2)."""
        ...


@dataclass(frozen=True, slots=True)
class Sightlines:
    """Where a photo shows the chart's grid, as a parabola of the height over ``base``: three fields (h, w, 2) px."""

    at: tuple[F32, F32, F32]

    @classmethod
    def of(cls, frame: Projection, chart: Chart, base: F64, reach: float) -> Sightlines:
        """Of the chart's whole grid, for heights from ``base - reach`` to ``base + reach`` (h, w) mm.

        Over one flat plate a photo shows it so smoothly that few places at three heights tell all others, to some
        thousandths of a pixel.
        """
        s, t = np.meshgrid(chart.s, chart.t)
        if chart.slope > 0:
            return cls.over(frame, chart, s, t, base, reach)
        (few_s, along), (few_t, across) = _from_few(chart.s), _from_few(chart.t)
        grid = np.meshgrid(few_s, few_t)
        low, high = float(base.min()) - reach, float(base.max()) + reach
        few = cls.over(frame, chart, *grid, np.full(grid[0].shape, (low + high) / 2), (high - low) / 2)
        level, slope, bend = (across @ f.transpose(2, 0, 1) @ along.T for f in few.at)
        d = base - (low + high) / 2
        fields = level + d * (slope + d * bend), slope + 2 * d * bend, bend
        return cls(tuple(f.transpose(1, 2, 0).astype(np.float32) for f in fields))  # type: ignore[arg-type]

    @classmethod
    def over(cls, frame: Projection, chart: Chart, s: F64, t: F64, base: F64, reach: float) -> Sightlines:
        """As :meth:`of`, of any places ``s``, ``t`` (h, w)."""

        def px(dh: float) -> F64:
            return frame.to_px_3d(chart.points(s, t, base + dh).reshape(-1, 3)).reshape(*s.shape, 2)

        low, mid, high = px(-reach), px(0.0), px(reach)
        fields = mid, (high - low) / (2 * reach), (high - 2 * mid + low) / (2 * reach**2)
        return cls(tuple(f.astype(np.float32) for f in fields))  # type: ignore[arg-type]

    def px(self, dh: F32) -> F32:
        """Photo pixels (h, w, 2) at ``dh`` (h, w) mm over the base."""
        d = dh[..., None]
        return np.asarray(self.at[0] + d * (self.at[1] + d * self.at[2]), np.float32)


def _from_few(places: F64) -> tuple[F64, F64]:
    """Few of evenly spread places (n,), and the weights (n, few) of what is known there at each of all places."""
    few = np.linspace(places[0], places[-1], max(round(float(abs(places[-1] - places[0])) / _EVERY_MM), 4) + 1)
    order = np.argsort(few)
    weights = CubicSpline(few[order], np.eye(len(few)))(places)
    return few[order], np.asarray(weights)


def leans(frame: Projection, chart: Chart, s: float, t: float, h: float) -> tuple[float, float]:
    """How far the line of sight at a place of the chart leans along the travel and to its left, as tangents."""
    off = _NEAR_MM * np.vstack([np.zeros(3), np.eye(3)])
    px = frame.to_px_3d(chart.points(s + off[:, 0], t + off[:, 1], h + off[:, 2]))
    along, left, up = px[1:] - px[0]
    ahead, aside = np.linalg.solve(np.stack([along, left], axis=1), up)
    return -float(ahead), -float(aside)


def shown_by_two(images: Sequence[U8], frames: Sequence[Projection], chart: Chart, height: F64) -> Mask:
    """The places (h, w) of a surface that lie inside two or more photos (H, W, 3): of others nothing is known."""
    s, t = np.meshgrid(chart.s, chart.t)
    points = chart.points(s, t, height).reshape(-1, 3)
    count = np.zeros(len(points), int)
    for image, frame in zip(images, frames, strict=True):
        x, y = frame.to_px_3d(points).T
        count += (x >= 0) & (y >= 0) & (x <= image.shape[1] - 1) & (y <= image.shape[0] - 1)
    return np.asarray((count > 1).reshape(s.shape))
