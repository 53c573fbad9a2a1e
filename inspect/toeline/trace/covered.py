"""Where something lies over a toe: there the traced line follows that thing's edge, in and out again at once.

No toe does so by itself: on 64 rendered beads with many kinds of fault the steps inwards were half as steep.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import label, median_filter

from toeline.trace.band import F64
from toeline.trace.figures import BeadFigures


def covered_stretches(s: F64, inward: F64, width: float) -> list[tuple[int, int]]:
    """First and last station of each stretch where a toe is covered.

    ``s`` (N,) mm, evenly spaced; ``inward`` (N,) how far the toe lies towards the bead's other side, mm; ``width`` is
    the bead's. The round ends, where every toe turns inwards, are left out; what is near to another is one with it.
    """
    rule = BeadFigures.read().covered
    step = float(s[1] - s[0])
    usual = median_filter(inward, size=int(rule.window_widths * width / step) | 1, mode="nearest")
    labels, count = label(inward - usual > max(rule.depth_widths * width, rule.depth_mm))
    slope, near = np.gradient(inward, step), int(rule.flank_mm / step)
    found = []
    for number in range(1, count + 1):
        at = np.flatnonzero(labels == number)
        first, last = int(at[0]), int(at[-1])
        inner = s[first] - s[0] > width and s[-1] - s[last] > width
        if not inner or s[last] - s[first] < rule.least_mm:
            continue
        before, after = (slice(max(k - near, 0), k + near + 1) for k in (first, last))
        if slope[before].max() >= rule.steep and slope[after].min() <= -rule.steep:
            found.append((max(first - near, 0), min(last + near, len(s) - 1)))
    return _joined(found, rule.join_widths * width / step)


def _joined(stretches: list[tuple[int, int]], apart: float) -> list[tuple[int, int]]:
    """The stretches, those at most so many stations ``apart`` as one: a toe may seem to come out under a thing."""
    joined = stretches[:1]
    for first, last in stretches[1:]:
        if first - joined[-1][1] <= apart:
            joined[-1] = joined[-1][0], last
        else:
            joined.append((first, last))
    return joined
