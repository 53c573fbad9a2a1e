"""Measures of a traced bead, each with its uncertainty budget.

Width, edge and ripple statistics are over the body (one typical width off each end). Edge deviation is the root mean
square of a toe's distance from its own centred 25 mm moving mean, whose window shrinks symmetrically near the body's
ends; straightness is the same from the least-squares straight line. What noise of the traced toes adds to a spread is
taken out (:mod:`toeline.measures.toe_errors`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from toeline.measures.body import across_seam, body_of, typical_width
from toeline.measures.figures import IndicationFigures, MeasureFigures
from toeline.measures.indications import BALLS_ALIKE, NO_SCALE, toe_score
from toeline.measures.registry import MEASURES, ids, unknown_of
from toeline.measures.start import start_of
from toeline.measures.toe_errors import Estimate, Statistics, estimate, reader_bias, toe_noise
from toeline.result import Indication, Quantity, Side, unknown
from toeline.trace.band import F64, TracedBead
from toeline.trace.figures import RippleFigures
from toeline.trace.ripples import Ripples, read_ripples
from toeline.uncertainty import Effects, propagate, quantity, row, rows_of, standard

SHORT = "the bead is too short: less than two widths are left between its ends"
CUT = "the bead runs out of the picture at its {end}"

_SIDES: tuple[Side, ...] = ("left", "right")
_EACH_MM = 1.0  # how closely the chances along a toe are summed


def measure_bead(
    bead: TracedBead, indications: Sequence[Indication], ripples: Ripples | None = None
) -> dict[str, Quantity]:
    """Every measure of a bead by name, in mm or as a ratio; what cannot be had says why.

    ``indications`` are those of :func:`toeline.measures.indications.find_indications`; ``ripples`` saves reading them
    again.
    """
    ripples = ripples or read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)
    return measure_course(bead, ripples) | count_indications(bead, indications)


def measure_course(bead: TracedBead, ripples: Ripples) -> dict[str, Quantity]:
    """What the toes and the crests tell: length, widths, edges and ripples by name."""
    moves = across_seam(bead)
    length, body = _length(bead), _over_body(bead, moves)
    found: dict[str, Estimate | str] = {"length": length, **body, **start_of(bead, moves)}
    found["length_to_width"] = _ratio(length, body["width_mean"])
    measures = {
        name: unknown(one, MEASURES[name].unit) if isinstance(one, str) else one.quantity(MEASURES[name].unit)
        for name, one in found.items()
    }
    return _as_scaled(bead, measures | _ripple_measures(bead, ripples))


def _as_scaled(bead: TracedBead, measures: dict[str, Quantity]) -> dict[str, Quantity]:
    """Measures in mm; without a scale only what keeps its meaning."""
    if bead.frame.has_scale:
        return measures
    return {k: q if MEASURES[k].ratio or not q.known else unknown(NO_SCALE, q.unit) for k, q in measures.items()}


def unknown_measures(why: str) -> dict[str, Quantity]:
    """All measures as what cannot be had, with the reason."""
    return unknown_of(("length", "body", "start", "ripples", "counts"), why)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Left and right ``toes`` (2, N) over a stretch of the seam, at even stations ``s`` (N,): those of the bead's where
    ``at`` says so.

    ``wander``: the seam's own distance (N,) from its parabola and from its straight line, which belong to the edges
    but not to the width. ``sure`` (N,) marks the stations that may give the least and greatest width.
    """

    at: NDArray[np.bool_]
    s: F64
    toes: F64
    u_left: F64
    u_right: F64
    wander: tuple[F64, F64]
    sure: NDArray[np.bool_]

    @classmethod
    def of(cls, bead: TracedBead, lo: float, hi: float) -> Stretch:
        """The stations of a bead between two seam coordinates."""
        at = (bead.s >= lo) & (bead.s <= hi)
        s = bead.s[at]
        sure = np.maximum(bead.u_left, bead.u_right)[at] < MeasureFigures.read().toe.far
        return cls(
            at=at,
            s=s,
            toes=np.stack([bead.t_left[at], bead.t_right[at]]),
            u_left=bead.u_left[at],
            u_right=bead.u_right[at],
            wander=_seam_wander(bead, s),
            sure=sure if sure.any() else np.ones(len(s), bool),
        )


def body_statistics(stretch: Stretch, toes: F64) -> Statistics:
    """Means, extremes and variances of left and right toes (..., 2, N) over a stretch; values (...)."""
    left, right = toes[..., 0, :], toes[..., 1, :]
    width = left - right
    known = width if stretch.sure.all() else width[..., stretch.sure]
    n, mean = width.shape[-1], width.mean(axis=-1)
    out = {
        "mean": mean,
        "min": known.min(axis=-1),
        "max": known.max(axis=-1),
        "var": n / (n - 1) * (_mean_square(width) - mean**2),
    }
    half = round(MeasureFigures.read().edge.window / (stretch.s[1] - stretch.s[0]) / 2)
    for side, toe in (("left", left), ("right", right)):
        edge = toe + stretch.wander[0]
        out[f"{side}_edge"] = _mean_square(edge - moving_mean(edge, half))
        out[f"{side}_line"] = _off_line(stretch.s, toe + stretch.wander[1])
    return out


def _mean_square(values: F64) -> F64:
    """Mean of the squares along the last axis."""
    return np.asarray(np.einsum("...i,...i->...", values, values) / values.shape[-1])


def moving_mean(values: F64, half: int) -> F64:
    """Centred moving mean along the last axis over ``2 * half + 1`` stations, the window shrinking symmetrically to
    what is left at either end."""
    n = values.shape[-1]
    half = min(half, (n - 1) // 2)
    total = np.zeros((*values.shape[:-1], n + 1))
    np.cumsum(values, axis=-1, out=total[..., 1:])
    out = np.empty(values.shape)
    shrunk = np.arange(1, 2 * half, 2)  # the windows at the ends
    out[..., :half] = total[..., shrunk] / shrunk
    out[..., n - half :] = ((total[..., n:] - total[..., n - shrunk]) / shrunk)[..., ::-1]
    out[..., half : n - half] = (total[..., 2 * half + 1 :] - total[..., : n - 2 * half]) / (2 * half + 1)
    return out


def _off_line(s: F64, values: F64) -> F64:
    """Mean square of ``values`` (..., N) about their least-squares straight line."""
    x = s - s.mean()
    return np.asarray(_mean_square(values) - values.mean(axis=-1) ** 2 - (values @ x) ** 2 / (x @ x) / len(s))


def _seam_wander(bead: TracedBead, s: F64) -> tuple[F64, F64]:
    """How far the seam lies from its own best parabola and from its best line at ``s`` (N,), positive to the left: the
    part of a toe's waviness that the traced seam has taken up."""
    points = bead.band.to_surface(s, np.zeros(len(s)))
    to_left = bead.band.to_surface(s, np.ones(len(s))) - points
    centre = points - points.mean(axis=0)
    along, across = np.linalg.svd(centre, full_matrices=False)[2]
    x, y = centre @ along, centre @ across
    bent, straight = (np.asarray((y - np.polyval(np.polyfit(x, y, n), x)) * (to_left @ across)) for n in (2, 1))
    return bent, straight


def finish(raw: Statistics, taken: Statistics) -> Statistics:
    """Named measures from statistics, with what noise added ``taken`` out of them first."""
    net = {k: v - taken[k] for k, v in raw.items()}
    root = {k: np.sqrt(np.maximum(net[k], 0.0)) for k in net if k not in ("mean", "min", "max")}
    return {
        "width_mean": net["mean"],
        "width_min": net["min"],
        "width_max": net["max"],
        "width_sd": root["var"],
        "width_variation": root["var"] / net["mean"],
        "left_edge_deviation": root["left_edge"],
        "right_edge_deviation": root["right_edge"],
        "left_straightness": root["left_line"],
        "right_straightness": root["right_line"],
    }


def _over_body(bead: TracedBead, moves: Mapping[str, F64]) -> dict[str, Estimate | str]:
    """Widths and edges over the body, or why there are none; ``moves`` as :func:`across_seam` gives them."""
    body = body_of(bead)
    if body is None:
        return dict.fromkeys(ids(["body"]), SHORT)
    base = Stretch.of(bead, *body)
    found, taken = estimate(
        lambda toes: body_statistics(base, toes),
        finish,
        base.toes,
        toe_noise(base.s, base.u_left, base.u_right),
        {
            "toe reader": reader_bias(base.u_left, base.u_right, outwards=(1.0, -1.0)),
            **{label: each[..., base.at] for label, each in moves.items()},
        },
    )
    ends = [Stretch.of(bead, body[0] + a, body[1] + b) for a, b in _end_moves(bead)]
    at_ends = [finish(body_statistics(end, end.toes), taken) for end in ends]
    told: dict[str, Estimate | str] = {}
    for name, one in found.items():
        off = math.sqrt(sum(float(moved[name] - one.value) ** 2 for moved in at_ends) / 2.0)
        told[name] = replace(one, others=(*one.others, row("bead ends", off)), n=len(base.s))
    return told


def _end_moves(bead: TracedBead) -> list[tuple[float, float]]:
    """The body's limits moved by the doubt of each end that is seen, either way."""
    u = MeasureFigures.read().end.u
    return [(u * k, 0.0) for k in (1, -1) if bead.start_seen] + [(0.0, u * k) for k in (1, -1) if bead.end_seen]


def _length(bead: TracedBead) -> Estimate | str:
    """Length along the seam from the bead's start to its end, or why it is not known."""
    for seen, end in ((bead.start_seen, "start"), (bead.end_seen, "end")):
        if not seen:
            return CUT.format(end=end)
    u = MeasureFigures.read().end.u
    first, last = float(bead.s[0]), float(bead.s[-1])
    return Estimate(last - first, _strain(bead, first, last), (row("bead ends", u * math.sqrt(2.0)),), 2)


def _strain(bead: TracedBead, lo: float, hi: float) -> Effects:
    """What the frame's errors do to the distance along the seam from ``lo`` to ``hi``."""
    at = np.array([lo, hi])
    ends = bead.band.to_surface(at, np.interp(at, bead.s, (bead.t_left + bead.t_right) / 2.0))
    modes = bead.frame.error_modes(bead.frame.to_px(ends))
    return propagate(lambda e: {"apart": np.linalg.norm(e[:, 1] - e[:, 0], axis=1)}, ends, modes)["apart"]


def _ripple_measures(bead: TracedBead, ripples: Ripples) -> dict[str, Quantity]:
    """Pitch, its variation and how pointed the crescents are, over the body."""
    rules = RippleFigures.read()
    body = body_of(bead)
    if body is None:
        return unknown_of(["ripples"], SHORT)
    crests = ripples.within(*body)
    n = len(crests.s)
    if n < rules.crest.fewest or not ripples.across:
        return unknown_of(["ripples"], "the ripples cannot be told apart in this photo")
    if not ripples.told:
        return unknown_of(["ripples"], "what runs across the face lies too far apart to tell ripples from lumps")
    half = typical_width(bead) / 2.0
    nearer, u_nearer, apex, u_apex = _height_seen(bead, body)
    seen, sd = float(crests.gaps.mean()), float(crests.gaps.std(ddof=1))
    pitch = seen * (1.0 - nearer)
    u_crest = rules.crest.u
    net = math.sqrt(max(sd * sd - 2.0 * u_crest**2, 0.0))
    # uneven ripples hide more crests among them than the odd gaps tell
    miscount = rules.crest.count_u * math.sqrt(crests.doubtful)
    miscount = math.hypot(miscount, rules.crest.uneven_u * (sd / seen) ** 2 * n)
    span = float(crests.s[-1] - crests.s[0])
    pitch_rows = [
        row("crest localisation", math.sqrt(2.0) * u_crest / (n - 1)),
        row("crest count", pitch * miscount / (n - 1)),
        row("bead ends", sd / (n - 1)),
        row("height of the face", pitch * u_nearer),
        *rows_of({k: v * pitch / span for k, v in _strain(bead, float(crests.s[0]), float(crests.s[-1])).items()}),
    ]
    near = max(net, u_crest)
    variation_rows = [
        row("crest localisation", math.sqrt(2.0 / n) * u_crest / seen),
        row("noise correction", u_crest**2 / near / seen),
        row("crest count", seen * miscount / (2.0 * n * near)),
        row("near-even chain", rules.crest.variation_u * near / seen),
        row("bead ends", sd / math.sqrt(2.0 * n) / seen * math.sqrt(2.0 / n)),
    ]
    light = math.hypot(rules.rise.u, rules.rise.u_pitch * seen / half)
    sharpness_rows = [
        row("crest shape", ripples.rise_u),
        row("light on the slopes", light),
        row("height of the face", u_apex / half),
    ]
    return {
        "ripple_pitch": quantity(pitch, pitch_rows, n=n),
        "ripple_variation": quantity(net / seen, variation_rows, "1", n),
        "ripple_sharpness": quantity(max(ripples.rise + apex / half, 0.0), sharpness_rows, "1", n),
    }


@runtime_checkable
class Viewed(Protocol):
    """A frame that knows where the camera stood."""

    @property
    def camera_centre_mm(self) -> F64:
        """Camera centre (3,), z up from the surface."""
        ...


def _height_seen(bead: TracedBead, body: tuple[float, float]) -> tuple[float, float, float, float]:
    """What the face's own height does to the crests seen on it: the share by which it comes nearer to the camera and
    looks larger, how far ahead in mm the apex is seen of where it is, each followed by its uncertainty.

    A point at height h at a distance d from the foot of the camera at height H is seen h d / (H - h) further out.
    """
    if not isinstance(bead.frame, Viewed):
        return 0.0, RippleFigures.read().rise.unviewed_u, 0.0, 0.0
    rule, width = RippleFigures.read().rise, typical_width(bead)
    ends = bead.band.to_surface(np.array(body), np.zeros(2))
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    centre = bead.frame.camera_centre_mm
    nearer, u_nearer = (share * width / float(centre[2]) for share in (rule.height, rule.u_height))
    ahead = float((ends.mean(axis=0) - centre[:2]) @ along)
    return nearer, u_nearer, nearer * ahead, u_nearer * abs(ahead)


def count_indications(bead: TracedBead, indications: Sequence[Indication]) -> dict[str, Quantity]:
    """Length of undercut by side and in all, and spatter, by name."""
    rules = IndicationFigures.read()
    rule = rules.undercut
    out: dict[str, Quantity] = {}
    left, right = (_whether_there(bead, side, rule.alike) for side in _SIDES)
    both = math.sqrt(left**2 + right**2 + 2.0 * rule.both_toes * left * right)
    unsure = {"left": left, "right": right, "total": both}
    for name in ("left", "right", "total"):
        found = [i for i in indications if i.kind == "undercut" and name in (i.side, "total")]
        lengths = [(i.to or 0.0) - (i.from_ or 0.0) for i in found]
        rows = [
            row("ends of the runs", rule.u_end * math.sqrt(2.0 * len(found))),
            row("whether it is there", unsure[name]),
            row("too short to be told", standard(rule.least, "rectangular"), "rectangular"),
        ]
        out[f"undercut_length_{name}"] = quantity(sum(lengths), rows, n=len(found))
    if not bead.frame.has_scale:
        return _as_scaled(bead, out) | {k: unknown(NO_SCALE, "1") for k in ("spatter_count", "spatter_per_100mm")}
    ball = rules.spatter
    sizes = [(i.confidence, i.size.value) for i in indications if i.kind == "spatter" and i.size]
    balls = [(sure, d) for sure, d in sizes if d is not None]
    count = sum(1 for _, d in balls if d >= ball.counted)

    def chances(least: float) -> list[float]:
        """That each ball is there and as large as ``least``, its diameter being normal."""
        return [sure * 0.5 * math.erfc((least - d) / ball.u_edge(d) / math.sqrt(2.0)) for sure, d in balls]

    share = 100.0 / float(bead.s[-1] - bead.s[0])
    us = {
        "balls near the size that counts": math.sqrt(sum(p * (1.0 - p) for p in chances(ball.counted))),
        BALLS_ALIKE: (sum(chances(ball.counted - ball.u_alike)) - sum(chances(ball.counted + ball.u_alike))) / 2.0,
        "balls missed, or taken for one": ball.missed + ball.missed_share * count,
    }
    for name, per in (("spatter_count", 1.0), ("spatter_per_100mm", share)):
        out[name] = quantity(count * per, [row(label, u * per) for label, u in us.items()], "1", len(balls))
    return out


def _whether_there(bead: TracedBead, side: Side, alike: float) -> float:
    """Standard uncertainty, mm, of a toe's length with undercut: at each place it is there with the chance that the
    reader gives, and is so alike with what lies within some ``alike`` mm."""
    s, score = toe_score(bead, "undercut", side)
    each = max(round(_EACH_MM / float(s[1] - s[0])), 1)
    s, chance = s[::each], score[::each].clip(0.0, 1.0)
    spread = np.sqrt(chance * (1.0 - chance)) * float(s[1] - s[0])
    return math.sqrt(spread @ np.exp(-np.abs(s[:, None] - s) / alike) @ spread)


def _ratio(above: Estimate | str, below: Estimate | str) -> Estimate | str:
    """A ratio of two measures: what moves both by the same share, as the print scale does, leaves it as it is."""
    if isinstance(above, str) or isinstance(below, str):
        return above if isinstance(above, str) else below
    value = above.value / below.value
    effects = {label: changes / below.value for label, changes in above.effects.items()}
    for label, changes in below.effects.items():
        effects[label] = effects.get(label, 0.0) - value * changes / below.value
    others: dict[str, float] = {}
    for one, share in ((above, 1.0 / below.value), (below, value / below.value)):
        for r in one.others:
            others[r.label] = math.hypot(others.get(r.label, 0.0), share * r.u)
    return Estimate(value, effects, tuple(row(label, u) for label, u in others.items()))
