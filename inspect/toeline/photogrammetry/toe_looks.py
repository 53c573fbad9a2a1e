"""Undercut by its look in every photo: what lies in shade or glare from one stand is often plain from another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toeline.measures.indications import toe_score
from toeline.photogrammetry.relief import Relief, on_base
from toeline.photogrammetry.sight import Projection
from toeline.photogrammetry.stands import Stand
from toeline.result import Side
from toeline.trace.band import F64, TracedBead
from toeline.trace.toes import as_photographed


@dataclass(frozen=True, slots=True)
class ToeLooks:
    """How surely the reader sees undercut along a toe in each photo: scores (stands, n) 0..1 at chart stations ``s``
    (n,), NaN where that photo does not show the toe."""

    s: F64
    scores: F64

    @property
    def likely(self) -> F64:
        """How surely (n,) undercut is seen there by two photos: a shadow, or a mirrored lamp, looks like it in one."""
        return np.asarray(np.sort(np.nan_to_num(self.scores), axis=0)[-2])


@dataclass(frozen=True, slots=True)
class _FromElsewhere:
    """The surface that a bead was traced on, as a photo from another stand shows it."""

    bead: TracedBead
    face: Stand
    frame: Projection

    def to_px(self, mm: F64) -> F64:
        """Surface coordinates (N, 2) to photo pixels (N, 2)."""
        return self.frame.to_px_3d(on_base(mm, self.bead, self.face))


def look_at_toes(relief: Relief, bead: TracedBead) -> dict[Side, ToeLooks]:
    """Both toes of the bead that was traced in the face photo, as the reader sees them in every photo of the relief."""
    face, *others = relief.stands
    beads = [bead]
    for stand, frame in zip(others, relief.ties.frames[1:], strict=True):
        beads.append(as_photographed(stand.photo.image, _FromElsewhere(bead, face, frame), bead))
    return {"left": _looks(relief, beads, "left"), "right": _looks(relief, beads, "right")}


def _looks(relief: Relief, beads: list[TracedBead], side: Side) -> ToeLooks:
    toe, scores = (beads[0].t_left if side == "left" else beads[0].t_right), []
    for one in beads:
        s, score = toe_score(one, "undercut", side)
        shown = one.band.shows(s, np.interp(s, one.s, toe))
        scores.append(np.where(shown, np.clip(score, 0.0, 1.0), np.nan))
    return ToeLooks(np.interp(s, relief.seam[:, 0], relief.seam[:, 1]), np.array(scores))
