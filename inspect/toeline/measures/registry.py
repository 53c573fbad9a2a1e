"""The registry of measures: each once, with all that names, tables, rubrics, trends, accuracy and documents need.

A measure is computed in its own module of this room. To add one, compute it there and enter it here, in the order in
which a person reads it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from toeline.result import Joint, Quantity, unknown

#: What is computed together, and unknown together.
Group = Literal["length", "body", "start", "ripples", "counts", "legs", "undersize", "relief"]
#: Where a measure is shown: in a line of its own where no criteria judge, in the short table, or in the full one only.
Table = Literal["headline", "short", "full"]
_ALL: frozenset[Joint] = frozenset({"bead", "butt", "fillet"})
_FLAT: frozenset[Joint] = frozenset({"bead", "butt"})
_FILLET: frozenset[Joint] = frozenset({"fillet"})
_OURS = "own definition"


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure.

    ``joints`` are those whose tables show it. ``ratio``: it keeps its meaning without a scale. ``scorable``: a rubric
    may give points for it. ``trend``: it says something about a hand over time. ``validated``: the scoreboard holds
    its error against U. ``always``: it is told also where it could not be had, with the reason.
    """

    id: str
    title: str
    unit: str
    group: Group
    definition: str
    source: str = _OURS
    joints: frozenset[Joint] = _ALL
    table: Table = "full"
    ratio: bool = False
    scorable: bool = True
    trend: bool = False
    validated: bool = True
    always: bool = False


def _along(name: str, title: str, source: str, *, sized: bool) -> tuple[Measure, ...]:
    """How a leg or the throat varies along the body; ``sized`` where its least decides a weld's size."""
    table: Table = "short" if sized else "full"
    least, greatest = "Least over the body.", "Greatest over the body."
    place, spread = "Seam coordinate of the least.", "Standard deviation over the body."
    return (
        Measure(f"{name}_min", f"{title}, least", "mm", "legs", least, source, _FILLET, table),
        Measure(f"{name}_min_at", f"{title}, where least", "mm", "legs", place, _OURS, _FILLET, scorable=False),
        Measure(f"{name}_max", f"{title}, greatest", "mm", "legs", greatest, source, _FILLET),
        Measure(f"{name}_sd", f"{title}, spread", "mm", "legs", spread, _OURS, _FILLET),
    )


def _relief(name: str, title: str, definition: str, joints: frozenset[Joint], unit: str = "mm") -> Measure:
    """What only several photos tell."""
    return Measure(name, title, unit, "relief", definition, _OURS, joints, "short")


_DEPTH = "Greatest depth below the plate beside that toe, over the body; from several photos."
_ANGLE = "Least angle between plate and face, on the air's side (ISO 5817 row 505, by its idea); from several photos."
_UNDERCUT = "Length of the toe along which undercut is seen; its depth is not in one photo."
_START = "Mean width over the first bead width from the start, its round nose left out."
_EDGE = "Root mean square over the body of the toe's distance from its own centred 25 mm moving mean."
_STRAIGHT = "Root mean square over the body of the toe's distance from its own least-squares straight line."
_BASE, _UPRIGHT = "Leg on the base plate (card A)", "Leg on the upright plate (card B)"
_LEG = "From the root line to the toe, on the plate; mean over the body."
_LEG_SOURCE = "leg length: ISO 2553, clause from memory"
_THROAT = "Height of the triangle that both legs and the angle between the plates make, over its third side."
_THROAT_SOURCE = "theoretical throat: AWS A3.0, from memory"

_MEASURES: tuple[Measure, ...] = (
    Measure("leg_base", _BASE, "mm", "legs", _LEG, _LEG_SOURCE, _FILLET, "headline", trend=True, always=True),
    Measure("leg_upright", _UPRIGHT, "mm", "legs", _LEG, _LEG_SOURCE, _FILLET, "headline", trend=True),
    Measure("throat", "Throat, theoretical", "mm", "legs", _THROAT, _THROAT_SOURCE, _FILLET, "headline", trend=True),
    Measure(
        "face_width",
        "Face width",
        "mm",
        "legs",
        "Third side of that triangle; mean over the body.",
        _OURS,
        _FILLET,
        "short",
    ),
    Measure(
        "joint_angle",
        "Joint angle",
        "deg",
        "legs",
        "Angle between the plates on the weld's side.",
        _OURS,
        _FILLET,
        "short",
        validated=False,
    ),
    Measure(
        "undersize_share",
        "Length under the drawing's size, share",
        "1",
        "undersize",
        "Share of the length whose smaller leg, or throat, lies under the size on the drawing.",
        "undersize: AWS D1.1 visual acceptance, by its idea",
        _FILLET,
        "short",
        validated=False,
    ),
    *_along("leg_base", _BASE, _LEG_SOURCE, sized=True),
    *_along("leg_upright", _UPRIGHT, _LEG_SOURCE, sized=True),
    *_along("throat", "Throat", _THROAT_SOURCE, sized=False),
    Measure(
        "leg_inequality",
        "Difference of the mean legs",
        "mm",
        "legs",
        "Of the means of both legs.",
        "ISO 5817, row 512 (unequal legs), by its idea",
        _FILLET,
    ),
    Measure(
        "leg_inequality_max",
        "Difference of the legs, greatest",
        "mm",
        "legs",
        "Greatest at any station.",
        "ISO 5817, row 512 (unequal legs), by its idea",
        _FILLET,
    ),
    Measure(
        "length",
        "Length",
        "mm",
        "length",
        "Along the seam from the bead's start to its end.",
        _OURS,
        _ALL,
        "headline",
        always=True,
    ),
    Measure(
        "width_mean",
        "Width, mean",
        "mm",
        "body",
        "Distance between the toes square to the seam; mean over the body.",
        _OURS,
        _FLAT,
        "headline",
        trend=True,
        always=True,
    ),
    Measure("width_min", "Width, least", "mm", "body", "Least width over the body.", _OURS, _FLAT),
    Measure("width_max", "Width, greatest", "mm", "body", "Greatest width over the body.", _OURS, _FLAT),
    Measure(
        "width_sd",
        "Width, spread",
        "mm",
        "body",
        "Standard deviation of the width over the body.",
        _OURS,
        _FLAT,
        "short",
        trend=True,
    ),
    Measure(
        "width_variation",
        "Width, relative spread",
        "1",
        "body",
        "Spread of the width over its mean.",
        _OURS,
        _ALL,
        "full",
        ratio=True,
        trend=True,
        validated=False,
    ),
    Measure(
        "length_to_width",
        "Length over width",
        "1",
        "length",
        "Length over the mean width.",
        _OURS,
        _FLAT,
        "full",
        ratio=True,
        scorable=False,
        validated=False,
    ),
    Measure("start_width", "Start, width", "mm", "start", _START, _OURS, _FLAT, validated=False),
    Measure(
        "start_to_width",
        "Start, width over that of the body",
        "1",
        "start",
        "Width at the start over the body's mean width.",
        ratio=True,
        trend=True,
        validated=False,
    ),
    Measure("left_edge_deviation", "Left edge, unevenness", "mm", "body", _EDGE, _OURS, _ALL, "short", trend=True),
    Measure("right_edge_deviation", "Right edge, unevenness", "mm", "body", _EDGE, _OURS, _ALL, "short", trend=True),
    Measure("left_straightness", "Left edge, straightness", "mm", "body", _STRAIGHT, _OURS, _ALL, trend=True),
    Measure("right_straightness", "Right edge, straightness", "mm", "body", _STRAIGHT, _OURS, _ALL, trend=True),
    Measure(
        "ripple_pitch",
        "Ripple spacing",
        "mm",
        "ripples",
        "Mean spacing of ripple crests along the seam over the body.",
        "the idea of RSm, ISO 21920-2",
        _ALL,
        "short",
        trend=True,
    ),
    Measure(
        "ripple_variation",
        "Ripple spacing, relative spread",
        "1",
        "ripples",
        "Standard deviation of the spacing over its mean.",
        _OURS,
        _ALL,
        "short",
        ratio=True,
        trend=True,
        validated=False,
    ),
    Measure(
        "ripple_sharpness",
        "Ripple sharpness",
        "1",
        "ripples",
        "Rise of the crescents over half the width of the bead.",
        _OURS,
        _ALL,
        ratio=True,
        validated=False,
    ),
    Measure("undercut_length_left", "Undercut, left toe, length", "mm", "counts", _UNDERCUT, _OURS),
    Measure("undercut_length_right", "Undercut, right toe, length", "mm", "counts", _UNDERCUT, _OURS),
    Measure(
        "undercut_length_total",
        "Undercut, both toes, length",
        "mm",
        "counts",
        "Sum of both toes.",
        _OURS,
        _ALL,
        "short",
        trend=True,
    ),
    Measure(
        "spatter_count",
        "Spatter, count",
        "1",
        "counts",
        "Balls seen on the plate and the bead.",
        _OURS,
        _ALL,
        "short",
        validated=False,
    ),
    Measure(
        "spatter_per_100mm",
        "Spatter per 100 mm",
        "1",
        "counts",
        "Count over the bead's length.",
        _OURS,
        _ALL,
        trend=True,
        validated=False,
    ),
    _relief(
        "height_max",
        "Height of the face, greatest",
        "Greatest height over the plate, over the body, its ripples included.",
        _FLAT,
    ),
    _relief(
        "height_mean", "Height of the face, mean", "Mean over the body of the crown's height over the plate.", _FLAT
    ),
    _relief("convexity_max", "Convexity, greatest", "Greatest height over the line between the toes.", _FILLET),
    _relief("throat_actual_min", "Throat, actual, least", "Least distance from the root line to the face.", _FILLET),
    _relief("undercut_depth_left", "Undercut, left toe, depth", _DEPTH, _ALL),
    _relief("undercut_depth_right", "Undercut, right toe, depth", _DEPTH, _ALL),
    _relief("crater_depth", "Crater, depth", "Depth of the hollow at the end below the face before it.", _ALL),
    _relief("toe_angle_left_min", "Toe angle, left, least", _ANGLE, _ALL, "deg"),
    _relief("toe_angle_right_min", "Toe angle, right, least", _ANGLE, _ALL, "deg"),
)

#: Every measure by its id, in the order in which a person reads them.
MEASURES: dict[str, Measure] = {measure.id: measure for measure in _MEASURES}


def title_of(name: str) -> str:
    """The title of a measure; a name that an older or newer toeline wrote is shown with spaces."""
    return MEASURES[name].title if name in MEASURES else name.replace("_", " ").capitalize()


def ids(group: Iterable[Group] | None = None, **wanted: bool) -> tuple[str, ...]:
    """Ids of the measures of these groups (all if None) whose attributes are as wanted: ``ids(scorable=True)``."""
    groups = None if group is None else set(group)
    return tuple(
        measure.id
        for measure in _MEASURES
        if (groups is None or measure.group in groups) and all(getattr(measure, k) is v for k, v in wanted.items())
    )


def unknown_of(group: Iterable[Group], why: str) -> dict[str, Quantity]:
    """The measures of these groups as what cannot be had, with the reason."""
    return {name: unknown(why, MEASURES[name].unit) for name in ids(group)}
