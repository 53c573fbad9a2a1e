"""The bead as cross-sections of a simple form: a dome over the toes' chord, its height and form free along the seam."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.sparse import csr_array

from toeline.photogrammetry.figures import ReliefSection
from toeline.trace.band import F32, F64


@dataclass(frozen=True, slots=True)
class Sections:
    """Height, power and lean (w,) of the dome along the seam; ``above`` and ``below`` (w,) is how far over and under it
    the furthest dome lies that the photos agree on nearly as well, mm: 0 where there is none."""

    height: F64
    power: F64
    lean: F64
    above: F64
    below: F64


def dome(across: F64, power: F64 | float, lean: F64 | float) -> F64:
    """Height (0..1) of a dome between the toes (-1..1): 1 - |x|^power, its crown shifted by ``lean``; 0 outside."""
    with np.errstate(invalid="ignore"):
        x = np.clip(np.abs(across + lean * (1.0 - across * across)), 0.0, 1.0)
        return np.asarray(np.where(np.abs(across) < 1.0, 1.0 - x**power, 0.0))


def fit_sections(z: F32, heights: F64, first: F64, across: F64, every: float, rule: ReliefSection) -> Sections:
    """The domes along the seam that the photos agree on best.

    ``z`` (K, h, w) is their agreement where the surface is ``heights`` (K,) times the dome ``first`` (h, w); ``across``
    (h, w) lies between the toes; columns are ``every`` mm apart. The shortest path along the seam, found once more when
    it has told how high the bead is where the photos say it clearly: elsewhere it is hardly of another height.
    """
    powers, leans = np.array(rule.powers), np.array(rule.leans)
    on = (np.abs(across) < 0.97) & (first > 0.08)
    weight = np.where(on, 1.0, 0.0)
    weight /= np.maximum(weight.sum(axis=0), 1.0)
    step = heights[1] - heights[0]
    rows, cols = np.mgrid[: z.shape[1], : z.shape[2]]
    score = np.empty((z.shape[2], len(heights), len(powers), len(leans)))
    inner = rows[on], cols[on]
    mean = csr_array((weight[on], (np.arange(len(inner[1])), inner[1])), shape=(len(inner[1]), z.shape[2]))
    for i, power in enumerate(powers):
        for j, lean in enumerate(leans):
            ratio = (dome(across, power, lean) / np.maximum(first, 0.05))[on]
            k = (heights[:, None] * ratio - heights[0]) / step
            low = np.clip(np.floor(k).astype(int), 0, len(heights) - 2)
            part = np.clip(k - low, 0.0, 1.0)
            seen = (1 - part) * z[low, inner[0], inner[1]] + part * z[low + 1, inner[0], inner[1]]
            score[:, :, i, j] = (seen @ mean).T
    score = gaussian_filter1d(score, rule.along / every, axis=0)
    cost = -score + rule.unusual * (np.abs(powers[:, None] - rule.usual_power) / rule.usual_power + np.abs(leans))
    stiff = rule.stiff
    steps = (
        stiff.height * step / every,
        stiff.power / len(powers) / every,
        stiff.lean * (leans[1] - leans[0]) / every,
    )
    usual = _usual(heights[cheapest(cost, steps)[:, 0]], score)
    cost += rule.even * ((heights - usual) ** 2)[:, None, None]
    path = cheapest(cost, steps)
    h, p, a = (of[path[:, k]].astype(float) for k, of in enumerate((heights, powers, leans)))
    sigma = rule.smooth / every
    rivals = _rivals(_near_by(cost, steps, float(np.exp(-every / rule.memory))), path[:, 0], step, rule)
    above, below = maximum_filter1d(rivals, 2 * round(rule.stretch / every) + 1, axis=1)
    h, p, a = (gaussian_filter1d(x, sigma, mode="nearest") for x in (h, p, a))
    return Sections(h, p, a, above, below)


def _usual(found: F64, score: F64) -> float:
    """The median of the heights ``found`` (n,), each counting by how far its place's best stands out from its other
    scores (n, K, a, b), squared."""
    each, order = score.max(axis=(2, 3)), np.argsort(found)
    clear = each.max(axis=1) - np.median(each, axis=1) + 1e-6
    so_far = np.cumsum(clear[order] ** 2)
    return float(found[order][np.searchsorted(so_far, so_far[-1] / 2)])


def _near_by(cost: F64, steps: tuple[float, float, float], keep: float) -> F64:
    """The least cost (n, K) of a path through each height, of which each place further off counts ``keep`` times less.

    Of a whole path even a stretch of some mm at a wrong height may cost hardly more than the best one, and a long one
    may be the best: what speaks for either is what lies near by. Past its ends the bead goes on as its mirror image.
    """
    room = min(round(2.0 / (1.0 - keep)), len(cost) - 1)
    cost = np.pad(cost, [(room, room), (0, 0), (0, 0), (0, 0)], mode="reflect")
    before, after = np.empty_like(cost), np.empty_like(cost)
    before[0], after[-1] = cost[0], cost[-1]
    for out, places, back in ((before, range(1, len(cost)), -1), (after, range(len(cost) - 2, -1, -1), 1)):
        for i in places:
            far = out[i + back]
            out[i] = cost[i] + keep * (_spread(far, steps) - far.min())
    return np.asarray((before + after - cost).min(axis=(2, 3)))[room : len(cost) - room]


def _rivals(near_by: F64, best: np.ndarray[Any, np.dtype[np.int64]], step: float, rule: ReliefSection) -> Any:
    """How far above and below the best (n,) of the heights (n, K) the furthest rival lies, mm: one that costs hardly
    more, with worse ones between."""
    out = np.zeros((2, len(best)))
    for i, (row, k) in enumerate(zip(near_by, best, strict=True)):
        for way in (0, 1):
            costs = row[k:] if way == 0 else row[k::-1]
            parted = costs < np.maximum.accumulate(costs) - rule.ridge
            far = np.arange(len(costs)) * step
            rival = parted & (costs < costs[0] + rule.rival) & (far > rule.apart)
            out[way, i] = far[rival].max(initial=0.0)
    return out


def cheapest(cost: F64, steps: tuple[float, float, float]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """The path (n, 3) through states (n, a, b, c) of least cost, a move along an axis costing ``steps`` a place."""
    total = np.empty_like(cost)
    total[0] = cost[0]
    for i in range(1, len(cost)):
        total[i] = cost[i] + _spread(total[i - 1], steps)
    path = np.empty((len(cost), 3), np.int64)
    shape = cost.shape[1:]
    path[-1] = np.unravel_index(int(total[-1].argmin()), shape)
    grid = np.indices(shape)
    for i in range(len(cost) - 2, -1, -1):
        move = np.sum(
            [step * np.abs(axis - at) for step, axis, at in zip(steps, grid, path[i + 1], strict=True)], axis=0
        )
        path[i] = np.unravel_index(int((total[i] + move).argmin()), shape)
    return path


def _spread(cost: F64, steps: tuple[float, float, float]) -> F64:
    """The least of cost plus the way there, over all states: the ways along the axes add up, so one axis at a time."""
    out = cost
    for axis, step in enumerate(steps):
        n = out.shape[axis]
        way = step * np.abs(np.arange(n)[:, None] - np.arange(n))
        moved = np.moveaxis(out, axis, -1)
        out = np.moveaxis((moved[..., None, :] + way).min(axis=-1), -1, axis)
    return out
