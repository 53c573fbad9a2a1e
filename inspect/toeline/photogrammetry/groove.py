"""Undercut: a groove along each toe, fitted to the photos on a strip straightened along it.

A groove half a millimetre to one and a half wide is narrower than what heights are smoothed over. So its depth is asked
for by itself: how well does each pair of photos agree, over some mm of seam at once, on grooves of a few depths, widths
and places? What that says of the depth is read off all pairs together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates, uniform_filter1d

from toeline.photo import U8
from toeline.photogrammetry.chart import Chart, Mask
from toeline.photogrammetry.features import features_of
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.groove_depths import depth_odds
from toeline.photogrammetry.matching import on_all_cores
from toeline.photogrammetry.sight import Projection, Sightlines, leans
from toeline.photogrammetry.surface import Surface
from toeline.result import Side
from toeline.trace.band import F32, F64
from toeline.uncertainty import COVERAGE


@dataclass(frozen=True, slots=True)
class Groove:
    """Depth below the plate (n,) mm along one toe, at chart stations ``s`` (n,), and its standard uncertainty ``u``.

    ``centre`` is how far outside the toe the deepest place lies, ``width`` how wide the groove is, mm.
    """

    s: F64
    depth: F64
    u: F64
    centre: F64
    width: F64

    @property
    def u_form(self) -> F64:
        """What comes to ``u`` from the groove's form (n,): photos that lean do not show the bottom of a narrow one."""
        rule = ReliefFigures.read().u
        bottom = np.where(self.width < rule.groove_narrow, rule.groove_bottom * self.depth, 0.0)
        return np.hypot(rule.groove_form, bottom)

    @property
    def u_depth(self) -> F64:
        """Standard uncertainty of the depth in all (n,)."""
        return np.hypot(self.u, self.u_form)

    @property
    def told(self) -> Mask:
        """The stations (n,) where the photos speak for one depth, or for none, well enough that it can be told, or for
        undercut, whatever its depth: what stands alone among places where they do not is chance."""
        rule = ReliefFigures.read().groove
        sure = (self.u < rule.sure) | (self.depth > COVERAGE * self.u)
        within = 2 * round(rule.told_within / rule.every) + 1
        return np.asarray(sure & (uniform_filter1d(sure.astype(float), within, mode="nearest") > 0.5))


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

    ``likely`` holds chart stations and how surely (0..1) undercut is seen there.
    """
    tried = _try_grooves(images, frames, chart, surface, scale, side)
    there = np.asarray(np.interp(tried.s, *likely))
    return _told(depth_odds(tried.z, tried.leans, there), tried)


def _told(odds: F64, tried: _Tried) -> Groove:
    """The groove that is as likely deeper as less deep by the odds of each depth (depths, n), of the place and width
    that all pairs agree on best there."""
    rule, shapes = ReliefFigures.read().groove, tried.shapes
    spread = np.sqrt(np.maximum(shapes.depths**2 @ odds - (shapes.depths @ odds) ** 2, 0.0))
    up_to = np.append(-rule.depth_step / 2, shapes.depths + rule.depth_step / 2)
    middle = np.array([np.interp(0.5, np.append(0.0, below), up_to) for below in odds.cumsum(axis=0).T])
    depth = np.where((odds[0] > 0.5) | (middle < rule.least), 0.0, middle)
    nearest = np.rint(depth / rule.depth_step).astype(int)
    smooth = rule.smooth / tried.every
    agreed = gaussian_filter1d(tried.z.mean(axis=0), smooth, axis=-1)
    centre, width = np.divmod(agreed[nearest, :, np.arange(len(nearest))].argmax(axis=1), len(shapes.widths))
    along = (gaussian_filter1d(of, smooth) for of in (shapes.centres[centre], shapes.widths[width]))
    return Groove(tried.s, depth, spread, *along)


@dataclass(frozen=True, slots=True)
class _Tried:
    """How well each pair of photos agrees, Fisher's z (pairs, depths, forms, n), at chart stations ``s`` (n,) ``every``
    mm apart, and how far each photo's line of sight leans outwards and along the toe, tangents (photos, 2)."""

    z: F32
    shapes: _Shapes
    s: F64
    every: float
    leans: F64


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
    ahead, aside = np.array([leans(frame, chart, *middle) for frame in frames]).T
    out = lean * np.concatenate([face, x])
    z = _agreement(seen, sight, shapes, lean, window, every, _Section(out, profile, way * aside))
    z = z.reshape(len(z), len(shapes.depths), -1, z.shape[-1])
    return _Tried(z, shapes, chart.s[on][::every], every * chart.step, np.stack([way * aside, ahead], axis=1))


@dataclass(frozen=True, slots=True)
class _Section:
    """A typical cross-section: its places (n,) outwards from the toe and up, mm, and how far outwards each photo's line
    of sight leans (tangent)."""

    out: F64
    height: F64
    leans: F64

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


def carved(chart: Chart, grooves: Mapping[Side, Groove]) -> tuple[F64, F64]:
    """How much of the chart's height (h, w) the grooves along both toes take away, and its standard uncertainty."""
    lean = float(np.sin(np.arctan2(1.0, chart.slope)))
    out, u = np.zeros((2, len(chart.t), len(chart.s)))
    on = np.isfinite(chart.left)
    for side, groove in grooves.items():
        toe, way = (chart.left, 1.0) if side == "left" else (chart.right, -1.0)
        depth, doubt, centre, width = (
            np.interp(chart.s, groove.s, of) for of in (groove.depth, groove.u_depth, groove.centre, groove.width)
        )
        x = way * (chart.t[:, None] - np.where(on, toe, 0.0)) / lean
        shape = np.cos(np.pi * np.clip((x - centre) / width, -0.5, 0.5))
        taken = np.where(on & (x > -lean), depth * shape / lean, 0.0)
        u = np.where(taken > out, doubt / lean, u)
        out = np.maximum(out, taken)
    return out, u
