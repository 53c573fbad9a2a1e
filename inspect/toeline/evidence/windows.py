"""So much in any so many: the worst stretch of a weld for lengths and for points added up along it."""

from __future__ import annotations

from collections.abc import Sequence


def worst_length(spans: Sequence[tuple[float, float]], window: float) -> tuple[float, float]:
    """Most length of ``spans`` (start, end) inside any stretch ``window`` long, and where that stretch starts.

    Spans that lie side by side (one on each toe) both count.
    """
    starts = {start for start, _ in spans} | {end - window for _, end in spans}
    return max(
        ((sum(max(0.0, min(e, at + window) - max(s, at)) for s, e in spans), at) for at in sorted(starts)),
        default=(0.0, 0.0),
        key=lambda found: found[0],
    )


def worst_sum(points: Sequence[tuple[float, float]], window: float) -> tuple[float, float]:
    """Greatest sum of weights of ``points`` (place, weight) inside any stretch, both ends included, and its start."""
    return max(
        ((sum(w for p, w in points if at <= p <= at + window), at) for at in sorted({p for p, _ in points})),
        default=(0.0, 0.0),
        key=lambda found: found[0],
    )
