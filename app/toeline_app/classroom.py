"""The class of this session: its rubric, its names, its photos and what was looked for, measured and scored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pydantic import BaseModel, ConfigDict, ValidationError

from toeline.coupons.by_bead import by_bead
from toeline.coupons.coupons import ClassScores
from toeline.coupons.roster import Roster
from toeline.coupons.rubric import Rubric
from toeline.result import Result, Settings
from toeline_app import photos, prefs, said
from toeline_app.photos import Photo, Shown
from toeline_app.service import scoring
from toeline_app.views.bench import to_settings

COUPONS, REFERENCE = "coupons_photos", "reference_photos"
NOTE = "class"


class Told(BaseModel):
    """What the instructor said of the class: the rubric's id and texts of their own by id, and the roster's text."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rubric: str = "first-beads"
    texts: dict[str, str] = {}
    roster: str = ""
    roster_name: str = ""


@dataclass(frozen=True, slots=True)
class Scored:
    """The class scored, with its photos as they are shown, by name."""

    scores: ClassScores
    shown: dict[str, Shown]
    settings: Settings


def told() -> Told:
    """What was said of the class."""
    text = said.note(NOTE)
    try:
        return Told() if text is None else Told.model_validate_json(text)
    except ValidationError:  # kept by another version
        return Told()


def say(**changed: object) -> None:
    """Say something of the class anew."""
    said.keep_note(NOTE, Told.model_validate(dict(told()) | changed).model_dump_json(exclude_defaults=True))


def rubric_text() -> str:
    """The text of the rubric in use, with any change."""
    now = told()
    return now.texts.get(now.rubric) or scoring.rubric_text(now.rubric)


def use_text(text: str | None) -> None:
    """Use this text for the chosen rubric, or the shipped one."""
    now = told()
    rest = {name: kept for name, kept in now.texts.items() if name != now.rubric}
    say(texts=rest if text in (None, scoring.rubric_text(now.rubric)) else rest | {now.rubric: text})


def rubric() -> Rubric:
    """The rubric in use. Raises RubricError while its text is wrong."""
    return scoring.read_rubric(rubric_text())


def roster() -> Roster | None:
    """The names, where a roster was given. Raises RubricError."""
    now = told()
    return scoring.roster(now.roster.encode(), now.roster_name) if now.roster else None


def settings() -> Settings:
    """The settings of the class: those of the page Measure, with what was said on the page of the class."""
    return to_settings(prefs.preferences())


def measured(chosen: Sequence[Photo], *, with_code: bool = False) -> list[Shown]:
    """Photos measured by the settings that a measure goes by: rod, criteria and looks come in afterwards."""
    bare = scoring.measured_by(settings())
    return photos.measure_all([(photo, bare) for photo in chosen], batch=True, with_code=with_code)


def with_sides(chosen: Sequence[Photo]) -> list[Photo]:
    """The face photos, each with those that its name says were taken from the sides of the same bead."""
    named = {photo.name: photo for photo in chosen}
    return [replace(named[face], sides=tuple(named[side] for side in sides)) for face, sides in by_bead(named).items()]


def score(chosen: Sequence[Photo], reference: Result | None) -> Scored:
    """The chosen photos scored, several of one bead as one coupon. Raises RubricError."""
    names, whole = roster(), settings()
    shown = _drawn_anew(measured(with_sides(chosen), with_code=bool(names and names.by_code)))
    found = [
        (one.photo.name, scoring.said_of(one.result, whole, said.about(one.photo.sha256).gauge), one.problem, one.code)
        for one in shown
    ]
    scores = scoring.score_photos(found, rubric(), reference, names)
    return Scored(scores, {one.photo.name: one for one in shown}, whole)


def _drawn_anew(shown: Sequence[Shown]) -> list[Shown]:
    """The same with pictures that show what somebody who looked said of the places marked there."""
    bare = scoring.measured_by(settings())
    jobs = [
        (one.photo, bare.model_copy(update={"gauge": looks}))
        for one in shown
        if one.result is not None and (looks := said.about(one.photo.sha256).gauge)
    ]
    pictures = {one.photo.sha256: one.picture for one in photos.measure_all(jobs)}
    return [replace(one, picture=pictures.get(one.photo.sha256, one.picture)) for one in shown]


def scored() -> Scored | None:
    """The class as it is held, scored; None where there is no class, or the reference bead is missing.

    Raises RubricError.
    """
    chosen = photos.holding(COUPONS)
    found: Result | None = None
    if rubric().needs_reference:
        held = photos.holding(REFERENCE)
        found = reference(measured(held)[0]) if held else None
        if found is None:
            return None
    return score(chosen, found) if chosen else None


def reference(shown: Shown) -> Result | None:
    """The result of the reference bead, where it can be used."""
    found = scoring.said_of(shown.result, settings(), ())
    return None if found is None or found.stopped else found
