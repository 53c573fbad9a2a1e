"""The straightened band round a bead, and the traced bead in it: what measures and indications are taken from.

Seam coordinates: ``s`` runs along the seam from the bead's start in the direction of travel, ``t`` square to it,
positive to the left of travel. Rows of a band run from the largest ``t`` (left) down to the smallest (right),
columns along ``s``. Lengths are true mm where the frame has a scale; without a card they are in bead units (a
nominal bead width of 10) and only ratios of them may be reported.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, get_args

import numpy as np
from numpy.typing import NDArray

from toeline.result import Side

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
BandReader = Literal["reader", "second_reader"]
#: The networks that read the band; the second where a trace by the first is not believed: it learned on from there,
#: with lamps nearer by, and is told of what is seen further along the bead.
READERS: tuple[BandReader, ...] = get_args(BandReader)


class SurfaceView(Protocol):
    """Where a photo shows a surface."""

    def to_px(self, mm: F64) -> F64:
        """Surface coordinates (N, 2) to photo pixels (N, 2)."""
        ...


class SurfaceFrame(SurfaceView, Protocol):
    """Where a surface lies in the photo: pixels to surface coordinates and back."""

    @property
    def has_scale(self) -> bool:
        """Whether surface coordinates are true mm."""
        ...

    def to_mm(self, px: F64) -> F64:
        """Photo pixels (N, 2) to surface coordinates (N, 2)."""
        ...

    def error_modes(self, px: F64) -> Mapping[str, F64]:
        """How card and camera being off moves the surface points under ``px`` (N, 2): source -> (M, N, 2) mm, each of
        the M moves made by one independent part of the source being one standard uncertainty off."""
        ...


@dataclass(frozen=True, slots=True)
class Strip:
    """What was read along the seam.

    ``maps`` name -> (H, L) in 0..1; ``s`` (L,) ascending; ``t`` (H,) descending; ``seen`` (H, L) False outside the
    photo.
    """

    maps: dict[str, F32]
    s: F64
    t: F64
    seen: NDArray[np.bool_]

    @property
    def px_per_mm(self) -> float:
        """Columns per unit of seam coordinate."""
        return float((len(self.s) - 1) / (self.s[-1] - self.s[0]))


@dataclass(frozen=True, slots=True)
class Band(Strip):
    """The photo resampled along the seam, with all maps of the reader.

    ``face``: weld metal between the toes. ``undercut``: a groove of 0.15 mm or more along a toe; ``undercut_deep``: of
    about 0.5 mm or more. ``spatter``: a ball of it on the plate or the bead. ``pore``. ``crater``: where the bead was
    ended, filled or not; ``crater_hollow``: an unfilled one; ``crater_crack``. ``restart``: a badly tied-in one, over
    the bead's width. ``overlap``: a rolled-over toe. ``slag``. ``arc_strike``. ``crest``: a crosswise ripple's.
    ``forward``, over the face: travel runs towards +s (1) or towards -s (0).

    ``image`` (H, L, 3) BGR; ``seam`` (L, 2) the seam's surface coordinates at ``s``; ``left`` (L, 2) the unit vector
    to the left of travel there; ``reader`` the network whose maps they are.
    """

    image: U8
    seam: F64
    left: F64
    reader: BandReader = READERS[0]

    def to_surface(self, s: F64, t: F64) -> F64:
        """Seam coordinates (N,), (N,) to surface coordinates (N, 2)."""
        s, t = np.asarray(s, float), np.asarray(t, float)
        at = np.stack([np.interp(s, self.s, self.seam[:, k]) for k in (0, 1)], axis=-1)
        left = np.stack([np.interp(s, self.s, self.left[:, k]) for k in (0, 1)], axis=-1)
        return at + t[..., None] * left

    def shows(self, s: F64, t: F64) -> NDArray[np.bool_]:
        """Whether the photo shows places (N,), (N,): a toe at its very border is none, or lies beyond it."""
        row = np.round((self.t[0] - t) * self.px_per_mm).astype(int).clip(0, len(self.t) - 1)
        column = np.round((s - self.s[0]) * self.px_per_mm).astype(int).clip(0, len(self.s) - 1)
        return np.asarray(self.seen[row, column])


@dataclass(frozen=True, slots=True)
class Covered:
    """A stretch of a toe, from ``s_from`` to ``s_to``, that something lies over."""

    side: Side
    s_from: float
    s_to: float

    def turned(self, length: float) -> Covered:
        """The same on a bead so long, travelled the other way."""
        return Covered("right" if self.side == "left" else "left", length - self.s_to, length - self.s_from)


@dataclass(frozen=True, slots=True)
class TracedBead:
    """A bead with both toes traced, at stations ``s`` (N,) every 0.25 mm from the start (s = 0) to the end.

    ``t_left`` > ``t_right`` (N,) are the toes' offsets from the seam; ``u_left``, ``u_right`` (N,) the standard
    uncertainty of finding each toe there; ``confidence`` (N,) 0..1. ``start_seen``/``end_seen`` are False where
    the bead runs out of the picture. ``end_trust``: how clearly, 0..1, the bead starts and ends where it is said to; 1
    for an end that the picture cuts off. The band reaches beyond the bead at both ends and sides; ``beside`` reaches
    further, with no more than "spatter" and "arc_strike" (None: not looked for further off). Over ``covered`` stretches
    the toe is drawn straight on, with no confidence. ``turned`` tells that the band was read from end to start.
    """

    frame: SurfaceFrame
    band: Band
    s: F64
    t_left: F64
    t_right: F64
    u_left: F64
    u_right: F64
    confidence: F64
    start_seen: bool
    end_seen: bool
    travel: Literal["known", "assumed"]
    travel_evidence: str
    found_confidence: float
    beside: Strip | None = None
    covered: tuple[Covered, ...] = ()
    end_trust: tuple[float, float] = (1.0, 1.0)
    turned: bool = False

    @property
    def left_toe(self) -> F64:
        """Left toe (N, 2) in surface coordinates."""
        return self.band.to_surface(self.s, self.t_left)

    @property
    def right_toe(self) -> F64:
        """Right toe (N, 2) in surface coordinates."""
        return self.band.to_surface(self.s, self.t_right)

    @property
    def outline_px(self) -> F64:
        """What lies between the toes (M, 2), px in the photo; points near the plate's horizon, which have none, left
        out."""
        outline = self.frame.to_px(np.concatenate([self.left_toe, self.right_toe[::-1]]))
        return np.asarray(outline[np.isfinite(outline).all(axis=1)])
