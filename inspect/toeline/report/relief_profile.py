"""Height of the face and depth along both toes, as several photos tell them, drawn over the seam."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby

from toeline.result import Result
from toeline.units import MM_PER_INCH, Unit

_LEFT, _HIGH, _GAP = 40.0, 64.0, 40.0
#: Least distance of two words one above the other.
_APART = 15.0
_PANELS = (
    ("crown_mm", "height of the face", -math.inf),
    ("undercut_left_mm", "depth at the left toe", 0.0),
    ("undercut_right_mm", "depth at the right toe", 0.0),
)
_LINE = 'fill="none" stroke="currentColor"'


def draw_relief_profile(result: Result, unit: Unit = "mm", wide: float = 632.0) -> str | None:
    """The drawing as SVG text, ``wide`` px, in the colour of the text round it, or None where there is no relief.

    Each panel shows the value as a line in a band of its U (k = 2); where a place was not seen the line breaks off. On
    one plate the width stands beside the depths.
    """
    relief = result.relief
    if relief is None or relief.state != "measured" or len(relief.s_mm) < 2:
        return None
    bead, length = result.bead, relief.s_mm[-1]
    panels = [
        _Panel(words, relief.s_mm, getattr(relief, name), relief.U_mm.get(name, ()), least)
        for name, words, least in _PANELS
        if any(value is not None for value in getattr(relief, name))
    ]
    if result.settings.joint != "fillet" and len(bead.s) == len(bead.left_toe) == len(bead.right_toe) > 1:
        across = tuple(map(math.dist, bead.left_toe, bead.right_toe))
        panels.append(_Panel("width", bead.s, across, (), 0.0))
    height = 24 + len(panels) * (_HIGH + _GAP) + 8
    drawn = [part for k, panel in enumerate(panels) for part in panel.draw(24 + k * (_HIGH + _GAP), length, wide, unit)]
    drawn.append(_words(_LEFT, height - 4, f"along the seam, {unit}", "start"))
    told = "; ".join(panel.words for panel in panels)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {height:.0f}" role="img" '
        f'aria-label="{escape(told, quote=True)} along the seam, each with its uncertainty" '
        'font-family="sans-serif" font-size="12" fill="currentColor">' + "".join(drawn) + "</svg>"
    )


@dataclass(frozen=True, slots=True)
class _Panel:
    """Values with their U at places along the seam, none of which can truly be less than ``least``."""

    words: str
    s: Sequence[float]
    values: Sequence[float | None]
    U: Sequence[float | None]
    least: float

    def draw(self, top: float, length: float, wide: float, unit: Unit) -> list[str]:
        """From ``top`` px down, ``length`` mm of seam over the width."""
        scale = 1 / MM_PER_INCH if unit == "in" else 1.0
        U = [*self.U, *[None] * (len(self.values) - len(self.U))]
        rows = [
            (a, v, max(v - (u or 0.0), self.least), v + (u or 0.0))
            for a, v, u in zip(self.s, self.values, U, strict=False)
            if v is not None
        ]
        high = max(upper for *_, upper in rows)
        low = min(0.0, *(lower for _, _, lower, _ in rows))
        right = wide - 14

        def x(at: float) -> float:
            return _LEFT + (right - _LEFT) * at / length

        def y(mm: float) -> float:
            return top + _HIGH * (high - mm) / max(high - low, 1e-6)

        out = [
            _words(_LEFT, top - 6, f"{self.words}, {unit}", "start"),
            f'<path {_LINE} stroke-width="1" d="M{_LEFT:.1f} {top:.1f} V{top + _HIGH:.1f} H{right:.1f}"/>',
            f'<path {_LINE} stroke-width=".6" stroke-dasharray="3 3" d="M{_LEFT:.1f} {y(0.0):.1f} H{right:.1f}"/>',
            _words(_LEFT - 6, y(0.0) + 4, "0", "end"),
        ]
        if y(0.0) + 4 - (y(high) + 10) >= _APART:
            out.append(_words(_LEFT - 6, y(high) + 10, f"{high * scale:.{3 if unit == 'in' else 1}f}", "end"))
        step = self.s[1] - self.s[0]
        # a run of places that were seen, one after the other
        for _, run in groupby(enumerate(rows), key=lambda item: round(item[1][0] / step) - item[0]):
            part = [row for _, row in run]
            up = " L".join(f"{x(a):.1f} {y(upper):.1f}" for a, _, _, upper in part)
            down = " L".join(f"{x(a):.1f} {y(lower):.1f}" for a, _, lower, _ in reversed(part))
            line = " L".join(f"{x(a):.1f} {y(v):.1f}" for a, v, *_ in part)
            out.append(f'<path fill="currentColor" fill-opacity=".16" d="M{up} L{down} Z"/>')
            out.append(f'<path {_LINE} stroke-width="1.6" d="M{line}"/>')
        every = 50.0 if length > 120 else 20.0
        for k in range(int(length / every) + 1):
            at = k * every
            out.append(f'<path {_LINE} stroke-width="1" d="M{x(at):.1f} {top + _HIGH:.1f} v4"/>')
            out.append(_words(x(at), top + _HIGH + 16, f"{at * scale:.{2 if unit == 'in' else 0}f}", "middle"))
        return out


def _words(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'
