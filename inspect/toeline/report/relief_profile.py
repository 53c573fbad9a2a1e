"""Height of the face and depth along both toes, as several photos tell them, drawn over the seam."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import groupby

from toeline.result import Result
from toeline.units import MM_PER_INCH, Unit

_LEFT, _WIDE, _HIGH, _GAP = 58.0, 560.0, 86.0, 34.0
_PANELS = (
    ("crown_mm", "height of the face"),
    ("undercut_left_mm", "depth at the left toe"),
    ("undercut_right_mm", "depth at the right toe"),
)
_LINE = 'fill="none" stroke="currentColor"'


def draw_relief_profile(result: Result, unit: Unit = "mm") -> str | None:
    """The drawing as SVG text, in the colour of the text round it, or None where there is no relief.

    Each panel shows the value as a line in a band of its U (k = 2); where a place was not seen the line breaks off.
    """
    relief = result.relief
    if relief is None or relief.state != "measured" or len(relief.s_mm) < 2:
        return None
    scale = 1 / MM_PER_INCH if unit == "in" else 1.0
    panels = [
        (words, getattr(relief, name), relief.U_mm.get(name, ()))
        for name, words in _PANELS
        if any(value is not None for value in getattr(relief, name))
    ]
    height = 24 + len(panels) * (_HIGH + _GAP) + 8
    drawn: list[str] = []
    for k, (words, values, U) in enumerate(panels):
        drawn += _panel(words, relief.s_mm, values, U, 24 + k * (_HIGH + _GAP), scale, unit)
    drawn.append(_words(_LEFT + _WIDE / 2, height - 4, f"along the seam, {unit}", "middle"))
    told = "; ".join(words for words, _, _ in panels)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_LEFT + _WIDE + 14:.0f} {height:.0f}" role="img" '
        f'aria-label="{escape(told, quote=True)} along the seam, each with its uncertainty" '
        'font-family="sans-serif" font-size="12" fill="currentColor">' + "".join(drawn) + "</svg>"
    )


def _panel(
    words: str,
    s: Sequence[float],
    values: Sequence[float | None],
    U: Sequence[float | None],
    top: float,
    scale: float,
    unit: Unit,
) -> list[str]:
    rows = [
        (a, v, u) for a, v, u in zip(s, values, [*U, *[None] * (len(values) - len(U))], strict=False) if v is not None
    ]
    high = max(v + (u or 0.0) for _, v, u in rows)
    low = min(0.0, *(v - (u or 0.0) for _, v, u in rows))

    def x(at: float) -> float:
        return _LEFT + _WIDE * at / s[-1]

    def y(mm: float) -> float:
        return top + _HIGH * (high - mm) / max(high - low, 1e-6)

    out = [
        _words(_LEFT, top - 6, f"{words}, {unit}", "start"),
        f'<path {_LINE} stroke-width="1" d="M{_LEFT:.1f} {top:.1f} V{top + _HIGH:.1f} H{_LEFT + _WIDE:.1f}"/>',
        f'<path {_LINE} stroke-width=".6" stroke-dasharray="3 3" d="M{_LEFT:.1f} {y(0.0):.1f} H{_LEFT + _WIDE:.1f}"/>',
        _words(_LEFT - 6, y(0.0) + 4, "0", "end"),
        _words(_LEFT - 6, y(high) + 10, f"{high * scale:.{3 if unit == 'in' else 1}f}", "end"),
    ]
    step = s[1] - s[0]
    # a run of places that were seen, one after the other
    for _, run in groupby(enumerate(rows), key=lambda item: round(item[1][0] / step) - item[0]):
        part = [row for _, row in run]
        up = " L".join(f"{x(a):.1f} {y(v + (u or 0.0)):.1f}" for a, v, u in part)
        down = " L".join(f"{x(a):.1f} {y(v - (u or 0.0)):.1f}" for a, v, u in reversed(part))
        line = " L".join(f"{x(a):.1f} {y(v):.1f}" for a, v, _ in part)
        out.append(f'<path fill="currentColor" fill-opacity=".16" d="M{up} L{down} Z"/>')
        out.append(f'<path {_LINE} stroke-width="1.6" d="M{line}"/>')
    length = 50.0 if s[-1] > 120 else 20.0
    for k in range(int(s[-1] / length) + 1):
        at = k * length
        out.append(f'<path {_LINE} stroke-width="1" d="M{x(at):.1f} {top + _HIGH:.1f} v4"/>')
        out.append(_words(x(at), top + _HIGH + 16, f"{at * scale:.{2 if unit == 'in' else 0}f}", "middle"))
    return out


def _words(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'
