"""The one straight line: a photo in, a result out."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from toeline.causes import rank_causes
from toeline.causes.welding import check_result
from toeline.criteria import Criteria, load_criteria
from toeline.document import withhold, write_document
from toeline.errors import CardError
from toeline.evidence.gauge import check_reading
from toeline.geometry.camera import CameraProfile, load_profile
from toeline.geometry.card import find_cards
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.fillet_one_card import fillet_from_one_card
from toeline.geometry.ground import Ground, card_outlines, lay_ground, on_card
from toeline.geometry.plate import print_scale
from toeline.judgement import judge
from toeline.measures.indications import Draft, faults, placed, spots
from toeline.measures.legs import (
    measure_fillet,
    name_plates,
    root_ends,
    sizes_along,
    toe_problems,
    undersize_share,
    unknown_fillet,
)
from toeline.measures.width_and_edges import count_indications, measure_course, unknown_measures
from toeline.photo import Photo, read_photo
from toeline.photogrammetry import check_count, check_surface_name, measure_relief, read_all, save_surface, with_relief
from toeline.problems import problem
from toeline.result import Indication, Problem, Quantity, Result, Settings
from toeline.settings import Said, settings_from
from toeline.trace.band import TracedBead
from toeline.trace.bead_finder import Detections, detect_beads
from toeline.trace.belief import DISBELIEVED
from toeline.trace.ripples import read_ripples
from toeline.trace.search import Found, check_ends, search
from toeline.trace.toes import look_about
from toeline.units import in_unit
from toeline.usability import card_problems, photo_problems, scene_problems, trace_problems

#: A toe this close to a card is the card's edge, not the bead's.
_CARD_TOUCHES_MM = 0.5


def measure(photo: str | Path | bytes | Photo, **said: Unpack[Said]) -> Result:
    """Measure one photo; the keywords are those of ``toeline measure`` (lengths in ``unit``, ends in px).

    Raises:
        ToelineError: the photo cannot be read, or a setting makes no sense; the text says what to do.
    """
    return measure_with(photo, settings_from(**said))


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


def relief(
    photos: Sequence[str | Path | bytes | Photo], *, height_map: str | Path | None = None, **said: Unpack[Said]
) -> Result:
    """Measure one bead in several photos, the first of them the face photo; the keywords are those of ``measure``.

    ``height_map`` names a file for the surface: ``.npz``, ``.x3p`` or ``.png``.

    Raises:
        ToelineError: the face photo cannot be read, or a setting makes no sense; the text says what to do.
    """
    return relief_with(photos, settings_from(**said), height_map)


def measure_with(photo: str | Path | bytes | Photo, settings: Settings) -> Result:
    """As :func:`measure`, with everything the user said in one :class:`Settings`."""
    clock = _Clock()
    criteria, profile = _check(settings)
    with clock.stage("photo"):
        photo = photo if isinstance(photo, Photo) else read_photo(photo)
    face = _look(photo, settings, profile, clock)
    return _judged(face.document(settings), criteria, clock)


def relief_with(
    photos: Sequence[str | Path | bytes | Photo], settings: Settings, height_map: str | Path | None = None
) -> Result:
    """As :func:`relief`, with everything the user said in one :class:`Settings`."""
    clock = _Clock()
    criteria, profile = _check(settings)
    check_count(len(photos))
    if height_map is not None:
        check_surface_name(height_map)
    with clock.stage("photo"):
        read = read_all(photos)
    face = _look(read.photos[0], settings, profile, clock)
    with clock.stage("relief"):
        bead = face.measured.bead if face.believed else None
        found = measure_relief(read.photos, bead, face.ground, settings, profile)
        result = with_relief(face.document(settings), read, found)
        if height_map is not None and found.relief is not None:
            save_surface(found.relief, height_map)
    return _judged(result, criteria, clock)


#: The settings by which a photo is measured and the result worded; all others only judge and advise.
_MEASURED_BY = {
    "joint",
    "check_line_mm",
    "camera_profile",
    "ends_px",
    "joint_angle_deg",
    "drawing_size_mm",
    "drawing_size_is",
    "unit",
}


def judge_again(result: Result, settings: Settings) -> Result | None:
    """A measured photo judged and advised anew by other settings: readings, looks, criteria, how it was welded.

    None where the photo would have to be measured anew. Raises ToelineError where a setting makes no sense.
    """
    if settings.model_dump(include=_MEASURED_BY) != result.settings.model_dump(include=_MEASURED_BY):
        return None
    criteria, _ = _check(settings)
    anew: dict[str, object] = {"judgement": None, "causes": (), "causes_why": None, "coaching": None, "advice": {}}
    return _judged(result.model_copy(update={"settings": settings, **anew}), criteria, _Clock())


def _check(settings: Settings) -> tuple[Criteria | None, CameraProfile | None]:
    """Refuse what is wrong before a photo is read; the criteria and the camera profile that are named."""
    for reading in settings.gauge:
        check_reading(reading)
    print_scale(settings.check_line_mm)  # refused here also where no card will be found
    criteria = load_criteria(settings.criteria) if settings.criteria else None
    profile = load_profile(settings.camera_profile) if settings.camera_profile else None
    return criteria, profile


def _look(photo: Photo, settings: Settings, profile: CameraProfile | None, clock: _Clock) -> _Face:
    """All that one photo shows."""
    check_ends(photo, settings.ends_px)
    with ThreadPoolExecutor(1) as aside:  # neither needs the other
        finding = aside.submit(detect_beads, photo.image)
        with clock.stage("card"):
            cards = find_cards(photo)
        with clock.stage("plate"):
            ground = lay_ground(photo, cards, settings, profile)
        with clock.stage("find"):
            detections = finding.result()
    with clock.stage("trace"):
        found = search(photo, detections, ground, settings.ends_px)
    believed = found.bead is not None and not any(p.code in DISBELIEVED for p in found.problems)
    if found.bead is None or not believed:
        with clock.stage("usable"):
            usability: tuple[Problem, ...] = scene_problems(photo, ground.plate, fillet=settings.joint == "fillet")
            usability += card_problems(cards, ground.plate)
        measured = _nothing(settings, found)
    else:
        measured, usability = _measure_bead(photo, ground, found.bead, settings, clock)
    problems = _tidy([*found.problems, *ground.problems, *measured.problems, *usability])
    told = tuple(one.model_copy(update={"text": in_unit(one.text, settings.unit)}) for one in problems)
    return _Face(photo, ground, found.detections, measured, told, believed)


def _judged(result: Result, criteria: Criteria | None, clock: _Clock) -> Result:
    """The document with verdict and advice."""
    if result.stopped:
        result = withhold(result, result.stopped)
    with clock.stage("judge"):
        if criteria is not None:
            result = result.model_copy(update={"judgement": judge(result, criteria)})
        if result.stopped:
            return result.model_copy(update={"timing_ms": clock.done()})
        causes = rank_causes(result)
        result = result.model_copy(
            update={
                "procedure": check_result(result).procedure,
                "causes": causes.causes,
                "causes_why": causes.causes_why,
                "coaching": causes.coaching,
                "advice": causes.advice,
            }
        )
    return result.model_copy(update={"timing_ms": clock.done()})


@dataclass(frozen=True, slots=True)
class _Measured:
    """A bead measured: quantities, indications, a fillet's sizes at each station, and what is wrong."""

    bead: TracedBead | None
    measures: Mapping[str, Quantity]
    indications: tuple[Indication, ...] = ()
    sizes_along: Mapping[str, tuple[float | None, ...]] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class _Face:
    """All that one photo shows, before it is judged; ``believed`` where its bead was measured."""

    photo: Photo
    ground: Ground
    detections: Detections
    measured: _Measured
    problems: tuple[Problem, ...]
    believed: bool

    def document(self, settings: Settings) -> Result:
        """The result without its judgement and causes."""
        return write_document(
            self.photo,
            self.ground,
            self.detections,
            self.measured.bead,
            self.problems,
            self.measured.measures,
            self.measured.sizes_along,
            self.measured.indications,
            settings,
        )


def _nothing(settings: Settings, found: Found) -> _Measured:
    """Every measure with the reason why there is none; a bead that is not believed is shown, no more."""
    why = found.problems[0].text if found.problems else problem("no_bead").text
    measures = unknown_measures(why)
    return _Measured(found.bead, measures | unknown_fillet(why) if settings.joint == "fillet" else measures)


def _measure_bead(
    photo: Photo, ground: Ground, bead: TracedBead, settings: Settings, clock: _Clock
) -> tuple[_Measured, tuple[Problem, ...]]:
    """The traced bead measured, and what is wrong with the photo as it shows it."""
    outline = bead.outline_px
    with ThreadPoolExecutor(1) as aside:
        wider = aside.submit(_spots_about, photo.image, bead)
        with clock.stage("measure"):  # what needs the band alone
            ripples = read_ripples(bead.band, bead.s, bead.t_left, bead.t_right)
            measures = measure_course(bead, ripples)
            found = faults(bead, ripples)
        with clock.stage("usable"):
            usability = photo_problems(photo, outline, ground.plate, fillet=settings.joint == "fillet")
            usability += card_problems(ground.cards, ground.plate, outline)
        with clock.stage("look about"):
            bead, further = wider.result()
            found += further
    problems: list[Problem] = []
    sizes: dict[str, tuple[float | None, ...]] = {}
    with clock.stage("measure"):
        printed = card_outlines(ground.cards)
        indications = off_cards(placed(bead, found), printed)
        measures |= count_indications(bead, indications)
        if settings.joint == "fillet":
            fillet = _fillet_of(bead, ground, settings)
            measures |= _fillet_measures(fillet, bead, settings)
            if isinstance(fillet, FilletFrame):
                sizes = _fillet_along(fillet, bead)
                indications = name_plates(fillet, bead, indications)
                problems += toe_problems(fillet, bead)
        problems += trace_problems(bead)
        if on_card(outline, printed, _CARD_TOUCHES_MM).any():
            problems.append(problem("bead_covered"))
    return _Measured(bead, measures, indications, sizes, tuple(problems)), usability


def _spots_about(image: NDArray[np.uint8], bead: TracedBead) -> tuple[TracedBead, list[Draft]]:
    """The bead with the plate further off, and the spots there and on it."""
    bead = look_about(image, bead)
    return bead, list(spots(bead))


def off_cards(indications: Sequence[Indication], printed: Sequence[NDArray[np.float32]]) -> tuple[Indication, ...]:
    """Those that lie on none of the cards, whose corners (4, 2) px are given: print is no spatter."""
    places = [(np.nan, np.nan) if one.at_px is None else one.at_px for one in indications]
    on = on_card(np.reshape(places, (-1, 2)), printed)
    return tuple(one for one, is_print in zip(indications, on, strict=True) if not is_print)


def _tidy(problems: Sequence[Problem]) -> list[Problem]:
    """Each problem once; a blurred photo's markers do not fit a plane either, and that goes without saying."""
    once = list(dict.fromkeys(problems))
    if any(p.code in ("blur_strong", "photo_blurred") for p in once):
        once = [p for p in once if p.code not in ("card_not_flat", "card_bent")]
    return once


def _fillet_of(traced: TracedBead, ground: Ground, settings: Settings) -> FilletFrame | str:
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
