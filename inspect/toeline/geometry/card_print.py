"""Printable reference cards: A, B, and both on one sheet to be folded, as PDF at true size and as SVG."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Literal, cast

import cv2
import numpy as np
import typst

from toeline.errors import CardError
from toeline.files import write_whole
from toeline.geometry.card import Which, card_spec
from toeline.geometry.figures import CardFigures

Kind = Literal["A", "B", "fold"]

_TITLES = {"A": "reference card A", "B": "reference card B", "fold": "folding reference card, A and B"}
_LINES = {
    "A": ("Cut along the thin line and lay it flat on the plate, beside the bead and no more than 20 mm away.",),
    "B": ("Cut along the thin line and lay it flat on the second plate of the fillet.",),
    "fold": (
        "Cut along the thin line and cut the window out. Crease along the dashes to 90 degrees.",
        "Lay it into the corner with card A on the base plate, card B on the upright, the weld in the window.",
    ),
}
_COMMON = (
    "Print at 100 %, without fit to page, on matt white paper of 160 g/m² or more. Do not laminate it glossy.",
    "Measure the line between its end ticks with a calliper or steel rule, and give that length as the check line.",
)
_INK = "#000000"


def print_card(kind: str, paper: str, path: str | Path) -> None:
    """Write a card to ``path``: a PDF page of ``paper`` (``A4``, ``Letter``, ``ID-1``), or an SVG, by its ending.

    Raises:
        CardError: no such card or paper, a card larger than the paper, another ending, or a place not to be written.
    """
    ending = Path(path).suffix.lower()
    if ending == ".pdf":
        content = card_pdf(kind, paper)
    elif ending == ".svg":
        content = card_svg(kind).encode()
    else:
        raise CardError(f"A card is written as .pdf or .svg, not as {ending or 'a file without an ending'}.")
    try:
        write_whole(Path(path), content)
    except OSError as error:
        raise CardError(f"The card cannot be written to {path} ({error.strerror}).") from error


def card_pdf(kind: str, paper: str) -> bytes:
    """A card as a PDF page at true size; the same bytes every time.

    Raises:
        CardError: no such card or paper, or a card larger than the paper.
    """
    kind = _known(kind)
    papers = CardFigures.read().paper
    if paper.lower() not in papers:
        raise CardError(f"There is no paper {paper}: choose A4, Letter or ID-1.")
    width, height = papers[paper.lower()]
    bare = (width, height) == (card_spec().width, card_spec().height)
    if bare and kind == "fold":
        raise CardError("The folding card does not fit on ID-1: choose A4 or Letter.")
    page = {
        "title": f"toeline {_TITLES[kind]}",
        "alt": f"{_TITLES[kind].capitalize()}: four markers, a 50 mm check line, three grey patches",
        "width": width,
        "height": height,
        "svg": card_svg(kind, outline=not bare),
        "drawing": _size(kind),
        "lines": [] if bare else [*_COMMON, *_LINES[kind]],
    }
    template = (files("toeline") / "data" / "card.typ").read_bytes()
    return typst.compile(template, sys_inputs={"page": json.dumps(page)}, ignore_system_fonts=True, timestamp=0)


def card_svg(kind: str, *, outline: bool = True) -> str:
    """A card as SVG, one user unit per mm; ``outline`` draws the cutting line.

    Raises:
        CardError: no such card.
    """
    kind = _known(kind)
    width, height = _size(kind)
    spec, folding = card_spec(), CardFigures.read().folding
    if kind == "fold":
        below = spec.height + folding.gap
        body = [*_card("B", 0.0), *_card("A", below), *_fold(width, spec.height + folding.gap / 2)]
    else:
        body = _card(kind, 0.0)
    if outline:
        body.append(
            f'<rect x="0.05" y="0.05" width="{_n(width - 0.1)}" height="{_n(height - 0.1)}" fill="none" '
            'stroke="#999999" stroke-width="0.1"/>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(width)}mm" height="{_n(height)}mm" '
        f'viewBox="0 0 {_n(width)} {_n(height)}">\n<title>toeline {_TITLES[kind]}</title>\n'
        f'<rect width="{_n(width)}" height="{_n(height)}" fill="#ffffff"/>\n' + "\n".join(body) + "\n</svg>\n"
    )


def _known(kind: str) -> Kind:
    if kind not in _TITLES:
        raise CardError(f"There is no card {kind}: choose A, B or fold.")
    return cast("Kind", kind)


def _size(kind: Kind) -> tuple[float, float]:
    spec = card_spec()
    height = 2 * spec.height + CardFigures.read().folding.gap if kind == "fold" else spec.height
    return spec.width, height


def _card(which: Which, top: float) -> list[str]:
    """One card's markers, check line, grey patches and words, its upper edge at ``top``."""
    spec, data = card_spec(), CardFigures.read()
    parts = [part for marker_id in spec.ids[which] for part in _marker(marker_id, top)]
    line, y = data.check_line, top + data.check_line.y
    left, right = line.x
    ruler = np.arange(left + line.ruler_step, right - 1e-9, line.ruler_step)
    ticks = [(left, line.tick / 2), (right, line.tick / 2), *((float(x), line.tick / 5) for x in ruler)]
    # the line's length is from the middle of one end tick to the middle of the other
    parts.append(_stroke(left, y, right, y))
    parts += [_stroke(x, y - half, x, y + half) for x, half in ticks]
    grey = data.grey
    for x, reflectance in zip(grey.x, grey.reflectance, strict=True):
        level = _srgb(reflectance)
        parts.append(_rect(x - grey.side / 2, top + grey.y - grey.side / 2, grey.side, grey.side, level))
    middle = spec.width / 2
    parts += [
        _text(middle, top + 7.0, 4.0, f"toeline card {which}"),
        _text(middle, top + 12.0, 2.2, "Lay flat beside the bead, markers clean."),
        _text(middle, y - 3.2, 2.2, f"check line {spec.check_line:.2f} mm: measure it, give its length"),
        _text(middle, top + 48.0, 2.2, "Print at 100 %. Matt white paper."),
    ]
    return parts


def _marker(marker_id: int, top: float) -> list[str]:
    """A marker as OpenCV's own generator draws it, one pixel per module, in black squares."""
    spec = card_spec()
    modules = round(spec.marker_side / spec.module)
    family = cv2.aruco.getPredefinedDictionary(spec.dictionary)
    bits = cv2.aruco.generateImageMarker(family, marker_id, modules, borderBits=1) > 0
    x0, y0 = spec.corners(marker_id)[0]
    black = _rect(x0, top + y0, spec.marker_side, spec.marker_side, _INK)
    # one black square with white modules on it: no hairlines between black neighbours when a printer rasters it
    white = [_runs(row, x0, top + y0 + r * spec.module, spec.module) for r, row in enumerate(bits)]
    return [black, *(run for row in white for run in row)]


def _runs(row: np.ndarray, x0: float, y: float, module: float) -> list[str]:
    """White modules of a row, neighbours joined."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return [_rect(x0 + a * module, y, (b - a) * module, module, "#ffffff") for a, b in edges.reshape(-1, 2)]


def _fold(width: float, y: float) -> list[str]:
    across, high = CardFigures.read().folding.window
    left = (width - across) / 2
    crease = f'stroke="{_INK}" stroke-width="0.2" stroke-dasharray="2 1"'
    return [
        f'<rect x="{_n(left)}" y="{_n(y - high / 2)}" width="{_n(across)}" height="{_n(high)}" fill="none" '
        'stroke="#999999" stroke-width="0.1"/>',
        f'<path d="M0 {_n(y)}H{_n(left)}M{_n(left + across)} {_n(y)}H{_n(width)}" {crease}/>',
        _text(width / 2, y, 2.2, "cut this window out, crease along the dashes"),
    ]


def _srgb(reflectance: float) -> str:
    """The grey of a linear reflectance (IEC 61966-2-1)."""
    value = 1.055 * reflectance ** (1 / 2.4) - 0.055 if reflectance > 0.0031308 else 12.92 * reflectance
    return "#" + f"{round(255 * value):02x}" * 3


def _rect(x: float, y: float, width: float, height: float, fill: str) -> str:
    return f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="{fill}"/>'


def _stroke(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<path d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}" stroke="{_INK}" stroke-width="0.15"/>'


def _text(x: float, y: float, size: float, words: str) -> str:
    return (
        f'<text x="{_n(x)}" y="{_n(y)}" font-family="Libertinus Serif, serif" font-size="{_n(size)}" '
        f'text-anchor="middle" fill="{_INK}">{words}</text>'
    )


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")
