"""The body of a bead: what is left when its two ends are set aside."""

from __future__ import annotations

import numpy as np

from toeline.trace.band import F64, TracedBead


def typical_width(bead: TracedBead) -> float:
    """Median distance between the toes, square to the seam."""
    return float(np.median(bead.t_left - bead.t_right))


def body_of(bead: TracedBead) -> tuple[float, float] | None:
    """The body as seam coordinates: one typical width off each end that is seen, none off an end that the photo cuts.

    ``None`` when what is left is shorter than two widths.
    """
    width = typical_width(bead)
    lo = float(bead.s[0]) + (width if bead.start_seen else 0.0)
    hi = float(bead.s[-1]) - (width if bead.end_seen else 0.0)
    return (lo, hi) if hi - lo >= 2.0 * width else None


def across_seam(bead: TracedBead) -> dict[str, F64]:
    """How the frame's errors move both toes at a bead's stations (N,) square to the seam: label -> (M, 2, N)."""
    to_left = bead.band.to_surface(bead.s, np.ones(len(bead.s))) - bead.band.to_surface(bead.s, np.zeros(len(bead.s)))
    modes = bead.frame.error_modes(bead.frame.to_px(np.concatenate([bead.left_toe, bead.right_toe])))
    return {k: np.einsum("mtni,ni->mtn", m.reshape(len(m), 2, -1, 2), to_left) for k, m in modes.items()}
