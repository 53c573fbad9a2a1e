"""The surface that several photos told: a height map with its scale, and cross-sections at the places that matter."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.result import Quantity, ReliefAlong, ReliefMap, Result
from toeline.units import MM_PER_INCH, Unit, length, say

F64 = NDArray[np.float64]
_LETTERS = 12.0
_BAR = 62.0  # beside the map, for its scale
_UNSEEN = (205, 205, 205)
_LINE = 'fill="none" stroke="currentColor"'
#: A groove shallower than this, mm, is no place to show.
_SHALLOW = 0.1


@dataclass(frozen=True, slots=True)
class Cut:
    """A cross-section: its letter on the map, where it lies along the seam (mm), and what it shows."""

    letter: str
    at: float
    shows: str


def cuts(result: Result, unit: Unit = "mm") -> tuple[Cut, ...]:
    """The sections worth showing: where the face is highest, each toe deepest, a fillet's throat least, and the place
    that somebody chose. Empty where there is no surface."""
    relief, chosen = result.relief, result.settings.section_at_mm
    if relief is None or relief.map is None:
        return ()
    found: list[tuple[float, str]] = []
    fillet = any(relief.map.plate_mm)
    if fillet and (throat := _least_throat(relief.map)) is not None:
        found.append((throat, "the throat is least"))
    places = (
        (
            "crown_mm",
            "the face stands out furthest, ripples smoothed" if fillet else "the face is highest, ripples smoothed",
            None,
        ),
        ("undercut_left_mm", "the left toe is deepest", _SHALLOW),
        ("undercut_right_mm", "the right toe is deepest", _SHALLOW),
    )
    for name, words, least in places:
        values: Sequence[float | None] = getattr(relief, name)
        known = [(value, k) for k, value in enumerate(values) if value is not None and _inside(relief, k, result)]
        if known and (least is None or max(known)[0] > least):
            k = max(known)[1]
            told = Quantity(value=values[k], U=relief.U_mm[name][k])
            found.append((relief.s_mm[k], f"{words}, {say(told, unit)}"))
    if chosen is not None:
        found.append((min(max(chosen, relief.map.s_mm[0]), relief.map.s_mm[-1]), "chosen"))
    return tuple(Cut("ABCDEFG"[k], at, shows) for k, (at, shows) in enumerate(found))


def _inside(relief: ReliefAlong, k: int, result: Result) -> bool:
    """Whether a station is in the body: one mean width off each end."""
    width = result.measures.get("face_width") or result.measures.get("width_mean") or Quantity()
    off = width.value or 0.0
    return relief.s_mm[0] + off <= relief.s_mm[k] <= relief.s_mm[-1] - off


def _least_throat(surface: ReliefMap) -> float | None:
    far = np.hypot(_array(surface.h_mm), np.array(surface.t_mm)[:, None])
    face = _face(surface)
    whole = np.isfinite(far[:, :]).sum(axis=0) > 0
    if not (whole & face.any(axis=0)).any():
        return None
    near = np.where(face & np.isfinite(far), far, np.inf).min(axis=0)
    inner = slice(len(near) // 10, len(near) - len(near) // 10)
    return float(surface.s_mm[inner][int(near[inner].argmin())])


def draw_height_map(result: Result, unit: Unit = "mm", shown: Sequence[Cut] = (), wide: float = 620.0) -> str | None:
    """The map as SVG text, ``wide`` px, in the colour of the text round it; None where there is no surface.

    Heights over the plates in cividis, colours that the colour-blind tell apart too; grey where the photos do not show
    the surface. The seam runs to the right, its left side is up; both toes are drawn, ``shown`` sections lettered.
    """
    relief = result.relief
    if relief is None or relief.map is None:
        return None
    surface = relief.map
    over = _array(surface.h_mm) - np.array(surface.plate_mm)[:, None]
    known = np.isfinite(over)
    if not known.any():
        return None
    low, high = (float(x) for x in np.percentile(over[known], [0.5, 99.8]))
    s, t = np.array(surface.s_mm), np.array(surface.t_mm)
    px = (wide - _BAR) / (s[-1] - s[0])
    tall = max((t[0] - t[-1]) * px, 64.0)  # a long bead's map is drawn taller than it is, to be seen at all
    across = tall / (t[0] - t[-1])
    top, right = 22.0, wide - _BAR
    out = [
        f'<image x="0" y="{top:.1f}" width="{right:.1f}" height="{tall:.1f}" preserveAspectRatio="none" '
        f'href="{_png(over, low, high)}"/>'
    ]
    for toe in (surface.left_mm, surface.right_mm):
        at = " L".join(
            f"{(a - s[0]) * px:.1f} {top + (t[0] - b) * across:.1f}"
            for a, b in zip(surface.s_mm, toe, strict=True)
            if b is not None
        )
        out.append(f'<path fill="none" stroke="#fff" stroke-width="1.4" d="M{at}"/>')
    for cut in shown:
        x = (cut.at - s[0]) * px
        out.append(f'<path {_LINE} stroke-width="1.2" d="M{x:.1f} {top - 5:.1f} V{top + tall + 5:.1f}"/>')
        out.append(_words(min(max(x, 5.0), right - 5.0), top - 8, cut.letter, "middle"))
    out += _scale(low, high, right + 10, top, tall, unit)
    every = 50.0 if s[-1] > 120 else 20.0
    for k in range(int(s[-1] / every) + 1):
        x = (k * every - s[0]) * px
        out.append(f'<path {_LINE} stroke-width="1" d="M{x:.1f} {top + tall:.1f} v5"/>')
        place = "start" if x < 8 else "middle"
        out.append(_words(x, top + tall + 19, _number(k * every, unit, 2 if unit == "in" else 0), place))
    foot = top + tall + 37
    stretched = "" if abs(across / px - 1) < 0.01 else f", drawn {across / px:.1f} times as wide as it is"
    out.append(_words(0, foot, f"along the seam, {unit}{stretched}", "start"))
    label = f"Height map from {low:.1f} to {high:.1f} mm over the plate; the toes are drawn"
    return _svg(wide, foot + 8, out, label)


def draw_section(result: Result, cut: Cut, wide: float = 300.0) -> str | None:
    """One cross-section as SVG text, ``wide`` px, lengths and heights in one scale, seen along the travel.

    The surface is a line in a band of its U (k = 2), the bare plates a thin line, the toes short strokes.
    """
    relief = result.relief
    if relief is None or relief.map is None:
        return None
    surface = relief.map
    k = int(np.abs(np.array(surface.s_mm) - cut.at).argmin())
    t, plate = np.array(surface.t_mm), np.array(surface.plate_mm)
    h, U = _array(surface.h_mm)[:, k], _array(surface.U_mm)[:, k]
    known = np.isfinite(h)
    if not known.any():
        return None
    low = float(np.min([np.nanmin(h - U), plate.min()]))
    high = float(np.max([np.nanmax(h + U), plate.max() if plate.any() else 0.0]))
    px = (wide - 8) / (t[0] - t[-1])
    top = 10.0

    def at(across: float, height: float) -> str:
        return f"{4 + (t[0] - across) * px:.1f} {top + (high - height) * px:.1f}"

    out = [f'<path {_LINE} stroke-width=".8" stroke-dasharray="4 3" d="M{" L".join(map(at, t, plate))}"/>']
    for run in _runs(known):
        up = " L".join(at(t[i], h[i] + U[i]) for i in run)
        down = " L".join(at(t[i], h[i] - U[i]) for i in reversed(run))
        out.append(f'<path fill="currentColor" fill-opacity=".18" d="M{up} L{down} Z"/>')
        out.append(f'<path {_LINE} stroke-width="1.8" d="M{" L".join(at(t[i], h[i]) for i in run)}"/>')
    for toe in (surface.left_mm[k], surface.right_mm[k]):
        if toe is not None:
            height = float(np.interp(-toe, -t, plate))
            x, y = (float(v) for v in at(toe, height).split())
            out.append(f'<path {_LINE} stroke-width="1.2" d="M{x:.1f} {y - 6:.1f} v12"/>')
    tall = top + (high - low) * px + 10
    out.append(f'<path {_LINE} stroke-width="1.6" d="M4 {tall + 8:.1f} h{5 * px:.1f}"/>')
    out.append(_words(10 + 5 * px, tall + 12, "5 mm, both ways", "start"))
    return _svg(wide, tall + 20, out, f"Cross-section {cut.letter}: {cut.shows}; the figures stand among the measures")


def title_of_cut(cut: Cut, unit: Unit = "mm") -> str:
    """``A, 23 mm from the start: the face is highest, 2.4 ± 0.2 mm``."""
    return f"{cut.letter}, {length(cut.at, unit)} from the start: {cut.shows}"


def _scale(low: float, high: float, left: float, top: float, tall: float, unit: Unit) -> list[str]:
    bar = np.linspace(high, low, 64)[:, None]
    out = [
        f'<image x="{left:.1f}" y="{top:.1f}" width="12" height="{tall:.1f}" preserveAspectRatio="none" '
        f'href="{_png(bar, low, high)}"/>'
    ]
    marks = (low, high) if tall < 90 else (low, (low + high) / 2, high)
    for value in marks:
        y = top + tall * (high - value) / max(high - low, 1e-6)
        out.append(_words(left + 16, y + (10 if value == high else 0), _number(value, unit, 3 if unit == "in" else 1)))
    out.append(_words(left - 2, top - 8, unit))
    return out


def _png(values: F64, low: float, high: float) -> str:
    """Values as a small picture in cividis, as a data URL."""
    shade = np.clip((values - low) / max(high - low, 1e-6), 0.0, 1.0)
    grey = (np.nan_to_num(shade) * 255).astype(np.uint8)
    seen = np.isfinite(values).astype(np.uint8)
    size = max(values.shape[1] * 4, 8), values.shape[0] * 4
    colours = cv2.applyColorMap(cv2.resize(grey, size, interpolation=cv2.INTER_LINEAR), cv2.COLORMAP_CIVIDIS)
    colours[cv2.resize(seen, size, interpolation=cv2.INTER_NEAREST) == 0] = _UNSEEN
    return "data:image/png;base64," + base64.b64encode(cv2.imencode(".png", colours)[1].tobytes()).decode()


def _face(surface: ReliefMap) -> NDArray[np.bool_]:
    left, right = (_array((toe,))[0] for toe in (surface.left_mm, surface.right_mm))
    t = np.array(surface.t_mm)[:, None]
    return np.asarray((t < left) & (t > right))


def _runs(known: NDArray[np.bool_]) -> list[list[int]]:
    """Runs of known places, of two or more."""
    at = np.flatnonzero(known)
    parts = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    return [part.tolist() for part in parts if len(part) > 1]


def _array(rows: Sequence[Sequence[float | None]]) -> F64:
    return np.array([[np.nan if value is None else value for value in row] for row in rows], float)


def _number(mm: float, unit: Unit, places: int) -> str:
    return f"{mm / (MM_PER_INCH if unit == 'in' else 1.0):.{places}f}"


def _words(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _svg(wide: float, tall: float, drawn: Sequence[str], label: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {tall:.0f}" role="img" '
        f'aria-label="{escape(label, quote=True)}" font-family="sans-serif" font-size="{_LETTERS:.0f}" '
        'fill="currentColor">' + "".join(drawn) + "</svg>"
    )
