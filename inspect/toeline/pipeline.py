"""The one straight line: a photo in, a result out."""

from __future__ import annotations

import platform
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline import __version__
from toeline.band import F64, TracedBead
from toeline.bead import BeadLost, look_about, trace_bead
from toeline.bead_finder import Candidate, Sighting, sight
from toeline.camera import CameraProfile, camera_for, load_profile
from toeline.card import FoundCard, card_spec, find_cards
from toeline.causes import rank_causes
from toeline.criteria import load_criteria
from toeline.datafile import load
from toeline.errors import CardError, SettingsError
from toeline.fillet import (
    FilletError,
    FilletFrame,
    fillet_from_cards,
    fillet_from_one_card,
    measure_fillet,
    name_plates,
    root_ends,
    sizes_along,
    toe_problems,
    undersize_share,
    unknown_fillet,
)
from toeline.gauge import check_reading, read_gauge
from toeline.indications import find_indications
from toeline.judgement import judge
from toeline.measures import count_indications, measure_course, unknown_measures
from toeline.optics import Camera
from toeline.photo import Photo, read_photo
from toeline.plate import PixelFrame, Plate, plate_from_card, print_scale
from toeline.problems import problem
from toeline.result import (
    Bead,
    GaugeReading,
    Indication,
    Joint,
    PhotoInfo,
    Point,
    Problem,
    Quantity,
    Result,
    Scale,
    Settings,
    Welding,
)
from toeline.ripples import read_ripples
from toeline.usability import card_problems, photo_problems, scene_problems

#: A toe this close to a card is the card's edge, not the bead's.
_CARD_TOUCHES_MM = 0.5

CAUTIONS = (
    "A photo shows the face only: not the inside, the depth of fusion or the root.",
    "Acceptance belongs to the governing code and a qualified inspector.",
)


def measure(
    photo: str | Path | bytes | Photo,
    *,
    joint: Joint = "bead",
    thickness: float | None = None,
    check_line: float | None = None,
    electrode: float | None = None,
    criteria: str | Path | None = None,
    gauge: Sequence[str | GaugeReading] = (),
    ends: tuple[float, float, float, float] | None = None,
    camera: str | Path | None = None,
    unit: str = "mm",
    welding: Welding | None = None,
) -> Result:
    """Measure one photo; the keywords are those of ``toeline measure`` (lengths mm, ends x1, y1, x2, y2 in px).

    Raises:
        ToelineError: the photo cannot be read, or a setting makes no sense; the text says what to do.
    """
    if unit not in ("mm", "in"):
        raise SettingsError(f"The unit {unit!r} is not known; use mm or in.")
    welding = welding or Welding()
    if electrode is not None:
        welding = welding.model_copy(update={"electrode_mm": electrode})
    readings = tuple(read_gauge(g, "in" if unit == "in" else "mm") if isinstance(g, str) else g for g in gauge)
    return measure_with(
        photo,
        Settings(
            joint=joint,
            thickness_mm=thickness,
            check_line_mm=check_line,
            criteria=None if criteria is None else str(criteria),
            gauge=readings,
            ends_px=None if ends is None else ((ends[0], ends[1]), (ends[2], ends[3])),
            camera_profile=None if camera is None else str(camera),
            unit="in" if unit == "in" else "mm",
            welding=welding,
        ),
    )


@dataclass(slots=True)
class _Clock:
    """Milliseconds per stage."""

    ms: dict[str, float] = field(default_factory=dict)
    began: float = field(default_factory=time.perf_counter)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time one stage."""
        start = time.perf_counter()
        yield
        self.ms[name] = self.ms.get(name, 0.0) + 1000 * (time.perf_counter() - start)

    def done(self) -> dict[str, float]:
        """All stages and the total, to a hundredth."""
        return {k: round(v, 2) for k, v in (self.ms | {"total": 1000 * (time.perf_counter() - self.began)}).items()}


def measure_with(photo: str | Path | bytes | Photo, settings: Settings) -> Result:
    """As :func:`measure`, with everything the user said in one :class:`Settings`."""
    clock = _Clock()
    for reading in settings.gauge:
        check_reading(reading)
    print_scale(settings.check_line_mm)  # refused here also where no card will be found
    criteria = load_criteria(settings.criteria) if settings.criteria else None
    profile = load_profile(settings.camera_profile) if settings.camera_profile else None
    with clock.stage("photo"):
        photo = photo if isinstance(photo, Photo) else read_photo(photo)
    _check_ends(photo, settings)
    with ThreadPoolExecutor(1) as aside:  # neither needs the other
        sighting = aside.submit(sight, photo.image)
        with clock.stage("card"):
            cards = find_cards(photo)
        with clock.stage("plate"):
            ground = _ground(photo, cards, settings, profile)
        with clock.stage("find"):
            seen = sighting.result()
    with clock.stage("trace"):
        traced, seen, bead_notes = _trace(photo, seen, ground, settings)
    result = _describe(photo, cards, ground, seen, traced, bead_notes, settings, clock)
    with clock.stage("judge"):
        if criteria is not None:
            result = result.model_copy(update={"judgement": judge(result, criteria)})
        finding = rank_causes(result)
        result = result.model_copy(
            update={"causes": finding.causes, "causes_why": finding.causes_why, "advice": finding.advice}
        )
    return result.model_copy(update={"timing_ms": clock.done()})


def _check_ends(photo: Photo, settings: Settings) -> None:
    if settings.ends_px is None:
        return
    (ax, ay), (bx, by) = settings.ends_px
    inside = all(0 <= x < photo.width and 0 <= y < photo.height for x, y in settings.ends_px)
    if not inside or np.hypot(ax - bx, ay - by) < 20:
        raise SettingsError(
            f"The ends {ax:g},{ay:g} and {bx:g},{by:g} do not lie apart in the photo of "
            f"{photo.width} × {photo.height} pixels; give the start and the end of the bead in pixels."
        )


@dataclass(frozen=True, slots=True)
class _Ground:
    """What the photo stands on: plate and fillet, where cards were found, and what went wrong with them."""

    plate: Plate | None
    fillet: FilletFrame | None
    cards: tuple[FoundCard, ...]
    problems: tuple[Problem, ...]
    why_no_legs: str

    def frame_for(self, bead: Candidate) -> Plate | FilletFrame | PixelFrame:
        """The surface the bead is traced on."""
        if self.fillet is not None:
            return self.fillet
        if self.plate is not None:
            return self.plate
        return PixelFrame(max(bead.width_px, 8.0) / load("bead.toml")["band"]["nominal_width"])


def _ground(photo: Photo, cards: tuple[FoundCard, ...], settings: Settings, profile: CameraProfile | None) -> _Ground:
    problems: list[Problem] = []
    why = "Lay card A on the base plate and card B on the upright."
    if not cards:
        return _Ground(None, None, (), (), why)
    camera = camera_for(photo, cards, profile)
    if camera.source == "card":
        problems.append(problem("focal_unknown"))
    fillet = None
    if settings.joint == "fillet" and not (len(cards) == 1 and settings.joint_angle_deg is not None):
        try:
            fillet = fillet_from_cards(cards, camera, settings.check_line_mm, said_angle_deg=settings.joint_angle_deg)
            problems += fillet.problems
        except FilletError as error:
            problems.append(error.problem)
            why = str(error)
    plate = _plate(cards, camera, settings)
    return _Ground(plate, fillet, cards, tuple(problems), why)


def _plate(cards: tuple[FoundCard, ...], camera: Camera, settings: Settings) -> Plate | None:
    for card in sorted(cards, key=lambda c: (-len(c.marker_ids), c.which)):
        try:
            return plate_from_card(card, camera, settings.check_line_mm)
        except CardError:
            continue
    return None


def _trace(
    photo: Photo, seen: Sighting, ground: _Ground, settings: Settings
) -> tuple[TracedBead | None, Sighting, tuple[Problem, ...]]:
    """The bead that is meant, the beads that are left once the reader has looked too, and what to say about it."""
    if settings.ends_px is not None:
        named = _named(seen, settings.ends_px)
        try:
            traced = trace_bead(photo.image, ground.frame_for(named), named, ends_given=True)
        except BeadLost:
            return None, Sighting((), seen.other), (problem("ends_off"),)
        share = _as_traced(traced).length_px / float(np.linalg.norm(np.subtract(*settings.ends_px)))
        missed = share < load("photo.toml")["usability"]["ends_share"]
        return traced, seen, (problem("ends_missed", share=f"{100 * share:.0f}"),) if missed else ()
    found = _trace_each(photo, seen.beads, ground)
    if not found and ground.fillet is not None:
        found = _trace_each(photo, [_along_root(ground.fillet, ground.cards)], ground)
    if not found:
        found = _trace_each(photo, _close_up(photo, ground.cards), ground)
    if not found:
        found = _trace_each(photo, _from_afar(photo), ground)
    seen = Sighting(tuple(whole for _, whole in found), seen.other)
    if not found:
        return None, seen, (_no_bead(seen),)
    return found[0][0], seen, (problem("several_beads", n=len(found)),) if len(found) > 1 else ()


def _close_up(photo: Photo, cards: Sequence[FoundCard]) -> Sequence[Candidate]:
    """Beads as a closer look shows them: where card and bead are small in the photo, round the card."""
    low, high = np.zeros(2, int), np.array([photo.width, photo.height])
    if cards:
        corners = np.concatenate([card.corners_px for card in cards])
        first, last = corners.min(axis=0), corners.max(axis=0)
        reach = load("bead.toml")["finder"]["close_reach"] * float(np.linalg.norm(last - first))
        middle = (first + last) / 2
        low, high = (np.clip(middle + way * reach, low, high).astype(int) for way in (-1, 1))
    part = photo.image[low[1] : high[1], low[0] : high[0]]
    return [replace(b, line_px=b.line_px + low) for b in sight(part, closely=True).beads]


def _from_afar(photo: Photo) -> Sequence[Candidate]:
    """Beads as they show in the photo made much smaller: one that fills a close-up is too large to be known as a bead
    in its full view."""
    side = load("photo.toml")["usability"]["afar_side_px"]
    shrink = max(photo.width, photo.height) / side
    size = max(round(photo.width / shrink), 1), max(round(photo.height / shrink), 1)
    beads = sight(np.asarray(cv2.resize(photo.image, size, interpolation=cv2.INTER_AREA), np.uint8)).beads
    return [replace(b, line_px=(b.line_px + 0.5) * shrink - 0.5, width_px=b.width_px * shrink) for b in beads]


def _trace_each(photo: Photo, beads: Sequence[Candidate], ground: _Ground) -> list[tuple[TracedBead, Candidate]]:
    """Every bead that can be traced, nearest to the card first, with its own mid line."""
    found: list[tuple[TracedBead, Candidate]] = []
    for candidate in _nearest_first(beads, ground.cards):
        if any(_lies_on(candidate, whole) for _, whole in found):
            continue
        try:
            traced = trace_bead(photo.image, ground.frame_for(candidate), candidate)
        except BeadLost:
            continue
        whole = _as_traced(traced)
        found = [pair for pair in found if not _lies_on(pair[1], whole)] + [(traced, whole)]
    return found


def _nearest_first(beads: Sequence[Candidate], cards: Sequence[FoundCard]) -> list[Candidate]:
    """Beads by their distance from the card; without one as they are, surest first."""
    if not cards:
        return list(beads)
    middle = np.mean([c.corners_px.mean(axis=0) for c in cards], axis=0)
    return sorted(beads, key=lambda b: float(np.linalg.norm(b.line_px - middle, axis=1).min()))


def _as_traced(traced: TracedBead) -> Candidate:
    """A traced bead's mid line and width in the photo."""
    left, right = (traced.frame.to_px(toe) for toe in (traced.left_toe, traced.right_toe))
    width = float(np.median(np.linalg.norm(left - right, axis=1)))
    return Candidate("bead", (left + right) / 2, width, traced.found_confidence)


def _lies_on(piece: Candidate, whole: Candidate) -> bool:
    """Whether most of a piece lies within a traced bead."""
    apart = np.linalg.norm(piece.line_px[:, None] - whole.line_px[None], axis=2).min(axis=1)
    return bool(np.mean(apart < whole.width_px / 2) > 0.5)


def _along_root(fillet: FilletFrame, cards: Sequence[FoundCard]) -> Candidate:
    """Where a fillet must lie if there is one: along the line where the plates meet, as far as the cards reach."""
    x = fillet.to_mm(np.concatenate([c.corners_px for c in cards]))[:, 0]
    root = np.stack([np.linspace(np.nanmin(x), np.nanmax(x), 50), np.zeros(50)], axis=1)
    px = fillet.to_px(root)
    per_mm = float(np.linalg.norm(px[-1] - px[0]) / (root[-1, 0] - root[0, 0]))
    return Candidate("bead", px, load("bead.toml")["band"]["nominal_width"] * per_mm, 0.5)


def _named(seen: Sighting, ends: tuple[Point, Point]) -> Candidate:
    """The bead between two named ends: along a found bead that runs there, else straight."""
    start, end = np.asarray(ends[0], float), np.asarray(ends[1], float)
    length = float(np.linalg.norm(end - start))
    for bead in seen.beads:
        gaps = [np.linalg.norm(bead.line_px - at, axis=1) for at in (start, end)]
        i, j = (int(g.argmin()) for g in gaps)
        near = max(float(g.min()) for g in gaps)
        if near < 1.5 * bead.width_px and abs(j - i) > 0.4 * len(bead.line_px) * length / max(bead.length_px, length):
            line = bead.line_px[min(i, j) : max(i, j) + 1]
            inner = (line if i < j else line[::-1])[2:-2]
            return Candidate("bead", np.concatenate([start[None], inner, end[None]]), bead.width_px, 1.0)
    return Candidate("bead", start + np.linspace(0, 1, 50)[:, None] * (end - start), length / 10, 1.0)


#: What a wrong find looks like, and what to do: our own words.
_LOOKS = {
    "slag_covered": ("a bead still under its slag", "Chip and brush the slag off, let it cool, and take it again."),
    "rope": ("a rope or a cable", "Lay it aside and show the cleaned bead."),
    "rod": ("a rod or a tube", "Lay it aside and show the cleaned bead."),
    "painted_line": ("a painted or drawn line", "Show the cleaned bead."),
}


def _no_bead(seen: Sighting) -> Problem:
    if seen.other is None or seen.other.kind not in _LOOKS:
        return problem("no_bead")
    what, todo = _LOOKS[seen.other.kind]
    return problem("not_a_bead", what=what, todo=todo)


def _describe(
    photo: Photo,
    cards: tuple[FoundCard, ...],
    ground: _Ground,
    seen: Sighting,
    traced: TracedBead | None,
    bead_notes: tuple[Problem, ...],
    settings: Settings,
    clock: _Clock,
) -> Result:
    problems = [*bead_notes, *ground.problems]
    measures: dict[str, Quantity]
    indications: tuple[Indication, ...] = ()
    along: dict[str, tuple[float | None, ...]] = {}
    if traced is not None and settings.ends_px is not None:
        traced = _said_travel(traced)
    if traced is None:
        with clock.stage("usable"):
            usability = scene_problems(photo, ground.plate, fillet=settings.joint == "fillet")
            usability += card_problems(cards, ground.plate)
        why = bead_notes[0].text if bead_notes else problem("no_bead").text
        measures = unknown_measures(why)
        if settings.joint == "fillet":
            measures |= unknown_fillet(why)
    else:
        outline = traced.frame.to_px(np.concatenate([traced.left_toe, traced.right_toe[::-1]]))
        outline = outline[np.isfinite(outline).all(axis=1)]
        with ThreadPoolExecutor(1) as aside:
            wider = aside.submit(look_about, photo.image, traced)
            with clock.stage("measure"):  # what needs the band alone
                ripples = read_ripples(traced.band, traced.s, traced.t_left, traced.t_right)
                measures = measure_course(traced, ripples)
            with clock.stage("usable"):
                usability = photo_problems(photo, outline, ground.plate, fillet=settings.joint == "fillet")
                usability += card_problems(cards, ground.plate, outline)
            with clock.stage("look about"):
                traced = wider.result()
        with clock.stage("measure"):
            printed = _outlines(cards)
            seen_things = find_indications(traced, ripples)
            # print is no spatter
            indications = tuple(i for i in seen_things if i.at_px is None or not _on_card(np.array([i.at_px]), printed))
            measures |= count_indications(traced, indications)
            if settings.joint == "fillet":
                fillet = _fillet_of(traced, ground, settings)
                measures |= _fillet_measures(fillet, traced, settings)
                if isinstance(fillet, FilletFrame):
                    along = _fillet_along(fillet, traced)
                    indications = name_plates(fillet, traced, indications)
                    problems += toe_problems(fillet, traced)
            problems += _bead_problems(traced)
            if _on_card(outline, printed, _CARD_TOUCHES_MM):
                problems.append(problem("bead_covered"))
    problems += usability
    problems = list(dict.fromkeys(problems))
    if any(p.code in ("blur_strong", "photo_blurred") for p in problems):  # blurred markers do not fit a plane either
        problems = [p for p in problems if p.code not in ("card_not_flat", "card_bent")]
    return Result(
        photo=PhotoInfo(
            name=photo.name,
            sha256=photo.sha256,
            width_px=photo.width,
            height_px=photo.height,
            taken_at=photo.exif.taken_at,
            camera=photo.exif.camera,
            usable=not any(p.severity == "stop" for p in problems),
            problems=tuple(problems),
        ),
        scale=_scale(ground, traced, settings),
        bead=_bead(traced, seen, settings, problems).model_copy(update=along),
        measures=measures,
        indications=indications,
        settings=settings,
        versions={"toeline": __version__, "opencv": cv2.__version__, "python": platform.python_version()},
        cautions=CAUTIONS,
    )


def _fillet_of(traced: TracedBead, ground: _Ground, settings: Settings) -> FilletFrame | str:
    """Where both plates of a fillet lie: by a card on each, or by one card and the stated angle; or why not."""
    if ground.fillet is not None:
        return ground.fillet
    angle = settings.joint_angle_deg
    if ground.plate is None or len(ground.cards) != 1 or angle is None:
        return ground.why_no_legs
    if not (traced.start_seen and traced.end_seen):
        return "With one card the root line must show at both ends of the weld, and one of them is out of the picture."
    try:
        return fillet_from_one_card(ground.plate, root_ends(traced), angle)
    except CardError as error:
        return str(error)


def _fillet_measures(fillet: FilletFrame | str, traced: TracedBead, settings: Settings) -> dict[str, Quantity]:
    if isinstance(fillet, str):
        return unknown_fillet(fillet)
    measures = measure_fillet(fillet, traced)
    if settings.drawing_size_mm is not None:
        measures["undersize_share"] = undersize_share(
            fillet, traced, settings.drawing_size_mm, settings.drawing_size_is
        )
    return measures


def _fillet_along(fillet: FilletFrame, traced: TracedBead) -> dict[str, tuple[float | None, ...]]:
    """A fillet's sizes at each station, as fields of the bead."""
    return {
        name: tuple(None if np.isnan(mm) else round(float(mm), 3) for mm in values)
        for name, values in sizes_along(fillet, traced).items()
    }


def _outlines(cards: Sequence[FoundCard]) -> list[NDArray[np.float32]]:
    """Each card's four corners (4, 2) in the photo."""
    spec = card_spec()
    corners = np.array([[[0.0, 0.0], [spec.width, 0.0], [spec.width, spec.height], [0.0, spec.height]]])
    onto_photo = (cv2.findHomography(card.corners_mm, card.corners_px)[0] for card in cards)
    return [cv2.perspectiveTransform(corners, H)[0].astype(np.float32) for H in onto_photo if H is not None]


def _on_card(at: NDArray[np.float64], cards: Sequence[NDArray[np.float32]], near_mm: float = 0.0) -> bool:
    """Whether any of these places (N, 2) px lies on a card, or so near to one."""
    for corners in cards:
        edge = np.roll(corners, -1, axis=0) - corners
        length = np.linalg.norm(edge, axis=1)
        off = at[:, None] - corners
        within = (edge[:, 0] * off[..., 1] - edge[:, 1] * off[..., 0]) / length
        turn = np.sign(edge[0, 0] * edge[1, 1] - edge[0, 1] * edge[1, 0])
        if ((turn * within).min(axis=1) >= -near_mm * float(length[0]) / card_spec().width).any():
            return True
    return False


def _said_travel(traced: TracedBead) -> TracedBead:
    return replace(traced, travel="known", travel_evidence="the user marked the start first, then the end")


def _bead_problems(traced: TracedBead) -> list[Problem]:
    found = [
        problem("bead_cut", end=end)
        for end, seen in (("start", traced.start_seen), ("end", traced.end_seen))
        if not seen
    ]
    unsure = float(np.mean(traced.confidence < 0.5))
    if unsure > 0.15:
        found.append(problem("bead_unsure", share=round(100 * unsure)))
    for covered in traced.covered:
        along = (covered.s_from + covered.s_to) / 2 / float(traced.s[-1])
        found.append(problem("toe_covered", side=covered.side, share=round(100 * along)))
    if traced.travel == "assumed":
        found.append(problem("travel_assumed"))
    if float(traced.s[-1]) < 4 * float(np.median(traced.t_left - traced.t_right)):
        found.append(problem("bead_short"))
    return found


def _scale(ground: _Ground, traced: TracedBead | None, settings: Settings) -> Scale:
    plate = ground.plate
    if plate is None:
        why = "no reference card was found" if not ground.cards else "the card's corners allow no scale"
        return Scale(state="none", why=why)
    at = None
    if traced is not None:
        px = traced.frame.to_px(traced.band.to_surface(traced.s[[len(traced.s) // 2]], np.zeros(1)))
        at = plate.to_mm(px)[0]
    names = ground.cards if ground.fillet is not None else (plate.card,)
    return Scale(
        state="card",
        cards=tuple(sorted({c.which for c in names})),
        print_scale=plate.print_scale.quantity,
        px_per_mm=plate.px_per_mm(at if at is not None and np.isfinite(at).all() else np.array([42.8, 27.0])),
        tilt=plate.tilt,
        camera_profile=settings.camera_profile,
    )


def _bead(traced: TracedBead | None, seen: Sighting, settings: Settings, problems: Sequence[Problem]) -> Bead:
    others = tuple(b.ends_px for b in seen.beads)
    if traced is None:
        looks = seen.other.kind if seen.other is not None and any(p.code == "not_a_bead" for p in problems) else None
        why = next((p.text for p in problems if p.code in ("no_bead", "not_a_bead", "ends_off")), None)
        return Bead(found=False, joint=settings.joint, looks_like=looks, why=why, others_px=others)
    left, right = traced.left_toe, traced.right_toe
    left_px, right_px = traced.frame.to_px(left), traced.frame.to_px(right)
    has_scale = traced.frame.has_scale
    plate_left, plate_right = (_on_plate(traced, mm) for mm in (left, right))
    return Bead(
        found=True,
        confidence=round(min(max(traced.found_confidence, 0.0), 1.0), 3),
        joint=settings.joint,
        start=_point((plate_left[0] + plate_right[0]) / 2) if has_scale else None,
        end=_point((plate_left[-1] + plate_right[-1]) / 2) if has_scale else None,
        start_px=_point((left_px[0] + right_px[0]) / 2),
        end_px=_point((left_px[-1] + right_px[-1]) / 2),
        start_seen=traced.start_seen,
        end_seen=traced.end_seen,
        travel=traced.travel,
        travel_evidence=traced.travel_evidence,
        s=tuple(np.round(traced.s, 3).tolist()),
        left_toe=_points(plate_left) if has_scale else (),
        right_toe=_points(plate_right) if has_scale else (),
        left_toe_px=_points(left_px),
        right_toe_px=_points(right_px),
        toe_confidence=tuple(np.round(traced.confidence, 3).tolist()),
        others_px=others if len(others) > 1 else (),
        why=None if has_scale else "no reference card was found, so places are given in pixels only",
    )


def _on_plate(traced: TracedBead, mm: F64) -> F64:
    """Surface coordinates as plate mm: a fillet's unfolded surface folds back onto its base plate's frame."""
    return traced.frame.to_plate(mm)[:, :2] if isinstance(traced.frame, FilletFrame) else mm


def _point(at: F64) -> Point:
    return round(float(at[0]), 4), round(float(at[1]), 4)


def _points(line: F64) -> tuple[Point, ...]:
    return tuple((x, y) for x, y in np.round(line, 4).tolist())
