"""How well the photos agree where a surface is supposed, place by place and pair by pair."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import combinations
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.photogrammetry.chart import Chart
from toeline.photogrammetry.features import Feature
from toeline.photogrammetry.figures import ReliefPairs
from toeline.photogrammetry.sight import Sightlines
from toeline.trace.band import F32, F64

T = TypeVar("T")
R = TypeVar("R")

_NEAR_ONE = 0.98  # correlations are kept below this, so that their Fisher z stays finite


@dataclass(frozen=True, slots=True)
class Cells:
    """The coarser grid that agreement is judged on: blocks of ``along`` × ``across`` grid places, and the window, in
    mm, that is looked through round each."""

    along: int
    across: int
    window_s: float
    window_t: float

    def shrink(self, x: F32) -> F32:
        """Means over blocks: (h, w) becomes (h // across, w // along)."""
        h, w = x.shape[0] // self.across, x.shape[1] // self.along
        cut = x[: h * self.across, : w * self.along]
        return np.asarray(cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA), np.float32)

    def places(self, chart: Chart) -> tuple[F64, F64]:
        """Middles of the blocks along (w,) and across (h,)."""
        w, h = len(chart.s) // self.along, len(chart.t) // self.across
        return (
            chart.s[: w * self.along].reshape(w, -1).mean(axis=1),
            chart.t[: h * self.across].reshape(h, -1).mean(axis=1),
        )

    def window(self, x: F32, step: float) -> F32:
        """Sums through the window round each block (h, w); the grid is ``step`` mm."""
        sigma_s = self.window_s / np.sqrt(12) / (step * self.along)
        sigma_t = self.window_t / np.sqrt(12) / (step * self.across)
        return np.asarray(cv2.GaussianBlur(x, (0, 0), sigmaX=sigma_s, sigmaY=sigma_t, borderType=cv2.BORDER_REFLECT))


def on_all_cores(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """What work in OpenCV and NumPy, which let other threads go on, gives for each item: on as many cores as this
    process may use."""
    with ThreadPoolExecutor(max(cv2.getNumThreads(), 1)) as pool:
        return list(pool.map(work, items))


def agreement(
    features: Sequence[Feature],
    sight: Sequence[Sightlines],
    supposed: Iterable[F32],
    cells: Cells,
    step: float,
) -> F32:
    """Fisher's z (pairs, K, h, w) of the correlation between each two photos, for each of K supposed surfaces, given as
    heights (grid) over the sightlines' base."""
    pairs = list(combinations(range(len(features)), 2))

    def plane(dh: F32) -> list[Any]:
        seen = [f.at(line.px(dh)) for f, line in zip(features, sight, strict=True)]
        power = [cells.window(cells.shrink(x * x), step) + np.float32(1e-3) for x in seen]
        return [cells.window(cells.shrink(seen[i] * seen[j]), step) / np.sqrt(power[i] * power[j]) for i, j in pairs]

    planes = on_all_cores(plane, supposed)
    r = np.clip(np.array(planes, np.float32).swapaxes(0, 1), -_NEAR_ONE, _NEAR_ONE)
    return np.asarray(np.arctanh(r), np.float32)


def how_many(pairs: int, share: float, fewest: int) -> int:
    """How many of so many pairs are believed."""
    return min(max(round(share * pairs), fewest), pairs)


def best_pairs(z: F32, rule: ReliefPairs) -> F32:
    """The mean (K, h, w) over those pairs that at each place rise clearest above what they say of other heights."""
    clear = z.max(axis=1) - np.median(z, axis=1)
    clear = np.stack([cv2.GaussianBlur(c, (0, 0), sigmaX=rule.smooth_s, sigmaY=rule.smooth_t) for c in clear])
    keep = how_many(len(z), rule.share, 1)
    order = np.argsort(-clear, axis=0)[:keep]
    chosen = np.zeros_like(clear)
    np.put_along_axis(chosen, order, 1.0, axis=0)
    return np.asarray(np.einsum("pkhw,phw->khw", z, chosen, optimize=True) / keep, np.float32)


def clearest_pairs(z: F64, rule: ReliefPairs) -> NDArray[np.int64]:
    """The numbers of those pairs (pairs, K) that rise clearest above what they say of the other forms."""
    clear = z.max(axis=1) - np.median(z, axis=1)
    return np.argsort(-clear)[: how_many(len(z), rule.share, rule.fewest)]
