"""Results to judge: a clean bead seen whole with a card, to which tests add what they are about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from toeline.evidence.gauge import check_reading
from toeline.result import (
    Bead,
    GaugeReading,
    Indication,
    PhotoInfo,
    Problem,
    Quantity,
    ReliefAlong,
    Result,
    Scale,
    Settings,
    unknown,
)


def q(value: float, U: float = 0.0, unit: str = "mm") -> Quantity:
    return Quantity(value=value, U=U, unit=unit)


def reading(name: str, value: float, at: float | None = None, U: float | None = 0.0) -> GaugeReading:
    return check_reading(GaugeReading(name=name, value=value, at=at, U=U))


def along(crown: float | None = 0.0, left: float | None = 0.0, right: float | None = 0.0) -> ReliefAlong:
    """A relief of the same heights at each of a hundred stations; None where nothing was seen."""
    heights = {"crown_mm": crown, "undercut_left_mm": left, "undercut_right_mm": right}
    series = {name: (mm,) * 100 for name, mm in heights.items()}
    return ReliefAlong(
        state="measured", s_mm=tuple(map(float, range(100))), U_mm=dict.fromkeys(series, (0.1,) * 100), **series
    )


def indication(
    kind: str, start: float, end: float | None = None, size: float = 0.8, confidence: float = 0.95, **more: Any
) -> Indication:
    U = more.pop("U", 0.0)
    where = {"from": start, "to": start if end is None else end}
    return Indication(kind=kind, size=q(size, U), confidence=confidence, **where, **more)


def result(
    *,
    joint: str = "bead",
    thickness: float | None = 10.0,
    length: float = 120.0,
    width: float = 10.0,
    indications: Iterable[Indication] = (),
    gauge: Iterable[GaugeReading] = (),
    measures: Mapping[str, Quantity] | None = None,
    problems: Iterable[Problem] = (),
    usable: bool = True,
    card: bool = True,
    px_per_mm: float = 12.0,
    toe_confidence: float = 0.95,
    bead: Mapping[str, Any] | None = None,
    relief: ReliefAlong | None = None,
    **settings: Any,
) -> Result:
    seen = {
        "length": q(length),
        "width_mean": q(width),
        "width_sd": q(0.0),
        "width_min": q(width),
        "width_max": q(width),
        "width_variation": q(0.02, unit="1"),
        "left_edge_deviation": q(0.1),
        "right_edge_deviation": q(0.1),
        "left_straightness": q(0.1),
        "right_straightness": q(0.1),
        "ripple_variation": q(0.1, unit="1"),
        "spatter_per_100mm": q(0, unit="1"),
    }
    if joint == "fillet":
        seen["face_width"] = q(width)
    if not card:
        seen = {name: unknown("no card was found") if m.unit == "mm" else m for name, m in seen.items()}
    return Result(
        photo=PhotoInfo(
            name="bead.jpg", sha256="0" * 64, width_px=4000, height_px=3000, usable=usable, problems=tuple(problems)
        ),
        scale=Scale(
            state="card", cards=("A", "B") if joint == "fillet" else ("A",), px_per_mm=q(px_per_mm, unit="px/mm")
        )
        if card
        else Scale(state="none", why="no card was found"),
        bead=Bead(
            **{
                "found": True,
                "confidence": 1.0,
                "joint": joint,
                "toe_confidence": (toe_confidence,) * 40,
                **(bead or {}),
            }
        ),
        measures={**seen, **(measures or {})},
        indications=tuple(indications),
        relief=relief,
        settings=Settings(joint=joint, thickness_mm=thickness, gauge=tuple(gauge), **settings),
    )
