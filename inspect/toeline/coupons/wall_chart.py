"""A wall chart from the school's own beads: the best, a typical one, one for each trouble; no names on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from typing import Literal

from toeline import __version__
from toeline.causes.chart import chart
from toeline.causes.remedies import placeholders, remedies
from toeline.coupons.coupons import ClassScores, Coupon
from toeline.errors import RubricError
from toeline.measures.registry import title_of
from toeline.names import CAUSES
from toeline.report.typeset import typeset
from toeline.result import CauseId, Result
from toeline.units import Unit, in_unit, say

Paper = Literal["a3", "a4", "us-tabloid", "us-letter"]
#: A bead stands for a trouble that is at least this likely and is not tied with another; common practice, no source.
LEAST_LIKELY = 0.5
MOST_SIGNS = 3


@dataclass(frozen=True, slots=True)
class Example:
    """One bead of the chart: what it shows, by which signs, and what is done about it."""

    title: str
    photo: str
    signs: tuple[str, ...]
    do: str


@dataclass(frozen=True, slots=True)
class WallChart:
    """The beads of a chart by photo; ``missing`` are the troubles that none of them shows."""

    best: str | None
    typical: str | None
    troubles: Mapping[CauseId, str]
    missing: tuple[str, ...]


def plan_chart(scores: ClassScores, picks: Mapping[CauseId, str | None] | None = None) -> WallChart:
    """Which beads a chart shows. ``picks`` are an instructor's own: a photo for a trouble, or None to leave it out.

    Raises:
        RubricError: a pick names no usable photo of this class, or no trouble.
    """
    usable = {one.photo: one for one in scores.coupons if one.result is not None and not one.result.stopped}
    chosen = {cause: _likeliest(usable, cause) for cause in CAUSES}
    for cause, photo in (picks or {}).items():
        if cause not in CAUSES:
            raise RubricError(f"There is no trouble {cause!r}; there are {', '.join(CAUSES)}.")
        if photo is not None and photo not in usable:
            raise RubricError(f"{photo} is no photo of this class that can be used.")
        chosen[cause] = photo
    found = {cause: photo for cause, photo in chosen.items() if photo is not None}
    sure = sorted((one for one in usable.values() if one.points is not None), key=_by_points)
    best = next((one for one in sure if one.photo not in found.values() and one.outcome != "fail"), None)
    middle = scores.median_points or 0.0
    rest = [one for one in sure if one is not best and one.photo not in found.values()]
    typical = min(rest, key=lambda one: (abs((one.points or 0.0) - middle), one.photo), default=None)
    left_out = {cause for cause, photo in (picks or {}).items() if photo is None}
    missing = tuple(title for cause, title in CAUSES.items() if cause not in found and cause not in left_out)
    return WallChart(best.photo if best else None, typical.photo if typical else None, found, missing)


def wall_chart(
    scores: ClassScores,
    plan: WallChart,
    pictures: Mapping[str, bytes],
    *,
    paper: Paper = "a3",
    unit: Unit = "mm",
    made_at: datetime | None = None,
) -> bytes:
    """The chart as one tagged PDF; ``pictures`` are JPEGs by photo name, of the photos that the plan names.

    Raises ReportError where it cannot be typeset.
    """
    made_at = made_at or datetime.now(UTC)
    results = {one.photo: one.result for one in scores.coupons if one.result is not None}
    good = [
        Example(title, photo, tuple(_measures(results[photo], unit)), do)
        for title, photo, do in (("Best", plan.best, "Weld it so."), ("Typical", plan.typical, "Most of us are here."))
        if photo is not None
    ]
    troubles = [_example(cause, photo, results[photo], unit) for cause, photo in plan.troubles.items()]
    names = {photo: f"bead{number}.jpg" for number, photo in enumerate(pictures)}
    data = {
        "paper": paper,
        "wide": paper in ("a3", "us-tabloid"),
        "good": [_cell(one, names) for one in good],
        "troubles": [_cell(one, names) for one in troubles],
        "missing": list(plan.missing),
        "made": made_at.strftime("%Y-%m-%d"),
        "version": __version__,
    }
    sources = {name: pictures[photo] for photo, name in names.items()}
    template = (files("toeline") / "data" / "wall_chart.typ").read_bytes()
    return typeset(template, data, sources, made_at, ("a-2a", "ua-1"))


def chosen_photos(plan: WallChart) -> tuple[str, ...]:
    """The photos that a chart needs pictures of."""
    return tuple(dict.fromkeys(p for p in (plan.best, plan.typical, *plan.troubles.values()) if p is not None))


def _by_points(one: Coupon) -> tuple[bool, float, str]:
    """Beads with nothing to change first, then by points less their doubt."""
    coach = one.result.coaching if one.result else None
    well = coach is not None and coach.first_is == "keep"
    return not well, (one.score.U if one.score else 0.0) - (one.points or 0.0), one.photo


def _likeliest(usable: Mapping[str, Coupon], cause: CauseId) -> str | None:
    """The bead that shows a trouble most surely, of those that show it first and apart from others."""
    shown = [
        (one.result.causes[0].likelihood, photo)
        for photo, one in usable.items()
        if one.result is not None
        and one.result.causes
        and one.result.causes[0].cause == cause
        and one.result.causes[0].told_apart_by is None
        and one.result.causes[0].likelihood >= LEAST_LIKELY
    ]
    return max(shown)[1] if shown else None


def _example(cause: CauseId, photo: str, result: Result, unit: Unit) -> Example:
    """A trouble with the signs on this bead where its ranking holds it, else with those of the chart."""
    ranked = next((one for one in result.causes if one.cause == cause), None)
    row = next(trouble for trouble in chart().troubles if trouble.cause == cause)
    usual = (chart().signs[each.sign].says[each.state] for each in row.signs)
    signs = tuple(ranked.evidence[:MOST_SIGNS]) if ranked and ranked.evidence else tuple(usual)[:MOST_SIGNS]
    return Example(CAUSES[cause], photo, signs, in_unit(_in_general(row.try_), unit))


def _in_general(actions: tuple[str, ...]) -> str:
    """The first thing to try, in words for any rod."""
    known = remedies().actions
    words = (known[name].without or known[name].say for name in actions)
    return next((text for text in words if not placeholders(text)), "")


def _measures(result: Result, unit: Unit) -> list[str]:
    shown = ("width_mean", "width_variation", "leg_base", "leg_upright", "ripple_pitch")
    known = [(name, result.measures[name]) for name in shown if name in result.measures]
    return [f"{title_of(name)}: {say(value, unit)}" for name, value in known if value.value is not None][:MOST_SIGNS]


def _cell(one: Example, names: Mapping[str, str]) -> dict[str, object]:
    return {"title": one.title, "picture": names.get(one.photo), "signs": list(one.signs), "do": one.do}
