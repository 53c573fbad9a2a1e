"""Undercut: a groove along each toe, fitted to the photos on a strip straightened along it.

A groove half a millimetre to one and a half wide is narrower than what heights are smoothed over. So its depth is asked
for by itself: of grooves of a few widths and places, which one makes the photos agree, over some mm of seam at once?
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates, median_filter, uniform_filter1d

from toeline.photo import U8
from toeline.photogrammetry.chart import Chart, Mask
from toeline.photogrammetry.features import features_of
from toeline.photogrammetry.figures import ReliefFigures, ReliefGroove
from toeline.photogrammetry.matching import how_many, on_all_cores
from toeline.photogrammetry.section import cheapest
from toeline.photogrammetry.sight import Projection, Sightlines, lean_to_left
from toeline.photogrammetry.surface import Surface
from toeline.result import Side
from toeline.trace.band import F32, F64


@dataclass(frozen=True, slots=True)
class Groove:
    """Depth below the plate (n,) mm along one toe, at chart stations ``s`` (n,).

    ``agreement`` is how well the photos agree on it, Fisher's z. ``upper`` is the deepest that is not excluded:
    they would agree on it better, though not by enough to be believed, or all but as well where photos show a
    groove; where that is more, the depth is not sure. ``centre`` is how far outside the toe the deepest place lies,
    ``width`` how wide the groove is, mm. ``likely`` is how surely (0..1) two photos show undercut there.
    """

    s: F64
    depth: F64
    agreement: F64
    upper: F64
    centre: F64
    width: F64
    likely: F64

    @property
    def seen(self) -> Mask:
        """The stations (n,) where the photos show undercut."""
        return np.asarray(self.likely >= ReliefFigures.read().groove.likely)

    @property
    def told(self) -> Mask:
        """The stations (n,) where the photos agree on a depth, or on none, well enough that it can be told: where all
        depths explain them alike, or none is found of a groove that is plainly seen, nothing was measured, and what
        stands alone among such places is chance."""
        rule = ReliefFigures.read().groove
        each = (self.agreement > rule.agreed) & (self.upper - self.depth < rule.vague)
        each &= (self.depth >= rule.least) | (self.likely < rule.plain)
        within = 2 * round(rule.told_within / rule.every) + 1
        return np.asarray(each & (uniform_filter1d(each.astype(float), within, mode="nearest") > 0.5))


@dataclass(frozen=True, slots=True)
class _Shapes:
    """What is tried: grooves over ``x`` of all depths, centres and widths, in mm."""

    depths: F64
    centres: F64
    widths: F64
    x: F64

    def __iter__(self) -> Iterator[F64]:
        for depth in self.depths:
            for centre in self.centres:
                for width in self.widths:
                    off = np.clip((self.x - centre) / width, -0.5, 0.5)
                    yield depth * np.cos(np.pi * off)

    @property
    def shape(self) -> tuple[int, int, int]:
        return len(self.depths), len(self.centres), len(self.widths)


def find_groove(
    images: Sequence[U8],
    frames: Sequence[Projection],
    chart: Chart,
    surface: Surface,
    scale: Sequence[float],
    side: Side,
    likely: tuple[F64, F64],
) -> Groove:
    """The groove along one toe, in BGR photos of ``scale`` px a mm; depth 0 where there is none.

    ``likely`` holds chart stations and how surely (0..1) undercut is seen there: where none is, a groove has to explain
    the photos better to be believed.
    """
    rules = ReliefFigures.read()
    rule = rules.groove
    tried = _try_grooves(images, frames, chart, surface, scale, side)
    there = np.asarray(np.interp(tried.s, *likely))
    return _path(_best_pairs(tried.z, rule, rules.pairs.fewest), tried.shapes, tried.s, rule, tried.every, there)


@dataclass(frozen=True, slots=True)
class _Tried:
    """How well each pair of photos agrees, Fisher's z (pairs, shapes, n), at chart stations ``s`` (n,), ``every`` mm
    apart."""

    z: F32
    shapes: _Shapes
    s: F64
    every: float


def _try_grooves(
    images: Sequence[U8],
    frames: Sequence[Projection],
    chart: Chart,
    surface: Surface,
    scale: Sequence[float],
    side: Side,
) -> _Tried:
    rules = ReliefFigures.read()
    rule = rules.groove
    step = rule.step
    on = np.flatnonzero((chart.s >= 0) & (chart.s <= chart.length))
    toe = gaussian_filter1d((chart.left if side == "left" else chart.right)[on], rule.toe_smooth / chart.step)
    x = np.arange(rule.inside, rule.outside + step / 2, step)
    lean = float(np.sin(np.arctan2(1.0, chart.slope)))  # of a mm along the plate, so much is across the chart
    way = 1 if side == "left" else -1

    def laid(x: F64) -> tuple[F64, F64, F64]:
        """Chart coordinates s, t and height (n, w) of the face and the bare plate so far outside the toe."""
        s, _ = np.meshgrid(chart.s[on], x)
        t = toe + way * lean * x[:, None]
        rows, cols = (chart.t[0] - t) / chart.step, (s - chart.s[0]) / chart.step
        inner = map_coordinates(surface.domes, [rows, cols], order=1, mode="nearest")
        return s, t, np.where(x[:, None] < 0, inner, chart.slope * np.abs(t))

    s, t, base = laid(x)
    sight = [Sightlines.over(frame, chart, s, t, base, rule.deepest / lean) for frame in frames]
    shapes = _Shapes(
        np.arange(0.0, rule.deepest + 1e-9, rule.depth_step),
        np.array(rule.centres),
        np.array(rule.widths),
        x,
    )
    window = max(round(rule.window / chart.step), 1)
    every = max(round(rule.every / chart.step), 1)
    seen = features_of(images, sight, scale, rules.feature_groove)
    face = np.arange(-float(np.nanmedian(chart.width)) / lean, rule.inside, step)
    profile = np.median(np.concatenate([laid(face)[2], base]), axis=1)
    middle = chart.length / 2, float(np.median(toe)), float(np.median(base[x >= 0]))
    leans = [way * lean_to_left(frame, chart, *middle) for frame in frames]
    out = lean * np.concatenate([face, x])
    z = _agreement(seen, sight, shapes, lean, window, every, _Section(out, profile, leans))
    return _Tried(z, shapes, chart.s[on][::every], every * chart.step)


@dataclass(frozen=True, slots=True)
class _Section:
    """A typical cross-section: its places (n,) outwards from the toe and up, mm, and how far outwards each photo's line
    of sight leans (tangent)."""

    out: F64
    height: F64
    leans: Sequence[float]

    def shown(self, below: F64) -> list[F32]:
        """Which of the outermost places (k,), so far ``below`` where they lie, each photo shows (1) or has something in
        front of (0)."""
        height = self.height.copy()
        height[-len(below) :] -= below
        shown = []
        for lean in self.leans:
            at = self.out - lean * height  # the same all along a line of sight
            front = np.minimum.accumulate(at[::-1])[::-1] if lean > 0 else np.maximum.accumulate(at)
            shown.append((at == front)[-len(below) :].astype(np.float32))
        return shown


def _agreement(
    seen: Sequence[Any],
    sight: Sequence[Sightlines],
    shapes: _Shapes,
    lean: float,
    window: int,
    every: int,
    section: _Section,
) -> F32:
    """Fisher's z (pairs, states, stations). What a groove itself, or the bead, hides from a photo agrees with nothing:
    it is no sign of that groove, nor taken for one."""
    pairs = list(combinations(range(len(seen)), 2))
    ones = np.ones(sight[0].at[0].shape[1], np.float32)

    def along(x: F32) -> F64:
        return uniform_filter1d(x.sum(axis=0).astype(float), window, mode="nearest")[::every]

    def agree(groove: F64) -> list[F64]:
        below = groove / lean
        deep = -below.astype(np.float32)[:, None] * ones
        values = [f.at(line.px(deep)) for f, line in zip(seen, sight, strict=True)]
        power = [along(v * v) + 1e-3 for v in values]
        shown = [v * there[:, None] for v, there in zip(values, section.shown(below), strict=True)]
        return [along(shown[i] * shown[j]) / np.sqrt(power[i] * power[j]) for i, j in pairs]

    out = on_all_cores(agree, shapes)
    return np.asarray(np.arctanh(np.clip(np.array(out).swapaxes(0, 1), -0.98, 0.98)), np.float32)


def _best_pairs(z: F32, rule: ReliefGroove, fewest: int) -> F64:
    """The mean (states, stations) over those pairs that at each station agree on a state at all, and best: by how much
    better than on the others."""
    most = z.max(axis=1)
    clear = np.where(most > rule.pairs_agreed, most - np.median(z, axis=1), 0.0)
    clear = gaussian_filter1d(clear, rule.pairs_smooth, axis=1)
    keep = how_many(len(z), rule.pairs_share, fewest)
    chosen = np.zeros_like(clear)
    np.put_along_axis(chosen, np.argsort(-clear, axis=0)[:keep], 1.0, axis=0)
    return np.asarray(np.einsum("pks,ps->ks", z, chosen, optimize=True) / keep, float)


def _path(z: F64, shapes: _Shapes, s: F64, rule: ReliefGroove, every: float, likely: F64) -> Groove:
    """The groove along the stations ``s`` (n,); ``likely`` (n,) is how surely the photos show one there."""
    unseen = 1.0 - np.clip(likely / rule.likely, 0.0, 1.0)
    penalty = rule.penalty + rule.penalty_unseen * unseen
    score = z.T.reshape(len(s), *shapes.shape)
    score[:, 0] = score[:, 0].max(axis=(1, 2))[:, None, None]  # no groove is of no shape
    extra = penalty[:, None, None, None] * (shapes.depths > 0)[:, None, None]
    stiff = rule.stiff
    steps = (
        stiff.depth * rule.depth_step / every,
        stiff.centre * float(np.diff(shapes.centres).mean()) / every,
        stiff.width * float(np.diff(shapes.widths).mean()) / every,
    )
    path = cheapest(-score + extra, steps)
    at = np.arange(len(s))
    d, c, w = path.T
    inner = np.clip(d, 1, len(shapes.depths) - 2)
    lo, mid, hi = (score[at, inner + k, c, w] for k in (-1, 0, 1))
    bend = lo - 2 * mid + hi
    shift = np.where(bend < -1e-4, np.clip(0.5 * (lo - hi) / np.minimum(bend, -1e-4), -0.5, 0.5), 0.0)
    depth = np.where(d > 0, shapes.depths[d] + np.where(d == inner, shift, 0.0) * rule.depth_step, 0.0)
    best = score[at, d, c, w]
    each = score.max(axis=(2, 3))
    # where it shows one, any depth that explains the photos all but as well may be that groove's
    excluded = rule.doubted * penalty * unseen - rule.doubted_seen * (1.0 - unseen)
    better = each > (best + excluded)[:, None]
    upper = rule.bottom * np.where(better, shapes.depths, 0.0).max(axis=1)
    smooth, agreement = (gaussian_filter1d(x, rule.smooth / every) for x in (rule.bottom * depth, best))
    centre, width = (
        gaussian_filter1d(of[path[:, k]].astype(float), rule.smooth / every)
        for k, of in ((1, shapes.centres), (2, shapes.widths))
    )
    upper = np.maximum(median_filter(upper, rule.upper_stations), smooth)
    return Groove(s, smooth, agreement, upper, centre, width, likely)


def carved(chart: Chart, grooves: Mapping[Side, Groove]) -> F64:
    """How much of the chart's height (h, w) the grooves along both toes take away."""
    lean = float(np.sin(np.arctan2(1.0, chart.slope)))
    out = np.zeros((len(chart.t), len(chart.s)))
    on = np.isfinite(chart.left)
    for side, groove in grooves.items():
        toe, way = (chart.left, 1.0) if side == "left" else (chart.right, -1.0)
        depth, centre, width = (np.interp(chart.s, groove.s, x) for x in (groove.depth, groove.centre, groove.width))
        x = way * (chart.t[:, None] - np.where(on, toe, 0.0)) / lean
        shape = np.cos(np.pi * np.clip((x - centre) / width, -0.5, 0.5))
        out = np.maximum(out, np.where(on & (x > -lean), depth * shape / lean, 0.0))
    return out
