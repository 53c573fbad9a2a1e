"""The start of a bead by itself: its width over the first typical width, which the body leaves out.

The round nose, about the first third of a width, is left out as well: what is left has the body's width at once on a
good start, less on a cold one, more where the rod lingered.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from toeline.measures.body import body_of, typical_width
from toeline.measures.figures import MeasureFigures
from toeline.measures.registry import ids
from toeline.measures.toe_errors import Estimate, Statistics, estimate, reader_bias, toe_noise
from toeline.trace.band import F64, TracedBead
from toeline.uncertainty import row

NO_START = "the bead's start is out of the picture"
SHORT = "the bead is too short: its start cannot be told from its body"


def start_of(bead: TracedBead, moves: Mapping[str, F64]) -> dict[str, Estimate | str]:
    """The width at the start in mm, and over the body's mean width, or why there is none; ``moves`` as
    :func:`toeline.measures.body.across_seam` gives them."""
    body = body_of(bead)
    if not bead.start_seen or body is None:
        return dict.fromkeys(ids(["start"]), SHORT if bead.start_seen else NO_START)
    course = _Start.of(bead, body, 0.0)
    found, taken = estimate(
        course.statistics,
        _net,
        course.toes,
        toe_noise(course.s, course.u_left, course.u_right),
        {
            "toe reader": reader_bias(course.u_left, course.u_right, outwards=(1.0, -1.0)),
            **{label: each[..., course.at] for label, each in moves.items()},
        },
    )
    u = MeasureFigures.read().end.u
    ends = [_Start.of(bead, body, by) for by in (u, -u)]
    moved = [_net(one.statistics(one.toes), taken) for one in ends]
    told: dict[str, Estimate | str] = {}
    for name, one in found.items():
        off = math.sqrt(sum(float(other[name] - one.value) ** 2 for other in moved) / 2.0)
        told[name] = replace(one, others=(*one.others, row("bead ends", off)), n=int(course.first.sum()))
    return told


@dataclass(frozen=True, slots=True)
class _Start:
    """Left and right ``toes`` (2, N) at stations ``s`` (N,) from behind the nose to the end of the body, those of the
    bead's where ``at`` says so; ``first`` (N,) marks those that are the start's."""

    at: NDArray[np.bool_]
    s: F64
    toes: F64
    u_left: F64
    u_right: F64
    first: NDArray[np.bool_]

    @classmethod
    def of(cls, bead: TracedBead, body: tuple[float, float], by: float) -> _Start:
        """Were the bead to begin ``by`` mm later."""
        width, begin = typical_width(bead), float(bead.s[0]) + by
        nose = MeasureFigures.read().start.nose * width
        at = (bead.s >= begin + nose) & (bead.s <= body[1])
        s = bead.s[at]
        toes = np.stack([bead.t_left[at], bead.t_right[at]])
        return cls(at, s, toes, bead.u_left[at], bead.u_right[at], s <= begin + width)

    def statistics(self, toes: F64) -> Statistics:
        """Mean widths (...) of toes (..., 2, N) at the start and over the body."""
        across = toes[..., 0, :] - toes[..., 1, :]
        return {"start": across[..., self.first].mean(axis=-1), "body": across[..., ~self.first].mean(axis=-1)}


def _net(raw: Statistics, taken: Statistics) -> Statistics:
    """The measures of the start, with what noise added ``taken`` out."""
    net = {name: value - taken[name] for name, value in raw.items()}
    return {"start_width": net["start"], "start_to_width": net["start"] / net["body"]}
