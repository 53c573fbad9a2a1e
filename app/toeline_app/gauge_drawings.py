"""Line drawings of what is gauged, and of where on the bead: black on white, what is read in blue."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

from toeline.result import Joint, Result
from toeline.units import Unit, length

_WIDE, _HIGH = 320, 170
_PLATE = 'fill="#dfe5ea" stroke="#1b232c" stroke-width="1.5"'
_WELD = 'fill="#aab4bf" stroke="#1b232c" stroke-width="1.5"'
_DASHED = 'fill="none" stroke="#1b232c" stroke-width="1" stroke-dasharray="5 4"'
_READ = 'stroke="#0b5cad" stroke-width="3" fill="none" marker-start="url(#a)" marker-end="url(#a)"'
_TOOL = 'fill="#ffffff" stroke="#0b5cad" stroke-width="2"'
_HEAD = (
    '<defs><marker id="a" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="5" markerHeight="5" '
    'orient="auto-start-reverse"><path d="M0,0 L8,4 L0,8 z" fill="#0b5cad"/></marker></defs>'
)
#: The flat plate's upper side, and where a bead's toes lie on it.
_TOP, _LEFT, _RIGHT = 110, 110, 210
#: A fillet's root, and its toes on the two plates.
_ROOT, _LEG = (110, 130), 75


def _svg(*shapes: str, high: int = _HIGH) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {high}" font-family="sans-serif" '
        f'font-size="13" fill="#1b232c">{_HEAD}{"".join(shapes)}</svg>'
    )


def _path(d: str, look: str) -> str:
    return f'<path d="{d}" {look}/>'


def _arrow(x1: float, y1: float, x2: float, y2: float) -> str:
    return _path(f"M{x1},{y1} L{x2},{y2}", _READ)


def _word(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}">{escape(text)}</text>'


def _flat(face: str, *, notch: int = 0) -> str:
    """A bead across a flat plate; ``face`` is the path from its left toe to its right toe."""
    left = f"L{_LEFT - 12},{_TOP} L{_LEFT - 4},{_TOP + notch}" if notch else ""
    plate = f"M20,{_TOP} {left} L{_LEFT},{_TOP} L{_RIGHT},{_TOP} L300,{_TOP} L300,150 L20,150 Z"
    return _path(plate, _PLATE) + _path(f"M{_LEFT},{_TOP} {face} L{_RIGHT},{_TOP} Z", _WELD)


_CAP = f"C{_LEFT + 20},{_TOP - 52} {_RIGHT - 20},{_TOP - 52} {_RIGHT},{_TOP}"
_HOLLOW = f"C{_LEFT + 20},{_TOP + 34} {_RIGHT - 20},{_TOP + 34} {_RIGHT},{_TOP}"


def _corner(bulge: float, *, gap: int = 0) -> str:
    """A fillet across its two plates; ``bulge`` of its face over the straight line between the toes, px."""
    (x, y), leg = _ROOT, _LEG
    middle = x + leg / 2 + bulge * 1.4, y - leg / 2 - bulge * 1.4
    base = _path(f"M40,{y} H300 V160 H40 Z", _PLATE)
    upright = _path(f"M{x - 30},{y - gap} V10 H{x} V{y - gap} Z", _PLATE)
    face = f"M{x},{y} V{y - leg} Q{middle[0]},{middle[1]} {x + leg},{y} Z"
    return base + upright + _path(face, _WELD)


def _chord() -> str:
    (x, y), leg = _ROOT, _LEG
    return _path(f"M{x - 12},{y - leg - 12} L{x + leg + 12},{y + 12}", _DASHED)


def _across(bulge: float) -> tuple[float, float, float, float]:
    """From the root square to the face's middle."""
    (x, y), leg = _ROOT, _LEG
    reach = leg / 4 * 2 + bulge * 0.7
    return x, y, x + reach, y - reach


def _undercut(joint: Joint) -> str:
    if joint == "fillet":
        (x, y), leg = _ROOT, _LEG
        notch = _path(f"M{x},{y - leg - 16} L{x - 13},{y - leg - 7} L{x},{y - leg} Z", 'fill="#fff" stroke="#1b232c"')
        needle = _path(f"M{x + 70},{y - leg - 7} H{x - 12}", 'stroke="#0b5cad" stroke-width="3" fill="none"')
        bar = _path(f"M{x},10 h14 v32 h-14 Z", _TOOL) + _path(f"M{x + 14},26 h14 v34 h-14", _TOOL)
        return _corner(0) + notch + bar + needle + _word(316, y - leg - 24, "needle into the groove", "end")
    needle = _path(f"M{_LEFT - 5},30 V{_TOP + 17}", 'stroke="#0b5cad" stroke-width="3" fill="none"')
    bar = _path(f"M22,{_TOP - 16} H{_LEFT - 14} V{_TOP} H22 Z", _TOOL) + _path(
        f"M60,{_TOP - 16} V44 H112 V56 H74 V94", _TOOL
    )
    depth = _arrow(_LEFT - 26, _TOP, _LEFT - 26, _TOP + 19)
    return (
        _flat(_CAP, notch=20) + bar + needle + depth + _word(316, 26, "needle to the groove's bottom", "end")
        + _word(64, 166, "foot on the plate")
    )  # fmt: skip


def _height(joint: Joint) -> str:
    line = _path(f"M{_LEFT - 20},{_TOP} H{_RIGHT + 20}", _DASHED)
    return _flat(_CAP) + line + _arrow(160, _TOP, 160, _TOP - 38) + _word(172, 58, "over the plate", "start")


def _underfill(joint: Joint) -> str:
    plate = _path(f"M20,{_TOP - 30} H300 V150 H20 Z", _PLATE)
    weld = _path(f"M{_LEFT},{_TOP - 30} C130,{_TOP} 190,{_TOP} {_RIGHT},{_TOP - 30} L190,150 H130 Z", _WELD)
    line = _path(f"M{_LEFT - 20},{_TOP - 30} H{_RIGHT + 20}", _DASHED)
    return plate + weld + line + _arrow(160, _TOP - 30, 160, _TOP - 8) + _word(160, 60, "below the plate")


def _fillet(bulge: float, words: str, *, from_chord: bool) -> Callable[[Joint], str]:
    def drawn(joint: Joint) -> str:
        x, y, fx, fy = _across(bulge)
        line = _chord() if from_chord or bulge else ""
        if from_chord:
            reach = _LEG / 2
            x, y = x + reach, y - reach
        return _corner(bulge) + line + _arrow(x, y, fx, fy) + _word(316, 36, words, "end")

    return drawn


def _legs(*which: str) -> Callable[[Joint], str]:
    def drawn(joint: Joint) -> str:
        (x, y), leg = _ROOT, _LEG
        arrows = {"base": _arrow(x, y + 14, x + leg, y + 14), "upright": _arrow(x - 14, y, x - 14, y - leg)}
        words = {"base": "root to toe", "upright": "root to toe", "both": "the longer less the shorter"}
        said = words[which[0]] if len(which) == 1 else words["both"]
        return _corner(0) + "".join(arrows[one] for one in which) + _word(316, 36, said, "end")

    return drawn


def _gap(joint: Joint) -> str:
    (x, y) = _ROOT
    return _corner(0, gap=14) + _arrow(x - 15, y, x - 15, y - 14) + _word(316, 36, "gap at the root", "end")


def _step(joint: Joint) -> str:
    left, right = _path("M20,104 H160 V150 H20 Z", _PLATE), _path("M160,86 H300 V132 H160 Z", _PLATE)
    line = _path("M160,104 H230", _DASHED)
    return left + right + line + _arrow(200, 104, 200, 86) + _word(160, 64, "step between the plates")


def _angle(joint: Joint) -> str:
    arc = _path(f"M{_LEFT - 40},{_TOP} A40,40 0 0 1 {_LEFT + 17},{_TOP - 36}", _READ)
    return _flat(_CAP) + arc + _word(_LEFT - 30, 62, "through the air")


def _lip(joint: Joint) -> str:
    over = f"C{_LEFT - 40},{_TOP - 2} {_LEFT - 36},{_TOP - 22} {_LEFT},{_TOP - 26}"
    crown = f"C{_LEFT + 30},{_TOP - 56} {_RIGHT - 20},{_TOP - 50} {_RIGHT},{_TOP}"
    read = _arrow(_LEFT - 31, _TOP + 14, _LEFT, _TOP + 14)
    return _flat(f"{over} {crown}") + read + _word(_LEFT - 16, 146, "rolled over")


def _crater(joint: Joint) -> str:
    plate = _path(f"M20,{_TOP} H300 V150 H20 Z", _PLATE)
    into = f"M20,{_TOP - 34} H190 C210,{_TOP - 34} 206,{_TOP - 6} 224,{_TOP - 6}"
    out = f"C240,{_TOP - 6} 240,{_TOP - 26} 254,{_TOP - 22} C266,{_TOP - 18} 268,{_TOP} 272,{_TOP} H20 Z"
    line = _path(f"M190,{_TOP - 34} H280", _DASHED)
    read = _arrow(224, _TOP - 34, 224, _TOP - 7)
    return plate + _path(f"{into} {out}", _WELD) + line + read + _word(150, 58, "end of the bead, from the side")


def _from_above(inside: str, words: str) -> str:
    plate = _path("M10,40 H310 V150 H10 Z", _PLATE)
    bead = _path("M40,75 H270 A20,20 0 0 1 270,115 H40 A20,20 0 0 1 40,75 Z", _WELD)
    return plate + bead + inside + _word(160, 28, words)


def _along(words: str, start: int = 110, end: int = 200) -> Callable[[Joint], str]:
    def drawn(joint: Joint) -> str:
        ends = _path(f"M{start},70 V132 M{end},70 V132", _DASHED)
        return _from_above(ends + _arrow(start, 130, end, 130), words)

    return drawn


def _crack(joint: Joint) -> str:
    zigzag = _path("M236,95 l10,-7 l8,8 l9,-8 l10,6", 'fill="none" stroke="#1b232c" stroke-width="2"')
    return _from_above(zigzag + _arrow(236, 130, 273, 130), "crater crack, from above")


def _pore(joint: Joint) -> str:
    hole = '<circle cx="150" cy="95" r="13" fill="#ffffff" stroke="#1b232c" stroke-width="1.5"/>'
    return _from_above(hole + _arrow(137, 130, 163, 130), "largest pore, across")


_DRAWINGS: dict[str, Callable[[Joint], str]] = {
    "undercut_depth": _undercut,
    "undercut_deep_length": _along("length of the deep undercut"),
    "reinforcement_height": _height,
    "underfill_depth": _underfill,
    "underfill_length": _along("length that lies too low"),
    "convexity": _fillet(16, "over the straight line", from_chord=True),
    "concavity": _fillet(-16, "below the straight line", from_chord=True),
    "throat": _fillet(-6, "root to face, the shortest", from_chord=False),
    "throat_largest": _fillet(14, "root to face, the longest", from_chord=False),
    "throat_undersize_length": _along("length with too small a throat"),
    "leg_base": _legs("base"),
    "leg_upright": _legs("upright"),
    "leg_difference": _legs("base", "upright"),
    "leg_undersize_length": _along("length with too small a leg"),
    "crater_depth": _crater,
    "toe_angle": _angle,
    "overlap_width": _lip,
    "misalignment": _step,
    "root_gap": _gap,
    "weld_length": _along("tape from end to end", 20, 290),
    "crack_length": _crack,
    "pore_diameter": _pore,
}


def gauge_drawing(name: str, joint: Joint) -> str | None:
    """How a reading is taken, as SVG; None where there is no drawing of it."""
    draw = _DRAWINGS.get(name)
    return _svg(draw(joint)) if draw else None


def where_on_the_bead(result: Result, places: Sequence[float], unit: Unit) -> str | None:
    """The bead from above with marks at places along the seam, mm from its start, as SVG; None without a scale."""
    s = result.bead.s
    if not s or not places or s[-1] <= s[0]:
        return None
    scale = 280 / (s[-1] - s[0])
    marks = []
    for place in sorted(places)[:5]:
        x = 20 + min(max(place - s[0], 0.0), s[-1] - s[0]) * scale
        marks.append(
            f'<path d="M{x:.1f},36 V72" stroke="#0b5cad" stroke-width="3"/>'
            f'<path d="M{x - 7:.1f},24 h14 l-7,12 z" fill="#0b5cad"/>'
        )
    named = " · ".join(length(place, unit) for place in sorted(places)[:5])
    bead = _path("M20,40 H300 A14,14 0 0 1 300,68 H20 A14,14 0 0 1 20,40 Z", _WELD)
    ends = _word(20, 90, "start", "start") + _word(300, 90, "end", "end")
    return _svg(bead, *marks, _word(160, 16, named), ends, high=100)
