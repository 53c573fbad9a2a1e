"""The truth file beside a photo: what it shows, worked out from the laid relief and the lens, not from pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .bead_shape import BeadPlan, Weld
from .lens import F64, CardLie, Lens

_STATION = 0.25
_WINDOW = 25.0


@dataclass(frozen=True, slots=True)
class Laid:
    """The bead as laid: its plan and relief over columns ``s`` and rows ``t`` (mm), and how its plates stand.

    ``plain`` (h, w) is 1 where the plate shows, 0 under a card or beside the plate. ``card_side`` is 1 where card A
    lies to the left of travel, else −1.
    """

    plan: BeadPlan
    weld: Weld
    s: F64
    t: F64
    plain: NDArray[np.float64]
    fillet: bool
    card_side: float

    def at(self, grid: NDArray[Any], s: float, t: float) -> float:
        """A map's value at the nearest cell; 0 outside."""
        col, row = round((s - self.s[0]) / (self.s[1] - self.s[0])), round((self.t[0] - t) / (self.t[0] - self.t[1]))
        return float(grid[row, col]) if 0 <= row < len(self.t) and 0 <= col < len(self.s) else 0.0

    def on_plate(self, s: F64, t: F64) -> F64:
        """World points (N, 3) of the plates' surface."""
        t = np.asarray(t, float)
        return np.stack([np.asarray(s, float), t, np.abs(t) if self.fillet else np.zeros_like(t)], -1)

    def on_face(self, s: float, t: float, lower: float = 0.0) -> F64:
        """World point (3,) of the relief's surface, ``lower`` mm below it."""
        return np.array([s, t, self.at(self.weld.height[0, 0].cpu().numpy(), s, t) - lower])


def camera_truth(lens: Lens, card: CardLie) -> dict[str, Any]:
    """Intrinsics, lens and pose in card A's frame; and the plane's homography."""
    r = lens.rotation @ np.stack([card.x, card.y, -card.normal], -1)
    t = lens.rotation @ (card.origin - lens.eye)
    h = lens.matrix @ np.stack([r[:, 0], r[:, 1], t], -1)
    tilt = math.degrees(math.acos(abs(float(lens.rotation[2] @ card.normal))))
    return {
        "camera": {
            "K": np.round(lens.matrix, 4).tolist(),
            "distortion": {
                "model": "x_d = x_u (1 + k1 r^2 + k2 r^4), normalised coordinates, r of x_u",
                "k1": lens.k1,
                "k2": lens.k2,
            },
            "pose": {
                "R": np.round(r, 9).tolist(),
                "t": np.round(t, 5).tolist(),
                "note": "OpenCV: X_cam = R (x, y, -z) + t with plate-frame x, y, z",
            },
            "distance_mm": round(float(np.linalg.norm(lens.eye - card.origin)), 2),
            "tilt_deg": round(tilt, 2),
        },
        "H_plate_to_undistorted_px": np.round(h / h[2, 2], 10).tolist(),
    }


def card_truth(lens: Lens, cards: list[CardLie], measured: float) -> dict[str, Any]:
    """Where the markers are, and what a user would have read on the check line."""
    a = cards[0]
    corners = {str(i): _round(lens.pixels(c), 3) for card in cards for i, c in card.markers().items()}
    return {
        "shown": True,
        "print_scale": a.print_scale,
        "check_line_true_mm": round(50.0 * a.print_scale, 4),
        "check_line_measured_mm": measured,
        "thickness_mm": a.thickness,
        "marker_corners_px": corners,
        "note": "printed at print_scale about the card's top-left corner; the measured value is a calliper's reading",
    }


def bead_truth(laid: Laid, lens: Lens, cards: list[CardLie]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The bead and the spatter of the truth file."""
    plan, weld = laid.plan, laid.weld
    start, end = float(plan.start), float(plan.end)
    unfold = math.sqrt(2.0) if laid.fillet else 1.0
    card = cards[0]
    stations = np.arange(0.0, end - start + 1e-6, _STATION)
    s = start + stations
    left, right = (np.interp(s, laid.s, curve[0, 0].cpu().numpy()) for curve in (weld.left, weld.right))
    world = {"left": laid.on_plate(s, left), "right": laid.on_plate(s, right)}
    t_left, t_right = left * unfold, right * unfold
    width = t_left - t_right
    median = float(np.median(width))
    length = float(stations[-1])
    lo, hi = median, length - median
    body = (stations >= lo) & (stations <= hi)
    ends = np.stack([world["left"][0], world["left"][-1]])
    ahead, to_left = card.plate(np.array([[1.0, 0, 0], [0, 1.0, 0]]) + card.origin)[:, :2]
    if laid.fillet:
        to_left = (
            laid.card_side * (card.plate(laid.on_plate(np.zeros(1), np.array([laid.card_side])) + card.origin))[0, :2]
        )
        to_left = to_left / np.linalg.norm(to_left)

    def edge(t: F64) -> dict[str, float]:
        over, at = t[body], stations[body]
        slope, level = np.polyfit(at, over, 1)
        off = over - slope * at - level
        smooth = over - _moving_mean(over, round(_WINDOW / 2 / _STATION))
        return {
            "rms_from_line_mm": _r(np.sqrt(np.mean(off**2))),
            "max_from_line_mm": _r(np.abs(off).max()),
            "slope": round(float(slope), 6),
            "rms_from_25mm_mean_mm": _r(np.sqrt(np.mean(smooth**2))),
        }

    crests = _crests(laid) - start
    gaps = np.diff(crests[(crests >= lo) & (crests <= hi)])
    crescent = float(plan.crescent * plan.width / 2)
    vee = float(plan.vee)
    bead: dict[str, Any] = {
        "toe_definition": "geometric toe: where the bead cross-section meets the plate, before any undercut groove is "
        "cut; left and right looking along the direction of travel",
        "s_mm": _round(stations, 2),
        "toes_plate_mm": {k: _round(card.plate(w), 4) for k, w in world.items()},
        "toes_px": {k: _round(lens.pixels(w), 3) for k, w in world.items()},
        "toes_undistorted_px": {k: _round(lens.undistorted(w), 3) for k, w in world.items()},
        "toes_seam_mm": {"left": _round(t_left, 4), "right": _round(t_right, 4)},
        "seam": {
            "start_mm": _round(card.plate(ends)[0], 4),
            "end_mm": _round(card.plate(ends)[1], 4),
            "start_px": _round(lens.pixels(ends)[0], 3),
            "end_px": _round(lens.pixels(ends)[1], 3),
            "length_mm": _r(length),
            "travel_direction_plate": _round(ahead, 6),
            "left_direction_plate": _round(to_left, 6),
        },
        "body": {
            "rule": "from one median width after the start to one median width before the end",
            "from_mm": _r(lo),
            "to_mm": _r(hi),
        },
        "width_mm": None if laid.fillet else _spread(width[body]),
        "toe_left": edge(t_left),
        "toe_right": edge(t_right),
        "toe_smoothing_rule": "centred moving mean over 25 mm of seam, the half-window shrinking to the distance to "
        "the end of the body",
        "ripples": {
            "crest_s_mm": _round(crests, 3),
            "pitch_mean_mm": _r(gaps.mean()) if len(gaps) > 1 else None,
            "pitch_sd_mm": _r(gaps.std(ddof=1)) if len(gaps) > 1 else None,
            "count_body": len(gaps) + 1,
            "amplitude_mm": _r(float(plan.ripple_amp)),
            "vee": _r(vee),
            "crescent_depth_mm": _r(crescent * (1 - vee + vee * (math.sqrt(1.004) - math.sqrt(0.004)))),
            "where": "on the line midway between the toes",
            "apex": "points back to the bead's start; the crescent opens towards the end",
        },
        "undercut": _undercut(laid, length),
        "overlap": _overlap(laid, length),
        "crater": _crater(laid, lens, card),
        "restart": _restart(laid),
        "pores": _pores(laid, lens),
        "slag_islands": _islands(laid, lens),
        "arc_strikes": _strikes(laid, lens, card, unfold),
        "reinforcement_height_mm": _height(laid, length, lo, hi),
    }
    if laid.fillet:
        bead["fillet"] = _fillet(laid, cards, world, t_left, t_right, body)
    return bead, _spatter(laid, lens, card, unfold)


def relief_truth(laid: Laid, cards: list[CardLie]) -> dict[str, NDArray[Any]]:
    """The relief over a sheet along the seam, to be kept as an ``.npz``.

    ``s_mm`` (n,) from the bead's start, ``t_mm`` (m,) positive to the left of travel, ``h_mm`` (m, n) over the plate,
    and ``P0``, ``d``, ``nL``: plate xy = P0 + s d + t nL. ``toe_s``, ``toe_left`` and ``toe_right`` are the geometric
    toes. On a fillet ``section_s_mm`` (k,), ``along_base_mm`` and ``up_mm`` (m, k) in place of the sheet: sections
    by where they lie along the base plate, away from the upright, and how far up the upright.
    """
    start, end = float(laid.plan.start), float(laid.plan.end)
    left, right = (curve[0, 0].cpu().numpy() for curve in (laid.weld.left, laid.weld.right))
    columns = np.flatnonzero((laid.s > start - 12.0) & (laid.s < end + 12.0))
    reach = max(float(left.max()), float(-right.min())) + 11.0
    rows = np.flatnonzero(np.abs(laid.t) < reach)
    height = laid.weld.height[0, 0].cpu().numpy()[np.ix_(rows, columns)]
    unfold = math.sqrt(2.0) if laid.fillet else 1.0
    out: dict[str, NDArray[Any]] = {
        "toe_s": (laid.s - start)[columns].astype(np.float32),
        "toe_left": (unfold * left[columns]).astype(np.float32),
        "toe_right": (unfold * right[columns]).astype(np.float32),
    }
    if laid.fillet:
        columns = np.arange(0, len(columns), 5)
        across, z = laid.card_side * laid.t[rows][:, None], height[:, columns]
        return out | {
            "section_s_mm": out["toe_s"][columns],
            "along_base_mm": ((across + z) / math.sqrt(2.0)).astype(np.float32),
            "up_mm": ((z - across) / math.sqrt(2.0)).astype(np.float32),
        }
    card = cards[0]
    base = card.plate(np.array([[start, 0.0, 0.0], [start + 1.0, 0.0, 0.0], [start, 1.0, 0.0]]))[:, :2]
    return out | {
        "s_mm": out["toe_s"],
        "t_mm": laid.t[rows].astype(np.float32),
        "h_mm": height.astype(np.float16),
        "P0": base[0],
        "d": base[1] - base[0],
        "nL": base[2] - base[0],
    }


def _fillet(
    laid: Laid, cards: list[CardLie], world: dict[str, F64], left: F64, right: F64, body: NDArray[np.bool_]
) -> dict[str, Any]:
    a_is_left = laid.card_side > 0
    leg_a, leg_b = (left, -right) if a_is_left else (-right, left)
    leg_a, leg_b = leg_a[body], leg_b[body]
    a, b = cards
    origin = a.plate(b.origin[None])[0]
    x, y, normal = a.plate(np.stack([b.x * b.print_scale, b.y * b.print_scale, b.normal]) + a.origin)
    on_b = world["right" if a_is_left else "left"]
    return {
        "plate_A_side": "left" if a_is_left else "right",
        "leg_A_mm": _spread(leg_a),
        "leg_B_mm": _spread(leg_b),
        "throat_from_legs_mm": _spread(leg_a * leg_b / np.hypot(leg_a, leg_b)),
        "leg_rule": "from the root line to the geometric toe, over the body",
        "card_B": {
            "origin_mm": _round(origin, 4),
            "x_axis": _round(x, 6),
            "y_axis": _round(y, 6),
            "normal": _round(normal, 6),
            "note": "axes carry the print scale; in the plate-A frame (x right, y down, z up)",
        },
        "toe_B_in_card_B_frame_mm": _round(b.plate(on_b)[:, :2], 4),
    }


def _crests(laid: Laid) -> F64:
    """Seam places of the ripple crests on the line midway between the toes, from the crest map itself."""
    middle = (laid.weld.left + laid.weld.right)[0, 0].cpu().numpy() / 2
    row = np.clip(np.round((laid.t[0] - middle) / (laid.t[0] - laid.t[1])).astype(int), 0, len(laid.t) - 1)
    line = laid.weld.maps["crest"][0, 0].cpu().numpy()[row, np.arange(len(laid.s))]
    top = np.flatnonzero((line[1:-1] > line[:-2]) & (line[1:-1] >= line[2:]) & (line[1:-1] > 0.3)) + 1
    a, b, c = (np.log(np.maximum(line[top + k], 1e-9)) for k in (-1, 0, 1))
    bend = a - 2 * b + c
    shift = np.where(bend < -1e-6, 0.5 * (a - c) / np.where(bend < -1e-6, bend, -1.0), 0.0)
    return np.asarray(laid.s[top] + np.clip(shift, -0.5, 0.5) * (laid.s[1] - laid.s[0]))


def _undercut(laid: Laid, length: float) -> list[dict[str, Any]]:
    """Every groove: on a fillet its depth square to the plate and its width along it."""
    start = float(laid.plan.start)
    square, along = (math.sqrt(0.5), math.sqrt(2.0)) if laid.fillet else (1.0, 1.0)
    every = np.arange(0.0, length, 1.0)
    out = []
    for side, _, _, depth_curve, wide in laid.weld.truth["runs"]:
        depth = depth_curve[0, 0].cpu().numpy() * square
        deep = np.flatnonzero(depth > 0.02)
        if depth.max() < 0.1:
            continue
        step = float(laid.s[1] - laid.s[0])
        out.append(
            {
                "side": side,
                "start_mm": _r(laid.s[deep[0]] - start),
                "end_mm": _r(laid.s[deep[-1]] - start),
                "max_depth_mm": _r(depth.max()),
                "mean_depth_mm": _r(depth[deep].mean()),
                "width_mm": _r(float(wide) * along),
                "length_deeper_0p1_mm": _r((depth > 0.1).sum() * step),
                "length_deeper_0p5_mm": _r((depth > 0.5).sum() * step),
                "depth_every_mm": {
                    "s0": 0.0,
                    "step": 1.0,
                    "depth": _round(np.interp(every + start, laid.s, depth), 3),
                },
            }
        )
    return out


def _overlap(laid: Laid, length: float) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    if laid.fillet:
        return out
    start = float(laid.plan.start)
    inside = (laid.s > start) & (laid.s < start + length)
    for side, bulge in zip(("left", "right"), laid.weld.truth["over"], strict=True):
        b = bulge[0, 0].cpu().numpy() * inside
        on = np.flatnonzero(np.diff(np.concatenate([[0], (b > 0.25).astype(int), [0]])))
        for first, last in zip(on[::2], on[1::2] - 1, strict=True):
            out.append(
                {
                    "side": side,
                    "start_mm": _r(laid.s[first] - start),
                    "end_mm": _r(laid.s[last] - start),
                    "bulge_mm": _r(b[first : last + 1].max()),
                    "note": "steep rolled toe, no overhang in the relief, so the visible edge is the toe",
                }
            )
    return out


def _crater(laid: Laid, lens: Lens, card: CardLie) -> dict[str, Any]:
    truth = laid.weld.truth
    s = float(truth["centre"])
    middle = float(np.interp(s, laid.s, (laid.weld.left + laid.weld.right)[0, 0].cpu().numpy() / 2))
    unfilled = float(laid.plan.unfilled) > 0
    place = laid.on_face(s, middle)
    return {
        "state": "unfilled" if unfilled else "filled",
        "depth_mm": _r(float(truth["hollow_depth"])),
        "diameter_mm": _r(2 * float(truth["crater_radius"])),
        "s_mm": _r(s - float(laid.plan.start)),
        "centre_mm": _round(card.plate(laid.on_plate(np.array([s]), np.array([middle])))[0], 3),
        "centre_px": _round(lens.pixels(place[None])[0], 2),
        "star_crack": unfilled and float(laid.plan.crack) > 0,
    }


def _restart(laid: Laid) -> dict[str, Any] | None:
    truth = laid.weld.truth
    if float(truth["restart"]) == 0:
        return None
    return {
        "s_mm": _r(float(truth["restart_at"]) - float(laid.plan.start)),
        "type": "hump" if float(truth["restart_hump"]) > 0 else "hollow",
        "height_mm": _r(float(truth["restart_size"])),
    }


def _pores(laid: Laid, lens: Lens) -> list[dict[str, Any]]:
    out = []
    seen = laid.weld.maps["pore"][0, 0].cpu().numpy()
    for s, t, dia in zip(*(x[0].tolist() for x in laid.weld.truth["pores"]), strict=True):
        if laid.at(seen, s, t) > 0:
            px = lens.pixels(laid.on_face(s, t)[None])[0]
            out.append({"s_mm": _r(s - float(laid.plan.start)), "diameter_mm": _r(dia), "px": _round(px, 2)})
    return out


def _islands(laid: Laid, lens: Lens) -> list[dict[str, Any]]:
    out = []
    seen = laid.weld.maps["slag"][0, 0].cpu().numpy()
    for spot in laid.weld.truth["islands"][: int(float(laid.plan.slag))]:
        s, t, half_s, half_t = (float(x) for x in spot)
        if laid.at(seen, s, t) > 0 and laid.at(laid.plain, s, t) > 0:
            out.append(
                {
                    "s_mm": _r(s - float(laid.plan.start)),
                    "t_mm": _r(t),
                    "len_mm": _r(2 * half_s),
                    "wid_mm": _r(2 * half_t),
                    "px": _round(lens.pixels(laid.on_face(s, t)[None])[0], 2),
                }
            )
    return out


def _strikes(laid: Laid, lens: Lens, card: CardLie, unfold: float) -> list[dict[str, Any]]:
    out = []
    seen = laid.weld.maps["arc_strike"][0, 0].cpu().numpy()
    for spot in laid.weld.truth["strikes"][: int(float(laid.plan.strikes))]:
        s, t, radius, tail, turn = (float(x) for x in spot)
        if laid.at(seen, s, t) == 0 or laid.at(laid.plain, s, t) == 0:
            continue
        place = laid.on_plate(np.array([s]), np.array([t]))
        out.append(
            {
                "s_mm": _r(s - float(laid.plan.start)),
                "t_mm": _r(t * unfold),
                "d_mm": _r(2 * radius),
                "tail_deg": _r(math.degrees(turn)),
                "tail_mm": _r(tail),
                "px": _round(lens.pixels(place)[0], 2),
                "plate_mm": _round(card.plate(place)[0, :2], 3),
            }
        )
    return out


def _spatter(laid: Laid, lens: Lens, card: CardLie, unfold: float) -> list[dict[str, Any]]:
    """Every ball that lies free on the plate or the bead; its pixel is its own middle's."""
    out = []
    for s, t, dia in zip(*(x[0].tolist() for x in laid.weld.truth["balls"]), strict=True):
        if laid.at(laid.plain, s, t) == 0:
            continue
        px = lens.pixels(laid.on_face(s, t, dia / 2)[None])[0]
        place = card.plate(laid.on_plate(np.array([s]), np.array([t])))[0]
        out.append(
            {
                "diameter_mm": _r(dia),
                "s_mm": _r(s - float(laid.plan.start)),
                "t_mm": _r(t * unfold),
                "plate_mm": _round(place, 3),
                "px": _round(px, 2),
                "in_frame": lens.sees(px),
            }
        )
    return out


def _height(laid: Laid, length: float, lo: float, hi: float) -> dict[str, Any]:
    every = np.arange(0.0, length, 1.0)
    rise = np.interp(every + float(laid.plan.start), laid.s, laid.weld.truth["rise"][0, 0, 0].cpu().numpy())
    return {
        "step_mm": 1.0,
        "what": "peak of the smooth cross-section without ripples (fillet: bulge over the chord)",
        "height": _round(rise, 4),
        "body": _spread(rise[(every >= lo) & (every <= hi)]),
    }


def _moving_mean(x: F64, half: int) -> F64:
    """Centred mean over 2 half + 1 values, the window shrinking to what fits on both sides."""
    n = len(x)
    total = np.concatenate([[0.0], np.cumsum(x)])
    reach = np.minimum(np.minimum(np.arange(n), np.arange(n)[::-1]), half)
    at = np.arange(n)
    return np.asarray((total[at + reach + 1] - total[at - reach]) / (2 * reach + 1))


def _spread(x: F64) -> dict[str, float]:
    return {"mean": _r(x.mean()), "min": _r(x.min()), "max": _r(x.max()), "sd": _r(x.std(ddof=1))}


def _r(x: Any) -> float:
    return round(float(x), 4)


def _round(x: F64, digits: int) -> Any:
    return np.round(np.asarray(x, float), digits).tolist()
