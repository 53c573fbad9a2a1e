"""Printable coaching sheets: a class list first, then one page for each coupon."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.resources import files

from PIL import Image

from toeline import __version__
from toeline.coupons.coupons import ClassScores, Coupon
from toeline.coupons.roster import Roster, tag_picture
from toeline.photo import U8
from toeline.report.highlights import likely_causes
from toeline.report.typeset import Paper, typeset
from toeline.units import Unit, say

MOST_TO_PRACTISE = 3
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
    data = {
        "paper": paper,
        "rubric": scores.rubric.title,
        "about": scores.rubric.about,
        "digest": scores.rubric.digest[:16],
        "of": f"{scores.rubric.points:g}",
        "pass_mark": f"{scores.rubric.pass_share * scores.rubric.points:g}",
        "made": made_at.strftime("%Y-%m-%d %H:%M UTC"),
        "version": __version__,
        "coupons": [_sheet(coupon, names.get(coupon.photo), unit) for coupon in scores.coupons],
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


def _sheet(coupon: Coupon, picture: str | None, unit: Unit) -> dict[str, object]:
    scored = coupon.score
    result = coupon.result
    coach = result.coaching if result else None
    return {
        "name": coupon.name,
        "photo": coupon.photo,
        "picture": picture,
        "outcome": coupon.outcome,
        "points": _points(coupon),
        "reasons": list(scored.reasons) if scored else [coupon.problem or ""],
        "items": [
            [item.title, say(item.value, unit), "–" if item.points is None else f"{item.points:.1f} of {item.weight:g}"]
            for item in (scored.items if scored else ())
        ],
        "practise": [[item.title, item.coaching] for item in (scored.to_practise if scored else ())[:MOST_TO_PRACTISE]]
        if coach
        else [],
        "cause": likely_causes(result) if result else None,
        "first": coach.first if coach else None,
        "then": list(coach.then) if coach and coach.first_is == "look" else [],
        "repeat": coach.repeat if coach else None,
        "cautions": list(coach.cautions) if coach else [],
    }


def _points(coupon: Coupon) -> str:
    if coupon.score is None or coupon.points is None:
        return "not scored"
    return f"{coupon.points:.0f} ± {coupon.score.U:.0f}"
