"""Whether a trace is believed: what the reader itself says of the toes and of both ends, held against what errors were
counted at such doubt (tests/benchmarks/bench_belief.py)."""

from __future__ import annotations

import numpy as np

from toeline.problems import problem
from toeline.result import Problem
from toeline.trace.band import F64, TracedBead
from toeline.trace.figures import BeadFigures

#: What stops a photo whose trace is not believed.
DISBELIEVED = ("toes_unsure", "ends_unsure", "ends_missed")


def surety(bead: TracedBead) -> float:
    """How sure a trace is, as a multiple of what it takes to be believed: the least of its toes, at half the stations,
    and of its two ends."""
    ends = BeadFigures.read().belief.ends
    return float(min(np.median(bead.confidence) / _toes_needed(bead), min(bead.end_trust) / ends))


def _toes_needed(bead: TracedBead) -> float:
    """How sure the toes must be: without a card, whose scale a bead has to fit, more, unless both ends are cut off by
    the picture, were marked by a person or are as clear as can be."""
    rule = BeadFigures.read().belief
    loose = not bead.frame.has_scale and min(bead.end_trust) < 1.0
    return rule.toes_loose if loose else rule.toes


def believed(bead: TracedBead) -> bool:
    """Whether a trace may be measured."""
    return surety(bead) >= 1.0


def disbelief(bead: TracedBead) -> tuple[Problem, ...]:
    """Why a trace is not believed; nothing where it is."""
    rule = BeadFigures.read().belief
    if believed(bead):
        return ()
    if float(np.median(bead.confidence)) < _toes_needed(bead):
        return (problem("toes_unsure"),)
    at = [end for end, trust in zip(("starts", "ends"), bead.end_trust, strict=True) if trust < rule.ends]
    return (problem("ends_unsure", what=" and ".join(at)),)


def weld_metal_beyond(bead: TracedBead, toe: F64, reach: float) -> float:
    """The share of a bead's stations, the round ends left out, at which the reader sees weld metal beyond a toe (N,):
    not at it, nor much further off than ``reach``, positive to the left."""
    rule, band = BeadFigures.read().belief, bead.band
    inner = (bead.s > abs(reach)) & (bead.s < bead.s[-1] - abs(reach))
    if not inner.any():
        return 0.0
    columns = np.round((bead.s[inner] - band.s[0]) * band.px_per_mm).astype(int)
    nearest, farthest = rule.neighbour_within
    off = np.linspace(nearest, farthest, 12)[:, None] * reach
    rows = np.round((band.t[0] - (toe[inner] + off)) * band.px_per_mm).astype(int)
    face = np.where((rows >= 0) & (rows < len(band.t)), band.maps["face"][rows.clip(0, len(band.t) - 1), columns], 0.0)
    return float(np.mean(face.max(axis=0) > rule.neighbour_face))


def parted(bead: TracedBead) -> float:
    """How much more, in log odds, weld metal is doubted along a line between the toes than on both sides of it, at half
    the stations, the round ends left out: two beads laid against each other may be traced as one."""
    rule, band = BeadFigures.read().belief, bead.band
    width = bead.t_left - bead.t_right
    inner = (bead.s > np.median(width)) & (bead.s < bead.s[-1] - np.median(width))
    if not inner.any():
        return 0.0
    across = np.linspace(-rule.parted_within, rule.parted_within, 29)
    t = ((bead.t_left + bead.t_right)[inner] + across[:, None] * width[inner]) / 2
    columns = np.round((bead.s[inner] - band.s[0]) * band.px_per_mm).astype(int)
    rows = np.round((band.t[0] - t) * band.px_per_mm).astype(int).clip(0, len(band.t) - 1)
    face = np.clip(band.maps["face"][rows, columns], 1e-3, 1 - 1e-3).astype(float)
    profile = np.median(np.log(face / (1 - face)), axis=1)
    line = 4 + int(profile[4:-4].argmin())
    return float(min(profile[:line].max(), profile[line + 1 :].max()) - profile[line])
