"""What a relief says in numbers: heights, depths, angles and a fillet's throat, each with its budget."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from toeline.measures.registry import MEASURES, ids
from toeline.photogrammetry.chart import Mask
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.groove import Groove
from toeline.photogrammetry.relief import Relief
from toeline.photogrammetry.section import dome
from toeline.result import Indication, Quantity, ReliefAlong, Side, unknown
from toeline.trace.band import F64
from toeline.uncertainty import COVERAGE, quantity, row

_SIDES: tuple[Side, ...] = ("left", "right")
MATCHING, BIAS, SCALE, PLATE, PLACE = (
    "matching of the photos",
    "mirrors and smoothing",
    "print scale",
    "plate beside the bead",
    "place of the extreme",
)
DOUBTED = "a groove that is not excluded"
DOUBTED_HOLLOW = "a hollow that is not excluded"
FORM, GROOVE_FORM = "form of the hollow", "form of the groove"
RIVAL = "another dome that is not excluded"
SMOOTHED = "peaks smoothed over"


def u_height(relief: Relief) -> F64:
    """Standard uncertainty (h, w) mm of each height if its dome is the right one, as errors of rendered scenes were
    counted by how well the photos agree and how far the surface strays from the dome or
    the plate."""
    rule = ReliefFigures.read().u
    u = np.interp(relief.surface.agreement, rule.agreement, rule.face)
    plate = np.interp(relief.surface.agreement, rule.agreement, rule.plate)
    u = np.where(relief.chart.face, u, plate)
    u = u * _stands_factor(relief)
    carved, u_carved = relief.surface.carved, relief.surface.u_carved
    if carved is not None and u_carved is not None:
        u = np.where(carved > ReliefFigures.read().groove.least, np.maximum(u, u_carved), u)
    strayed = relief.surface.strayed
    return np.asarray(u if strayed is None else np.hypot(u, rule.strayed_share * strayed))


def u_place(relief: Relief) -> F64:
    """Standard uncertainty (h, w) mm of each height, whichever of the domes that are not excluded is the right one."""
    form = dome(relief.chart.across, ReliefFigures.read().section.usual_power, 0.0)
    rivals = np.maximum(*_rivals(relief)) / COVERAGE * form
    return np.asarray(np.hypot(u_height(relief), rivals))


def u_map(relief: Relief) -> F64:
    """Standard uncertainty (h, w) mm of each height by itself: on a fillet's face all photos may agree on a height that
    is off, where plates mirror in it; over one plate what was counted holds that."""
    off = np.where(relief.chart.face, _bias(relief), 0.0) if relief.chart.slope > 0 else 0.0
    return np.asarray(np.hypot(u_place(relief), off))


def _rivals(relief: Relief) -> tuple[F64, F64]:
    """How far above and below (w,) mm the crown lies in other domes that are not excluded."""
    none = np.zeros(len(relief.chart.s))
    above, below = relief.surface.above, relief.surface.below
    return (none if above is None else above), (none if below is None else below)


def _stands_factor(relief: Relief) -> float:
    """How much less sure fewer photos, or photos that lean less, are than five that lean by 24 degrees."""
    rule = ReliefFigures.read().u
    at = relief.chart.points(np.array(relief.chart.length / 2), np.array(0.0), np.array(0.0))
    ways = np.array([stand.towards(at) @ relief.chart.axes.T for stand in relief.stands])
    lean = ways[:, :2] / ways[:, 2:]
    spread = float(np.sqrt(((lean - lean.mean(axis=0)) ** 2).sum(axis=1).mean()))
    few = rule.few[str(min(len(relief.stands), 5))]
    return float(max(rule.lean / max(spread, 1e-3), 1.0) * few)


def seen_share(relief: Relief) -> float:
    """Share of the face whose height is known."""
    face = relief.chart.face
    return float(seen_places(relief)[face].mean()) if face.any() else 0.0


def seen_places(relief: Relief) -> Mask:
    """The places (h, w) of the chart that two photos or more show. Where they agree poorly, U is wide."""
    shown = relief.surface.shown
    return np.ones(relief.surface.height.shape, bool) if shown is None else shown


def _columns(relief: Relief) -> Mask:
    """Which of the chart's columns are in the body."""
    s = np.interp(relief.chart.s, relief.seam[:, 1], relief.seam[:, 0], left=-1e9, right=1e9)
    if relief.body is None:
        return np.zeros(len(s), bool)
    return np.asarray((s >= relief.body[0]) & (s <= relief.body[1]))


def _crown(relief: Relief, over: F64) -> tuple[F64, F64, Mask]:
    """Greatest of ``over`` (h, w) on the face at each column, its standard uncertainty, and whether it was seen."""
    on = relief.chart.face
    values = np.where(on, over, -np.inf)
    top = values.argmax(axis=0)
    at = np.arange(values.shape[1])
    seen = (seen_places(relief) & on).sum(axis=0) >= ReliefFigures.read().u.seen_share * np.maximum(on.sum(axis=0), 1)
    return values[top, at], u_height(relief)[top, at], np.asarray(seen & on.any(axis=0))


def _bias(relief: Relief) -> float:
    rule = ReliefFigures.read().u
    return float(rule.bias_fillet if relief.chart.slope > 0 else rule.bias) * _stands_factor(relief)


def _scale_u(relief: Relief) -> float:
    scale = relief.stands[0].plate.print_scale
    return scale.u / scale.value


def relief_measures(relief: Relief, grooves: dict[Side, Groove]) -> dict[str, Quantity]:
    """Every measure of the group ``relief`` by its id; what cannot be had says why."""
    chart, body = relief.chart, _columns(relief)
    out = {name: unknown("this is told of one plate only", MEASURES[name].unit) for name in ids(["relief"])}
    if not body.any():
        return {name: unknown("the bead is too short for a body", q.unit) for name, q in out.items()}
    over = relief.surface.height - chart.chord
    crown, u, seen = _crown(relief, over)
    share = float(seen[body].mean())
    least = ReliefFigures.read().u.seen_share
    fillet = chart.slope > 0
    whole = None if share >= least else f"only {share:.0%} of the face was seen well enough in the photos"
    names = ("convexity_max",) if fillet else ("height_max", "height_mean")
    if whole:
        out |= {name: unknown(whole) for name in names}
    else:
        here = body & seen
        top = int(np.flatnonzero(here)[crown[here].argmax()])
        rows = [
            row(MATCHING, float(u[top])),
            row(BIAS, _bias(relief)),
            row(PLATE, ReliefFigures.read().u.tie),
            row(SCALE, abs(float(crown[top])) * _scale_u(relief)),
        ]
        above, below = _rivals(relief)
        rival = max(float((crown + above)[here].max() - crown[top]), float(below[top]))
        of_extreme = [
            row(PLACE, ReliefFigures.read().u.extreme),
            row(SMOOTHED, ReliefFigures.read().u.u_peak),
            row(RIVAL, rival / COVERAGE),
        ]
        highest = float(crown[top]) + ReliefFigures.read().u.peak
        out[names[0]] = quantity(highest, [*rows, *of_extreme], n=int(here.sum()))
        if not fillet:
            mean_rows = [row(MATCHING, float(u[here].mean()) * ReliefFigures.read().u.mean_share), *rows[1:]]
            mean_rows.append(row(RIVAL, float(np.maximum(above, below)[here].mean()) / COVERAGE))
            out["height_mean"] = quantity(float(crown[here].mean()), mean_rows, n=int(here.sum()))
    for side in _SIDES:
        out[f"toe_angle_{side}_min"] = _toe_angle(relief, side, body, whole)
        out[f"undercut_depth_{side}"] = _undercut(relief, grooves.get(side), body)
    out["crater_depth"] = _crater(relief, crown, u, seen)
    if fillet:
        out["throat_actual_min"] = unknown(whole) if whole else _throat(relief, body)
        for name in ("height_max", "height_mean"):
            out[name] = unknown("a fillet's face is told by its throat and its convexity")
    else:
        for name in ("throat_actual_min", "convexity_max"):
            out[name] = unknown("only a fillet has it")
    return out


def _toe_angle(relief: Relief, side: Side, body: Mask, whole: str | None) -> Quantity:
    """Least angle between plate and face on the air side (ISO 5817 row 505), over the body."""
    if whole:
        return unknown(whole, "deg")
    rule = ReliefFigures.read().toe_angle
    chart = relief.chart
    toe, way = (chart.left, 1.0) if side == "left" else (chart.right, -1.0)
    x = np.arange(0.0, rule.run + 1e-9, chart.step)
    columns = np.flatnonzero(body & np.isfinite(toe))
    rows = (chart.t[0] - (toe[columns] - way * x[:, None])) / chart.step
    low = np.clip(np.floor(rows).astype(int), 0, len(chart.t) - 2)
    part = rows - low
    h = (1 - part) * relief.surface.height[low, columns] + part * relief.surface.height[low + 1, columns]
    h = gaussian_filter1d(h, rule.along / chart.step, axis=1)
    slope = ((x - x.mean()) @ (h - h.mean(axis=0))) / ((x - x.mean()) @ (x - x.mean()))
    # measured from the plate's own direction: on a fillet it rises away from the root
    face = np.degrees(np.arctan(slope))
    plate = np.degrees(np.arctan(chart.slope))
    angle = 180.0 - (face + plate)
    k = int(angle.argmin())
    u_slope = float(np.median(u_place(relief)[low[-1], columns])) / rule.run
    u = np.degrees(u_slope / (1.0 + slope[k] ** 2))
    return quantity(float(angle[k]), [row(MATCHING, float(u)), row(PLACE, rule.u_place)], "deg", n=len(columns))


def _undercut(relief: Relief, groove: Groove | None, body: Mask) -> Quantity:
    if groove is None:
        return unknown(why_no_undercut(relief))
    inside = np.interp(groove.s, relief.chart.s, body.astype(float)) > 0.5
    if not inside.any():
        return unknown("the bead is too short for a body")
    return _depth(relief, groove, inside)


def why_no_undercut(relief: Relief) -> str:
    """Why the depth of undercut is not known."""
    fewest = ReliefFigures.read().groove.fewest
    return (
        f"depth of undercut takes {fewest} photos or more, leaning to both sides and along the seam; "
        f"{len(relief.stands)} could be used"
    )


def _depth(relief: Relief, groove: Groove, over: Mask) -> Quantity:
    """The deepest over some of the stations; not known where too few of them tell a depth."""
    share = float(groove.told[over].mean())
    if share < ReliefFigures.read().u.seen_share:
        return unknown(
            f"along {1 - share:.0%} of its length the photos do not tell how deep it is, nor that there is none"
        )
    told = over & groove.told
    k = int(np.flatnonzero(told)[groove.depth[told].argmax()])
    depth = float(groove.depth[k])
    reach = COVERAGE * float(groove.u_depth[k])
    doubted = float((groove.depth + COVERAGE * groove.u_depth)[over].max()) - depth  # also where no depth is told
    rows = [
        row(DOUBTED, math.sqrt(max(doubted**2 - reach**2, 0.0)) / COVERAGE),  # so U reaches as far as that
        row(MATCHING, float(groove.u[k])),
        row(GROOVE_FORM, float(groove.u_form[k])),
        row(PLATE, ReliefFigures.read().u.tie),
        row(PLACE, ReliefFigures.read().u.extreme),
        row(SCALE, depth * _scale_u(relief)),
    ]
    return quantity(depth, rows, n=int(told.sum()))


def _crater(relief: Relief, crown: F64, u: F64, seen: Mask) -> Quantity:
    """Depth of the hollow near the end below the face's own crown before it."""
    if relief.body is None:
        return unknown("the bead is too short for a body")
    rule, chart = ReliefFigures.read().crater, relief.chart
    width = float(np.nanmedian(chart.width))
    back = chart.length - chart.s
    middle = np.abs(chart.across) < rule.core
    over = relief.surface.height - chart.chord
    line = np.where(middle, over, 0.0).sum(axis=0) / np.maximum(middle.sum(axis=0), 1)
    at = (back > rule.nearest * width) & (back < rule.furthest * width)
    before = (back > rule.furthest * width) & (back < (rule.furthest + rule.before) * width) & seen
    if not before.any() or float(np.mean(seen[at])) < rule.seen:
        return unknown("the end of the bead was not seen well enough in the photos")
    level = float(np.median(line[before]))
    hollow = np.where(at, line, np.inf)
    k = int(hollow.argmin())
    depth = max(level - float(hollow[k]), 0.0)
    u_level = float(np.mean(u[before])) * ReliefFigures.read().u.mean_share
    rows = [
        row(MATCHING, float(u[k])),
        row("level of the face", float(np.hypot(np.std(line[before]) / 2 + rule.u_level, u_level))),
        row(BIAS, _bias(relief)),
        row(FORM, depth * rule.u_form),
        row(RIVAL, float(np.maximum(*_rivals(relief))[at | before].max()) / COVERAGE),
        row(SCALE, depth * _scale_u(relief)),
    ]
    if relief.surface.hollow_doubt > 0:
        rows.append(row(DOUBTED_HOLLOW, relief.surface.hollow_doubt / COVERAGE))
    return quantity(depth, rows, n=int(at.sum()))


def _throat(relief: Relief, body: Mask) -> Quantity:
    """Least distance from the root line to the face, over the body."""
    chart = relief.chart
    far = np.hypot(relief.surface.height, chart.t[:, None])
    near = np.where(chart.face & body, far, np.inf)
    smooth = gaussian_filter1d(near.min(axis=0)[body], ReliefFigures.read().throat.along / chart.step)
    columns = np.flatnonzero(body)
    k = int(columns[smooth.argmin()])
    u = u_place(relief)[int(near[:, k].argmin()), k]
    rows = [
        row(MATCHING, float(u)),
        row(BIAS, _bias(relief)),
        row("root line", ReliefFigures.read().throat.u_root),
        row(PLACE, ReliefFigures.read().u.extreme),
        row(SCALE, float(smooth.min()) * _scale_u(relief)),
    ]
    return quantity(float(smooth.min()), rows, n=len(columns))


def with_depths(
    relief: Relief, grooves: dict[Side, Groove], indications: tuple[Indication, ...]
) -> tuple[Indication, ...]:
    """The indications, each undercut with its depth."""
    out = []
    for one in indications:
        if one.kind != "undercut" or one.side is None or one.from_ is None or one.to is None:
            out.append(one)
            continue
        groove = grooves.get(one.side)
        depth = unknown(why_no_undercut(relief))
        if groove is not None:
            ends = np.interp([one.from_, one.to], relief.seam[:, 0], relief.seam[:, 1])
            inside = (groove.s >= ends[0] - 0.5) & (groove.s <= ends[1] + 0.5)
            if inside.any():
                depth = _depth(relief, groove, inside)
        out.append(one.model_copy(update={"depth": depth}))
    return tuple(out)


def along_seam(relief: Relief, grooves: dict[Side, Groove]) -> ReliefAlong:
    """Crown and depth of undercut at every mm of the seam, with U."""
    chart = relief.chart
    s = np.arange(0.0, float(relief.seam[-1, 0]) + 1e-6, 1.0)
    at = np.interp(s, relief.seam[:, 0], relief.seam[:, 1])
    crown, u, seen = _crown(relief, relief.surface.height - chart.chord)
    known = np.interp(at, chart.s, seen.astype(float)) > 0.5
    rows: dict[str, list[float | None]] = {}
    U: dict[str, list[float | None]] = {}
    finite = np.isfinite(crown)
    rival = np.maximum(*_rivals(relief)) / COVERAGE
    big = COVERAGE * np.sqrt(u**2 + rival**2 + _bias(relief) ** 2 + ReliefFigures.read().u.tie ** 2)
    rows["crown_mm"] = _told(np.interp(at, chart.s[finite], crown[finite]), known)
    U["crown_mm"] = _told(np.interp(at, chart.s, big), known)
    for side in _SIDES:
        groove, name = grooves.get(side), f"undercut_{side}_mm"
        if groove is None:
            rows[name], U[name] = [None] * len(s), [None] * len(s)
            continue
        every = float(groove.s[1] - groove.s[0])
        deepest = maximum_filter1d(groove.depth, 2 * round(0.5 / every) + 1)
        shown = np.interp(at, groove.s, groove.told.astype(float)) > 0.5
        rows[name] = _told(np.interp(at, groove.s, deepest), shown)
        U[name] = _told(np.interp(at, groove.s, COVERAGE * groove.u_depth), shown)
    return ReliefAlong(
        state="measured",
        seen=round(seen_share(relief), 3),
        s_mm=tuple(s.tolist()),
        U_mm={k: tuple(v) for k, v in U.items()},
        crown_mm=tuple(rows["crown_mm"]),
        undercut_left_mm=tuple(rows["undercut_left_mm"]),
        undercut_right_mm=tuple(rows["undercut_right_mm"]),
    )


def _told(values: F64, known: Mask) -> list[float | None]:
    return [round(float(v), 3) if k else None for v, k in zip(values, known, strict=True)]
