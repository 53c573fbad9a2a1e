"""One result held against the truth of its photo: what was right, by how much, and what was missed or invented.

Places are compared in the photo's pixels and turned into mm by the truth's own scale there, so that a result without
a card, or of a fillet, is compared the same way. A result whose travel runs the wrong way is compared with the seam
turned round (left and right swapped); only its direction counts as wrong.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from toeline.measures.width_and_edges import moving_mean
from toeline.problems import REGISTRY
from toeline.result import Indication, Result
from toeline.trace.band import F64

#: Depth classes of undercut, mm; reported length is right where the truth is deeper than the first.
UNDERCUT_CLASSES = (0.1, 0.25, 0.5, 1.0)
#: Spatter: balls from this diameter must be found. A ball within the band below it may be found or not, mm.
SPATTER_LEAST, SPATTER_BAND = 0.8, 0.2
#: Half the toes of a right trace are off by less than this share of the width.
TOE_RIGHT = 0.1
_GRID = 0.1


@dataclass(frozen=True, slots=True)
class Compared:
    """One measure of one photo beside its truth; ``value`` is None where it stayed unknown."""

    truth: float
    value: float | None
    U: float | None

    @property
    def error(self) -> float | None:
        """Value less truth."""
        return None if self.value is None else self.value - self.truth

    @property
    def inside(self) -> bool | None:
        """Whether the error is inside U."""
        return None if self.error is None or self.U is None else abs(self.error) <= self.U


@dataclass(frozen=True, slots=True)
class Hits:
    """Right, invented and missed: things or mm."""

    right: float = 0.0
    invented: float = 0.0
    missed: float = 0.0

    def __add__(self, other: Hits) -> Hits:
        return Hits(self.right + other.right, self.invented + other.invented, self.missed + other.missed)

    @property
    def recall(self) -> float | None:
        """Share of the truth that was found."""
        there = self.right + self.missed
        return self.right / there if there else None

    @property
    def precision(self) -> float | None:
        """Share of what was reported that is there."""
        said = self.right + self.invented
        return self.right / said if said else None

    @property
    def f1(self) -> float | None:
        """Harmonic mean of recall and precision."""
        every = 2.0 * self.right + self.invented + self.missed
        return 2.0 * self.right / every if every else None


@dataclass(frozen=True, slots=True)
class PhotoScore:
    """One photo's comparison. ``reason_right``: whether a refused photo was refused for what is true of it, None where
    it was accepted; ``ripples_invented``: whether a ripple spacing is given, None where there are crosswise ripples.
    ``undercut_found``: depth class -> mm of truth found and missed; ``undercut_said``: mm
    reported right and wrong. ``causes`` are the ids as ranked, None where the result speaks of no causes at all."""

    name: str
    kind: str
    usable: bool
    accepted: bool
    error: str | None = None
    found: bool = False
    ends_right: bool = False
    reason_right: bool | None = None
    ripples_invented: bool | None = None
    toe_mm: tuple[float, ...] = ()
    travel: Literal["right", "wrong", "assumed"] = "assumed"
    measures: dict[str, Compared] = field(default_factory=dict)
    undercut_found: dict[float, Hits] = field(default_factory=dict)
    undercut_said: Hits = Hits()
    things: dict[str, Hits] = field(default_factory=dict)
    crater_right: bool | None = None
    cause: str | None = None
    causes: tuple[str, ...] | None = None
    problems: tuple[str, ...] = ()
    total_ms: float | None = None
    width_mm: float | None = None

    @property
    def trace_right(self) -> bool:
        """Whether both ends lie within one width of the truth and half the toes within a tenth of it."""
        near = self.width_mm is not None and bool(self.toe_mm) and np.median(self.toe_mm) < TOE_RIGHT * self.width_mm
        return bool(self.found and self.ends_right and near)


def refused(name: str, truth: dict[str, Any], why: str) -> PhotoScore:
    """The score of a photo that gave no result at all."""
    return PhotoScore(
        name=name,
        kind=str(truth.get("kind")),
        usable=bool(truth["usable"]),
        accepted=False,
        error=why,
        reason_right=False,
        measures=_unmeasured(truth) if truth["usable"] else {},
        cause=truth.get("cause"),
    )


def compare(name: str, result: Result, truth: dict[str, Any]) -> PhotoScore:
    """A result against the truth of its photo. A photo that is marked unusable is only asked whether it was refused."""
    accepted = result.photo.usable and result.bead.found
    problems = tuple(p.code for p in result.photo.problems)
    stops = {p.code for p in result.photo.problems if p.severity == "stop"}
    reason_right = None if accepted else bool(stops & _right_reasons(truth, result.bead.looks_like))
    usable, kind = bool(truth["usable"]), str(truth.get("kind"))
    if not usable or not result.bead.found or len(result.bead.s) < 2:
        return PhotoScore(
            name=name,
            kind=kind,
            usable=usable,
            accepted=accepted,
            found=result.bead.found,
            measures=_unmeasured(truth) if usable else {},
            reason_right=reason_right,
            cause=truth.get("cause"),
            problems=problems,
        )
    seam = _Seam(result, truth)
    found, said = _undercut(seam, result.indications, truth)
    causes = tuple(c.cause for c in result.causes) if result.causes or result.causes_why else None
    return PhotoScore(
        name=name,
        kind=kind,
        usable=usable,
        accepted=accepted,
        found=True,
        ends_right=seam.ends_right,
        reason_right=reason_right,
        ripples_invented=_ripples_invented(result, truth),
        toe_mm=tuple(float(x) for x in seam.toe_distances()),
        travel="assumed" if result.bead.travel == "assumed" else "wrong" if seam.reversed else "right",
        measures=_measures(seam, result, truth),
        undercut_found=found,
        undercut_said=said,
        things=_things(seam, result.indications, truth),
        crater_right=_crater_right(seam, result.indications, truth),
        cause=truth.get("cause"),
        causes=causes,
        problems=problems,
        total_ms=result.timing_ms.get("total"),
        width_mm=seam.width,
    )


#: Stops that are true of a bead that ought to be measured: it was not made out.
_NOT_MADE_OUT = {"no_bead", "toes_unsure", "ends_unsure"}


def _right_reasons(truth: dict[str, Any], looks_like: str | None) -> set[str]:
    """The stops that are true of a photo: for a bead to be measured that it was not made out; what is none may also be
    named, by its right name where the truth has one, and two beads are to be called so."""
    why = truth.get("why_not")
    if truth["usable"]:
        return _NOT_MADE_OUT
    if why == "beside":
        return {"several_beads"}
    if why == "under_slag":
        return {"not_a_bead"} if looks_like == "slag_covered" else _NOT_MADE_OUT
    if why == "no_bead":
        return _NOT_MADE_OUT | ({"not_a_bead"} if looks_like != "slag_covered" else set())
    return {code for code, kind in REGISTRY.items() if kind.severity == "stop"}


def _ripples_invented(result: Result, truth: dict[str, Any]) -> bool | None:
    if truth["bead"]["ripples"]["pitch_mean_mm"]:
        return None
    said = result.measures.get("ripple_variation")  # known without a scale, too
    return said is not None and said.value is not None


class _Seam:
    """The truth's seam and toes in pixels, and how the result's seam coordinates lie on it."""

    def __init__(self, result: Result, truth: dict[str, Any]) -> None:
        b = truth["bead"]
        self.truth, self.bead = truth, result.bead
        self.s = np.array(b["s_mm"], float)
        self.left, self.right = (np.array(b["toes_px"][k], float) for k in ("left", "right"))
        self.middle = (self.left + self.right) / 2.0
        self.px_per_mm = np.hypot(*np.gradient(self.middle, self.s, axis=0).T)
        offsets = [np.array(b["toes_seam_mm"][k], float) for k in ("left", "right")]
        self.t_left, self.t_right = offsets
        self.width = float(np.median(offsets[0] - offsets[1]))
        shown = truth["image"]
        inside = (self.middle >= 0).all(axis=1) & (self.middle < [shown["width"], shown["height"]]).all(axis=1)
        self.shown = self.s[inside] if inside.any() else self.s
        self.tree = cKDTree(self.middle)
        said = (np.array(result.bead.left_toe_px) + np.array(result.bead.right_toe_px)) / 2.0
        self.said_s = np.array(result.bead.s)
        self.said_on_truth = self.at(said)
        self.reversed = bool(self.said_on_truth[-1] < self.said_on_truth[0])

    def at(self, px: F64) -> F64:
        """Truth seam coordinates (N,) of the stations nearest to pixels (N, 2)."""
        return np.asarray(self.s[self.tree.query(np.atleast_2d(px))[1]])

    def scale(self, s: F64) -> F64:
        """Pixels per mm (N,) at truth seam coordinates (N,)."""
        return np.asarray(np.interp(s, self.s, self.px_per_mm))

    def span(self, indication: Indication) -> tuple[float, float]:
        """An indication's from and to as truth seam coordinates, in ascending order."""
        ends = np.interp([indication.from_ or 0.0, indication.to or 0.0], self.said_s, self.said_on_truth)
        return float(ends.min()), float(ends.max())

    def side(self, indication: Indication) -> str | None:
        """An indication's side as the truth calls it."""
        if indication.side is None or not self.reversed:
            return indication.side
        return "right" if indication.side == "left" else "left"

    @property
    def seen(self) -> tuple[float, float]:
        """The stretch of the truth's seam that the result covers."""
        return float(self.said_on_truth.min()), float(self.said_on_truth.max())

    @property
    def cut(self) -> tuple[bool, bool]:
        """Whether the result says that the picture cuts the truth's start, and its end."""
        cut = (not self.bead.start_seen, not self.bead.end_seen)
        return (cut[1], cut[0]) if self.reversed else cut

    @property
    def ends_right(self) -> bool:
        """Both ends within one width of the truth; an end outside the picture must be said to be cut."""
        said = [self.bead.start_px, self.bead.end_px]
        if self.reversed:
            said.reverse()
        right = []
        for k, (true, end, cut) in enumerate(zip((0, -1), said, self.cut, strict=True)):
            visible = abs(self.shown[true] - self.s[true]) < 0.5
            if not visible:
                right.append(cut)
                continue
            if end is None or cut:
                return False
            off = np.array(end) - np.array(self.truth["bead"]["seam"][("start_px", "end_px")[k]][:2])
            right.append(float(np.hypot(*off)) / float(self.scale(self.s[true : true + 1 or None])[0]) <= self.width)
        return all(right)

    def body(self) -> tuple[float, float]:
        """The truth's body, cut to what the result covers."""
        lo, hi = self.truth["bead"]["body"]["from_mm"], self.truth["bead"]["body"]["to_mm"]
        cut = self.cut
        return (self.seen[0] if cut[0] else lo), (self.seen[1] if cut[1] else hi)

    def toe_distances(self) -> F64:
        """Distance in mm of every traced toe point over the body to the true toe line of its side; none of a trace that
        lies elsewhere.

        On one plate with a scale both lines are compared in plate mm; else in pixels over the truth's scale.
        """
        lo, hi = self.body()
        over = (self.said_on_truth >= lo) & (self.said_on_truth <= hi)
        if not over.any():
            return np.zeros(0)
        flat = self.truth["kind"] != "fillet" and bool(self.bead.left_toe)
        names = ("right", "left") if self.reversed else ("left", "right")
        out = []
        for said, name in zip(("left", "right"), names, strict=True):
            if flat:
                points = np.array(getattr(self.bead, f"{said}_toe"))[over]
                line = np.array(self.truth["bead"]["toes_plate_mm"][name], float)[:, :2]
                out.append(to_line(points, line))
            else:
                points = np.array(getattr(self.bead, f"{said}_toe_px"))[over]
                line = self.left if name == "left" else self.right
                out.append(to_line(points, line) / self.scale(self.said_on_truth[over]))
        return np.concatenate(out)


def to_line(points: F64, line: F64) -> F64:
    """Distance (N,) of points (N, 2) to a polyline (M, 2)."""
    a, along = line[:-1], np.diff(line, axis=0)
    keep = (along**2).sum(axis=1) > 0
    a, along = a[keep], along[keep]
    near = cKDTree(a + along / 2.0).query(points, k=min(6, len(a)))[1].reshape(len(points), -1)
    rel = points[:, None, :] - a[near]
    d = along[near]
    t = np.clip((rel * d).sum(axis=2) / (d * d).sum(axis=2), 0.0, 1.0)
    return np.asarray(np.sqrt(((rel - t[..., None] * d) ** 2).sum(axis=2)).min(axis=1))


def _unmeasured(truth: dict[str, Any]) -> dict[str, Compared]:
    return {k: Compared(v, None, None) for k, v in true_measures(truth).items()}


def _measures(seam: _Seam, result: Result, truth: dict[str, Any]) -> dict[str, Compared]:
    whole = not any(seam.cut)
    true = true_measures(truth) if whole else _over_what_is_seen(seam, true_measures(truth))
    swap = {"left": "right", "right": "left"} if seam.reversed else {}
    out = {}
    for name, value in true.items():
        first, _, rest = name.partition("_")
        last = name.rpartition("_")
        said = f"{swap[first]}_{rest}" if first in swap else f"{last[0]}_{swap[last[2]]}" if last[2] in swap else name
        q = result.measures.get(said)
        out[name] = Compared(value, q.value if q else None, q.U if q else None)
    return out


def true_measures(truth: dict[str, Any]) -> dict[str, float]:
    """Every measure that the truth has, by its name in the result document."""
    b = truth["bead"]
    out: dict[str, float | None] = {"length": b["seam"]["length_mm"]}
    width = b.get("width_mm")
    if width:
        out |= {f"width_{k}": width[k] for k in ("mean", "min", "max", "sd")}
        out["width_variation"] = width["sd"] / width["mean"]
        out["length_to_width"] = b["seam"]["length_mm"] / width["mean"]
    for side in ("left", "right"):
        out[f"{side}_edge_deviation"] = b[f"toe_{side}"]["rms_from_25mm_mean_mm"]
        out[f"{side}_straightness"] = b[f"toe_{side}"]["rms_from_line_mm"]
    ripples = b["ripples"]
    toes = b["toes_seam_mm"]
    face = float(np.median(np.array(toes["left"]) - np.array(toes["right"])))
    out["ripple_pitch"] = ripples["pitch_mean_mm"]
    if ripples["pitch_mean_mm"]:
        out["ripple_variation"] = ripples["pitch_sd_mm"] / ripples["pitch_mean_mm"]
        out["ripple_sharpness"] = ripples["crescent_depth_mm"] / (face / 2.0)
    for side in ("left", "right"):
        _, depth = _depths(truth, side)
        out[f"undercut_length_{side}"] = float((depth >= UNDERCUT_CLASSES[0]).sum()) * _GRID
    out["undercut_length_total"] = sum(out[f"undercut_length_{side}"] or 0.0 for side in ("left", "right"))
    balls = sum(1 for x in truth["spatter"] if x["in_frame"] and x["diameter_mm"] >= SPATTER_LEAST)
    out["spatter_count"] = float(balls)
    fillet = b.get("fillet")
    if fillet:
        out |= {
            "leg_base": fillet["leg_A_mm"]["mean"],
            "leg_upright": fillet["leg_B_mm"]["mean"],
            "throat": fillet["throat_from_legs_mm"]["mean"],
            "joint_angle": _joint_angle(fillet),
        }
    return {k: float(v) for k, v in out.items() if v is not None}


def _joint_angle(fillet: dict[str, Any]) -> float:
    """Angle between the plates, degrees: card B's normal against plate A's, which is z."""
    n = np.array(fillet["card_B"]["normal"], float)
    return 180.0 - math.degrees(math.acos(float(n[2] / np.linalg.norm(n))))


def _over_what_is_seen(seam: _Seam, true: dict[str, float]) -> dict[str, float]:
    """Truth over the part of a cut bead that the picture shows; what needs the whole bead is left out."""
    lo, hi = seam.body()
    at = (seam.s >= lo) & (seam.s <= hi)
    if at.sum() < 3:  # a trace that lies elsewhere shows nothing of it
        return {}
    s, left, right = seam.s[at], seam.t_left[at], seam.t_right[at]
    width = left - right
    out: dict[str, float] = {}
    if "width_mean" in true:
        sd = float(width.std(ddof=1))
        out |= {"width_mean": float(width.mean()), "width_min": float(width.min()), "width_max": float(width.max())}
        out |= {"width_sd": sd, "width_variation": sd / float(width.mean())}
    half = round(12.5 / float(s[1] - s[0]))
    for side, toe in (("left", left), ("right", right)):
        out[f"{side}_edge_deviation"] = float(np.sqrt(np.mean((toe - moving_mean(toe, half)) ** 2)))
        out[f"{side}_straightness"] = float(np.sqrt(np.mean((toe - np.polyval(np.polyfit(s, toe, 1), s)) ** 2)))
    crests = np.array(seam.truth["bead"]["ripples"]["crest_s_mm"], float)
    gaps = np.diff(crests[(crests >= lo) & (crests <= hi)])
    if len(gaps) > 3:
        out["ripple_pitch"] = float(gaps.mean())
        out["ripple_variation"] = float(gaps.std(ddof=1) / gaps.mean())
    return out | {k: v for k, v in true.items() if k == "ripple_sharpness"}


def _depths(truth: dict[str, Any], side: str) -> tuple[F64, F64]:
    """True undercut depth in mm along one toe: seam coordinates (N,) every 0.1 mm, depth (N,)."""
    grid = np.arange(0.0, float(truth["bead"]["s_mm"][-1]) + _GRID / 2, _GRID)
    depth = np.zeros(len(grid))
    for run in truth["bead"]["undercut"]:
        if run["side"] == side:
            every = run["depth_every_mm"]
            at = every["s0"] + every["step"] * np.arange(len(every["depth"]))
            depth = np.maximum(depth, np.interp(grid, at, every["depth"], left=0.0, right=0.0))
    return grid, depth


def _covered(seam: _Seam, indications: Iterable[Indication], kind: str, side: str, grid: F64) -> NDArray[np.bool_]:
    """Which grid places an indication of this kind and true side covers."""
    out = np.zeros(len(grid), bool)
    for i in indications:
        if i.kind == kind and seam.side(i) == side:
            lo, hi = seam.span(i)
            out |= (grid >= lo) & (grid <= hi)
    return out


def _undercut(seam: _Seam, indications: Sequence[Indication], truth: dict[str, Any]) -> tuple[dict[float, Hits], Hits]:
    """Undercut by length: per depth class what was found of the truth that is in the picture; and of what was
    reported, how much lies where the truth is deeper than the least class."""
    found, said = {d: Hits() for d in UNDERCUT_CLASSES}, Hits()
    for side in ("left", "right"):
        grid, depth = _depths(truth, side)
        here = (grid >= seam.shown[0]) & (grid <= seam.shown[-1])
        covered = _covered(seam, indications, "undercut", side, grid) & here
        for d in UNDERCUT_CLASSES:
            deep = (depth >= d) & here
            found[d] += Hits(right=_GRID * float((deep & covered).sum()), missed=_GRID * float((deep & ~covered).sum()))
        real = depth >= UNDERCUT_CLASSES[0]
        said += Hits(right=_GRID * float((covered & real).sum()), invented=_GRID * float((covered & ~real).sum()))
    return found, said


def _things(seam: _Seam, indications: Sequence[Indication], truth: dict[str, Any]) -> dict[str, Hits]:
    """Everything that is counted in pieces, and overlap in mm."""
    b = truth["bead"]
    overlap = Hits()
    for side in ("left", "right"):
        grid = np.arange(0.0, float(seam.s[-1]), _GRID)
        there = np.zeros(len(grid), bool)
        for run in b.get("overlap") or []:
            if run["side"] == side:
                there |= (grid >= run["start_mm"]) & (grid <= run["end_mm"])
        said = _covered(seam, indications, "overlap", side, grid)
        counts = (float((m).sum()) * _GRID for m in (there & said, said & ~there, there & ~said))
        overlap += Hits(*counts)
    shown = truth["image"]

    def spots(items: Iterable[dict[str, Any]], size: str) -> list[tuple[float, float, float]]:
        every = [(*x["px"], x[size]) for x in items if x.get("px")]
        return [x for x in every if 0 <= x[0] < shown["width"] and 0 <= x[1] < shown["height"]]

    def said_of(kind: str) -> list[tuple[float, float, float]]:
        return [
            (*i.at_px, (i.size.value if i.size else None) or 0.0) for i in indications if i.kind == kind and i.at_px
        ]

    out = {
        "spatter": _matched(
            seam,
            spots((x for x in truth["spatter"] if x["in_frame"]), "diameter_mm"),
            said_of("spatter"),
            near=0.5,
            least=SPATTER_LEAST,
            band=SPATTER_BAND,
        ),
        "pore": _matched(seam, spots(b.get("pores") or [], "diameter_mm"), said_of("pore"), near=1.0),
        "slag_left": _matched(seam, spots(b.get("slag_islands") or [], "len_mm"), said_of("slag_left"), near=2.0),
        "arc_strike": _matched(seam, spots(b.get("arc_strikes") or [], "d_mm"), said_of("arc_strike"), near=2.0),
        "overlap": overlap,
    }
    restart = b.get("restart")
    places = [sum(seam.span(i)) / 2.0 for i in indications if i.kind == "poor_restart"]
    near = restart is not None and any(abs(p - restart["s_mm"]) <= 5.0 for p in places)
    out["poor_restart"] = Hits(float(near), float(len(places) - near), float(restart is not None and not near))
    cracked, said_crack = (
        bool((b.get("crater") or {}).get("star_crack")),
        any(i.kind == "crater_crack" for i in indications),
    )
    out["crater_crack"] = Hits(cracked and said_crack, said_crack and not cracked, cracked and not said_crack)
    return out


def _matched(
    seam: _Seam,
    true: list[tuple[float, float, float]],
    said: list[tuple[float, float, float]],
    near: float,
    least: float = 0.0,
    band: float = 0.0,
) -> Hits:
    """One-to-one matching of spots (x px, y px, size mm), centres at most ``near`` mm or half a size apart.

    Spots from ``least`` must be found; those within ``band`` below it may be matched but count neither way.
    """
    true, said = ([x for x in spots if x[2] >= least - band or x[2] == 0.0] for spots in (true, said))
    if not true or not said:
        return Hits(0.0, sum(x[2] >= least for x in said), sum(x[2] >= least for x in true))
    a, b = np.array(true), np.array(said)
    off = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    off = off / seam.scale(seam.at(a[:, :2]))[:, None]
    allowed = np.maximum(near, a[:, 2] / 2.0)[:, None]
    rows, cols = linear_sum_assignment(np.where(off <= allowed, off, 1e3))
    pairs = [(r, c) for r, c in zip(rows, cols, strict=True) if off[r, c] <= allowed[r, 0]]
    hit_true, hit_said = {r for r, _ in pairs}, {c for _, c in pairs}
    return Hits(
        right=float(sum(a[r, 2] >= least for r in hit_true)),
        invented=float(sum(b[c, 2] >= least for c in range(len(b)) if c not in hit_said)),
        missed=float(sum(a[r, 2] >= least for r in range(len(a)) if r not in hit_true)),
    )


def _crater_right(seam: _Seam, indications: Iterable[Indication], truth: dict[str, Any]) -> bool | None:
    """Whether filled or unfilled was said rightly; None where the picture does not show the end."""
    if seam.shown[-1] < seam.s[-1] - 0.5:
        return None
    said = any(i.kind == "crater_unfilled" for i in indications)
    crater = truth["bead"].get("crater") or {}
    return said == bool(crater.get("state") == "unfilled")
