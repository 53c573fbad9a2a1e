"""The start of a bead by itself: its width over the first typical width, which the body leaves out.

The round nose, about the first third of a width, is left out as well: what is left has the body's width at once on a
good start, less on a cold one, more where the rod lingered.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from toeline.measures.body import across_seam, body_of, typical_width
from toeline.measures.figures import MeasureFigures
from toeline.measures.registry import ids
from toeline.measures.toe_errors import Estimate, Statistics, estimate, reader_bias, toe_noise
from toeline.trace.band import F64, TracedBead
from toeline.uncertainty import row

NO_START = "the bead's start is out of the picture"
SHORT = "the bead is too short: its start cannot be told from its body"


def start_of(bead: TracedBead) -> dict[str, Estimate | str]:
    """The width at the start in mm, and over the body's mean width, or why there is none."""
    body = body_of(bead)
    if not bead.start_seen or body is None:
        return dict.fromkeys(ids(["start"]), SHORT if bead.start_seen else NO_START)
    found = _measured(bead, body, 0.0)
    u = MeasureFigures.read().end.u
    moved = [_measured(bead, body, by) for by in (u, -u)]
    told: dict[str, Estimate | str] = {}
    for name, one in found.items():
        off = math.sqrt(sum((other[name].value - one.value) ** 2 for other in moved) / 2.0)
        told[name] = replace(one, others=(*one.others, row("bead ends", off)))
    return told


def _measured(bead: TracedBead, body: tuple[float, float], by: float) -> dict[str, Estimate]:
    """The start's measures were the bead to begin ``by`` mm later."""
    width, first = typical_width(bead), float(bead.s[0]) + by
    nose = MeasureFigures.read().start.nose * width
    at = (bead.s >= first + nose) & (bead.s <= body[1])
    s, u_left, u_right = bead.s[at], bead.u_left[at], bead.u_right[at]
    start = s <= first + width
    toes = np.stack([bead.t_left[at], bead.t_right[at]])

    def statistics(moved: F64) -> Statistics:
        across = moved[..., 0, :] - moved[..., 1, :]
        return {"start": across[..., start].mean(axis=-1), "body": across[..., ~start].mean(axis=-1)}

    def measures(raw: Statistics, taken: Statistics) -> Statistics:
        net = {name: value - taken[name] for name, value in raw.items()}
        return {"start_width": net["start"], "start_to_width": net["start"] / net["body"]}

    found, _ = estimate(
        statistics,
        measures,
        toes,
        toe_noise(s, u_left, u_right),
        {"toe reader": reader_bias(u_left, u_right, outwards=(1.0, -1.0)), **across_seam(bead, s, toes)},
    )
    return {name: replace(one, n=int(start.sum())) for name, one in found.items()}
