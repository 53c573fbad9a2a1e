"""What is printed of a class: the list and the next session's plan, one sheet a learner, tags to cut out."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.resources import files

from PIL import Image

from toeline import __version__
from toeline.coupons.coupons import ClassScores, Coupon, place_in_words
from toeline.coupons.drills import grouped
from toeline.coupons.learner import HEADINGS, LearnerSheet, sheets_of
from toeline.coupons.roster import Roster, tag_picture
from toeline.photo import U8
from toeline.report.typeset import Paper, typeset
from toeline.units import Unit

#: A tag's black square is ten modules wide; any multiple prints crisp.
TAG_PX = 400


def coupon_sheets(
    scores: ClassScores,
    pictures: Mapping[str, bytes],
    *,
    unit: Unit = "mm",
    paper: Paper = "a4",
    made_at: datetime | None = None,
) -> bytes:
    """The sheets of a class as one tagged PDF.

    ``pictures`` holds an annotated JPEG by photo name, for those that have one; ``made_at`` fixes the time (then the
    same input gives the same bytes). Raises ReportError where the sheets cannot be typeset.
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
        "plan": _plan(scores, sheets),
        "coupons": [
            _sheet(coupon, sheet, names.get(coupon.photo), place_in_words(places.get(coupon.photo)))
            for coupon, sheet in zip(scores.coupons, sheets, strict=True)
        ],
    }
    sources = {name: pictures[photo] for photo, name in names.items()}
    return _typeset("coupon_sheets.typ", data, sources, made_at)


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


def _plan(scores: ClassScores, sheets: tuple[LearnerSheet, ...]) -> list[list[str]]:
    """The next session: drill, what to weld in general, who does it."""
    plan = grouped((sheet.name, sheet.drill) for sheet in sheets)
    rows = [[drill.title, drill.general, ", ".join(names)] for drill, names in plan if drill is not None]
    again = [name for drill, names in plan if drill is None for name in names]
    if again:
        rows.append(["Take the photo again", "The photo could not be used; see each sheet.", ", ".join(again)])
    if scores.absent:
        rows.append(["No photo yet", "", ", ".join(scores.absent)])
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
