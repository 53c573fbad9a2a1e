"""The overlay picture: the bead turned level along its travel, both toes, a seam scale, the width along the seam,
and every indication numbered and keyed.

Colours are of the Okabe and Ito set ("Color Universal Design", 2008), told apart by every kind of colour vision; the
toes differ by dash and the badges by number too, so that nothing is lost in grey.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, floor, log10
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.measures.figures import DetectionFigures
from toeline.photo import Photo
from toeline.report.key import CROWDS, UNSURE, Keyed, keyed_indications
from toeline.result import Indication, Quantity, Result
from toeline.units import MM_PER_INCH, Unit

U8 = NDArray[np.uint8]
F64 = NDArray[np.float64]
Colour = tuple[int, int, int]

BLACK: Colour = (0, 0, 0)
WHITE: Colour = (255, 255, 255)
INK: Colour = (40, 40, 40)
PALE: Colour = (225, 225, 225)
LEFT_TOE: Colour = (233, 180, 86)  # sky blue, BGR
RIGHT_TOE: Colour = (0, 159, 230)  # orange
MARK: Colour = (66, 228, 240)  # yellow


def draw_picture(
    photo: Photo,
    result: Result,
    *,
    width: int = 1200,
    text_px: float | None = None,
    tallest: float = 0.7,
    key: bool = True,
    unit: Unit = "mm",
) -> U8:
    """The overlay picture (H, ``width``, 3) BGR: level crop of the photo, seam scale, width profile, key.

    ``text_px`` is the letters' height; by default they can still be read when the picture is shown 360 px wide.
    ``tallest`` is the crop's greatest height as a share of ``width``: marks farther from the bead are left out.
    Of a photo that is stopped it is :func:`draw_overview`.
    """
    text = text_px or width * 0.032
    if result.stopped or len(result.bead.left_toe_px) < 2:
        return draw_overview(photo, result, width=width, text_px=text)
    view = _level_view(result, width, tallest)
    entries = keyed_indications(result, unit)
    crop = _crop(photo, view)
    _draw_toes(crop, result, view, text)
    travel, bar = _notes(result, view, text, unit)
    _draw_indications(crop, entries, result, view, text, [travel, *([bar] if bar else [])])
    _draw_travel(crop, travel, result, text)
    if bar:
        _draw_scale_bar(crop, bar, text, unit)
    parts = [crop, _seam_scale(result, view, width, text, unit)]
    parts.append(_draw_profile(result, _seam_x(result, view), width, round(5.2 * text), text, unit))
    if key:
        parts.append(_key(entries, width, text))
    return np.vstack([part for part in parts if part.size])


def draw_overview(photo: Photo, result: Result, *, width: int = 1200, text_px: float | None = None) -> U8:
    """The whole photo (H, ``width``, 3) BGR with the bead's outline, start and end, and other beads lettered.

    A point of it maps back to the photo as (p + 0.5) · (photo width / ``width``) − 0.5.
    """
    text = text_px or width * 0.032
    scale = width / photo.width
    size = (width, max(1, round(photo.height * scale)))
    picture = np.asarray(cv2.resize(photo.image, size, interpolation=cv2.INTER_AREA), np.uint8)

    def at(points: Sequence[tuple[float, float]]) -> F64:
        return (np.asarray(points, float).reshape(-1, 2) + 0.5) * scale - 0.5

    bead = result.bead
    if bead.found and bead.left_toe_px:
        _toe(picture, at(bead.left_toe_px), result, LEFT_TOE, text)
        _toe(picture, at(bead.right_toe_px), result, RIGHT_TOE, text, dashed=True)
        for label, point in (("start", bead.start_px), ("end", bead.end_px)):
            if point is not None:
                _label(picture, at([point])[0], label, text)
    for letter, ends in zip("BCDEFGHIJKLMNOPQRSTUVWXYZ", bead.others_px, strict=False):
        _line(picture, at(ends), MARK, text, dashed=True)
        _badge(picture, at(ends).mean(axis=0), letter, text)
    if bead.others_px and bead.found and bead.left_toe_px:
        middle = len(bead.left_toe_px) // 2
        _badge(picture, at([bead.left_toe_px[middle]])[0], "A", text)
    if not bead.found:
        _banner(picture, bead.why or "No weld bead was found.", text)
    return picture


def encode(picture: U8, kind: Literal["jpeg", "png"] = "jpeg") -> bytes:
    """The picture as a JPEG or PNG file's bytes."""
    options = [cv2.IMWRITE_JPEG_QUALITY, 88] if kind == "jpeg" else []
    return bytes(cv2.imencode(f".{kind}", picture, options)[1])


# -- the level view of the photo ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _View:
    """How the photo is turned: ``matrix`` (2, 3) photo px to crop px, the crop's size, crop px per photo px."""

    matrix: F64
    width: int
    height: int
    scale: float

    def at(self, px: Sequence[tuple[float, float]] | F64) -> F64:
        points = np.asarray(px, float).reshape(-1, 2)
        return points @ self.matrix[:, :2].T + self.matrix[:, 2]


def small_picture(photo: Photo, longest: int = 1200) -> bytes:
    """A photo as a JPEG of ``longest`` px at most, for looking at it on paper."""
    shrink = min(1.0, longest / max(photo.width, photo.height))
    size = (max(1, round(photo.width * shrink)), max(1, round(photo.height * shrink)))
    return encode(np.asarray(cv2.resize(photo.image, size, interpolation=cv2.INTER_AREA), np.uint8))


def _toes_px(result: Result) -> tuple[F64, F64]:
    return np.asarray(result.bead.left_toe_px, float), np.asarray(result.bead.right_toe_px, float)


def _level_view(result: Result, width: int, tallest: float) -> _View:
    """Turn the photo so that travel runs to the right, showing the bead and what lies close to it."""
    left, right = _toes_px(result)
    seam = (left + right) / 2
    way = seam[-1] - seam[0]
    angle = float(np.arctan2(way[1], way[0]))
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    outline = np.concatenate([left, right]) @ turn.T
    low, high = outline.min(axis=0), outline.max(axis=0)
    bead_width = float(np.median(np.linalg.norm(left - right, axis=1)))
    around = np.array([0.9 * bead_width, 1.6 * bead_width])
    low, high = low - around, high + around
    span = high[0] - low[0]
    least, most = 0.28 * span, tallest * span  # a slender bead still needs room for its numbers
    for one in result.indications:
        if one.at_px is not None:
            y = float((turn @ np.asarray(one.at_px))[1])
            low[1], high[1] = min(low[1], y - bead_width / 2), max(high[1], y + bead_width / 2)
    middle = float((seam @ turn.T)[:, 1].mean())
    low[1], high[1] = max(low[1], middle - most / 2), min(high[1], middle + most / 2)
    low[1], high[1] = min(low[1], middle - least / 2), max(high[1], middle + least / 2)
    scale = width / span
    matrix = np.column_stack([scale * turn, -scale * low])
    return _View(matrix, width, max(1, round(scale * (high[1] - low[1]))), scale)


def _crop(photo: Photo, view: _View) -> U8:
    """The photo seen through ``view``; what lies outside the photo is pale."""
    shrink = max(1, int(1 / view.scale))
    image, matrix = photo.image, view.matrix.copy()
    if shrink > 1:  # a plain warp would drop pixels
        small = cv2.resize(image, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
        image = np.asarray(small, np.uint8)
        back = np.array([photo.width / image.shape[1], photo.height / image.shape[0]])
        matrix[:, 2] += matrix[:, :2] @ (0.5 * back - 0.5)
        matrix[:, :2] *= back
    size = (view.width, view.height)
    return np.asarray(cv2.warpAffine(image, matrix, size, flags=cv2.INTER_LINEAR, borderValue=PALE), np.uint8)


def _seam_x(result: Result, view: _View) -> F64:
    """Where each station lies along the crop, px."""
    left, right = _toes_px(result)
    x: F64 = np.maximum.accumulate(view.at((left + right) / 2)[:, 0])
    return x


# -- what is drawn on the photo ----------------------------------------------------------------------------------


def _draw_toes(crop: U8, result: Result, view: _View, text: float) -> None:
    left, right = _toes_px(result)
    _toe(crop, view.at(left), result, LEFT_TOE, text)
    _toe(crop, view.at(right), result, RIGHT_TOE, text, dashed=True)


def _toe(image: U8, path: F64, result: Result, colour: Colour, text: float, *, dashed: bool = False) -> None:
    """A toe's line (N, 2); where it was not seen surely it is dotted and pale, as no line that stands for one."""
    for piece, sure in _pieces(path, _toes_believed(result, len(path))):
        if sure:
            _line(image, piece, colour, text, dashed=dashed)
        else:
            _dotted(image, piece, PALE, text)


def _toes_believed(result: Result, stations: int) -> NDArray[np.bool_]:
    """At which of the ``stations`` the toes were seen surely."""
    sure: NDArray[np.bool_] = np.asarray(result.bead.toe_confidence, float) >= DetectionFigures.read().toe
    return sure if len(sure) == stations else np.ones(stations, bool)


def _pieces(path: F64, sure: NDArray[np.bool_]) -> Iterator[tuple[F64, bool]]:
    """A line (N, 2) in pieces that meet, each with whether it is ``sure`` (N,)."""
    turns = np.flatnonzero(np.diff(sure)) + 1
    for first, last in pairwise([0, *turns, len(path)]):
        yield path[first : min(last + 1, len(path))], bool(sure[first])


@dataclass(frozen=True, slots=True)
class _Note:
    """A white panel in a corner of the crop, px; for the scale bar also its ``length`` in the unit and in px."""

    x: float
    y: float
    wide: float
    high: float
    length: float = 0.0
    bar: float = 0.0

    def moved(self, corner: str, view: _View) -> _Note:
        """The same panel in another corner."""
        x = 0.0 if "left" in corner else view.width - self.wide
        return replace(self, x=x, y=0.0 if "top" in corner else view.height - self.high)

    def covers(self, at: F64, margin: float) -> bool:
        """Whether a mark at ``at`` (2,) lies under the panel or within ``margin`` of it."""
        return bool(
            self.x - margin <= at[0] <= self.x + self.wide + margin
            and self.y - margin <= at[1] <= self.y + self.high + margin
        )


def _notes(result: Result, view: _View, text: float, unit: Unit) -> tuple[_Note, _Note | None]:
    """Where the travel's arrow and the scale bar stand: in corners that hide no mark, if there are such."""
    marks = [view.at([one.at_px])[0] for one in result.indications if one.at_px is not None]

    def placed(note: _Note, corners: Sequence[str]) -> _Note:
        places = [note.moved(corner, view) for corner in corners]
        return min(places, key=lambda place: sum(place.covers(mark, 0.5 * text) for mark in marks))

    wide = _text_width(_travel_words(result), 0.92 * text) + 0.5 * text
    travel = placed(_Note(0, 0, wide, 1.4 * text), ("top right", "top left"))
    per_unit = _px_per_unit(result, view, unit)
    if per_unit is None:
        return travel, None
    length = _round_step(view.width / per_unit / 12)
    bar = length * per_unit
    wide = max(bar, _text_width(f"{length:g} {unit}", text)) + 0.7 * text
    note = _Note(0, 0, wide, 1.9 * text, length, bar)
    return travel, placed(note, ("bottom left", "bottom right"))


def _travel_words(result: Result) -> str:
    return "travel →" if result.bead.travel == "known" else "travel (assumed) →"


def _draw_travel(crop: U8, note: _Note, result: Result, text: float) -> None:
    _panel(crop, note.x, note.y, note.wide, note.high)
    _text(crop, (note.x + 0.25 * text, note.y + text), _travel_words(result), 0.92 * text)


def _draw_indications(
    crop: U8, entries: Sequence[Keyed], result: Result, view: _View, text: float, notes: Sequence[_Note]
) -> None:
    taken = [
        (note.x + min(k * text, note.wide), note.y + note.high / 2)
        for note in notes
        for k in range(ceil(note.wide / text) + 1)
    ]
    seen = [view.at([one.at_px])[0] for one in result.indications if one.at_px is not None]
    drawn: list[tuple[Keyed, list[tuple[F64, float]]]] = []
    for entry in entries:  # all marks first, so that no number lies under one
        marks = (_mark(crop, one, result, view, text, dashed=not entry.sure) for one in entry.members)
        drawn.append((entry, [(anchor, outward) for anchor, outward in marks if anchor is not None]))
    for entry, anchors in drawn:
        numbers = 0
        for anchor, outward in anchors:  # a crowd bears its number three times at most
            place = _free_place(anchor, outward, taken, seen, crop.shape, text) if numbers < 3 else None
            if place is not None:
                _number(crop, anchor, place, entry.label, text)
                taken.append((float(place[0]), float(place[1])))
                numbers += 1
        if anchors and not numbers:
            _number(crop, anchors[0][0], anchors[0][0], entry.label, text)


def _number(crop: U8, anchor: F64, place: F64, label: str, text: float) -> None:
    """A number's badge at ``place`` with a line to the mark."""
    for colour, share in ((BLACK, 0.13), (WHITE, 0.06)):
        cv2.line(crop, _point(anchor), _point(place), colour, _thick(text, share), cv2.LINE_AA)
    _badge(crop, place, label, text)


def _mark(
    crop: U8, one: Indication, result: Result, view: _View, text: float, *, dashed: bool
) -> tuple[F64 | None, float]:
    """Draw one indication's mark, ``dashed`` where it may be something else.

    Gives where its badge's line starts and on which side (−1 above) the badge goes.
    """
    left, right = _toes_px(result)
    s = np.asarray(result.bead.s, float)
    upper, lower = view.at(left), view.at(right)
    if one.from_ is not None and one.to is not None and one.kind not in CROWDS and len(s) == len(upper):
        span = (s >= one.from_ - 1e-6) & (s <= one.to + 1e-6)
        if span.sum() < 2:
            nearest = int(np.argmin(np.abs(s - one.from_)))
            span[max(0, nearest - 1) : nearest + 2] = True
        gap = 0.45 * text
        above, below = upper[span] - np.array([0, gap]), lower[span] + np.array([0, gap])
        if one.side != "right":
            _bracket(crop, above, gap * 0.6, text, dashed=dashed)
        if one.side != "left":
            _bracket(crop, below, -gap * 0.6, text, dashed=dashed)
        edge = below if one.side == "right" else above
        return edge[len(edge) // 2], 1.0 if one.side == "right" else -1.0
    if one.at_px is None:
        return None, 0.0
    centre = view.at([one.at_px])[0]
    if not (0 <= centre[0] < crop.shape[1] and 0 <= centre[1] < crop.shape[0]):
        return None, 0.0
    radius = 0.32 * text
    scale = result.scale.px_per_mm
    if one.size is not None and one.size.value is not None and scale is not None and scale.value is not None:
        radius = max(radius, 0.5 * one.size.value * scale.value * view.scale + 0.15 * text)
    turn = np.linspace(0.0, 2 * np.pi, 64)
    ring = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    pieces = _dashes(ring, radius * np.pi / 4, radius * np.pi / 4) if dashed else [ring]
    for colour, share in ((BLACK, 0.13), (MARK, 0.06)):
        cv2.polylines(crop, [_points(piece) for piece in pieces], False, colour, _thick(text, share), cv2.LINE_AA, 4)
    middle = float((upper[:, 1].mean() + lower[:, 1].mean()) / 2)
    side = -1.0 if centre[1] < middle else 1.0
    return centre + np.array([0, side * radius]), side


def _bracket(crop: U8, edge: F64, tick: float, text: float, *, dashed: bool) -> None:
    """A line beside the toe with a tick towards it at both ends."""
    towards = np.array([0, tick])
    path = np.concatenate([edge[:1] + towards, edge, edge[-1:] + towards])
    pieces = _dashes(path, 0.5 * text, 0.4 * text) if dashed else [path]
    for colour, share in ((BLACK, 0.17), (MARK, 0.09)):
        cv2.polylines(crop, [_points(piece) for piece in pieces], False, colour, _thick(text, share), cv2.LINE_AA, 4)


def _free_place(
    anchor: F64,
    outward: float,
    taken: Sequence[tuple[float, float]],
    seen: Sequence[F64],
    shape: tuple[int, ...],
    text: float,
) -> F64 | None:
    """A place for a badge outward from the bead, inside, off every other badge, and off other marks if it can be.

    None where there is none.
    """
    margin = 0.75 * text
    low, high = np.full(2, margin), np.array([shape[1], shape[0]]) - margin
    second_best: F64 | None = None
    for away in (1.4, 2.1, 3.0, 4.0, 5.5):
        for turned in (0, 40, -40, 75, -75):
            angle = np.deg2rad(turned)
            place: F64 = anchor + away * text * np.array([np.sin(angle), outward * np.cos(angle)])
            inside = bool(np.all((place >= low) & (place <= high)))
            if inside and all(np.hypot(place[0] - x, place[1] - y) > 1.55 * text for x, y in taken):
                if all(np.hypot(*(place - mark)) > 1.05 * text for mark in seen):
                    return place
                second_best = place
    return second_best


def _px_per_unit(result: Result, view: _View, unit: Unit) -> float | None:
    """Crop px per unit at the bead; None without a card."""
    left, right = _toes_px(result)
    seam = view.at((left + right) / 2)
    s = np.asarray(result.bead.s, float)
    if result.scale.state != "card" or len(s) != len(seam) or s[-1] <= s[0]:
        return None
    per_mm = float(np.linalg.norm(np.diff(seam, axis=0), axis=1).sum() / (s[-1] - s[0]))
    return per_mm * (MM_PER_INCH if unit == "in" else 1.0)


def _draw_scale_bar(crop: U8, note: _Note, text: float, unit: Unit) -> None:
    """A bar of a round length, true at the bead."""
    x0, y0 = note.x + 0.35 * text, note.y + note.high - 0.55 * text
    _panel(crop, note.x, note.y, note.wide, note.high)
    _text(crop, (x0, y0 - 0.35 * text), f"{note.length:g} {unit}", text)
    cv2.rectangle(crop, _ipoint(x0, y0 - 0.16 * text), _ipoint(x0 + note.bar, y0 + 0.12 * text), BLACK, -1)
    cv2.rectangle(
        crop, _ipoint(x0 + note.bar / 2, y0 - 0.1 * text), _ipoint(x0 + note.bar - 2, y0 + 0.06 * text), WHITE, -1
    )


# -- the strips below --------------------------------------------------------------------------------------------


def _seam_scale(result: Result, view: _View, width: int, text: float, unit: Unit) -> U8:
    """Ticks along the seam from the bead's start, at their true places under the photo."""
    strip = np.full((round(2.0 * text), width, 3), 255, np.uint8)
    s = np.asarray(result.bead.s, float)
    x = _seam_x(result, view)
    if len(s) != len(x) or s[-1] <= s[0]:
        return strip[:0]
    scaled = result.scale.state == "card"
    per = (MM_PER_INCH if unit == "in" else 1.0) if scaled else (s[-1] - s[0]) / 100
    step = _round_step((s[-1] - s[0]) / per / 8)
    baseline = round(0.35 * text)
    cv2.line(strip, (int(x[0]), baseline), (int(x[-1]), baseline), INK, _thick(text, 0.06), cv2.LINE_AA)
    said = unit if scaled else "% of its length"
    free = -1.0
    for k in range(floor((s[-1] - s[0]) / per / step + 1e-9) + 1):
        at = float(np.interp(s[0] + k * step * per, s, x))
        cv2.line(strip, _ipoint(at, 0), _ipoint(at, 0.6 * text), INK, _thick(text, 0.07), cv2.LINE_AA)
        label = f"{k * step:g}" if k else f"0 {said}"
        wide = _text_width(label, text * 0.92)
        left = min(at - _text_width(label if k else "0", text * 0.92) / 2, width - wide)
        if left >= free:  # clear of the one before
            _text(strip, (left, 1.6 * text), label, text * 0.92)
            free = left + wide + 0.5 * text
    return strip


def _width_line(result: Result, unit: Unit) -> tuple[str, F64] | None:
    """The width at each station and what it is called; None where there is nothing to plot."""
    bead = result.bead
    if bead.joint == "fillet":
        return None  # its toes are told on the base plate alone, from which no leg can be read
    if result.scale.state == "card" and bead.left_toe and len(bead.left_toe) == len(bead.right_toe) == len(bead.s):
        left, right = np.asarray(bead.left_toe, float), np.asarray(bead.right_toe, float)
        return f"Width, {unit}", np.linalg.norm(left - right, axis=1) / (MM_PER_INCH if unit == "in" else 1.0)
    left, right = _toes_px(result)
    if len(left) != len(bead.s):
        return None
    across = np.linalg.norm(left - right, axis=1)
    return "Width, relative to its mean", across / across.mean()


def _draw_profile(result: Result, x: F64, width: int, height: int, text: float, unit: Unit) -> U8:
    """The strip with the width over the stations' places ``x``, px."""
    found = _width_line(result, unit)
    if found is None or len(x) != len(result.bead.s):
        return np.zeros((0, width, 3), np.uint8)
    title, values = found
    strip = np.full((height, width, 3), 255, np.uint8)
    top, bottom = 1.6 * text, height - 0.5 * text
    body = _body(result)
    inside = values[body] if body.any() else values
    low, high = float(inside.min()), float(values.max())
    step = _round_step(max(high - low, 0.05 * abs(high), 1e-6) / 2)
    low, high = floor(low / step - 0.2) * step, ceil(high / step + 0.2) * step

    def y(values: F64) -> F64:
        return bottom - (values - low) / (high - low) * (bottom - top)

    if body.any():
        ends = x[body]
        cv2.rectangle(strip, _ipoint(ends[0], top), _ipoint(ends[-1], bottom), (240, 240, 240), -1)
    rows = round((high - low) / step)
    each = max(1, ceil(1.2 * text * rows / (bottom - top)))  # as many figures as stand clear of each other
    for k in range(rows + 1):
        value = low + k * step
        at = float(y(np.array([value]))[0])
        cv2.line(strip, _ipoint(x[0], at), _ipoint(x[-1], at), PALE, _thick(text, 0.04), cv2.LINE_AA)
        label = f"{value:.{max(0, -floor(log10(step)))}f}"
        if k % each == 0:
            _text(strip, (max(2.0, float(x[0]) - 0.6 * text * len(label)), at + 0.3 * text), label, text * 0.8)
    shown = (values >= low) & (values <= high)  # the ends taper off below
    believed = _toes_believed(result, len(x))
    for run in np.split(np.arange(len(x)), np.flatnonzero(np.diff(shown)) + 1):
        if not shown[run[0]] or len(run) < 2:
            continue
        for piece, sure in _pieces(np.column_stack([x[run], y(values[run])]), believed[run]):
            if sure:
                _line(strip, piece, BLACK, text, casing=False)
            else:
                _dotted(strip, piece, BLACK, text)
    notes = ["grey: the body"] * bool(body.any()) + ["dotted: unsure"] * bool((shown & ~believed).any())
    note = f"  ({', '.join(notes)})" if notes else ""
    _text(strip, (float(x[0]), 1.1 * text), title + note, text * 0.92)
    return strip


def _body(result: Result) -> NDArray[np.bool_]:
    """The stations of the body: one mean width off each end that is seen."""
    s = np.asarray(result.bead.s, float)
    mean = result.measures.get("width_mean") or result.measures.get("face_width") or Quantity()
    off = mean.value if mean.value is not None and result.scale.state == "card" else 0.0
    if not off:
        return np.zeros(len(s), bool)
    body: NDArray[np.bool_] = (s >= s[0] + off) & (s <= s[-1] - off)
    return body


def _key(entries: Sequence[Keyed], width: int, text: float) -> U8:
    """The list of what the numbers mean, wrapped to the picture's width."""
    lines: list[tuple[str | None, str]] = []
    for entry in entries:
        wrapped = _wrap(f"{entry.title}{', ' if entry.detail else ''}{entry.detail}", width - 2.6 * text, text)
        lines += [(entry.label if k == 0 else None, line) for k, line in enumerate(wrapped)]
    if not lines:
        lines = [(None, "No indication was seen.")]
    if any(entry.perhaps for entry in entries):
        lines += [(None, line) for line in _wrap(UNSURE, width - 2.6 * text, text)]
    strip = np.full((round((1.6 * len(lines) + 0.6) * text), width, 3), 255, np.uint8)
    for k, (number, line) in enumerate(lines):
        y = (1.25 + 1.6 * k) * text
        if number is not None:
            _badge(strip, np.array([1.1 * text, y - 0.33 * text]), number, text * 0.9)
        _text(strip, (2.2 * text if number is not None or len(entries) else 0.7 * text, y), line, text)
    return strip


# -- words and marks ---------------------------------------------------------------------------------------------


def _round_step(rough: float) -> float:
    """The round number (1, 2 or 5 times a power of ten) nearest above ``rough``."""
    place = 10.0 ** floor(log10(rough))
    return next(float(m * place) for m in (1, 2, 5, 10) if m * place >= rough * 0.999)


_FACE = cv2.FontFace("sans")


def _text(image: U8, at: tuple[float, float], words: str, size: float, colour: Colour = BLACK) -> None:
    cv2.putText(image, words, _ipoint(*at), colour, _FACE, round(size), 420)


def _text_width(words: str, size: float) -> float:
    return float(cv2.getTextSize((10_000, 1000), words, (0, 500), _FACE, round(size), 420)[2])


def _wrap(words: str, room: float, size: float) -> list[str]:
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and _text_width(longer, size) > room:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _label(image: U8, at: F64, words: str, text: float) -> None:
    """Words on a white panel, the panel's left edge at ``at``, kept inside the image."""
    wide = _text_width(words, text * 0.92) + 0.5 * text
    x = float(np.clip(at[0], 0, max(0.0, image.shape[1] - wide)))
    y = float(np.clip(at[1] - 0.7 * text, 0, max(0.0, image.shape[0] - 1.4 * text)))
    _panel(image, x, y, wide, 1.4 * text)
    _text(image, (x + 0.25 * text, y + 1.0 * text), words, text * 0.92)


def _banner(image: U8, words: str, text: float) -> None:
    lines = _wrap(words, image.shape[1] - 1.4 * text, text)
    _panel(image, 0, 0, image.shape[1], (1.5 * len(lines) + 0.6) * text)
    for k, line in enumerate(lines):
        _text(image, (0.7 * text, (1.35 + 1.5 * k) * text), line, text)


def _panel(image: U8, x: float, y: float, wide: float, high: float) -> None:
    """Whiten a rectangle so that words on it can be read."""
    x0, y0 = max(0, round(x)), max(0, round(y))
    area = image[y0 : round(y + high), x0 : round(x + wide)]
    area[:] = (area * 0.12 + 255 * 0.88).astype(np.uint8)


def _badge(image: U8, at: F64, words: str, text: float) -> None:
    """A number in a white disc with a dark rim."""
    radius = round(0.66 * text)
    cv2.circle(image, _point(at), radius, WHITE, -1, cv2.LINE_AA)
    cv2.circle(image, _point(at), radius, BLACK, _thick(text, 0.08), cv2.LINE_AA)
    size = text * (0.85, 0.7, 0.52)[min(len(words), 3) - 1]
    _text(image, (float(at[0]) - _text_width(words, size) / 2, float(at[1]) + 0.35 * size), words, size)


def _line(image: U8, path: F64, colour: Colour, text: float, *, dashed: bool = False, casing: bool = True) -> None:
    """A line with a dark casing, so that it shows on any ground; ``dashed`` by length along it."""
    pieces = _dashes(path, 0.9 * text, 0.45 * text) if dashed else [path]
    if casing:
        cv2.polylines(image, [_points(piece) for piece in pieces], False, BLACK, _thick(text, 0.12), cv2.LINE_AA, 4)
    cv2.polylines(image, [_points(piece) for piece in pieces], False, colour, _thick(text, 0.06), cv2.LINE_AA, 4)


def _dotted(image: U8, path: F64, colour: Colour, text: float) -> None:
    """A line of dots, which stands for nothing that was seen surely."""
    dots = [_points(dot) for dot in _dashes(path, 0.1 * text, 0.3 * text)]
    cv2.polylines(image, dots, False, BLACK, _thick(text, 0.1), cv2.LINE_AA, 4)
    cv2.polylines(image, dots, False, colour, _thick(text, 0.05), cv2.LINE_AA, 4)


def _dashes(path: F64, on: float, off: float) -> list[F64]:
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    pieces = []
    for start in np.arange(0.0, float(along[-1]), on + off):
        end = min(start + on, float(along[-1]))
        t = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
        pieces.append(np.column_stack([np.interp(t, along, path[:, k]) for k in (0, 1)]))
    return pieces


def _thick(text: float, share: float) -> int:
    return max(1, round(share * text))


def _points(path: F64) -> NDArray[np.int32]:
    """Points for OpenCV with 4 fractional bits."""
    return np.round(path * 16).astype(np.int32).reshape(-1, 1, 2)


def _ipoint(x: float, y: float) -> tuple[int, int]:
    return round(float(x)), round(float(y))


def _point(at: F64) -> tuple[int, int]:
    return _ipoint(at[0], at[1])
