"""The surface as a picture: a height map with its scale, and cross-sections at the places that matter most."""

from __future__ import annotations

import cv2
import numpy as np

from toeline.photo import U8
from toeline.photogrammetry.quantities import seen_places
from toeline.photogrammetry.relief import Relief
from toeline.trace.band import F64

_PX = 12  # a mm
_INK, _PAPER, _UNSEEN = (40, 40, 40), (255, 255, 255), (225, 225, 225)
_MARGIN, _BAR, _SECTION = 60, 90, 220
_BESIDE = 3.0  # mm of plate beside the toes in a cross-section


def draw_surface(relief: Relief) -> U8:
    """A BGR picture: heights over the plates in colours that the colour-blind can tell apart (cividis), seam to the
    right; below it the cross-sections where the face is highest and lowest, true to scale."""
    chart = relief.chart
    over = relief.surface.height - chart.ground
    known = seen_places(relief) | ~chart.face
    low, high = (float(x) for x in np.percentile(over[known], [0.5, 99.8]))
    shade = np.clip((over - low) / max(high - low, 1e-6), 0.0, 1.0)
    colours = cv2.applyColorMap((shade * 255).astype(np.uint8), cv2.COLORMAP_CIVIDIS)
    colours[~known] = _UNSEEN
    size = round(len(chart.s) * chart.step * _PX), round(len(chart.t) * chart.step * _PX)
    drawn = cv2.resize(colours, size, interpolation=cv2.INTER_LINEAR)
    page = np.full((size[1] + 2 * _MARGIN + _SECTION, size[0] + 2 * _MARGIN + _BAR, 3), 255, np.uint8)
    page[_MARGIN : _MARGIN + size[1], _MARGIN : _MARGIN + size[0]] = drawn
    places = _places(relief, over)
    for name, column in places.items():
        x = _MARGIN + round(column * chart.step * _PX)
        cv2.line(page, (x, _MARGIN - 6), (x, _MARGIN + size[1] + 6), _INK, 1, cv2.LINE_AA)
        _write(page, name, (x + 4, _MARGIN - 10))
    for toe in (chart.left, chart.right):
        on = np.isfinite(toe)
        line = np.stack([np.flatnonzero(on), (chart.t[0] - toe[on]) / chart.step], axis=1) * chart.step * _PX + _MARGIN
        cv2.polylines(page, [line.round().astype(np.int32)], False, _PAPER, 1, cv2.LINE_AA)
    _scale(page, low, high, size)
    for k, (name, column) in enumerate(places.items()):
        _section(page, relief, name, column, k, size)
    return page


def _places(relief: Relief, over: F64) -> dict[str, int]:
    """Columns of the body where the face is highest (A) and lowest (B)."""
    chart = relief.chart
    crown = np.where(chart.face, over, -np.inf).max(axis=0)
    inside = (chart.s > 0.1 * chart.length) & (chart.s < 0.9 * chart.length) & np.isfinite(crown)
    columns = np.flatnonzero(inside)
    return {"A": int(columns[crown[columns].argmax()]), "B": int(columns[crown[columns].argmin()])}


def _scale(page: U8, low: float, high: float, size: tuple[int, int]) -> None:
    bar = cv2.applyColorMap(np.linspace(255, 0, size[1]).astype(np.uint8)[:, None].repeat(18, 1), cv2.COLORMAP_CIVIDIS)
    left = _MARGIN + size[0] + 16
    page[_MARGIN : _MARGIN + size[1], left : left + 18] = bar
    for share in (0.0, 0.5, 1.0):
        y = _MARGIN + round((1 - share) * (size[1] - 1))
        _write(page, f"{low + share * (high - low):.1f} mm", (left + 24, y + 5))


def _section(page: U8, relief: Relief, name: str, column: int, k: int, size: tuple[int, int]) -> None:
    """A cross-section, left of travel to the left, seen looking along the travel; lengths and heights in one scale."""
    chart = relief.chart
    wide = (page.shape[1] - 2 * _MARGIN) // 2
    left, floor = _MARGIN + k * wide, _MARGIN + size[1] + _SECTION - 30
    near = (chart.t < chart.left[column] + _BESIDE) & (chart.t > chart.right[column] - _BESIDE)
    t = chart.t[near]
    lines = ((relief.surface.height[near, column], 2), (chart.ground[near, column], 1))
    base = float(min(height.min() for height, _ in lines))
    px = min((wide - 40) / float(t[0] - t[-1]), (_SECTION - 60) / float(max(h.max() for h, _ in lines) - base), 40.0)
    for height, thick in lines:
        line = np.stack([left + (t[0] - t) * px, floor - (height - base) * px], axis=1)
        cv2.polylines(page, [line.round().astype(np.int32)], False, _INK, thick, cv2.LINE_AA)
    _write(page, f"{name}: section at {chart.s[column]:.0f} mm, true to scale", (left, floor + 24))


def _write(page: U8, words: str, at: tuple[int, int]) -> None:
    cv2.putText(page, words, at, cv2.FONT_HERSHEY_SIMPLEX, 0.5, _INK, 1, cv2.LINE_AA)
