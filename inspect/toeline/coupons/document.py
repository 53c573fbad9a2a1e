"""A scored class, and before and after, for machines: each one JSON document."""

from __future__ import annotations

import json
from typing import Any

from toeline import __version__
from toeline.coupons.coupons import ClassScores, Coupon
from toeline.coupons.drills import NextDrill, grouped
from toeline.coupons.learner import LearnerSheet, sheets_of
from toeline.coupons.progress import Change, Progress
from toeline.units import Unit

SCHEMA = "toeline.class/1"


def class_json(scores: ClassScores, unit: Unit = "mm") -> str:
    """The class, its sheets and the next session; words in ``unit``, values as measured."""
    sheets, places = sheets_of(scores, unit), scores.places()
    return json.dumps(
        {
            "schema": SCHEMA,
            "toeline": __version__,
            "rubric": {
                "id": scores.rubric.id,
                "title": scores.rubric.title,
                "digest": scores.rubric.digest,
                "points": scores.rubric.points,
                "pass_share": scores.rubric.pass_share,
            },
            "coupons": [
                _coupon(one, sheet, places.get(one.photo)) for one, sheet in zip(scores.coupons, sheets, strict=True)
            ],
            "no_photo": list(scores.absent),
            "no_name": list(scores.unnamed),
            "cannot_be_used": [one.photo for one in scores.broken],
            "next_session": [
                {"drill": drill.id if drill else None, "title": drill.title if drill else None, "who": list(who)}
                for drill, who in grouped((sheet.name, sheet.drill) for sheet in sheets)
            ],
        },
        ensure_ascii=False,
        indent=1,
    )


def _coupon(coupon: Coupon, sheet: LearnerSheet, place: tuple[int, int] | None) -> dict[str, Any]:
    scored = coupon.score
    return {
        "name": coupon.name,
        "photo": coupon.photo,
        "photo_sha256": coupon.result.photo.sha256 if coupon.result else None,
        "outcome": coupon.outcome,
        "points": coupon.points,
        "U": None if scored is None or coupon.points is None else scored.U,
        "place": place,
        "reasons": list(scored.reasons) if scored else [coupon.problem],
        "narrowed_by": scored.narrowed_by.text if scored and scored.narrowed_by else None,
        "lines": [
            {
                "id": line.id,
                "value": line.value.value,
                "U": line.value.U,
                "points": line.points,
                "points_U": line.U,
                "of": line.weight,
                "counted": line.counted,
                "why": line.value.why,
            }
            for line in (scored.items if scored else ())
        ],
        "sheet": {
            "well": list(sheet.well),
            "change": sheet.change,
            "change_is": sheet.change_is,
            "figure": sheet.figure,
            "drill": _drill(sheet.drill, sheet.drill_done),
            "retake": sheet.retake,
        },
    }


def _drill(drill: NextDrill | None, done: str | None) -> dict[str, Any] | None:
    if drill is None:
        return None
    return {"id": drill.drill.id, "title": drill.title, "say": drill.say, "done": done, "beads": drill.drill.beads}


def progress_json(progress: Progress) -> str:
    """Before and after, values as measured."""
    document = {
        "schema": "toeline.progress/1",
        "toeline": __version__,
        "advice": progress.advice,
        "drill": progress.drill.drill.id if progress.drill else None,
        "aim": None if progress.aim is None else _change(progress.aim),
        "why": progress.why,
        "reached": progress.reached,
        "others": [_change(one) for one in progress.others],
        "differ": list(progress.differ),
    }
    return json.dumps(document, ensure_ascii=False, indent=1)


def _change(one: Change) -> dict[str, Any]:
    return {
        "measure": one.of.measure,
        "indication": one.of.indication,
        "per": one.of.per,
        "before": one.before.model_dump(include={"value", "U", "unit"}),
        "after": one.after.model_dump(include={"value", "U", "unit"}),
        "has_to_move_by": one.limit,
        "verdict": one.verdict,
        "why": one.why,
    }
