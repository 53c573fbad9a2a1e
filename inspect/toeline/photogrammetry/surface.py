"""The surface of a bead and the plate beside it, from photos whose stands are known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from toeline.photo import U8
from toeline.photogrammetry.chart import Chart, Mask
from toeline.photogrammetry.features import features_of
from toeline.photogrammetry.figures import ReliefFeature, ReliefFigures, ReliefRefine
from toeline.photogrammetry.matching import Cells, agreement, best_pairs
from toeline.photogrammetry.section import dome, fit_sections
from toeline.photogrammetry.sight import Projection, Sightlines
from toeline.trace.band import F32, F64


@dataclass(frozen=True, slots=True)
class Surface:
    """Height (h, w) over the chart's plane, and how well the photos agree there: the mean Fisher z of the best pairs at
    the height found, and its bend over height, 1/mm². ``domes`` (h, w) is the same made of simple cross-sections,
    ``carved`` (h, w) what grooves along the toes have taken of the height and ``u_carved`` its standard uncertainty,
    None while they were not looked for;
    ``hollow_doubt``, mm, how much deeper or flatter a crater may be as well; ``shown`` (h, w) the places that two or
    more photos show, None where all are; ``strayed`` (h, w) how far the surface left the domes when it was refined, mm;
    ``above`` and ``below`` (w,) how far over and under its dome's crown another dome lies that the photos agree on
    nearly as well, mm."""

    height: F64
    domes: F64
    agreement: F64
    sharpness: F64
    carved: F64 | None = None
    u_carved: F64 | None = None
    hollow_doubt: float = 0.0
    shown: Mask | None = None
    strayed: F64 | None = None
    above: F64 | None = None
    below: F64 | None = None


@dataclass(frozen=True, slots=True)
class _Views:
    """BGR photos of ``scale`` px a mm from known stands, and the chart and the cells that they are compared on."""

    images: Sequence[U8]
    frames: Sequence[Projection]
    chart: Chart
    scale: Sequence[float]
    rules: ReliefFigures
    cells: Cells

    def agreement(self, base: F64, reach: float, feature: ReliefFeature, supposed: Iterable[F32]) -> F32:
        """How well they agree (K, cells) on K surfaces, given as heights (grid) within ``reach`` mm over ``base``."""
        sight = [Sightlines.of(frame, self.chart, base, reach) for frame in self.frames]
        seen = features_of(self.images, sight, self.scale, feature)
        return best_pairs(agreement(seen, sight, supposed, self.cells, self.chart.step), self.rules.pairs)


def find_surface(images: Sequence[U8], frames: Sequence[Projection], chart: Chart, scale: Sequence[float]) -> Surface:
    """The surface that BGR ``images`` (H, W, 3) of ``scale`` px a mm agree on best."""
    rules = ReliefFigures.read()
    views = _Views(images, frames, chart, scale, rules, Cells(**rules.cells.model_dump()))
    height, above, below = _domes(views)
    return replace(_refine(views, chart.chord + height), above=above, below=below)


def _domes(views: _Views) -> tuple[F64, F64, F64]:
    """Height (h, w) over the chord of the bead as simple cross-sections; how far over and under it rivals lie (w,)."""
    rule, cells, whole = views.rules.section, views.cells, views.chart
    chart = whole.rows_near(rule.beside, cells.across)
    views = replace(views, chart=chart)
    width = float(np.nanmedian(chart.width))
    least, most = (rule.least, rule.most) if chart.slope == 0 else (rule.least_fillet, rule.most_fillet)
    heights = np.arange(least * width, most * width, rule.step)
    across = chart.across
    first = dome(across, rule.first_power, 0.0)
    supposed = ((h * first).astype(np.float32) for h in heights)
    z = views.agreement(chart.chord, rule.reach, views.rules.feature, supposed)
    small_s, _ = cells.places(chart)
    u = _at_cells(np.nan_to_num(across, nan=9.0), cells, z.shape[1:])
    bead = (small_s > 0) & (small_s < chart.length)
    fitted = fit_sections(
        z[:, :, bead], heights, dome(u[:, bead], rule.first_power, 0.0), u[:, bead], chart.step * cells.along, rule
    )
    parts = fitted.height, fitted.power, fitted.lean, fitted.above, fitted.below
    h, p, a, above, below = (np.interp(chart.s, small_s[bead], part) for part in parts)
    return np.nan_to_num(h * dome(whole.across, p, a)), above, below


def _at_cells(values: F64, cells: Cells, shape: tuple[int, ...]) -> F64:
    h, w = shape
    cut = values[: h * cells.across, : w * cells.along]
    return np.asarray(cut.reshape(h, cells.across, w, cells.along).mean(axis=(1, 3)))


def _refine(views: _Views, base: F64) -> Surface:
    """The surface about ``base`` (h, w) that the photos agree on best, without leaving it further than need be."""
    rule, cells = views.rules.refine, views.cells
    n = round(rule.reach / rule.step)
    steps = np.asarray(np.arange(-n, n + 1) * rule.step, float)
    ones = np.ones(base.shape, np.float32)
    z = views.agreement(base, rule.reach, views.rules.feature_fine, (np.float32(d) * ones for d in steps))
    dh, best = _decide(z, steps, _at_cells(_pull(views.chart, rule), cells, z.shape[1:]) * _doubt(z, rule), rule)
    za, zb, zc = (np.take_along_axis(z, (best + k)[None], 0)[0].astype(float) for k in (-1, 0, 1))
    off = _spread_out(dh, cells, base.shape)
    return Surface(
        base + off,
        base,
        _spread_out(zb, cells, base.shape),
        _spread_out((2 * zb - za - zc) / rule.step**2, cells, base.shape),
        strayed=np.abs(off),
    )


def _pull(chart: Chart, rule: ReliefRefine) -> F64:
    """How strongly each place (h, w) is held to the first surface: a plate is flat, a face only about a dome."""
    face = cv2.distanceTransform((~chart.face).astype(np.uint8), cv2.DIST_L2, 5) * chart.step
    share = np.clip(face / rule.rise, 0.0, 1.0)
    return np.asarray(rule.pull + (rule.pull_plate - rule.pull) * share)


def _doubt(z: F32, rule: ReliefRefine) -> F64:
    """How many times more strongly each cell is held there: the less clearly the photos prefer a height, the more."""
    clear = cv2.GaussianBlur(z.max(axis=0) - np.median(z, axis=0), (0, 0), sigmaX=rule.clear_s, sigmaY=rule.clear_t)
    return np.asarray(np.clip((rule.clear / np.maximum(clear, 1e-3)) ** 2, rule.sure, rule.unsure), float)


def _decide(z: F32, steps: F64, pull: F64, rule: ReliefRefine) -> tuple[F64, Any]:
    """Height (cells) over the base, and the index of the step it is next to."""
    step = float(steps[1] - steps[0])
    cost = -z.astype(float) + pull * steps[:, None, None] ** 2
    smooth = _semi_global(cost, step, rule)
    best = np.clip(smooth.argmin(axis=0), 1, len(steps) - 2)
    a, b, c = (np.take_along_axis(smooth, (best + k)[None], 0)[0] for k in (-1, 0, 1))
    shift = np.clip(0.5 * (a - c) / np.maximum(a - 2 * b + c, 1e-9), -0.5, 0.5)
    dh = steps[best] + shift * step
    return cv2.GaussianBlur(dh, (0, 0), sigmaX=rule.smooth_s, sigmaY=rule.smooth_t), best


def _spread_out(values: F64, cells: Cells, shape: tuple[int, ...]) -> F64:
    """Cell values (h, w) over the grid, linear between."""
    h, w = values.shape
    y = (np.arange(shape[0]) - (cells.across - 1) / 2) / cells.across
    x = (np.arange(shape[1]) - (cells.along - 1) / 2) / cells.along
    gx, gy = np.meshgrid(np.clip(x, 0, w - 1).astype(np.float32), np.clip(y, 0, h - 1).astype(np.float32))
    return np.asarray(cv2.remap(values.astype(np.float32), gx, gy, cv2.INTER_LINEAR), float)


def _semi_global(cost: F64, step: float, rule: ReliefRefine) -> F64:
    """Costs (K, h, w) gathered along four ways, a change of height costing its square, stiffer along the seam."""
    total = np.zeros_like(cost)
    k = np.arange(len(cost))
    for axis, stiff in ((2, rule.along), (1, rule.across)):
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
