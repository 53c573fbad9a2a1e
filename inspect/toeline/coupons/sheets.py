"""What is printed of a class: the list and the next session's plan, one sheet a learner, tags to cut out."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files

from PIL import Image

from toeline import __version__
from toeline.coupons.coupons import ClassScores, Coupon, place_in_words
from toeline.coupons.drills import grouped
from toeline.coupons.learner import HEADINGS, LearnerSheet, sheets_of
from toeline.coupons.progress import MOVED_MEANS, Progress
from toeline.coupons.roster import Roster, tag_picture
from toeline.photo import U8
from toeline.report.typeset import Paper, typeset
from toeline.result import Quantity, Result
from toeline.units import Unit, in_unit, say


@dataclass(frozen=True, slots=True)
class Bead:
    """One of two beads: when it was welded, as it is to be written, its result and its annotated JPEG."""

    when: str
    result: Result
    picture: bytes | None


#: A tag's black square is ten modules wide; any multiple prints crisp.
TAG_PX = 400


def coupon_sheets(
    scores: ClassScores,
    pictures: Mapping[str, bytes],
    *,
    since: Mapping[str, tuple[str, Progress]] | None = None,
    unit: Unit = "mm",
    paper: Paper = "a4",
    made_at: datetime | None = None,
) -> bytes:
    """The sheets of a class as one tagged PDF.

    ``pictures`` holds an annotated JPEG by photo name, for those that have one; ``since`` by photo name the day of a
    learner's last bead on record and what moved since; ``made_at`` fixes the time (then the same input gives the same
    bytes). Raises ReportError where the sheets cannot be typeset.
    """
    made_at = made_at or datetime.now(UTC)
    names = {photo: f"picture{number}.jpg" for number, photo in enumerate(pictures)}
    sheets, places = sheets_of(scores, unit), scores.places()
    data = {
        "paper": paper,
        "rubric": scores.rubric.title,
        "about": scores.rubric.about,
        "digest": scores.rubric.digest[:16],
        "of": f"{scores.rubric.points:g}",
        "pass_mark": f"{scores.rubric.pass_share * scores.rubric.points:g}",
        "made": made_at.strftime("%Y-%m-%d %H:%M UTC"),
        "version": __version__,
        "plan": _plan(scores, sheets, unit),
        "coupons": [
            _sheet(coupon, sheet, names.get(coupon.photo), place_in_words(places.get(coupon.photo)))
            | {"since": _since(coupon, (since or {}).get(coupon.photo), unit)}
            for coupon, sheet in zip(scores.coupons, sheets, strict=True)
        ],
    }
    sources = {name: pictures[photo] for photo, name in names.items()}
    return _typeset("coupon_sheets.typ", data, sources, made_at)


def progress_sheet(
    name: str,
    progress: Progress,
    beads: tuple[Bead, Bead],
    *,
    unit: Unit = "mm",
    paper: Paper = "a4",
    made_at: datetime | None = None,
) -> bytes:
    """Before and after on one page, as a tagged PDF: both ``beads``, the last advice, its aim, what else moved.

    Raises ReportError where the sheet cannot be typeset.
    """
    made_at = made_at or datetime.now(UTC)
    rod = beads[0].result.settings.welding.electrode_mm
    data = {
        "paper": paper,
        "name": name,
        "made": made_at.strftime("%Y-%m-%d %H:%M UTC"),
        "version": __version__,
        "beads": [
            {"when": bead.when, "picture": f"picture{n}.jpg" if bead.picture else None} for n, bead in enumerate(beads)
        ],
        "heading": progress.heading,
        "advice": progress.advice,
        "drill": progress.drill.title if progress.drill else None,
        "verdict": progress.aim.verdict if progress.aim else "cannot be told",
        "aim": progress.aim_in_words(unit, rod),
        "others": [
            [in_unit(one.called, unit), said(one.before, unit), said(one.after, unit), one.verdict]
            for one in progress.others
        ],
        "differ": list(progress.differ),
        "moved_means": MOVED_MEANS,
    }
    sources = {f"picture{n}.jpg": bead.picture for n, bead in enumerate(beads) if bead.picture}
    return _typeset("progress.typ", data, sources, made_at)


def said(quantity: Quantity, unit: Unit) -> str:
    """A figure for a narrow column."""
    return "not known" if quantity.value is None else say(quantity, unit)


def _since(coupon: Coupon, found: tuple[str, Progress] | None, unit: Unit) -> dict[str, str] | None:
    if found is None or not found[1].advice:
        return None
    when, progress = found
    rod = coupon.result.settings.welding.electrode_mm if coupon.result else None
    return {"when": when, "advice": progress.advice, "aim": progress.aim_in_words(unit, rod)}


def tag_sheets(roster: Roster, *, paper: Paper = "a4", made_at: datetime | None = None) -> bytes:
    """Tags to cut out and lay beside a bead, one for each code of the roster, with its name and number."""
    made_at = made_at or datetime.now(UTC)
    sources = {f"tag{code}.png": _png(tag_picture(code, TAG_PX)) for code in roster.by_code}
    tags = [[name, str(code), f"tag{code}.png"] for code, name in sorted(roster.by_code.items())]
    return _typeset("tags.typ", {"paper": paper, "tags": tags}, sources, made_at)


def _png(picture: U8) -> bytes:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    return out.getvalue()


def _typeset(template: str, data: Mapping[str, object], sources: Mapping[str, bytes], made_at: datetime) -> bytes:
    text = (files("toeline") / "data" / template).read_bytes()
    return typeset(text, data, sources, made_at, ("a-2a", "ua-1"))


def _plan(scores: ClassScores, sheets: tuple[LearnerSheet, ...], unit: Unit) -> list[list[str]]:
    """The next session: drill, what to weld in general, who does it."""
    plan = grouped((sheet.name, sheet.drill) for sheet in sheets)
    rows = [[drill.title, drill.general(unit), ", ".join(names)] for drill, names in plan if drill is not None]
    again = [name for drill, names in plan if drill is None for name in names]
    if again:
        rows.append(["Take the photo again", "Each sheet says what is wrong with the photo.", ", ".join(again)])
    if scores.absent:
        rows.append(["No photo yet", "Photograph the coupon.", ", ".join(scores.absent)])
    return rows


def _sheet(coupon: Coupon, sheet: LearnerSheet, picture: str | None, place: str | None) -> dict[str, object]:
    return {
        "name": sheet.name,
        "photo": coupon.photo,
        "picture": picture,
        "outcome": sheet.outcome,
        "points": sheet.points,
        "place": place or "",
        "reasons": list(sheet.reasons) or [sheet.retake or ""],
        "retake": sheet.retake,
        "well": list(sheet.well),
        "heading": HEADINGS[sheet.change_is],
        "change": sheet.change,
        "steps": list(sheet.steps),
        "cause": sheet.cause,
        "figure": sheet.figure,
        "drill": None
        if sheet.drill is None
        else {
            "title": sheet.drill.title,
            "say": sheet.drill.say,
            "done": sheet.drill_done,
            "beads": sheet.drill.drill.beads,
        },
        "repeat": sheet.repeat,
        "cautions": list(sheet.cautions),
        "surer": sheet.surer,
    }
