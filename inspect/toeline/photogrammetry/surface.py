"""The surface of a bead and the plate beside it, from photos whose stands are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from toeline.datafile import load
from toeline.photo import U8
from toeline.photogrammetry.chart import Chart
from toeline.photogrammetry.features import features_of
from toeline.photogrammetry.matching import Cells, agreement, best_pairs
from toeline.photogrammetry.section import dome, fit_sections
from toeline.photogrammetry.sight import Projection, Sightlines
from toeline.trace.band import F32, F64


@dataclass(frozen=True, slots=True)
class Surface:
    """Height (h, w) over the chart's plane, and how well the photos agree there: the mean Fisher z of the best pairs at
    the height found, and its bend over height, 1/mm². ``domes`` (h, w) is the same made of simple cross-sections,
    ``carved`` (h, w) what grooves along the toes have taken of the height, None while they were not looked for."""

    height: F64
    domes: F64
    agreement: F64
    sharpness: F64
    carved: F64 | None = None


def find_surface(images: Sequence[U8], frames: Sequence[Projection], chart: Chart, scale: Sequence[float]) -> Surface:
    """The surface that BGR ``images`` of ``scale`` px a mm agree on best."""
    rules = load("relief.toml")
    cells = Cells(**rules["cells"])
    dome_height = _domes(images, frames, chart, scale, rules, cells)
    base = chart.chord + dome_height
    return _refine(images, frames, chart, scale, rules, cells, base)


def _domes(
    images: Sequence[U8],
    frames: Sequence[Projection],
    chart: Chart,
    scale: Sequence[float],
    rules: dict[str, Any],
    cells: Cells,
) -> F64:
    """Height (h, w) over the chord of the bead as simple cross-sections."""
    rule = rules["section"]
    width = float(np.nanmedian(chart.width))
    least, most = ("least", "most") if chart.slope == 0 else ("least_fillet", "most_fillet")
    heights = np.arange(rule[least] * width, rule[most] * width, rule["step"])
    across = chart.across
    first = dome(across, rule["first_power"], 0.0)
    sight = [Sightlines.of(frame, chart, chart.chord, 1.5) for frame in frames]
    seen = features_of(images, sight, scale, rules["feature"])
    z = agreement(seen, sight, ((h * first).astype(np.float32) for h in heights), cells, chart.step)
    z = best_pairs(z, rules["pairs"]["share"], (rules["pairs"]["smooth_s"], rules["pairs"]["smooth_t"]))
    small_s, _ = cells.places(chart)
    u = _at_cells(np.nan_to_num(across, nan=9.0), cells, z.shape[1:])
    bead = (small_s > 0) & (small_s < chart.length)
    h, p, a = (np.zeros(len(small_s)) for _ in range(3))
    fitted = fit_sections(
        z[:, :, bead], heights, dome(u[:, bead], rule["first_power"], 0.0), u[:, bead], chart.step * cells.along, rule
    )
    for whole, part in zip((h, p, a), fitted, strict=True):
        whole[:] = np.interp(small_s, small_s[bead], part)
    h, p, a = (np.interp(chart.s, small_s, x) for x in (h, p, a))
    return np.nan_to_num(h * dome(across, p, a))


def _at_cells(values: F64, cells: Cells, shape: tuple[int, ...]) -> F64:
    h, w = shape
    cut = values[: h * cells.across, : w * cells.along]
    return np.asarray(cut.reshape(h, cells.across, w, cells.along).mean(axis=(1, 3)))


def _refine(
    images: Sequence[U8],
    frames: Sequence[Projection],
    chart: Chart,
    scale: Sequence[float],
    rules: dict[str, Any],
    cells: Cells,
    base: F64,
) -> Surface:
    """The surface about ``base`` (h, w) that the photos agree on best, without leaving it further than need be."""
    rule = rules["refine"]
    steps, z = _evidence(images, frames, chart, scale, rules, cells, base)
    dh, best = _decide(z, steps, _at_cells(_pull(chart, rule), cells, z.shape[1:]), rule)
    za, zb, zc = (np.take_along_axis(z, (best + k)[None], 0)[0].astype(float) for k in (-1, 0, 1))
    return Surface(
        base + _spread_out(dh, cells, base.shape),
        base,
        _spread_out(zb, cells, base.shape),
        _spread_out((2 * zb - za - zc) / rule["step"] ** 2, cells, base.shape),
    )


def _evidence(
    images: Sequence[U8],
    frames: Sequence[Projection],
    chart: Chart,
    scale: Sequence[float],
    rules: dict[str, Any],
    cells: Cells,
    base: F64,
) -> tuple[F64, F32]:
    """Heights (K,) over ``base`` and how well the photos agree there (K, cells)."""
    rule = rules["refine"]
    sight = [Sightlines.of(frame, chart, base, rule["reach"]) for frame in frames]
    seen = features_of(images, sight, scale, rules["feature_fine"])
    n = round(rule["reach"] / rule["step"])
    steps = np.arange(-n, n + 1) * rule["step"]
    ones = np.ones(base.shape, np.float32)
    z = agreement(seen, sight, (np.float32(d) * ones for d in steps), cells, chart.step)
    return steps, best_pairs(z, rules["pairs"]["share"], (rules["pairs"]["smooth_s"], rules["pairs"]["smooth_t"]))


def _pull(chart: Chart, rule: dict[str, Any]) -> F64:
    """How strongly each place (h, w) is held to the first surface: a plate is flat, a face only about a dome."""
    face = cv2.distanceTransform((~chart.face).astype(np.uint8), cv2.DIST_L2, 5) * chart.step
    share = np.clip(face / rule["rise"], 0.0, 1.0)
    return np.asarray(rule["pull"] + (rule["pull_plate"] - rule["pull"]) * share)


def _decide(z: F32, steps: F64, pull: F64, rule: dict[str, Any]) -> tuple[F64, Any]:
    """Height (cells) over the base, and the index of the step it is next to."""
    step = float(steps[1] - steps[0])
    cost = -z.astype(float) + pull * steps[:, None, None] ** 2
    smooth = _semi_global(cost, step, rule)
    best = np.clip(smooth.argmin(axis=0), 1, len(steps) - 2)
    a, b, c = (np.take_along_axis(smooth, (best + k)[None], 0)[0] for k in (-1, 0, 1))
    shift = np.clip(0.5 * (a - c) / np.maximum(a - 2 * b + c, 1e-9), -0.5, 0.5)
    dh = steps[best] + shift * step
    return cv2.GaussianBlur(dh, (0, 0), sigmaX=rule["smooth_s"], sigmaY=rule["smooth_t"]), best


def _spread_out(values: F64, cells: Cells, shape: tuple[int, ...]) -> F64:
    """Cell values (h, w) over the grid, linear between."""
    h, w = values.shape
    y = (np.arange(shape[0]) - (cells.across - 1) / 2) / cells.across
    x = (np.arange(shape[1]) - (cells.along - 1) / 2) / cells.along
    gx, gy = np.meshgrid(np.clip(x, 0, w - 1).astype(np.float32), np.clip(y, 0, h - 1).astype(np.float32))
    return np.asarray(cv2.remap(values.astype(np.float32), gx, gy, cv2.INTER_LINEAR), float)


def _semi_global(cost: F64, step: float, rule: dict[str, Any]) -> F64:
    """Costs (K, h, w) gathered along four ways, a change of height costing its square, stiffer along the seam."""
    total = np.zeros_like(cost)
    k = np.arange(len(cost))
    for axis, stiff in ((2, rule["along"]), (1, rule["across"])):
        way = np.minimum(stiff * np.abs(k[:, None] - k) * step / 0.1, 1.0)
        for turned in (False, True):
            moved = np.moveaxis(cost, axis, 0)
            moved = moved[::-1] if turned else moved
            out = np.empty_like(moved)
            out[0] = moved[0]
            for i in range(1, len(moved)):
                before = out[i - 1]
                reach = (before[None] + way[:, :, None]).min(axis=1)
                out[i] = moved[i] + reach - before.min(axis=0)
            out = out[::-1] if turned else out
            total += np.moveaxis(out, 0, axis)
    return total - 3 * cost
