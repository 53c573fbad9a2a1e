"""Welds drawn at random with their truth, what honest people and photos may say of them, and whether a line's limit is
broken in truth: worked out here from the truth alone, nothing of the judgement under test.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from judged_results import indication, q, result
from toeline.criteria import Criteria, Line
from toeline.criteria.model import limit
from toeline.evidence.gauge import check_reading, gauges
from toeline.result import GaugeReading, Indication, Quantity, ReliefAlong, Result

Span = tuple[float, float, float]  # start, end, size
INCH = 25.4
_ALONG_U = 0.15
_LOOKS = {
    "cracks": "crack", "crater_cracks": "crater_crack", "lack_of_fusion": "fusion", "burn_through": "burn_through",
    "craters": "crater_unfilled", "arc_strikes": "arc_strike", "slag": "slag", "restarts": "restart",
}  # fmt: skip
_RUNS = ("leg_undersize_length", "throat_undersize_length", "underfill_length")
_SEEN = {
    "undercut": "undercut", "overlap": "overlap", "pore": "pores", "crater_crack": "crater_crack",
    "crater_unfilled": "crater_unfilled", "arc_strike": "arc_strike", "slag_left": "slag", "poor_restart": "restart",
}  # fmt: skip


@dataclass(frozen=True)
class Weld:
    """The truth of a weld: sizes in mm, runs and points along it, what a look would find."""

    joint: str
    thickness: float
    second_thickness: float | None
    length: float
    width: float
    leg: float  # specified
    sizes: Mapping[str, float]  # by the name of the gauge that reads it at its worst
    legs: tuple[tuple[float, float], tuple[float, float]]  # least and greatest of the base's and the upright's
    undercut: tuple[Span, ...]  # along the left toe, the right, the left and so on
    overlap: tuple[Span, ...]
    pores: tuple[tuple[float, float], ...]  # place, diameter
    there: Mapping[str, bool]
    spatter: int
    runs: Mapping[
        str, float
    ]  # how long a size is beyond what any length may have, in one run, by the gauge that reads it
    conditions: Mapping[str, bool] = field(default_factory=dict)


def draw_weld(rng: np.random.Generator) -> Weld:
    """A weld with faults as large as limits are, so that truths lie on both sides of them."""
    joint = str(rng.choice(["bead", "butt", "fillet"]))
    length = float(rng.choice([60, 90, 150, 420]) * rng.uniform(0.8, 1.2))
    leg = float(rng.choice([4.0, 5.0, 6.0, 8.0, 12.0]))
    throat = leg * 0.70710678

    def spans(worst: float) -> tuple[Span, ...]:
        some = []
        for _ in range(int(rng.integers(0, 4))):
            start = rng.uniform(0, length * 0.8)
            some.append((start, min(length, start + rng.uniform(2, 60)), float(rng.uniform(0.05, worst))))
        return tuple(some)

    legs = []
    for _ in range(2):
        least = leg + rng.uniform(-3.5, 2)
        legs.append((max(1.0, least), max(1.0, least) + rng.uniform(0, 2)))
    pores = tuple(
        (float(rng.uniform(0, length)), float(rng.uniform(0.3, 4))) for _ in range(int(rng.choice([0, 0, 1, 2, 5, 8])))
    )
    undercut = spans(float(rng.choice([0.3, 0.7, 2.5])))
    maybe = lambda top: float(rng.choice([0.0, rng.uniform(0.05, top)]))  # noqa: E731
    hollow = maybe(1.5)
    by_legs = legs[0][0] * legs[1][0] / float(np.hypot(legs[0][0], legs[1][0]))
    smallest = min(max(0.3, by_legs - hollow), throat + 4)  # the legs' own triangle, less what the face is hollow
    sizes = {
        "undercut_depth": max((size for *_, size in undercut), default=0.0),
        "reinforcement_height": float(rng.uniform(0.1, 7)),
        "underfill_depth": maybe(2),
        "convexity": maybe(5),
        "concavity": hollow,
        "throat": smallest,
        "throat_largest": smallest + float(rng.uniform(0, 3)),
        "leg_difference": max(abs(legs[0][0] - legs[1][0]), float(rng.uniform(0, 4))),
        "crater_depth": maybe(2.5),
        "toe_angle": float(rng.uniform(80, 175)),
        "overlap_width": 0.0,
        "misalignment": float(rng.uniform(0, 4)),
        "crack_length": 0.0,
        "pore_diameter": max((size for _, size in pores), default=0.0),
        "root_gap": maybe(3),
    }
    overlap = spans(3.0) if rng.random() < 0.4 else ()
    sizes["overlap_width"] = max((size for *_, size in overlap), default=0.0)
    there = {name: bool(rng.random() < 0.15) for name in (*_LOOKS.values(),)}
    sizes["crack_length"] = float(rng.uniform(0.5, 8)) if there["crater_crack"] else 0.0
    return Weld(
        joint=joint,
        thickness=float(rng.choice([1.5, 2.5, 3.5, 5.0, 8.0, 12.0, 26.0])),
        second_thickness=float(rng.choice([2.0, 4.0, 30.0])) if rng.random() < 0.3 else None,
        length=length,
        width=float(rng.uniform(5, 18)),
        leg=leg,
        sizes=sizes,
        legs=(legs[0], legs[1]),
        undercut=undercut,
        overlap=overlap,
        pores=pores,
        there={**there, "undercut": bool(undercut), "overlap": bool(overlap), "pores": bool(pores)},
        spatter=int(rng.choice([0, 0, 3, 20])),
        runs={name: float(rng.choice([5, 20, 60, length]) * rng.uniform(0.3, 1)) for name in _RUNS},
        conditions={
            name: bool(rng.random() < 0.5)
            for name in ("unequal-legs", "pipe", "transverse-tension", "stiffener-to-web", "longitudinal")
        },
    )


def honest_result(weld: Weld, rng: np.random.Generator, *, unit: str = "mm") -> Result:
    """What may come of it: a photo that finds and invents as it likes, and any of what honest people may say."""
    share = float(rng.choice([0.3, 0.7, 1.0]))
    readings = [each for each in _readings(weld, rng) if rng.random() < share]
    if rng.random() < 0.5:
        readings += [each for each in _looks(weld, rng) if rng.random() < share]
    else:
        readings += [each for each in _looks(weld, rng) if rng.random() < 0.9]
    conditions = {name: said for name, said in weld.conditions.items() if rng.random() < 0.8}
    measures = _measures(weld, rng)
    said = {"drawing_size_mm": weld.leg} if rng.random() < 0.9 else {}
    return result(
        joint=weld.joint,
        thickness=weld.thickness,
        second_thickness_mm=weld.second_thickness,
        width=weld.width,
        indications=_seen(weld, rng),
        gauge=readings,
        measures=measures,
        conditions=conditions,
        relief=_along(weld, rng),
        unit=unit,
        **said,
    )


def _near(value: float, U: float, rng: np.random.Generator, unit: str = "mm") -> Quantity:
    """A value measured with an honest U."""
    return q(max(0.0, value + _error(U, rng)), U, unit)


def _error(U: float, rng: np.random.Generator) -> float:
    """An error so far inside U that two of them together stay within the root of their squares' sum."""
    return float(rng.uniform(-0.7, 0.7)) * U


def _read(name: str, value: float, rng: np.random.Generator, at: float | None = None) -> GaugeReading:
    """A gauge read honestly: 0 where there is none and only there, else within the gauge's U."""
    U = gauges()[name].U
    read = 0.0 if value == 0 else max(0.01, value + _error(U, rng))
    return check_reading(GaugeReading(name=name, value=read, at=at, unit=gauges()[name].unit))


def _readings(weld: Weld, rng: np.random.Generator) -> list[GaugeReading]:
    """Everything that gauges may read: at the worst, and at places; lengths over which it is too much."""
    readings = [_read(name, value, rng) for name, value in weld.sizes.items()]
    readings += [
        _read(name, least, rng) for name, (least, _) in zip(("leg_base", "leg_upright"), weld.legs, strict=True)
    ]
    for name, (least, most) in zip(("leg_base", "leg_upright"), weld.legs, strict=True):
        readings.append(_read(name, float(rng.uniform(least, most)), rng, at=float(rng.uniform(0, weld.length))))
    for name in ("reinforcement_height", "convexity", "misalignment"):  # somewhere, not where it is worst
        some = weld.sizes[name] * float(rng.uniform(0.05, 1))
        readings.append(_read(name, some, rng, at=float(rng.uniform(0, weld.length))))
    readings.append(_read("throat", weld.sizes["throat"] + float(rng.uniform(0, 1)), rng, at=weld.length / 2))
    readings += [_read("undercut_depth", size, rng, at=(start + end) / 2) for start, end, size in weld.undercut]
    readings += [_read("overlap_width", size, rng, at=(start + end) / 2) for start, end, size in weld.overlap]
    readings += [_read("pore_diameter", size, rng, at=at) for at, size in weld.pores]
    readings.append(_read("weld_length", weld.length, rng))
    return readings


def with_lengths(said: Result, weld: Weld, criteria: Criteria, rng: np.random.Generator, *, inches: bool) -> Result:
    """The same with what a person gauges of the lengths that a set's lines allow: of each kind of length, one."""
    lengths: dict[str, float] = {}
    for line in criteria.lines:
        extent = line.kind.extent
        if extent is not None and holds(weld, line, inches=inches) and (much := _extent(weld, line, inches=inches)):
            lengths[extent] = max(much, lengths.get(extent, 0.0))
    read = [_read(name, much, rng) for name, much in lengths.items() if rng.random() < 0.6]
    settings = said.settings.model_copy(update={"gauge": (*said.settings.gauge, *read)})
    return said.model_copy(update={"settings": settings})


def _looks(weld: Weld, rng: np.random.Generator) -> list[GaugeReading]:
    """What a person who looked along the whole weld says, each look by itself; sometimes one look for all."""

    def said(name: str, value: float) -> GaugeReading:
        return check_reading(GaugeReading(name=name, value=value, by="A. Boon", unit="1"))

    looks = [said(name, float(weld.there[what])) for name, what in _LOOKS.items()]
    looks += [said("undercut", float(bool(weld.undercut))), said("overlap", float(bool(weld.overlap)))]
    looks += [said("pores", len(weld.pores)), said("spatter", weld.spatter)]
    if not any(weld.there[what] for what in _LOOKS.values()) and not weld.overlap and rng.random() < 0.5:
        looks = [said("visible_faults", 0), *looks[-3:]]
    return looks


def _seen(weld: Weld, rng: np.random.Generator) -> list[Indication]:
    """Some of what is there, and some that is not."""
    seen = []
    for kind, runs in (("undercut", weld.undercut), ("overlap", weld.overlap)):
        seen += [indication(kind, a, b, confidence=float(rng.random())) for a, b, _ in runs if rng.random() < 0.7]
    seen += [
        indication("pore", at, size=size, U=0.2, confidence=float(rng.random()))
        for at, size in weld.pores
        if rng.random() < 0.7
    ]
    seen += [
        indication(kind, weld.length - 3, confidence=float(rng.random()))
        for kind, what in _SEEN.items()
        if kind not in ("undercut", "overlap", "pore") and weld.there[what] and rng.random() < 0.7
    ]
    if rng.random() < 0.3:
        at = float(rng.uniform(0, weld.length))
        seen.append(indication(str(rng.choice(list(_SEEN))), at, at + 8, size=1.5, confidence=float(rng.random())))
    return seen


def _measures(weld: Weld, rng: np.random.Generator) -> dict[str, Quantity]:
    """What the photo measures, and perhaps a relief, each within its U."""
    measures = {
        "length": _near(weld.length, 0.5, rng),
        "spatter_per_100mm": _near(100 * weld.spatter / weld.length, 3.0, rng, "1"),
        "spatter_count": _near(weld.spatter, 3.0, rng, "1"),
    }
    if weld.joint == "fillet" and rng.random() < 0.8:
        measures["face_width"] = _near(weld.width, 0.2, rng)
        for name, (least, most) in zip(("leg_base", "leg_upright"), weld.legs, strict=True):
            measures[name] = _near((least + most) / 2, 0.2, rng)
            measures[f"{name}_min"] = _near(least, 0.2, rng)
        by_legs = weld.legs[0][0] * weld.legs[1][0] / float(np.hypot(weld.legs[0][0], weld.legs[1][0]))
        measures["throat"] = measures["throat_min"] = _near(by_legs, 0.2, rng)
        measures["leg_inequality_max"] = _near(weld.sizes["leg_difference"], 0.3, rng)
    if rng.random() < 0.3:
        sides: dict[str, float] = {"left": 0.0, "right": 0.0}
        for side, (_, _, size) in zip(itertools.cycle(sides), weld.undercut, strict=False):
            sides[side] = max(sides[side], size)
        relief = {f"undercut_depth_{side}": _near(depth, 0.15, rng) for side, depth in sides.items()}
        relief["height_max"] = _near(weld.sizes["reinforcement_height"], 0.2, rng)
        relief["crater_depth"] = _near(weld.sizes["crater_depth"], 0.15, rng)
        relief["convexity_max"] = _near(weld.sizes["convexity"], 0.2, rng)
        relief["throat_actual_min"] = _near(weld.sizes["throat"], 0.2, rng)
        measures |= {name: each for name, each in relief.items() if rng.random() < 0.8}
    return measures


def _along(weld: Weld, rng: np.random.Generator) -> ReliefAlong | None:
    """A relief along the seam, each value within its U, that saw all of it, or not, or none at all."""
    if rng.random() < 0.2:
        return None
    s = np.arange(0.0, weld.length, 1.0)
    # somewhere the face is as high as anywhere, elsewhere lower
    highest = weld.sizes["convexity" if weld.joint == "fillet" else "reinforcement_height"]
    series = {"crown_mm": highest * rng.uniform(0, 1, len(s)).round(2)}
    series["crown_mm"][len(s) // 2] = highest
    for side in ("left", "right"):
        series[f"undercut_{side}_mm"] = np.zeros(len(s))
    for side, (start, end, size) in zip(itertools.cycle(("left", "right")), weld.undercut, strict=False):
        depth = series[f"undercut_{side}_mm"]
        here = (s >= start) & (s <= end)
        depth[here] = np.maximum(depth[here], size)
    told = {name: [max(0.0, value + _error(_ALONG_U, rng)) for value in values] for name, values in series.items()}
    if rng.random() < 0.2:
        told["undercut_left_mm"] = [None] * len(s)
    return ReliefAlong(
        state="measured",
        s_mm=tuple(s.tolist()),
        U_mm={name: (_ALONG_U,) * len(s) for name in told},
        **{name: tuple(values) for name, values in told.items()},
    )


def holds(weld: Weld, line: Line, *, inches: bool = False) -> bool:
    """Whether the line holds for the weld."""
    if weld.joint not in line.joints or line.of == "face" or line.limit in ("allowed", "application"):
        return False
    line, _, values = _in_column(weld, line, inches=inches)
    when = line.condition()
    if when is not None and not when.holds(values):
        return False
    if line.only_if is None:
        return True
    name = line.only_if.removeprefix("not ")
    return weld.conditions[name] == (name == line.only_if)


def _in_column(weld: Weld, line: Line, *, inches: bool) -> tuple[Line, float, dict[str, float]]:
    """The line as a unit's column prints it, mm of its lengths' unit, and what its limits name, in that unit."""
    line = line.column("in" if inches else "mm")
    factor = INCH if line.in_inches("in" if inches else "mm") else 1.0
    return line, factor, {name: value / factor for name, value in _symbols(weld).items()}


def _extent(weld: Weld, line: Line, *, inches: bool) -> float:
    """How much of the worst stretch that the line names is beyond what any length may have, mm."""
    line, factor, values = _in_column(weld, line, inches=inches)
    per, worst = line.per_length, _truth_of(weld, line, factor)
    if per is None or worst is None:
        return 0.0
    free = _bound(line, line.limit, values, factor)
    if worst <= free + 1e-9:
        return 0.0
    window = _bound(line, f"h <= {per.window}", values, factor)
    if line.of != "undercut_depth":
        return min(weld.runs[line.kind.extent or ""], window, weld.length)
    deep = [span for side in (0, 1) for span in _joined(weld.undercut[side::2], free)]
    starts = [a for a, _ in deep] + [b - window for _, b in deep]
    return max((sum(max(0.0, min(b, at + window) - max(a, at)) for a, b in deep) for at in starts), default=0.0)


def _joined(runs: Sequence[Span], free: float) -> list[tuple[float, float]]:
    """Where one toe's runs go deeper than ``free``, those that lie over each other counted once."""
    out: list[tuple[float, float]] = []
    for start, end, _ in sorted(run for run in runs if run[2] > free):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def breaks(weld: Weld, line: Line, *, inches: bool = False) -> bool:
    """Whether the truth breaks the line's limit; False where the line does not hold for the weld."""
    if not holds(weld, line, inches=inches):
        return False
    much = _extent(weld, line, inches=inches)
    line, factor, values = _in_column(weld, line, inches=inches)
    worst = _truth_of(weld, line, factor)
    if worst is None:
        return False
    per = line.per_length
    free = _bound(line, line.limit, values, factor)
    sense = line.parsed().sense
    if per is None:
        return worst < free - 1e-9 if sense == "least" else worst > free + 1e-9
    if worst > _bound(line, per.limit or line.limit, values, factor) + 1e-9:
        return True
    allowed = _bound(line, f"h <= {per.length}", values, factor)
    if per.share is not None and weld.length < _bound(line, f"h <= {per.window}", values, factor):
        allowed = per.share * weld.length
    return much > allowed + 1e-9


def _bound(line: Line, text: str, values: Mapping[str, float], factor: float) -> float:
    if text == "none":
        return 0.0
    symbol = "h" if text.startswith("h ") else line.kind.symbol
    value = limit(text, symbol).expression.value(values)
    return value * factor if line.kind.unit == "mm" else value


def _symbols(weld: Weld) -> dict[str, float]:
    thin = min(weld.thickness, weld.second_thickness or weld.thickness)
    return {
        "t": thin, "s": thin, "z": weld.leg, "a": weld.leg * 0.7071067811865476, "aA": weld.sizes["throat"],
        "b": weld.width, "l": weld.length,
    }  # fmt: skip


def _truth_of(weld: Weld, line: Line, factor: float) -> float | None:
    """The worst there is of what the line limits; None where the truth does not hold it."""
    match line.of:
        case "leg_shortfall":
            return weld.leg - min(least for least, _ in weld.legs)
        case "throat_shortfall":
            return weld.leg * 0.7071067811865476 - weld.sizes["throat"]
        case "throat_excess":
            return weld.sizes["throat_largest"] - weld.leg * 0.7071067811865476
        case "spatter_per_100mm":
            return 100 * weld.spatter / weld.length
        case "pore_sum" | "pore_count":
            window = _bound(line, f"h <= {line.window}", _symbols(weld) if factor == 1 else {}, 1) * factor
            least = _bound(line, f"h <= {line.counts_from}", {}, 1) * factor if line.counts_from else 0.0
            counted = [(at, size) for at, size in weld.pores if size >= least]
            return max(
                (
                    sum(
                        1.0 if line.of == "pore_count" else size
                        for place, size in counted
                        if at <= place <= at + window
                    )
                    for at, _ in counted
                ),
                default=0.0,
            )
        case "pore":
            return float(len(weld.pores))
    if line.kind.gauge is not None:
        return weld.sizes[line.kind.gauge]
    found = _LOOKS.get(line.kind.statement or "")
    return float(weld.there[found]) if found is not None else None


def passed_though_broken(weld: Weld, judged: Any, criteria: Criteria, *, inches: bool) -> list[str]:
    """The lines that pass and that the truth fails."""
    lines = {line.id: line for line in criteria.lines}
    return [
        f"{criteria.id} {one.id}: {one.why}"
        for one in judged.lines
        if one.outcome == "pass" and breaks(weld, lines[one.id], inches=inches)
    ]


def failed_though_kept(weld: Weld, judged: Any, criteria: Criteria, *, inches: bool) -> list[str]:
    """The lines on a size that fail and that the truth keeps."""
    wrong = []
    lines = {line.id: line for line in criteria.lines}
    for one in judged.lines:
        line = lines[one.id]
        factor = INCH if inches and line.us else 1.0
        told = _truth_of(weld, line.column("in" if inches else "mm"), factor) is not None
        if one.outcome == "fail" and told and not breaks(weld, line, inches=inches):
            wrong.append(f"{criteria.id} {one.id}: {one.why}")
    return wrong


def weld_of(truth: Mapping[str, Any], rng: np.random.Generator) -> Weld:
    """The weld of a photo's truth file; what the file does not tell (misalignment and the like) is drawn."""
    bead, drawn = truth["bead"], draw_weld(rng)
    joint = {"cap": "butt", "fillet": "fillet"}.get(truth["kind"], "bead")
    undercut = tuple((u["start_mm"], u["end_mm"], u["max_depth_mm"]) for u in bead["undercut"])
    overlap = tuple((o["start_mm"], o["end_mm"], o["bulge_mm"]) for o in bead["overlap"])
    pores = tuple((p["s_mm"], p["diameter_mm"]) for p in bead["pores"])
    crater, heights = bead["crater"], bead["reinforcement_height_mm"]["height"]
    sizes = {
        **drawn.sizes,
        "undercut_depth": max((size for *_, size in undercut), default=0.0),
        "overlap_width": max((size for *_, size in overlap), default=0.0),
        "pore_diameter": max((size for _, size in pores), default=0.0),
        "crater_depth": crater["depth_mm"],
        "crack_length": 3.0 if crater["star_crack"] else 0.0,
        "reinforcement_height": max(heights),
    }
    legs, width = drawn.legs, drawn.width
    if joint == "fillet":
        fillet = bead["fillet"]
        base, upright = (fillet[f"leg_{plate}_mm"] for plate in "AB")
        legs = ((base["min"], base["max"]), (upright["min"], upright["max"]))
        throat = fillet.get("throat_face_min_mm", fillet["throat_from_legs_mm"])
        hollow = max(0.0, -min(heights))
        by_legs = base["min"] * upright["min"] / float(np.hypot(base["min"], upright["min"]))
        sizes |= {
            "throat": min(throat["min"], fillet["throat_from_legs_mm"]["min"]),
            "throat_largest": throat["max"],
            "concavity": max(hollow, by_legs - throat["min"], 0.0),
            "convexity": max(0.0, *heights),
            "leg_difference": max(abs(base["max"] - upright["min"]), abs(upright["max"] - base["min"])),
        }
    else:
        width = bead["width_mm"]["mean"]
    return Weld(
        joint=joint,
        thickness=drawn.thickness,
        second_thickness=drawn.second_thickness,
        length=bead["seam"]["length_mm"],
        width=width,
        leg=drawn.leg,
        sizes=sizes,
        legs=legs,
        undercut=undercut,
        overlap=overlap,
        pores=pores,
        there={
            "crack": False,
            "fusion": False,
            "burn_through": False,
            "crater_crack": crater["star_crack"],
            "crater_unfilled": crater["state"] == "unfilled",
            "arc_strike": bool(bead["arc_strikes"]),
            "slag": bool(bead["slag_islands"]),
            "restart": bead["restart"] is not None,
            "undercut": bool(undercut),
            "overlap": bool(overlap),
            "pores": bool(pores),
        },
        spatter=sum(ball["in_frame"] and ball["diameter_mm"] >= 0.8 for ball in truth["spatter"]),
        runs=drawn.runs,
        conditions=drawn.conditions,
    )
