"""Whether a trace is believed: what the reader itself says of the toes and of both ends, held against what errors were
counted at such doubt (tests/benchmarks/bench_belief.py)."""

from __future__ import annotations

import math

import numpy as np

from toeline.problems import problem
from toeline.result import Problem
from toeline.trace.band import F64, TracedBead
from toeline.trace.figures import BeadFigures

#: What stops a photo whose trace is not believed.
DISBELIEVED = ("toes_unsure", "ends_unsure", "ends_missed")


def surety(bead: TracedBead, seen: float | None = None) -> float:
    """How sure a trace is, as a multiple of what it takes to be believed: the least of its toes, at half the stations,
    and of its two ends.

    ``seen`` is how surely, 0..1, the finder sees a bead between the toes; None where a card's scale or a person's marks
    say that there is one.
    """
    return float(min(_toes(bead, seen), min(bead.end_trust) / BeadFigures.read().belief.ends))


def _toes(bead: TracedBead, seen: float | None) -> float:
    """How sure the toes are, as a multiple of what they must be. Where only their looks speak for a bead, a short piece
    of one will not do, and the toes must be surer, or, where no end lies in view, the finder as sure as they are."""
    rule, toes = BeadFigures.read().belief, float(np.median(bead.confidence))
    sure = toes / rule.toes
    if seen is None:
        return sure
    if bead.start_seen or bead.end_seen:
        widths = float(bead.s[-1] / np.median(bead.t_left - bead.t_right))
        return min(toes / rule.toes_loose, widths / rule.widths_loose)
    return min(sure, toes * bead.found_confidence * math.sqrt(seen) / rule.through)


def disbelief(bead: TracedBead, seen: float | None = None) -> tuple[Problem, ...]:
    """Why a trace, ``seen`` as in :func:`surety`, is not believed; nothing where it is."""
    if surety(bead, seen) >= 1.0:
        return ()
    if _toes(bead, seen) < 1.0:
        return (problem("toes_unsure"),)
    least = BeadFigures.read().belief.ends
    at = [end for end, trust in zip(("starts", "ends"), bead.end_trust, strict=True) if trust < least]
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
