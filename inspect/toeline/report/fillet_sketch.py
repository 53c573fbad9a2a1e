"""A fillet's cross-section drawn to scale: both plates, both mean legs, the throat and the joint angle."""

from __future__ import annotations

from html import escape
from math import atan2, cos, hypot, radians, sin

from toeline.names import PLATES
from toeline.result import Result
from toeline.units import Unit, figure, say

Dot = tuple[float, float]

_ROOT, _LONG = (120.0, 200.0), 150.0  # root and longer leg, px
_LINE, _LETTER = 17.0, 6.6  # a line of words, and how wide a letter is at most on average, px
# attributes, not a style sheet: one inside a page would reach beyond the drawing
_LOOK = {
    "plate": 'fill="currentColor" fill-opacity=".12" stroke="currentColor" stroke-width="1"',
    "weld": 'fill="currentColor" fill-opacity=".38" stroke="currentColor" stroke-width="1.6"',
    "size": 'fill="none" stroke="currentColor" stroke-width="1.2" stroke-dasharray="6 4"',
    "line": 'fill="none" stroke="currentColor" stroke-width="1.1"',
}


def draw_cross_section(result: Result, unit: Unit = "mm") -> str | None:
    """The sketch as SVG text, drawn in the colour of the text round it, or None where a leg is not known.

    The base plate lies level and the upright stands at the measured (else the stated, else a right) angle. Where the
    drawing's leg is given, its triangle is dashed.
    """
    base, upright = result.measures.get("leg_base"), result.measures.get("leg_upright")
    if base is None or upright is None or base.value is None or upright.value is None:
        return None
    measured = result.measures.get("joint_angle")
    said = result.settings.joint_angle_deg or 90.0
    known = measured is not None and measured.value is not None
    angle = measured.value if measured is not None and measured.value is not None else said
    asked, by_leg = result.settings.drawing_size_mm, result.settings.drawing_size_is == "leg"
    nominal = asked if by_leg else None
    px = _LONG / max(base.value, upright.value, nominal or 0.0)
    toe, top = _on_base(base.value * px), _on_upright(upright.value * px, angle)
    foot = _foot(toe, top)
    throat = result.measures.get("throat")
    words = [
        f"z₁ leg on the {PLATES['base']} {say(base, unit)}",
        f"z₂ leg on the {PLATES['upright']} {say(upright, unit)}",
        *([f"a throat from the legs {say(throat, unit)}"] if throat is not None and throat.known else []),
        f"θ joint angle {say(measured, unit) if known and measured is not None else f'{angle:g}° as said'}",
        *([f"dashed: the drawing's leg {figure(nominal, unit)}"] if nominal else []),
        *([f"the drawing's throat {figure(asked, unit)}"] if asked and not by_leg else []),
    ]
    height = _ROOT[1] + 78 + _LINE * len(words)
    slab = _slab(angle, max(px * (nominal or 0.0), px * upright.value) + 25, 26)
    beside = _beside(top, angle)
    dots = [*slab, toe, top, *beside, _on_base(190), _on_base(-90)]
    left, high = min(x for x, _ in dots) - 20, min(0.0, min(y for _, y in dots) - 8)
    right = max(*(x for x, _ in dots), left + 12 + max(map(len, words)) * _LETTER) + 8
    box = f"{left:.0f} {high:.0f} {right - left:.0f} {height - high:.0f}"
    drawn = [
        _shape([_on_base(-90), _on_base(190), _below(_on_base(190), 26), _below(_on_base(-90), 26)], "plate"),
        _shape(slab, "plate"),
        _shape([_ROOT, toe, top], "weld"),
        *([_shape([_ROOT, _on_base(nominal * px), _on_upright(nominal * px, angle)], "size")] if nominal else []),
        _stroke(_ROOT, foot),
        _arc(angle),
        *_dimension(_below(_ROOT, 38), _below(toe, 38), "z₁", (0.0, 15.0)),
        *_dimension(*beside, "z₂", (-13.0 * sin(radians(angle)), -13.0 * cos(radians(angle)))),
        _text((_between(_ROOT, foot, 0.62)[0] + 9, _between(_ROOT, foot, 0.62)[1] + 3), "a"),
    ]
    key = [
        f'<text x="{left + 8:.0f}" y="{height - _LINE * (len(words) - k) + 6:.0f}">{escape(w)}</text>'
        for k, w in enumerate(words)
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img" '
        f'aria-label="Cross-section of the fillet to scale: {escape("; ".join(words), quote=True)}" '
        'font-family="sans-serif" font-size="13" fill="currentColor">' + "".join(drawn + key) + "</svg>"
    )


def _on_base(away: float) -> Dot:
    return (_ROOT[0] + away, _ROOT[1])


def _on_upright(away: float, angle: float) -> Dot:
    return (_ROOT[0] + away * cos(radians(angle)), _ROOT[1] - away * sin(radians(angle)))


def _below(dot: Dot, by: float) -> Dot:
    return (dot[0], dot[1] + by)


def _slab(angle: float, long: float, thick: float) -> list[Dot]:
    """The upright plate, standing on the base plate, its weld side through the root."""
    lean = thick / sin(radians(angle))
    top = _on_upright(long, angle)
    return [_ROOT, top, (top[0] - lean, top[1]), _on_base(-lean)]


def _beside(top: Dot, angle: float) -> tuple[Dot, Dot]:
    """The upright leg moved out past its plate."""
    x, y = -38 * sin(radians(angle)), -38 * cos(radians(angle))
    return (_ROOT[0] + x, _ROOT[1] + y), (top[0] + x, top[1] + y)


def _foot(toe: Dot, top: Dot) -> Dot:
    """Where the throat from the root meets the face square on."""
    along = (top[0] - toe[0], top[1] - toe[1])
    share = ((_ROOT[0] - toe[0]) * along[0] + (_ROOT[1] - toe[1]) * along[1]) / hypot(*along) ** 2
    return _between(toe, top, share)


def _between(one: Dot, other: Dot, share: float) -> Dot:
    return (one[0] + share * (other[0] - one[0]), one[1] + share * (other[1] - one[1]))


def _shape(dots: list[Dot], kind: str) -> str:
    return f'<path class="{kind}" {_LOOK[kind]} d="M{" L".join(f"{x:.1f} {y:.1f}" for x, y in dots)} Z"/>'


def _stroke(one: Dot, other: Dot) -> str:
    return f'<path {_LOOK["line"]} d="M{one[0]:.1f} {one[1]:.1f} L{other[0]:.1f} {other[1]:.1f}"/>'


def _arc(angle: float) -> str:
    """The joint angle between the plates, close to the root."""
    (x, y), (u, v) = _on_base(26), _on_upright(26, angle)
    at = _on_upright(36, angle / 4)
    return f'<path {_LOOK["line"]} d="M{x:.1f} {y:.1f} A26 26 0 0 0 {u:.1f} {v:.1f}"/>' + _text((at[0], at[1] + 3), "θ")


def _dimension(one: Dot, other: Dot, name: str, aside: Dot) -> list[str]:
    """A dimension line with end ticks and its name."""
    turn = atan2(other[1] - one[1], other[0] - one[0])
    tick = (5 * sin(turn), -5 * cos(turn))
    ends = [_stroke((x - tick[0], y - tick[1]), (x + tick[0], y + tick[1])) for x, y in (one, other)]
    middle = _between(one, other, 0.5)
    return [_stroke(one, other), *ends, _text((middle[0] + aside[0], middle[1] + aside[1] + 4), name)]


def _text(at: Dot, words: str) -> str:
    return f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" text-anchor="middle">{words}</text>'
