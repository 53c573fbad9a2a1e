"""From photos of one bead to what the result document says of its height and depth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from toeline.errors import CardError, PhotoError, SettingsError
from toeline.geometry.camera import CameraProfile
from toeline.geometry.ground import Ground
from toeline.measures.body import body_of
from toeline.measures.registry import unknown_of
from toeline.photo import Photo, read_photo
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.groove import Groove, carved, find_groove
from toeline.photogrammetry.quantities import along_seam, relief_measures, why_no_undercut, with_depths
from toeline.photogrammetry.relief import Relief, Unmeasured, find_relief, scales
from toeline.photogrammetry.sides import missing, seen_from
from toeline.photogrammetry.surface_map import surface_map
from toeline.photogrammetry.toe_looks import look_at_toes
from toeline.photogrammetry.undercut_found import undercut_by_depth, with_lengths
from toeline.problems import problem
from toeline.result import PhotoInfo, Problem, Quantity, ReliefAlong, Result, SeenFrom, Settings, Side
from toeline.text import shown_name
from toeline.trace.band import TracedBead


@dataclass(frozen=True, slots=True)
class ReadPhotos:
    """The photos that could be read, the face photo first; of each photo given its place among them, or why not."""

    photos: tuple[Photo, ...]
    given: tuple[int | str, ...]
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """A relief with its grooves, or why there is none; and what is wrong with each photo, by its place, left out."""

    relief: Relief | None = None
    grooves: dict[Side, Groove] = field(default_factory=dict)
    why: str = ""
    left_out: dict[int, Problem] = field(default_factory=dict)


def check_count(count: int) -> None:
    """Refuse too few or too many photos.

    Raises:
        SettingsError: the text says how many there may be.
    """
    rule = ReliefFigures.read().stands
    if not rule.fewest <= count <= rule.most:
        raise SettingsError(
            f"Height takes {rule.fewest} to {rule.most} photos of one bead, and there "
            f"{'is' if count == 1 else 'are'} {count}: give one taken square on first, then two to five from the sides."
        )


def most_photos() -> int:
    """How many photos of one bead are taken."""
    return ReliefFigures.read().stands.most


def fewest_for_depth() -> int:
    """How many photos the depth of undercut takes."""
    return ReliefFigures.read().groove.fewest


def read_all(photos: Sequence[str | Path | bytes | Photo]) -> ReadPhotos:
    """Every photo that can be read.

    Raises:
        PhotoError: the face photo, which is the first, cannot be.
    """
    read: list[Photo] = []
    given: list[int | str] = []
    names: list[str] = []
    for nth, photo in enumerate(photos):
        names.append(_name(photo, nth))
        try:
            one = photo if isinstance(photo, Photo) else read_photo(photo)
        except PhotoError as error:
            if nth == 0:
                raise
            given.append(str(error))
            continue
        given.append(len(read))
        read.append(one)
    return ReadPhotos(tuple(read), tuple(given), tuple(names))


def measure_relief(
    photos: Sequence[Photo], bead: TracedBead | None, ground: Ground, settings: Settings, profile: CameraProfile | None
) -> Outcome:
    """The relief of the bead that was traced in the first of the photos, None where it was not believed."""
    if bead is None:
        return Outcome(why="the face photo shows no bead that could be measured")
    if ground.plate is None or not bead.frame.has_scale:
        return Outcome(why="the face photo shows no card, and without it there is no height")
    if settings.joint == "fillet" and ground.fillet is None:
        return Outcome(why=f"where both plates of the fillet lie is not known: {ground.why_no_legs}")
    try:
        found = find_relief(photos, bead, body_of(bead), ground.plate.which, ground.fillet, settings, profile)
    except CardError as error:
        return Outcome(why=str(error))
    if isinstance(found, Unmeasured):
        return Outcome(why=found.why, left_out=found.left_out)
    grooves: dict[Side, Groove] = {}
    if len(found.stands) >= fewest_for_depth():
        images, scale = [stand.photo.image for stand in found.stands], scales(found.stands, found.chart)
        for side, looks in look_at_toes(found, bead).items():
            likely = looks.s, looks.likely
            grooves[side] = find_groove(images, found.ties.frames, found.chart, found.surface, scale, side, likely)
    taken, u_taken = carved(found.chart, grooves)
    # where a groove was found it, not the smooth surface, says how low the plate lies
    grooved = taken > ReliefFigures.read().groove.least
    low = np.where(grooved, np.minimum(found.surface.height, found.surface.domes - taken), found.surface.height)
    surface = replace(found.surface, height=low, carved=taken, u_carved=u_taken)
    return Outcome(replace(found, surface=surface), grooves, left_out=found.left_out)


def with_relief(result: Result, read: ReadPhotos, outcome: Outcome) -> Result:
    """The result of the face photo with what all photos say of height and depth."""
    infos = []
    for place, name in zip(read.given, read.names, strict=True):
        if isinstance(place, str):
            infos.append(
                PhotoInfo(
                    name=name,
                    sha256="",
                    width_px=0,
                    height_px=0,
                    usable=False,
                    problems=(problem("relief_unread", why=place),),
                )
            )
        elif place == 0:
            infos.append(result.photo)
        else:
            infos.append(_info(read.photos[place], outcome.left_out.get(place)))
    update: dict[str, object] = {"photos": tuple(infos)}
    measures: dict[str, Quantity]
    if outcome.relief is None:
        measures = unknown_of(["relief"], outcome.why)
        update["relief"] = ReliefAlong(state="none", why=outcome.why)
    else:
        relief = outcome.relief
        measures = relief_measures(relief, outcome.grooves)
        along = along_seam(relief, outcome.grooves)
        why = why_no_undercut(relief) if not outcome.grooves else None
        seen = _seen_from(relief)
        told = {"why": why, "seen_from": seen, "missing": missing(seen), "map": surface_map(relief)}
        update["relief"] = along.model_copy(update=told)
        found = undercut_by_depth(relief, outcome.grooves, result.bead, result.indications)
        measures |= with_lengths(result.measures, found)
        update["indications"] = with_depths(relief, outcome.grooves, (*result.indications, *found))
    return result.model_copy(update=update | {"measures": result.measures | measures})


def _seen_from(relief: Relief) -> tuple[SeenFrom, ...]:
    chart = relief.chart
    about = chart.points(np.array(chart.length / 2), np.array(0.0), np.array(0.0))
    return seen_from(relief.stands, about, chart.axes[0], chart.axes[2])


def _info(photo: Photo, left_out: Problem | None) -> PhotoInfo:
    return PhotoInfo(
        name=photo.name,
        sha256=photo.sha256,
        width_px=photo.width,
        height_px=photo.height,
        taken_at=photo.exif.taken_at,
        camera=photo.exif.camera,
        usable=left_out is None,
        problems=() if left_out is None else (left_out,),
    )


def _name(photo: str | Path | bytes | Photo, nth: int) -> str:
    if isinstance(photo, Photo):
        return photo.name
    return f"photo {nth + 1}" if isinstance(photo, bytes) else shown_name(Path(photo).name)
