"""Traced fillets made from known toes, without a picture."""

from __future__ import annotations

import numpy as np

from toeline.trace.band import Band, SurfaceFrame, TracedBead


def traced(frame: SurfaceFrame, s: np.ndarray, left: np.ndarray, right: np.ndarray, u: float = 0.05) -> TracedBead:
    """The bead whose toes ``left``, ``right`` (N, 2) in surface coordinates lie at stations ``s`` (N,); travel runs
    along ±x, the seam on y = 0."""
    middle = (left[:, 0] + right[:, 0]) / 2
    way = np.sign(middle[-1] - middle[0])
    seam = np.stack([middle[0] + way * s, np.zeros_like(s)], axis=-1)
    t = np.linspace(15.0, -15.0, 31)
    blank = np.zeros((len(t), len(s)))
    band = Band(
        image=np.zeros((*blank.shape, 3), np.uint8),
        maps={},
        s=s,
        t=t,
        seen=blank == 0,
        seam=seam,
        left=np.tile([0.0, -way], (len(s), 1)),
    )
    doubt = np.full(len(s), u)
    return TracedBead(
        frame=frame,
        band=band,
        s=s,
        t_left=-way * left[:, 1],
        t_right=-way * right[:, 1],
        u_left=doubt,
        u_right=doubt,
        confidence=np.ones(len(s)),
        start_seen=True,
        end_seen=True,
        travel="known",
        travel_evidence="told",
        found_confidence=1.0,
    )
