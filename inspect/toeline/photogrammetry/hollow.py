"""The crater: a hollow near the bead's end, fitted to the photos as a whole.

It is a few mm wide and may be as deep as the bead is high. What heights are smoothed over fills it, and no dome between
both toes has its form. So it is asked for by itself: of hollows of a few widths, places and depths in a face that goes
on as it was, which one makes the photos agree, over all of the bead's end at once? First those of a wide net are tried,
then those about the best of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from toeline.photo import U8
from toeline.photogrammetry.chart import Chart
from toeline.photogrammetry.features import features_of
from toeline.photogrammetry.figures import ReliefFigures, ReliefHollow
from toeline.photogrammetry.matching import clearest_pairs
from toeline.photogrammetry.sight import Projection, Sightlines
from toeline.photogrammetry.surface import Surface
from toeline.trace.band import F64


def with_hollow(
    images: Sequence[U8], frames: Sequence[Projection], chart: Chart, surface: Surface, scale: Sequence[float]
) -> Surface:
    """The surface with the hollow near its end that BGR photos of ``scale`` px a mm agree on best, if any; its doubt is
    how far off the deepest and the flattest lie that they agree on all but as well."""
    rules = ReliefFigures.read()
    rule, width = rules.hollow, float(np.nanmedian(chart.width))
    back = chart.length - chart.s
    columns = np.flatnonzero((back > rule.nearest * width) & (back < rule.furthest * width))
    rows = np.flatnonzero(np.nanmin(np.abs(chart.across[:, columns]), axis=1) < rule.core) if len(columns) else columns
    before = (back > rule.furthest * width) & (back < (rule.furthest + rule.before) * width) & np.isfinite(chart.left)
    if not len(columns) or not len(rows) or not before.any():
        return surface
    part = np.ix_(rows, columns)
    s, t = np.meshgrid(chart.s[columns], chart.t[rows])
    base = surface.height[part]
    level = chart.chord[part] + _as_before(chart, surface, before)[part]
    sight = [Sightlines.over(frame, chart, s, t, base, rule.deepest) for frame in frames]
    seen = features_of(images, sight, scale, rules.feature)
    pairs = list(combinations(range(len(seen)), 2))
    inside = np.abs(chart.across[part]) < rule.core
    middle = np.abs(chart.across[part]) < rule.middle
    end = _End(chart, s, t, base, level, width, rule)

    def agree(tried: Sequence[F64]) -> F64:
        z = np.empty((len(pairs), len(tried)))
        for k, off in enumerate(tried):
            values = [f.at(line.px(off.astype(np.float32)))[inside] for f, line in zip(seen, sight, strict=True)]
            power = [float(v @ v) + 1e-3 for v in values]
            z[:, k] = [float(values[i] @ values[j]) / np.sqrt(power[i] * power[j]) for i, j in pairs]
        return np.asarray(np.arctanh(np.clip(z, -0.98, 0.98)))

    forms = list(_net(rule))
    tried = [np.zeros_like(base), *(end.with_hollow(form) for form in forms)]
    z = agree(tried)
    believed = clearest_pairs(z, rules.pairs)
    score = z[believed].mean(axis=0)
    best = int(score.argmax()) if score.max() >= score[0] + rule.penalty else 0
    excluded = score[best] - rule.clearly  # by the net: a finer form that fits better excludes no other
    if best:
        finer = [end.with_hollow(form) for form in _about(forms[best - 1], rule)]
        score = np.concatenate([score, agree(finer)[believed].mean(axis=0)])
        tried += finer
        best = int(score.argmax())
    depth = np.array([float((level - base - off)[middle].max()) for off in tried])
    doubt = float(np.abs(depth[score > excluded] - depth[best]).max())
    height = surface.height.copy()
    height[part] += tried[best]
    return replace(surface, height=height, hollow_doubt=doubt)


def _as_before(chart: Chart, surface: Surface, before: np.ndarray) -> F64:
    """Height (h, w) over the chord of a face that goes on as it was at the columns ``before``."""
    over = np.where(chart.face, surface.domes - chart.chord, 0.0)[:, before]
    across, bins = np.nan_to_num(chart.across, nan=9.0), np.linspace(-1.0, 1.0, 41)
    here = np.digitize(across[:, before], bins)
    form = [float(np.median(over[here == k])) if (here == k).any() else 0.0 for k in range(1, len(bins))]
    return np.asarray(np.interp(across, (bins[:-1] + bins[1:]) / 2, form, left=0.0, right=0.0))


@dataclass(frozen=True, slots=True)
class _Form:
    """A hollow: its deepest place, widths before the end and widths to the left of the middle; its radius, widths; its
    depth, mm."""

    place: float
    aside: float
    radius: float
    depth: float


@dataclass(frozen=True, slots=True)
class _End:
    """The bead's end on the grid ``s``, ``t`` (h, w), its height (h, w) as ``base`` and as its ``level`` without a
    hollow."""

    chart: Chart
    s: F64
    t: F64
    base: F64
    level: F64
    width: float
    rule: ReliefHollow

    def with_hollow(self, form: _Form) -> F64:
        """What a hollow takes from, or adds to, the base (h, w): round it the face is at its level."""
        middle = np.interp(self.s[0], self.chart.s, np.nan_to_num((self.chart.left + self.chart.right) / 2))
        along = self.s - (self.chart.length - form.place * self.width)
        far = np.hypot(along, self.t - middle - form.aside * self.width) / (form.radius * self.width)
        hollow, filled = (np.clip(1.0 - (far / wider) ** 2, 0.0, 1.0) ** 2 for wider in (1.0, self.rule.rim))
        return np.asarray(filled * (self.level - self.base) - form.depth * hollow)


def _net(rule: ReliefHollow) -> Iterator[_Form]:
    """The hollows tried at first, all on the bead's middle."""
    for place, radius, depth in product(rule.places, rule.radii, np.arange(0.0, rule.deepest, rule.depth_step)):
        yield _Form(place, 0.0, radius, float(depth))


def _about(form: _Form, rule: ReliefHollow) -> Iterator[_Form]:
    """The hollows between this one and its neighbours of the net, and as far aside."""
    shift = float(np.diff(rule.places).mean()) / 3
    for place, aside, radius, depth in product((-2, -1, 0, 1, 2), (-1, 0, 1), (0.7, 0.85, 1.0, 1.2), (-2, -1, 0, 1, 2)):
        deep = form.depth + depth * rule.depth_step / 2
        if deep > 0.0:
            yield _Form(form.place + place * shift, aside * shift, form.radius * radius, deep)
