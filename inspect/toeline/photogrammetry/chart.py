"""The chart a relief is drawn on: straight along the seam, across it, and up from the plate.

``s`` runs from the bead's start along the travel, ``t`` square to it, positive to the left of travel, ``h`` up: from
the plate's plane, on a fillet along the line that halves the angle between the plates. Points are those of card A's
plate frame (x right, y down, z up), mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Chart:
    """Where the chart lies, its grid and the bead on it.

    ``origin`` (3,) and the rows of ``axes`` (3, 3), along, left and up, are in the plate frame. ``s`` (w,) ascends,
    ``t`` (h,) descends, both in even steps of ``step`` mm. ``left`` and ``right`` (w,) are the toes, NaN before the
    start and beyond
    the end; ``slope`` is how steeply a fillet's plates rise to both sides (0: one flat plate).
    """

    origin: F64
    axes: F64
    step: float
    s: F64
    t: F64
    left: F64
    right: F64
    slope: float
    length: float

    @property
    def ground(self) -> F64:
        """Height (h, w) of the bare plates."""
        return np.asarray(np.broadcast_to(self.slope * np.abs(self.t)[:, None], (len(self.t), len(self.s))))

    @property
    def across(self) -> F64:
        """Where each place (h, w) lies between the toes: -1 at the right, 1 at the left; NaN where there is no bead."""
        half, middle = (self.left - self.right) / 2, (self.left + self.right) / 2
        return np.asarray((self.t[:, None] - middle) / np.maximum(half, 0.3))

    @property
    def face(self) -> Mask:
        """The places (h, w) between the toes."""
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(self.across) < 1.0)

    @property
    def width(self) -> F64:
        """Distance (w,) between the toes, straight across."""
        return np.asarray(self.left - self.right)

    @property
    def chord(self) -> F64:
        """Height (h, w): straight from toe to toe over the bead, the plates elsewhere."""
        if self.slope == 0.0:
            return np.zeros((len(self.t), len(self.s)))
        up_left, up_right = (self.slope * np.abs(toe) for toe in (self.left, self.right))
        straight = (up_left + up_right) / 2 + (up_left - up_right) / 2 * self.across
        return np.where(self.face, straight, self.ground)

    def rows_near(self, beside: float, together: int) -> Chart:
        """The chart no further than ``beside`` mm past the toes, cut between blocks of so many rows ``together``."""
        on = np.flatnonzero((self.t < np.nanmax(self.left) + beside) & (self.t > np.nanmin(self.right) - beside))
        return replace(self, t=self.t[on[0] // together * together : on[-1] + 1])

    def points(self, s: F64, t: F64, h: F64) -> F64:
        """Points (..., 3) of the plate frame."""
        s, t, h = (np.asarray(x, float)[..., None] for x in (s, t, h))
        return np.asarray(self.origin + s * self.axes[0] + t * self.axes[1] + h * self.axes[2])

    def coordinates(self, points: F64) -> F64:
        """Chart coordinates (N, 3) s, t, h of points (N, 3) of the plate frame."""
        return np.asarray((points - self.origin) @ self.axes.T)


def lay_chart(
    left: F64, right: F64, up: F64, root: F64 | None, slope: float, step: float, beside: float, beyond: float
) -> Chart:
    """A chart along a bead whose toes (N, 3) are points of the plate frame from start to end.

    ``up`` (3,) is the way up; ``root`` (3,) is a point that t = 0 runs through on a fillet. The grid reaches ``beside``
    mm past the toes and ``beyond`` mm past the ends.
    """
    middle = (left + right) / 2
    along = middle[-1] - middle[0]
    along = along - (along @ up) * up
    along /= np.linalg.norm(along)
    to_left = (left - right).mean(axis=0)
    to_left = to_left - (to_left @ up) * up - (to_left @ along) * along
    to_left /= np.linalg.norm(to_left)
    axes = np.stack([along, to_left, up])
    origin = middle[0] if root is None else root + ((middle[0] - root) @ along) * along
    if root is None:
        origin = origin - (origin @ up) * up
    (sl, tl), (sr, tr) = (((toe - origin) @ axes.T).T[:2] for toe in (left, right))
    length = float((middle[-1] - origin) @ along)
    s = np.asarray(np.arange(-round(beyond / step), round((length + beyond) / step) + 1) * float(step), float)
    top, low = float(tl.max()) + beside, float(tr.min()) - beside
    t = np.asarray(np.arange(round(top / step), round(low / step) - 1, -1) * step, float)
    on = (s >= 0) & (s <= length)
    toes = [np.where(on, np.interp(s, np.maximum.accumulate(ss), tt), np.nan) for ss, tt in ((sl, tl), (sr, tr))]
    return Chart(origin, axes, step, s, t, toes[0], toes[1], slope, length)
