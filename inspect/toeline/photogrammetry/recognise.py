"""Whether a photo shows the same bead, and its card where it lay before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from toeline.photo import U8
from toeline.photogrammetry.chart import Chart
from toeline.photogrammetry.features import feature
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.section import dome
from toeline.photogrammetry.sight import Projection, Sightlines
from toeline.problems import problem
from toeline.result import Problem
from toeline.trace.band import F32


@dataclass(frozen=True, slots=True)
class Likeness:
    """How like (-1..1) a photo shows the bead where it is most like the face photo, and how far off (mm) that is from
    where its card says."""

    alike: float
    off: float


def likeness(
    images: Sequence[U8], frames: Sequence[Projection], chart: Chart, scale: Sequence[float]
) -> list[Likeness]:
    """How alike each BGR photo (H, W, 3) after the first is to it; ``scale`` in px a mm."""
    rule = ReliefFigures.read().recognise
    reach = round(rule.reach / rule.step)
    wide = _coarse(chart, rule.step, rule.reach)
    narrow = slice(reach, len(wide.t) - reach), slice(reach, len(wide.s) - reach)
    across = np.nan_to_num(wide.across, nan=9.0)
    guess = wide.chord + rule.height * float(np.nanmedian(chart.width)) * dome(across, 2.5, 0.0)
    seen = [
        _seen(image, frame, wide, guess, per_mm) for image, frame, per_mm in zip(images, frames, scale, strict=True)
    ]
    template = np.ascontiguousarray(seen[0][narrow])
    out = []
    for picture in seen[1:]:
        r = cv2.matchTemplate(picture, template, cv2.TM_CCOEFF_NORMED)
        _, peak, _, (x, y) = cv2.minMaxLoc(r)
        out.append(Likeness(float(peak), float(np.hypot(x - reach, y - reach)) * rule.step))
    return out


def strangers(found: Sequence[Likeness], names: Sequence[str]) -> dict[int, Problem]:
    """By number, from 1, what is wrong with photos that are not like the first, whose name comes first."""
    rule = ReliefFigures.read().recognise
    out = {}
    for k, one in enumerate(found, 1):
        if one.off <= rule.moved and one.alike >= rule.alike_there:
            continue
        moved = one.alike >= rule.alike
        off = f"{one.off:.0f}"
        out[k] = (
            problem("relief_card_moved", other=names[0], off=off)
            if moved
            else problem("relief_other_bead", other=names[0])
        )
    return out


def _seen(image: U8, frame: Projection, chart: Chart, guess: np.ndarray, per_mm: float) -> F32:
    line = Sightlines.of(frame, chart, guess, 1.0)
    rule = ReliefFigures.read().recognise
    return feature(image, line.at[0].reshape(-1, 2).astype(float), per_mm, rule).at(line.at[0])


def _coarse(chart: Chart, step: float, reach: float) -> Chart:
    """The chart in steps of ``step`` mm, and ``reach`` mm further on all sides."""
    s = np.arange(chart.s[0] - reach, chart.s[-1] + reach, step)
    t = np.arange(chart.t[0] + reach, chart.t[-1] - reach, -step)
    inside = (s >= 0) & (s <= chart.length)
    left, right = (
        np.where(inside, np.interp(s, chart.s, np.nan_to_num(toe)), np.nan) for toe in (chart.left, chart.right)
    )
    return replace(chart, step=step, s=s, t=t, left=left, right=right)
