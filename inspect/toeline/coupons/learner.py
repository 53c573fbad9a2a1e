"""One sheet that a learner reads in a minute: what went well, one thing to change with its figure, the next drill."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toeline.coupons.coupons import ClassScores, Coupon
from toeline.coupons.drills import NextDrill, in_words, next_drill, surely_lost
from toeline.coupons.rubric import Item, Rubric
from toeline.coupons.score import Score
from toeline.evidence.evidence import Evidence
from toeline.evidence.gauge import gauges
from toeline.report.highlights import likely_causes
from toeline.result import Quantity, Result
from toeline.text import capital
from toeline.units import Unit

MOST_PRAISE = 2
#: What the one thing on a sheet is headed by, by the coach's word for it.
HEADINGS = {
    "setting": "Put right first",
    "look": "Find out first",
    "change": "Change one thing",
    "keep": "Keep it up",
}


@dataclass(frozen=True, slots=True)
class LearnerSheet:
    """What one learner reads of a coupon.

    ``change`` is the one thing to do, ``change_is`` what kind of thing, as the coach's; ``steps`` is what follows from
    a look's answer, ``figure`` what the bead has and is to have. Of a photo that is not believed there is only
    ``retake``.
    """

    name: str
    outcome: str
    points: str
    of: str
    well: tuple[str, ...] = ()
    change: str | None = None
    change_is: str = "keep"
    steps: tuple[str, ...] = ()
    cause: str | None = None
    figure: str | None = None
    drill: NextDrill | None = None
    drill_done: str | None = None
    repeat: str | None = None
    cautions: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    surer: str | None = None
    retake: str | None = None


def learner_sheet(coupon: Coupon, rubric: Rubric, unit: Unit = "mm") -> LearnerSheet:
    """The sheet of one coupon, every word of advice from the coach's one list."""
    scored, result = coupon.score, coupon.result
    mark = f"{rubric.points:g} points, pass mark {rubric.pass_share * rubric.points:g}"
    if scored is None or result is None or result.stopped:
        why = coupon.problem or (result.stopped if result else None) or "The photo cannot be used."
        return LearnerSheet(coupon.name, "undecided", "not scored", mark, retake=why)
    coach, welding = result.coaching, result.settings.welding
    drill = next_drill(result, scored, rubric)
    change, change_is = (coach.first, coach.first_is) if coach else (None, "keep")
    worst = surely_lost(scored, rubric)
    if change_is == "keep" and worst is not None:
        change, change_is = worst.coaching, "change"
    return LearnerSheet(
        coupon.name,
        coupon.outcome,
        "not scored" if coupon.points is None else f"{coupon.points:.0f} ± {scored.U:.0f}",
        mark,
        well=tuple(_well(scored, rubric, result, unit)),
        change=change,
        change_is=change_is,
        steps=coach.then if coach and coach.first_is == "look" else (),
        cause=likely_causes(result) if change_is in ("look", "change") else None,
        figure=drill.figure_in_words(unit, welding.electrode_mm) if drill else None,
        drill=drill,
        drill_done=drill.pass_in_words(unit, welding.electrode_mm) if drill else None,
        repeat=coach.repeat if coach else None,
        cautions=coach.cautions if coach else (),
        reasons=scored.reasons,
        surer=scored.narrowed_by.text if scored.narrowed_by else None,
    )


def sheets_of(scores: ClassScores, unit: Unit = "mm") -> tuple[LearnerSheet, ...]:
    """The sheets of a class, in its order."""
    return tuple(learner_sheet(coupon, scores.rubric, unit) for coupon in scores.coupons)


def _well(scored: Score, rubric: Rubric, result: Result, unit: Unit) -> Iterator[str]:
    """What surely earned its mark, the best first; what was measured comes before what only was not seen.

    Not that none was found where the picture beside it still marks one that nobody looked at.
    """
    rules, evidence = {item.id: item for item in rubric.item}, Evidence(result)
    marked = {one.kind for one in result.indications if evidence.how_seen(one) != "denied"}
    good = [
        one
        for one in scored.items
        if one.counted
        and one.points is not None
        and one.points - one.U >= rubric.pass_share * one.weight
        and not (rules[one.id].look and gauges()[rules[one.id].look or ""].sees in marked)
    ]
    good.sort(key=lambda one: (rules[one.id].indication is not None, -(one.points or 0.0) / one.weight, -one.weight))
    for one in good[:MOST_PRAISE]:
        yield f"{one.title}: {had_in_words(rules[one.id], one.value, unit)}"


def had_in_words(item: Item, had: Quantity, unit: Unit = "mm") -> str:
    """What a bead has of what counts, or why that is not known."""
    value, spread = had.value, had.U
    if value is None:
        return capital(had.why or "not known")
    if item.indication is not None:
        return "none seen" if value == 0 else f"{value:.0f} seen"
    if item.look is not None and value == 0:
        return "none found"
    if item.against == "reference":
        return f"{in_words(item, value, unit, spread)} from the reference"
    return in_words(item, value, unit, spread)
